//! Findings about time: windows, urgency, what is faster than a person, clocks.

use super::*;

const CLOCK: &str = r#"
[[derived]]
path = "clock/seconds"
compute = "ride_through_s"
from = { q_kw = "coil/water/heat", t_now_c = "cold-aisle/temperature" }
with = { lost = "water_flow", c_air = 143.0, c_mass = 7650.0, ha_kw_k = 25.5, c_coil = 250.0, limit_c = 32.0 }
resolution = 0.1

[review]
design_load_kw = 460
design_inlet_c = 24
"#;

#[test]
fn clocks() {
    let clocked = |rest: &str| Copy::new().and(MODULE, &(CLOCK.to_owned() + &alarm("new", rest) + &with_first("new")));
    let lonely = clocked("high = 30.0\ndeadband = 1.0");
    // 393 kJ/K of air and coil and the mass behind them, from 24 to 32 °C at 460 kW.
    one(
        &lonely,
        "clock_unguarded",
        Severity::Moderate,
        "clock/seconds",
        (MODULE, "\"clock/seconds\""),
        "(9 s at the design load)",
    );
    let late = clocked("high = 30.0\ndeadband = 1.0\nclock = \"clock/seconds\"\nprotection = \"fan/01/state\"");
    let codes: Vec<_> = brought(&late).into_iter().map(|finding| (finding.code, finding.severity)).collect();
    assert_eq!(codes, [("late_for_clock", Some(Severity::Serious))], "8 s of the probe and a scan are too many");
    let unproved = clocked("high = 30.0\ndeadband = 1.0\nclock = \"clock/seconds\"");
    let codes: Vec<_> = brought(&unproved).into_iter().map(|finding| finding.code).collect();
    assert_eq!(codes, ["late_for_clock", "needs_protection"]);
}

#[test]
fn windows_and_urgency() {
    more("rises_to = 40.0\nwithin = \"20s\"\nover = \"20s\"", "late_for_window", Severity::Serious, "20 s it warns of");
    let urgent = "high = 30.0\ndeadband = 1.0\nleft_to = 40.0\nover = \"20s\"\nurgent_below = ";
    more(&format!("{urgent}\"2s\"\nurgent_priority = \"high\""), "late_for_urgency", Severity::Moderate, "2 s");
    more(
        &format!("{urgent}\"90s\"\nurgent_priority = \"low\""),
        "urgency_changes_nothing",
        Severity::Minor,
        "does not rise",
    );
}

#[test]
fn what_is_faster_than_a_person() {
    let fast = "high = 30.0\ndeadband = 1.0\nrespond_within = \"1m\"";
    more(fast, "needs_protection", Severity::Moderate, "a person needs 180 s");
    more(
        &format!("{fast}\nimpact = \"load_at_risk\""),
        "needs_protection",
        Severity::Serious,
        "needs automatic protection",
    );
    more(
        &format!("{fast}\nprotection = \"ups/a1/output/source\""),
        "protection_unwatched",
        Severity::Serious,
        "no alarm watches",
    );
    let watched = alarm("proof", "point = \"ups/a1/output/source\"\narmed = \"normal\"\non_delay = \"30s\"");
    let copy = Copy::new().and(
        MODULE,
        &(alarm("new", &format!("{fast}\nprotection = \"ups/a1/output/source\"")) + &with_first("new") + &watched),
    );
    assert!(brought(&copy).is_empty(), "{:#?}", brought(&copy));
    let slow =
        Copy::new().and(MODULE, &(alarm("new", fast) + &with_first("new") + "\n[review]\nhuman_response = \"30s\"\n"));
    assert!(!brought(&slow).iter().any(|finding| finding.about.as_deref() == Some("new")), "a quicker site has time");
}

#[test]
fn clocks_and_protections_must_be_there() {
    let with =
        |line: &str| Copy::new().with(MODULE, "respond_within = \"3m\"", &format!("respond_within = \"3m\"\n{line}"));
    let code = |line: &str| with(line).mistakes().iter().map(|mistake| mistake.code).collect::<Vec<_>>();
    assert_eq!(code("clock = \"coil/water/flo\""), ["unknown_point"]);
    assert_eq!(code("clock = \"coil/water/flow\""), ["clock_not_in_seconds"]);
    assert_eq!(code("protection = \"fan/01/stat\""), ["unknown_point"]);
    assert_eq!(code("armed = \"x\""), ["two_conditions"]);
    let role = Copy::new().with(FAN, "where = \"fan wall\"", "where = \"fan wall\"\nrole = \"dor\"");
    assert_eq!((role.mistakes()[0].code, role.mistakes()[0].mend.as_str()), ("not_one_of", "did you mean `door`?"));
    let review = |line: &str| Copy::new().and(MODULE, &format!("\n[review]\n{line}\n")).mistakes()[0].code;
    assert_eq!(
        [review("design_inlet_c = 99"), review("human_response = 3"), review("design_load_kw = -1")],
        ["out_of_range", "wrong_type", "out_of_range"]
    );
}
