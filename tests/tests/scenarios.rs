//! The demo of every scenario for a short time: it runs, its fault is told, something follows, it ends with a summary.
//!
//! Takes a quarter of an hour: `tests/run scenarios`. Slow scenarios need longer than this to raise an alarm; here they
//! only have to run.

use std::time::Duration;

use lapwing_tests::agent::Agent;

const SECONDS: &str = "25";

/// Name, and whether an alarm must stand out within the time.
const SCENARIOS: &[(&str, bool)] = &[
    ("calm", false),
    ("fan-lost", true),
    ("fans-to-minimum", true),
    ("pump-trip", true),
    ("pump-trip-standby-fails", true),
    ("chiller-trip", false),
    ("chiller-slow-restart", false),
    ("utility-lost", true),
    ("utility-return", true),
    ("generator-no-start", true),
    ("generator-not-in-auto", true),
    ("generator-fuel-low", false),
    ("generator-start-battery-low", false),
    ("side-a-lost", true),
    ("tap-trip", true),
    ("breaker-open", true),
    ("breaker-trip", true),
    ("phase-lost", true),
    ("ups-bypass", true),
    ("battery-weak", false),
    ("filter-clogging", false),
    ("strainer-clogging", false),
    ("static-pressure-fall", false),
    ("door-open", false),
    ("smoke", true),
    ("smoke-panel-fault", true),
    ("emergency-off", true),
    ("leak", true),
    ("leak-rope-broken", true),
    ("humidity-rise", false),
    ("condensate-high", true),
    ("earth-leakage", true),
    ("load-shed-off", false),
    ("sensor-open", true),
    ("sensor-short", true),
    ("sensor-frozen", false),
    ("sensor-drift", false),
    ("device-silent", true),
    ("device-slow", false),
    ("device-garbage", true),
    ("device-swapped", false),
    ("duplicate-address", true),
    ("second-master", false),
    ("link-cut", true),
];

#[test]
#[ignore = "a quarter of an hour; tests/run scenarios"]
fn every_scenario_runs() {
    let mut wrong = Vec::new();
    for (name, must_alarm) in SCENARIOS {
        let agent = Agent::demo(&["--scenario", name, "--seconds", SECONDS]);
        let deadline = Duration::from_secs(60);
        // Reading `said` after the end needs the lines; the summary is among them.
        let lines = agent.wait("summary", 0, deadline, |said| said.get("summary").cloned());
        let said = agent.said();
        let faults = said.iter().filter(|(one, _)| one["fault"].is_string()).count();
        let alarms: Vec<_> = said
            .iter()
            .filter(|(one, _)| one["kind"] == "alarm" && one["to"] == "unacknowledged")
            .map(|(one, _)| one["alarm"].as_str().unwrap_or("").to_owned())
            .collect();
        let (status, _) = agent.ended(Duration::from_secs(20));
        println!("{name}: {faults} faults told, alarms {alarms:?}, good {}", lines.0["good_fraction"]);
        if !status.success() {
            wrong.push(format!("{name}: {status}"));
        }
        if *name == "calm" {
            if faults != 0 || !alarms.is_empty() {
                wrong.push(format!("calm: {faults} faults, alarms {alarms:?}"));
            }
        } else if faults == 0 {
            wrong.push(format!("{name}: no fault was told"));
        }
        if *must_alarm && alarms.is_empty() {
            wrong.push(format!("{name}: no alarm within {SECONDS} s"));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}
