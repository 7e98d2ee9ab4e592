//! Every fault the simulated module can suffer: its stable name, what it strikes, and one sentence for people.
//!
//! A fault only names what goes wrong; `effect` turns it into switches of the model, the sensors, the devices and the
//! links. Targets are checked when the fault is made, so an existing `Fault` always has something to strike.
//! Knows no time. Never panics.

use crate::cards::probe::ProbeId;
use crate::cards::roster::{DeviceId, LinkId};
use crate::model::layout::{BUSWAY_NAMES, BUSWAYS, FANS, PUMPS, RACKS, Side};
use thiserror::Error;

/// A fault and what it strikes. Indexes count from 0 and are in range.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// A fan stops and its back-draught damper stays open: air runs back through it.
    FanLost(usize),
    /// The controller commands every fan to its lowest speed.
    FansToMinimum,
    /// A pump trips on overload.
    PumpTrip(usize),
    /// The pump that should take over does not start.
    StandbyFails,
    /// The chiller plant trips and stays off.
    ChillerTrip,
    /// The chiller plant drops out and comes back only after its long restart.
    ChillerSlowRestart,
    /// The utility supply is lost.
    UtilityLost,
    /// The generator cranks and does not start.
    GeneratorNoStart,
    /// The generator's switch is not in automatic.
    GeneratorNotInAuto,
    /// The generator's day tank is low.
    GeneratorFuelLow,
    /// The generator's start battery is low.
    GeneratorStartBatteryLow,
    /// All three busways of a side are lost.
    SideLost(Side),
    /// A tap-off of a rack trips.
    TapTrip {
        /// Rack.
        rack: usize,
        /// Side.
        side: Side,
    },
    /// A busway's breaker is opened.
    BreakerOpen(usize),
    /// A busway's breaker trips.
    BreakerTrip(usize),
    /// One phase of a busway is lost.
    PhaseLost {
        /// Busway.
        busway: usize,
        /// Phase, 0–2.
        phase: usize,
    },
    /// A UPS transfers its load to bypass.
    UpsBypass(usize),
    /// A UPS battery has lost most of its capacity.
    BatteryWeak(usize),
    /// The air filters clog.
    FilterClogging,
    /// The water strainer clogs.
    StrainerClogging,
    /// A door is opened and left open.
    DoorOpen(usize),
    /// The smoke panel reports smoke.
    Smoke,
    /// The smoke panel reports its own fault.
    SmokePanelFault,
    /// Somebody presses emergency-off.
    EmergencyOff,
    /// Water on the floor: the leak rope of a zone is wet.
    Leak(usize),
    /// The leak rope's cable is broken.
    LeakRopeBroken(usize),
    /// Humid air gets in.
    HumidityRise,
    /// The condensate pan fills.
    CondensateHigh,
    /// Earth leakage current above the monitor's setting.
    EarthLeakage,
    /// The automatic load shedding is switched off.
    LoadShedOff,
    /// The loop loses static pressure.
    StaticPressureFall,
    /// A sensor's wire is broken.
    SensorOpen(ProbeId),
    /// A sensor is short-circuited.
    SensorShort(ProbeId),
    /// A sensor's reading no longer changes.
    SensorFrozen(ProbeId),
    /// A sensor's reading drifts away.
    SensorDrift(ProbeId),
    /// A device no longer answers.
    DeviceSilent(DeviceId),
    /// A device answers late.
    DeviceSlow(DeviceId),
    /// A device answers with noise.
    DeviceGarbage(DeviceId),
    /// A device was replaced by another one that looks alike.
    DeviceSwapped(DeviceId),
    /// A second device has the same address.
    DuplicateAddress(DeviceId),
    /// Another master speaks on the line.
    SecondMaster(LinkId),
    /// The cable of a link is cut.
    LinkCut(LinkId),
}

/// Why a fault could not be made from its name and target.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum FaultError {
    /// No fault has this name.
    #[error("no fault is called \"{name}\"; the names are: {known}")]
    UnknownName {
        /// As given.
        name: String,
        /// All names.
        known: String,
    },
    /// The fault strikes something else.
    #[error("\"{name}\" cannot strike \"{target}\"; give {expected}")]
    WrongTarget {
        /// The fault.
        name: &'static str,
        /// As given.
        target: String,
        /// What it strikes.
        expected: &'static str,
    },
    /// The fault strikes the whole module.
    #[error("\"{name}\" strikes the module as a whole; leave out target = \"{target}\"")]
    NeedsNoTarget {
        /// The fault.
        name: &'static str,
        /// As given.
        target: String,
    },
}

/// Every fault's name, what its target is, and the target struck when none is given (`None`: no target).
pub const FAULTS: [(&str, &str, Option<&str>); 42] = [
    ("fan-lost", "a fan such as \"fan-07\"", Some("fan-07")),
    ("fans-to-minimum", "", None),
    ("pump-trip", "\"pump-1\" or \"pump-2\"", Some("pump-1")),
    ("standby-fails", "", None),
    ("chiller-trip", "", None),
    ("chiller-slow-restart", "", None),
    ("utility-lost", "", None),
    ("generator-no-start", "", None),
    ("generator-not-in-auto", "", None),
    ("generator-fuel-low", "", None),
    ("generator-start-battery-low", "", None),
    ("side-lost", "\"side-a\" or \"side-b\"", Some("side-a")),
    ("tap-trip", "a rack and side such as \"rack-07-a\"", Some("rack-07-a")),
    ("breaker-open", "a busway such as \"busway-a2\"", Some("busway-a2")),
    ("breaker-trip", "a busway such as \"busway-a2\"", Some("busway-a2")),
    ("phase-lost", "a busway and phase such as \"busway-b3-l2\"", Some("busway-b3-l2")),
    ("ups-bypass", "a UPS such as \"ups-a1\"", Some("ups-a1")),
    ("battery-weak", "a UPS such as \"ups-b2\"", Some("ups-b2")),
    ("filter-clogging", "", None),
    ("strainer-clogging", "", None),
    ("door-open", "\"cold-aisle\", \"hot-aisle\" or \"plant-bay\"", Some("cold-aisle")),
    ("smoke", "", None),
    ("smoke-panel-fault", "", None),
    ("emergency-off", "", None),
    ("leak", "\"coil-bay\" or \"racks\"", Some("coil-bay")),
    ("leak-rope-broken", "\"coil-bay\" or \"racks\"", Some("racks")),
    ("humidity-rise", "", None),
    ("condensate-high", "", None),
    ("earth-leakage", "", None),
    ("load-shed-off", "", None),
    ("static-pressure-fall", "", None),
    ("sensor-open", "a probe's point path", Some("rack/04/inlet/top/temperature")),
    ("sensor-short", "a probe's point path", Some("rack/11/inlet/middle/temperature")),
    ("sensor-frozen", "a probe's point path", Some("coil/water/flow")),
    ("sensor-drift", "a probe's point path", Some("coil/water/supply/temperature")),
    ("device-silent", "a device's name", Some("fan-05")),
    ("device-slow", "a device's name", Some("fan-09")),
    ("device-garbage", "a device's name", Some("rack-06")),
    ("device-swapped", "a Modbus device's name", Some("meter-b2")),
    ("duplicate-address", "a device on a serial line", Some("fan-03")),
    ("second-master", "a link's name", Some("fans")),
    ("link-cut", "a link's name", Some("environment")),
];

const DOOR_NAMES: [&str; 3] = ["cold-aisle", "hot-aisle", "plant-bay"];
const ZONE_NAMES: [&str; 2] = ["coil-bay", "racks"];

impl Fault {
    /// Makes a fault from its name and target; without a target it strikes its usual one.
    pub fn from_name(name: &str, target: Option<&str>) -> Result<Self, FaultError> {
        let Some(&(name, expected, usual)) = FAULTS.iter().find(|(n, _, _)| *n == name) else {
            let known = FAULTS.iter().map(|(n, _, _)| *n).collect::<Vec<_>>().join(", ");
            return Err(FaultError::UnknownName { name: name.to_owned(), known });
        };
        let target = match (usual, target) {
            (None, Some(target)) => return Err(FaultError::NeedsNoTarget { name, target: target.to_owned() }),
            (None, None) => "",
            (Some(usual), given) => given.unwrap_or(usual),
        };
        Self::build(name, target).ok_or(FaultError::WrongTarget { name, target: target.to_owned(), expected })
    }

    fn build(name: &str, target: &str) -> Option<Self> {
        Some(match name {
            "fan-lost" => Self::FanLost(numbered(target, "fan-", FANS)?),
            "fans-to-minimum" => Self::FansToMinimum,
            "pump-trip" => Self::PumpTrip(numbered(target, "pump-", PUMPS)?),
            "standby-fails" => Self::StandbyFails,
            "chiller-trip" => Self::ChillerTrip,
            "chiller-slow-restart" => Self::ChillerSlowRestart,
            "utility-lost" => Self::UtilityLost,
            "generator-no-start" => Self::GeneratorNoStart,
            "generator-not-in-auto" => Self::GeneratorNotInAuto,
            "generator-fuel-low" => Self::GeneratorFuelLow,
            "generator-start-battery-low" => Self::GeneratorStartBatteryLow,
            "side-lost" => Self::SideLost(side(target.strip_prefix("side-")?)?),
            "tap-trip" => {
                let (rack, letter) = target.rsplit_once('-')?;
                Self::TapTrip { rack: numbered(rack, "rack-", RACKS)?, side: side(letter)? }
            }
            "breaker-open" => Self::BreakerOpen(busway(target, "busway-")?),
            "breaker-trip" => Self::BreakerTrip(busway(target, "busway-")?),
            "phase-lost" => {
                let (name, phase) = target.rsplit_once("-l")?;
                Self::PhaseLost { busway: busway(name, "busway-")?, phase: numbered(phase, "", 3)? }
            }
            "ups-bypass" => Self::UpsBypass(busway(target, "ups-")?),
            "battery-weak" => Self::BatteryWeak(busway(target, "ups-")?),
            "filter-clogging" => Self::FilterClogging,
            "strainer-clogging" => Self::StrainerClogging,
            "door-open" => Self::DoorOpen(DOOR_NAMES.iter().position(|d| *d == target)?),
            "smoke" => Self::Smoke,
            "smoke-panel-fault" => Self::SmokePanelFault,
            "emergency-off" => Self::EmergencyOff,
            "leak" => Self::Leak(ZONE_NAMES.iter().position(|z| *z == target)?),
            "leak-rope-broken" => Self::LeakRopeBroken(ZONE_NAMES.iter().position(|z| *z == target)?),
            "humidity-rise" => Self::HumidityRise,
            "condensate-high" => Self::CondensateHigh,
            "earth-leakage" => Self::EarthLeakage,
            "load-shed-off" => Self::LoadShedOff,
            "static-pressure-fall" => Self::StaticPressureFall,
            "sensor-open" => Self::SensorOpen(ProbeId::from_path(target)?),
            "sensor-short" => Self::SensorShort(ProbeId::from_path(target)?),
            "sensor-frozen" => Self::SensorFrozen(ProbeId::from_path(target)?),
            "sensor-drift" => Self::SensorDrift(ProbeId::from_path(target)?),
            "device-silent" => Self::DeviceSilent(DeviceId::from_name(target)?),
            "device-slow" => Self::DeviceSlow(DeviceId::from_name(target)?),
            "device-garbage" => Self::DeviceGarbage(DeviceId::from_name(target)?),
            "device-swapped" => Self::DeviceSwapped(DeviceId::from_name(target).filter(|d| d.is_modbus())?),
            "duplicate-address" => Self::DuplicateAddress(DeviceId::from_name(target).filter(|d| d.is_modbus())?),
            "second-master" => Self::SecondMaster(LinkId::from_name(target).filter(|l| l.is_serial())?),
            "link-cut" => Self::LinkCut(LinkId::from_name(target)?),
            _ => return None,
        })
    }

    /// The stable name, as in scenarios, files and notes.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::FanLost(_) => "fan-lost",
            Self::FansToMinimum => "fans-to-minimum",
            Self::PumpTrip(_) => "pump-trip",
            Self::StandbyFails => "standby-fails",
            Self::ChillerTrip => "chiller-trip",
            Self::ChillerSlowRestart => "chiller-slow-restart",
            Self::UtilityLost => "utility-lost",
            Self::GeneratorNoStart => "generator-no-start",
            Self::GeneratorNotInAuto => "generator-not-in-auto",
            Self::GeneratorFuelLow => "generator-fuel-low",
            Self::GeneratorStartBatteryLow => "generator-start-battery-low",
            Self::SideLost(_) => "side-lost",
            Self::TapTrip { .. } => "tap-trip",
            Self::BreakerOpen(_) => "breaker-open",
            Self::BreakerTrip(_) => "breaker-trip",
            Self::PhaseLost { .. } => "phase-lost",
            Self::UpsBypass(_) => "ups-bypass",
            Self::BatteryWeak(_) => "battery-weak",
            Self::FilterClogging => "filter-clogging",
            Self::StrainerClogging => "strainer-clogging",
            Self::DoorOpen(_) => "door-open",
            Self::Smoke => "smoke",
            Self::SmokePanelFault => "smoke-panel-fault",
            Self::EmergencyOff => "emergency-off",
            Self::Leak(_) => "leak",
            Self::LeakRopeBroken(_) => "leak-rope-broken",
            Self::HumidityRise => "humidity-rise",
            Self::CondensateHigh => "condensate-high",
            Self::EarthLeakage => "earth-leakage",
            Self::LoadShedOff => "load-shed-off",
            Self::StaticPressureFall => "static-pressure-fall",
            Self::SensorOpen(_) => "sensor-open",
            Self::SensorShort(_) => "sensor-short",
            Self::SensorFrozen(_) => "sensor-frozen",
            Self::SensorDrift(_) => "sensor-drift",
            Self::DeviceSilent(_) => "device-silent",
            Self::DeviceSlow(_) => "device-slow",
            Self::DeviceGarbage(_) => "device-garbage",
            Self::DeviceSwapped(_) => "device-swapped",
            Self::DuplicateAddress(_) => "duplicate-address",
            Self::SecondMaster(_) => "second-master",
            Self::LinkCut(_) => "link-cut",
        }
    }

    /// One sentence for people: what happens now.
    #[must_use]
    pub fn sentence(self) -> String {
        match self {
            Self::FanLost(f) => format!("Fan {:02} stops and its back-draught damper stays open.", f + 1),
            Self::FansToMinimum => "The controller drives every fan to its lowest speed.".into(),
            Self::PumpTrip(p) => format!("Pump {} trips on overload.", p + 1),
            Self::StandbyFails => "The standby pump will not start when it is called.".into(),
            Self::ChillerTrip => "The chiller plant trips and stays off.".into(),
            Self::ChillerSlowRestart => "The chiller plant drops out and needs its long restart.".into(),
            Self::UtilityLost => "The utility supply is lost.".into(),
            Self::GeneratorNoStart => "The generator will crank but not start.".into(),
            Self::GeneratorNotInAuto => "The generator's switch is turned away from automatic.".into(),
            Self::GeneratorFuelLow => "The generator's fuel is low.".into(),
            Self::GeneratorStartBatteryLow => "The generator's start battery is low.".into(),
            Self::SideLost(s) => format!("All busways of side {} are lost.", s.letter().to_uppercase()),
            Self::TapTrip { rack, side } => {
                format!("The tap-off of rack {:02} on side {} trips.", rack + 1, side.letter().to_uppercase())
            }
            Self::BreakerOpen(b) => format!("The breaker of busway {} is opened.", upper(b)),
            Self::BreakerTrip(b) => format!("The breaker of busway {} trips.", upper(b)),
            Self::PhaseLost { busway, phase } => format!("Busway {} loses phase L{}.", upper(busway), phase + 1),
            Self::UpsBypass(b) => format!("UPS {} transfers its load to bypass.", upper(b)),
            Self::BatteryWeak(b) => format!("The battery of UPS {} has lost most of its capacity.", upper(b)),
            Self::FilterClogging => "The air filters clog.".into(),
            Self::StrainerClogging => "The water strainer clogs.".into(),
            Self::DoorOpen(d) => format!("The {} door is opened and left open.", DOOR_NAMES[d % 3].replace('-', " ")),
            Self::Smoke => "The smoke panel reports smoke.".into(),
            Self::SmokePanelFault => "The smoke panel reports a fault of its own.".into(),
            Self::EmergencyOff => "Somebody presses emergency-off.".into(),
            Self::Leak(z) => format!("Water reaches the leak rope ({}).", ZONE_NAMES[z % 2].replace('-', " ")),
            Self::LeakRopeBroken(z) => {
                format!("The leak rope's cable breaks ({}).", ZONE_NAMES[z % 2].replace('-', " "))
            }
            Self::HumidityRise => "Humid outside air gets into the module.".into(),
            Self::CondensateHigh => "The condensate pan fills.".into(),
            Self::EarthLeakage => "The earth leakage current passes the monitor's setting.".into(),
            Self::LoadShedOff => "Somebody switches the automatic load shedding off.".into(),
            Self::StaticPressureFall => "The water loop loses static pressure.".into(),
            Self::SensorOpen(p) => format!("The wire of the sensor at {p} breaks."),
            Self::SensorShort(p) => format!("The sensor at {p} is short-circuited."),
            Self::SensorFrozen(p) => format!("The reading at {p} freezes."),
            Self::SensorDrift(p) => format!("The sensor at {p} drifts."),
            Self::DeviceSilent(d) => format!("Device {} no longer answers.", d.name()),
            Self::DeviceSlow(d) => format!("Device {} answers late.", d.name()),
            Self::DeviceGarbage(d) => format!("Device {} answers with noise.", d.name()),
            Self::DeviceSwapped(d) => format!("Device {} is replaced by another one.", d.name()),
            Self::DuplicateAddress(d) => format!("A second device takes the address of {}.", d.name()),
            Self::SecondMaster(l) => format!("Another master speaks on link {}.", l.name()),
            Self::LinkCut(l) => format!("The cable of link {} is cut.", l.name()),
        }
    }
}

fn upper(busway: usize) -> String {
    BUSWAY_NAMES[busway % BUSWAYS].to_uppercase()
}

/// "fan-07" → 6 when `count` allows it.
fn numbered(text: &str, prefix: &str, count: usize) -> Option<usize> {
    let number: usize = text.strip_prefix(prefix)?.parse().ok()?;
    (1..=count).contains(&number).then(|| number - 1)
}

fn side(letter: &str) -> Option<Side> {
    Side::BOTH.into_iter().find(|s| s.letter() == letter)
}

fn busway(text: &str, prefix: &str) -> Option<usize> {
    let tail = text.strip_prefix(prefix)?;
    BUSWAY_NAMES.iter().position(|n| *n == tail)
}

#[cfg(test)]
mod tests;
