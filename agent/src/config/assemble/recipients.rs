//! Recipients: who passes on to whom, and whether somebody is told of every priority at every hour.
//!
//! Findings only where there are recipients at all: a site that receives MQTT needs none. Hours are minutes of the week.
//! Never panics.

use std::collections::BTreeMap;

use lapwing_protocol::Priority;

use crate::config::items::recipient::RecipientItem;
use crate::config::mistake::Report;
use crate::config::reader::nearest;
use crate::config::wrong::{OfRecipients, Wrong};
use crate::plan::recipients::{Recipient, WEEK, Way};
use crate::plan::{Acknowledge, Alarm};

use super::Parts;

const DAYS: [&str; 7] = ["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"];

/// Puts recipients together.
pub(crate) fn recipients(parts: &Parts, report: &mut Report) -> Vec<Recipient> {
    let items = &parts.recipients;
    let mut names: BTreeMap<&str, usize> = BTreeMap::new();
    for (at, item) in items.iter().enumerate() {
        if let Some(first) = names.insert(&item.name.value, at) {
            let first = items[first].label.clone();
            let wrong = Wrong::Duplicate { what: "recipient", name: item.name.value.clone(), first };
            report.wrong(item.name.place, format!("{}.name", item.label), wrong);
        }
    }
    let mut next: Vec<Option<usize>> = vec![None; items.len()];
    for (at, item) in items.iter().enumerate() {
        let Some(then) = &item.then else { continue };
        match names.get(then.value.as_str()) {
            Some(other) => next[at] = Some(*other),
            None => {
                let near = nearest(&then.value, names.keys().copied());
                let wrong = OfRecipients::UnknownRecipient { name: then.value.clone(), near };
                report.wrong(then.place, format!("{}.then", item.label), wrong);
            }
        }
        if parts.settings.module.acknowledge == Acknowledge::Elsewhere {
            report.finding(then.place, format!("{}.then", item.label), OfRecipients::AcknowledgedElsewhere);
        }
    }
    circles(items, &next, report);
    for (at, item) in items.iter().enumerate() {
        // A name that is wrong elsewhere may have meant it.
        if item.priorities.is_empty() && !next.contains(&Some(at)) && report.is_clean() {
            let wrong = OfRecipients::ToldOfNothing { name: item.name.value.clone() };
            report.wrong(item.place, format!("{}.priorities", item.label), wrong);
        }
        if matches!(item.way, Some(Way::Email { .. }))
            && parts.settings.mail.server.is_none()
            && !parts.settings.mail_told
        {
            report.wrong(item.place, format!("{}.email", item.label), OfRecipients::NoMailServer);
        }
    }
    items
        .iter()
        .zip(&next)
        .filter_map(|(item, next)| {
            Some(Recipient {
                name: item.name.value.clone(),
                way: item.way.clone()?,
                priorities: item.priorities.clone(),
                hours: item.hours.clone(),
                then: item.unacknowledged_for.zip(*next),
                state_point: 0,
            })
        })
        .collect()
}

/// A circle is told at the first of its members.
fn circles(items: &[RecipientItem], next: &[Option<usize>], report: &mut Report) {
    for start in 0..items.len() {
        let mut way = vec![start];
        while let Some(at) = way.last().and_then(|at| next[*at]) {
            if at == start && way.iter().all(|other| *other >= start) {
                way.push(at);
                let circle = way.iter().map(|at| items[*at].name.value.as_str()).collect::<Vec<_>>().join(" → ");
                let item = &items[start];
                let place = item.then.as_ref().map_or(item.place, |then| then.place);
                report.wrong(place, format!("{}.then", item.label), OfRecipients::PassedInCircle { circle });
            }
            if way.contains(&at) {
                break;
            }
            way.push(at);
        }
    }
}

/// Looks whether somebody is told of everything urgent, at every hour.
pub(crate) fn review(parts: &Parts, recipients: &[Recipient], alarms: &[Alarm], report: &mut Report) {
    let Some(first) = parts.recipients.first().filter(|_| !recipients.is_empty()) else { return };
    for priority in [Priority::Critical, Priority::High] {
        if !alarms.iter().any(|alarm| alarm.priority == priority || alarm.urgent.is_some_and(|(_, p)| p == priority)) {
            continue;
        }
        let told: Vec<&Recipient> = recipients.iter().filter(|r| r.priorities.contains(&priority)).collect();
        let wrong = if told.is_empty() {
            OfRecipients::NobodyFor { priority: priority.word() }
        } else {
            match gap(&told) {
                Some(gap) => OfRecipients::GapInHours { priority: priority.word(), gap },
                None => continue,
            }
        };
        report.finding(first.place, "recipient", wrong);
    }
}

/// When nobody is told, in words: the first stretch, and how much of the week it is in all.
fn gap(told: &[&Recipient]) -> Option<String> {
    let covered = |minute: u16| told.iter().any(|recipient| recipient.hours.has(minute));
    let all = (0..WEEK).filter(|minute| !covered(*minute)).count();
    if all == usize::from(WEEK) {
        return Some("at any hour".into());
    }
    // A stretch begins where the minute before is covered; the week goes round.
    let from = (0..WEEK).find(|&minute| !covered(minute) && covered((minute + WEEK - 1) % WEEK))?;
    let long = (0..WEEK).take_while(|after| !covered((from + after) % WEEK)).count();
    let to = (from + u16::try_from(long).unwrap_or(0)) % WEEK;
    let more =
        if all > long { format!(", and {} h more of the week", (all - long).div_ceil(60)) } else { String::new() };
    Some(format!("from {} to {}{more}", spoken(from), spoken(to)))
}

fn spoken(minute: u16) -> String {
    let day = DAYS.get(usize::from(minute / 1440)).copied().unwrap_or("Monday");
    format!("{day} {:02}:{:02}", minute % 1440 / 60, minute % 60)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::recipients::Hours;

    fn with(hours: Hours) -> Recipient {
        Recipient {
            name: "a".into(),
            way: Way::Email { address: "a@b".into() },
            priorities: vec![Priority::Critical],
            hours,
            then: None,
            state_point: 0,
        }
    }

    #[test]
    fn gaps_are_found_and_go_over_the_end_of_the_week() {
        assert_eq!(gap(&[&with(Hours::always())]), None);
        let weekdays = with(Hours((0..5).map(|day| (day * 1440, (day + 1) * 1440)).collect()));
        assert_eq!(gap(&[&weekdays]).as_deref(), Some("from Saturday 00:00 to Monday 00:00"));
        let weekend = with(Hours(vec![(5 * 1440, WEEK)]));
        assert_eq!(gap(&[&weekdays, &weekend]), None);
        let days = with(Hours((0..7).map(|day| (day * 1440 + 420, day * 1440 + 1080)).collect()));
        assert_eq!(gap(&[&days]).as_deref(), Some("from Monday 18:00 to Tuesday 07:00, and 78 h more of the week"));
        let nights = with(Hours((0..7).map(|day| (day * 1440 + 1080, (day * 1440 + 1440 + 420) % WEEK)).collect()));
        assert_eq!(gap(&[&days, &nights]), None);
        assert_eq!(gap(&[&with(Hours(Vec::new()))]).as_deref(), Some("at any hour"));
    }
}
