//! Settings compared by key, on a small module of two alarms.

use std::path::Path;

use super::*;
use crate::config::{self, Overrides};

const MODULE: &str = r#"
[module]
site = "saltmarsh"
name = "m1"
[mqtt]
broker = "127.0.0.1:1883"
[store]
dir = "/nowhere"
[[link]]
name = "plant"
modbus_tcp = "127.0.0.1:1502"
[[device]]
name = "coil"
link = "plant"
map = "coil.toml"
[[derived]]
path = "coil/dew-point"
compute = "dew_point"
from = { t_c = "coil/temperature", rh = "coil/humidity" }
resolution = 0.1
[[alarm]]
id = "coil-warm"
point = "coil/temperature"
high = 30.0
deadband = 1.0
on_delay = "5s"
priority = "low"
text = "The coil is {value}"
consequence = "c"
response = "r"
respond_within = "8h"
[[alarm]]
id = "coil-humid"
point = "coil/dew-point"
high = 20.0
deadband = 1.0
priority = "low"
text = "Dew point {value}"
consequence = "c"
response = "r"
respond_within = "8h"
"#;

const COIL: &str = r#"
[[point]]
path = "coil/temperature"
quantity = "temperature"
unit = "Cel"
register = "holding:0"
as = "i16"
scale = 0.1
valid = [-20.0, 90.0]
[[point]]
path = "coil/humidity"
quantity = "relative_humidity"
unit = "%"
register = "holding:1"
as = "i16"
scale = 0.1
[[point]]
path = "coil/other/temperature"
quantity = "temperature"
unit = "Cel"
register = "holding:2"
as = "i16"
scale = 0.1
"#;

fn plan(changes: &[(&str, &str)]) -> Plan {
    let mut files = [("module.toml", MODULE.to_owned()), ("coil.toml", COIL.to_owned())];
    for (old, new) in changes {
        let place = files.iter_mut().find(|(_, text)| text.contains(old)).expect("one of the files has it");
        place.1 = place.1.replacen(old, new, 1);
    }
    let read = |path: &Path| {
        let found = files.iter().find(|(name, _)| path.ends_with(name));
        found.map(|(_, text)| text.clone().into_bytes()).ok_or_else(|| std::io::ErrorKind::NotFound.into())
    };
    match config::load_from(Path::new("module.toml"), std::iter::empty(), &Overrides::default(), &read) {
        Ok(loaded) => loaded.plan,
        Err(mistakes) => panic!("{mistakes}"),
    }
}

fn whole(plan: &Result<Plan, String>) -> InForce<'_> {
    InForce { plan, since: None, until: None }
}

fn changes(new: &[(&str, &str)]) -> Changes {
    Changes::of(&[whole(&Ok(plan(&[])))], &plan(new))
}

fn said(changes: &Changes, id: &str) -> Vec<(&'static str, String, String)> {
    changes.all_of(id).into_iter().map(|change| (change.key, change.then, change.now)).collect()
}

#[test]
fn the_same_settings_differ_in_nothing_and_texts_do_not_count() {
    assert!(changes(&[]).is_empty());
    assert!(changes(&[("The coil is {value}", "Coil: {value}")]).is_empty());
}

#[test]
fn what_was_changed_is_named_by_its_key_with_both_values() {
    let found = changes(&[("high = 30.0", "high = 31.5"), ("deadband = 1.0", "deadband = 0.5"), ("\"5s\"", "\"90s\"")]);
    let expected = [("high", "30.0 Cel", "31.5 Cel"), ("deadband", "1.0 Cel", "0.5 Cel"), ("on_delay", "5s", "90s")];
    assert_eq!(said(&found, "coil-warm"), expected.map(|(key, then, now)| (key, then.to_owned(), now.to_owned())));
    assert_eq!((found.alarms(), said(&found, "coil-humid")), (1, Vec::new()));
    // Another kind of condition is another condition.
    let found = changes(&[("high = 30.0", "low = 10.0")]);
    let keys: Vec<&str> = found.all_of("coil-warm").iter().map(|change| change.key).collect();
    assert_eq!(keys, ["condition", "low"]);
}

#[test]
fn alarms_that_come_and_go_are_named() {
    let found = changes(&[("id = \"coil-warm\"", "id = \"coil-hot\"")]);
    assert_eq!((&found.added[..], &found.removed[..]), (&["coil-hot".to_owned()][..], &["coil-warm".to_owned()][..]));
    assert_eq!(said(&found, "coil-hot"), [("alarm", String::new(), "new".to_owned())]);
    assert!(!found.is_empty());
}

#[test]
fn what_lies_around_an_alarm_is_told_and_decides_what_is_computed_anew() {
    let found = changes(&[("valid = [-20.0, 90.0]", "valid = [-20.0, 60.0]")]);
    assert_eq!(found.around, ["coil/temperature: valid -20.0 to 90.0 → -20.0 to 60.0"]);
    let then = plan(&[]);
    let derived = |plan: &Plan| plan.derived[0].clone();
    assert!(same_derived(&then, &then, &derived(&then)));
    let now = plan(&[("resolution = 0.1", "resolution = 0.01")]);
    assert!(!same_derived(&then, &now, &derived(&now)), "another resolution");
    let now = plan(&[("t_c = \"coil/temperature\"", "t_c = \"coil/other/temperature\"")]);
    assert!(!same_derived(&then, &now, &derived(&now)), "made of another point");
}

#[test]
fn settings_that_cannot_be_read_any_more_are_said_to_be_unknown() {
    let found = Changes::of(&[whole(&Err("module.toml:3:1: no such key".into()))], &plan(&[]));
    assert_eq!(found.unknown.as_deref(), Some("module.toml:3:1: no such key"));
    assert!(!found.is_empty(), "nobody may take it for the same");
}

#[test]
fn of_settings_that_were_replaced_it_is_told_when_they_were_in_force() {
    let limit = |limit: &str| Ok(plan(&[("high = 30.0", limit)]));
    let (first, second, third) = (limit("high = 28.0"), limit("high = 29.0"), limit("high = 30.0"));
    let thens = [
        InForce { plan: &first, since: None, until: Some(1000) },
        InForce { plan: &second, since: Some(1000), until: Some(2000) },
        InForce { plan: &third, since: Some(2000), until: None },
    ];
    let found = Changes::of(&thens, &plan(&[]));
    let said: Vec<_> = found.of_alarm("coil-warm").iter().map(|c| (c.key, c.then.as_str(), c.since, c.until)).collect();
    assert_eq!(said, [("high", "28.0 Cel", None, Some(1000)), ("high", "29.0 Cel", Some(1000), Some(2000))]);
    // What two of them had the same is one change, over both times.
    let thens = [thens[0], InForce { plan: &first, since: Some(1000), until: None }];
    let found = Changes::of(&thens, &plan(&[]));
    let said: Vec<_> = found.of_alarm("coil-warm").iter().map(|c| (c.key, c.since, c.until)).collect();
    assert_eq!(said, [("high", None, None)]);
}
