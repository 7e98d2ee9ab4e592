//! A condition of use as written: `{ point = "fan/01/command", above = 10.0 }`, or `state = "…"`, or `below = …`.
//!
//! Exactly one test beside the point. Which point it is and what its numbers are in steps is judged in `assemble`. Never
//! panics.

use lapwing_protocol::Decimal;

use crate::config::mistake::Report;
use crate::config::reader::{Item, OneOrMany, Read, entries, nearest};
use crate::config::source::{Located, Place};
use crate::config::wrong::Wrong;

/// What of a point's value counts.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum TestItem {
    /// It is in one of these states.
    State(Vec<Located<String>>),
    /// It is above this.
    Above(Located<Decimal>),
    /// It is below this.
    Below(Located<Decimal>),
}

/// A point and a test of its value.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct UsedItem {
    /// Path; in alarms captures of the pattern may stand in it.
    pub(crate) point: Located<String>,
    /// Further ones, where a list may stand.
    pub(crate) more: Vec<Located<String>>,
    pub(crate) test: TestItem,
    /// Key path, for messages.
    pub(crate) key: String,
}

const KEYS: [&str; 5] = ["point", "points", "state", "above", "below"];

/// Reads the table under a key, if it is there.
pub(crate) fn read(item: &mut Item<'_>, key: &'static str, point_key: &str, report: &mut Report) -> Option<UsedItem> {
    let origin = item.place.origin;
    let value = item.raw(key)?;
    let (place, key) = (Place::new(origin, &value.span()), item.key(key));
    let listed = match entries(value, origin) {
        Ok(listed) => listed,
        Err(wrong) => {
            report.wrong(place, key, wrong);
            return None;
        }
    };
    let (mut points, mut tests) = (Vec::new(), Vec::new());
    let may_list = point_key == "points";
    let mut readable = true;
    for (name, value) in listed {
        let at = Place::new(origin, &value.span());
        let result = match name.value.as_str() {
            known if known == point_key && may_list => OneOrMany::read(value, origin).map(|paths| points = paths.0),
            known if known == point_key => {
                String::read(value, origin).map(|path| points.push(Located { value: path, place: at }))
            }
            "state" => OneOrMany::read(value, origin).map(|states| tests.push((name.place, TestItem::State(states.0)))),
            "above" => Decimal::read(value, origin)
                .map(|limit| tests.push((name.place, TestItem::Above(Located { value: limit, place: at })))),
            "below" => Decimal::read(value, origin)
                .map(|limit| tests.push((name.place, TestItem::Below(Located { value: limit, place: at })))),
            other => {
                let near = nearest(other, KEYS.into_iter());
                let wrong = Wrong::UnknownKey { key: other.to_string(), near, known: KEYS.to_vec() };
                report.wrong(name.place, format!("{key}.{other}"), wrong);
                readable = false;
                continue;
            }
        };
        if let Err(wrong) = result {
            report.wrong(at, format!("{key}.{}", name.value), wrong);
            readable = false;
        }
    }
    if !readable {
        return None;
    }
    let mut points = points.into_iter();
    let (Some(point), more) = (points.next(), points.collect()) else {
        report.wrong(
            place,
            format!("{key}.{point_key}"),
            Wrong::MissingKey { key: "point", example: "\"pump/1/state\"" },
        );
        return None;
    };
    match tests.len() {
        1 => tests.pop().map(|(_, test)| UsedItem { point, more, test, key }),
        0 => {
            report.wrong(place, key, Wrong::NoTest);
            None
        }
        _ => {
            report.wrong(tests[1].0, key, Wrong::TwoTests);
            None
        }
    }
}
