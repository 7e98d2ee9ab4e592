//! How fast a day of the demo's history is judged again, against the time it took to happen.
//!
//! The readings are taken from a run of the demo as `history` does, recorded again until a day is full, and replayed with the
//! demo's own configuration: engine, derived points and all its alarms. `LAPWING_BENCH_SECONDS` (1400 unless given) is the
//! length of the run, `LAPWING_BENCH_DATA` the data of one that has ended. Panics when anything cannot be set up.

use lapwing::config::{Overrides, load};
use lapwing::replay::{Wanted, replay};
use lapwing_tests::place::TempDir;

use crate::{history, report};

const DAY_MS: i64 = 86_400_000;

/// Measures and reports.
pub(crate) fn run() {
    let home = TempDir::new("bench-replay");
    let (recorded, points) = history::recorded(&home);
    let data = home.join("day");
    let (readings, _, recorder) = history::again(&data, &recorded, points, DAY_MS);
    recorder.stop();
    let config = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/saltmarsh/module.toml");
    let plan = load(&config, std::iter::empty(), &Overrides::default()).unwrap_or_else(|wrong| panic!("{wrong}")).plan;
    let wanted = Wanted { data, plan: &plan, config, from: None, to: None, lead: None };
    let replayed = replay(&wanted, &mut |_, _| ()).expect("replayed");
    let took = replayed.took.as_secs_f64();
    report("replay", DAY_MS as f64 / 1000.0 / took, "times real time", "goal", Some(5000.0));
    report("replay_reading", took * 1e9 / readings as f64, "ns a recorded reading", "none", None);
}
