//! Groups and rules of suppression: patterns laid over the alarms, and the tables the engine reads.
//!
//! A pattern names alarms by id, with `*` for any part between slashes. Each link's own alarm explains those of its
//! devices without being asked: a dead link is one alarm. Never panics.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use globset::{GlobBuilder, GlobMatcher};
use lapwing_engine::alarm::group::{GroupSpec, Member};
use lapwing_engine::spec::Span;

use crate::config::items::alarm::AlarmItem;
use crate::config::items::group::GroupItem;
use crate::config::mistake::Report;
use crate::config::reader::nearest;
use crate::config::source::Located;
use crate::config::wrong::Wrong;
use crate::plan::{Alarm, Groups, Suppress};

use super::translate::Translated;
use super::{Parts, Points, index, used};

/// How long a failed link explains what fails behind it: as long as it takes to give each device up, several times.
const LINK_WINDOW: Duration = Duration::from_secs(120);
/// A device may be given up before its link is.
const LINK_LAG: Duration = Duration::from_secs(30);

/// Lays the chains over the alarms.
pub(crate) fn groups(parts: &Parts, alarms: &[Alarm], points: &Points, report: &mut Report) -> Groups {
    let mut making = Making { by_alarm: vec![Vec::new(); alarms.len()], groups: Groups::default() };
    let mut names = BTreeMap::new();
    for item in &parts.groups {
        if let Some(first) = names.insert(item.name.value.clone(), item.label.clone()) {
            let wrong = Wrong::Duplicate { what: "group", name: item.name.value.clone(), first };
            report.wrong(item.name.place, format!("{}.name", item.label), wrong);
        }
        making.group(item, alarms, parts, report);
    }
    making.links(alarms);
    let mut groups = making.groups;
    for members in making.by_alarm {
        groups.of_alarm.push(Span { first: index(groups.members.len()), count: index(members.len()) });
        groups.members.extend(members);
    }
    groups.scan_ms = alarms
        .iter()
        .map(|alarm| {
            let point = points.drafts.get(alarm.point as usize).map(|draft| &draft.point);
            let scan = point.map_or(Duration::ZERO, |point| point.scan_period + point.refresh.unwrap_or_default());
            u32::try_from(scan.as_millis()).unwrap_or(u32::MAX)
        })
        .collect();
    groups
}

/// Lays the rules of suppression over the alarms.
pub(crate) fn suppress(
    parts: &Parts,
    alarms: &[Alarm],
    points: &Points,
    translated: &Translated<'_>,
    report: &mut Report,
) -> Vec<Suppress> {
    let mut names = BTreeMap::new();
    let mut rules = Vec::new();
    for item in &parts.suppress {
        if let Some(first) = names.insert(item.name.value.clone(), item.label.clone()) {
            let wrong = Wrong::Duplicate { what: "suppress", name: item.name.value.clone(), first };
            report.wrong(item.name.place, format!("{}.name", item.label), wrong);
        }
        let key = format!("{}.alarms", item.label);
        let mut hidden = BTreeSet::new();
        for pattern in &item.alarms {
            hidden.extend(matching(pattern, &key, alarms, parts, report));
        }
        let when = match &item.when {
            Some(when) => match used::test(when, &when.point.value, points, parts.incomplete, report) {
                Some(test) => Some(test),
                None => continue, // told
            },
            None => None,
        };
        rules.push(Suppress {
            name: item.name.value.clone(),
            text: translated.rule(&item.name.value, &item.text),
            alarms: hidden.into_iter().map(index).collect(),
            at_most: item.at_most,
            when,
        });
    }
    rules
}

struct Making {
    by_alarm: Vec<Vec<Member>>,
    groups: Groups,
}

impl Making {
    fn group(&mut self, item: &GroupItem, alarms: &[Alarm], parts: &Parts, report: &mut Report) {
        let key = format!("{}.chain", item.label);
        // By alarm: its step and the pattern that put it there.
        let mut steps: BTreeMap<usize, (u32, &str)> = BTreeMap::new();
        for (step, patterns) in (0..).zip(&item.chain) {
            for pattern in patterns {
                for alarm in matching(pattern, &key, alarms, parts, report) {
                    match steps.insert(alarm, (step, &pattern.value)) {
                        Some((before, first)) if before != step => {
                            let wrong = Wrong::TwiceInChain {
                                id: alarms[alarm].id.clone(),
                                first: first.to_string(),
                                second: pattern.value.clone(),
                            };
                            report.wrong(pattern.place, key.clone(), wrong);
                        }
                        _ => {}
                    }
                }
            }
        }
        let mut members: BTreeMap<usize, Member> = BTreeMap::new();
        let group = index(self.groups.specs.len());
        for (alarm, (step, _)) in &steps {
            members.insert(*alarm, Member { group, step: *step, together: false, again: None });
        }
        let mut marked = |patterns: &[Located<String>], name: &str, mark: &mut dyn FnMut(usize, &mut Member)| {
            let key = format!("{}.{name}", item.label);
            for (number, pattern) in patterns.iter().enumerate() {
                for alarm in matching(pattern, &key, alarms, parts, report) {
                    match members.get_mut(&alarm) {
                        Some(member) => mark(number, member),
                        None => {
                            let wrong =
                                Wrong::NotInChain { pattern: pattern.value.clone(), id: alarms[alarm].id.clone() };
                            report.wrong(pattern.place, key.clone(), wrong);
                            break;
                        }
                    }
                }
            }
        };
        marked(&item.together, "together", &mut |_, member| member.together = true);
        let first_rule = self.groups.rules;
        marked(&item.tell_again, "tell_again", &mut |number, member| {
            member.again = Some(first_rule.saturating_add(index(number)));
        });
        self.groups.rules = first_rule.saturating_add(index(item.tell_again.len()));
        self.add(&item.name.value, item.window, item.lag, item.chain.len());
        for (alarm, member) in members {
            self.by_alarm[alarm].push(member);
        }
    }

    fn add(&mut self, name: &str, window: Duration, lag: Duration, steps: usize) {
        let ms = |duration: Duration| u32::try_from(duration.as_millis()).unwrap_or(u32::MAX);
        let steps = Span { first: self.groups.steps, count: index(steps) };
        self.groups.names.push(name.to_string());
        self.groups.specs.push(GroupSpec { window_ms: ms(window), lag_ms: ms(lag), steps });
        self.groups.steps = self.groups.steps.saturating_add(steps.count);
    }

    /// A link that fails takes its devices with it.
    fn links(&mut self, alarms: &[Alarm]) {
        let own =
            |alarm: &Alarm, what: &str| alarm.own.then(|| alarm.id.strip_prefix(what).map(str::to_string)).flatten();
        for (at, alarm) in alarms.iter().enumerate() {
            let Some(link) = own(alarm, "fault/link/").filter(|rest| !rest.contains('/')) else { continue };
            let devices: Vec<usize> = alarms
                .iter()
                .enumerate()
                .filter(|(_, device)| device.own && device.link.as_deref() == Some(&link))
                .map(|(at, _)| at)
                .collect();
            if devices.is_empty() {
                continue;
            }
            let group = index(self.groups.specs.len());
            self.add(&format!("link {link}"), LINK_WINDOW, LINK_LAG, 2);
            self.by_alarm[at].push(Member { group, step: 0, together: false, again: None });
            for device in devices {
                self.by_alarm[device].push(Member { group, step: 1, together: false, again: None });
            }
        }
    }
}

/// The alarms a pattern names.
fn matching(pattern: &Located<String>, key: &str, alarms: &[Alarm], parts: &Parts, report: &mut Report) -> Vec<usize> {
    let matcher: GlobMatcher = match GlobBuilder::new(&pattern.value).literal_separator(true).build() {
        Ok(glob) => glob.compile_matcher(),
        Err(why) => {
            let wrong = Wrong::BadAlarmPattern { pattern: pattern.value.clone(), why: why.kind().to_string() };
            report.wrong(pattern.place, key, wrong);
            return Vec::new();
        }
    };
    let found: Vec<usize> =
        alarms.iter().enumerate().filter(|(_, alarm)| matcher.is_match(&alarm.id)).map(|(at, _)| at).collect();
    // An alarm that is written, but not well, makes none: that is told where it stands.
    let is_written = |item: &AlarmItem| matcher.is_match(any_of(&item.id.value));
    if found.is_empty() && (report.is_clean() || !parts.alarms.iter().any(is_written)) {
        let incomplete = parts.incomplete;
        let near = nearest(&pattern.value, alarms.iter().map(|alarm| alarm.id.as_str()));
        let wrong = Wrong::NoSuchAlarm { pattern: pattern.value.clone(), near, incomplete };
        report.wrong(pattern.place, key, wrong);
    }
    found
}

/// One of the ids that an id with captures in it stands for.
fn any_of(id: &str) -> String {
    let mut parts = id.split('{');
    let first = parts.next().unwrap_or_default().to_owned();
    parts.fold(first, |before, part| before + "x" + part.split_once('}').map_or(part, |(_, rest)| rest))
}
