//! Conditions of use: which point is meant, and its states or limits as whole steps.
//!
//! The same for alarms (`only_while`) and for rules of suppression (`while`). Never panics.

use lapwing_engine::spec::Test;

use crate::config::items::used::{TestItem, UsedItem};
use crate::config::mistake::Report;
use crate::config::reader::nearest;
use crate::config::source::Located;
use crate::config::steps::Steps;
use crate::config::wrong::Wrong;

use super::{Draft, Points, index};

/// The point and the test; what is wrong has been told.
pub(crate) fn test(
    item: &UsedItem,
    path: &str,
    points: &Points,
    incomplete: bool,
    report: &mut Report,
) -> Option<(u32, Test)> {
    let Some(at) = points.find(path) else {
        let wrong = Wrong::UnknownPoint { path: path.to_string(), near: points.nearest(path), incomplete };
        report.wrong(item.point.place, format!("{}.point", item.key), wrong);
        return None;
    };
    let draft = &points.drafts[at];
    let steps = Steps { exponent: draft.exponent, point: path };
    let test = match &item.test {
        TestItem::State(names) => Test::States(states(names, draft, &format!("{}.state", item.key), report)?),
        TestItem::Above(limit) => Test::Above(steps.whole(limit, &format!("{}.above", item.key), report)?),
        TestItem::Below(limit) => Test::Below(steps.whole(limit, &format!("{}.below", item.key), report)?),
    };
    Some((index(at), test))
}

/// States by name as a set of bits.
pub(crate) fn states(names: &[Located<String>], draft: &Draft, key: &str, report: &mut Report) -> Option<u64> {
    let point = &draft.point;
    if !draft.has_states {
        return None; // they could not be read, which was told
    }
    let mut bits = 0_u64;
    let mut all = true;
    for name in names {
        let wrong = match point.states.iter().find(|(_, known)| *known == name.value) {
            Some((number @ 0..=63, _)) => {
                bits |= 1 << number;
                continue;
            }
            Some((number, _)) => Wrong::StateTooHigh { state: name.value.clone(), number: *number },
            None if point.states.is_empty() => Wrong::NoStates { point: point.path.clone() },
            None => {
                let known: Vec<String> = point.states.iter().map(|(_, name)| name.clone()).collect();
                let near = nearest(&name.value, known.iter().map(String::as_str));
                Wrong::UnknownState { point: point.path.clone(), state: name.value.clone(), near, known }
            }
        };
        report.wrong(name.place, key, wrong);
        all = false;
    }
    (all && bits != 0).then_some(bits)
}
