//! How fast the demo's history is judged again, against the time it took to happen.
//!
//! The demo runs (`LAPWING_BENCH_SECONDS`, 1400 unless given; or `LAPWING_BENCH_DATA` names the data directory of a run that
//! has ended) and what it left is replayed with its own configuration: files, engine, derived points and all its alarms. The
//! median of nine replays is reported. Panics when anything cannot be set up.

use lapwing::config::{Overrides, load};
use lapwing::replay::{Wanted, replay};
use lapwing_tests::place::TempDir;

use crate::{history, quantile, report};

const TIMES: usize = 9;

/// Measures and reports.
pub(crate) fn run() {
    let home = TempDir::new("bench-replay");
    let data = history::demo(&home);
    let config = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/saltmarsh/module.toml");
    let plan = load(&config, std::iter::empty(), &Overrides::default()).unwrap_or_else(|wrong| panic!("{wrong}")).plan;
    let (mut times, mut each) = (Vec::new(), Vec::new());
    for _ in 0..TIMES {
        let wanted =
            Wanted { data: data.join("store"), plan: &plan, config: config.clone(), from: None, to: None, lead: None };
        let replayed = replay(&wanted, &mut |_, _| ()).expect("replayed");
        let took = replayed.took.as_secs_f64();
        times.push(replayed.span.as_secs_f64() / took);
        each.push(took * 1e9 / replayed.readings as f64);
    }
    report("replay", quantile(&mut times, 0.5), "times real time", "goal", Some(5000.0));
    report("replay_reading", quantile(&mut each, 0.5), "ns a recorded reading", "none", None);
}
