//! Mistakes in groups, rules of suppression and conditions of use; and what right ones become.

use std::time::Duration;

use lapwing_engine::spec::{Condition, Test};

use super::{Copy, MODULE, added};

#[test]
fn chains_become_places_of_alarms() {
    let copy = Copy::new().and(
        MODULE,
        "\n[[group]]\nname = \"fans\"\nwindow = \"1m\"\nchain = [\"fan-*-failed\", [\"supply-water-*\"]]\n\
         together = [\"supply-*\"]\ntell_again = [\"supply-water-warm\"]\n",
    );
    let plan = copy.load().expect("valid").plan;
    let at = |id: &str| plan.alarms.iter().position(|alarm| alarm.id == id).expect("there");
    let group = plan.groups.names.iter().position(|name| name == "fans").expect("there");
    let place = |id: &str| {
        let span = plan.groups.of_alarm[at(id)];
        let members = &plan.groups.members[span.first as usize..][..span.count as usize];
        *members.iter().find(|member| member.group as usize == group).expect("a member")
    };
    assert_eq!(plan.groups.specs[group].window_ms, 60_000);
    assert_eq!(plan.groups.specs[group].lag_ms, 5_000);
    assert_eq!((place("fan-01-failed").step, place("fan-01-failed").together), (0, false));
    assert_eq!((place("supply-water-warm").step, place("supply-water-warm").together), (1, true));
    assert!(place("supply-water-warm").again.is_some() && place("supply-water-rising").again.is_none());
    // Without being asked for: a link and the devices behind it.
    let links: Vec<&str> =
        plan.groups.names.iter().map(String::as_str).filter(|name| name.starts_with("link ")).collect();
    assert_eq!(links, ["link fans"], "the only link with several devices");
}

#[test]
fn rules_become_tests_of_points() {
    let copy = Copy::new().and(
        MODULE,
        "\n[[suppress]]\nname = \"cold\"\ntext = \"Too cold to matter\"\nalarms = [\"supply-*\"]\nat_most = \"1h\"\n\
         while = { point = \"coil/water/supply/temperature\", below = 4.5 }\n",
    );
    let plan = copy.load().expect("valid").plan;
    let rule = &plan.suppress[0];
    let point = plan.points.iter().position(|point| point.path == "coil/water/supply/temperature").expect("there");
    assert_eq!(rule.at_most, Duration::from_secs(3600));
    let (watched, test) = rule.when.expect("it holds by itself");
    assert_eq!((watched as usize, test), (point, Test::Below(45)));
    assert_eq!(rule.alarms.len(), 2);
}

#[test]
fn groups() {
    let group = |rest: &str| format!("\n[[group]]\nname = \"g\"\n{rest}\n");
    added(
        &group("chain = [\"fan-*-failed\", \"supply-watr-warm\"]"),
        "\"supply-watr-warm\"",
        "no_such_alarm",
        "no alarm is called `supply-watr-warm`",
        "did you mean `supply-water-warm`?",
    );
    added(&group("chain = [\"fan-*-failed\"]"), "chain = ", "short_chain", "1 step", "at least two steps");
    added(&group("chain = [\"fan-*-failed\", 3]"), "[\"fan-*-failed\", 3", "wrong_type", "the integer 3", "");
    added(
        &group("chain = [\"fan-*-failed\", [\"supply-*\", \"fan-01-failed\"]]"),
        "\"fan-01-failed\"",
        "twice_in_chain",
        "two steps of the chain, by `fan-*-failed` and by `fan-01-failed`",
        "the step where it belongs",
    );
    added(
        &group("chain = [\"fan-*-failed\", \"supply-*\"]\ntogether = [\"humidity-sensor\"]"),
        "\"humidity-sensor\"]",
        "not_in_chain",
        "`humidity-sensor`",
        "add them to it",
    );
    added(&group("chain = [\"fan-[\", \"supply-*\"]"), "\"fan-[\"", "bad_alarm_pattern", "", "* for any part");
    added(&group("chain = [\"fan-*-failed\", \"supply-*\"]\nwindow = \"soon\""), "\"soon\"", "bad_duration", "", "");
    let two = group("chain = [\"fan-*-failed\", \"supply-*\"]").repeat(2);
    let copy = Copy::new().and(MODULE, &two);
    let mistakes = copy.mistakes();
    assert_eq!((mistakes.len(), mistakes[0].code), (1, "duplicate"), "{mistakes:#?}");
}

#[test]
fn rules_of_suppression() {
    let rule =
        |rest: &str| format!("\n[[suppress]]\nname = \"s\"\ntext = \"t\"\nalarms = [\"fan-*-failed\"]\n{rest}\n");
    added(&rule(""), "[[suppress]]", "missing_key", "`at_most` is missing", "at_most");
    added(&rule("at_most = \"0s\""), "at_most = ", "bad_duration", "", "");
    added(
        &rule("at_most = \"1h\"\nwhile = { point = \"fan/01/stat\", state = \"failed\" }"),
        "\"fan/01/stat\"",
        "unknown_point",
        "no point is called `fan/01/stat`",
        "did you mean `fan/01/state`?",
    );
    added(
        &rule("at_most = \"1h\"\nwhile = { point = \"fan/01/state\", state = \"broken\" }"),
        "\"broken\"",
        "unknown_state",
        "no state called `broken`",
        "",
    );
    added(
        &rule("at_most = \"1h\"\nwhile = { point = \"fan/01/state\" }"),
        "{ point = \"fan/01/state\" }",
        "no_test",
        "",
        "",
    );
    added(
        &rule("at_most = \"1h\"\nwhile = { point = \"fan/01/state\", state = \"failed\", above = 1 }"),
        "above = 1",
        "two_tests",
        "tests two things",
        "keep one",
    );
    added(
        &rule("at_most = \"1h\"\nwhile = { point = \"fan/01/state\", states = \"failed\" }"),
        "states = ",
        "unknown_key",
        "`states`",
        "did you mean `state`?",
    );
    let text = "\n[[suppress]]\nname = \"s\"\ntext = \"t\"\nat_most = \"1h\"\n";
    added(text, "[[suppress]]", "missing_key", "`alarms` is missing", "alarms");
}

#[test]
fn modes_in_which_people_are_told() {
    let copy = Copy::new().with(MODULE, "altitude_m = 9", "announce_in = [\"live\", \"tests\"]");
    let mistakes = copy.mistakes();
    assert_eq!((mistakes.len(), mistakes[0].code), (1, "not_one_of"), "{mistakes:#?}");
    assert!(mistakes[0].mend.contains("did you mean `test`?"), "{mistakes:#?}");
}

#[test]
fn comparisons_become_points_of_their_own() {
    let alarm = |id: &str, rest: &str| {
        format!(
            "\n[[alarm]]\nid = \"{id}\"\npriority = \"low\"\ntext = \"{{value}}\"\nconsequence = \"c\"\nresponse = \"r\"\nrespond_within = \"1h\"\n{rest}\n"
        )
    };
    let supply = "point = \"coil/water/supply/temperature\"";
    let text = alarm("off-set", &format!("{supply}\ndeviation = 3.0\nfrom_value = 18.0\noff_delay = \"1s\""))
        + &alarm("off-set-far", &format!("{supply}\ndeviation = 6.0\nfrom_value = 18.0\noff_delay = \"1s\""))
        + &alarm(
            "two-sensors",
            &format!(
                "{supply}\ndiscrepancy = 30.0\nfrom_point = \"coil/water/return/temperature\"\noff_delay = \"1s\""
            ),
        )
        + &alarm(
            "few-fans",
            "fewer_than = 2\nworking = { points = \"fan/*/state\", state = \"failed\" }\noff_delay = \"1s\"",
        )
        + &alarm("dead", &format!("{supply}\nfrozen = \"60s\""))
        + &alarm(
            "soon",
            &format!(
                "{supply}\nrises_to = 32.0\nwithin = \"60s\"\nover = \"20s\"\nurgent_below = \"10s\"\nurgent_priority = \"high\"\noff_delay = \"1s\""
            ),
        )
        + &alarm(
            "used",
            &format!(
                "{supply}\nhigh = 30.0\ndeadband = 1.0\nonly_while = {{ point = \"fan/01/state\", state = \"failed\" }}"
            ),
        );
    let plan = Copy::new().and(MODULE, &text).load().expect("valid").plan;
    let at = |id: &str| plan.alarms.iter().position(|alarm| alarm.id == id).expect("there");
    let point = |id: &str| &plan.points[plan.alarms[at(id)].point as usize];
    assert_eq!(
        (point("off-set").path.as_str(), point("off-set").unit.as_str()),
        ("coil/water/supply/temperature/from-set-point", "K")
    );
    assert_eq!(point("off-set").path, point("off-set-far").path, "one comparison, two limits");
    assert_eq!(point("two-sensors").path, "coil/water/supply/temperature/discrepancy");
    assert_eq!(point("few-fans").path, "agent/working/few-fans");
    assert_eq!(plan.compared.len(), 3);
    assert_eq!(plan.engine.alarms[at("off-set")].condition, Condition::Beyond { limit: 30, deadband: 0 });
    assert_eq!(plan.engine.alarms[at("few-fans")].condition, Condition::Low { limit: 2, deadband: 0 });
    assert_eq!(
        (plan.engine.alarms[at("dead")].condition, plan.engine.alarms[at("dead")].on_delay_ms),
        (Condition::Frozen, 60_000)
    );
    let soon = Condition::TimeToLimit { limit: 320, rising: true, within_ms: 60_000 };
    assert_eq!((plan.engine.alarms[at("soon")].condition, plan.alarms[at("soon")].left_to), (soon, Some(320)));
    let used = plan.engine.alarms[at("used")].only_while.expect("a condition of use");
    let tested = plan.engine.uses[used as usize];
    assert_eq!(plan.points[tested.point as usize].path, "fan/01/state");
    assert_eq!(plan.engine.points[tested.point as usize].uses.count, 1);
    let hanging = plan.engine.use_alarms[tested.alarms.first as usize];
    assert_eq!(hanging as usize, at("used"));
}

#[test]
fn comparisons() {
    let alarm = |rest: &str| format!("\n[[alarm]]\nid = \"new\"\npriority = \"low\"\ntext = \"t\"\n{rest}\n");
    let supply = "point = \"coil/water/supply/temperature\"\n";
    let case = |rest: &str, needle: &str, code: &str, what: &str, mend: &str| {
        added(&alarm(&format!("{supply}{rest}")), needle, code, what, mend);
    };
    case("deviation = 3.0", "[[alarm]]\nid = \"new\"", "missing_key", "from_median_of", "");
    case("deviation = 3.0\nfrom_value = 18.0\nfrom_point = \"x\"", "from_point = \"x\"", "two_conditions", "", "");
    case("deviation = 3.0\nfrom_value = 18.05", "18.05", "finer_than_resolution", "18.05", "");
    case("discrepancy = 3.0\nfrom_point = \"coil/water/flow\"", "\"coil/water/flow\"\n", "other_unit", "L/s", "times");
    case(
        "discrepancy = 3.0\nfrom_point = \"coil/water/flw\"",
        "\"coil/water/flw\"",
        "unknown_point",
        "",
        "coil/water/flow",
    );
    case(
        "deviation = 3.0\nfrom_median_of = \"coil/water/*/temperature\"",
        "\"coil/water/*/temperature\"",
        "too_few_peers",
        "1 peer",
        "at least two",
    );
    case("rises_to = 30.0\nover = \"20s\"", "[[alarm]]\nid = \"new\"", "missing_key", "`within` is missing", "within");
    case("high = 30.0\nwithin = \"5s\"", "within = \"5s\"", "key_not_of_condition", "`within`", "remove");
    case(
        "high = 30.0\nurgent_below = \"5s\"\nurgent_priority = \"high\"",
        "\"5s\"\nurgent",
        "missing_key",
        "`left_to`",
        "",
    );
    case(
        "high = 30.0\nleft_to = 40.0\nover = \"20s\"\nurgent_below = \"5s\"",
        "urgent_below = \"5s\"",
        "missing_key",
        "urgent_priority",
        "",
    );
    case("high = 30.0\nonly_while = { point = \"fan/01/state\" }", "{ point = \"fan/01/state\" }", "no_test", "", "");
    case(
        "high = 30.0\nonly_while = { point = \"fan/{n}/state\", state = \"failed\" }",
        "\"fan/{n}/state\", state = \"failed\" }",
        "unknown_point",
        "",
        "",
    );
    added(
        &alarm("fewer_than = 3\nworking = { points = \"fan/*/state\", state = \"failed\" }"),
        "[[alarm]]\nid = \"new\"",
        "out_of_range",
        "3 is outside 1 to 2",
        "",
    );
    added(
        &alarm("fewer_than = 1\nworking = { points = \"fn/*/state\", state = \"failed\" }"),
        "\"fn/*/state\"",
        "nothing_matches",
        "",
        "",
    );
    added(
        &alarm(&format!("{supply}fewer_than = 1\nworking = {{ points = \"fan/*/state\", state = \"failed\" }}")),
        "point = \"coil/water/supply/temperature\"\nfewer",
        "key_not_of_condition",
        "`point`",
        "",
    );
}
