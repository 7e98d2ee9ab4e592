//! The one loop where readings meet the engine.
//!
//! Links give it readings, store and publisher take what it emits; it knows no protocol by name. It runs on a thread of
//! its own and owns the engine, so nothing in it is ever locked while judging. `run` is the loop, `judge` feeds the
//! engine, `ledger` numbers events, `tell` finds the words, `frames` collects what is published, `figures` counts.

pub mod clock;
pub mod derived;
pub mod figures;
pub mod frames;
pub mod held;
pub mod judge;
pub mod ledger;
pub mod run;
pub mod saved;
pub mod tell;

use std::sync::Arc;
use std::sync::mpsc::{self, Receiver, SyncSender};

use crate::field::FieldMessage;
use crate::publish::Notice;

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
    /// The simulator has applied a fault: times to announcement count from now.
    Fault,
    /// End in order.
    Stop,
}

/// The way into the core.
#[derive(Clone, Debug)]
pub struct Door {
    sender: SyncSender<Message>,
    dropped: Arc<std::sync::atomic::AtomicU64>,
}

impl Door {
    /// The door and the end the core listens at.
    #[must_use]
    pub fn new() -> (Self, Receiver<Message>) {
        let (sender, receiver) = mpsc::sync_channel(QUEUE);
        (Self { sender, dropped: Arc::default() }, receiver)
    }

    /// Hands in a message without waiting; a message the queue has no room for is dropped and counted.
    pub fn hand_in(&self, message: Message) {
        if self.sender.try_send(message).is_err() {
            self.dropped.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        }
    }

    /// Hands in a message that must not be lost, waiting for room.
    pub fn hand_in_surely(&self, message: Message) {
        // The core is gone: nobody is left to care.
        let _gone = self.sender.send(message);
    }

    /// Messages dropped so far.
    #[must_use]
    pub fn dropped(&self) -> u64 {
        self.dropped.load(std::sync::atomic::Ordering::Relaxed)
    }
}
