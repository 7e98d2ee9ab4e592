//! A scenario under way without sockets: true values on one side, what the maps read from the banks on the other.
//!
//! Model time only. Panics are test failures.
#![allow(dead_code)] // each test program uses its own part

use crate::maps::{Mapped, Seen, points};
use lapwing_simulator::bank::{Manner, SimLink};
use lapwing_simulator::plant::{FaultNote, Plant};
use lapwing_simulator::scenario::{FIRST_FAULT_S, Scenario};

/// A scenario under way, with what its fault notes said.
pub(crate) struct Run {
    pub(crate) plant: Plant,
    pub(crate) links: Vec<SimLink>,
    pub(crate) points: Vec<Mapped>,
    pub(crate) notes: Vec<FaultNote>,
}

impl Run {
    /// A named scenario at its start.
    pub(crate) fn of(name: &str) -> Self {
        let plant = Plant::new(&Scenario::named(name).expect("a scenario of that name"), 1);
        let links = plant.links();
        Self { points: points(&links), links, plant, notes: Vec::new() }
    }

    /// Goes on until so many seconds after the first fault (negative: before it).
    pub(crate) fn to(&mut self, after_fault_s: f64) -> &mut Self {
        while self.plant.time_s() < FIRST_FAULT_S + after_fault_s - 1e-6 {
            self.plant.step(0.05, &mut |note| self.notes.push(note));
        }
        self
    }

    /// A true value by point path.
    pub(crate) fn truth(&self, path: &str) -> f64 {
        self.plant.truth().get(path).unwrap_or_else(|| panic!("no true value {path}"))
    }

    /// A point of the demo configuration.
    pub(crate) fn point(&self, path: &str) -> &Mapped {
        self.points.iter().find(|p| p.path == path).unwrap_or_else(|| panic!("no point {path}"))
    }

    /// What a point shows now.
    pub(crate) fn seen(&self, path: &str) -> f64 {
        match self.point(path).read(&self.links) {
            Seen::Value(value) => value,
            Seen::Absent => panic!("{path} shows nothing"),
        }
    }

    /// A point's state by name.
    pub(crate) fn state(&self, path: &str) -> String {
        self.point(path).state(&self.links)
    }

    /// How a device answers now.
    pub(crate) fn manner(&self, device: &str) -> Manner {
        let found = self.links.iter().flat_map(|l| &l.devices).find(|d| d.name == device);
        found.unwrap_or_else(|| panic!("no device {device}")).bank.lock().manner.clone()
    }

    /// A link by name.
    pub(crate) fn link(&self, name: &str) -> &SimLink {
        self.links.iter().find(|l| l.name == name).unwrap_or_else(|| panic!("no link {name}"))
    }

    /// Hottest rack inlet, °C.
    pub(crate) fn hottest(&self) -> f64 {
        self.plant.truth().hottest_inlet_c()
    }
}
