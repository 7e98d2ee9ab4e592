//! The whole simulated module: steps model, sensors and cards together and plays the scenario.
//!
//! Pure but for the banks it shares with the protocol servers: no socket, no clock; the step is passed in. The same
//! seed gives the same run. Times are seconds of model time since the start. A step of the model allocates nothing; the
//! cards allocate only when an SNMP text or table row changes, a note allocates its sentence. Never panics.

use crate::bank::SimLink;
use crate::cards::Cards;
use crate::model::{Model, Truth};
use crate::scenario::{Fault, Scenario, effect};

/// Longest step the model takes at once, s; longer ones are divided.
pub const LONGEST_STEP_S: f64 = 0.1;

/// A fault that begins or ends.
#[derive(Clone, Debug, PartialEq)]
pub struct FaultNote {
    /// The fault's stable name.
    pub name: &'static str,
    /// One sentence for people.
    pub text: String,
    /// When, s since the start.
    pub t_s: f64,
}

/// Saltmarsh M1 with its devices and a scenario.
#[derive(Debug)]
pub struct Plant {
    model: Model,
    cards: Cards,
    links: Vec<SimLink>,
    /// Beginnings (true) and ends (false) still to come, the next one last.
    agenda: Vec<(f64, Fault, bool)>,
    time_s: f64,
}

impl Plant {
    /// A module in steady state, its cards filled, the scenario ahead of it.
    #[must_use]
    pub fn new(scenario: &Scenario, seed: u64) -> Self {
        Self::with_model(Model::new(seed), scenario, seed)
    }

    /// The same with a model that has settled already.
    #[must_use]
    pub fn with_model(model: Model, scenario: &Scenario, seed: u64) -> Self {
        let (cards, links) = Cards::new(&model.truth, seed);
        let mut agenda: Vec<(f64, Fault, bool)> = Vec::with_capacity(2 * scenario.faults.len());
        for timed in &scenario.faults {
            agenda.push((timed.at_s, timed.fault, true));
            agenda.extend(timed.until_s.map(|until_s| (until_s, timed.fault, false)));
        }
        // Stable, so that faults of one moment keep the scenario's order.
        agenda.sort_by(|a, b| a.0.total_cmp(&b.0));
        agenda.reverse();
        Self { model, cards, links, agenda, time_s: 0.0 }
    }

    /// Links with their devices' banks, for the protocol servers.
    #[must_use]
    pub fn links(&self) -> Vec<SimLink> {
        self.links.clone()
    }

    /// Goes on by `dt_s`; tells of each fault that begins or ends. Steps that are not positive and finite do nothing.
    pub fn step(&mut self, dt_s: f64, on_fault: &mut impl FnMut(FaultNote)) {
        if !(dt_s.is_finite() && dt_s > 0.0) {
            return;
        }
        let parts = libm::ceil(dt_s / LONGEST_STEP_S - 1e-9).max(1.0);
        let part_s = dt_s / parts;
        for _ in 0..parts as u64 {
            self.step_once(part_s, on_fault);
        }
    }

    /// The servers want another share of their load at rest from now on.
    pub fn set_load(&mut self, share: f64) {
        self.model.upset.load_share = share;
    }

    /// Model time, s since the start.
    #[must_use]
    pub const fn time_s(&self) -> f64 {
        self.time_s
    }

    /// The hidden true values.
    #[must_use]
    pub const fn truth(&self) -> &Truth {
        &self.model.truth
    }

    /// The physics, to be copied and asked what would happen if.
    #[must_use]
    pub const fn model(&self) -> &Model {
        &self.model
    }

    fn step_once(&mut self, dt_s: f64, on_fault: &mut impl FnMut(FaultNote)) {
        // Half a nanosecond of grace: sums of 0.05 must not start a fault one step late.
        while let Some(&(at_s, fault, begins)) = self.agenda.last()
            && at_s <= self.time_s + 5e-10
        {
            self.agenda.pop();
            effect::apply(fault, begins, &mut self.model.upset, &mut self.cards, &self.links);
            let text = if begins { fault.sentence() } else { format!("Over: {}", fault.sentence()) };
            on_fault(FaultNote { name: fault.name(), text, t_s: self.time_s });
        }
        self.model.step(dt_s);
        self.time_s += dt_s;
        self.cards.step(&self.model.truth, dt_s, self.time_s);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bank::Bank;
    use std::hash::{DefaultHasher, Hash, Hasher};

    fn plant(name: &str, seed: u64) -> Plant {
        Plant::new(&Scenario::named(name).expect("a scenario of that name"), seed)
    }

    /// One number for everything that stands on the wire.
    fn fingerprint(plant: &Plant) -> u64 {
        let mut hasher = DefaultHasher::new();
        for link in plant.links() {
            link.name.hash(&mut hasher);
            for device in link.devices {
                let bank: Bank = device.bank.lock().clone();
                (bank.coils, bank.discrete, bank.holding, bank.input).hash(&mut hasher);
                format!("{:?}{:?}", bank.variables, bank.manner).hash(&mut hasher);
            }
        }
        hasher.finish()
    }

    #[test]
    fn the_same_seed_gives_the_same_run() {
        for name in ["calm", "utility-lost", "pump-trip-standby-fails"] {
            let after = |seed| {
                let mut plant = plant(name, seed);
                for _ in 0..10_000 {
                    plant.step(0.05, &mut |_| {});
                }
                fingerprint(&plant)
            };
            let first = after(1);
            assert_eq!(first, after(1), "{name}: equal seeds");
            assert_ne!(first, after(2), "{name}: different seeds");
        }
    }

    #[test]
    fn faults_come_in_order_at_their_times_and_end() {
        let mut plant = plant("utility-return", 1);
        let mut notes = Vec::new();
        for _ in 0..1200 {
            plant.step(0.05, &mut |note| notes.push(note));
        }
        let told: Vec<_> = notes.iter().map(|n| (n.name, libm::round(n.t_s * 100.0) as i64)).collect();
        assert_eq!(told, [("utility-lost", 1000), ("utility-lost", 3500)]);
        assert!((plant.time_s() - 60.0).abs() < 1e-6);
    }

    #[test]
    fn long_steps_are_divided_and_senseless_ones_do_nothing() {
        let (mut long, mut short) = (plant("pump-trip", 1), plant("pump-trip", 1));
        for _ in 0..30 {
            long.step(1.0, &mut |_| {});
        }
        for _ in 0..300 {
            short.step(0.1, &mut |_| {});
        }
        assert!((long.time_s() - short.time_s()).abs() < 1e-6);
        assert!((long.truth().cold_aisle_c - short.truth().cold_aisle_c).abs() < 0.01);
        let before = fingerprint(&long);
        for dt in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            long.step(dt, &mut |_| {});
        }
        assert_eq!(fingerprint(&long), before);
    }

    #[test]
    fn banks_keep_their_sizes_and_cards_their_pace() {
        let mut plant = plant("calm", 1);
        let links = plant.links();
        let air = |links: &[SimLink]| {
            let device = links[2].devices.iter().find(|d| d.name == "air-cold-aisle-left").expect("in the roster");
            device.bank.lock().input.clone()
        };
        let sizes = |links: &[SimLink]| -> Vec<_> {
            let all = links.iter().flat_map(|l| &l.devices).map(|d| d.bank.lock().clone());
            all.map(|b| (b.discrete.len(), b.holding.len(), b.input.len())).collect()
        };
        let before = sizes(&links);
        let mut changes = 0;
        let mut last = air(&links);
        for _ in 0..400 {
            plant.step(0.05, &mut |_| {});
            let now = air(&links);
            changes += u32::from(now != last);
            last = now;
        }
        assert_eq!(sizes(&links), before);
        assert!((1..=10).contains(&changes), "a card of 2 s changes at most ten times in 20 s: {changes}");
    }
}
