//! Whether an agent is there, what it is and which catalogue its frames use: topic `presence`, retained, also the will.
//!
//! The will is fixed when the agent connects; a changed catalogue or mode therefore connects anew. Carries no time: a will
//! is published by the broker, at a moment the agent does not know. Never panics.

use alloc::string::String;

use serde::{Deserialize, Serialize};

use crate::alarm_words::Mode;
use crate::vocabulary::{Vocabulary, Word};

/// Whether the agent is connected.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum PresenceState {
    /// Connected and publishing.
    Online,
    /// The broker has lost it, or it went away in order.
    Offline,
}

impl Vocabulary for PresenceState {
    const WORDS: &'static [(&'static str, Self)] = &[("online", Self::Online), ("offline", Self::Offline)];
}

/// Payload of `presence`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Presence {
    /// Version of the contract: 1.
    pub schema: u32,
    /// Whether the agent is connected.
    pub state: Word<PresenceState>,
    /// Whether what it says concerns a live module.
    pub mode: Word<Mode>,
    /// Random id of its event log.
    pub log: String,
    /// Number of this start of the agent within the log.
    pub boot: u64,
    /// Version of the agent.
    pub version: String,
    /// Hash of the catalogue its frames use, 16 hexadecimal digits.
    pub catalogue: String,
}
