//! Links and devices: unique names, devices on links that exist, units that differ, addresses the caller overrides.
//!
//! Devices come out grouped by link, in the order of the file within one. Link by link judged; nothing is opened. Never
//! panics.

use std::time::Duration;

use lapwing_engine::spec::Span;

use crate::config::address::host_port;
use crate::config::items::device::DeviceItem;
use crate::config::items::link::LinkItem;
use crate::config::mistake::Report;
use crate::config::reader::nearest;
use crate::config::source::{Origin, Place};
use crate::config::wrong::Wrong;
use crate::field::planner::Line;
use crate::plan::snmp::Access;
use crate::plan::{Device, Link, Redfish, Transport};

use super::{Parts, extend, identity, index};

/// Links and devices, with the items behind the devices.
#[derive(Debug, Default)]
pub(crate) struct Wiring<'p> {
    pub(crate) links: Vec<Link>,
    pub(crate) devices: Vec<Device>,
    /// Item and kind of link of each device, in the order of `devices`.
    pub(crate) items: Vec<(&'p DeviceItem, Carrier)>,
    /// Devices whose link is not known: their points have names all the same.
    pub(crate) adrift: Vec<&'p DeviceItem>,
}

/// What kind of protocol a link speaks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Carrier {
    /// Modbus over TCP.
    Network,
    /// Modbus characters on a line, also behind a gateway.
    Line { baud: u32, bits: u32 },
    /// SNMP.
    Snmp,
    /// Redfish.
    Redfish,
    /// The link's own mistake was told.
    Unknown,
}

/// Judges links and devices and puts them in order.
pub(crate) fn wire<'p>(parts: &'p Parts, report: &mut Report) -> Wiring<'p> {
    let mut wiring = Wiring::default();
    for (at, item) in parts.links.iter().enumerate() {
        if parts.links[..at].iter().any(|other| other.name.value == item.name.value) {
            let wrong = Wrong::Duplicate { what: "link", name: item.name.value.clone(), first: "above".into() };
            report.wrong(item.name.place, format!("{}.name", item.label), wrong);
        }
        wiring.links.push(link(item, parts, report));
    }
    for name in parts.link_addresses.keys().filter(|name| !parts.links.iter().any(|link| link.name.value == **name)) {
        report.wrong(Place::whole(Origin::Override), name.clone(), Wrong::UnknownOverride { link: name.clone() });
    }
    let mut placed: Vec<(usize, &DeviceItem)> = Vec::new();
    for (at, item) in parts.devices.iter().enumerate() {
        if parts.devices[..at].iter().any(|other| other.name.value == item.name.value) {
            let wrong = Wrong::Duplicate { what: "device", name: item.name.value.clone(), first: "above".into() };
            report.wrong(item.name.place, format!("{}.name", item.label), wrong);
        }
        let Some(name) = &item.link else {
            wiring.adrift.push(item);
            continue;
        };
        match parts.links.iter().position(|link| link.name.value == name.value) {
            Some(link) => placed.push((link, item)),
            None => {
                let near = nearest(&name.value, parts.links.iter().map(|link| link.name.value.as_str()));
                report.wrong(
                    name.place,
                    format!("{}.link", item.label),
                    Wrong::UnknownLink { name: name.value.clone(), near },
                );
                wiring.adrift.push(item);
            }
        }
    }
    placed.sort_by_key(|(link, _)| *link);
    for (at, (link, item)) in placed.iter().enumerate() {
        let carrier = carrier(&parts.links[*link]);
        let before = placed[..at].iter().filter(|(other, _)| other == link).map(|(_, item)| *item);
        companions(item, carrier, before, &parts.links[*link].name.value, report);
        let timeout = item.timeout.unwrap_or(wiring.links[*link].timeout);
        wiring.devices.push(Device {
            name: item.name.value.clone(),
            link: index(*link),
            unit: if matches!(carrier, Carrier::Snmp | Carrier::Redfish) {
                0
            } else {
                item.unit.as_ref().map_or(1, |unit| unit.value)
            },
            timeout,
            pause: item.pause,
            late_max: item.late_max.unwrap_or(timeout * 3),
            turnaround: item.turnaround.unwrap_or(Line::of(&wiring.links[*link].transport).turnaround()),
            faster: None,
            transactions: Span::default(),
            above_least_ppm: 0,
            state_point: 0,
            identity: identity::identity(item, carrier, parts.links[*link].listen, report),
            map_point: None,
        });
        extend(&mut wiring.links[*link].devices, index(at));
        wiring.items.push((item, carrier));
    }
    unprotected(&wiring.links, parts, report);
    for (link, item) in wiring.links.iter().zip(&parts.links) {
        // A device with a mistake of its own may have been meant for it.
        let named = parts.devices.iter().any(|device| device.link.as_ref().is_none_or(|name| name.value == link.name));
        if link.devices.count == 0 && !named {
            report.finding(item.place, item.label.clone(), Wrong::LinkWithoutDevice { link: link.name.clone() });
        }
    }
    wiring
}

/// Says once, for all links of version 2c together, what version 2c is.
fn unprotected(links: &[Link], parts: &Parts, report: &mut Report) {
    let is_2c = |link: &Link| {
        matches!(&link.transport, Transport::Snmp { access: Access::Community { version_1: false, .. }, .. })
    };
    let named: Vec<&str> = links.iter().filter(|link| is_2c(link)).map(|link| link.name.as_str()).collect();
    let Some(item) = links.iter().zip(&parts.links).find(|(link, _)| is_2c(link)).map(|(_, item)| item) else { return };
    let what = format!(
        "SNMP 2c ({}): community and readings cross the network unprotected, and anybody there can forge them",
        named.join(", ")
    );
    let mend = "use version = \"3\" where the card can; else keep these cards on a network of their own";
    report.finding(item.place, item.label.clone(), Wrong::WeakAccess { what, mend });
}

fn link(item: &LinkItem, parts: &Parts, report: &mut Report) -> Link {
    let mut transport = item.transport.clone();
    if let (Some(given), Some(address)) = (&transport, parts.link_addresses.get(&item.name.value)) {
        match readdressed(given, address) {
            Ok(moved) => transport = Some(moved),
            Err(wrong) => report.wrong(Place::whole(Origin::Override), item.name.value.clone(), wrong),
        }
    }
    Link {
        name: item.name.value.clone(),
        // Without a transport a mistake was noted, and the Plan does not count.
        transport: transport.unwrap_or(Transport::ModbusTcp { host: String::new(), port: 0 }),
        timeout: item.timeout,
        retries: item.retries,
        devices: Span::default(),
        state_point: 0,
        listen: item.listen,
        listen_first: item.listen_first,
        masters_point: None,
        count_points: None,
    }
}

/// The same transport at another address.
fn readdressed(transport: &Transport, address: &str) -> Result<Transport, Wrong> {
    let mut moved = transport.clone();
    match &mut moved {
        Transport::ModbusTcp { host, port }
        | Transport::ModbusTls { host, port, .. }
        | Transport::ModbusRtuTcp { host, port, .. }
        | Transport::Redfish(Redfish { host, port, .. })
        | Transport::Snmp { host, port, .. } => {
            (*host, *port) = host_port(address, "127.0.0.1:502")?;
        }
        Transport::Serial { path, .. } => *path = address.into(),
    }
    Ok(moved)
}

fn carrier(link: &LinkItem) -> Carrier {
    match link.kind {
        Some("modbus_tcp" | "modbus_tls") => Carrier::Network,
        Some("modbus_rtu_tcp" | "serial") => match link.transport.as_ref().map(Line::of) {
            Some(Line::Serial { baud, bits }) => Carrier::Line { baud, bits },
            Some(Line::Network | Line::Snmp) | None => Carrier::Line { baud: link.baud, bits: 11 },
        },
        Some("snmp") => Carrier::Snmp,
        Some("redfish") => Carrier::Redfish,
        Some(_) | None => Carrier::Unknown,
    }
}

/// Notes keys that only Modbus devices have.
fn no_modbus(item: &DeviceItem, of: &str, report: &mut Report) {
    for (key, place) in &item.modbus_keys {
        let mend = "remove it; it belongs to Modbus devices".to_string();
        report.wrong(*place, format!("{}.{key}", item.label), Wrong::KeyHasNoMeaning { key, of: of.into(), mend });
    }
}

/// Judges a device beside those before it on the same link.
fn companions<'p>(
    item: &DeviceItem,
    carrier: Carrier,
    mut before: impl Iterator<Item = &'p DeviceItem>,
    link: &str,
    report: &mut Report,
) {
    let unit_place = item.unit.as_ref().map_or(item.place, |unit| unit.place);
    match carrier {
        Carrier::Unknown => {}
        Carrier::Redfish => no_modbus(item, "a Redfish device", report),
        Carrier::Snmp => {
            no_modbus(item, "an SNMP device", report);
            if let Some(first) = before.next() {
                let wrong = Wrong::SeveralOnSnmp {
                    link: link.to_string(),
                    first: first.name.value.clone(),
                    second: item.name.value.clone(),
                };
                report.wrong(item.place, format!("{}.link", item.label), wrong);
            }
        }
        Carrier::Network | Carrier::Line { .. } => {
            let unit = item.unit.as_ref().map_or(1, |unit| unit.value);
            let allowed = (1..=247).contains(&unit) || (carrier == Carrier::Network && matches!(unit, 0 | 255));
            if !allowed {
                let wrong = Wrong::OutOfRange { value: unit.to_string(), low: "1".into(), high: "247".into() };
                report.wrong(unit_place, format!("{}.unit", item.label), wrong);
            }
            if let Some(first) = before.find(|other| other.unit.as_ref().map_or(1, |unit| unit.value) == unit) {
                let (first, second) = (first.name.value.clone(), item.name.value.clone());
                report.wrong(
                    unit_place,
                    format!("{}.unit", item.label),
                    Wrong::SameUnit { first, second, unit, link: link.to_string() },
                );
            }
        }
    }
}

/// Three scan periods and an answer's time: older than that, a reading is out of date.
pub(crate) fn max_age_ms(scan_period: Duration, timeout: Duration) -> u32 {
    u32::try_from((scan_period * 3 + timeout).as_millis()).unwrap_or(u32::MAX)
}
