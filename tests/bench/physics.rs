//! Nanoseconds of an engineering function, against the same computation in a reference library.
//!
//! The library's time comes from `tests/sweeps/timing.py` in the environment of the reference libraries
//! (`LAPWING_REFERENCE_PYTHON`, which `tests/run bench` sets); without it there is no peer. Its arrays are computed in one
//! call where it takes arrays. The pass of derived points is measured against the second it has. Medians of 9 passes.

use std::hint::black_box;
use std::process::Command;
use std::time::Instant;

use lapwing_engine::physics::coil::{Arrangement, eff_from_ntu};
use lapwing_engine::physics::failover::failover_utilisation;
use lapwing_engine::physics::{NoNumber, air, moist_air, water};
use serde_json::Value;

use crate::{quantile, report};

const PASSES: usize = 9;
const POINTS: u32 = 20_000;

/// Measures and reports.
pub(crate) fn run() {
    let peers = peers();
    let line = |name: &str, evaluate: &dyn Fn(f64, f64) -> Result<f64, NoNumber>| {
        let ns = median_ns(evaluate);
        let of = |key: &str| (peers[key]["peer"].as_str().map(str::to_owned), peers[key]["ns"].as_f64());
        for key in [name.to_owned(), format!("{name}_array")] {
            if let (Some(peer), Some(peer_ns)) = of(&key) {
                report(&format!("physics_{key}"), ns, "ns an evaluation", &peer, Some(peer_ns));
            } else if key == name {
                report(&format!("physics_{key}"), ns, "ns an evaluation", "none", None);
            }
        }
    };
    line("dew_point", &air::dew_point);
    line("wet_bulb", &|t, rh| moist_air::wet_bulb(t, rh, 101_325.0));
    line("water_density", &|t, _| water::water_density(t, 3.0e5));
    line("eff_from_ntu", &|t, rh| eff_from_ntu(0.1 * t, rh, Arrangement::CrossflowUnmixed));
    // Three pairs of busways, six racks each, two tiers below: 60 questions for the whole module.
    line("failover_of_one_pair", &|t, rh| {
        let (a, b) = ([t, t + rh, t - rh], [t + 1.0, t, t - 1.0]);
        failover_utilisation(&a, &b, 250.0, 0.8).map(|got| got.max_frac)
    });
}

/// Median time of one evaluation over points of a module's working range.
fn median_ns(evaluate: &dyn Fn(f64, f64) -> Result<f64, NoNumber>) -> f64 {
    let mut taken = Vec::new();
    for _ in 0..PASSES {
        let begun = Instant::now();
        let mut sum = 0.0;
        for point in 0..POINTS {
            // 15-40 °C and 20-90 %, in an order that no branch predictor learns.
            let mixed = f64::from(point.wrapping_mul(2_654_435_761) >> 8) / f64::from(1 << 24);
            let got = evaluate(black_box(15.0 + 25.0 * mixed), black_box(0.2 + 0.7 * (1.0 - mixed)));
            sum += got.expect("invariant: inside the working range");
        }
        black_box(sum);
        taken.push(begun.elapsed().as_secs_f64() * 1e9 / f64::from(POINTS));
    }
    quantile(&mut taken, 0.5)
}

/// What the reference libraries take; null where there is no environment for them.
fn peers() -> Value {
    let Ok(python) = std::env::var("LAPWING_REFERENCE_PYTHON") else {
        eprintln!("physics: no reference libraries; `tests/run bench` brings them");
        return Value::Null;
    };
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/sweeps/timing.py");
    let output = Command::new(python).arg(script).output().expect("the environment's Python starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).expect("timing.py prints one JSON object")
}
