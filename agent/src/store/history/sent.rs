//! Which frames the broker has not confirmed: what must be sent again from history.
//!
//! A frame is a start of the agent and a number. It is handed to the publisher, and then confirmed, or lost (dropped while
//! the broker was away, or unconfirmed when a connection ended). What is handed and has no fate yet counts as missing when
//! the account is written down: after a crash it is sent again, for a frame may come twice but must come. Ranges are kept,
//! not frames, so that an outage of hours is one entry. Knows no times. Never panics.

use std::collections::{BTreeMap, BTreeSet};

use super::pack::{Bytes, Damage, put};

/// Ranges remembered; beyond them neighbours are joined, which sends some frames again that had come.
const RANGES_MAX: usize = 1024;

/// The account.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Sent {
    /// The present start.
    start: u64,
    /// Number of the next frame that will be handed over.
    next: u64,
    /// Handed to the publisher, fate unknown: start and frame.
    outstanding: BTreeSet<(u64, u64)>,
    /// First frame of each missing range, by start: the frame after its last.
    missing: BTreeMap<(u64, u64), u64>,
}

impl Sent {
    /// Of a new start, with what an earlier one left. `next` frames of earlier starts that lie beyond its account are
    /// missing too; the history knows where they end.
    #[must_use]
    pub fn begin(start: u64, before: Option<&Self>) -> Self {
        let mut missing = before.map(|before| before.missing.clone()).unwrap_or_default();
        if let Some(before) = before.filter(|before| before.start != start) {
            missing.insert((before.start, before.next), u64::MAX);
        }
        let mut sent = Self { start, next: 1, outstanding: BTreeSet::new(), missing };
        sent.join();
        sent
    }

    /// Another plan is in force in the same run, as if the agent had started, but frames go on with number `next` and those
    /// on their way have not met their fate. Returns its number.
    pub fn follow(&mut self, next: u64) -> u64 {
        (self.start, self.next) = (self.start.saturating_add(1), next);
        self.start
    }

    /// Number of the present start.
    #[must_use]
    pub const fn present(&self) -> u64 {
        self.start
    }

    /// A frame of the present start is handed over.
    pub fn handed(&mut self, frame: u64) {
        self.outstanding.insert((self.start, frame));
        self.next = self.next.max(frame.saturating_add(1));
    }

    /// The broker has confirmed a live frame, or it was lost.
    pub fn fate(&mut self, start: u64, frame: u64, confirmed: bool) {
        self.outstanding.remove(&(start, frame));
        if !confirmed {
            self.add(start, frame);
        }
    }

    /// A frame that was missing is confirmed, or cannot be made again.
    pub fn settled(&mut self, start: u64, frame: u64) {
        let found = self.missing.range(..=(start, frame)).next_back().map(|(key, next)| (*key, *next));
        if let Some((key, next)) = found.filter(|((of, _), next)| *of == start && frame < *next) {
            self.missing.remove(&key);
            if key.1 < frame {
                self.missing.insert(key, frame);
            }
            if frame + 1 < next {
                self.missing.insert((start, frame + 1), next);
            }
        }
    }

    /// Missing frames of a start from `first` up to, not including, `next` are settled.
    pub fn gone(&mut self, start: u64, first: u64, next: u64) {
        let of: Vec<((u64, u64), u64)> =
            self.missing.range((start, 0)..=(start, u64::MAX)).map(|(key, end)| (*key, *end)).collect();
        for (key, end) in of.into_iter().filter(|(key, end)| *end > first && key.1 < next) {
            self.missing.remove(&key);
            if key.1 < first {
                self.missing.insert(key, first);
            }
            if end > next {
                self.missing.insert((start, next), end);
            }
        }
    }

    /// Whether a frame is missing.
    #[must_use]
    pub fn is_missing(&self, start: u64, frame: u64) -> bool {
        let found = self.missing.range(..=(start, frame)).next_back();
        found.is_some_and(|((of, _), end)| *of == start && frame < *end)
    }

    /// Missing frames of a start between two numbers, the later one not included.
    #[must_use]
    pub fn count_in(&self, start: u64, first: u64, next: u64) -> u64 {
        let of = self.missing.range((start, 0)..=(start, u64::MAX));
        of.map(|((_, from), end)| (*end).min(next).saturating_sub((*from).max(first))).sum()
    }

    /// The oldest missing range: start, first frame, frame after the last.
    #[must_use]
    pub fn oldest(&self) -> Option<(u64, u64, u64)> {
        self.missing.first_key_value().map(|((start, first), next)| (*start, *first, *next))
    }

    /// The oldest missing frame after this one.
    #[must_use]
    pub fn after(&self, start: u64, frame: u64) -> Option<(u64, u64)> {
        let inside = self.missing.range(..=(start, frame)).next_back();
        if let Some(((of, _), next)) = inside
            && *of == start
            && frame + 1 < *next
        {
            return Some((start, frame + 1));
        }
        self.missing.range((start, frame.saturating_add(1))..).next().map(|(key, _)| *key)
    }

    /// Frames that are missing; a range whose end the history knows counts as one.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.missing.iter().map(|((_, first), next)| if *next == u64::MAX { 1 } else { next - first }).sum()
    }

    /// As it is written down.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut whole = self.clone();
        for (start, frame) in &self.outstanding {
            whole.add(*start, *frame);
        }
        let mut out = Vec::new();
        put(&mut out, whole.start);
        put(&mut out, whole.next);
        put(&mut out, whole.missing.len() as u64);
        for ((start, first), next) in &whole.missing {
            put(&mut out, *start);
            put(&mut out, *first);
            // No range is empty: 0 stands for one whose end is not known.
            put(&mut out, if *next == u64::MAX { 0 } else { next - first });
        }
        out
    }

    /// As it was written down.
    ///
    /// # Errors
    /// When the bytes are no account.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, Damage> {
        let mut bytes = Bytes::new(bytes);
        let (start, next) = (bytes.number()?, bytes.number()?);
        let mut missing = BTreeMap::new();
        for _ in 0..bytes.count()? {
            let (of, first, length) = (bytes.number()?, bytes.number()?, bytes.number()?);
            let next = if length == 0 { u64::MAX } else { first.saturating_add(length) };
            missing.insert((of, first), next);
        }
        Ok(Self { start, next, outstanding: BTreeSet::new(), missing })
    }

    fn add(&mut self, start: u64, frame: u64) {
        if !self.is_missing(start, frame) {
            self.missing.insert((start, frame), frame.saturating_add(1));
            self.join();
        }
    }

    /// Joins ranges that touch, and the nearest ones when there are too many.
    fn join(&mut self) {
        let mut joined: Vec<((u64, u64), u64)> = Vec::with_capacity(self.missing.len());
        for (key, next) in &self.missing {
            match joined.last_mut() {
                Some((before, end)) if before.0 == key.0 && *end >= key.1 => *end = (*end).max(*next),
                _ => joined.push((*key, *next)),
            }
        }
        while joined.len() > RANGES_MAX {
            let gap = |pair: &[((u64, u64), u64)]| {
                if pair[0].0.0 == pair[1].0.0 { pair[1].0.1 - pair[0].1 } else { u64::MAX }
            };
            let Some(nearest) = (1..joined.len()).min_by_key(|at| gap(&joined[at - 1..=*at])) else { break };
            if joined[nearest - 1].0.0 == joined[nearest].0.0 {
                joined[nearest - 1].1 = joined[nearest].1;
            }
            joined.remove(nearest);
        }
        self.missing = joined.into_iter().collect();
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn all(sent: &Sent) -> Vec<(u64, u64)> {
        let mut found = Vec::new();
        let mut last = sent.oldest().map(|(start, first, _)| (start, first));
        while let Some(frame) = last {
            found.push(frame);
            last = sent.after(frame.0, frame.1);
        }
        found
    }

    #[test]
    fn an_outage_is_one_range_and_is_worked_off_from_its_oldest_end() {
        let mut sent = Sent::begin(3, None);
        for frame in 1..=100 {
            sent.handed(frame);
        }
        (1..=40).for_each(|frame| sent.fate(3, frame, true));
        (41..=90).for_each(|frame| sent.fate(3, frame, false));
        assert_eq!(sent.oldest(), Some((3, 41, 91)));
        sent.settled(3, 41);
        sent.settled(3, 50);
        assert_eq!(sent.oldest(), Some((3, 42, 50)));
        assert_eq!(sent.count(), 48);
        // A crash now: ten more have no fate, and whatever history has beyond is missing too.
        let after = Sent::begin(4, Some(&Sent::from_bytes(&sent.to_bytes()).expect("an account")));
        assert_eq!(after.oldest(), Some((3, 42, 50)));
        assert_eq!(after.after(3, 49), Some((3, 51)));
        assert_eq!(after.after(3, 100), Some((3, 101)), "its end is the history's");
        let mut after = after;
        after.gone(3, 103, u64::MAX);
        assert_eq!(all(&after).len(), 8 + 52);
        assert_eq!(all(&after).last(), Some(&(3, 102)));
    }

    #[test]
    fn frames_on_their_way_when_another_plan_comes_in_force_keep_their_start() {
        let mut sent = Sent::begin(3, None);
        (1..=5).for_each(|frame| sent.handed(frame));
        assert_eq!(sent.follow(6), 4);
        sent.handed(6);
        // A crash now: what is on its way is missing, of both.
        let crashed = Sent::begin(9, Some(&Sent::from_bytes(&sent.to_bytes()).expect("an account")));
        // The second has no known end: one range.
        assert_eq!((crashed.oldest(), crashed.count()), (Some((3, 1, 6)), 6));
        assert!(crashed.is_missing(4, 6) && crashed.is_missing(4, 7) && !crashed.is_missing(4, 5));
        (1..=4).for_each(|frame| sent.fate(3, frame, true));
        sent.fate(3, 5, false);
        sent.fate(4, 6, true);
        assert_eq!(all(&sent), [(3, 5)]);
        sent.settled(3, 5);
        assert_eq!(sent.count(), 0);
    }

    proptest! {
        #[test]
        fn the_account_agrees_with_a_plain_set(fates in proptest::collection::vec((1_u64..200, any::<bool>(), any::<bool>()), 0..200)) {
            let (mut sent, mut plain) = (Sent::begin(1, None), BTreeSet::new());
            for (frame, lost, settle) in fates {
                sent.handed(frame);
                sent.fate(1, frame, !lost);
                if lost { plain.insert((1, frame)); }
                if settle { sent.settled(1, frame / 2); plain.remove(&(1, frame / 2)); }
            }
            prop_assert_eq!(all(&sent), plain.into_iter().collect::<Vec<_>>());
            let back = Sent::from_bytes(&sent.to_bytes()).expect("an account");
            prop_assert_eq!(all(&back), all(&sent));
        }

        #[test]
        fn noise_is_no_panic(noise in proptest::collection::vec(any::<u8>(), 0..60)) {
            if let Ok(sent) = Sent::from_bytes(&noise) {
                let _count = Sent::begin(9, Some(&sent)).oldest();
            }
        }
    }

    #[test]
    fn many_ranges_are_joined_where_they_are_nearest() {
        let mut sent = Sent::begin(1, None);
        for frame in (0..4000).step_by(3) {
            sent.handed(frame);
            sent.fate(1, frame, false);
        }
        assert!(sent.missing.len() <= RANGES_MAX);
        let found: BTreeSet<_> = all(&sent).into_iter().collect();
        assert!((0..4000).step_by(3).all(|frame| found.contains(&(1, frame))), "none is forgotten");
    }
}
