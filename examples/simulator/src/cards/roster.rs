//! Which devices the module has, on which link, under which address, and how often each card refreshes.
//!
//! The names are those of the demo configuration. Knows no values. Refresh times are seconds. Never panics.

use crate::bank::{Carrier, Reached};
use crate::model::layout::{AIR_SENSORS, BUSWAY_NAMES, FANS, RACKS, Side};
use std::sync::OnceLock;

/// What a card shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CardKind {
    /// The coil plant's controller.
    CoilPlant,
    /// Contacts: doors, smoke, breakers, leak ropes.
    Contacts,
    /// Meter of the fans, pumps and controls.
    CoolingMeter,
    /// Meter of the main supply.
    MainMeter,
    /// Meter of a busway.
    BuswayMeter(usize),
    /// Tap-off monitor of a busway, six tap-offs.
    Taps(usize),
    /// Meter of a rack's power distribution unit.
    Pdu {
        /// Rack.
        rack: usize,
        /// Side.
        side: Side,
    },
    /// A fan's card.
    Fan(usize),
    /// The four temperatures of a rack.
    RackSensors(usize),
    /// An aisle sensor for temperature and humidity.
    AirSensor(usize),
    /// A UPS.
    Ups(usize),
}

/// One device.
#[derive(Clone, Debug)]
pub struct Entry {
    /// Name as in the demo configuration.
    pub name: String,
    /// Index of its link.
    pub link: LinkId,
    /// Address on the link.
    pub reached: Reached,
    /// What it shows.
    pub kind: CardKind,
    /// How often its card takes new values, s.
    pub refresh_s: f64,
}

/// One link.
#[derive(Clone, Debug)]
pub struct LinkEntry {
    /// Name as in the demo configuration.
    pub name: String,
    /// What carries it.
    pub carrier: Carrier,
}

/// A device of the roster.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DeviceId(u16);

/// A link of the roster.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LinkId(u16);

/// Names of the aisle sensors, three in the cold aisle and two in the hot aisle.
pub const AIR_SENSOR_NAMES: [&str; AIR_SENSORS] =
    ["cold-aisle/left", "cold-aisle/middle", "cold-aisle/right", "hot-aisle/left", "hot-aisle/right"];

impl DeviceId {
    /// By the name of the demo configuration.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        devices().iter().position(|d| d.name == name).map(|i| Self(i as u16))
    }

    /// Name as in the demo configuration.
    #[must_use]
    pub fn name(self) -> &'static str {
        &devices()[self.index()].name
    }

    /// Whether it is reached by a Modbus unit number.
    #[must_use]
    pub fn is_modbus(self) -> bool {
        matches!(devices()[self.index()].reached, Reached::Unit(_))
    }

    /// Index into [`devices`].
    #[must_use]
    pub const fn index(self) -> usize {
        self.0 as usize
    }
}

impl LinkId {
    /// By the name of the demo configuration.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        links().iter().position(|l| l.name == name).map(|i| Self(i as u16))
    }

    /// Name as in the demo configuration.
    #[must_use]
    pub fn name(self) -> &'static str {
        &links()[self.index()].name
    }

    /// Whether it is a serial line.
    #[must_use]
    pub fn is_serial(self) -> bool {
        matches!(links()[self.index()].carrier, Carrier::Serial { .. })
    }

    /// Index into [`links`].
    #[must_use]
    pub const fn index(self) -> usize {
        self.0 as usize
    }
}

/// All links, in the order of the demo configuration.
pub fn links() -> &'static [LinkEntry] {
    static LINKS: OnceLock<Vec<LinkEntry>> = OnceLock::new();
    LINKS.get_or_init(|| {
        let mut links = vec![
            LinkEntry { name: "plant".into(), carrier: Carrier::ModbusTcp },
            LinkEntry { name: "fans".into(), carrier: Carrier::Serial { baud: 19_200 } },
            LinkEntry { name: "environment".into(), carrier: Carrier::RtuOverTcp },
        ];
        links.extend(BUSWAY_NAMES.iter().map(|b| LinkEntry { name: format!("ups-{b}"), carrier: Carrier::Snmp }));
        links
    })
}

/// All devices, link by link.
pub fn devices() -> &'static [Entry] {
    static DEVICES: OnceLock<Vec<Entry>> = OnceLock::new();
    DEVICES.get_or_init(build)
}

fn build() -> Vec<Entry> {
    const PLANT: LinkId = LinkId(0);
    const FAN_LINE: LinkId = LinkId(1);
    const ENVIRONMENT: LinkId = LinkId(2);
    const FIRST_UPS: u16 = 3;
    let mut all = Vec::new();
    let mut add = |name: String, link, unit: usize, kind, refresh_s| {
        all.push(Entry { name, link, reached: Reached::Unit(unit as u8), kind, refresh_s });
    };
    add("coil-plant".into(), PLANT, 1, CardKind::CoilPlant, 0.25);
    add("contacts".into(), PLANT, 2, CardKind::Contacts, 0.1);
    add("meter-cooling".into(), PLANT, 9, CardKind::CoolingMeter, 1.0);
    add("meter-main".into(), PLANT, 10, CardKind::MainMeter, 0.5);
    for (b, busway) in BUSWAY_NAMES.iter().enumerate() {
        add(format!("meter-{busway}"), PLANT, 11 + b, CardKind::BuswayMeter(b), 0.5);
    }
    for (b, busway) in BUSWAY_NAMES.iter().enumerate() {
        add(format!("taps-{busway}"), PLANT, 21 + b, CardKind::Taps(b), 1.0);
    }
    for side in Side::BOTH {
        for rack in 0..RACKS {
            let unit = 101 + 20 * side.index() + rack;
            add(format!("pdu-{:02}-{}", rack + 1, side.letter()), PLANT, unit, CardKind::Pdu { rack, side }, 1.0);
        }
    }
    for f in 0..FANS {
        add(format!("fan-{:02}", f + 1), FAN_LINE, 1 + f, CardKind::Fan(f), 0.5);
    }
    for rack in 0..RACKS {
        add(format!("rack-{:02}", rack + 1), ENVIRONMENT, 1 + rack, CardKind::RackSensors(rack), 0.5);
    }
    for (a, sensor) in AIR_SENSOR_NAMES.iter().enumerate() {
        let name = format!("air-{}", sensor.replace('/', "-"));
        add(name, ENVIRONMENT, 21 + a, CardKind::AirSensor(a), 2.0);
    }
    for (b, busway) in BUSWAY_NAMES.iter().enumerate() {
        all.push(Entry {
            name: format!("ups-{busway}"),
            link: LinkId(FIRST_UPS + b as u16),
            reached: Reached::Agent,
            kind: CardKind::Ups(b),
            refresh_s: 2.0,
        });
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_addresses_are_unique() {
        let all = devices();
        for (i, a) in all.iter().enumerate() {
            assert_eq!(DeviceId::from_name(&a.name).map(DeviceId::index), Some(i), "{}", a.name);
            for b in &all[i + 1..] {
                assert!(a.link != b.link || a.reached != b.reached, "{} and {}", a.name, b.name);
            }
        }
        assert_eq!(links()[LinkId(3).index()].name, "ups-a1");
    }
}
