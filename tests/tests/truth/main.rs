//! Derived points against the simulator's hidden truth, in every scenario, within the uncertainty stated beside each.
//!
//! Runs in virtual time. A sensor shows what was, not what is: with a first-order lag, at the pace of its card and of the
//! scan. So a good reading must lie within what the truth was during the point's own lag, widened by its uncertainty; of
//! a point made of several inputs, with each of them anywhere in its own band. A reading that is not good claims nothing.
//! Common-practice facts of the trade are checked on the quiet module.
//!
//! `truths` are the bands the truth allows, `thermal`, `electrical` and `planned` the points with theirs (`lost` plays the loss
//! of a side for the last), `compare` runs all scenarios; `played` is what would be, `judged` what is said of it. Panics where something disagrees.

mod compare;
mod electrical;
mod judged;
mod lost;
mod planned;
mod played;
mod thermal;
mod truths;

use lapwing::plan::Plan;
use lapwing_protocol::Decimal;
use lapwing_tests::virtually::Moment;

const SECONDS: u64 = 90;
const SEED: u64 = 7;

fn index(plan: &Plan, path: &str) -> u32 {
    let at = plan.points.iter().position(|point| point.path == path).unwrap_or_else(|| panic!("no point {path}"));
    u32::try_from(at).expect("a plan has fewer than 2^32 points")
}

/// A good reading's number.
fn good(plan: &Plan, moment: &Moment<'_, '_>, point: u32) -> Option<f64> {
    let reading = moment.judge.reading(point);
    let exponent = plan.points[point as usize].exponent;
    reading.status.is_good().then(|| Decimal::new(reading.value, exponent).to_f64())
}
