//! Differences and counts that alarms are made of: points of their own, so that they are recorded and seen like others.
//!
//! An alarm for a deviation, a discrepancy or a count is judged on such a point, which stands where its subject stands
//! and has its unit (of temperatures the difference, in kelvins). Two alarms that compare the same share it. What is
//! wrong with the alarm's own point is told by `alarms`. Never panics.

use std::collections::BTreeMap;

use lapwing_engine::spec::PointSpec;
use lapwing_protocol::{ConditionKind, Quantity, Unit};

use crate::config::items::alarm::{AlarmItem, ComparedItem};
use crate::config::items::used::UsedItem;
use crate::config::mistake::Report;
use crate::config::pattern::{Captures, Pattern, fill};
use crate::config::source::Located;
use crate::config::steps::Steps;
use crate::config::units;
use crate::config::wrong::Wrong;
use crate::plan::{Compared, Comparison, Point};

use super::{Draft, Parts, Points, index, used};

/// What was made.
#[derive(Debug, Default)]
pub(crate) struct Comparisons {
    /// For the plan.
    pub(crate) list: Vec<Compared>,
    /// By number of the alarm's item and its subject: the point it is judged on.
    by: BTreeMap<(usize, Option<usize>), usize>,
}

impl Comparisons {
    /// What a point was made to compare; `None` if it was not made here or counts.
    pub(crate) fn subject(&self, at: usize) -> Option<usize> {
        let made = self.list.iter().find(|compared| compared.point == index(at))?;
        usize::try_from(made.subject?).ok()
    }

    /// The points an alarm is judged on instead of those its pattern found.
    pub(crate) fn instead(
        &self,
        number: usize,
        item: &AlarmItem,
        found: Vec<(usize, Captures)>,
    ) -> Vec<(usize, Captures)> {
        match item.condition.as_ref().map(|watch| watch.kind) {
            Some(ConditionKind::Deviation | ConditionKind::Discrepancy) => {
                let instead = |(at, captures)| Some((*self.by.get(&(number, Some(at)))?, captures));
                found.into_iter().filter_map(instead).collect()
            }
            Some(ConditionKind::FewerThan) => {
                self.by.get(&(number, None)).map(|at| (*at, Captures::new())).into_iter().collect()
            }
            Some(
                ConditionKind::High
                | ConditionKind::Low
                | ConditionKind::Rise
                | ConditionKind::Fall
                | ConditionKind::State
                | ConditionKind::BadMeasurement
                | ConditionKind::TimeToLimit
                | ConditionKind::Frozen
                | ConditionKind::NotArmed,
            )
            | None => found,
        }
    }
}

/// Makes the points.
pub(crate) fn points(parts: &Parts, points: &mut Points, report: &mut Report) -> Comparisons {
    let mut making = Comparisons::default();
    let incomplete = parts.incomplete;
    for (number, item) in parts.alarms.iter().enumerate() {
        match &item.compared {
            Some(ComparedItem::Count(working)) => {
                count(&mut making, (number, item), working, points, incomplete, report)
            }
            Some(ComparedItem::Value(_) | ComparedItem::Point(..) | ComparedItem::Median(_)) => {
                for (subject, captures) in subjects(item, points) {
                    let Some(with) = comparison(item, subject, &captures, points, incomplete, report) else { break };
                    difference(&mut making, (number, item), subject, with, points, report);
                }
            }
            None => {}
        }
    }
    making
}

/// The points an item means; what is wrong with them is told later.
fn subjects(item: &AlarmItem, points: &Points) -> Vec<(usize, Captures)> {
    let Some(pattern) = item.point.as_ref().and_then(|point| Pattern::parse(&point.value).ok()) else {
        return Vec::new();
    };
    let drafts = points.drafts.iter().enumerate();
    drafts.filter_map(|(at, draft)| pattern.matches(&draft.point.path).map(|captures| (at, captures))).collect()
}

fn comparison(
    item: &AlarmItem,
    subject: usize,
    captures: &Captures,
    points: &Points,
    incomplete: bool,
    report: &mut Report,
) -> Option<Comparison> {
    let draft = &points.drafts[subject];
    match item.compared.as_ref()? {
        ComparedItem::Value(value) => {
            let steps = Steps { exponent: draft.exponent, point: &draft.point.path };
            steps.whole(value, &format!("{}.from_value", item.label), report).map(Comparison::Value)
        }
        ComparedItem::Point(path, times) => {
            let (filled, key) = (fill(&path.value, captures), format!("{}.from_point", item.label));
            let Some(at) = points.find(&filled) else {
                let near = points.nearest(&filled);
                report.wrong(path.place, key, Wrong::UnknownPoint { path: filled, near, incomplete });
                return None;
            };
            let other = &points.drafts[at];
            let same = (*times - 1.0).abs() > f64::EPSILON || other.point.unit == draft.point.unit;
            same_unit(same, draft, other, path, &key, report)?;
            Some(Comparison::Point { point: index(at), times: *times })
        }
        ComparedItem::Median(pattern) => {
            let key = format!("{}.from_median_of", item.label);
            let peers = members(pattern, &key, points, incomplete, report)?;
            for at in &peers {
                let other = &points.drafts[*at];
                same_unit(other.point.unit == draft.point.unit, draft, other, pattern, &key, report)?;
            }
            let peers: Vec<u32> = peers.into_iter().filter(|at| *at != subject).map(index).collect();
            if peers.len() < 2 {
                let wrong = Wrong::TooFewPeers { pattern: pattern.value.clone(), count: peers.len() };
                report.wrong(pattern.place, key, wrong);
                return None;
            }
            Some(Comparison::Median(peers))
        }
        ComparedItem::Count(_) => None,
    }
}

fn same_unit(
    same: bool,
    draft: &Draft,
    other: &Draft,
    at: &Located<String>,
    key: &str,
    report: &mut Report,
) -> Option<()> {
    if same {
        return Some(());
    }
    let wrong = Wrong::OtherUnit {
        point: draft.point.path.clone(),
        unit: draft.point.unit.clone(),
        other: other.point.path.clone(),
        other_unit: other.point.unit.clone(),
    };
    report.wrong(at.place, key, wrong);
    None
}

/// The points of a pattern.
fn members(
    pattern: &Located<String>,
    key: &str,
    points: &Points,
    incomplete: bool,
    report: &mut Report,
) -> Option<Vec<usize>> {
    let parsed = match Pattern::parse(&pattern.value) {
        Ok(parsed) => parsed,
        Err(wrong) => {
            report.wrong(pattern.place, key, wrong);
            return None;
        }
    };
    let found: Vec<usize> =
        (0..points.drafts.len()).filter(|at| parsed.matches(&points.drafts[*at].point.path).is_some()).collect();
    if found.is_empty() {
        let near = points.nearest(&pattern.value);
        report.wrong(pattern.place, key, Wrong::NothingMatches { pattern: pattern.value.clone(), near, incomplete });
        return None;
    }
    Some(found)
}

fn difference(
    making: &mut Comparisons,
    (number, item): (usize, &AlarmItem),
    subject: usize,
    with: Comparison,
    points: &mut Points,
    report: &mut Report,
) {
    let draft = &points.drafts[subject];
    let kind = item.condition.as_ref().map(|watch| watch.kind);
    let name = match (&with, kind) {
        (_, Some(ConditionKind::Discrepancy)) => "discrepancy",
        (Comparison::Value(_), _) => "from-set-point",
        (Comparison::Point { .. }, _) => "from-expected",
        (Comparison::Median(_) | Comparison::Count { .. }, _) => "from-median",
    };
    let path = format!("{}/{name}", draft.point.path);
    let made = Some(index(subject));
    let like = |known: &&Compared| known.subject == made && known.with == with;
    if let Some(known) = making.list.iter().find(like) {
        making.by.insert((number, Some(subject)), known.point as usize);
        return;
    }
    let is_temperature = draft.point.quantity == Quantity::Temperature.name() && draft.point.unit == "Cel";
    let (quantity, unit) = if is_temperature {
        (Quantity::TemperatureDifference.name().to_string(), "K".to_string())
    } else {
        (draft.point.quantity.clone(), draft.point.unit.clone())
    };
    let point = Point { path, quantity, unit, valid: None, device: None, states: Vec::new(), ..draft.point.clone() };
    let made = Draft {
        spec: PointSpec { exponent: point.exponent, max_age_ms: draft.spec.max_age_ms, ..PointSpec::default() },
        unit: Unit::parse(&point.unit),
        exponent: draft.exponent,
        has_states: true,
        absent: Vec::new(),
        origin: format!("made for {}", item.label),
        point,
    };
    add(making, (number, item), Some(subject), made, with, points, report);
}

fn count(
    making: &mut Comparisons,
    (number, item): (usize, &AlarmItem),
    working: &UsedItem,
    points: &mut Points,
    incomplete: bool,
    report: &mut Report,
) {
    let key = format!("{}.points", working.key);
    let mut found = Vec::new();
    for pattern in std::iter::once(&working.point).chain(&working.more) {
        let Some(these) = members(pattern, &key, points, incomplete, report) else { return };
        found.extend(these);
    }
    // In the order of the points, each once.
    found.sort_unstable();
    found.dedup();
    let mut tests = Vec::new();
    for at in &found {
        // One mistake, not one a member.
        let path = points.drafts[*at].point.path.clone();
        match used::test(working, &path, points, incomplete, report) {
            Some((_, test)) => tests.push(test),
            None => return,
        }
    }
    let Some(test) = tests.first().copied().filter(|test| tests.iter().all(|other| other == test)) else {
        report.wrong(working.point.place, key, Wrong::UnlikePoints { pattern: working.point.value.clone() });
        return;
    };
    let needed = item
        .condition
        .as_ref()
        .and_then(|watch| watch.limit.as_ref())
        .map_or(0, |limit| limit.value.rescale(0).map_or(0, |whole| whole.mantissa));
    if usize::try_from(needed).map_or(true, |needed| needed == 0 || needed > found.len()) {
        let wrong = Wrong::OutOfRange { value: needed.to_string(), low: "1".into(), high: found.len().to_string() };
        report.wrong(item.place, format!("{}.fewer_than", item.label), wrong);
        return;
    }
    let first = &points.drafts[found[0]];
    let point = Point {
        path: format!("agent/working/{}", item.id.value),
        quantity: Quantity::Count.name().to_string(),
        unit: "1".into(),
        scan_period: first.point.scan_period,
        response: first.point.response,
        refresh: first.point.refresh,
        location: super::label::together(found.iter().map(|at| points.drafts[*at].point.location.as_deref())),
        ..Point::default()
    };
    let made = Draft {
        spec: PointSpec { max_age_ms: first.spec.max_age_ms, ..PointSpec::default() },
        point,
        unit: Some(units::one()),
        exponent: Some(0),
        has_states: true,
        absent: Vec::new(),
        origin: format!("made for {}", item.label),
    };
    let with = Comparison::Count { members: found.into_iter().map(index).collect(), test, needed };
    add(making, (number, item), None, made, with, points, report);
}

fn add(
    making: &mut Comparisons,
    (number, item): (usize, &AlarmItem),
    subject: Option<usize>,
    made: Draft,
    with: Comparison,
    points: &mut Points,
    report: &mut Report,
) {
    let path = made.point.path.clone();
    match points.add(made) {
        Ok(at) => {
            making.list.push(Compared { point: index(at), subject: subject.map(index), with });
            making.by.insert((number, subject), at);
        }
        Err(first) => report.wrong(item.place, format!("{}.id", item.label), Wrong::DuplicatePath { path, first }),
    }
}
