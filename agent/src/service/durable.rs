//! What follows once events are on disk: who listens hears them, who is to be told is told, what was held leaves.
//!
//! Called on the store's thread, in the order of the commits; it waits for nobody. Never panics.

use std::sync::{Arc, OnceLock};

use crate::core::board::{Board, Happened};
use crate::core::held::Held;
use crate::core::run::Told;
use crate::publish::Publisher;
use crate::store::{Durable, TellingRow};

/// Where what is durable goes.
pub(super) struct Hearers<T> {
    /// Who listens beside the publisher.
    pub(super) told: flume::Sender<Told>,
    pub(super) board: Arc<Board>,
    /// Records that wait for their events.
    pub(super) held: Arc<Held>,
    /// Takes who is to be told directly.
    pub(super) tell: T,
    /// The publisher needs the writer that calls this: it is filled in once both are there.
    pub(super) publisher: Arc<OnceLock<Publisher>>,
}

impl<T: Fn(Vec<TellingRow>)> Hearers<T> {
    /// Hands on what a commit has made durable; to the broker the records go before their events.
    pub(super) fn hear(&self, durable: Durable) {
        for row in durable.rows.iter().filter(|row| row.announce.is_none()) {
            // A listener that does not keep up misses lines; the event log has them.
            let _full = self.told.try_send(Told::Event(row.payload.clone()));
            self.board.happened(Happened::Event(row.payload.as_slice().into()));
        }
        (self.tell)(durable.tellings);
        let Some(publisher) = self.publisher.get() else { return };
        self.held.release(durable.last_seq, |topic, payload| {
            let payload: Arc<[u8]> = payload.into();
            if let Some(id) = topic.strip_prefix("alarm/") {
                self.board.alarm(id, Arc::clone(&payload));
            }
            if let Err(error) = publisher.retained(topic, payload) {
                tracing::error!(%error, "an alarm's record was not taken by the publisher; please report this");
            }
        });
        publisher.durable(durable.rows);
    }
}
