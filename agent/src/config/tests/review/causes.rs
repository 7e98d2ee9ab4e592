//! Findings about alarms beside each other: two for one cause, groups, priorities.

use super::*;

#[test]
fn two_for_one_cause() {
    let twice = alarm("new", "high = 21.0\ndeadband = 1.0\non_delay = \"5s\"");
    one(
        &Copy::new().and(MODULE, &twice),
        "same_condition",
        Severity::Serious,
        "new",
        (MODULE, "\"new\""),
        "supply-water-warm",
    );
    let nothing_new = alarm("new", "high = 25.0\ndeadband = 1.0\npriority = \"high\"")
        .replace("Act on new.", "Check the chiller plant; if it is lost, shed load by the site's plan.");
    one(
        &Copy::new().and(MODULE, &(nothing_new + &with_first("new"))),
        "nothing_new",
        Severity::Moderate,
        "new",
        (MODULE, "\"new\""),
        "supply-water-warm",
    );
    let apart = alarm("new", "high = 25.0\ndeadband = 1.0");
    one(&Copy::new().and(MODULE, &apart), "told_twice", Severity::Moderate, "new", (MODULE, "\"new\""), "no group");
    let said = alarm("new", "point = \"coil/water/return/temperature\"\nhigh = 25.0\ndeadband = 1.0")
        .replace("new is told", "Supply water rises by {value}");
    one(
        &Copy::new().and(MODULE, &said),
        "same_text",
        Severity::Minor,
        "new",
        (MODULE, "\"new\""),
        "supply-water-rising",
    );
    let states = alarm("new", "point = \"fan/01/state\"\nstate = \"failed\"");
    one(
        &Copy::new().and(MODULE, &states),
        "same_condition",
        Severity::Serious,
        "new",
        (MODULE, "\"new\""),
        "fan-01-failed",
    );
    let in_turn = "only_while = { point = \"fan/01/state\", state = ";
    let in_turn = alarm("one", &format!("high = 40.0\ndeadband = 1.0\n{in_turn}\"running\" }}"))
        + &alarm("two", &format!("high = 40.0\ndeadband = 1.0\n{in_turn}\"failed\" }}"))
        + "\n[[group]]\nname = \"g\"\nchain = [\"supply-water-warm\", [\"one\", \"two\"]]\n";
    assert!(brought(&Copy::new().and(MODULE, &in_turn)).is_empty(), "they never count together");
}

#[test]
fn groups_in_a_circle() {
    let copy = Copy::new().and(
        MODULE,
        "\n[[group]]\nname = \"there\"\nchain = [\"supply-water-warm\", \"fan-*-failed\"]\n\n[[group]]\nname = \"back\"\nchain = [\"fan-*-failed\", \"humidity-sensor\", \"supply-water-warm\"]\n",
    );
    one(&copy, "groups_in_circle", Severity::Moderate, "back", (MODULE, "\"back\""), "back, there explain");
}

#[test]
fn priorities_are_spread() {
    let many = |priority: &str| -> String {
        (0..20)
            .map(|n| {
                alarm(
                    &format!("a{n}"),
                    &format!("point = \"coil/water/return/temperature\"\nhigh = {}.0\ndeadband = 1.0\npriority = \"{priority}\"", 30 + n),
                )
            })
            .collect::<String>()
            + "\n[[group]]\nname = \"g\"\nchain = [[\"a*\"]]\ntogether = [\"a*\"]\n"
    };
    one(
        &Copy::new().and(MODULE, &many("critical")),
        "priority_split",
        Severity::Minor,
        "module",
        (MODULE, "# A small"),
        "20 critical",
    );
    assert!(brought(&Copy::new().and(MODULE, &many("low"))).is_empty());
}
