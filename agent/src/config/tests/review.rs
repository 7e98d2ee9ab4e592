//! The review of the alarm set: each finding by a change that brings it and nothing else, where it is told, and how it is
//! accepted.
//!
//! The changes are made to the small configuration; what that has of its own to ask is set apart first.

use super::{Copy, Overrides, load};
use crate::config::{Finding, Loaded};
use crate::review::{CODES, Severity};

const MODULE: &str = "module.toml";
const COIL: &str = "maps/coil.toml";
const FAN: &str = "maps/fan.toml";
const SUPPLY: &str = "coil/water/supply/temperature";

fn reviewed(copy: &Copy) -> Loaded {
    let overrides = Overrides { review: true, ..Overrides::default() };
    load(&copy.0.join(MODULE), std::iter::empty(), &overrides).expect("no mistake")
}

/// What a change brings that was not there before.
fn brought(copy: &Copy) -> Vec<Finding> {
    let before: Vec<(&str, Option<String>)> =
        reviewed(&Copy::new()).review.into_iter().map(|finding| (finding.code, finding.about)).collect();
    reviewed(copy).review.into_iter().filter(|new| !before.contains(&(new.code, new.about.clone()))).collect()
}

/// An alarm with all its words, on the supply water unless the rest says otherwise.
fn alarm(id: &str, rest: &str) -> String {
    let has = |key: &str| rest.lines().any(|line| line.starts_with(&format!("{key} =")));
    let point = if has("point") || has("fewer_than") { String::new() } else { format!("point = \"{SUPPLY}\"\n") };
    let timed = if has("respond_within") { "" } else { "respond_within = \"1h\"\n" };
    let priority = if has("priority") { "" } else { "priority = \"low\"\n" };
    let off = if has("deadband") { "" } else { "off_delay = \"10s\"\n" };
    format!(
        "\n[[alarm]]\nid = \"{id}\"\n{point}{priority}{timed}{off}text = \"{id} is told\"\nconsequence = \"Something.\"\n\
         response = \"Act on {id}.\"\nfirst_check = \"Look.\"\n{rest}\n"
    )
}

/// A group that holds an alarm together with the one on the same point, so that only what is meant is found.
fn with_first(id: &str) -> String {
    format!("\n[[group]]\nname = \"g-{id}\"\nchain = [\"supply-water-warm\", \"{id}\"]\n")
}

/// Exactly one finding comes with the change; its line is that of `needle` in `file`.
#[track_caller]
fn one(copy: &Copy, code: &str, severity: Severity, about: &str, (file, needle): (&str, &str), what: &str) {
    let found = brought(copy);
    assert_eq!(found.len(), 1, "{found:#?}");
    let found = &found[0];
    assert_eq!((found.code, found.severity, found.about.as_deref()), (code, Some(severity), Some(about)), "{found:#?}");
    assert!(CODES.contains(&found.code), "{code} can be accepted");
    assert!(found.what.contains(what), "what: {}", found.what);
    assert!(!found.mend.is_empty());
    assert!(found.file.ends_with(file), "{found:#?}");
    let position = found.position.expect("a place in a file");
    assert_eq!(position.line, copy.at(file, needle).0, "{found:#?}");
    // The same with its reason is accepted, and told as such.
    let accept = format!("\n[[accept]]\nfinding = \"{code}\"\nabout = \"{about}\"\nbecause = \"it is meant so\"\n");
    let path = copy.0.join(MODULE);
    let text = std::fs::read_to_string(&path).expect("readable");
    std::fs::write(&path, text + &accept).expect("written");
    let loaded = reviewed(copy);
    assert!(!loaded.review.iter().any(|left| left.code == code && left.about.as_deref() == Some(about)));
    assert_eq!(loaded.accepted.len(), 1);
    assert_eq!(loaded.accepted[0].because, "it is meant so");
}

/// One alarm more.
#[track_caller]
fn more(rest: &str, code: &str, severity: Severity, what: &str) {
    let copy = Copy::new().and(MODULE, &(alarm("new", rest) + &with_first("new")));
    one(&copy, code, severity, "new", (MODULE, "\"new\""), what);
}

#[test]
fn deadbands() {
    let noisy = |deadband: &str| {
        Copy::new()
            .with(COIL, "response_s = 8.0", "response_s = 8.0\nnoise = 0.3")
            .and(MODULE, &(alarm("new", &format!("high = 30.0\ndeadband = {deadband}")) + &with_first("new")))
    };
    one(&noisy("0.2"), "deadband_below_noise", Severity::Moderate, "new", (MODULE, "\"new\""), "0.3 °C");
    assert!(brought(&noisy("0.3")).is_empty(), "{:#?}", brought(&noisy("0.3")));
    more("high = 30.0\ndeadband = 60.0", "deadband_too_wide", Severity::Serious, "never clears");
    let coarse = Copy::new()
        .with(
            COIL,
            "register = \"holding:1\"\nas = \"i16\"\nscale = 0.1",
            "register = \"holding:1\"\nas = \"i16\"\nscale = 0.5",
        )
        .and(MODULE, &alarm("new", "point = \"coil/water/return/temperature\"\nhigh = 30.0\ndeadband = 0.2"));
    one(&coarse, "deadband_below_step", Severity::Moderate, "new", (MODULE, "\"new\""), "0.5 °C");
}

#[test]
fn limits_out_of_reach() {
    more(
        "rises_to = 95.0\nwithin = \"5m\"\nover = \"20s\"",
        "limit_out_of_reach",
        Severity::Serious,
        "-20.0 °C to 90.0 °C",
    );
    more(
        "deviation = 120.0\nfrom_value = 18.0\ndeadband = 1.0",
        "limit_out_of_reach",
        Severity::Serious,
        "can never be raised",
    );
    more(
        "high = 30.0\ndeadband = 1.0\nleft_to = 95.0\nover = \"20s\"",
        "left_to_out_of_reach",
        Severity::Moderate,
        "95.0 °C",
    );
    more("rise_per_min = 400\nover = \"20s\"", "window_too_long", Severity::Serious, "20 s");
    let noisy = Copy::new().with(COIL, "response_s = 8.0", "response_s = 8.0\nnoise = 3.0").with(
        MODULE,
        "deadband = 0.5",
        "deadband = 3.0",
    );
    one(
        &noisy,
        "rate_below_noise",
        Severity::Moderate,
        "supply-water-rising",
        (MODULE, "\"supply-water-rising\""),
        "three standard errors",
    );
}

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
fn words() {
    let silent = alarm("new", "high = 30.0\ndeadband = 1.0").replace("response = \"Act on new.\"\n", "");
    one(
        &Copy::new().and(MODULE, &(silent + &with_first("new"))),
        "no_response",
        Severity::Serious,
        "new",
        (MODULE, "\"new\""),
        "asks nobody",
    );
    let blind = alarm("new", "high = 30.0\ndeadband = 1.0").replace("first_check = \"Look.\"\n", "");
    one(
        &Copy::new().and(MODULE, &(blind + &with_first("new"))),
        "no_first_check",
        Severity::Minor,
        "new",
        (MODULE, "\"new\""),
        "look at first",
    );
}

#[test]
fn conditions_that_cannot_happen() {
    let fan = |rest: &str| alarm("new", &format!("point = \"fan/01/mode\"\n{rest}"));
    let all = Copy::new().and(MODULE, &fan("state = [\"automatic\", \"local\"]"));
    one(&all, "always_raised", Severity::Serious, "new", (MODULE, "\"new\""), "never clears");
    let third = Copy::new()
        .with(FAN, "{ 0 = \"automatic\", 1 = \"local\" }", "{ 0 = \"automatic\", 1 = \"local\", 2 = \"off\" }")
        .and(MODULE, &fan("state = \"off\""));
    one(&third, "never_raised", Severity::Serious, "new", (MODULE, "\"new\""), "single bit");
    let armed = Copy::new().and(MODULE, &fan("armed = [\"automatic\", \"local\"]"));
    one(&armed, "never_raised", Severity::Serious, "new", (MODULE, "\"new\""), "counts as armed");
    let itself = fan("state = \"local\"\nonly_while = { point = \"fan/01/mode\", state = \"automatic\" }");
    one(&Copy::new().and(MODULE, &itself), "never_in_use", Severity::Serious, "new", (MODULE, "\"new\""), "excludes");
    more(
        &format!("high = 30.0\ndeadband = 1.0\nonly_while = {{ point = \"{SUPPLY}\", above = 90.0 }}"),
        "never_in_use",
        Severity::Serious,
        "never reads that",
    );
    more("frozen = \"2s\"", "frozen_too_short", Severity::Moderate, "no sign of a dead sensor");
    let rule = "\n[[suppress]]\nname = \"local\"\ntext = \"Worked on\"\nalarms = [\"new\"]\nat_most = \"1h\"\nwhile = { point = \"fan/01/mode\", state = \"local\" }\n";
    let hidden = Copy::new().and(MODULE, &(fan("state = \"local\"") + rule));
    one(&hidden, "hidden_when_true", Severity::Serious, "new", (MODULE, "\"new\""), "`local`");
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

#[test]
fn roles_tell_what_is_missing() {
    let codes = |copy: &Copy| -> Vec<(&'static str, String)> {
        reviewed(copy).review.into_iter().map(|f| (f.code, f.about.unwrap_or_default())).collect()
    };
    assert!(codes(&Copy::new()).contains(&("no_roles", "module".into())));
    let copy = || {
        Copy::new().with(
            FAN,
            "path = \"mode\"\nquantity = \"state\"",
            "path = \"mode\"\nquantity = \"state\"\nrole = \"door\"",
        )
    };
    let found = codes(&copy());
    assert!(!found.iter().any(|(code, _)| *code == "no_roles"));
    assert!(
        found.contains(&("role_unwatched", "door".into())) && found.contains(&("role_missing", "smoke".into())),
        "{found:?}"
    );
    assert!(!found.iter().any(|(_, about)| about == "protection"), "asked for only where something needs it");
    let half = copy().and(MODULE, &alarm("new", "point = \"fan/01/mode\"\nstate = \"local\""));
    let found = reviewed(&half).review;
    let unwatched: Vec<_> = found.iter().filter(|finding| finding.code == "point_unwatched").collect();
    assert_eq!(unwatched.len(), 1, "{found:#?}");
    assert_eq!((unwatched[0].about.as_deref(), unwatched[0].severity), (Some("fan/02/mode"), Some(Severity::Serious)));
    assert!(
        unwatched[0].file.ends_with(FAN)
            && unwatched[0].position.is_some_and(|at| at.line == half.at(FAN, "\"mode\"").0)
    );
}

#[test]
fn breakers_are_watched_or_spoken_for() {
    let map: String = ["main", "a/a", "tap/a", "pdu/a"]
        .into_iter()
        .enumerate()
        .flat_map(|(at, meter)| (1..=3).map(move |phase| format!("[[point]]\npath = \"{meter}/l{phase}/current\"\nquantity = \"current\"\nunit = \"A\"\nregister = \"holding:{}\"\nas = \"u16\"\nscale = 0.1\n\n", 10 * at + phase)))
        .collect::<String>()
        + "[[point]]\npath = \"main/l1/voltage\"\nquantity = \"voltage\"\nunit = \"V\"\nregister = \"holding:90\"\nas = \"u16\"\n";
    let power = r#"
[[device]]
name = "power"
link = "plant"
unit = 77
map = "maps/power.toml"

[[main]]
name = "main"
rating_a = 800
meter = "main"

[[busway]]
name = "a1"
side = "a"
fed_by = "main"
rating_a = 250
meter = "a/a"

[[tapoff]]
name = "t"
fed_by = "a1"
rating_a = 32
meter = "tap/a"

[[pdu]]
name = "p"
fed_by = "t"
rating_a = 32
meter = "pdu/a"

[[rack]]
name = "1"
fed_by = "p"
cords = "single"
"#;
    let copy = Copy::new().and(MODULE, power);
    std::fs::write(copy.0.join("maps/power.toml"), map).expect("written");
    let found = |copy: &Copy| -> Vec<(&'static str, String)> {
        brought(copy)
            .into_iter()
            .map(|f| (f.code, f.about.unwrap_or_default()))
            .filter(|(code, _)| code.ends_with("unwatched"))
            .collect()
    };
    let all = found(&copy);
    for tier in ["main main", "busway a1", "tap-off t", "PDU p"] {
        assert!(all.contains(&("breaker_unwatched", tier.into())), "{tier}: {all:?}");
    }
    assert!(all.contains(&("supply_unwatched", "main main".into())), "{all:?}");
    let placed = brought(&copy).into_iter().find(|finding| finding.code == "supply_unwatched").expect("it is there");
    assert_eq!(placed.position.map(|at| at.line), Some(copy.at(MODULE, "\"main\"").0), "{placed:#?}");
    let watched = copy.and(MODULE, &alarm("tap", "point = \"tap/a/l1/current\"\nhigh = 25.0\ndeadband = 1.0"));
    let left = found(&watched);
    assert!(
        !left.iter().any(|(_, about)| about == "tap-off t" || about == "PDU p"),
        "the tap-off speaks for its PDU: {left:?}"
    );
    assert!(left.contains(&("breaker_unwatched", "busway a1".into())));
}

#[test]
fn what_an_overload_or_a_wrong_meter_needs_is_watched() {
    let found = |copy: &Copy| -> Vec<(&'static str, String)> {
        let of_power = |code: &str| code == "failover_unwatched" || code == "meters_unwatched";
        let all = reviewed(copy).review.into_iter().map(|f| (f.code, f.about.unwrap_or_default()));
        all.filter(|(code, _)| of_power(code)).collect()
    };
    let powered = super::each::tiers::powered();
    let busway = |code| (code, "busway b1".to_owned());
    let all = found(&powered);
    assert!(all.contains(&busway("failover_unwatched")) && all.contains(&busway("meters_unwatched")), "{all:?}");
    let watched = powered
        .and(MODULE, &alarm("failover", "point = \"b/b/failover-load\"\nhigh = 100.0\ndeadband = 2.0"))
        .and(MODULE, &alarm("meters", "point = \"b/b/meter-difference\"\nhigh = 8.0\ndeadband = 2.0"));
    let left = found(&watched);
    assert!(!left.iter().any(|(_, about)| about == "busway b1"), "{left:?}");
    assert!(left.contains(&("meters_unwatched", "busway a1".into())), "{left:?}");
}

/// A question that nothing here brings would be one that nobody has seen asked.
#[test]
fn every_code_is_brought_by_a_test() {
    let source = concat!(include_str!("review.rs"), include_str!("translations.rs"));
    let missing: Vec<&str> = CODES.into_iter().filter(|code| !source.contains(&format!("\"{code}\""))).collect();
    assert!(missing.is_empty(), "{missing:?}");
}

#[test]
fn accepting_is_checked() {
    let unknown = Copy::new().and(MODULE, "\n[[accept]]\nfinding = \"no_role\"\nabout = \"module\"\nbecause = \"x\"\n");
    let mistakes = unknown.mistakes();
    assert_eq!(mistakes.len(), 1);
    assert_eq!((mistakes[0].code, mistakes[0].mend.as_str()), ("unknown_finding", "did you mean `no_roles`?"));
    let nothing =
        Copy::new().and(MODULE, "\n[[accept]]\nfinding = \"same_text\"\nabout = \"fan-*\"\nbecause = \"x\"\n");
    let found = reviewed(&nothing).review;
    assert!(found.iter().any(|finding| finding.code == "accepts_nothing"), "{found:#?}");
    let unsaid =
        Copy::new().and(MODULE, "\n[[accept]]\nfinding = \"same_text\"\nabout = \"fan-*\"\nbecause = \"  \"\n");
    assert_eq!(unsaid.mistakes()[0].code, "missing_key");
    let pattern =
        Copy::new().and(MODULE, "\n[[accept]]\nfinding = \"same_text\"\nabout = \"fan-[\"\nbecause = \"x\"\n");
    assert_eq!(pattern.mistakes()[0].code, "bad_alarm_pattern");
    let quiet = Overrides::default();
    let loaded = load(&Copy::new().0.join(MODULE), std::iter::empty(), &quiet);
    assert!(loaded.is_err() || loaded.is_ok_and(|loaded| loaded.review.is_empty()), "only `check` asks for the review");
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

#[test]
fn the_demo_is_clean() {
    let demo = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/saltmarsh/module.toml");
    let overrides = Overrides { review: true, ..Overrides::default() };
    let loaded = load(&demo, std::iter::empty(), &overrides).expect("no mistake");
    let left: Vec<String> = loaded.review.iter().map(ToString::to_string).collect();
    assert!(left.is_empty(), "{}", left.join("\n"));
    assert!(!loaded.accepted.is_empty(), "what is accepted has its reason");
}
