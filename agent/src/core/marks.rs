//! What devices showed first, as it is saved and recalled: another device in the same place is then known also after a
//! restart.
//!
//! A mark counts until an engineer writes something else into the device's `confirmed`: then what it shows next is the
//! first again. Features with an expected mark have none saved. Pure; knows no time. Never panics, whatever was saved.

use crate::plan::{Device, Mark, Plan};
use crate::store::SavedMark;

/// The row of a mark.
#[must_use]
pub fn saved(device: &Device, feature: String, mark: &Mark) -> SavedMark {
    let shown = match mark {
        Mark::Number(number) => format!("number {number}"),
        Mark::Text(text) => format!("text {text}"),
    };
    SavedMark { device: device.name.clone(), feature, confirmed: device.identity.confirmed.clone(), shown }
}

/// Puts what was saved into the plan, as far as it still counts.
pub fn recall(plan: &mut Plan, saved: &[SavedMark]) {
    for device in &mut plan.devices {
        let confirmed = &device.identity.confirmed;
        for feature in device.identity.checks.iter_mut().flat_map(|check| &mut check.features) {
            let row = saved
                .iter()
                .find(|row| row.device == device.name && row.feature == feature.name && row.confirmed == *confirmed);
            feature.remembered = row.and_then(|row| read(&row.shown)).filter(|_| feature.expect.is_none());
        }
    }
}

fn read(shown: &str) -> Option<Mark> {
    match shown.split_once(' ')? {
        ("number", number) => number.parse().ok().map(Mark::Number),
        ("text", text) => Some(Mark::Text(text.to_owned())),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use lapwing_engine::spec::Span;

    use crate::plan::{Ask, Check, Feature, Identity};

    fn plan(confirmed: &str) -> Plan {
        let feature = |name: &str, expect| Feature { name: name.into(), expect, remembered: None };
        let features = vec![
            feature("holding:200", Some(Mark::Number(7))),
            feature("holding:201-202", None),
            feature("holding:300", None),
        ];
        let identity = Identity {
            checks: vec![Check { ask: Ask::Snmp { oids: Vec::new() }, features }],
            period: Duration::from_secs(1),
            point: None,
            confirmed: confirmed.into(),
        };
        let device = Device {
            name: "meter-b2".into(),
            link: 0,
            unit: 1,
            timeout: Duration::from_secs(1),
            pause: Duration::ZERO,
            late_max: Duration::ZERO,
            turnaround: Duration::ZERO,
            faster: None,
            transactions: Span::default(),
            above_least_ppm: 0,
            state_point: 0,
            identity,
            map_point: None,
        };
        Plan { devices: vec![device], ..Plan::default() }
    }

    fn recalled(plan: &Plan) -> Vec<Option<Mark>> {
        plan.devices[0].identity.checks[0].features.iter().map(|feature| feature.remembered.clone()).collect()
    }

    #[test]
    fn what_was_shown_first_counts_until_it_is_confirmed_anew() {
        let marks = [Mark::Number(-65_545), Mark::Text("A 17\u{e9}".into())];
        let mut before = plan("");
        let rows: Vec<SavedMark> = ["holding:201-202", "holding:300"]
            .iter()
            .zip(&marks)
            .map(|(feature, mark)| saved(&before.devices[0], (*feature).into(), mark))
            .collect();
        recall(&mut before, &rows);
        assert_eq!(recalled(&before), [None, Some(marks[0].clone()), Some(marks[1].clone())]);
        let mut confirmed = plan("2026-03-14 AB");
        recall(&mut confirmed, &rows);
        assert_eq!(recalled(&confirmed), [None, None, None]);
    }

    #[test]
    fn what_does_not_belong_or_cannot_be_read_is_left() {
        let row = |device: &str, feature: &str, shown: &str| SavedMark {
            device: device.into(),
            feature: feature.into(),
            confirmed: String::new(),
            shown: shown.into(),
        };
        let mut plan = plan("");
        recall(
            &mut plan,
            &[
                row("meter-b1", "holding:300", "number 1"),
                row("meter-b2", "holding:200", "number 1"),
                row("meter-b2", "holding:201-202", "number x"),
                row("meter-b2", "holding:300", ""),
            ],
        );
        assert_eq!(recalled(&plan), [None, None, None]);
    }
}
