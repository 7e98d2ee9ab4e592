//! Quiet days: loads swing, doors are opened for a moment, people work on a fan and test the generator. Nothing is to tell.
//!
//! Work is declared as a person would: the rule of suppression first, the work, the end of the rule. The days' course
//! comes from a seed. Times are seconds. Panics when the demo lacks the rules.

use std::sync::Arc;

use lapwing::plan::Plan;
use lapwing_engine::Operation;
use lapwing_engine::spec::Millis;
use lapwing_simulator::model::noise::Noise;
use lapwing_simulator::scenario::{Fault, TimedFault};

use crate::module::{self, Agent};
use crate::run::Settled;
use crate::spread::spread;

const DAY_S: f64 = 86_400.0;
const DAY_MS: u64 = 86_400_000;
/// How often somebody goes through each door in a day.
const WALKS: u32 = 6;
/// When work on a fan begins in each day, and when it ends.
const FAN_WORK_S: (f64, f64) = (36_000.0, 37_800.0);
const GENERATOR_TEST_S: (f64, f64) = (50_400.0, 52_200.0);

/// So many days are played in one go; what comes after them begins anew, with another seed.
const IN_ONE_GO: u32 = 5;

/// What was told in some days.
#[derive(Clone, Debug, Default)]
pub(crate) struct Quiet {
    pub(crate) days: u32,
    /// Alarms told, by name with the second of their go.
    pub(crate) told: Vec<(String, f64)>,
}

/// So many days, the first of which is in the go that this one of all days belongs to.
pub(crate) fn days(plan: &Arc<Plan>, settled: &Settled, first_day: u32, days: u32) -> Quiet {
    let seeds = u64::from(first_day / IN_ONE_GO) + 1..;
    let goes: Vec<(u32, u64)> = (0..days).step_by(IN_ONE_GO as usize).zip(seeds).collect();
    let told = spread(&goes, |(first, seed)| go(plan, settled, (days - first).min(IN_ONE_GO), *seed));
    Quiet { days, told: told.into_iter().flatten().collect() }
}

fn go(plan: &Arc<Plan>, settled: &Settled, days: u32, seed: u64) -> Vec<(String, f64)> {
    let mut noise = Noise::new(seed, 77);
    let mut faults = Vec::new();
    for day in 0..days {
        let day_s = f64::from(day) * DAY_S;
        for door in ["cold-aisle", "hot-aisle", "plant-bay"] {
            for walk in 0..WALKS {
                let at_s = day_s + DAY_S * (f64::from(walk) + 0.5 + 0.12 * noise.gauss()) / f64::from(WALKS);
                let open_s = 8.0 + 2.0 * noise.gauss();
                faults.push(timed("door-open", Some(door), at_s, at_s + open_s.max(2.0)));
            }
        }
        let fan = format!("fan-{:02}", day % 14 + 1);
        faults.push(timed("fan-lost", Some(&fan), day_s + FAN_WORK_S.0 + 60.0, day_s + FAN_WORK_S.1 - 300.0));
        let (from, until) = GENERATOR_TEST_S;
        faults.push(timed("generator-not-in-auto", None, day_s + from + 60.0, day_s + until - 60.0));
    }
    let mut plant = settled.full(faults, seed);
    let (mut swing, mut next_swing_ms) = (0.0, 0);
    let raises = module::play(plan, &mut plant, &mut |at_ms, plant, agent| {
        let at_s = at_ms as f64 / 1000.0;
        if at_ms >= next_swing_ms {
            // Batches begin and end, over the day's own swing.
            next_swing_ms = at_ms + 900_000;
            swing = (0.05 * noise.gauss()).clamp(-0.1, 0.1);
        }
        if at_ms.is_multiple_of(10_000) {
            let day = (std::f64::consts::TAU * at_s / DAY_S).cos();
            plant.set_load((0.8 + 0.1 * day + swing).min(1.0));
        }
        let of_day_s = (at_ms % DAY_MS) as f64 / 1000.0;
        for (rule, (from, until)) in [("fan-wall-work", FAN_WORK_S), ("generator-test", GENERATOR_TEST_S)] {
            if (of_day_s - from).abs() < 0.05 {
                work(agent, at_ms, rule, Some(until - from + 600.0));
            } else if (of_day_s - until).abs() < 0.05 {
                work(agent, at_ms, rule, None);
            }
        }
        at_ms < u64::from(days) * DAY_MS
    });
    let told = raises.iter().filter(|raise| raise.told);
    let named = told.map(|raise| (plan.alarms[raise.alarm as usize].id.clone(), raise.at_ms as f64 / 1000.0));
    named.collect()
}

fn timed(name: &str, target: Option<&str>, at_s: f64, until_s: f64) -> TimedFault {
    let fault = Fault::from_name(name, target).unwrap_or_else(|error| panic!("quiet days ask for {error}"));
    TimedFault { at_s, until_s: Some(until_s), fault }
}

/// Begins work under a rule for so long, or ends it.
fn work(agent: &mut Agent<'_>, at_ms: u64, rule: &str, for_s: Option<f64>) {
    let plan = agent.plan;
    let at = plan.suppress.iter().position(|known| known.name == rule).expect("the demo has this rule");
    let number = u16::try_from(at).expect("few rules");
    let operation = match for_s {
        Some(for_s) => Operation::Suppress { rule: number, for_ms: (for_s * 1000.0) as u32 },
        None => Operation::Release { rule: number },
    };
    for alarm in &plan.suppress[at].alarms {
        agent.judge.operate(Millis(at_ms), *alarm, operation).expect("work begins and ends in turn");
    }
    agent.moved(Millis(at_ms));
}

/// Upper end of the one-sided 95 % confidence interval of a Poisson mean after so many were seen.
pub(crate) fn upper_95(seen: usize) -> f64 {
    // The chance to see so few or fewer falls with the mean: bisection cannot fail.
    let chance = |mean: f64| {
        let (mut term, mut sum) = ((-mean).exp(), 0.0);
        for k in 0..=seen {
            sum += term;
            term *= mean / (k as f64 + 1.0);
        }
        sum
    };
    let (mut low, mut high) = (0.0, 10.0 + 4.0 * seen as f64);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if chance(middle) > 0.05 { low = middle } else { high = middle }
    }
    high
}
