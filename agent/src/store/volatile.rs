//! The volatile log: where events go while the disk does not take them, and what of it the store still lacks.
//!
//! It has an identity of its own, so that no number it gives can ever be given again by the store that failed. Its events
//! are numbered from 1 and keep the rows they will have in the store, behind the last durable event of the log before;
//! they leave at once, marked as not durable, and are copied into the store when the disk is back. From then on it is the
//! store's log. Bounded in bytes: what the broker has goes first, then the oldest. It touches no disk and knows no
//! clock; when it begins and ends `writer` and `worker` decide. Never panics.
//!
//! ```text
//! log before: 1 … k │ k+1 … m waited for a disk that failed        (never published under these numbers)
//! volatile log:     │ 1 (says so), 2 … the same events again, and what follows  ──copied──> its own rows in the store
//! ```

use crate::cause::Cause;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;
use std::time::Instant;

use super::{Commit, EventRow, OutboxRow, SavedAlarm, SavedMark, SeenCommand, TellingKey, TellingRow};

/// Payloads it holds at most, bytes; some thousand events.
const HELD_BYTES: usize = 8 * 1024 * 1024;
/// Events copied in one transaction.
const COPY_ROWS: usize = 4096;

/// The volatile log.
#[derive(Debug)]
pub(super) struct Volatile {
    id: Arc<str>,
    base: u64,
    pub(super) since: Instant,
    pub(super) why: Cause,
    /// The store knows it: the log before is closed there.
    entered: bool,
    last_seq: u64,
    copied_seq: u64,
    events: VecDeque<EventRow>,
    bytes: usize,
    confirmed: BTreeSet<u64>,
    /// Tellings that were done.
    told: BTreeSet<TellingKey>,
    alarms: BTreeMap<String, Option<SavedAlarm>>,
    marks: BTreeMap<(String, String), SavedMark>,
    seen: Vec<SeenCommand>,
    dropped: u64,
}

/// What one transaction copies into the store.
#[derive(Clone, Debug)]
pub(super) struct Copy {
    pub(super) id: Arc<str>,
    pub(super) base: u64,
    pub(super) entered: bool,
    pub(super) events: Vec<EventRow>,
    /// Outbox rows the broker has confirmed already.
    pub(super) confirmed: BTreeSet<u64>,
    /// Tellings that were done already.
    pub(super) told: BTreeSet<TellingKey>,
    /// New states of alarms; `None` for alarms that are no more.
    pub(super) alarms: BTreeMap<String, Option<SavedAlarm>>,
    /// What devices show and what a person has confirmed of it, by device and feature.
    pub(super) marks: BTreeMap<(String, String), SavedMark>,
    /// Commands that were taken.
    pub(super) seen: Vec<SeenCommand>,
}

impl Volatile {
    /// Begins after event row `base` of the store.
    pub(super) fn new(id: &str, base: u64, since: Instant, why: Cause) -> Self {
        Self {
            id: Arc::from(id),
            base,
            since,
            why,
            entered: false,
            last_seq: 0,
            copied_seq: 0,
            events: VecDeque::new(),
            bytes: 0,
            confirmed: BTreeSet::new(),
            told: BTreeSet::new(),
            alarms: BTreeMap::new(),
            marks: BTreeMap::new(),
            seen: Vec::new(),
            dropped: 0,
        }
    }

    pub(super) fn id(&self) -> &Arc<str> {
        &self.id
    }

    pub(super) const fn base(&self) -> u64 {
        self.base
    }

    /// Highest outbox row that may be read from the store: what it has later was given up and is numbered anew here.
    pub(super) fn edge(&self) -> Option<u64> {
        (!self.entered).then_some(2 * self.base + 1)
    }

    /// Its rows go into another store than the one that failed, behind row `base` there. What that one had of it is gone.
    pub(super) fn move_to(&mut self, base: u64) {
        let row = |row: u64| row.saturating_sub(self.base).saturating_add(base);
        self.confirmed = self.confirmed.iter().map(|id| 2 * row(id / 2) + id % 2).collect();
        self.told = self.told.iter().map(|(of, name)| (row(*of), name.clone())).collect();
        self.base = base;
        self.entered = false;
    }

    pub(super) const fn last_seq(&self) -> u64 {
        self.last_seq
    }

    /// Events let go because memory is bounded.
    pub(super) const fn dropped(&self) -> u64 {
        self.dropped
    }

    /// Events that are only in memory.
    pub(super) fn held(&self) -> usize {
        self.events.len()
    }

    /// Packets of these events the broker has not confirmed.
    pub(super) fn unsent(&self) -> u64 {
        let rows: usize = self.events.iter().map(|event| 1 + usize::from(event.announce.is_some())).sum();
        rows.saturating_sub(self.confirmed.len()) as u64
    }

    /// Takes a commit; returns its packets and tellings, to be sent at once.
    pub(super) fn take(&mut self, commit: Commit) -> (Vec<OutboxRow>, Vec<TellingRow>) {
        for alarm in commit.alarms {
            self.alarms.insert(alarm.id.clone(), Some(alarm));
        }
        for id in commit.removed {
            self.alarms.insert(id, None);
        }
        for mark in commit.marks {
            self.marks.insert((mark.device.clone(), mark.feature.clone()), mark);
        }
        self.seen.extend(commit.seen);
        let (mut rows, mut told) = (Vec::new(), Vec::new());
        for event in commit.events {
            rows.extend(packets(&self.id, self.base, &event));
            told.extend(tellings(&self.id, self.base, &event, true));
            self.last_seq = event.seq;
            self.bytes += weight(&event);
            self.events.push_back(event);
        }
        self.bound();
        (rows, told)
    }

    /// Whether this telling belongs to an event that is only in memory; notes that it is done if so.
    pub(super) fn tell(&mut self, key: &TellingKey) -> bool {
        let held = key.0 > self.base + self.copied_seq && key.0 <= self.base + self.last_seq;
        if held {
            self.told.insert(key.clone());
        }
        held
    }

    /// Whether this outbox row belongs to an event that is only in memory; notes its confirmation if so.
    pub(super) fn confirm(&mut self, id: u64) -> bool {
        let row = id / 2;
        let held = row > self.base + self.copied_seq && row <= self.base + self.last_seq;
        if held {
            self.confirmed.insert(id);
        }
        held
    }

    /// What the next transaction copies.
    pub(super) fn to_copy(&self) -> Copy {
        Copy {
            id: Arc::clone(&self.id),
            base: self.base,
            entered: self.entered,
            events: self.events.iter().take(COPY_ROWS).cloned().collect(),
            confirmed: self.confirmed.clone(),
            told: self.told.clone(),
            alarms: self.alarms.clone(),
            marks: self.marks.clone(),
            seen: self.seen.clone(),
        }
    }

    /// A copy has become durable. Returns rows that were confirmed meanwhile, to be removed from the outbox, and tellings
    /// that were done meanwhile.
    pub(super) fn copied(&mut self, copy: &Copy) -> (Vec<u64>, Vec<TellingKey>) {
        self.entered = true;
        if let Some(last) = copy.events.last() {
            self.copied_seq = self.copied_seq.max(last.seq);
        }
        while let Some(event) = self.events.front().filter(|event| event.seq <= self.copied_seq) {
            self.bytes = self.bytes.saturating_sub(weight(event));
            self.events.pop_front();
        }
        self.alarms.retain(|id, state| copy.alarms.get(id) != Some(state));
        self.marks.retain(|key, mark| copy.marks.get(key) != Some(mark));
        self.seen.retain(|command| !copy.seen.contains(command));
        let edge = 2 * (self.base + self.copied_seq) + 1;
        let later = self.confirmed.split_off(&(edge + 1));
        let gone = std::mem::replace(&mut self.confirmed, later);
        let later = self.told.split_off(&(self.base + self.copied_seq + 1, String::new()));
        let told = std::mem::replace(&mut self.told, later);
        (
            gone.into_iter().filter(|id| !copy.confirmed.contains(id)).collect(),
            told.into_iter().filter(|key| !copy.told.contains(key)).collect(),
        )
    }

    /// Whether the store lacks nothing of it.
    pub(super) fn is_copied(&self) -> bool {
        self.entered
            && self.events.is_empty()
            && self.alarms.is_empty()
            && self.marks.is_empty()
            && self.seen.is_empty()
    }

    fn bound(&mut self) {
        while self.bytes > HELD_BYTES && self.events.len() > 1 {
            let confirmed = self.events.iter().position(|event| self.has_broker(event));
            let Some(event) = self.events.remove(confirmed.unwrap_or(0)) else { return };
            self.bytes = self.bytes.saturating_sub(weight(&event));
            let id = 2 * (self.base + event.seq);
            self.confirmed.remove(&id);
            self.confirmed.remove(&(id + 1));
            self.dropped += 1;
        }
    }

    fn has_broker(&self, event: &EventRow) -> bool {
        let id = 2 * (self.base + event.seq);
        self.confirmed.contains(&id) && (event.announce.is_none() || self.confirmed.contains(&(id + 1)))
    }
}

/// An event's packets, in the order of the outbox.
pub(super) fn packets(log: &Arc<str>, base: u64, event: &EventRow) -> impl Iterator<Item = OutboxRow> {
    let id = 2 * (base + event.seq);
    let row = |id, announce, payload| OutboxRow {
        id,
        log: Arc::clone(log),
        seq: event.seq,
        t_ms: event.t_ms,
        announce,
        payload,
    };
    let said = row(id, None, event.payload.clone());
    let announced = event.announce.clone().map(|(topic, payload)| row(id + 1, Some(topic), payload));
    std::iter::once(said).chain(announced)
}

/// Who is to be told of an event.
pub(super) fn tellings(
    log: &Arc<str>,
    base: u64,
    event: &EventRow,
    volatile: bool,
) -> impl Iterator<Item = TellingRow> {
    event.tellings.iter().map(move |telling| TellingRow {
        row: base + event.seq,
        log: Arc::clone(log),
        seq: event.seq,
        telling: telling.clone(),
        payload: event.payload.clone(),
        volatile,
    })
}

fn weight(event: &EventRow) -> usize {
    // The row itself and its place in the queue.
    128 + event.payload.len() + event.announce.as_ref().map_or(0, |(topic, text)| topic.len() + text.len())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::Telling;
    use crate::store::tests::{commit, event};

    fn volatile() -> Volatile {
        Volatile::new("v", 100, Instant::now(), "the disk is gone".into())
    }

    #[test]
    fn rows_follow_the_log_before_and_confirmations_are_kept_until_copied() {
        let mut log = volatile();
        let mut first = commit(1..=2);
        first.events[1].announce = Some(("announce/high".into(), b"warm".to_vec()));
        let ids: Vec<u64> = log.take(first).0.iter().map(|row| row.id).collect();
        assert_eq!(ids, [202, 204, 205]);
        assert!(log.confirm(202) && !log.confirm(200) && !log.confirm(206));
        assert_eq!(log.unsent(), 2);
        let copy = log.to_copy();
        assert!(log.confirm(204), "confirmed while the copy is being written");
        assert!(log.take(commit([3])).0.len() == 1);
        assert_eq!(log.copied(&copy).0, [204]);
        assert!(!log.is_copied(), "event 3 came meanwhile");
        assert!(!log.confirm(205), "it is in the store now");
        let copy = log.to_copy();
        assert_eq!(copy.events, [event(3)]);
        assert!(log.copied(&copy).0.is_empty() && log.is_copied());
    }

    #[test]
    fn what_was_told_meanwhile_is_not_told_again_from_the_store() {
        let mut log = volatile();
        let mut first = commit(1..=3);
        let telling = |name: &str| Telling { recipient: name.into(), due_ms: 5, after_ms: 0, further: false };
        for event in &mut first.events {
            event.tellings = vec![telling("a"), telling("b")];
        }
        let (_, told) = log.take(first);
        assert_eq!(told.len(), 6);
        assert!(told.iter().all(|row| row.volatile && !row.payload.is_empty()));
        let key = |row, name: &str| (row, name.to_owned());
        assert!(log.tell(&key(101, "a")) && !log.tell(&key(100, "a")) && !log.tell(&key(104, "a")));
        let copy = log.to_copy();
        assert!(copy.told.contains(&key(101, "a")));
        assert!(log.tell(&key(102, "b")), "told while the copy is being written");
        assert_eq!(log.copied(&copy).1, [key(102, "b")]);
        assert!(!log.tell(&key(103, "a")), "it is in the store now");
    }

    #[test]
    fn the_newest_state_of_an_alarm_is_copied() {
        let mut log = volatile();
        let state = |state: u8| SavedAlarm { id: "a".into(), digest: 1, state: vec![state] };
        log.take(Commit { alarms: vec![state(1)], ..Commit::default() });
        let copy = log.to_copy();
        log.take(Commit { alarms: vec![state(2)], ..Commit::default() });
        log.copied(&copy);
        assert_eq!(log.to_copy().alarms["a"], Some(state(2)));
        log.take(Commit { removed: vec!["a".into()], ..Commit::default() });
        assert_eq!(log.to_copy().alarms["a"], None);
    }

    #[test]
    fn memory_is_bounded_and_what_the_broker_has_goes_first() {
        let mut log = volatile();
        let big = |seq| {
            let mut commit = commit([seq]);
            commit.events[0].payload = vec![b'x'; 4000];
            commit
        };
        for seq in 1..=1000 {
            log.take(big(seq));
        }
        assert_eq!(log.dropped(), 0);
        for seq in 501..=1000_u64 {
            assert!(log.confirm(2 * (100 + seq)));
        }
        for seq in 1001..=2400 {
            log.take(big(seq));
        }
        assert!(log.bytes <= HELD_BYTES && log.dropped() > 0 && log.dropped() < 500);
        assert_eq!(log.events.front().map(|event| event.seq), Some(1), "the broker has not got it");
        for seq in 2401..=6000 {
            log.take(big(seq));
        }
        assert!(log.bytes <= HELD_BYTES);
        assert!(log.events.front().is_some_and(|event| event.seq > 1), "then the oldest go");
    }
}
