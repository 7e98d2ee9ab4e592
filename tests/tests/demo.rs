//! The demo as a new user has it: addresses first, then what happens, at the end a summary; low flow is told within 3 s.

use std::time::{Duration, Instant};

use lapwing_tests::agent::{Agent, output};
use lapwing_tests::readings::{Catalogue, without_repeats};
use lapwing_tests::subscriber::Subscriber;
use serde_json::Value;

fn is_raise(said: &Value, of: &str) -> bool {
    said["kind"] == "alarm"
        && said["to"] == "unacknowledged"
        && said["alarm"].as_str().is_some_and(|id| !id.starts_with("fault/"))
        && said["point"].as_str().is_some_and(|point| point.contains(of))
}

#[test]
fn a_lost_pump_is_told_within_three_seconds_and_the_heat_after_it() {
    let agent = Agent::demo(&["--scenario", "pump-trip-standby-fails", "--seconds", "60"]);
    let addresses = agent.addresses().clone();
    assert!(addresses["mqtt"].as_str().is_some_and(|address| address.starts_with("127.0.0.1:")), "{addresses}");
    assert!(addresses["links"].as_object().is_some_and(|links| links.len() >= 3), "{addresses}");
    let subscriber = Subscriber::start(agent.broker_port());

    let (fault, fault_at) = agent.wait("fault", 0, Duration::from_secs(40), |said| {
        said["fault"].as_str().filter(|name| name.starts_with("pump")).map(|_| said.clone())
    });
    assert!(fault["t"].is_number(), "{fault}");
    let (flow, flow_at) = agent.wait("low flow", 0, Duration::from_secs(20), |said| {
        (is_raise(said, "flow") && said["condition"] == "low").then(|| said.clone())
    });
    assert!(flow_at >= fault_at, "told before it happened");
    let took = flow_at - fault_at;
    assert!(took <= Duration::from_secs(3), "low flow was told {took:?} after the fault");
    assert_eq!(flow["mode"], "simulated");
    for words in ["text", "consequence", "response"] {
        assert!(flow[words].as_str().is_some_and(|text| text.len() > 10), "{words} is missing: {flow}");
    }
    let (warm, warm_at): (Value, Instant) = agent.wait("a temperature alarm", 0, Duration::from_secs(60), |said| {
        (is_raise(said, "temperature") && ["high", "rise"].contains(&said["condition"].as_str().unwrap_or("")))
            .then(|| said.clone())
    });
    assert!(warm_at >= flow_at, "the heat follows the flow: {warm}");

    let (status, summary) = agent.ended(Duration::from_secs(90));
    assert!(status.success(), "{status}");
    let summary = summary.expect("a summary at the end");
    let due = summary["readings_due"].as_u64().expect("readings due");
    let good = summary["readings_good"].as_u64().expect("readings good");
    assert!(due > 10_000, "{summary}");
    assert!(good as f64 >= 0.98 * due as f64, "{summary}");
    let id = flow["alarm"].as_str().expect("an id");
    assert!(summary["alarms"][id]["occurrences"].as_u64() >= Some(1), "{summary}");

    // What an independent client saw while it ran.
    let all = subscriber.all();
    for message in &all {
        if message.payload["mode"].is_string() {
            assert_eq!(message.payload["mode"], "simulated", "{}", message.topic);
        }
    }
    let hash = all
        .iter()
        .rev()
        .find(|message| message.below() == "presence" && message.payload["state"] == "online")
        .and_then(|message| message.payload["catalogue"].as_str().map(str::to_owned))
        .expect("presence was there");
    let catalogue = Catalogue::gather(&all, &hash);
    assert!(catalogue.points.len() > 300, "{} points", catalogue.points.len());
    let frames: Vec<_> = all.iter().filter(|message| message.below() == "frame").collect();
    assert!(frames.len() > 20, "{} frames", frames.len());
    for frame in &frames {
        assert!(!catalogue.readings(&frame.payload).is_empty(), "an empty frame");
    }
    assert!(!without_repeats(&subscriber.events()).is_empty());
    subscriber.all_fit_their_schemas();
}

#[test]
fn ctrl_c_ends_it_cleanly() {
    let agent = Agent::demo(&["--scenario", "calm"]);
    let port = agent.broker_port();
    let subscriber = Subscriber::start(port);
    subscriber.topic("presence", 0, Duration::from_secs(20), |payload| payload["state"] == "online");
    let asked = Instant::now();
    let (status, summary) = agent.interrupt();
    assert!(status.success(), "{status}");
    assert!(summary.is_some(), "no summary after Ctrl-C");
    assert!(asked.elapsed() < Duration::from_secs(10));
}

#[test]
fn calm_raises_nothing() {
    let agent = Agent::demo(&["--scenario", "calm", "--seconds", "20", "--seed", "7"]);
    let (status, summary) = agent.ended(Duration::from_secs(60));
    assert!(status.success(), "{status}");
    let summary = summary.expect("a summary at the end");
    assert_eq!(summary["alarms"].as_object().map(serde_json::Map::len), Some(0), "{summary}");
    assert!(summary["good_fraction"].as_f64().is_some_and(|good| good >= 0.99), "{summary}");
}

#[test]
fn told_to_a_person_it_is_plain_text() {
    let (code, out, err) = output(&["demo", "--scenario", "pump-trip", "--seconds", "20"], &[]);
    assert_eq!(code, 0, "{out}{err}");
    assert!(out.contains("127.0.0.1:"), "no address to look at: {out}");
    assert!(!out.contains("{\""), "JSON where a person reads: {out}");
    assert!(out.to_lowercase().contains("pump"), "the fault is not told: {out}");
    assert!(out.lines().count() > 5, "{out}");
}
