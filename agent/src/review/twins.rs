//! Two alarms for one cause: the same condition twice, a second limit that says nothing new, both told at once.
//!
//! Every alarm asks for an action of its own (ISA-18.2: an alarm is unique, from memory). Looks at alarms of one point,
//! which stand together; alarms of different points are joined by groups. Never panics.

use std::collections::BTreeMap;

use lapwing_engine::spec::{Condition, Test};

use super::ground::{Ground, Subject};
use super::{Finding, Severity, alarm};

/// Which way a condition looks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Way {
    Up,
    Down,
    Apart,
    States(u64),
    Other,
}

pub(super) fn review(ground: &Ground<'_>, found: &mut Vec<Finding>) {
    for of_point in ground.alarms.chunk_by(|one, other| one.alarm.point == other.alarm.point) {
        for (at, second) in of_point.iter().enumerate() {
            for first in &of_point[..at] {
                pair(ground, first, second, found);
            }
        }
    }
    let mut texts: BTreeMap<(&str, Option<i64>), &str> = BTreeMap::new();
    for subject in &ground.alarms {
        let (id, text) = (&subject.alarm.id, subject.alarm.text.as_str());
        // A sentence with its limit in it says which it is.
        let limit = subject.limit().map(|(limit, _)| limit).filter(|_| text.contains("{limit}"));
        if let Some(first) = texts.insert((text, limit), id) {
            let what = format!("says the same as `{first}`: \u{201c}{text}\u{201d}; people cannot tell which it is");
            let mend = "say what is different: the place, the limit, the device";
            found.push(alarm("same_text", Severity::Minor, id, what, mend));
        }
    }
}

fn pair(ground: &Ground<'_>, first: &Subject<'_>, second: &Subject<'_>, found: &mut Vec<Finding>) {
    if apart(first.used, second.used) {
        return;
    }
    let (one, other) = (way(first.spec.condition), way(second.spec.condition));
    let same_way = match (one, other) {
        (Way::States(one), Way::States(other)) => one & other != 0,
        (Way::Other, _) | (_, Way::Other) => false,
        (one, other) => one == other,
    };
    if !same_way {
        return;
    }
    let (id, before) = (&second.alarm.id, &first.alarm.id);
    let same_limit = match (one, other) {
        (Way::States(_), Way::States(_)) => true,
        _ => first.limit().map(|(limit, _)| limit) == second.limit().map(|(limit, _)| limit),
    };
    if same_limit
        && first.limit().is_some() == second.limit().is_some()
        && first.spec.on_delay_ms == second.spec.on_delay_ms
        || matches!((one, other), (Way::States(_), Way::States(_)))
    {
        let what = format!("is raised by the same as `{before}`: one cause, two alarms");
        found.push(alarm(
            "same_condition",
            Severity::Serious,
            id,
            what,
            format!("keep one of them, or part their conditions; `{before}` is the other"),
        ));
        return;
    }
    let same_answer = !second.alarm.response.is_empty() && first.alarm.response == second.alarm.response;
    if first.alarm.priority == second.alarm.priority && same_answer && !same_limit {
        let what = format!(
            "asks for the same action at the same priority as `{before}`, at another limit: the second tells nobody anything new"
        );
        found.push(alarm(
            "nothing_new",
            Severity::Moderate,
            id,
            what,
            "drop one, or give the second a priority or an action of its own",
        ));
        return;
    }
    let joined = ground.groups_of(first.index).any(|group| ground.groups_of(second.index).any(|other| other == group));
    if !joined {
        let what = format!(
            "and `{before}` watch one point the same way and are in no group together: both are told for one cause"
        );
        let mend = format!("add a [[group]] whose chain holds both, such as chain = [\"{before}\", \"{id}\"]");
        found.push(alarm("told_twice", Severity::Moderate, id, format!("`{id}` {what}"), mend));
    }
}

/// Whether two conditions of use never hold together.
fn apart(one: Option<(u32, Test)>, other: Option<(u32, Test)>) -> bool {
    let (Some((point, one)), Some((same, other))) = (one, other) else { return false };
    point == same
        && match (one, other) {
            (Test::States(one), Test::States(other)) => one & other == 0,
            (Test::Above(low), Test::Below(high)) | (Test::Below(high), Test::Above(low)) => {
                high <= low.saturating_add(1)
            }
            (Test::Above(_), Test::Above(_))
            | (Test::Below(_), Test::Below(_))
            | (Test::States(_), Test::Above(_) | Test::Below(_))
            | (Test::Above(_) | Test::Below(_), Test::States(_)) => false,
        }
}

const fn way(condition: Condition) -> Way {
    match condition {
        Condition::High { .. } => Way::Up,
        Condition::Low { .. } => Way::Down,
        Condition::Beyond { .. } => Way::Apart,
        Condition::State { states } => Way::States(states),
        Condition::NotIn { states } => Way::States(!states),
        // A rate and a limit ask for different things; a sensor's own faults are another matter.
        Condition::Rise { .. }
        | Condition::Fall { .. }
        | Condition::TimeToLimit { .. }
        | Condition::BadMeasurement
        | Condition::Frozen => Way::Other,
    }
}
