//! The faults that are rehearsed: what each strikes, how long it is watched, and which alarms speak of it rightly.
//!
//! An alarm speaks rightly of a fault when it names what failed (or, for a loss of the medium, the medium); alarms of
//! mere consequences do not count. Where a fault hides until something else asks for what it broke, it is rehearsed
//! together with that. Times are seconds. Panics only on a name the simulator does not have: a mistake here.

use lapwing_simulator::model::layout::{BUSWAY_NAMES, busway_of, racks_of};
use lapwing_simulator::scenario::{Fault, TimedFault};

/// What is rehearsed.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Case {
    /// Name in the outcome table.
    pub(crate) name: &'static str,
    /// Faults with when they begin and end, after the case's beginning. The last is the one that must be told.
    faults: &'static [(f64, Option<f64>, &'static str)],
    /// How long it is watched.
    pub(crate) watch_s: f64,
    /// What the last one strikes, one a seed in turn; empty strikes the module.
    targets: &'static [&'static str],
}

const fn case(name: &'static str, watch_s: f64, targets: &'static [&'static str]) -> Case {
    Case { name, faults: &[], watch_s, targets }
}

const FANS: &[&str] = &["fan-01", "fan-04", "fan-07", "fan-10", "fan-14"];
const BUSWAYS: &[&str] = &["busway-a1", "busway-a2", "busway-a3", "busway-b1", "busway-b2", "busway-b3"];
const UPSES: &[&str] = &["ups-a1", "ups-a2", "ups-a3", "ups-b1", "ups-b2", "ups-b3"];
const DEVICES: &[&str] =
    &["fan-05", "rack-06", "coil-plant", "contacts", "meter-b2", "taps-a1", "pdu-07-a", "air-cold-aisle-middle"];
const ZONES: &[&str] = &["coil-bay", "racks"];
const INLETS: &[&str] = &[
    "rack/04/inlet/top/temperature",
    "rack/11/inlet/middle/temperature",
    "coil/water/supply/temperature",
    "cold-aisle/middle/temperature",
];

/// Everything that is rehearsed alone.
pub(crate) const SINGLE: &[Case] = &[
    case("fan-lost", 60.0, FANS),
    case("fans-to-minimum", 60.0, &[]),
    case("pump-trip", 60.0, &["pump-1"]),
    Case { faults: &[(0.0, None, "standby-fails")], ..case("pump-trip", 60.0, &["pump-1"]) }
        .called("pump-trip-standby-fails"),
    case("chiller-trip", 180.0, &[]),
    case("chiller-slow-restart", 180.0, &[]),
    case("utility-lost", 120.0, &[]),
    Case { faults: &[(0.0, None, "generator-no-start")], ..case("utility-lost", 120.0, &[]) }
        .called("generator-no-start"),
    case("generator-not-in-auto", 60.0, &[]),
    case("generator-fuel-low", 60.0, &[]),
    case("generator-start-battery-low", 60.0, &[]),
    case("side-lost", 60.0, &["side-a", "side-b"]),
    case("tap-trip", 60.0, &["rack-07-a", "rack-01-b", "rack-18-a", "rack-12-b"]),
    case("breaker-open", 60.0, BUSWAYS),
    case("breaker-trip", 60.0, BUSWAYS),
    case("phase-lost", 60.0, &["busway-b3-l2", "busway-a1-l1", "busway-a2-l3", "busway-b1-l1"]),
    case("ups-bypass", 60.0, UPSES),
    case("filter-clogging", 180.0, &[]),
    case("strainer-clogging", 180.0, &[]),
    case("door-open", 120.0, &["cold-aisle", "hot-aisle", "plant-bay"]),
    case("smoke", 60.0, &[]),
    case("smoke-panel-fault", 60.0, &[]),
    case("emergency-off", 60.0, &[]),
    case("leak", 60.0, ZONES),
    case("leak-rope-broken", 60.0, ZONES),
    case("humidity-rise", 180.0, &[]),
    case("condensate-high", 60.0, &[]),
    case("earth-leakage", 60.0, &[]),
    case("load-shed-off", 60.0, &[]),
    case("static-pressure-fall", 120.0, &[]),
    case("sensor-open", 60.0, INLETS),
    case("sensor-short", 60.0, INLETS),
    case("sensor-frozen", 180.0, &["coil/water/flow"]),
    case("sensor-drift", 180.0, &["coil/water/supply/temperature"]),
    case("device-silent", 60.0, DEVICES),
    case("device-slow", 60.0, DEVICES),
    case("device-garbage", 60.0, DEVICES),
    // Nobody swaps a meter without switching it off.
    Case { faults: &[(-4.0, Some(0.0), "device-silent")], ..case("device-swapped", 60.0, &["meter-b2", "meter-a1"]) },
    case("duplicate-address", 60.0, &["fan-03", "fan-12", "rack-09"]),
    case("second-master", 60.0, &["fans"]),
    case("link-cut", 60.0, &["environment", "fans", "plant", "ups-a1"]),
];

impl Case {
    const fn called(self, name: &'static str) -> Self {
        // The fault that is told keeps its own name in `faults`; here only the row is named.
        Self { name, ..self }
    }

    /// The fault that must be told, as its name is in the simulator.
    fn told(&self) -> &'static str {
        match self.name {
            "pump-trip-standby-fails" => "pump-trip",
            "generator-no-start" => "utility-lost",
            name => name,
        }
    }

    /// Its faults for one seed, beginning then.
    pub(crate) fn faults(&self, seed: u64, at_s: f64) -> Vec<TimedFault> {
        let target = self.targets.iter().cycle().nth(usize::try_from(seed).unwrap_or(0) % self.targets.len().max(1));
        let make = |name: &str, target: Option<&str>| {
            Fault::from_name(name, target).unwrap_or_else(|error| panic!("the rehearsal asks for {error}"))
        };
        let timed = |(from, until, name): &(f64, Option<f64>, &str)| TimedFault {
            at_s: at_s + from,
            until_s: until.map(|until| at_s + until),
            fault: make(name, target.copied().filter(|_| *name == "device-silent")),
        };
        let mut all: Vec<TimedFault> = self.faults.iter().map(timed).collect();
        let told = TimedFault { at_s, until_s: None, fault: make(self.told(), target.copied()) };
        if self.name == "device-swapped" {
            all.push(TimedFault { at_s: at_s - 3.0, ..told });
        } else {
            all.push(told);
        }
        all
    }

    /// Alarms that speak rightly of it.
    pub(crate) fn right(&self, seed: u64) -> Vec<String> {
        let all = self.faults(seed, 0.0);
        match self.name {
            "generator-no-start" => vec!["generator-start-failed".into(), "utility-lost".into()],
            _ => all.last().map_or_else(Vec::new, |last| right(last.fault)),
        }
    }
}

/// Alarms that speak rightly of a fault; `*` stands for anything.
fn right(fault: Fault) -> Vec<String> {
    let words = |words: &[&str]| words.iter().map(|word| (*word).to_owned()).collect();
    match fault {
        Fault::FanLost(fan) => vec![format!("fan-{:02}-*", fan + 1)],
        Fault::FansToMinimum => words(&["fan-command-low"]),
        Fault::PumpTrip(pump) => vec![format!("pump-{}-tripped", pump + 1)],
        Fault::StandbyFails => words(&["pump-*-failed-to-start"]),
        Fault::ChillerTrip => words(&["chiller-tripped"]),
        Fault::ChillerSlowRestart => words(&["chiller-*"]),
        Fault::UtilityLost => words(&["utility-lost"]),
        Fault::GeneratorNoStart => words(&["generator-start-failed"]),
        Fault::GeneratorNotInAuto => words(&["generator-not-automatic"]),
        Fault::GeneratorFuelLow => words(&["generator-fuel-low"]),
        Fault::GeneratorStartBatteryLow => words(&["generator-start-battery-low"]),
        Fault::SideLost(side) => vec![format!("side-{}-lost", side.letter())],
        Fault::TapTrip { rack, side } => {
            let busway = busway_of(rack, side);
            let place = rack - racks_of(busway).start + 1;
            vec![format!("tapoff-{}-{place}-tripped", BUSWAY_NAMES[busway])]
        }
        Fault::BreakerOpen(busway) | Fault::BreakerTrip(busway) => {
            vec![format!("breaker-{}-open", BUSWAY_NAMES[busway])]
        }
        Fault::PhaseLost { busway, phase } => {
            let name = BUSWAY_NAMES[busway];
            let number = name.trim_start_matches(['a', 'b']);
            // The neutral of the pair's other busway carries the same.
            let mut all = vec![format!("busway-a{number}-phase-lost"), format!("busway-b{number}-phase-lost")];
            all.extend((phase == 0).then(|| format!("busway-{name}-dead")));
            all
        }
        Fault::UpsBypass(ups) => vec![format!("ups-{}-on-bypass", BUSWAY_NAMES[ups])],
        Fault::BatteryWeak(ups) => vec![format!("ups-{}-*", BUSWAY_NAMES[ups])],
        Fault::FilterClogging => words(&["filter-*"]),
        Fault::StrainerClogging => words(&["strainer-clogged"]),
        Fault::DoorOpen(door) => vec![format!("door-{}-open", ["cold-aisle", "hot-aisle", "plant-bay"][door])],
        Fault::Smoke => words(&["smoke"]),
        Fault::SmokePanelFault => words(&["smoke-panel-fault"]),
        Fault::EmergencyOff => words(&["emergency-off"]),
        Fault::Leak(zone) => vec![format!("leak-{}", ZONES[zone])],
        Fault::LeakRopeBroken(zone) => vec![format!("leak-cable-{}", ZONES[zone])],
        Fault::HumidityRise => words(&["condensation-near", "condensation-imminent", "dew-point-high"]),
        Fault::CondensateHigh => words(&["condensate-high"]),
        Fault::EarthLeakage => words(&["earth-leakage"]),
        Fault::LoadShedOff => words(&["load-shed-not-armed"]),
        Fault::StaticPressureFall => words(&["static-pressure-low"]),
        Fault::SensorOpen(probe) | Fault::SensorShort(probe) => vec![format!("fault/point/{probe}")],
        // The flow meter is the one that is rehearsed frozen, the supply sensor the one that drifts.
        Fault::SensorFrozen(probe) => vec![format!("fault/point/{probe}"), "water-flow-frozen".into()],
        Fault::SensorDrift(probe) => vec![format!("fault/point/{probe}"), "water-supply-unlike-chiller".into()],
        Fault::DeviceSilent(device)
        | Fault::DeviceSlow(device)
        | Fault::DeviceGarbage(device)
        | Fault::DuplicateAddress(device) => {
            vec![format!("fault/device/{}", device.name()), format!("fault/link/{}", device.name())]
        }
        Fault::DeviceSwapped(device) => {
            let busway = device.name().trim_start_matches("meter-");
            vec![format!("fault/device/{}/identity", device.name()), format!("busway-{busway}-meter-changed")]
        }
        Fault::SecondMaster(link) => vec![format!("fault/link/{}/masters", link.name())],
        Fault::LinkCut(link) => vec![format!("fault/link/{}", link.name())],
    }
}

/// Whether a name fits a pattern with at most one `*` at each end or one inside.
pub(crate) fn fits(pattern: &str, name: &str) -> bool {
    match pattern.split_once('*') {
        None => pattern == name,
        Some(("", rest)) => rest.strip_suffix('*').map_or(name.ends_with(rest), |inside| name.contains(inside)),
        Some((before, after)) => {
            name.len() >= before.len() + after.len() && name.starts_with(before) && name.ends_with(after)
        }
    }
}
