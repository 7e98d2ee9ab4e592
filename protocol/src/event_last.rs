//! The number of the last event: topic `event/last`, retained. A subscriber compares it with what it has, so that it can
//! prove it missed nothing; the agent compares it with its own store at start, to notice a restored image.
//!
//! Published after each event, at most once a second. Never panics.

use alloc::string::String;

use serde::{Deserialize, Serialize};

/// Payload of `event/last`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct EventLast {
    /// Random id of the event log.
    pub log: String,
    /// Number of its last event.
    pub seq: u64,
    /// When that event happened: milliseconds since the Unix epoch, UTC.
    pub t: i64,
}
