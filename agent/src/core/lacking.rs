//! Which points a device does not give, in words: short for alarm and event, whole for who corrects the map.
//!
//! Knows no protocol: where a point was looked for comes with it. Pure. Never panics: a point the plan does not have is
//! called by its number.

use lapwing_engine::spec::Span;

use crate::field::Lacking;
use crate::plan::{Plan, stretch};
use crate::words::{Field, filled};

/// Points named in the short form.
const NAMED: usize = 4;

/// The points, as they are said.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Named {
    /// How many of how many, and the first few names.
    pub(super) short: String,
    /// How many of how many, and all names.
    pub(super) whole: String,
}

/// Says in a language which points of a device are lacking. `transactions`: the device's own.
pub(super) fn named(say: &Field, plan: &Plan, transactions: Span, lacking: &[Lacking]) -> Named {
    let all: u64 = stretch(&plan.transactions, transactions).iter().map(|about| u64::from(about.points.count)).sum();
    let names: Vec<String> = lacking.iter().map(|lacking| name(plan, lacking)).collect();
    let sentence = match (names.len(), all) {
        (1, 1) => &say.only_point,
        (some, all) if u64::try_from(some) == Ok(all) => &say.all_of,
        _ => &say.some_of,
    };
    let count = filled(sentence, &[("some", &names.len().to_string()), ("all", &all.to_string())]);
    let whole = filled(&say.list, &[("count", &count), ("names", &names.join(", "))]);
    // Naming what would be a single "1 more" takes no more room.
    let short = if names.len() <= NAMED + 1 {
        whole.clone()
    } else {
        let more = (names.len() - NAMED).to_string();
        filled(&say.list_more, &[("count", &count), ("names", &names[..NAMED].join(", ")), ("more", &more)])
    };
    Named { short, whole }
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
    use crate::plan::{Language, Point, Transaction};
    use crate::words::Words;

    fn said(language: Language, all: u32, lacking: &[u32]) -> Named {
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
        named(&Words::of(language).field, &plan, Span { first: 0, count: 2 }, &lacking)
    }

    #[test]
    fn the_first_few_are_named_and_the_rest_counted() {
        let words = said(Language::English, 83, &(0..62).collect::<Vec<_>>());
        assert_eq!(words.short, "62 of its 83 points: rack/0 (holding:7), rack/1, rack/2, rack/3 and 58 more");
        assert!(words.whole.ends_with("rack/60, rack/61") && words.whole.matches("rack/").count() == 62);
    }

    #[test]
    fn few_are_all_named() {
        assert_eq!(said(Language::English, 9, &[3]).short, "1 of its 9 points: rack/3");
        assert_eq!(
            said(Language::English, 9, &[1, 2, 3, 4, 5]).short,
            "5 of its 9 points: rack/1, rack/2, rack/3, rack/4, rack/5"
        );
        assert_eq!(said(Language::English, 2, &[0, 1]).whole, "any of its 2 points: rack/0 (holding:7), rack/1");
        assert_eq!(said(Language::English, 9, &[77]).short, "1 of its 9 points: point 77", "a point of no plan");
        assert_eq!(said(Language::German, 9, &[3]).short, "1 seiner 9 Punkte: rack/3");
        assert!(said(Language::German, 83, &(0..62).collect::<Vec<_>>()).short.ends_with("rack/3 und 58 weitere"));
    }
}
