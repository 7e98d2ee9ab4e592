//! A sensor between the true value and a card: its own lag, noise, quantisation, and its faults.
//!
//! First-order lag with time constant `response_s` (63 %), noise drawn when a card refreshes, the value rounded to the
//! card's step. Knows no registers. Units are those of the quantity. Never panics.

use crate::cards::roster::AIR_SENSOR_NAMES;
use crate::model::layout::{AIR_SENSORS, FANS, RACKS};
use std::fmt;

/// Probes of the coil plant, in table order.
pub const COIL_PROBES: [&str; 13] = [
    "coil/water/supply/temperature",
    "coil/water/return/temperature",
    "coil/air/leaving/left/temperature",
    "coil/air/leaving/right/temperature",
    "coil/air/entering/temperature",
    "coil/water/flow",
    "coil/water/static-pressure",
    "coil/water/strainer/pressure-drop",
    "pump/pressure-rise",
    "fan-wall/pressure-rise",
    "filter/pressure-drop",
    "aisle/pressure-difference",
    "chiller/water/leaving/temperature",
];
/// Probes of a rack.
pub const RACK_PROBES: [&str; 4] =
    ["inlet/top/temperature", "inlet/middle/temperature", "inlet/bottom/temperature", "outlet/temperature"];

const FIRST_RACK: usize = COIL_PROBES.len();
const FIRST_AIR: usize = FIRST_RACK + RACKS * RACK_PROBES.len();
const FIRST_MOTOR: usize = FIRST_AIR + 2 * AIR_SENSORS;
/// Number of probes.
pub const PROBES: usize = FIRST_MOTOR + FANS;

/// Index of a probe.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ProbeId(u16);

impl ProbeId {
    /// A probe of the coil plant.
    #[must_use]
    pub const fn coil(i: usize) -> Self {
        Self(i as u16)
    }

    /// A probe of a rack.
    #[must_use]
    pub const fn rack(rack: usize, i: usize) -> Self {
        Self((FIRST_RACK + rack * RACK_PROBES.len() + i) as u16)
    }

    /// Temperature (0) or humidity (1) of an aisle sensor.
    #[must_use]
    pub const fn air(sensor: usize, i: usize) -> Self {
        Self((FIRST_AIR + 2 * sensor + i) as u16)
    }

    /// A fan's motor temperature.
    #[must_use]
    pub const fn motor(fan: usize) -> Self {
        Self((FIRST_MOTOR + fan) as u16)
    }

    /// By point path.
    #[must_use]
    pub fn from_path(path: &str) -> Option<Self> {
        (0..PROBES).map(|i| Self(i as u16)).find(|p| p.to_string() == path)
    }

    /// Index into the table of probes.
    #[must_use]
    pub const fn index(self) -> usize {
        self.0 as usize
    }
}

/// The point path.
impl fmt::Display for ProbeId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let i = self.index();
        if i < FIRST_RACK {
            f.write_str(COIL_PROBES[i])
        } else if i < FIRST_AIR {
            let (rack, k) = ((i - FIRST_RACK) / RACK_PROBES.len(), (i - FIRST_RACK) % RACK_PROBES.len());
            write!(f, "rack/{:02}/{}", rack + 1, RACK_PROBES[k])
        } else if i < FIRST_MOTOR {
            let (sensor, k) = ((i - FIRST_AIR) / 2, (i - FIRST_AIR) % 2);
            write!(f, "{}/{}", AIR_SENSOR_NAMES[sensor], ["temperature", "humidity"][k])
        } else {
            write!(f, "fan/{:02}/motor/temperature", i - FIRST_MOTOR + 1)
        }
    }
}

/// What is wrong with a sensor.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum SensorFault {
    /// Nothing.
    #[default]
    None,
    /// Wire broken: the card shows its "not connected" pattern.
    Open,
    /// Short circuit: the card shows the bottom of its range.
    Short,
    /// The shown value no longer changes.
    Frozen,
    /// The shown value walks away by this much a second.
    Drift {
        /// Units a second.
        per_s: f64,
    },
}

/// What a probe shows to its card.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shown {
    /// A value.
    Value(f64),
    /// Wire broken.
    Open,
    /// Short circuit.
    Short,
}

/// One sensor.
#[derive(Clone, Copy, Debug, Default)]
pub struct Probe {
    lagged: f64,
    response_s: f64,
    noise: f64,
    fault: SensorFault,
    drifted: f64,
    last_shown: f64,
}

impl Probe {
    /// A settled sensor.
    #[must_use]
    pub const fn settled(value: f64, response_s: f64, noise: f64) -> Self {
        Self { lagged: value, response_s, noise, fault: SensorFault::None, drifted: 0.0, last_shown: value }
    }

    /// The sensor's own time constant, s.
    #[must_use]
    pub const fn response_s(&self) -> f64 {
        self.response_s
    }

    /// Follows the true value for a step; `keep` is e^(−dt/response_s).
    pub fn follow(&mut self, truth: f64, keep: f64, dt_s: f64) {
        self.lagged = truth + (self.lagged - truth) * keep;
        if let SensorFault::Drift { per_s } = self.fault {
            self.drifted += per_s * dt_s;
        }
    }

    /// Sets or (with `None`) mends a fault.
    pub fn set_fault(&mut self, fault: SensorFault) {
        self.fault = fault;
        self.drifted = 0.0;
    }

    /// What the card sees when it refreshes; `gauss` is a unit normal number.
    pub fn shown(&mut self, gauss: f64) -> Shown {
        match self.fault {
            SensorFault::Open => Shown::Open,
            SensorFault::Short => Shown::Short,
            SensorFault::Frozen => Shown::Value(self.last_shown),
            SensorFault::None | SensorFault::Drift { .. } => {
                self.last_shown = self.lagged + self.drifted + self.noise * gauss;
                Shown::Value(self.last_shown)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_go_both_ways() {
        for i in 0..PROBES {
            let id = ProbeId(i as u16);
            assert_eq!(ProbeId::from_path(&id.to_string()), Some(id));
        }
        assert_eq!(ProbeId::rack(3, 0).to_string(), "rack/04/inlet/top/temperature");
        assert_eq!(ProbeId::air(4, 1).to_string(), "hot-aisle/right/humidity");
        assert_eq!(ProbeId::motor(13).to_string(), "fan/14/motor/temperature");
        assert_eq!(ProbeId::motor(13).index(), PROBES - 1);
    }

    #[test]
    fn a_step_reaches_63_percent_after_the_response_time() {
        let mut probe = Probe::settled(20.0, 8.0, 0.0);
        let dt = 0.05;
        let keep = libm::exp(-dt / probe.response_s());
        for _ in 0..160 {
            probe.follow(30.0, keep, dt);
        }
        let Shown::Value(value) = probe.shown(0.0) else { panic!("no fault was set") };
        assert!((value - 26.321).abs() < 0.001, "1 − 1/e of 10 K: {value}");
    }

    #[test]
    fn faults_show_and_mend() {
        let mut probe = Probe::settled(20.0, 1.0, 0.1);
        probe.set_fault(SensorFault::Frozen);
        probe.follow(30.0, 0.0, 1.0);
        assert_eq!(probe.shown(1.0), Shown::Value(20.0));
        probe.set_fault(SensorFault::Open);
        assert_eq!(probe.shown(0.0), Shown::Open);
        probe.set_fault(SensorFault::Drift { per_s: 0.5 });
        probe.follow(30.0, 0.0, 4.0);
        assert_eq!(probe.shown(0.0), Shown::Value(32.0));
        probe.set_fault(SensorFault::None);
        assert_eq!(probe.shown(0.0), Shown::Value(30.0));
    }
}
