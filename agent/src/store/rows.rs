//! What goes into the event store and comes out of it: plain rows of numbers, texts and bytes.
//!
//! It does not know what a payload means; the core makes and reads them. Times are milliseconds since the Unix epoch,
//! UTC, and only stamps: nothing here computes with them. Never panics.

use std::path::PathBuf;
use std::sync::Arc;

use crate::cause::Cause;

/// Largest payload of an event or an announcement, bytes: nothing larger can be published in any way. One above the
/// contract's bound for events is stored all the same, so that it is not lost; the publisher sets it aside.
pub const COMMIT_MAX_BYTES: usize = lapwing_protocol::FRAME_MAX;

/// What the store held when it was opened.
#[derive(Clone, Debug)]
pub struct Opened {
    /// Identity of the event log, 32 hexadecimal digits.
    pub log: String,
    /// How often this store was opened, this time included.
    pub boot: u64,
    /// Number of the log's last event; 0 if it has none.
    pub last_seq: u64,
    /// Stamp of the last event, if there is one.
    pub last_t_ms: Option<i64>,
    /// Alarm states as last saved.
    pub alarms: Vec<SavedAlarm>,
    /// What devices showed first.
    pub marks: Vec<SavedMark>,
    /// Rows that wait for the broker.
    pub unsent: u64,
    /// Identities of every log in the store, the present one too.
    pub logs: Vec<String>,
    /// Commands that were taken.
    pub seen: Vec<SeenCommand>,
    /// Tellings that wait, oldest first.
    pub tellings: Vec<TellingRow>,
    /// What was damaged in it and is lost, in words.
    pub damage: Vec<Cause>,
    /// A damaged store that was set aside for a new one: where it lies now, and what was wrong with it.
    pub aside: Option<(PathBuf, String)>,
    /// Why there is no store on disk at all: this one is in memory and ends with the process.
    pub memory_only: Option<Cause>,
}

/// The saved state of one alarm.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SavedAlarm {
    /// Alarm id.
    pub id: String,
    /// Digest of the condition it was judged by.
    pub digest: u64,
    /// Its state, as the core wrote it.
    pub state: Vec<u8>,
}

/// What stands at the end of a run and is gone on with at the next start.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Standing {
    /// Alarm states.
    pub alarms: Vec<SavedAlarm>,
    /// What devices showed first.
    pub marks: Vec<SavedMark>,
    /// Commands that were taken.
    pub seen: Vec<SeenCommand>,
}

/// What a feature of a device showed first.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SavedMark {
    /// Device name.
    pub device: String,
    /// Name of the feature.
    pub feature: String,
    /// The device's `confirmed` at that time.
    pub confirmed: String,
    /// What it showed, as the core wrote it.
    pub shown: String,
}

/// What makes two configured points the same point for ever.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct PointKey {
    /// Path.
    pub path: String,
    /// Quantity.
    pub quantity: String,
    /// UCUM unit.
    pub unit: String,
    /// Power of ten of its integer.
    pub exponent: i8,
}

/// One numbered event to be saved and sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EventRow {
    /// Number in the log: one more than the event before.
    pub seq: u64,
    /// Time stamp.
    pub t_ms: i64,
    /// Kind, so that a person with a database tool finds what they look for.
    pub kind: &'static str,
    /// The event as it is published.
    pub payload: Vec<u8>,
    /// A sentence for simple receivers: topic below the base, and payload.
    pub announce: Option<(String, Vec<u8>)>,
    /// Who is to be told of it directly.
    pub tellings: Vec<Telling>,
}

/// One recipient that is to be told of an event directly.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Telling {
    /// Name of the recipient; once an event.
    pub recipient: String,
    /// When, wall ms.
    pub due_ms: i64,
    /// How long after the event that is, ms.
    pub after_ms: u64,
    /// Only if the alarm is not acknowledged by then.
    pub further: bool,
}

/// What names a telling: the event's row and the recipient.
pub type TellingKey = (u64, String);

/// A telling that waits, with its event.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TellingRow {
    /// Row of the event.
    pub row: u64,
    /// Log of the event.
    pub log: Arc<str>,
    /// Number of the event.
    pub seq: u64,
    /// Who, when and on which condition.
    pub telling: Telling,
    /// The event as published; empty if it is damaged or no longer in the store.
    pub payload: Vec<u8>,
    /// The event is in no store yet: it cannot be read there later.
    pub volatile: bool,
}

impl TellingRow {
    /// What names it.
    #[must_use]
    pub fn key(&self) -> TellingKey {
        (self.row, self.telling.recipient.clone())
    }
}

/// What must become durable together.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Commit {
    /// Events, in order of their numbers.
    pub events: Vec<EventRow>,
    /// New states of alarms.
    pub alarms: Vec<SavedAlarm>,
    /// Alarms that no longer exist.
    pub removed: Vec<String>,
    /// What devices showed first.
    pub marks: Vec<SavedMark>,
    /// Commands that were taken.
    pub seen: Vec<SeenCommand>,
}

/// A command that was taken, so that it is not taken again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SeenCommand {
    /// Whose.
    pub by: String,
    /// Its id.
    pub id: String,
    /// When it was made, or came; seconds.
    pub at_s: i64,
    /// What this person's older ones were made before may be forgotten, seconds.
    pub keep_from_s: i64,
}

/// One packet that waits for the broker.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OutboxRow {
    /// Place in the outbox; rises with every row and is never used again.
    pub id: u64,
    /// Log of the event it belongs to.
    pub log: Arc<str>,
    /// Number of that event.
    pub seq: u64,
    /// Time stamp of that event.
    pub t_ms: i64,
    /// Topic below the base of an announcement; `None` for the event itself.
    pub announce: Option<String>,
    /// Payload; empty when it is damaged on disk.
    pub payload: Vec<u8>,
}

/// An event as it lies in the store.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoredEvent {
    /// Number in the log.
    pub seq: u64,
    /// Time stamp.
    pub t_ms: i64,
    /// Kind.
    pub kind: String,
    /// The event as published; empty when it is damaged on disk.
    pub payload: Vec<u8>,
}
