//! When scans begin, what makes them faster, and whether there is time for all of it.
//!
//! Phases come from `schedule::spread`, link by link; the links begin at different moments. What a line must carry and
//! how late alarms may be is `budget`'s arithmetic; here it becomes findings at the link or alarm they concern. Never
//! panics.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::config::items::device::DeviceItem;
use crate::config::mistake::Report;
use crate::config::reader::{nearest, written};
use crate::config::source::Place;
use crate::config::wrong::Wrong;
use crate::field::budget::{Lateness, LinkBudget, lateness, spoken};
use crate::field::planner::{Cost, stagger};
use crate::field::schedule::spread::spread as spread_out;
use crate::plan::{Device, Faster, Link, Plan, Transaction};

use super::wiring::Carrier;
use super::{Parts, Points, index};

/// Sets the phases of all transactions.
pub(crate) fn spread(links: &[Link], devices: &[Device], transactions: &mut [Transaction]) {
    for (number, link) in (0..).zip(links) {
        let mine: Vec<usize> = (0..transactions.len())
            .filter(|at| {
                let device = devices.get(transactions[*at].device as usize);
                device.is_some_and(|device| device.link == number)
            })
            .collect();
        let scans: Vec<(Duration, Duration)> = mine
            .iter()
            .map(|at| {
                let transaction = &transactions[*at];
                let cost = Cost::of(&link.transport, &devices[transaction.device as usize]);
                (transaction.period, cost.ask(&transaction.ask))
            })
            .collect();
        // The same turn for all scans of a link keeps their order.
        let turn = stagger(number, Duration::from_secs(1));
        for (at, phase) in mine.into_iter().zip(spread_out(&scans)) {
            let period = transactions[at].period.as_millis().max(1);
            let ms = (phase + turn).as_millis() % period;
            transactions[at].phase = Duration::from_millis(u64::try_from(ms).unwrap_or(0));
        }
    }
}

/// Reads `scan_period_when` of every device, now that points have numbers.
pub(crate) fn faster(items: &[(&DeviceItem, Carrier)], points: &Points, devices: &mut [Device], report: &mut Report) {
    for (number, ((item, _), device)) in (0..).zip(items.iter().zip(devices)) {
        let Some(written_as) = &item.faster else { continue };
        let key = format!("{}.scan_period_when", item.label);
        let path = &written_as.point.value;
        let Some(at) = points.find(path).filter(|at| points.drafts[*at].point.device == Some(number)) else {
            let wrong = if points.find(path).is_some() {
                Wrong::NotOfDevice { path: path.clone(), device: item.name.value.clone() }
            } else {
                // Only one of its own can be meant; a map's path without the device's prefix is the usual slip.
                let own = points.drafts.iter().filter(|draft| draft.point.device == Some(number));
                let own: Vec<&str> = own.map(|draft| draft.point.path.as_str()).collect();
                let ending = own.iter().copied().find(|known| known.ends_with(&format!("/{path}")));
                let near = ending.map(str::to_owned).or_else(|| super::super::reader::nearest(path, own.into_iter()));
                Wrong::UnknownPoint { path: path.clone(), near, incomplete: false }
            };
            report.wrong(written_as.point.place, format!("{key}.point"), wrong);
            continue;
        };
        let least = item.min_interval.unwrap_or_default();
        if written_as.period.value < least {
            let wrong = Wrong::BelowInterval {
                period: written(written_as.period.value),
                least: written(least),
                device: item.name.value.clone(),
            };
            report.wrong(written_as.period.place, format!("{key}.period"), wrong);
        }
        let draft = &points.drafts[at];
        let mut states = 0_u64;
        for name in &written_as.states {
            let known = &draft.point.states;
            let wrong = match known.iter().find(|(_, known)| *known == name.value) {
                Some((state @ 0..=63, _)) => {
                    states |= 1 << state;
                    continue;
                }
                Some((number, _)) => Wrong::StateTooHigh { state: name.value.clone(), number: *number },
                None if !draft.has_states => continue, // told already
                None if known.is_empty() => Wrong::NoStates { point: path.clone() },
                None => {
                    let known: Vec<String> = known.iter().map(|(_, name)| name.clone()).collect();
                    let near = nearest(&name.value, known.iter().map(String::as_str));
                    Wrong::UnknownState { point: path.clone(), state: name.value.clone(), near, known }
                }
            };
            report.wrong(name.place, format!("{key}.state"), wrong);
        }
        device.faster = Some(Faster { point: index(at), states, period: written_as.period.value });
    }
}

/// Findings about links that cannot carry what is asked and alarms that come too late; `places` by alarm id.
pub(crate) fn remarks(plan: &Plan, parts: &Parts, places: &BTreeMap<String, (Place, String)>, report: &mut Report) {
    for (link, item) in plan.links.iter().zip(&parts.links) {
        if let Some((what, mend)) = LinkBudget::of(plan, link).mend(plan, link) {
            report.finding(item.place, item.label.clone(), Wrong::LinkOverloaded { what, mend });
        }
    }
    // A pattern makes many alarms: its latest speaks for all.
    let mut latest: BTreeMap<Place, (&str, Lateness, Duration, &str)> = BTreeMap::new();
    for (alarm, late) in plan.alarms.iter().zip(lateness(plan)) {
        let (Some(late), Some(within), Some((place, label))) = (late, alarm.respond_within, places.get(&alarm.id))
        else {
            continue;
        };
        let known = latest.get(place).is_some_and(|(_, known, ..)| known.total() >= late.total());
        if late.total() >= within && !known {
            latest.insert(*place, (&alarm.id, late, within, label));
        }
    }
    for (place, (id, late, within, label)) in latest {
        let wrong = Wrong::AlarmTooLate {
            id: id.to_string(),
            worst: spoken(late.total()),
            within: spoken(within),
            parts: late.spoken(),
            mend: late.mend().to_string(),
        };
        report.finding(place, label.to_string(), wrong);
    }
}
