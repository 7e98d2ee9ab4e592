//! Which points a device does not give, in words: short for alarm and event, whole for who corrects the map.
//!
//! Knows no protocol: where a point was looked for comes with it. Pure. Never panics: a point the plan does not have is
//! called by its number.

use lapwing_engine::spec::Span;

use crate::field::Lacking;
use crate::plan::{Plan, stretch};

/// Points named in the short form.
const NAMED: usize = 4;

/// The words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Words {
    /// How many of how many, and the first few names.
    pub(super) short: String,
    /// How many of how many, and all names.
    pub(super) whole: String,
}

/// Says which points of a device are lacking. `transactions`: the device's own.
pub(super) fn words(plan: &Plan, transactions: Span, lacking: &[Lacking]) -> Words {
    let all: u64 = stretch(&plan.transactions, transactions).iter().map(|about| u64::from(about.points.count)).sum();
    let names: Vec<String> = lacking.iter().map(|lacking| name(plan, lacking)).collect();
    let count = match (names.len(), all) {
        (1, 1) => "its only point".to_owned(),
        (some, all) if u64::try_from(some) == Ok(all) => format!("any of its {all} points"),
        (some, all) => format!("{some} of its {all} points"),
    };
    let whole = format!("{count}: {}", names.join(", "));
    // Naming what would be a single "1 more" takes no more room.
    let short = if names.len() <= NAMED + 1 {
        whole.clone()
    } else {
        format!("{count}: {} and {} more", names[..NAMED].join(", "), names.len() - NAMED)
    };
    Words { short, whole }
}

fn name(plan: &Plan, lacking: &Lacking) -> String {
    let point = usize::try_from(lacking.point).ok().and_then(|point| plan.points.get(point));
    let path = point.map_or_else(|| format!("point {}", lacking.point), |point| point.path.clone());
    match &lacking.place {
        Some(place) => format!("{path} ({place})"),
        None => path,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::{Point, Transaction};

    fn said(all: u32, lacking: &[u32]) -> Words {
        let point = |n| Point { path: format!("rack/{n}"), ..Point::default() };
        let transaction = |first, count| Transaction {
            device: 0,
            points: Span { first, count },
            ask: crate::plan::Ask::Snmp { oids: Vec::new() },
            period: std::time::Duration::from_secs(1),
            phase: std::time::Duration::ZERO,
        };
        let plan = Plan {
            points: (0..all).map(point).collect(),
            transactions: vec![transaction(0, 1), transaction(1, all - 1)],
            ..Plan::default()
        };
        let place = |point: u32| (point == 0).then(|| "holding:7".to_owned());
        let lacking: Vec<Lacking> = lacking.iter().map(|&point| Lacking { point, place: place(point) }).collect();
        words(&plan, Span { first: 0, count: 2 }, &lacking)
    }

    #[test]
    fn the_first_few_are_named_and_the_rest_counted() {
        let words = said(83, &(0..62).collect::<Vec<_>>());
        assert_eq!(words.short, "62 of its 83 points: rack/0 (holding:7), rack/1, rack/2, rack/3 and 58 more");
        assert!(words.whole.ends_with("rack/60, rack/61") && words.whole.matches("rack/").count() == 62);
    }

    #[test]
    fn few_are_all_named() {
        assert_eq!(said(9, &[3]).short, "1 of its 9 points: rack/3");
        assert_eq!(said(9, &[1, 2, 3, 4, 5]).short, "5 of its 9 points: rack/1, rack/2, rack/3, rack/4, rack/5");
        assert_eq!(said(2, &[0, 1]).whole, "any of its 2 points: rack/0 (holding:7), rack/1");
        assert_eq!(said(9, &[77]).short, "1 of its 9 points: point 77", "a point of no plan");
    }
}
