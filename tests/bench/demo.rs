//! The agent on the demo module, as a process of its own: simulator and broker run beside it.
//!
//! The simulator is `lapwing simulate`, the broker mosquitto, the configuration that of the demo with the simulator's
//! addresses put in. Reports processor time over 60 s after a settling time, resident memory, good readings of those due,
//! bytes a reading of JSON frames, and the time from start to the first frame.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::place::TempDir;
use lapwing_tests::saltmarsh;
use serde_json::Value;

use crate::mqtt::Listener;
use crate::report;

const SETTLE: Duration = Duration::from_secs(10);
const MEASURE: Duration = Duration::from_secs(60);

/// Measures and reports.
pub(crate) fn run() {
    let home = TempDir::new("bench-demo");
    let broker = Broker::start();
    let simulator = Agent::simulate(&["--scenario", "calm"]);
    let config: PathBuf = saltmarsh::configure(&home, &simulator.addresses()["links"], &broker.address());
    let listener = Listener::subscribe(broker.port(), "bench-listener", &["lapwing/+/+/frame"]);

    let started = Instant::now();
    let agent = Agent::run(&config);
    let first = listener.wait(Duration::from_secs(30), |arrival| Some(arrival.at)).expect("a frame comes");
    report("start_to_first_frame", (first - started).as_secs_f64(), "s", "goal beyond the first scan", Some(0.5));

    std::thread::sleep(SETTLE);
    listener.clear();
    let (before, at) = (agent.usage(), Instant::now());
    let (mut bytes, mut readings) = (0_u64, 0_u64);
    while at.elapsed() < MEASURE {
        let left = MEASURE.saturating_sub(at.elapsed());
        listener.wait(left, |arrival| -> Option<()> {
            let frame: Value = serde_json::from_slice(&arrival.payload).ok()?;
            bytes += arrival.payload.len() as u64;
            readings += frame["values"].as_array().map_or(0, Vec::len) as u64;
            None
        });
    }
    let (after, took) = (agent.usage(), at.elapsed());
    let (status, summary) = agent.terminate();
    assert!(status.success(), "the agent ended with {status}");
    let summary = summary.expect("the agent prints a summary");

    let busy = (after.cpu - before.cpu).as_secs_f64() / took.as_secs_f64() * 100.0;
    report("agent_processor", busy, "% of one core", "goal", Some(2.0));
    report("agent_resident", after.resident as f64 / 1e6, "MB", "goal", Some(24.0));
    report("agent_resident_own", after.resident_own as f64 / 1e6, "MB without the program's file", "none", None);
    report("agent_resident_peak", after.resident_peak as f64 / 1e6, "MB", "goal", Some(24.0));
    let (due, good) = (summary["readings_due"].as_f64(), summary["readings_good"].as_f64());
    let (due, good) = (due.expect("readings due"), good.expect("readings good"));
    report("readings_good_of_due", good / due * 100.0, "%", "goal", Some(99.9));
    report("readings_published", readings as f64 / took.as_secs_f64(), "1/s", "none", None);
    report(
        "frame_bytes_a_reading",
        bytes as f64 / readings.max(1) as f64,
        "B",
        "rows, each its own object",
        Some(57.0),
    );
    let (status, _) = simulator.terminate();
    assert!(status.success(), "the simulator ended with {status}");
}
