//! Mistakes of meaning: derived points, alarms, patterns.

use super::{Copy, FAN, MODULE, added, changed, one};

#[test]
fn derived_points() {
    changed(
        MODULE,
        "compute = \"water_heat_kw\"",
        "compute = \"water_heat_k\"",
        "\"water_heat_k\"",
        "unknown_function",
        "no function is called `water_heat_k`",
        "did you mean `water_heat_kw`?",
    );
    changed(
        MODULE,
        "with = { p_pa = 300000.0,",
        "with = { p_pa = 300000.0, p = 1,",
        "p = 1",
        "unknown_argument",
        "`water_heat_kw` has no argument `p`",
        "",
    );
    changed(
        MODULE,
        "with = { p_pa = 300000.0,",
        "with = {",
        "[[derived]]\npath = \"coil/water/heat\"",
        "missing_argument",
        "needs the argument `p_pa`",
        "water pressure",
    );
    changed(
        MODULE,
        "meter = \"supply\"",
        "meter = \"middle\"",
        "\"middle\"",
        "not_one_of",
        "`middle` is none of: supply, return",
        "choose one",
    );
    changed(MODULE, "meter = \"supply\"", "meter = 1", "1 }", "argument_form", "one of supply, return", "");
    changed(
        MODULE,
        "with = { p_pa = 300000.0,",
        "with = { flow_m3h = 3.0, p_pa = 300000.0,",
        "flow_m3h = 3.0",
        "argument_twice",
        "`flow_m3h` is given twice",
        "keep one",
    );
    changed(
        MODULE,
        "rh = \"cold-aisle/humidity\"",
        "rh = \"cold-aisle/humidty\"",
        "\"cold-aisle/humidty\"",
        "unknown_point",
        "no point is called `cold-aisle/humidty`",
        "did you mean `cold-aisle/humidity`?",
    );
    changed(
        MODULE,
        "rh = \"cold-aisle/humidity\"",
        "rh = \"coil/water/flow\"",
        "\"coil/water/flow\" }",
        "argument_unit",
        "`rh` of `condensation_margin` is in 1, the point `coil/water/flow` is in L/s",
        "converts to 1",
    );
    changed(
        MODULE,
        "t_air_c = \"cold-aisle/temperature\"",
        "t_air_c = [\"cold-aisle/temperature\"]",
        "[\"cold-aisle/temperature\"]",
        "argument_form",
        "the path of one point",
        "",
    );
    let circle = "\n[[derived]]\npath = \"a\"\ncompute = \"sat_vap_pres\"\nfrom = { t_c = \"b\" }\nresolution = 1\n\n[[derived]]\npath = \"b\"\ncompute = \"sat_vap_pres\"\nfrom = { t_c = \"a\" }\nresolution = 1\n";
    added(circle, "\"a\"", "circle", "a → b → a", "break the circle");
}

/// A derived point at the end of the small configuration.
fn point(path: &str, compute: &str, from: &str) -> String {
    format!("\n[[derived]]\npath = \"{path}\"\ncompute = \"{compute}\"\nfrom = {{ {from} }}\nresolution = 0.1\n")
}

#[test]
fn derived_points_by_pattern() {
    let cases = [
        ("fan/*/x", "hottest_c", "t_c = \"fan/*/speed\"", "\"fan/*/x\"", "bad_pattern", "says what stands in each"),
        ("fan/{N}/x", "hottest_c", "t_c = \"fan/*/speed\"", "\"fan/{N}/x\"", "bad_pattern", "lower-case"),
        ("fan/{n}/x", "hottest_c", "t_c = \"fan/*/speed\"", "\"fan/{n}/x\"", "not_captured", "captured by no input"),
        ("fan/x", "hottest_c", "t_c = \"fan/{n}/speed\"", "\"fan/{n}/speed\"", "not_in_path", "is not in `path`"),
        ("x", "hottest_c", "t_c = \"fans/*/speed\"", "\"fans/*/speed\"", "nothing_matches", "matches no point"),
        ("x/{n}", "sat_vap_pres", "t_c = \"fans/{n}\"", "\"fans/{n}\"", "nothing_matches", "matches no point"),
        ("x", "hottest_c", "t_c = \"fan/0*/speed\"", "\"fan/0*/speed\"", "bad_pattern", "whole segment"),
        ("x", "sat_vap_pres", "t_c = \"cold-aisle/*\"", "\"cold-aisle/*\"", "argument_form", "* may stand for several"),
        ("agent/{n}", "hottest_c", "t_c = \"coil/{n}\"", "\"agent/{n}\"", "reserved_path", "agent/"),
        ("coil/{n}", "hottest_c", "t_c = \"coil/{n}\"", "\"coil/{n}\"", "circle", "coil/{n} → coil/{n}"),
        ("{n}/temperature", "hottest_c", "t_c = \"{n}/flow\"", "\"{n}/flow\"", "nothing_matches", "matches no point"),
    ];
    for (path, compute, from, needle, code, what) in cases {
        added(&point(path, compute, from), needle, code, what, "");
    }
    // One made point that exists, and one input that only some of the matches have.
    added(
        &point("{a}/temperature", "dew_point", "t_c = \"{a}/temperature\", rh = \"{a}/humidity\""),
        "\"{a}/temperature\"",
        "circle",
        "",
        "break the circle",
    );
    added(
        &point("{a}/{b}/x", "air_only_rate", "q_kw = \"{a}/{b}/heat\", rho = \"{a}/{b}/density\"")
            .replace("resolution", "with = { volume_m3 = 120.0, cp = 1.0 }\nresolution"),
        "\"{a}/{b}/density\"",
        "unknown_point",
        "no point is called `coil/water/density`",
        "",
    );
    let listed = "\n[[derived]]\npath = \"x\"\ncompute = \"sum_kw\"\nwith = { kw = [1, \"2\"] }\nresolution = 1\n";
    added(listed, "[1, \"2\"]", "argument_form", "a list of numbers", "");
    let believed = "\n[[derived]]\npath = \"x\"\ncompute = \"hottest_c\"\nwith = { t_c = [1, 2] }\nresolution = 1\n";
    added(believed, "[1, 2]", "argument_form", "in `from`", "");
}

#[test]
fn alarms() {
    changed(
        MODULE,
        "point = \"coil/water/supply/temperature\"\nhigh",
        "point = \"coil/water/suply/temperature\"\nhigh",
        "\"coil/water/suply/temperature\"",
        "unknown_point",
        "no point is called `coil/water/suply/temperature`",
        "did you mean `coil/water/supply/temperature`?",
    );
    changed(
        MODULE,
        "point = \"fan/{n}/state\"",
        "point = \"fans/{n}/state\"",
        "\"fans/{n}/state\"",
        "nothing_matches",
        "`fans/{n}/state` matches no point",
        "",
    );
    changed(
        MODULE,
        "high = 21.0",
        "high = 21.0\nlow = 4.0",
        "low = 4.0",
        "two_conditions",
        "two conditions in one alarm, `high` and `low`",
        "an alarm of its own",
    );
    changed(
        MODULE,
        "high = 21.0\n",
        "",
        "[[alarm]]\nid = \"supply-water-warm\"",
        "no_condition",
        "no condition",
        "rise_per_min",
    );
    changed(
        MODULE,
        "bad_measurement = true",
        "bad_measurement = false",
        "bad_measurement = false",
        "no_condition",
        "no condition",
        "bad_measurement = true",
    );
    changed(
        MODULE,
        "priority = \"high\"",
        "priority = \"urgent\"",
        "\"urgent\"",
        "not_one_of",
        "`urgent` is none of: critical, high, medium, low",
        "choose one",
    );
    changed(
        MODULE,
        "state = [\"failed\"]",
        "state = [\"faild\"]",
        "\"faild\"",
        "unknown_state",
        "`fan/01/state` has no state called `faild`",
        "did you mean `failed`?",
    );
    changed(
        MODULE,
        "bad_measurement = true",
        "state = \"on\"",
        "\"on\"",
        "no_states",
        "has no named states",
        "names = ",
    );
    changed(
        MODULE,
        "bad_measurement = true",
        "bad_measurement = true\ndeadband = 1",
        "deadband = 1",
        "key_not_of_condition",
        "`deadband` has no meaning for a bad_measurement alarm",
        "remove deadband",
    );
    changed(
        MODULE,
        "high = 21.0",
        "high = 21.0\nover = \"5s\"",
        "over = \"5s\"",
        "key_not_of_condition",
        "`over`",
        "remove over",
    );
    changed(
        MODULE,
        "over = \"20s\"",
        "over = \"2s\"",
        "rise_per_min",
        "window_too_short",
        "the window 2s of `coil/water/supply/temperature` is too short",
        "three scan periods",
    );
    changed(MODULE, "rise_per_min = 3", "rise_per_min = 0", "0\nover", "bad_number", "noise", "");
    changed(
        MODULE,
        "is above {limit}",
        "is above {limitt}",
        "\"Supply water {value} is above {limitt}",
        "unknown_placeholder",
        "`{limitt}` in `text`",
        "{value}, {limit}",
    );
    changed(
        MODULE,
        "Check fan {n}",
        "Check fan {m}",
        "\"Check fan {m}",
        "unknown_placeholder",
        "`{m}` in `response`",
        "{n}",
    );
    changed(
        MODULE,
        "id = \"supply-water-rising\"",
        "id = \"supply-water-warm\"",
        "\"supply-water-warm\"\npoint = \"coil/water/supply/temperature\"\nrise",
        "duplicate",
        "the alarm `supply-water-warm` exists already",
        "",
    );
}

#[test]
fn published_points() {
    let (old, nothing, bad) = ("points = [\"coil/**\"]", "points = [\"coil/**\", \"oil/**\"]", "points = [\"coil/[\"]");
    changed(MODULE, old, nothing, "[\"coil/**\", \"oil/**\"]", "nothing_matches", "`oil/**` matches no point", "");
    changed(MODULE, old, bad, "[\"coil/[\"]", "bad_point_pattern", "`coil/[` is no pattern of points", "\"coil/**\"");
}

#[test]
fn ids_that_a_pattern_repeats() {
    let copy = Copy::new().with(MODULE, "id = \"fan-{n}-failed\"", "id = \"fan-failed\"");
    one(
        &copy,
        MODULE,
        "\"fan-failed\"",
        "same_alarm_id",
        "`fan-failed` would be given to `fan/01/state` and to `fan/02/state`",
        "use {place} in the id",
    );
}

#[test]
fn patterns_that_are_none() {
    let copy = Copy::new().with(MODULE, "point = \"fan/{n}/state\"", "point = \"fan/f{n}/state\"");
    one(&copy, MODULE, "\"fan/f{n}/state\"", "bad_pattern", "whole segment", "{name} captures one");
}

#[test]
fn states_beyond_what_an_alarm_can_watch() {
    let copy = Copy::new().with(FAN, "0 = \"failed\"", "64 = \"failed\"");
    let codes: Vec<&str> = copy.mistakes().iter().map(|mistake| mistake.code).collect();
    assert_eq!(codes, ["state_too_high", "state_too_high"], "the pattern and its exception");
}

#[test]
fn states_that_are_no_numbers() {
    // The states are then not known: that an alarm names one of them is not told as well.
    changed(
        FAN,
        "0 = \"failed\"",
        "off = \"failed\"",
        "off = ",
        "bad_state_number",
        "`off`",
        "{ 0 = \"closed\", 1 = \"open\" }",
    );
    changed(
        FAN,
        "1 = \"running\"",
        "1 = \"failed\"",
        "\"failed\" }",
        "duplicate",
        "the state `failed` exists already",
        "",
    );
}

#[test]
fn windows_that_differ() {
    let second = "\n[[alarm]]\nid = \"x\"\npoint = \"coil/water/supply/temperature\"\nfall_per_min = 3\noff_delay = \"1s\"\npriority = \"low\"\ntext = \"x\"\n";
    added(second, "fall_per_min", "two_windows", "windows of 20s and 10s", "the same `over`");
}
