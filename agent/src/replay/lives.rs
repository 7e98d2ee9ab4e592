//! Lives of alarms, from raise to clear, then and now, and which belong together.
//!
//! Two lives of an alarm belong together when they overlap in time; each is used once. A life that stood before the range
//! begins with it, one that stands at its end goes on. Times are wall milliseconds. Never panics.

use std::collections::{BTreeMap, BTreeSet};

use lapwing_protocol::{Priority, ShownState};

use super::changes::Change;
use super::log::Changed;

/// An alarm event of the replay.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Moved {
    pub(super) t: i64,
    pub(super) alarm: String,
    pub(super) occurrence: u32,
    pub(super) from: ShownState,
    pub(super) to: ShownState,
    pub(super) active: bool,
    pub(super) told: bool,
    pub(super) priority: Priority,
    pub(super) first_out: bool,
    pub(super) follows: Option<String>,
}

/// One life of an alarm.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Life {
    /// Number of the occurrence.
    pub occurrence: u32,
    /// When it was raised; `None`: before the range.
    pub raised: Option<i64>,
    /// When it cleared; `None`: it still stands at the end.
    pub cleared: Option<i64>,
    /// A person was told.
    pub told: bool,
    /// The alarm it follows from.
    pub follows: Option<String>,
}

/// What the lives of an alarm come to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Sum {
    /// Times it was raised in the range.
    pub raised: usize,
    /// How long it stood within the range, ms.
    pub stood_ms: u64,
    /// Times a person was told.
    pub told: usize,
}

/// One alarm, then and now.
#[derive(Clone, Debug)]
pub struct Compared {
    /// Identifier.
    pub id: String,
    /// Sums of then and of now.
    pub then: Sum,
    /// Of now.
    pub now: Sum,
    /// Lives in the order of time: of then, of now, or both of one.
    pub lives: Vec<(Option<Life>, Option<Life>)>,
    /// Settings that differ.
    pub changed: Vec<Change>,
    /// What one changed setting alone would make of it, by key, where several were changed.
    pub alone: Vec<(&'static str, Sum)>,
}

impl Compared {
    /// Whether it behaves otherwise now.
    #[must_use]
    pub fn differs(&self) -> bool {
        self.lives.iter().any(|(then, now)| differ(then.as_ref(), now.as_ref()))
    }
}

/// Whether a life of then and one of now differ. Their numbers do not count: a life that is not there any more changes those
/// of all later ones.
pub(super) fn differ(then: Option<&Life>, now: Option<&Life>) -> bool {
    let what = |life: &Life| (life.raised, life.cleared, life.told, life.follows.clone());
    then.map(what) != now.map(what)
}

/// How many events are the same, to the millisecond, and what people are told of them.
pub(super) fn same(then: &[Changed], now: &[Moved]) -> usize {
    type Key<'a> = (i64, &'a str, u32, &'a str, &'a str, bool, bool, bool, Option<&'a str>);
    let mut known: BTreeMap<Key<'_>, usize> = BTreeMap::new();
    for Changed { t, change } in then {
        let follows = change.follows.as_deref();
        let (from, to) = (change.from.as_str(), change.to.as_str());
        let key = (
            *t,
            &*change.alarm,
            change.occurrence,
            from,
            to,
            change.active,
            change.announced,
            change.first_out,
            follows,
        );
        *known.entry(key).or_default() += 1;
    }
    let mut same = 0;
    for moved in now {
        use lapwing_protocol::Vocabulary as _;
        let follows = moved.follows.as_deref();
        let (from, to) = (moved.from.as_word(), moved.to.as_word());
        let key =
            (moved.t, &*moved.alarm, moved.occurrence, from, to, moved.active, moved.told, moved.first_out, follows);
        if let Some(left) = known.get_mut(&key).filter(|left| **left > 0) {
            *left -= 1;
            same += 1;
        }
    }
    same
}

/// One event, wherever it comes from.
struct Seen<'a> {
    t: i64,
    occurrence: u32,
    active: bool,
    told: bool,
    follows: Option<&'a str>,
}

/// By alarm: its lives of then and of now.
pub(super) fn compare(then: &[Changed], now: &[Moved], range: (i64, i64)) -> Vec<Compared> {
    let of_then = lives(then.iter().map(|Changed { t, change }| {
        let follows = change.follows.as_deref();
        let told = change.announced;
        (&*change.alarm, Seen { t: *t, occurrence: change.occurrence, active: change.active, told, follows })
    }));
    let of_now = lives(now.iter().map(|moved| {
        let follows = moved.follows.as_deref();
        let (t, told) = (moved.t, moved.told);
        (&*moved.alarm, Seen { t, occurrence: moved.occurrence, active: moved.active, told, follows })
    }));
    let ids: BTreeSet<&String> = of_then.keys().chain(of_now.keys()).collect();
    let none = Vec::new();
    ids.into_iter()
        .map(|id| {
            let (then, now) = (of_then.get(id).unwrap_or(&none), of_now.get(id).unwrap_or(&none));
            Compared {
                id: id.clone(),
                then: sum(then, range),
                now: sum(now, range),
                lives: paired(then, now),
                changed: Vec::new(),
                alone: Vec::new(),
            }
        })
        .filter(|compared| !compared.lives.is_empty())
        .collect()
}

/// Lives by alarm.
fn lives<'a>(events: impl Iterator<Item = (&'a str, Seen<'a>)>) -> BTreeMap<String, Vec<Life>> {
    let mut all: BTreeMap<String, Vec<Life>> = BTreeMap::new();
    let mut known: BTreeSet<&str> = BTreeSet::new();
    for (alarm, seen) in events {
        let first = known.insert(alarm);
        let of = all.entry(alarm.to_owned()).or_default();
        match of.last_mut().filter(|life| life.occurrence == seen.occurrence) {
            Some(life) => {
                if !seen.active && life.cleared.is_none() {
                    life.cleared = Some(seen.t);
                }
                life.told |= seen.told;
                life.follows = seen.follows.map(str::to_owned).or(life.follows.take());
            }
            // The first event of an alarm in the range is a raise only if it tells of one: an occurrence that clears, or
            // is acknowledged, was raised before.
            None if seen.active || first => of.push(Life {
                occurrence: seen.occurrence,
                raised: seen.active.then_some(seen.t),
                cleared: (!seen.active).then_some(seen.t),
                told: seen.told,
                follows: seen.follows.map(str::to_owned),
            }),
            None => {}
        }
    }
    all
}

pub(super) fn sum(lives: &[Life], (from, to): (i64, i64)) -> Sum {
    let mut sum = Sum::default();
    for life in lives {
        sum.raised += usize::from(life.raised.is_some());
        sum.told += usize::from(life.told);
        let (first, last) = (life.raised.unwrap_or(from).max(from), life.cleared.unwrap_or(to).min(to));
        sum.stood_ms += u64::try_from(last.saturating_sub(first)).unwrap_or(0);
    }
    sum
}

/// Sums of the lives of now, by alarm.
pub(super) fn sums(now: &[Moved], range: (i64, i64)) -> BTreeMap<String, Sum> {
    compare(&[], now, range).into_iter().map(|compared| (compared.id, compared.now)).collect()
}

/// Pairs lives that overlap, in the order of time.
fn paired(then: &[Life], now: &[Life]) -> Vec<(Option<Life>, Option<Life>)> {
    let span = |life: &Life| (life.raised.unwrap_or(i64::MIN), life.cleared.unwrap_or(i64::MAX));
    let mut pairs = Vec::new();
    let (mut a, mut b) = (0, 0);
    loop {
        match (then.get(a), now.get(b)) {
            (None, None) => return pairs,
            (Some(of_then), None) => {
                pairs.push((Some(of_then.clone()), None));
                a += 1;
            }
            (None, Some(of_now)) => {
                pairs.push((None, Some(of_now.clone())));
                b += 1;
            }
            (Some(of_then), Some(of_now)) => {
                let ((a_from, a_to), (b_from, b_to)) = (span(of_then), span(of_now));
                if a_to < b_from {
                    pairs.push((Some(of_then.clone()), None));
                    a += 1;
                } else if b_to < a_from {
                    pairs.push((None, Some(of_now.clone())));
                    b += 1;
                } else {
                    pairs.push((Some(of_then.clone()), Some(of_now.clone())));
                    (a, b) = (a + 1, b + 1);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn moved(t: i64, occurrence: u32, active: bool) -> Moved {
        let (from, to) = (ShownState::Normal, ShownState::Unacknowledged);
        let told = active;
        let (alarm, priority) = ("hot".into(), Priority::High);
        Moved { t, alarm, occurrence, from, to, active, told, priority, first_out: false, follows: None }
    }

    fn spans(compared: &[Compared]) -> Vec<(Option<i64>, Option<i64>)> {
        compared
            .iter()
            .flat_map(|of| &of.lives)
            .filter_map(|(_, now)| Some((now.as_ref()?.raised, now.as_ref()?.cleared)))
            .collect()
    }

    #[test]
    fn a_life_goes_from_raise_to_clear_and_over_the_ends_of_the_range() {
        let events = [moved(50, 3, false), moved(100, 4, true), moved(160, 4, false), moved(900, 5, true)];
        let compared = compare(&[], &events, (0, 1000));
        assert_eq!(spans(&compared), [(None, Some(50)), (Some(100), Some(160)), (Some(900), None)]);
        let expected = Sum { raised: 2, stood_ms: 50 + 60 + 100, told: 2 };
        assert_eq!(compared[0].now, expected);
        assert!(compared[0].differs(), "then it was never raised");
    }

    #[test]
    fn lives_that_overlap_belong_together_and_each_is_used_once() {
        let life = |raised, cleared| Life { occurrence: 1, raised: Some(raised), cleared, told: true, follows: None };
        let then = [life(0, Some(10)), life(100, Some(200)), life(300, None)];
        let now = [life(120, Some(150)), life(160, Some(190)), life(310, None)];
        let pairs: Vec<_> = paired(&then, &now)
            .into_iter()
            .map(|(then, now)| (then.and_then(|life| life.raised), now.and_then(|life| life.raised)))
            .collect();
        assert_eq!(pairs, [(Some(0), None), (Some(100), Some(120)), (None, Some(160)), (Some(300), Some(310))]);
    }
}
