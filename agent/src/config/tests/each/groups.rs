//! Mistakes in groups, rules of suppression and conditions of use; and what right ones become.

use std::time::Duration;

use lapwing_engine::spec::Test;

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
