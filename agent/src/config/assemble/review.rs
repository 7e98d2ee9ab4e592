//! Where what the review of the alarm set found is written, and which of it is accepted.
//!
//! The review itself is the room `review`, which knows no files. An alarm is found by the item that made it, a point by
//! its map, a tier, group or rule by its item; what is about the module as a whole stands at the top of the file. What one
//! item makes many times is told once. Never panics.

use std::collections::BTreeMap;

use globset::{GlobBuilder, GlobMatcher};

use crate::config::items::accept::AcceptItem;
use crate::config::mistake::{Accepted, Report};
use crate::config::pattern::Pattern;
use crate::config::reader::nearest;
use crate::config::source::Place;
use crate::config::wrong::Wrong;
use crate::plan::{self, Plan};
use crate::review::{self, CODES, Finding, Kind};

use super::Parts;
use super::translate::Lacking;

/// Reviews the alarm set; what of it is right as it is, with a reason, is set apart. `places` by alarm id.
pub(crate) fn review(
    plan: &Plan,
    parts: &Parts,
    places: &BTreeMap<String, (Place, String)>,
    lacking: Vec<Lacking>,
    report: &mut Report,
) {
    let rules: Vec<Rule<'_>> = parts.accepts.iter().filter_map(|item| Rule::read(item, report)).collect();
    if !parts.review || !report.is_clean() {
        return;
    }
    let mut accepted: Vec<Accepted> = rules
        .iter()
        .map(|rule| Accepted { code: rule.code, about: Vec::new(), because: rule.item.because.clone() })
        .collect();
    let mut open: Vec<((Place, &'static str), String, Finding, usize)> = Vec::new();
    let mut known: BTreeMap<(Place, &'static str), usize> = BTreeMap::new();
    let found = review::review(plan).into_iter().map(|finding| {
        let (place, key) = written(&finding, plan, parts, places);
        (finding, place, key)
    });
    for (finding, place, key) in found.chain(lacking) {
        let by = |rule: &Rule<'_>| rule.code == finding.code && rule.about.is_match(&finding.about.name);
        if let Some(at) = rules.iter().position(by) {
            accepted[at].about.push(finding.about.name.clone());
            continue;
        }
        match known.get(&(place, finding.code)) {
            // Several roles or tiers share a place and are told each by itself.
            Some(at) if matches!(finding.about.kind, Kind::Alarm | Kind::Point) => open[*at].3 += 1,
            Some(_) | None => {
                known.insert((place, finding.code), open.len());
                open.push(((place, finding.code), key, finding, 0));
            }
        }
    }
    for ((place, _), key, finding, others) in open {
        report.reviewed(place, key, Wrong::Review { finding: Box::new(finding), others });
    }
    for (rule, accepted) in rules.iter().zip(&accepted).filter(|(_, accepted)| accepted.about.is_empty()) {
        let wrong = Wrong::AcceptsNothing { code: accepted.code.to_string(), about: rule.item.about.value.clone() };
        report.reviewed(rule.item.place, rule.item.label.clone(), wrong);
    }
    report.accepted = accepted.into_iter().filter(|accepted| !accepted.about.is_empty()).collect();
}

/// An accepted finding, ready to be compared.
struct Rule<'i> {
    item: &'i AcceptItem,
    code: &'static str,
    about: GlobMatcher,
}

impl<'i> Rule<'i> {
    fn read(item: &'i AcceptItem, report: &mut Report) -> Option<Self> {
        let code = CODES.iter().find(|code| **code == item.finding.value);
        if code.is_none() {
            let near = nearest(&item.finding.value, CODES.iter().copied());
            let wrong = Wrong::UnknownFinding { code: item.finding.value.clone(), near };
            report.wrong(item.finding.place, format!("{}.finding", item.label), wrong);
        }
        match GlobBuilder::new(&item.about.value).literal_separator(true).build() {
            Ok(glob) => Some(Self { item, code: code?, about: glob.compile_matcher() }),
            Err(why) => {
                let wrong = Wrong::BadAlarmPattern { pattern: item.about.value.clone(), why: why.kind().to_string() };
                report.wrong(item.about.place, format!("{}.about", item.label), wrong);
                None
            }
        }
    }
}

/// Where the thing a finding is about is written, and its key.
fn written(
    finding: &Finding,
    plan: &Plan,
    parts: &Parts,
    places: &BTreeMap<String, (Place, String)>,
) -> (Place, String) {
    let name = &finding.about.name;
    let found = match finding.about.kind {
        Kind::Alarm => places.get(name).cloned(),
        Kind::Point => point(name, plan, parts),
        Kind::Group => {
            parts.groups.iter().find(|item| item.name.value == *name).map(|item| (item.name.place, item.label.clone()))
        }
        Kind::Rule => parts
            .suppress
            .iter()
            .find(|item| item.name.value == *name)
            .map(|item| (item.name.place, item.label.clone())),
        Kind::Tier => tier(name, plan, parts),
        // A role that points have is written where the first of them is.
        Kind::Module => {
            let has = |point: &&plan::Point| point.role.is_some_and(|role| role.about().word == name);
            plan.points.iter().find(has).and_then(|first| point(&first.path, plan, parts))
        }
    };
    let top = parts.file.unwrap_or_else(|| Place::whole(crate::config::source::Origin::Override));
    found.unwrap_or_else(|| (top, name.clone()))
}

/// The item that brings a tier.
fn tier(called: &str, plan: &Plan, parts: &Parts) -> Option<(Place, String)> {
    let tier = plan.topology.tiers.iter().find(|tier| tier.called() == called)?;
    let brings = |written: &str| {
        written == tier.name || Pattern::parse(written).is_ok_and(|pattern| pattern.matches(&tier.name).is_some())
    };
    let item = parts.tiers.iter().find(|item| item.kind == tier.kind && brings(&item.name.value))?;
    Some((item.name.place, item.label.clone()))
}

/// The item that brings a point: of its device's map, or derived.
fn point(path: &str, plan: &Plan, parts: &Parts) -> Option<(Place, String)> {
    let known = plan.points.iter().find(|point| point.path == path)?;
    let Some(device) = known.device else {
        return parts
            .derived
            .iter()
            .find(|item| item.path.value == path)
            .map(|item| (item.path.place, item.label.clone()));
    };
    let device = plan.devices.get(usize::try_from(device).ok()?)?;
    let item = parts.devices.iter().find(|item| item.name.value == device.name)?;
    let below = match &item.prefix {
        Some(prefix) => path.strip_prefix(prefix.value.as_str())?.strip_prefix('/')?,
        None => path,
    };
    let map = parts.maps.get(&item.map.as_ref()?.value)?;
    map.iter().find(|point| point.path.value == below).map(|point| (point.path.place, point.label.clone()))
}
