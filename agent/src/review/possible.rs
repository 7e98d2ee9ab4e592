//! Conditions that cannot happen, always hold, or are hidden exactly when they hold.
//!
//! Compares an alarm's condition with the states its source can give, with its condition of use and with the rules that
//! hide it. Values are steps of the point they are about. Never panics.

use lapwing_engine::spec::{Condition, Layout, Test};

use super::ground::{Ground, Subject};
use super::{Finding, Severity, alarm};

pub(super) fn review(ground: &Ground<'_>, found: &mut Vec<Finding>) {
    for subject in &ground.alarms {
        states(subject, found);
        in_use(ground, subject, found);
        hidden(ground, subject, found);
        frozen(subject, found);
        urgency(subject, found);
    }
}

/// States an alarm watches against those its source can give.
fn states(subject: &Subject<'_>, found: &mut Vec<Finding>) {
    let (raised_by, proof) = match subject.spec.condition {
        Condition::State { states } => (states, false),
        Condition::NotIn { states } => (!states, true),
        Condition::High { .. }
        | Condition::Low { .. }
        | Condition::Rise { .. }
        | Condition::Fall { .. }
        | Condition::BadMeasurement
        | Condition::Beyond { .. }
        | Condition::TimeToLimit { .. }
        | Condition::Frozen => return,
    };
    let id = &subject.alarm.id;
    let can = can_give(subject);
    if raised_by & can == 0 {
        let what = if proof {
            format!(
                "every state that `{}` can give counts as armed: the alarm tells a failed reading only",
                subject.point.path
            )
        } else {
            format!(
                "`{}` gives a single bit and is never {}: the alarm can never be raised",
                subject.point.path,
                subject.states(raised_by)
            )
        };
        found.push(alarm(
            "never_raised",
            Severity::Serious,
            id,
            what,
            "correct the states, or `as`, `mask` and `shift` of the point",
        ));
    }
    let named = subject.point.states.iter().filter(|(value, _)| (0..64).contains(value));
    let named = named.fold(0_u64, |bits, (value, _)| bits | 1 << value) & can;
    if named != 0 && raised_by & named == named {
        let what = format!("every state of `{}` raises it: it never clears", subject.point.path);
        found.push(alarm("always_raised", Severity::Serious, id, what, "leave out the states that are normal"));
    }
}

/// Bits of the values a source can give.
fn can_give(subject: &Subject<'_>) -> u64 {
    let decode = &subject.reading.decode;
    let most = match decode.layout {
        Layout::Bit if subject.point.device.is_some() => 1,
        Layout::Bits => decode.mask.map_or(63, |mask| mask >> decode.shift.min(63)),
        Layout::Bit
        | Layout::U16
        | Layout::I16
        | Layout::U32
        | Layout::I32
        | Layout::U48
        | Layout::I48
        | Layout::U64
        | Layout::I64
        | Layout::F32
        | Layout::F64
        | Layout::Enum
        | Layout::Bcd
        | Layout::Modulo10000
        | Layout::TextNumber
        | Layout::Counter => 63,
    };
    if most >= 63 { u64::MAX } else { (1 << (most + 1)) - 1 }
}

/// The condition of use against the condition itself, and against what its point can read.
fn in_use(ground: &Ground<'_>, subject: &Subject<'_>, found: &mut Vec<Finding>) {
    let Some((tested, test)) = subject.used else { return };
    let Some(point) = ground.point(tested) else { return };
    let valid =
        usize::try_from(tested).ok().and_then(|at| ground.plan.engine.points.get(at)).and_then(|spec| spec.valid);
    let unreachable = match (test, valid) {
        (Test::Above(limit), Some((_, high))) => limit >= high,
        (Test::Below(limit), Some((low, _))) => limit <= low,
        (Test::Above(_) | Test::Below(_), None) | (Test::States(_), _) => false,
    };
    let against_itself = tested == subject.alarm.point
        && match (test, subject.spec.condition) {
            (Test::States(used), Condition::State { states }) => used & states == 0,
            (Test::States(used), Condition::NotIn { states }) => used & !states == 0,
            (Test::Below(most), Condition::High { limit, .. }) => most <= limit.saturating_add(1),
            (Test::Above(least), Condition::Low { limit, .. }) => least >= limit.saturating_sub(1),
            _ => false,
        };
    if unreachable || against_itself {
        let why = if unreachable { "it never reads that" } else { "that excludes the alarm's own condition" };
        let what = format!("counts only while `{}` passes a test that never holds with it: {why}", point.path);
        found.push(alarm("never_in_use", Severity::Serious, &subject.alarm.id, what, "correct `only_while`"));
    }
}

/// Rules that hide an alarm exactly when its own condition holds.
fn hidden(ground: &Ground<'_>, subject: &Subject<'_>, found: &mut Vec<Finding>) {
    let number = u32::try_from(subject.index).unwrap_or(u32::MAX);
    for rule in ground.plan.suppress.iter().filter(|rule| rule.alarms.binary_search(&number).is_ok()) {
        let Some((tested, test)) = rule.when.filter(|(tested, _)| *tested == subject.alarm.point) else { continue };
        let always = match (test, subject.spec.condition) {
            (Test::States(hides), Condition::State { states }) => states & !hides == 0,
            (Test::Above(least), Condition::High { limit, .. }) => least <= limit,
            (Test::Below(most), Condition::Low { limit, .. }) => most >= limit,
            _ => false,
        };
        if always {
            let path = ground.point(tested).map_or("", |point| point.path.as_str());
            let what = format!(
                "the rule `{}` hides it whenever its own condition on `{path}` holds: nobody is told",
                rule.name
            );
            found.push(alarm(
                "hidden_when_true",
                Severity::Serious,
                &subject.alarm.id,
                what,
                "let the rule watch something else, or take the alarm out of it",
            ));
        }
    }
}

/// A reading that is renewed more slowly than it is said to stand still.
fn frozen(subject: &Subject<'_>, found: &mut Vec<Finding>) {
    if subject.spec.condition != Condition::Frozen {
        return;
    }
    let renewed = subject.point.scan_period.max(subject.point.refresh.unwrap_or_default());
    let needs = u64::try_from(renewed.as_millis()).unwrap_or(u64::MAX).saturating_mul(3);
    if u64::from(subject.spec.on_delay_ms) < needs {
        let what = format!(
            "`{}` is renewed every {} only: a value that stands for {} s is no sign of a dead sensor",
            subject.point.path,
            crate::field::budget::spoken(renewed),
            f64::from(subject.spec.on_delay_ms) / 1000.0
        );
        found.push(alarm(
            "frozen_too_short",
            Severity::Moderate,
            &subject.alarm.id,
            what,
            "make it at least three renewals",
        ));
    }
}

/// An urgency that is none.
fn urgency(subject: &Subject<'_>, found: &mut Vec<Finding>) {
    if subject.alarm.urgent.is_some_and(|(_, urgent)| urgent <= subject.alarm.priority) {
        let what = "with little time left its priority does not rise".to_owned();
        found.push(alarm(
            "urgency_changes_nothing",
            Severity::Minor,
            &subject.alarm.id,
            what,
            "raise `urgent_priority`, or drop both keys",
        ));
    }
}
