//! One `[[alarm]]`: what it watches, when it is raised, what it says. One item may make many alarms by pattern.
//!
//! Exactly one condition; `deadband` belongs to limits and rates, `over` to rates. Delays are durations. Which points it
//! means and what its limit is in steps is judged in `assemble`. Never panics.

use std::time::Duration;

use lapwing_protocol::{ConditionKind, Decimal, Impact, Priority};

use crate::config::keys::{IMPACTS, PRIORITIES};
use crate::config::mistake::Report;
use crate::config::reader::{Item, OneOrMany};
use crate::config::source::{Located, Place};
use crate::config::wrong::Wrong;

use super::link::word;

/// An alarm as written.
#[derive(Clone, Debug)]
pub(crate) struct AlarmItem {
    pub(crate) id: Located<String>,
    pub(crate) label: String,
    pub(crate) place: Place,
    /// Path or pattern.
    pub(crate) point: Option<Located<String>>,
    /// `None` if a mistake in it was noted.
    pub(crate) condition: Option<Watch>,
    pub(crate) over: Duration,
    pub(crate) deadband: Option<Located<Decimal>>,
    pub(crate) on_delay: Duration,
    pub(crate) off_delay: Duration,
    pub(crate) latching: bool,
    pub(crate) priority: Priority,
    pub(crate) impact: Impact,
    pub(crate) respond_within: Option<Duration>,
    pub(crate) max_shelf: Duration,
    pub(crate) document: Option<Located<String>>,
    /// `text`, `consequence`, `response`, `first_check`, `safety`.
    pub(crate) texts: [Located<String>; 5],
}

/// Keys of the texts, in their order.
pub(crate) const TEXTS: [&str; 5] = ["text", "consequence", "response", "first_check", "safety"];

/// A condition as written.
#[derive(Clone, Debug)]
pub(crate) struct Watch {
    pub(crate) kind: ConditionKind,
    pub(crate) key: &'static str,
    pub(crate) limit: Option<Located<Decimal>>,
    pub(crate) states: Vec<Located<String>>,
    pub(crate) place: Place,
}

const CONDITIONS: [(&str, ConditionKind); 6] = [
    ("high", ConditionKind::High),
    ("low", ConditionKind::Low),
    ("rise_per_min", ConditionKind::Rise),
    ("fall_per_min", ConditionKind::Fall),
    ("state", ConditionKind::State),
    ("bad_measurement", ConditionKind::BadMeasurement),
];

/// Reads one alarm.
pub(crate) fn read(mut item: Item<'_>, report: &mut Report) -> Option<AlarmItem> {
    let id = item.need::<String>("id", report);
    let point = item.need::<String>("point", report);
    let condition = condition(&mut item, report);
    let kind = condition.as_ref().map(|watch| watch.kind);
    let is_rate = matches!(kind, Some(ConditionKind::Rise | ConditionKind::Fall) | None);
    let has_limit = !matches!(kind, Some(ConditionKind::State | ConditionKind::BadMeasurement));
    for (key, fits) in [("over", is_rate), ("deadband", has_limit)] {
        if let Some(watch) = condition.as_ref().filter(|_| !fits && item.has(key)) {
            report.wrong(item.place_of(key), item.key(key), Wrong::KeyNotOfCondition { key, condition: watch.key });
        }
    }
    let mut duration = |key: &'static str| item.take::<Duration>(key, report);
    let over = duration("over").map_or(Duration::from_secs(10), |over| over.value);
    let (on_delay, off_delay) = (duration("on_delay"), duration("off_delay"));
    let (respond_within, max_shelf) = (duration("respond_within"), duration("max_shelf"));
    let deadband = item.take::<Decimal>("deadband", report);
    let latching = item.take::<bool>("latching", report);
    if !item.has("priority") {
        report.wrong(item.place, item.key("priority"), Wrong::MissingKey { key: "priority", example: "\"high\"" });
    }
    let priority = match word(&mut item, "priority", PRIORITIES, report) {
        Some("critical") => Priority::Critical,
        Some("high") => Priority::High,
        Some("low") => Priority::Low,
        _ => Priority::Medium,
    };
    let impact = match word(&mut item, "impact", IMPACTS, report) {
        Some("load_at_risk") => Impact::LoadAtRisk,
        Some("redundancy_lost") => Impact::RedundancyLost,
        Some("degraded") => Impact::Degraded,
        _ => Impact::None,
    };
    let document = item.take::<String>("document", report);
    let nothing = Located { value: String::new(), place: item.place };
    let texts = TEXTS.map(|key| {
        let text = if key == "text" { item.need::<String>(key, report) } else { item.take::<String>(key, report) };
        text.unwrap_or_else(|| nothing.clone())
    });
    let (label, place) = (item.label.clone(), item.place);
    item.close(report);
    Some(AlarmItem {
        id: id?,
        label,
        place,
        point,
        condition,
        over,
        deadband,
        on_delay: on_delay.map_or(Duration::ZERO, |delay| delay.value),
        off_delay: off_delay.map_or(Duration::ZERO, |delay| delay.value),
        latching: latching.is_some_and(|latching| latching.value),
        priority,
        impact,
        respond_within: respond_within.map(|time| time.value),
        max_shelf: max_shelf.map_or(Duration::from_secs(8 * 3600), |time| time.value),
        document,
        texts,
    })
}

fn condition(item: &mut Item<'_>, report: &mut Report) -> Option<Watch> {
    let written: Vec<(&'static str, ConditionKind)> = CONDITIONS.into_iter().filter(|(key, _)| item.has(key)).collect();
    match written.as_slice() {
        [] => report.wrong(item.place, item.label.clone(), Wrong::NoCondition),
        [_] => {}
        [(first, _), (second, _), ..] => {
            report.wrong(item.place_of(second), item.key(second), Wrong::TwoConditions { first, second })
        }
    }
    let mut watches = Vec::new();
    for (key, kind) in CONDITIONS {
        let place = item.place_of(key);
        let mut watch = Watch { kind, key, limit: None, states: Vec::new(), place };
        match kind {
            ConditionKind::State => match item.take::<OneOrMany>(key, report) {
                Some(states) => watch.states = states.value.0,
                None => continue,
            },
            ConditionKind::BadMeasurement => match item.take::<bool>(key, report) {
                Some(Located { value: true, .. }) => {}
                Some(_) => {
                    report.wrong(place, item.key(key), Wrong::NoCondition);
                    continue;
                }
                None => continue,
            },
            ConditionKind::High
            | ConditionKind::Low
            | ConditionKind::Rise
            | ConditionKind::Fall
            | ConditionKind::TimeToLimit
            | ConditionKind::Deviation
            | ConditionKind::Discrepancy
            | ConditionKind::FewerThan
            | ConditionKind::Frozen => match item.take::<Decimal>(key, report) {
                Some(limit) => watch.limit = Some(limit),
                None => continue,
            },
        }
        watches.push(watch);
    }
    // With two of them it is open which is meant: none is judged further.
    (written.len() == 1).then(|| watches.pop()).flatten()
}
