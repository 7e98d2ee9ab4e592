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
use super::used::{self, UsedItem};

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
    /// Time left that makes `rises_to` or `falls_to` an alarm.
    pub(crate) within: Option<Duration>,
    /// What a deviation, discrepancy or count is made of.
    pub(crate) compared: Option<ComparedItem>,
    pub(crate) only_while: Option<UsedItem>,
    pub(crate) left_to: Option<Located<Decimal>>,
    /// Below so much time left it has this priority.
    pub(crate) urgent: Option<(Duration, Priority)>,
    pub(crate) over: Duration,
    pub(crate) deadband: Option<Located<Decimal>>,
    pub(crate) on_delay: Duration,
    pub(crate) off_delay: Duration,
    pub(crate) latching: bool,
    pub(crate) priority: Priority,
    pub(crate) impact: Impact,
    pub(crate) respond_within: Option<Duration>,
    /// The point that says how many seconds there are once the condition holds; captures may stand in it.
    pub(crate) clock: Option<Located<String>>,
    /// The point that shows that what acts by itself is armed; captures may stand in it.
    pub(crate) protection: Option<Located<String>>,
    pub(crate) max_shelf: Duration,
    pub(crate) document: Option<Located<String>>,
    /// `text`, `consequence`, `response`, `first_check`, `safety`.
    pub(crate) texts: [Located<String>; 5],
}

impl AlarmItem {
    /// One of its texts, by key; `None` if there is none.
    pub(crate) fn said(&self, key: &str) -> Option<&Located<String>> {
        let at = TEXTS.iter().position(|known| *known == key);
        at.map_or_else(|| self.document.as_ref().filter(|_| key == "document"), |at| self.texts.get(at))
    }
}

/// Keys of the texts, in their order.
pub(crate) const TEXTS: [&str; 5] = ["text", "consequence", "response", "first_check", "safety"];

/// What a value is compared with, as written.
#[derive(Clone, Debug)]
pub(crate) enum ComparedItem {
    /// A set point.
    Value(Located<Decimal>),
    /// Another point, times a factor.
    Point(Located<String>, f64),
    /// The median of the points of a pattern.
    Median(Located<String>),
    /// How many of a pattern's points pass a test.
    Count(UsedItem),
}

/// A condition as written.
#[derive(Clone, Debug)]
pub(crate) struct Watch {
    pub(crate) kind: ConditionKind,
    pub(crate) key: &'static str,
    pub(crate) limit: Option<Located<Decimal>>,
    pub(crate) states: Vec<Located<String>>,
    /// How long a value must not change.
    pub(crate) frozen: Duration,
    pub(crate) place: Place,
}

const CONDITIONS: [(&str, ConditionKind); 13] = [
    ("high", ConditionKind::High),
    ("low", ConditionKind::Low),
    ("rise_per_min", ConditionKind::Rise),
    ("fall_per_min", ConditionKind::Fall),
    ("state", ConditionKind::State),
    ("bad_measurement", ConditionKind::BadMeasurement),
    ("rises_to", ConditionKind::TimeToLimit),
    ("falls_to", ConditionKind::TimeToLimit),
    ("deviation", ConditionKind::Deviation),
    ("discrepancy", ConditionKind::Discrepancy),
    ("fewer_than", ConditionKind::FewerThan),
    ("frozen", ConditionKind::Frozen),
    ("armed", ConditionKind::NotArmed),
];

/// Keys that belong to some conditions only.
const ONLY_OF: [(&str, &[ConditionKind]); 10] = [
    ("over", &[ConditionKind::Rise, ConditionKind::Fall, ConditionKind::TimeToLimit]),
    (
        "deadband",
        &[
            ConditionKind::High,
            ConditionKind::Low,
            ConditionKind::Rise,
            ConditionKind::Fall,
            ConditionKind::Deviation,
            ConditionKind::Discrepancy,
        ],
    ),
    ("within", &[ConditionKind::TimeToLimit]),
    ("from_value", &[ConditionKind::Deviation]),
    ("from_median_of", &[ConditionKind::Deviation]),
    ("from_point", &[ConditionKind::Deviation, ConditionKind::Discrepancy]),
    ("times", &[ConditionKind::Deviation]),
    ("working", &[ConditionKind::FewerThan]),
    (
        "left_to",
        &[
            ConditionKind::High,
            ConditionKind::Low,
            ConditionKind::Rise,
            ConditionKind::Fall,
            ConditionKind::TimeToLimit,
        ],
    ),
    (
        "urgent_below",
        &[
            ConditionKind::High,
            ConditionKind::Low,
            ConditionKind::Rise,
            ConditionKind::Fall,
            ConditionKind::TimeToLimit,
        ],
    ),
];

/// Reads one alarm.
pub(crate) fn read(mut item: Item<'_>, report: &mut Report) -> Option<AlarmItem> {
    let id = item.need::<String>("id", report);
    let counts = item.has("fewer_than");
    let point = if counts { counted_point(&mut item, report) } else { item.need::<String>("point", report) };
    let condition = condition(&mut item, report);
    let kind = condition.as_ref().map(|watch| watch.kind);
    for (key, kinds) in ONLY_OF {
        let fits = kind.is_none_or(|kind| kinds.contains(&kind));
        // A rate has a window in any case; to know the time left to a limit, a value needs one too.
        let fits = fits || key == "over" && item.has("left_to");
        if let Some(watch) = condition.as_ref().filter(|_| !fits && item.has(key)) {
            report.wrong(item.place_of(key), item.key(key), Wrong::KeyNotOfCondition { key, condition: watch.key });
        }
    }
    let compared = compared(&mut item, kind, report);
    let only_while = used::read(&mut item, "only_while", "point", report);
    let left_to = item.take::<Decimal>("left_to", report);
    let urgent = urgent(&mut item, kind, left_to.is_some(), report);
    let mut duration = |key: &'static str| item.take::<Duration>(key, report);
    let over = duration("over").map_or(Duration::from_secs(10), |over| over.value);
    let within = duration("within");
    let (on_delay, off_delay) = (duration("on_delay"), duration("off_delay"));
    let (respond_within, max_shelf) = (duration("respond_within"), duration("max_shelf"));
    let deadband = item.take::<Decimal>("deadband", report);
    let latching = item.take::<bool>("latching", report);
    if kind == Some(ConditionKind::TimeToLimit) && !item.has("within") {
        report.wrong(item.place, item.key("within"), Wrong::MissingKey { key: "within", example: "\"60s\"" });
    }
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
    let clock = item.take::<String>("clock", report);
    let protection = item.take::<String>("protection", report);
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
        within: within.map(|within| within.value),
        compared,
        only_while,
        left_to,
        urgent,
        over,
        deadband,
        on_delay: on_delay.map_or(Duration::ZERO, |delay| delay.value),
        off_delay: off_delay.map_or(Duration::ZERO, |delay| delay.value),
        latching: latching.is_some_and(|latching| latching.value),
        priority,
        impact,
        respond_within: respond_within.map(|time| time.value),
        clock,
        protection,
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
        let mut watch = Watch { kind, key, limit: None, states: Vec::new(), frozen: Duration::ZERO, place };
        match kind {
            ConditionKind::State | ConditionKind::NotArmed => match item.take::<OneOrMany>(key, report) {
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
            ConditionKind::Frozen => match item.take::<Duration>(key, report) {
                Some(time) => watch.frozen = time.value,
                None => continue,
            },
            ConditionKind::High
            | ConditionKind::Low
            | ConditionKind::Rise
            | ConditionKind::Fall
            | ConditionKind::TimeToLimit
            | ConditionKind::Deviation
            | ConditionKind::Discrepancy
            | ConditionKind::FewerThan => match item.take::<Decimal>(key, report) {
                Some(limit) => watch.limit = Some(limit),
                None => continue,
            },
        }
        watches.push(watch);
    }
    // With two of them it is open which is meant: none is judged further.
    (written.len() == 1).then(|| watches.pop()).flatten()
}

/// An alarm that counts has no point of its own: its pattern stands for it.
fn counted_point(item: &mut Item<'_>, report: &mut Report) -> Option<Located<String>> {
    if item.raw("point").is_some() {
        let wrong = Wrong::KeyNotOfCondition { key: "point", condition: "fewer_than" };
        report.wrong(item.place_of("point"), item.key("point"), wrong);
    }
    Some(Located { value: String::new(), place: item.place_of("fewer_than") })
}

/// What it is compared with: exactly one of the keys.
fn compared(item: &mut Item<'_>, kind: Option<ConditionKind>, report: &mut Report) -> Option<ComparedItem> {
    let times = item.take::<Decimal>("times", report).map_or(1.0, |times| times.value.to_f64());
    let value = item.take::<Decimal>("from_value", report).map(ComparedItem::Value);
    let point = item.take::<String>("from_point", report).map(|point| ComparedItem::Point(point, times));
    let median = item.take::<String>("from_median_of", report).map(ComparedItem::Median);
    let count = used::read(item, "working", "points", report).map(ComparedItem::Count);
    let (keys, example): (&[&'static str], _) = match kind? {
        ConditionKind::Deviation => (&["from_value", "from_point", "from_median_of"], "\"fan/*/speed\""),
        ConditionKind::Discrepancy => (&["from_point"], "\"cold-aisle/left/temperature\""),
        ConditionKind::FewerThan => (&["working"], "{ points = \"fan/*/speed\", above = 300 }"),
        ConditionKind::High
        | ConditionKind::Low
        | ConditionKind::Rise
        | ConditionKind::Fall
        | ConditionKind::State
        | ConditionKind::BadMeasurement
        | ConditionKind::TimeToLimit
        | ConditionKind::Frozen
        | ConditionKind::NotArmed => return None,
    };
    let written: Vec<&'static str> = keys.iter().copied().filter(|key| item.has(key)).collect();
    match written.as_slice() {
        [] => {
            let key = keys.last().copied().unwrap_or("from_point");
            report.wrong(item.place, item.key(key), Wrong::MissingKey { key, example });
            None
        }
        [_] => [value, point, median, count].into_iter().flatten().next(),
        [first, second, ..] => {
            report.wrong(item.place_of(second), item.key(second), Wrong::TwoConditions { first, second });
            None
        }
    }
}

fn urgent(
    item: &mut Item<'_>,
    kind: Option<ConditionKind>,
    has_left_to: bool,
    report: &mut Report,
) -> Option<(Duration, Priority)> {
    let below = item.take::<Duration>("urgent_below", report);
    let priority = word(item, "urgent_priority", PRIORITIES, report);
    for (key, other, example) in
        [("urgent_below", "urgent_priority", "\"critical\""), ("urgent_priority", "urgent_below", "\"60s\"")]
    {
        if item.has(key) && !item.has(other) {
            report.wrong(item.place_of(key), item.key(other), Wrong::MissingKey { key: other, example });
        }
    }
    let below = below?;
    if !has_left_to && kind != Some(ConditionKind::TimeToLimit) {
        report.wrong(below.place, item.key("left_to"), Wrong::MissingKey { key: "left_to", example: "32.0" });
    }
    let priority = match priority? {
        "critical" => Priority::Critical,
        "high" => Priority::High,
        "low" => Priority::Low,
        _ => Priority::Medium,
    };
    Some((below.value, priority))
}
