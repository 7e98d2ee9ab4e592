//! Microseconds for one full pass of the demo's derived points: every transaction once, with and without them.
//!
//! The shipped configuration, every reading good, transactions in the plan's order; the difference is what resolving
//! inputs, computing and judging the derived points costs. The failover question of the whole topology is measured apart. The median of 9 pairs is reported, and how many they are.

use std::hint::black_box;
use std::time::Instant;

use lapwing::config::{self, Overrides};
use lapwing::core::judge::Judge;
use lapwing::plan::Plan;
use lapwing_engine::spec::{Millis, Raw};
use lapwing_engine::{AlarmState, Engine, PointState, Window};
use lapwing_tests::place::repository;

use crate::{quantile, report};

const PAIRS: usize = 9;
/// Passes a measurement, ten seconds apart, so that points that rest are computed in each.
const PASSES: u64 = 100;

/// Measures and reports.
pub(crate) fn run() {
    let path = repository().join("examples/saltmarsh/module.toml");
    let loaded = config::load(&path, std::iter::empty(), &Overrides::default());
    let plan = loaded.unwrap_or_else(|mistakes| panic!("{mistakes}")).plan;
    let bare = Plan { derived: Vec::new(), ..plan.clone() };
    // What each breaker would carry, which goes first and how far it is: every tier, both sides.
    let is_failover = |point: u32| plan.points[point as usize].path.contains("failover");
    let failover: Vec<_> = plan.derived.iter().filter(|derived| is_failover(derived.point)).cloned().collect();
    let failover = Plan { derived: failover, ..plan.clone() };
    let (mut with, mut without, mut of_failover) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..PAIRS {
        with.push(pass_us(&plan));
        without.push(pass_us(&bare));
        of_failover.push(pass_us(&failover));
    }
    let (with, without) = (quantile(&mut with, 0.5), quantile(&mut without, 0.5));
    let of_failover = quantile(&mut of_failover, 0.5) - without;
    report("failover_points", failover.derived.len() as f64, "1", "points in all", Some(plan.points.len() as f64));
    report("failover_pass", of_failover, "us", "a second of the same points", Some(1e6));
    report("derived_points", plan.derived.len() as f64, "1", "points in all", Some(plan.points.len() as f64));
    report("derived_pass", with - without, "us", "the same pass without them", Some(without));
}

fn pass_us(plan: &Plan) -> f64 {
    let mut points = vec![PointState::default(); plan.engine.points.len()];
    let mut alarms = vec![AlarmState::default(); plan.engine.alarms.len()];
    let mut windows = vec![Window::default(); plan.engine.windows.len()];
    let engine = Engine::new(plan.engine.tables(), &mut points, &mut alarms, &mut windows).expect("the tables fit");
    let mut judge = Judge::new(plan, engine);
    // 50 as the device's own number is inside every range of the demo but a few, which are bad and cost less.
    let raws: Vec<Vec<Raw>> = plan.transactions.iter().map(|t| vec![Raw::Whole(50); t.points.count as usize]).collect();
    let mut begun = Instant::now();
    for pass in 0..=PASSES {
        if pass == 1 {
            begun = Instant::now(); // the first fills what is remembered
        }
        let now = Millis((pass + 1) * 10_000);
        for (transaction, raws) in (0..).zip(&raws) {
            black_box(judge.batch(now, now, transaction, raws));
        }
        black_box(judge.take_transitions());
    }
    begun.elapsed().as_secs_f64() * 1e6 / PASSES as f64
}
