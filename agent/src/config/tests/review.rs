//! The review of the alarm set: each finding by a change that brings it and nothing else, where it is told, and how it is
//! accepted. One file a family; here how a change is judged, and what holds for all.
//!
//! The changes are made to the small configuration; what that has of its own to ask is set apart first.

mod causes;
mod conditions;
mod roles;
mod time;

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

/// A question that nothing here brings would be one that nobody has seen asked.
#[test]
fn every_code_is_brought_by_a_test() {
    let source = concat!(
        include_str!("review.rs"),
        include_str!("review/causes.rs"),
        include_str!("review/conditions.rs"),
        include_str!("review/roles.rs"),
        include_str!("review/time.rs"),
        include_str!("translations.rs"),
    );
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
fn the_demo_is_clean() {
    let demo = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/saltmarsh/module.toml");
    let overrides = Overrides { review: true, ..Overrides::default() };
    let loaded = load(&demo, std::iter::empty(), &overrides).expect("no mistake");
    let left: Vec<String> = loaded.review.iter().map(ToString::to_string).collect();
    assert!(left.is_empty(), "{}", left.join("\n"));
    assert!(!loaded.accepted.is_empty(), "what is accepted has its reason");
}
