//! Holds what must not leave before the event it speaks of is on disk.
//!
//! An alarm's retained record names the event that changed it; said before that event is durable, a cut of power would
//! leave a record that speaks of a number another event will bear. The core puts records in before it hands the commit
//! over; the store's writer lets them go after it. Bounded by the commits under way: a record waits no longer than its
//! event. Never panics.

use std::collections::VecDeque;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Records that wait for their events, in order.
#[derive(Debug, Default)]
pub struct Held(Mutex<VecDeque<Record>>);

#[derive(Debug)]
struct Record {
    seq: u64,
    topic: String,
    payload: Vec<u8>,
}

impl Held {
    /// Holds a record until event `seq` is durable.
    pub fn push(&self, seq: u64, topic: String, payload: Vec<u8>) {
        self.lock().push_back(Record { seq, topic, payload });
    }

    /// Lets go what speaks of events up to `last_seq`.
    pub fn release(&self, last_seq: u64, mut say: impl FnMut(String, Vec<u8>)) {
        loop {
            let mut waiting = self.lock();
            if waiting.front().is_none_or(|record| record.seq > last_seq) {
                return;
            }
            let Some(record) = waiting.pop_front() else { return };
            drop(waiting);
            say(record.topic, record.payload);
        }
    }

    /// Forgets what speaks of events after `seq`: they have other numbers now. Returns the topics, to be said anew.
    #[must_use]
    pub fn drop_after(&self, seq: u64) -> Vec<String> {
        let mut waiting = self.lock();
        let (kept, dropped): (VecDeque<Record>, VecDeque<Record>) =
            std::mem::take(&mut *waiting).into_iter().partition(|record| record.seq <= seq);
        *waiting = kept;
        dropped.into_iter().map(|record| record.topic).collect()
    }

    /// Forgets everything: the numbers were given anew. Returns the topics, to be said anew.
    #[must_use]
    pub fn clear(&self) -> Vec<String> {
        self.drop_after(0)
    }

    fn lock(&self) -> MutexGuard<'_, VecDeque<Record>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_leaves_before_its_event_and_the_order_stays() {
        let held = Held::default();
        for (seq, topic) in [(3, "a"), (3, "b"), (4, "a")] {
            held.push(seq, topic.to_owned(), vec![]);
        }
        let said = |last| {
            let mut said = Vec::new();
            held.release(last, |topic, _| said.push(topic));
            said
        };
        assert!(said(2).is_empty());
        assert_eq!(said(3), ["a", "b"]);
        held.push(5, "c".to_owned(), vec![]);
        assert_eq!(held.drop_after(4), ["c"]);
        assert_eq!(said(5), ["a"]);
        held.push(6, "d".to_owned(), vec![]);
        assert_eq!(held.clear(), ["d"]);
        assert!(said(9).is_empty());
    }
}
