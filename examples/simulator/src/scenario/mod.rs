//! What goes wrong in a run and when: the named scenarios, and one's own from a file.
//!
//! A scenario is a list of faults with the second each begins and, where it ends by itself, ends. It knows nothing of
//! the physics. Times are seconds of model time since the start. Never panics.

pub mod effect;
pub mod fault;
mod file;

pub use fault::{Fault, FaultError};
pub use file::ScenarioError;

/// When the first fault of a named scenario begins, so that a demo of a minute shows a calm start and the fault.
pub const FIRST_FAULT_S: f64 = 10.0;

/// A fault and when it begins and ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TimedFault {
    /// Begins, s.
    pub at_s: f64,
    /// Ends by itself, s; `None` lasts to the end of the run.
    pub until_s: Option<f64>,
    /// What goes wrong.
    pub fault: Fault,
}

/// A named list of timed faults.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// Stable name, or the path it was read from.
    pub name: String,
    /// One sentence: what a spectator will see.
    pub summary: String,
    /// In order of their beginning.
    pub faults: Vec<TimedFault>,
}

/// A row of the list of named scenarios: name, summary, faults as (at, until, fault name, target).
type Row = (&'static str, &'static str, &'static [(f64, Option<f64>, &'static str, Option<&'static str>)]);

const T: f64 = FIRST_FAULT_S;

/// The named scenarios.
const NAMED: [Row; 44] = [
    ("calm", "Nothing goes wrong.", &[]),
    (
        "fan-lost",
        "One of fourteen fans stops, air runs back through it, the others speed up.",
        &[(T, None, "fan-lost", None)],
    ),
    (
        "fans-to-minimum",
        "All fans fall to their lowest speed and hot air comes round the racks.",
        &[(T, None, "fans-to-minimum", None)],
    ),
    ("pump-trip", "The duty pump trips and the standby pump takes over.", &[(T, None, "pump-trip", None)]),
    (
        "pump-trip-standby-fails",
        "The duty pump trips and the standby pump does not start.",
        &[(T, None, "standby-fails", None), (T, None, "pump-trip", None)],
    ),
    ("chiller-trip", "The chiller plant trips; the supply water warms.", &[(T, None, "chiller-trip", None)]),
    (
        "chiller-slow-restart",
        "The chiller plant drops out and takes minutes to come back.",
        &[(T, None, "chiller-slow-restart", None)],
    ),
    (
        "utility-lost",
        "The utility is lost; batteries carry the load until the generator takes it.",
        &[(T, None, "utility-lost", None)],
    ),
    (
        "utility-return",
        "The utility is lost, the generator takes the load, the utility comes back.",
        &[(T, Some(T + 25.0), "utility-lost", None)],
    ),
    (
        "generator-no-start",
        "The utility is lost and the generator does not start: only the batteries are left.",
        &[(T, None, "generator-no-start", None), (T, None, "utility-lost", None)],
    ),
    (
        "generator-not-in-auto",
        "The generator's switch is turned away from automatic.",
        &[(T, None, "generator-not-in-auto", None)],
    ),
    ("generator-fuel-low", "The generator's day tank is low.", &[(T, None, "generator-fuel-low", None)]),
    (
        "generator-start-battery-low",
        "The generator's start battery is low.",
        &[(T, None, "generator-start-battery-low", None)],
    ),
    ("side-a-lost", "All of side A is lost; side B carries everything.", &[(T, None, "side-lost", Some("side-a"))]),
    ("tap-trip", "One rack loses its tap-off on side A.", &[(T, None, "tap-trip", None)]),
    ("breaker-open", "The breaker of busway A2 is opened.", &[(T, None, "breaker-open", None)]),
    ("breaker-trip", "The breaker of busway A2 trips.", &[(T, None, "breaker-trip", None)]),
    ("phase-lost", "Busway B3 loses one phase.", &[(T, None, "phase-lost", None)]),
    ("ups-bypass", "UPS A1 transfers its load to bypass.", &[(T, None, "ups-bypass", None)]),
    (
        "battery-weak",
        "One battery has lost most of its capacity, which shows when the utility is lost.",
        &[(T, None, "battery-weak", None), (T + 5.0, None, "utility-lost", None)],
    ),
    ("filter-clogging", "The air filters clog; the fans work harder.", &[(T, None, "filter-clogging", None)]),
    (
        "strainer-clogging",
        "The water strainer clogs; less and less water flows.",
        &[(T, None, "strainer-clogging", None)],
    ),
    (
        "static-pressure-fall",
        "The water loop loses its static pressure: water is leaving it somewhere.",
        &[(T, None, "static-pressure-fall", None)],
    ),
    ("door-open", "The cold-aisle door is left open.", &[(T, None, "door-open", None)]),
    ("smoke", "The smoke panel reports smoke.", &[(T, None, "smoke", None)]),
    ("smoke-panel-fault", "The smoke panel has a fault of its own.", &[(T, None, "smoke-panel-fault", None)]),
    (
        "emergency-off",
        "Somebody presses emergency-off: everything goes dark at once.",
        &[(T, None, "emergency-off", None)],
    ),
    ("leak", "Water reaches the leak rope in the coil bay.", &[(T, None, "leak", None)]),
    (
        "leak-rope-broken",
        "The leak rope's cable breaks: a leak would not be seen.",
        &[(T, None, "leak-rope-broken", None)],
    ),
    ("humidity-rise", "Humid air gets in; the coil comes near its dew point.", &[(T, None, "humidity-rise", None)]),
    ("condensate-high", "The condensate pan fills.", &[(T, None, "condensate-high", None)]),
    (
        "earth-leakage",
        "Insulation fails somewhere: the earth leakage current is high.",
        &[(T, None, "earth-leakage", None)],
    ),
    ("load-shed-off", "Somebody switches the automatic load shedding off.", &[(T, None, "load-shed-off", None)]),
    ("sensor-open", "The wire of a rack inlet sensor breaks.", &[(T, None, "sensor-open", None)]),
    ("sensor-short", "A rack inlet sensor is short-circuited.", &[(T, None, "sensor-short", None)]),
    ("sensor-frozen", "The water flow reading freezes.", &[(T, None, "sensor-frozen", None)]),
    ("sensor-drift", "The supply water sensor drifts.", &[(T, None, "sensor-drift", None)]),
    ("device-silent", "One fan's card no longer answers.", &[(T, None, "device-silent", None)]),
    ("device-slow", "One fan's card answers late.", &[(T, None, "device-slow", None)]),
    ("device-garbage", "One rack's sensor card answers with noise.", &[(T, None, "device-garbage", None)]),
    (
        "device-swapped",
        "A busway meter is replaced by one with another current transformer ratio.",
        // Nobody swaps a meter without switching it off.
        &[(T, Some(T + 4.0), "device-silent", Some("meter-b2")), (T + 1.0, None, "device-swapped", None)],
    ),
    ("duplicate-address", "Two fan cards have the same address.", &[(T, None, "duplicate-address", None)]),
    ("second-master", "Another master speaks on the fan line.", &[(T, None, "second-master", None)]),
    ("link-cut", "The environment link is cut.", &[(T, None, "link-cut", None)]),
];

impl Scenario {
    /// Names of all named scenarios, in the order of the documentation.
    pub fn names() -> impl Iterator<Item = &'static str> {
        NAMED.iter().map(|(name, _, _)| *name)
    }

    /// A named scenario.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        let (name, summary, faults) = NAMED.iter().find(|(n, _, _)| *n == name)?;
        let faults = faults
            .iter()
            .map(|(at_s, until_s, fault, target)| TimedFault {
                at_s: *at_s,
                until_s: *until_s,
                fault: Fault::from_name(fault, *target).expect("invariant: the list of scenarios names real faults"),
            })
            .collect();
        Some(Self { name: (*name).to_owned(), summary: (*summary).to_owned(), faults })
    }

    /// A named scenario, or one's own from a file when the text looks like a path (has a slash or ends in `.toml`).
    pub fn load(name_or_path: &str) -> Result<Self, ScenarioError> {
        if let Some(named) = Self::named(name_or_path) {
            return Ok(named);
        }
        if name_or_path.contains('/') || name_or_path.ends_with(".toml") {
            return file::read(name_or_path);
        }
        Err(ScenarioError::UnknownName {
            name: name_or_path.to_owned(),
            known: Self::names().collect::<Vec<_>>().join(", "),
        })
    }

    /// One's own scenario from TOML text; `path` is only for messages.
    pub fn from_toml(path: &str, text: &str) -> Result<Self, ScenarioError> {
        file::parse(path, text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_named_scenario_loads_and_begins_at_ten_seconds() {
        for name in Scenario::names() {
            let scenario = Scenario::load(name).expect(name);
            assert_eq!(scenario.name, name);
            assert!(scenario.faults.first().is_none_or(|f| (f.at_s - FIRST_FAULT_S).abs() < f64::EPSILON), "{name}");
        }
        assert_eq!(Scenario::names().count(), 44);
    }

    #[test]
    fn an_unknown_name_lists_the_names() {
        let error = Scenario::load("pumptrip").expect_err("no such scenario");
        assert!(error.to_string().contains("pump-trip-standby-fails"));
    }
}
