//! Starts and stops the rooms between agent and people: the one that tells them directly, in builds that have it, and the
//! one that takes their commands over MQTT, where it is turned on.
//!
//! A configuration with recipients is refused by a build without the feature, so nothing is lost silently. Never panics.

use std::sync::Arc;

use crate::command::{self, Received};
use crate::core::Door;
use crate::core::board::Board;
use crate::plan::{Commands, Plan};
use crate::publish::Publisher;
use crate::store::{TellingRow, Writer};

#[cfg(feature = "notify")]
use crate::notify::{Inlet, Notifier};

/// The way in, and the room once it runs.
#[derive(Debug, Default)]
pub(super) struct Tellers {
    #[cfg(feature = "notify")]
    inlet: Inlet,
    #[cfg(feature = "notify")]
    room: Option<Notifier>,
}

impl Tellers {
    /// Takes tellings; for callbacks.
    #[cfg(feature = "notify")]
    pub(super) fn way_in(&self) -> impl Fn(Vec<TellingRow>) + Send + Clone + 'static {
        let inlet = self.inlet.clone();
        move |rows| inlet.take(rows)
    }

    /// Takes tellings, of which there are none.
    #[cfg(not(feature = "notify"))]
    #[allow(clippy::unused_self)] // as with the feature
    pub(super) fn way_in(&self) -> impl Fn(Vec<TellingRow>) + Send + Clone + 'static {
        |_rows| ()
    }

    /// Starts the room if there is anybody to tell; what an earlier configuration left waiting is taken out.
    #[cfg(feature = "notify")]
    pub(super) fn start(
        &mut self,
        plan: &Arc<Plan>,
        waiting: Vec<TellingRow>,
        writer: &Writer,
        board: &Arc<Board>,
        door: &Door,
    ) -> std::io::Result<()> {
        if plan.recipients.is_empty() {
            forget(writer, &waiting);
            return Ok(());
        }
        self.inlet.take(waiting);
        let (plan, board) = (Arc::clone(plan), Arc::clone(board));
        self.room = Some(Notifier::start(plan, &self.inlet, writer.clone(), board, door.clone())?);
        Ok(())
    }

    /// Takes out what an earlier configuration left waiting.
    #[cfg(not(feature = "notify"))]
    #[allow(clippy::unnecessary_wraps, clippy::unused_self)] // as with the feature
    pub(super) fn start(
        &mut self,
        _plan: &Arc<Plan>,
        waiting: Vec<TellingRow>,
        writer: &Writer,
        _board: &Arc<Board>,
        _door: &Door,
    ) -> std::io::Result<()> {
        forget(writer, &waiting);
        Ok(())
    }

    /// Ends the room.
    pub(super) fn stop(self) {
        #[cfg(feature = "notify")]
        if let Some(room) = self.room {
            room.stop();
        }
    }
}

/// Listens to commands, if they are turned on.
pub(super) fn commands(plan: &Plan, publisher: &Publisher, door: &Door) -> std::io::Result<()> {
    let filter = match plan.mqtt.commands {
        Commands::Off => return Ok(()),
        Commands::Signed => "command",
        Commands::Topic => "command/+/+",
    };
    let (inlet, receiver) = command::channel();
    let replies = publisher.clone();
    let say = Box::new(move |topic, payload| {
        if let Err(error) = replies.reply(topic, payload) {
            tracing::error!(%error, "the answer to a command was not taken by the publisher; please report this");
        }
    });
    command::start(plan, receiver, door.clone(), say)?;
    publisher.listen(filter.into(), move |topic, retain, payload| inlet.take(Received { topic, retain, payload }));
    Ok(())
}

fn forget(writer: &Writer, waiting: &[TellingRow]) {
    if !waiting.is_empty() {
        tracing::warn!(count = waiting.len(), "messages that waited have no recipient any more");
        writer.told(waiting.iter().map(TellingRow::key).collect());
    }
}
