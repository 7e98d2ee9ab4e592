//! Two faults together, and which of them nothing could show.
//!
//! The second strikes some seconds after the first. A fault that the other one hides is no miss: whether it does is found in
//! the module played, not in what the agent told. Times are seconds since the start. Never panics.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use lapwing::plan::Plan;
use lapwing_simulator::bank::{Bank, Manner, SimDevice, SimLink};
use lapwing_simulator::model::truth::ChillerState;
use lapwing_simulator::scenario::TimedFault;

use crate::faults::Case;
use crate::run::{Outcome, Settled, begins_s, judged, load_of, played};

/// Two faults, the second some seconds after the first.
struct Pair {
    faults: Vec<TimedFault>,
    /// When each begins.
    at_s: [f64; 2],
    until_s: f64,
}

impl Pair {
    fn of(cases: [&Case; 2], seed: u64) -> Self {
        let first_s = begins_s(seed);
        #[allow(clippy::cast_precision_loss)] // small
        let second_s = first_s + (seed % 10) as f64;
        let mut faults = cases[0].faults(seed, first_s);
        faults.extend(cases[1].faults(seed, second_s));
        let until_s = second_s + cases[0].watch_s.max(cases[1].watch_s);
        Self { faults, at_s: [first_s, second_s], until_s }
    }
}

/// Two faults together.
pub(crate) fn together(plan: &Arc<Plan>, settled: &Settled, cases: [&Case; 2], seed: u64) -> [Outcome; 2] {
    let Pair { faults, at_s, until_s } = Pair::of(cases, seed);
    let raises = played(plan, settled.plant(faults, seed, load_of(seed)), until_s);
    [0, 1].map(|n| judged(plan, &raises, &cases[n].right(seed), at_s[n], at_s[0]))
}

/// A drifting sensor is 2 K off after this, s, its probe's lag included.
const OFF_AFTER_S: f64 = 45.0;
/// So long the two are compared before it is told, s: the alarm's delay and a scan.
const COMPARED_S: f64 = 12.0;

/// Why nothing that could be read shows the fault `which` of a pair, by what was true in the module; `None` where something
/// does, and the agent ought to have told it.
pub(crate) fn out_of_reach(settled: &Settled, cases: [&Case; 2], seed: u64, which: usize) -> Option<&'static str> {
    if is_hidden(settled, cases, seed, which) {
        return Some("no device shows anything else than it does without it");
    }
    if cases[which].name != "sensor-drift" {
        return None;
    }
    // Alone it shows only against the sensor in the water that leaves the chiller, while that runs.
    let Pair { faults, at_s, until_s } = Pair::of(cases, seed);
    let mut plant = settled.plant(faults, seed, load_of(seed));
    let (mut compared_s, step_s): (f64, f64) = (0.0, 0.1);
    while plant.time_s() < until_s {
        plant.step(step_s, &mut |_| {});
        let off = plant.time_s() >= at_s[which] + OFF_AFTER_S;
        let runs = plant.truth().chiller == ChillerState::Running;
        compared_s = if off && runs { compared_s + step_s } else { 0.0 };
        if compared_s >= COMPARED_S {
            return None;
        }
    }
    Some("the chiller stood, and the sensor it is compared with stands in other water then: nothing says which is off")
}

/// Whether all that devices show as they should is the same with and without the fault `which` of a pair.
fn is_hidden(settled: &Settled, cases: [&Case; 2], seed: u64, which: usize) -> bool {
    let Pair { faults, at_s, until_s } = Pair::of(cases, seed);
    let mut without = cases[1 - which].faults(seed, at_s[1 - which]);
    without.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let mut plants = [faults, without].map(|faults| settled.plant(faults, seed, load_of(seed)));
    let links = [plants[0].links(), plants[1].links()];
    while plants[0].time_s() < until_s {
        plants.iter_mut().for_each(|plant| plant.step(0.1, &mut |_| {}));
        if time_to_look(plants[0].time_s())
            && !links[0].iter().zip(&links[1]).all(|(with, without)| alike(with, without))
        {
            return false;
        }
    }
    true
}

/// Twice a second is often enough: what is told must stand for longer.
fn time_to_look(time_s: f64) -> bool {
    (time_s * 10.0).round() % 5.0 == 0.0
}

fn alike(with: &SimLink, without: &SimLink) -> bool {
    let stands = |link: &SimLink| (link.up.load(Ordering::Relaxed), link.second_master.load(Ordering::Relaxed));
    let same = |(with, without): (&SimDevice, &SimDevice)| {
        let (with, without) = (with.bank.lock(), without.bank.lock());
        let shown = |bank: &Bank| bank.manner == Manner::Well;
        with.manner == without.manner
            && (!shown(&with)
                || with.coils == without.coils
                    && with.discrete == without.discrete
                    && with.holding == without.holding
                    && with.input == without.input
                    && with.variables == without.variables)
    };
    stands(with) == stands(without) && with.devices.iter().zip(&without.devices).all(same)
}
