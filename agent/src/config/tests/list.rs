//! The list of alarms: what goes out, what a list that comes back changes, and what it is refused for.

use super::{Copy, Overrides, load};
use crate::config::list::{self, Change, Refused, Row};
use crate::config::{Loaded, load_from};

const MODULE: &str = "module.toml";

fn listed(copy: &Copy) -> (String, Loaded, Vec<Row>) {
    let text = std::fs::read_to_string(copy.0.join(MODULE)).expect("readable");
    let loaded = load(&copy.0.join(MODULE), std::iter::empty(), &Overrides::default()).expect("no mistake");
    let rows = list::rows(&text, &loaded.listed);
    (text, loaded, rows)
}

fn header() -> Vec<String> {
    list::columns().iter().map(|key| key.name.to_owned()).collect()
}

fn lines(rows: &[Row]) -> Vec<(u64, Vec<String>)> {
    (2..).zip(rows.iter().map(|row| row.settings.clone())).collect()
}

fn cell<'r>(lines: &'r mut [(u64, Vec<String>)], id: &str, key: &str) -> &'r mut String {
    let at = |key: &str| list::columns().iter().position(|known| known.name == key).expect("a key");
    let line = lines.iter_mut().find(|(_, cells)| cells[at("id")] == id).expect("the alarm");
    &mut line.1[at(key)]
}

fn reloaded(copy: &Copy, text: &str) -> Loaded {
    let path = copy.0.join(MODULE);
    let files =
        |wanted: &std::path::Path| if wanted == path { Ok(text.as_bytes().to_vec()) } else { std::fs::read(wanted) };
    load_from(&path, std::iter::empty(), &Overrides::default(), &files).expect("no mistake")
}

#[test]
fn every_alarm_stands_there_with_its_patterns_laid_out() {
    let (_, loaded, rows) = listed(&Copy::new());
    let ids: Vec<&str> = rows.iter().map(|row| row.listed.id.as_str()).collect();
    assert_eq!(ids, ["supply-water-warm", "supply-water-rising", "fan-01-failed", "fan-02-failed", "humidity-sensor"]);
    assert_eq!(rows.len(), loaded.plan.alarms.iter().filter(|alarm| !alarm.own).count());
    let mut lines = lines(&rows);
    let mut said = |id: &str, key: &str| cell(&mut lines, id, key).clone();
    assert_eq!(said("supply-water-warm", "high"), "21.0");
    assert_eq!(said("supply-water-warm", "on_delay"), "5s");
    assert_eq!(said("supply-water-warm", "latching"), "");
    assert_eq!(said("supply-water-warm", "text"), "Supply water {value} is above {limit} at {tag}");
    assert_eq!(said("fan-01-failed", "point"), "fan/01/state");
    assert_eq!(said("fan-01-failed", "state"), "[\"failed\"]");
    assert_eq!(said("fan-01-failed", "response"), "Check fan 01 at {where}.");
    assert_eq!(said("fan-02-failed", "state"), "failed");
    assert!(rows[2].listed.by_pattern && !rows[3].listed.by_pattern, "the exception is written out");
}

#[test]
fn the_list_as_it_went_out_changes_nothing() {
    let (text, _, rows) = listed(&Copy::new());
    let (changes, missing) = list::compare(&rows, &header(), &lines(&rows)).expect("taken");
    assert!(changes.is_empty() && missing.is_empty());
    assert_eq!(list::edited(&text, &rows, &changes), text);
    let mut as_spreadsheets_write = lines(&rows);
    *cell(&mut as_spreadsheets_write, "supply-water-warm", "high") = "21".into();
    *cell(&mut as_spreadsheets_write, "humidity-sensor", "bad_measurement") = "TRUE".into();
    assert!(list::compare(&rows, &header(), &as_spreadsheets_write).expect("taken").0.is_empty());
}

#[test]
fn what_comes_back_otherwise_is_told_and_written() {
    let copy = Copy::new();
    let (text, _, rows) = listed(&copy);
    let mut back = lines(&rows);
    *cell(&mut back, "supply-water-warm", "high") = "22.5".into();
    *cell(&mut back, "supply-water-warm", "on_delay") = String::new();
    *cell(&mut back, "supply-water-warm", "latching") = "TRUE".into();
    *cell(&mut back, "supply-water-warm", "first_check") = "The \"chiller\"\\plant".into();
    *cell(&mut back, "fan-01-failed", "priority") = "high".into();
    back.retain(|(_, cells)| cells[0] != "humidity-sensor");
    let (changes, missing) = list::compare(&rows, &header(), &back).expect("taken");
    assert_eq!(missing, ["humidity-sensor"]);
    let change = |id: &str, key: &'static str, before: &str, after: &str, line: u64| Change {
        line,
        id: id.into(),
        key,
        before: before.into(),
        after: after.into(),
    };
    let mut expected = vec![
        change("supply-water-warm", "high", "21.0", "22.5", 2),
        change("supply-water-warm", "on_delay", "5s", "", 2),
        change("supply-water-warm", "latching", "", "true", 2),
        change("supply-water-warm", "first_check", "", "The \"chiller\"\\plant", 2),
        change("fan-01-failed", "priority", "medium", "high", 4),
    ];
    let key = |change: &Change| (change.line, change.key);
    let mut changes_in_order = changes.clone();
    changes_in_order.sort_by_key(key);
    expected.sort_by_key(key);
    assert_eq!(changes_in_order, expected);
    let new = list::edited(&text, &rows, &changes);
    let plan = reloaded(&copy, &new).plan;
    let at = |id: &str| plan.alarms.iter().position(|alarm| alarm.id == id).expect("the alarm");
    let (warm, fan) = (at("supply-water-warm"), at("fan-01-failed"));
    assert_eq!(plan.alarms[warm].limit.map(|limit| limit.to_string()), Some("22.5".into()));
    assert_eq!((plan.engine.alarms[warm].on_delay_ms, plan.engine.alarms[warm].latching), (0, true));
    assert_eq!(plan.alarms[warm].first_check, "The \"chiller\"\\plant");
    assert_eq!(plan.alarms[fan].priority, lapwing_protocol::Priority::High);
    assert_eq!(plan.alarms[fan].response, "Check fan 01 at fan wall.", "the rest of the exception is the pattern's");
    assert_eq!(plan.alarms.len(), listed(&copy).1.plan.alarms.len(), "no alarm came or went");
    // The new file's own list has the settings of the one that came back.
    let again = list::rows(&new, &reloaded(&copy, &new).listed);
    let (left, _) = list::compare(&again, &header(), &back).expect("taken");
    assert!(left.is_empty(), "{left:?}");
    assert!(new.contains("# A small module"), "comments stay");
}

#[test]
fn what_cannot_be_meant_is_refused_by_line() {
    let (_, _, rows) = listed(&Copy::new());
    let refused =
        |header: &[String], back: &[(u64, Vec<String>)]| list::compare(&rows, header, back).expect_err("refused");
    let mut unknown = lines(&rows);
    *cell(&mut unknown, "fan-01-failed", "id") = "fan-1-failed".into();
    let told = refused(&header(), &unknown);
    assert_eq!(
        told,
        [Refused::UnknownAlarm { line: 4, id: "fan-1-failed".into(), near: Some("fan-01-failed".into()) }]
    );
    assert_eq!(told[0].to_string(), "line 4: no alarm is called `fan-1-failed`; did you mean `fan-01-failed`?");
    let mut twice = lines(&rows);
    twice.push((9, twice[0].1.clone()));
    assert_eq!(refused(&header(), &twice), [Refused::Twice { line: 9, id: "supply-water-warm".into(), first: 2 }]);
    let mut moved = lines(&rows);
    *cell(&mut moved, "fan-01-failed", "point") = "fan/02/state".into();
    assert!(matches!(refused(&header(), &moved)[..], [Refused::OtherPoint { line: 4, .. }]));
    let mut short = lines(&rows);
    short[1].1.pop();
    assert!(matches!(refused(&header(), &short)[..], [Refused::Cells { line: 3, .. }]));
    let mut odd = header();
    odd[5] = "prioritty".into();
    let told = refused(&odd, &lines(&rows));
    assert!(
        told.iter().any(|why| matches!(why, Refused::UnknownColumn { near: Some(near), .. } if near == "priority")),
        "{told:?}"
    );
    assert!(refused(&["point".to_owned()], &[]).contains(&Refused::NoIds));
    assert!(matches!(refused(&["id".to_owned(), "id".to_owned()], &[])[..], [Refused::ColumnTwice { .. }]));
}

#[test]
fn the_demo_goes_out_and_comes_back() {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/saltmarsh/module.toml");
    let text = std::fs::read_to_string(&path).expect("readable");
    let loaded = load(&path, std::iter::empty(), &Overrides::default()).expect("no mistake");
    let rows = list::rows(&text, &loaded.listed);
    assert_eq!(rows.len(), loaded.plan.alarms.iter().filter(|alarm| !alarm.own).count());
    let mut back = lines(&rows);
    // Every alarm gets another delay: all patterns are laid out, and the file still means the same alarms.
    for row in &rows {
        *cell(&mut back, &row.listed.id, "off_delay") = "7s".into();
    }
    let (changes, missing) = list::compare(&rows, &header(), &back).expect("taken");
    assert!(missing.is_empty());
    let new = list::edited(&text, &rows, &changes);
    let files =
        |wanted: &std::path::Path| if wanted == path { Ok(new.as_bytes().to_vec()) } else { std::fs::read(wanted) };
    let again = load_from(&path, std::iter::empty(), &Overrides::default(), &files).expect("no mistake").plan;
    assert_eq!(again.alarms.len(), loaded.plan.alarms.len());
    for (at, alarm) in loaded.plan.alarms.iter().enumerate().filter(|(_, alarm)| !alarm.own) {
        let now = again.alarms.iter().position(|now| now.id == alarm.id).expect("it is still there");
        assert_eq!(again.engine.alarms[now].off_delay_ms, 7000, "{}", alarm.id);
        assert_eq!(again.engine.alarms[now].condition, loaded.plan.engine.alarms[at].condition, "{}", alarm.id);
        assert_eq!(again.alarms[now].text, alarm.text);
    }
}
