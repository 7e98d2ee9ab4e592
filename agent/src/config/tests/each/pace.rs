//! Mistakes and findings about how often and how fast things are read and told.

use std::time::Duration;

use super::{Copy, FAN, MODULE, UPS, changed};
use crate::plan::Faster;

const UPS_DEVICE: &str = "map = \"maps/ups.toml\"\n";

fn when(table: &str) -> String {
    format!("{UPS_DEVICE}scan_period_when = {table}\n")
}

#[test]
fn a_state_makes_a_device_faster() {
    let table = "{ point = \"ups/a1/output/source\", state = [\"battery\", \"bypass\"], period = \"1s\" }";
    let plan = Copy::new().with(MODULE, UPS_DEVICE, &when(table)).load().expect("right").plan;
    let point = plan.points.iter().position(|p| p.path == "ups/a1/output/source").expect("there");
    let point = u32::try_from(point).expect("small");
    let faster = plan.devices.iter().filter_map(|device| device.faster).collect::<Vec<_>>();
    assert_eq!(faster, [Faster { point, states: 1 << 4 | 1 << 5, period: Duration::from_secs(1) }]);
}

#[test]
fn mistakes_in_what_makes_it_faster() {
    let cases = [
        ("{ point = \"ups/a1/output/source\", state = \"batery\", period = \"1s\" }", "\"batery\"", "unknown_state"),
        (
            "{ point = \"ups/a1/output/sauce\", state = \"battery\", period = \"1s\" }",
            "\"ups/a1/output/sauce\"",
            "unknown_point",
        ),
        (
            "{ point = \"coil/water/flow\", state = \"battery\", period = \"1s\" }",
            "\"coil/water/flow\", state",
            "not_of_device",
        ),
        (
            "{ point = \"ups/a1/battery/charge\", state = \"battery\", period = \"1s\" }",
            "\"battery\", period",
            "no_states",
        ),
        ("{ point = \"ups/a1/output/source\", state = \"battery\", period = \"1ms\" }", "\"1ms\"", "scan_too_short"),
        (
            "{ point = \"ups/a1/output/source\", state = \"battery\", perio = \"1s\", period = \"1s\" }",
            "perio =",
            "unknown_key",
        ),
        ("{ point = \"ups/a1/output/source\", state = \"battery\" }", "scan_period_when", "missing_key"),
        ("{ point = 3, state = \"battery\", period = \"1s\" }", "3, state", "wrong_type"),
        ("\"1s\"", "\"1s\"\n", "wrong_type"),
    ];
    for (table, needle, code) in cases {
        changed(MODULE, UPS_DEVICE, &when(table), needle, code, "", "");
    }
    let table = "{ point = \"ups/a1/output/source\", state = \"battery\", period = \"1s\" }\nmin_interval_ms = 1500";
    changed(MODULE, UPS_DEVICE, &when(table), "\"1s\" }", "below_interval", "1500ms", "1500ms");
}

#[test]
fn a_device_is_never_read_more_often_than_it_allows() {
    let copy = Copy::new().with(MODULE, UPS_DEVICE, &format!("{UPS_DEVICE}min_interval_ms = 20000\n"));
    let loaded = copy.load().expect("right");
    let ups = loaded.plan.devices.iter().position(|device| device.name == "ups-a1").expect("there");
    let of_ups = |t: &&crate::plan::Transaction| t.device as usize == ups;
    assert!(loaded.plan.transactions.iter().filter(of_ups).all(|t| t.period >= Duration::from_secs(20)));
    let held: Vec<_> = loaded.findings.iter().filter(|finding| finding.code == "scan_held_back").collect();
    assert_eq!(held.len(), 1, "{:?}", loaded.findings);
    assert!(held[0].what.contains("20s") && held[0].key == "device[ups-a1].min_interval_ms", "{:?}", held[0]);
    assert!(!std::fs::read_to_string(copy.0.join(UPS)).expect("there").is_empty());
}

#[test]
fn a_line_without_time_and_an_alarm_too_late_are_findings() {
    let codes = |copy: Copy| -> Vec<(&'static str, String)> {
        copy.load().expect("right").findings.iter().map(|f| (f.code, f.key.clone())).collect()
    };
    let before = codes(Copy::new());
    assert!(before.iter().all(|(code, _)| !["link_overloaded", "alarm_too_late"].contains(code)), "{before:?}");
    let slow = codes(Copy::new().with(FAN, "scan_period = \"500ms\"", "scan_period = \"30ms\""));
    assert!(slow.contains(&("link_overloaded", "link[fans]".into())), "{slow:?}");
    let late = codes(Copy::new().with(MODULE, "respond_within = \"3m\"", "respond_within = \"1s\""));
    assert!(late.iter().any(|(code, _)| *code == "alarm_too_late"), "{late:?}");
}

#[test]
fn a_map_says_how_often_its_devices_may_be_read_and_a_device_may_say_otherwise() {
    let text = std::fs::read_to_string(Copy::new().0.join(UPS)).expect("the map");
    let first = text.lines().find(|line| line.starts_with("[[point]]")).expect("a point");
    let slow = |value: &str| Copy::new().with(UPS, first, &format!("min_interval_ms = {value}\n{first}"));
    let period = |copy: &Copy| {
        let plan = copy.load().expect("right").plan;
        let device = plan.devices.iter().position(|device| device.name == "ups-a1").expect("there");
        plan.transactions.iter().filter(|t| t.device as usize == device).map(|t| t.period).min().expect("asked")
    };
    let own = |value: &str| slow("20000").with(MODULE, UPS_DEVICE, &format!("{UPS_DEVICE}min_interval_ms = {value}\n"));
    assert_eq!(period(&slow("20000")), Duration::from_secs(20));
    assert_eq!(period(&own("15000")), Duration::from_secs(15));
    assert_eq!(period(&own("30000")), Duration::from_secs(30));
    for (value, code) in [("3600001", "out_of_range"), ("\"2s\"", "wrong_type"), ("-1", "")] {
        let mistakes = slow(value).load().expect_err("a mistake");
        let told = mistakes.list().iter().find(|mistake| mistake.key == "min_interval_ms").expect("it is named");
        assert!(told.file.ends_with("ups.toml") && told.position.is_some() && !told.mend.is_empty(), "{told}");
        assert!(code.is_empty() || told.code == code, "{told:?}");
    }
}
