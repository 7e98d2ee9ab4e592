//! Alarms: patterns laid over the points, limits as whole steps, and the engine's tables.
//!
//! An alarm on a plain path is one alarm. A pattern makes one alarm for each path that fits; an alarm of the same id on a
//! plain path replaces the one the pattern would make (an exception). Ids must be unique after that. Texts come out with
//! captures, `{tag}`, `{where}` and `{feeds}` filled in; `{value}`, `{limit}` and `{state}` stay for the moment of the alarm.
//! Points under `agent/` fit a pattern only if its first segment says so. Never panics.

mod fed;
mod finish;

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use lapwing_engine::spec::{AlarmSpec, Condition, Test, WindowSpec};
use lapwing_protocol::{ConditionKind, Decimal, Unit};

use crate::config::items::alarm::{AlarmItem, TEXTS, Watch};
use crate::config::list::Listed;
use crate::config::mistake::Report;
use crate::config::names;
use crate::config::pattern::{Captures, Pattern, RESERVED, fill, placeholders};
use crate::config::reader::written;
use crate::config::source::Place;
use crate::config::steps::Steps;
use crate::config::wrong::Wrong;
use crate::plan::Alarm;

use super::compare::Comparisons;
use super::translate::{Said, Translated};
use super::used::states;
use super::{Draft, Parts, Points, index};
pub(crate) use fed::Fed;

/// An alarm with its condition of use: the point that is tested, and how.
type Making = (Alarm, AlarmSpec, Option<(u32, Test)>);

/// Alarms and windows in the making.
#[derive(Debug, Default)]
pub(crate) struct Tables {
    alarms: Vec<Making>,
    /// Points whose bad measurement is watched.
    covered: BTreeSet<u32>,
    /// Window of each point that has one, with what asked for it first.
    windows: BTreeMap<usize, WindowSpec>,
    /// Where each configured alarm is written, and its label, by id.
    pub(crate) places: BTreeMap<String, (Place, String)>,
}

/// Expands every alarm item.
pub(crate) fn tables(
    parts: &Parts,
    points: &Points,
    comparisons: &Comparisons,
    (fed, translated): (&Fed<'_>, &Translated<'_>),
    report: &mut Report,
) -> Tables {
    let mut tables = Tables::default();
    let plain = |item: &AlarmItem| item.point.as_ref().is_some_and(|point| !point.value.contains(['{', '*']));
    let incomplete = parts.incomplete;
    let exceptions: Vec<&str> =
        parts.alarms.iter().filter(|item| plain(item)).map(|item| item.id.value.as_str()).collect();
    let mut ids: BTreeMap<String, String> = BTreeMap::new();
    for (number, item) in parts.alarms.iter().enumerate() {
        let counts = item.condition.as_ref().is_some_and(|watch| watch.kind == ConditionKind::FewerThan);
        let found = if counts { Vec::new() } else { matches(item, points, incomplete, report) };
        if counts {
            tell_placeholders(item, &[], report);
        }
        let found = comparisons.instead(number, item, found);
        for (at, captures) in found {
            let id = fill(&item.id.value, &captures);
            if !plain(item) && exceptions.contains(&id.as_str()) {
                continue;
            }
            let key = format!("{}.id", item.label);
            let path = &points.drafts[at].point.path;
            if let Some(first) = ids.get(&id) {
                let wrong = if plain(item) {
                    Wrong::Duplicate { what: "alarm", name: id, first: format!("on `{first}`") }
                } else {
                    Wrong::SameAlarmId { id, first: first.clone(), second: path.clone() }
                };
                report.wrong(item.id.place, key, wrong);
                continue;
            }
            if !placeholders(&id).is_empty() {
                continue; // told with the other placeholders
            }
            if names::alarm_id(&id, item.id.place, &key, report)
                && (id.starts_with("fault/") || id.starts_with("agent/"))
            {
                report.wrong(item.id.place, key, Wrong::ReservedAlarm { id: id.clone() });
            }
            ids.insert(id.clone(), path.clone());
            tables.places.insert(id.clone(), (item.id.place, item.label.clone()));
            let by_pattern = !plain(item) && !counts;
            let point = comparisons.subject(at).unwrap_or(at);
            let point = points.drafts[point].point.path.clone();
            let said = (translated.alarm(number), translated.captures(&captures));
            report.listed.push(Listed {
                id: id.clone(),
                item: number,
                by_pattern,
                point,
                captures: captures.clone(),
                texts: translated.origin().map(|_| said.0.each_ref().map(|text| Some(fill(text.as_ref()?, &said.1)))),
            });
            tables.expand(item, &id, at, &captures, (points, incomplete, fed, &said), report);
        }
        remarks(item, report);
    }
    if let Some(file) = parts.file.filter(|_| parts.alarms.is_empty()) {
        report.finding(file, "alarm", Wrong::NoAlarm);
    }
    tables
}

/// The points an item means, with what its pattern captured.
fn matches(item: &AlarmItem, points: &Points, incomplete: bool, report: &mut Report) -> Vec<(usize, Captures)> {
    let Some(point) = &item.point else { return Vec::new() };
    let key = format!("{}.point", item.label);
    let pattern = match Pattern::parse(&point.value) {
        Ok(pattern) => pattern,
        Err(wrong) => {
            report.wrong(point.place, key, wrong);
            return Vec::new();
        }
    };
    tell_placeholders(item, &pattern.names(), report);
    if pattern.is_plain() {
        return match points.find(&point.value) {
            Some(at) => vec![(at, Captures::new())],
            None => {
                let wrong =
                    Wrong::UnknownPoint { path: point.value.clone(), near: points.nearest(&point.value), incomplete };
                report.wrong(point.place, key, wrong);
                Vec::new()
            }
        };
    }
    let own = point.value.starts_with("agent/");
    let found: Vec<(usize, Captures)> = points
        .drafts
        .iter()
        .enumerate()
        .filter(|(_, draft)| own || !draft.point.path.starts_with("agent/"))
        .filter_map(|(at, draft)| pattern.matches(&draft.point.path).map(|captures| (at, captures)))
        .collect();
    if found.is_empty() {
        let wrong =
            Wrong::NothingMatches { pattern: point.value.clone(), near: points.nearest(&point.value), incomplete };
        report.wrong(point.place, key, wrong);
    }
    found
}

/// Tells about names between braces that nothing fills.
fn tell_placeholders(item: &AlarmItem, captured: &[String], report: &mut Report) {
    let has_limit = item.condition.as_ref().is_none_or(|watch| watch.limit.is_some());
    let has_states = item.condition.as_ref().is_none_or(|watch| watch.limit.is_none());
    let is_rate = item.condition.as_ref().is_none_or(|watch| {
        matches!(watch.kind, ConditionKind::Rise | ConditionKind::Fall | ConditionKind::TimeToLimit)
    });
    let fills = |key: &str, name: &str| match name {
        "rate" => key == "text" && is_rate,
        "limit" => key == "text" && has_limit,
        "state" => key == "text" && has_states,
        "value" => key == "text",
        "tag" | "where" | "feeds" => key != "id",
        _ => false,
    };
    for (key, text) in std::iter::once(("id", &item.id)).chain(TEXTS.into_iter().zip(&item.texts)) {
        for name in placeholders(&text.value) {
            if !fills(key, name) && !captured.iter().any(|known| known == name) {
                let reserved = RESERVED.iter().filter(|name| fills(key, name)).map(|name| (*name).to_string());
                let known = captured.iter().cloned().chain(reserved).map(|name| format!("{{{name}}}")).collect();
                let wrong = Wrong::UnknownPlaceholder { name: name.to_string(), key, known };
                report.wrong(text.place, format!("{}.{key}", item.label), wrong);
            }
        }
    }
}

/// Findings about an item by itself.
fn remarks(item: &AlarmItem, report: &mut Report) {
    let missing: Vec<&'static str> = [("consequence", 1), ("response", 2)]
        .into_iter()
        .filter(|(_, at)| item.texts[*at].value.trim().is_empty())
        .map(|(name, _)| name)
        .chain(item.respond_within.is_none().then_some("respond_within"))
        .collect();
    if !missing.is_empty() {
        report.finding(
            item.id.place,
            item.label.clone(),
            Wrong::AlarmSaysNothing { id: item.id.value.clone(), missing },
        );
    }
    // Time to a limit clears at twice the time by itself; counts have whole steps between them.
    let own_distance = |kind| matches!(kind, ConditionKind::TimeToLimit | ConditionKind::FewerThan);
    let is_analog = item.condition.as_ref().is_some_and(|watch| watch.limit.is_some() && !own_distance(watch.kind));
    let without_deadband = item.deadband.as_ref().is_none_or(|deadband| deadband.value.mantissa == 0);
    if is_analog && without_deadband && item.off_delay.is_zero() {
        report.finding(item.id.place, item.label.clone(), Wrong::AlarmMayChatter { id: item.id.value.clone() });
    }
}

impl Tables {
    fn expand(
        &mut self,
        item: &AlarmItem,
        id: &str,
        at: usize,
        captures: &Captures,
        (points, incomplete, fed, said): (&Points, bool, &Fed<'_>, &(Said, Captures)),
        report: &mut Report,
    ) {
        let Some(watch) = &item.condition else { return };
        let draft = &points.drafts[at];
        let is_rate = matches!(watch.kind, ConditionKind::Rise | ConditionKind::Fall);
        if is_rate || watch.kind == ConditionKind::TimeToLimit || item.left_to.is_some() {
            self.window(item, at, draft, report);
        }
        let Some(condition) = condition(item, watch, draft, report) else { return };
        let steps = Steps { exponent: draft.exponent, point: &draft.point.path };
        let left_to = match &item.left_to {
            Some(left_to) => steps.whole(left_to, &format!("{}.left_to", item.label), report),
            None if watch.kind == ConditionKind::TimeToLimit => steps_of(condition),
            None => None,
        };
        let only_while = match &item.only_while {
            Some(used) => {
                let path = fill(&used.point.value, captures);
                match super::used::test(used, &path, points, incomplete, report) {
                    Some(tested) => Some(tested),
                    None => return, // told
                }
            }
            None => None,
        };
        let [clock, protection] = [&item.clock, &item.protection]
            .map(|named| named.as_ref().map(|named| (named, points.find(&fill(&named.value, captures)))));
        for ((named, found), key) in clock.iter().zip(["clock"]).chain(protection.iter().zip(["protection"])) {
            if found.is_none() {
                let path = fill(&named.value, captures);
                let wrong = Wrong::UnknownPoint { near: points.nearest(&path), path, incomplete };
                report.wrong(named.place, format!("{}.{key}", item.label), wrong);
            }
        }
        if let Some((named, Some(found))) = clock
            && points.drafts[found].point.unit != "s"
        {
            let unit = points.drafts[found].point.unit.clone();
            let wrong = Wrong::ClockNotInSeconds { path: points.drafts[found].point.path.clone(), unit };
            report.wrong(named.place, format!("{}.clock", item.label), wrong);
        }
        let limit = steps_of(condition).map(|steps| Decimal::new(steps, draft.point.exponent));
        let mut values = captures.clone();
        for (name, value) in [("tag", &draft.point.tag), ("where", &draft.point.location)] {
            values.push((name.to_string(), value.clone().unwrap_or_else(|| draft.point.path.clone())));
        }
        let feeds = fed.filled(item, &draft.point.path, &mut values, report);
        let (texts, spoken) = said;
        let of_language: Captures = spoken.iter().chain(values.iter().skip(captures.len())).cloned().collect();
        let said = |key: usize, original: &str| match texts.get(key).and_then(Option::as_ref) {
            Some(text) => fill(text, &of_language),
            None => fill(original, &values),
        };
        let [text, consequence, response, first_check, safety] =
            std::array::from_fn(|key| said(key, &item.texts[key].value));
        let text = feeds.said_after(text);
        let spec = AlarmSpec {
            point: index(at),
            condition,
            on_delay_ms: ms(item.on_delay),
            off_delay_ms: ms(item.off_delay),
            latching: item.latching,
            priority: item.priority,
            max_shelf_ms: ms(item.max_shelf),
            only_while: None,
        };
        let on_delay =
            if watch.kind == ConditionKind::Frozen { item.on_delay.max(watch.frozen) } else { item.on_delay };
        let spec = AlarmSpec { on_delay_ms: ms(on_delay), ..spec };
        let alarm = Alarm {
            id: id.to_string(),
            point: index(at),
            condition: watch.kind,
            limit: limit.filter(|_| watch.limit.is_some()),
            limit_unit: is_rate
                .then(|| draft.unit.and_then(Unit::per_minute).unwrap_or_else(|| format!("{}/min", draft.point.unit))),
            priority: item.priority,
            impact: item.impact,
            text,
            consequence,
            response,
            first_check,
            safety,
            document: item.document.as_ref().map(|text| said(TEXTS.len(), &text.value)),
            respond_within: item.respond_within,
            left_to,
            urgent: item.urgent,
            clock: clock.and_then(|(_, found)| found).map(index),
            protection: protection.and_then(|(_, found)| found).map(index),
            own: false,
            link: None,
            digest: 0,
        };
        self.push(alarm, spec);
        if let (Some(tested), Some(last)) = (only_while, self.alarms.last_mut()) {
            last.2 = Some(tested);
        }
    }

    /// Adds an alarm; its digest is made when the tables are finished.
    pub(crate) fn push(&mut self, alarm: Alarm, spec: AlarmSpec) {
        if alarm.condition == ConditionKind::BadMeasurement {
            self.covered.insert(alarm.point);
        }
        self.alarms.push((alarm, spec, None));
    }

    /// Whether a point has an alarm for bad measurement.
    pub(crate) fn covers(&self, point: u32) -> bool {
        self.covered.contains(&point)
    }

    fn window(&mut self, item: &AlarmItem, at: usize, draft: &Draft, report: &mut Report) {
        let (over_ms, spacing_ms) = (ms(item.over), ms(draft.point.scan_period));
        let key = format!("{}.over", item.label);
        let place = item.condition.as_ref().map_or(item.place, |watch| watch.place);
        let point = draft.point.path.clone();
        // Three readings make a slope; with fewer than three periods a late one leaves too few.
        if u64::from(over_ms) < 3 * u64::from(spacing_ms) {
            let scan_period = written(draft.point.scan_period);
            report.wrong(
                place,
                key.clone(),
                Wrong::WindowTooShort { over: written(item.over), point: point.clone(), scan_period },
            );
        }
        let window = self.windows.entry(at).or_insert(WindowSpec { over_ms, spacing_ms });
        if window.over_ms != over_ms {
            let first = written(Duration::from_millis(u64::from(window.over_ms)));
            report.wrong(place, key, Wrong::TwoWindows { point, first, second: written(item.over) });
        }
    }
}

/// What a condition is compared with, if with a number.
const fn steps_of(condition: Condition) -> Option<i64> {
    match condition {
        Condition::High { limit, .. } | Condition::Low { limit, .. } => Some(limit),
        Condition::Rise { per_min, .. } | Condition::Fall { per_min, .. } => Some(per_min),
        Condition::Beyond { limit, .. } | Condition::TimeToLimit { limit, .. } => Some(limit),
        Condition::State { .. } | Condition::BadMeasurement | Condition::Frozen | Condition::NotIn { .. } => None,
    }
}

fn condition(item: &AlarmItem, watch: &Watch, draft: &Draft, report: &mut Report) -> Option<Condition> {
    let path = &draft.point.path;
    let steps = Steps { exponent: draft.exponent, point: path };
    let key = format!("{}.{}", item.label, watch.key);
    let deadband = match &item.deadband {
        Some(deadband) => steps.distance(deadband, "deadband", &format!("{}.deadband", item.label), report)?,
        None => 0,
    };
    match (watch.kind, &watch.limit) {
        (ConditionKind::BadMeasurement, _) => Some(Condition::BadMeasurement),
        (ConditionKind::State, _) => {
            states(&watch.states, draft, &key, report).map(|states| Condition::State { states })
        }
        (ConditionKind::High | ConditionKind::Low, Some(written)) => {
            let limit = steps.whole(written, &key, report)?;
            let is_high = watch.kind == ConditionKind::High;
            if let Some((low, high)) =
                draft.spec.valid.filter(|(low, high)| if is_high { limit >= *high } else { limit <= *low })
            {
                let [low, high] = [low, high].map(|bound| Decimal::new(bound, draft.point.exponent).to_string());
                let wrong =
                    Wrong::LimitOutsideValid { limit: written.value.to_string(), low, high, point: path.clone() };
                report.finding(written.place, key, wrong);
            }
            Some(if is_high { Condition::High { limit, deadband } } else { Condition::Low { limit, deadband } })
        }
        (ConditionKind::Rise | ConditionKind::Fall, Some(written)) => {
            let per_min = steps.distance(written, watch.key, &key, report)?;
            if per_min == 0 {
                let wrong = Wrong::BadNumber { value: "0".into(), why: "noise alone would raise the alarm".into() };
                report.wrong(written.place, key, wrong);
                return None;
            }
            Some(if watch.kind == ConditionKind::Rise {
                Condition::Rise { per_min, deadband }
            } else {
                Condition::Fall { per_min, deadband }
            })
        }
        (ConditionKind::High | ConditionKind::Low | ConditionKind::Rise | ConditionKind::Fall, None) => None,
        (ConditionKind::TimeToLimit, Some(written)) => {
            let (limit, within_ms) = (steps.whole(written, &key, report)?, ms(item.within?));
            Some(Condition::TimeToLimit { limit, rising: watch.key == "rises_to", within_ms })
        }
        (ConditionKind::Deviation | ConditionKind::Discrepancy, Some(written)) => {
            let limit = steps.distance(written, watch.key, &key, report)?;
            Some(Condition::Beyond { limit, deadband })
        }
        (ConditionKind::FewerThan, Some(written)) => {
            let limit = steps.distance(written, watch.key, &key, report)?;
            Some(Condition::Low { limit, deadband: 0 })
        }
        (ConditionKind::Frozen, _) => Some(Condition::Frozen),
        (ConditionKind::NotArmed, _) => {
            states(&watch.states, draft, &key, report).map(|states| Condition::NotIn { states })
        }
        (
            ConditionKind::TimeToLimit
            | ConditionKind::Deviation
            | ConditionKind::Discrepancy
            | ConditionKind::FewerThan,
            None,
        ) => None,
    }
}

fn ms(duration: Duration) -> u32 {
    u32::try_from(duration.as_millis()).unwrap_or(u32::MAX)
}
