//! What waits to be told to whom, and what is due: gathered by incident, bounded by recipient, with pauses after failures.
//!
//! It neither sends nor reads a disk. Moments are monotonic; `due_ms` of a telling is a wall stamp that only bounds how
//! long it still waits after a restart: never longer than it was to wait at first. Never panics.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use lapwing_protocol::Event;
use lapwing_protocol::event::Detail;

use crate::store::{TellingKey, TellingRow};

/// How long an alarm waits for others of its incident: one message tells of all.
pub(super) const GATHER: Duration = Duration::from_secs(3);
/// Tellings that wait for one recipient; the oldest go first, because what is new matters more.
pub(super) const WAITING: usize = 200;
/// Alarms in one message.
pub(super) const ALARMS: usize = 20;
/// First and longest pause after a failure.
const PAUSE: (Duration, Duration) = (Duration::from_secs(5), Duration::from_secs(300));

/// One telling that waits.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Waiting {
    pub(super) row: TellingRow,
    pub(super) recipient: usize,
    pub(super) due: Instant,
    /// The alarm it is about; empty if its event cannot be read.
    pub(super) alarm: String,
    pub(super) occurrence: u32,
    pub(super) incident: Option<u64>,
}

/// What stands about one recipient.
#[derive(Clone, Debug, Default)]
struct State {
    /// A message is under way.
    busy: bool,
    failures: u32,
    /// Nothing is tried before.
    next: Option<Instant>,
    given_up: u64,
}

/// Everything that waits.
#[derive(Debug)]
pub(super) struct Queue {
    waiting: BTreeMap<TellingKey, Waiting>,
    states: Vec<State>,
}

/// A message that is due.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Due {
    pub(super) recipient: usize,
    /// Oldest first, at least one.
    pub(super) tellings: Vec<Waiting>,
    pub(super) given_up: u64,
}

impl Queue {
    pub(super) fn new(recipients: usize) -> Self {
        Self { waiting: BTreeMap::new(), states: vec![State::default(); recipients] }
    }

    /// Takes a telling for a recipient. Returns one that had to go for it.
    pub(super) fn push(&mut self, recipient: usize, row: TellingRow, now: Instant, now_ms: i64) -> Option<TellingKey> {
        let left = u64::try_from(row.telling.due_ms.saturating_sub(now_ms)).unwrap_or(0).min(row.telling.after_ms);
        let event = serde_json::from_slice::<Event>(&row.payload).ok();
        let (alarm, occurrence, incident) = match event.map(|event| event.detail) {
            Some(Detail::Alarm(change)) => (change.alarm, change.occurrence, change.incident),
            _ => (String::new(), 0, None),
        };
        let mut row = row;
        if !row.volatile {
            // It is read again when it is sent.
            row.payload = Vec::new();
        }
        let due = now + Duration::from_millis(left);
        self.waiting.insert(row.key(), Waiting { row, recipient, due, alarm, occurrence, incident });
        let of = self.waiting.iter().filter(|(_, waiting)| waiting.recipient == recipient);
        if of.clone().count() <= WAITING {
            return None;
        }
        let oldest = of.min_by_key(|(_, waiting)| waiting.due).map(|(key, _)| key.clone())?;
        self.waiting.remove(&oldest);
        if let Some(state) = self.states.get_mut(recipient) {
            state.given_up += 1;
        }
        Some(oldest)
    }

    /// The next message that is due; its recipient is busy until [`Queue::free`] or its like.
    pub(super) fn next(&mut self, now: Instant) -> Option<Due> {
        for recipient in 0..self.states.len() {
            let state = &self.states[recipient];
            if state.busy || state.next.is_some_and(|next| next > now) {
                continue;
            }
            let behind = state.failures > 0;
            let mut due: Vec<&Waiting> =
                self.waiting.values().filter(|w| w.recipient == recipient && w.due <= now).collect();
            due.sort_by_key(|waiting| (waiting.due, waiting.row.row));
            let Some(first) = due.first().copied() else { continue };
            // Whoever is behind, or was to wait anyway, waits no longer for others.
            if !behind && !first.row.telling.further && first.due + GATHER > now {
                continue;
            }
            let belongs = |waiting: &&Waiting| {
                waiting.row.key() == first.row.key()
                    || behind
                    || (first.incident.is_some()
                        && waiting.incident == first.incident
                        && waiting.row.log == first.row.log)
            };
            let mut tellings: Vec<Waiting> = due.iter().copied().filter(belongs).take(ALARMS).cloned().collect();
            // What nobody has acknowledged either, and would be told a moment later, goes along.
            if first.row.telling.further {
                let soon = |w: &&Waiting| {
                    w.recipient == recipient && w.row.telling.further && w.due > now && w.due <= now + GATHER
                };
                let mut soon: Vec<&Waiting> = self.waiting.values().filter(soon).filter(belongs).collect();
                soon.sort_by_key(|waiting| (waiting.due, waiting.row.row));
                tellings.extend(soon.into_iter().take(ALARMS.saturating_sub(tellings.len())).cloned());
            }
            let given_up = state.given_up;
            self.states[recipient].busy = true;
            return Some(Due { recipient, tellings, given_up });
        }
        None
    }

    /// When [`Queue::next`] may have something although nothing else happens.
    pub(super) fn due_at(&self) -> Option<Instant> {
        let of = |waiting: &Waiting| {
            let state = self.states.get(waiting.recipient).filter(|state| !state.busy)?;
            let gather = if state.failures > 0 || waiting.row.telling.further { Duration::ZERO } else { GATHER };
            let due = waiting.due + gather;
            Some(state.next.map_or(due, |next| due.max(next)))
        };
        self.waiting.values().filter_map(of).min()
    }

    /// These are done with, told or not worth telling.
    pub(super) fn remove(&mut self, keys: &[TellingKey]) {
        for key in keys {
            self.waiting.remove(key);
        }
    }

    /// A message has left, or there was nothing to tell after all.
    pub(super) fn free(&mut self, recipient: usize) {
        if let Some(state) = self.states.get_mut(recipient) {
            state.busy = false;
        }
    }

    /// A message has got through.
    pub(super) fn got_through(&mut self, recipient: usize, given_up: u64) {
        if let Some(state) = self.states.get_mut(recipient) {
            *state = State { given_up: state.given_up.saturating_sub(given_up), ..State::default() };
        }
    }

    /// A message has not got through; `share` in 0 to 1 spreads the next try.
    pub(super) fn failed(&mut self, recipient: usize, now: Instant, share: f64) {
        if let Some(state) = self.states.get_mut(recipient) {
            let pause = PAUSE.0.saturating_mul(1 << state.failures.min(6)).min(PAUSE.1);
            state.busy = false;
            state.failures = state.failures.saturating_add(1);
            state.next = Some(now + pause.mul_f64(0.75 + share.clamp(0.0, 1.0) * 0.5));
        }
    }

    /// Looks again at a recipient after a while.
    pub(super) fn postpone(&mut self, recipient: usize, until: Instant) {
        if let Some(state) = self.states.get_mut(recipient) {
            state.busy = false;
            state.next = Some(until);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notify::testing::{telling, telling_of};

    fn second(n: u64) -> Duration {
        Duration::from_secs(n)
    }

    fn rows(due: Option<Due>) -> Vec<u64> {
        due.map(|due| due.tellings.iter().map(|waiting| waiting.row.row).collect()).unwrap_or_default()
    }

    #[test]
    fn one_message_an_incident_after_a_moment() {
        let (mut queue, now) = (Queue::new(2), Instant::now());
        queue.push(0, telling(10, "a", 7), now, 0);
        queue.push(0, telling(11, "a", 8), now, 0);
        queue.push(0, telling(12, "a", 7), now + second(1), 0);
        queue.push(1, telling(10, "b", 7), now, 0);
        assert_eq!(queue.next(now + second(2)), None, "others of the incident may follow");
        assert_eq!(queue.due_at(), Some(now + GATHER));
        assert_eq!(rows(queue.next(now + GATHER)), [10, 12]);
        let other = queue.next(now + GATHER).expect("the second recipient does not wait for the first");
        assert_eq!((other.recipient, other.tellings.len()), (1, 1));
        assert_eq!(queue.next(now + GATHER), None, "both are busy");
        queue.remove(&[(10, "a".into()), (12, "a".into())]);
        queue.got_through(0, 0);
        assert_eq!(rows(queue.next(now + GATHER)), [11]);
    }

    #[test]
    fn after_a_failure_all_that_waits_goes_in_one_message_after_a_growing_pause() {
        let (mut queue, now) = (Queue::new(1), Instant::now());
        queue.push(0, telling(10, "a", 7), now, 0);
        queue.push(0, telling(11, "a", 8), now, 0);
        let mut at = now + GATHER;
        let mut pauses = Vec::new();
        for _ in 0..9 {
            assert!(!rows(queue.next(at)).is_empty());
            queue.failed(0, at, 0.5);
            let next = queue.due_at().expect("tried again");
            pauses.push((next - at).as_secs());
            assert_eq!(queue.next(next - Duration::from_millis(1)), None);
            at = next;
        }
        assert_eq!(pauses, [5, 10, 20, 40, 80, 160, 300, 300, 300]);
        assert_eq!(rows(queue.next(at)), [10, 11]);
        queue.got_through(0, 0);
        queue.remove(&[(10, "a".into()), (11, "a".into())]);
        assert_eq!(queue.due_at(), None);
    }

    #[test]
    fn a_further_recipient_waits_its_time_and_after_a_restart_no_longer_than_that() {
        let (mut queue, now) = (Queue::new(1), Instant::now());
        let further = |due_ms| telling_of(10, "a", 7, due_ms, 600_000, true);
        queue.push(0, further(600_000), now, 0);
        assert_eq!(queue.due_at(), Some(now + second(600)));
        assert_eq!(rows(queue.next(now + second(600))), [10]);
        // The box was off, or its clock was set back: at most the whole wait again, at least none.
        for (now_ms, left) in [(500_000, 100), (9_000_000, 0), (-9_000_000, 600)] {
            let mut queue = Queue::new(1);
            queue.push(0, further(600_000), now, now_ms);
            assert_eq!(queue.due_at(), Some(now + second(left)), "{now_ms}");
        }
    }

    #[test]
    fn what_nobody_has_acknowledged_of_one_incident_is_passed_on_in_one_message() {
        let (mut queue, now) = (Queue::new(1), Instant::now());
        for (row, incident, due_ms) in [(10, 7, 600_000), (11, 7, 601_000), (12, 8, 601_000), (13, 7, 604_000)] {
            queue.push(0, telling_of(row, "a", incident, due_ms, 900_000, true), now, 0);
        }
        assert_eq!(rows(queue.next(now + second(599))), [0; 0], "nothing before its time");
        assert_eq!(rows(queue.next(now + second(600))), [10, 11]);
    }

    #[test]
    fn bounded_and_the_oldest_go_first() {
        let (mut queue, now) = (Queue::new(1), Instant::now());
        for row in 0..WAITING as u64 {
            assert_eq!(queue.push(0, telling(row, "a", row), now + Duration::from_millis(row), 0), None);
        }
        assert_eq!(queue.push(0, telling(900, "a", 900), now + second(1), 0), Some((0, "a".into())));
        let due = queue.next(now + second(9)).expect("due");
        assert_eq!((due.given_up, due.tellings[0].row.row), (1, 1));
        queue.failed(0, now, 0.0);
        let due = queue.next(now + second(900)).expect("due");
        assert_eq!(due.tellings.len(), ALARMS, "a long absence makes messages of bounded size");
        queue.got_through(0, due.given_up);
        assert_eq!(queue.next(now + second(900)).map(|due| due.given_up), Some(0));
    }
}
