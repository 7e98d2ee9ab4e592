//! One rehearsed run: faults strike the played module, and what the agent told is held against them.
//!
//! Times are seconds after the fault. The time left to act is what the module's truth leaves: until a rack inlet passes
//! 32 °C (allowable for class A1, ASHRAE TC 9.9) or a rack is dark. Harm that comes with the fault itself leaves nothing
//! to act on and is told within the alarm's time to respond, as is what the model plays faster than life (clogging,
//! humid air). Never panics.

use std::sync::Arc;

use lapwing::plan::Plan;
use lapwing_simulator::model::{Model, Truth};
use lapwing_simulator::plant::Plant;
use lapwing_simulator::scenario::{Scenario, TimedFault};

use crate::faults::{Case, fits};
use crate::module::{self, Raise, STEP_MS};

/// Loads at which faults are rehearsed, as shares of the full one, one a seed in turn.
pub(crate) const LOADS: [f64; 3] = [1.0, 0.7, 0.4];
/// The agent has seen everything at least once by then.
const CALM_S: f64 = 25.0;
/// Longest look ahead for harm.
const HARM_S: f64 = 600.0;
/// Harm within this comes with the fault itself.
const AT_ONCE_S: f64 = 1.0;
const HOTTEST_C: f64 = 32.0;

/// What came of one fault.
#[derive(Clone, Debug, Default)]
pub(crate) struct Outcome {
    /// Until an alarm spoke rightly of it.
    pub(crate) detected_s: Option<f64>,
    /// Until a person was told of it: by that alarm, or by one that it explains or follows from.
    pub(crate) told_s: Option<f64>,
    /// The first-out of that alarm's incident speaks rightly of the fault.
    pub(crate) first_out: bool,
    /// Alarms told after it.
    pub(crate) told: Vec<u32>,
    /// Alarms raised before it: there was nothing to tell.
    pub(crate) before: Vec<u32>,
    /// The right alarm's time to respond, s.
    pub(crate) respond_s: Option<f64>,
}

/// Settled modules, one a load.
pub(crate) struct Settled(Vec<Model>);

impl Settled {
    pub(crate) fn new() -> Self {
        Self(LOADS.iter().map(|share| Model::at_load(0, *share)).collect())
    }

    pub(crate) fn plant(&self, faults: Vec<TimedFault>, seed: u64, load: usize) -> Plant {
        let scenario = Scenario { name: String::new(), summary: String::new(), faults };
        Plant::with_model(self.0[load].reseeded(seed), &scenario, seed)
    }

    pub(crate) fn full(&self, faults: Vec<TimedFault>, seed: u64) -> Plant {
        self.plant(faults, seed, 0)
    }

    /// Until harm is done, if it is within ten minutes.
    pub(crate) fn left_s(&self, case: &Case, seed: u64) -> Option<f64> {
        let mut plant = self.plant(case.faults(seed, 5.0), seed, load_of(seed));
        while plant.time_s() < 5.0 + HARM_S {
            plant.step(0.1, &mut |_| {});
            if harmed(plant.truth()) {
                let left_s = plant.time_s() - 5.0;
                return (left_s > AT_ONCE_S).then_some(left_s);
            }
        }
        None
    }
}

pub(crate) fn load_of(seed: u64) -> usize {
    usize::try_from(seed).unwrap_or(0) % LOADS.len()
}

fn harmed(truth: &Truth) -> bool {
    let dark = truth.taps.iter().any(|sides| sides.iter().all(|tap| !tap.live));
    dark || truth.hottest_inlet_c() > HOTTEST_C
}

/// When the fault of a seed strikes: spread over scans and cards.
pub(crate) fn begins_s(seed: u64) -> f64 {
    #[allow(clippy::cast_precision_loss)] // small
    let spread = (seed.wrapping_mul(7919) % 100) as f64;
    CALM_S + spread / 10.0
}

/// One fault alone.
pub(crate) fn alone(plan: &Arc<Plan>, settled: &Settled, case: &Case, seed: u64) -> Outcome {
    let at_s = begins_s(seed);
    let raises = played(plan, settled.plant(case.faults(seed, at_s), seed, load_of(seed)), at_s + case.watch_s);
    judged(plan, &raises, &case.right(seed), at_s, at_s)
}

/// One fault alone, as people read it: what was told, and below it what was only attached, with the seconds after the
/// fault.
pub(crate) fn read_out(plan: &Arc<Plan>, settled: &Settled, case: &Case, seed: u64) -> Vec<String> {
    let at_s = begins_s(seed);
    let raises = played(plan, settled.plant(case.faults(seed, at_s), seed, load_of(seed)), at_s + case.watch_s);
    let line = |raise: &Raise| {
        #[allow(clippy::cast_precision_loss)] // minutes in ms
        let after_s = raise.at_ms as f64 / 1000.0 - at_s;
        let alarm = &plan.alarms[raise.alarm as usize];
        let how = if raise.told { alarm.priority.word() } else { "  attached" };
        let then = if raise.told { format!(" → {}", alarm.response) } else { String::new() };
        format!("  {after_s:6.1} s  {how:10}  {}: {}{then}", alarm.id, raise.said)
    };
    raises.iter().map(line).collect()
}

pub(crate) fn played(plan: &Arc<Plan>, mut plant: Plant, until_s: f64) -> Vec<Raise> {
    let mut left = (until_s * 1000.0) as u64 / STEP_MS;
    module::play(plan, &mut plant, &mut |_, _, _| {
        let go_on = left > 0;
        left = left.saturating_sub(1);
        go_on
    })
}

/// What came of a fault at `at_s`; `quiet_until_s`: nothing was wrong before.
pub(crate) fn judged(plan: &Plan, raises: &[Raise], right: &[String], at_s: f64, quiet_until_s: f64) -> Outcome {
    #[allow(clippy::cast_precision_loss)] // minutes in ms
    let seconds = |raise: &Raise| raise.at_ms as f64 / 1000.0;
    let id = |alarm: u32| plan.alarms[alarm as usize].id.as_str();
    let speaks = |alarm: u32| right.iter().any(|pattern| fits(pattern, id(alarm)));
    // A device that is to be swapped is switched off before.
    let grace_s = 5.0;
    let mut outcome = Outcome {
        before: raises.iter().filter(|r| seconds(r) < quiet_until_s - grace_s && r.told).map(|r| r.alarm).collect(),
        told: raises.iter().filter(|r| seconds(r) >= quiet_until_s - grace_s && r.told).map(|r| r.alarm).collect(),
        ..Outcome::default()
    };
    let Some(found) = raises.iter().find(|raise| seconds(raise) >= at_s - grace_s && speaks(raise.alarm)) else {
        return outcome;
    };
    outcome.detected_s = Some((seconds(found) - at_s).max(0.0));
    outcome.respond_s = plan.alarms[found.alarm as usize].respond_within.map(|within| within.as_secs_f64());
    // The first of its incident, also when it was found out later.
    let mut first = found.follows.unwrap_or(found.alarm);
    while let Some(later) = raises.iter().find(|raise| raise.explains == Some(first) && raise.alarm != first) {
        first = later.alarm;
    }
    outcome.first_out = speaks(first);
    let of_incident = |raise: &&Raise| {
        raise.alarm == found.alarm || Some(raise.alarm) == found.follows || found.explains == Some(raise.alarm)
    };
    let told = raises.iter().filter(|raise| raise.told && seconds(raise) >= at_s - grace_s).find(of_incident);
    outcome.told_s = told.map(|raise| (seconds(raise) - at_s).max(0.0));
    outcome
}
