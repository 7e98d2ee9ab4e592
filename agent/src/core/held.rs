//! Holds what must not leave before the event it speaks of is on disk.
//!
//! An alarm's retained record names the event that changed it; said before that event is durable, a cut of power would
//! leave a record that speaks of a number another event will bear. Whoever has asked for something is answered after
//! those records, so that who looks next sees it. The core puts records in before it hands the commit over; the store's
//! writer lets them go after it. Bounded by the commits under way: nothing waits longer than its event. Never panics.

use std::collections::VecDeque;
use std::sync::{Mutex, MutexGuard, PoisonError};

use super::operator::{Done, Reply};

/// What waits for its event, in order.
#[derive(Debug, Default)]
pub struct Held(Mutex<VecDeque<Waiting>>);

#[derive(Debug)]
enum Waiting {
    Record { seq: u64, topic: String, payload: Vec<u8> },
    Answer { seq: u64, reply: Reply, done: Done },
}

impl Waiting {
    const fn seq(&self) -> u64 {
        match self {
            Self::Record { seq, .. } | Self::Answer { seq, .. } => *seq,
        }
    }
}

/// What no longer waits because its event has another number now.
#[derive(Debug, Default)]
pub struct Dropped {
    /// Topics whose records are to be said anew.
    pub topics: Vec<String>,
    /// Who is to be answered after them.
    pub answers: Vec<(Reply, Done)>,
}

impl Held {
    /// Holds a record until event `seq` is durable.
    pub fn push(&self, seq: u64, topic: String, payload: Vec<u8>) {
        self.lock().push_back(Waiting::Record { seq, topic, payload });
    }

    /// Holds an answer until event `seq` is durable and the records before it have left.
    pub fn answer(&self, seq: u64, reply: Reply, done: Done) {
        self.lock().push_back(Waiting::Answer { seq, reply, done });
    }

    /// Lets go what speaks of events up to `last_seq`.
    pub fn release(&self, last_seq: u64, mut say: impl FnMut(String, Vec<u8>)) {
        loop {
            let mut waiting = self.lock();
            if waiting.front().is_none_or(|waiting| waiting.seq() > last_seq) {
                return;
            }
            let Some(first) = waiting.pop_front() else { return };
            drop(waiting);
            match first {
                Waiting::Record { topic, payload, .. } => say(topic, payload),
                Waiting::Answer { reply, done, .. } => reply.say(Ok(done)),
            }
        }
    }

    /// Forgets what speaks of events after `seq`: they have other numbers now.
    #[must_use]
    pub fn drop_after(&self, seq: u64) -> Dropped {
        let mut waiting = self.lock();
        let (kept, gone): (VecDeque<Waiting>, VecDeque<Waiting>) =
            std::mem::take(&mut *waiting).into_iter().partition(|waiting| waiting.seq() <= seq);
        *waiting = kept;
        drop(waiting);
        let mut dropped = Dropped::default();
        for waiting in gone {
            match waiting {
                Waiting::Record { topic, .. } => dropped.topics.push(topic),
                Waiting::Answer { reply, done, .. } => dropped.answers.push((reply, done)),
            }
        }
        dropped
    }

    /// Forgets everything: the numbers were given anew.
    #[must_use]
    pub fn clear(&self) -> Dropped {
        self.drop_after(0)
    }

    fn lock(&self) -> MutexGuard<'_, VecDeque<Waiting>> {
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
        assert_eq!(held.drop_after(4).topics, ["c"]);
        assert_eq!(said(5), ["a"]);
        held.push(6, "d".to_owned(), vec![]);
        assert_eq!(held.clear().topics, ["d"]);
        assert!(said(9).is_empty());
    }

    #[test]
    fn who_asked_is_answered_after_the_records_of_what_was_done() {
        let held = Held::default();
        let (say, said) = std::sync::mpsc::channel();
        let ask = |seq, name: &'static str| {
            let say = say.clone();
            let reply = Reply::to(move |answer| say.send(format!("{name} {answer:?}")).expect("somebody listens"));
            held.answer(seq, reply, Done { log: "l".into(), seq: seq - 1, until: None });
        };
        held.push(4, "a".to_owned(), vec![]);
        ask(5, "first");
        ask(9, "second");
        let records = say.clone();
        let listen = |topic: String, _| records.send(topic).expect("somebody listens");
        held.release(4, listen);
        assert_eq!(said.try_iter().collect::<Vec<_>>(), ["a"]);
        held.release(8, listen);
        let answered: Vec<String> = said.try_iter().collect();
        assert!(answered.len() == 1 && answered[0].starts_with("first Ok") && answered[0].contains("seq: 4"));
        let dropped = held.drop_after(5);
        assert_eq!((dropped.topics.len(), dropped.answers.len()), (0, 1));
        assert_eq!(dropped.answers[0].1.seq, 8);
    }
}
