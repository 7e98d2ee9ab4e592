//! The one loop where readings meet the engine.
//!
//! Links give it readings, store and publisher take what it emits; it knows no protocol by name. It runs on a thread of
//! its own and owns the engine, so nothing in it is ever locked while judging. `run` is the loop, `judge` feeds the
//! engine, `incidents` says what follows from what, `operator` is the door for people, `ledger` numbers events, `tell`
//! finds the words, `carry` says what of one plan holds under the next, `frames` collects what is published, `keeping` what is kept, `figures` counts.

pub mod board;
pub mod carry;
pub(crate) mod certificates;
pub mod clock;
pub mod compare;
pub mod derived;
pub mod figures;
pub mod frames;
pub mod gap;
pub mod health;
pub mod held;
pub mod incidents;
pub mod judge;
pub mod keeping;
mod lacking;
pub mod ledger;
pub mod marks;
pub mod once;
pub mod operator;
mod renewal;
pub mod rules;
pub mod run;
pub mod saved;
pub mod tell;
pub mod urgency;

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::mpsc::SyncSender;
use std::time::Duration;

use flume::{Receiver, RecvTimeoutError, Sender};

use crate::field::FieldMessage;
use crate::field::moves::Move;
use crate::plan::Plan;
use crate::publish::Notice;
use crate::store::history::Account;

/// Messages that wait for the core. At 800 points a second and one message a transaction this is minutes; when it is
/// full a reading is dropped and counted, the point grows out of date and says so.
const QUEUE: usize = 8192;

/// What the core is told.
#[derive(Debug)]
pub enum Message {
    /// From the links.
    Field(FieldMessage),
    /// From the publisher.
    Broker(Notice),
    /// From a person, through whatever room took it.
    Operator(Box<operator::Request>),
    /// Commands came that nobody is proved to have given: what was wrong, and how many.
    Unproved(String),
    /// A recipient is reached again, or no longer.
    Recipient {
        /// Its index in the plan.
        recipient: usize,
        /// Whether it is reached.
        reached: bool,
        /// Why not.
        why: Option<crate::cause::Cause>,
    },
    /// The simulator has applied a fault: times to announcement count from now.
    Fault,
    /// Another plan is in force from here on: what came before is of the one before.
    Apply(Box<Applied>),
    /// A changed configuration was refused.
    Refused {
        /// Its hash, where it was read so far.
        hash: String,
        /// What is wrong with it.
        why: String,
    },
    /// End in order.
    Stop,
}

/// A plan with everything that belongs to it.
pub struct Applied {
    /// The plan.
    pub plan: Arc<Plan>,
    /// Numbers of its points.
    pub ids: Vec<u32>,
    /// Hash of its catalogue.
    pub catalogue: String,
    /// What shows how its points and alarms stand.
    pub board: Arc<board::Board>,
    /// Lets presence and will speak of it.
    pub renew: run::Renew,
    /// What history keeps about it.
    pub account: Option<Account>,
    /// Links of the plan before that go on.
    pub links: Vec<Move>,
    /// Retained topics of the plan before that it does not have.
    pub gone: Vec<String>,
    /// Told when it is in force; `None` at the start.
    pub in_force: Option<SyncSender<()>>,
}

impl std::fmt::Debug for Applied {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Applied").field("catalogue", &self.catalogue).finish_non_exhaustive()
    }
}

/// Room at the end of the queue that readings may not take: what tells that a link, a device or the broker has changed
/// must reach the core when it is behind, or an alarm would be missed.
const RESERVE: usize = 1024;

/// The way into the core.
#[derive(Clone, Debug)]
pub struct Door {
    sender: Sender<Message>,
    waiting: Arc<AtomicUsize>,
    dropped: Arc<AtomicU64>,
}

/// The end the core listens at.
#[derive(Debug)]
pub struct Inlet {
    receiver: Receiver<Message>,
    waiting: Arc<AtomicUsize>,
}

impl Door {
    /// The door and the end the core listens at.
    #[must_use]
    pub fn new() -> (Self, Inlet) {
        let (sender, receiver) = flume::bounded(QUEUE);
        let waiting = Arc::new(AtomicUsize::new(0));
        let inlet = Inlet { receiver, waiting: Arc::clone(&waiting) };
        (Self { sender, waiting, dropped: Arc::default() }, inlet)
    }

    /// Hands in a message without waiting; one the queue has no room for is dropped and counted. Readings leave the
    /// reserve to what may not be missed.
    pub fn hand_in(&self, message: Message) {
        let no_room = message.is_reading() && self.waiting.load(Ordering::Relaxed) >= QUEUE - RESERVE;
        if no_room || !self.sent(|| self.sender.try_send(message).is_ok()) {
            self.dropped.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// Hands in a message that must not be lost, waiting for room.
    pub fn hand_in_surely(&self, message: Message) {
        // When the core is gone nobody is left to care.
        let _gone = self.sent(|| self.sender.send(message).is_ok());
    }

    /// Messages that wait for the core.
    #[must_use]
    pub fn waiting(&self) -> usize {
        self.waiting.load(Ordering::Relaxed)
    }

    /// Messages dropped so far.
    #[must_use]
    pub fn dropped(&self) -> u64 {
        self.dropped.load(Ordering::Relaxed)
    }

    /// Counts before it sends, so that the core never takes out what was not counted.
    fn sent(&self, send: impl FnOnce() -> bool) -> bool {
        self.waiting.fetch_add(1, Ordering::Relaxed);
        let sent = send();
        if !sent {
            self.waiting.fetch_sub(1, Ordering::Relaxed);
        }
        sent
    }
}

impl Inlet {
    /// The next message, waiting for it at most so long.
    ///
    /// # Errors
    /// When none came in time, or none can come any more.
    pub fn recv_timeout(&self, wait: Duration) -> Result<Message, RecvTimeoutError> {
        self.receiver.recv_timeout(wait).inspect(|_| self.taken())
    }

    /// The next message if there is one.
    #[must_use]
    pub fn try_recv(&self) -> Option<Message> {
        self.receiver.try_recv().ok().inspect(|_| self.taken())
    }

    fn taken(&self) {
        self.waiting.fetch_sub(1, Ordering::Relaxed);
    }
}

impl Message {
    /// Whether it only brings readings or counts, which come again.
    const fn is_reading(&self) -> bool {
        matches!(self, Self::Field(FieldMessage::Batch(_) | FieldMessage::Counts { .. } | FieldMessage::Late { .. }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flood_of_readings_leaves_room_for_what_may_not_be_missed() {
        let (door, inlet) = Door::new();
        for _ in 0..QUEUE * 2 {
            door.hand_in(Message::Field(FieldMessage::Late { transaction: 0, skipped: 1 }));
        }
        assert_eq!(door.dropped(), (QUEUE + RESERVE) as u64);
        let down = FieldMessage::LinkState {
            link: 3,
            up: false,
            why: crate::field::why::Why::NotConnected,
            at: std::time::Instant::now(),
        };
        door.hand_in(Message::Field(down.clone()));
        assert_eq!(door.dropped(), (QUEUE + RESERVE) as u64, "the state of a link found room");
        let all: Vec<Message> = std::iter::from_fn(|| inlet.try_recv()).collect();
        assert_eq!(all.len(), QUEUE - RESERVE + 1);
        assert!(matches!(all.last(), Some(Message::Field(last)) if *last == down));
        // What was taken out has made room again.
        door.hand_in(Message::Field(FieldMessage::Late { transaction: 0, skipped: 1 }));
        assert!(inlet.try_recv().is_some());
    }
}
