//! What is posted to a recipient directly: alarms of one incident, and what belongs to them.
//!
//! For sites without anything to receive MQTT: the body of a signed POST. A message that was sent but not noted as sent
//! before the agent was killed comes again with the same `id`. Times are milliseconds since the Unix epoch, UTC; durations
//! carry their unit in the key. Never panics.

use alloc::string::String;
use alloc::vec::Vec;

use serde::{Deserialize, Serialize};

use crate::alarm_words::{Mode, Priority};
use crate::event::Event;
use crate::vocabulary::Word;

/// Body of a message to a recipient.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Notification {
    /// Version of the contract: 1.
    pub schema: u32,
    /// Names the message: the same again if it is sent again.
    pub id: String,
    /// Who it is for, by name.
    pub recipient: String,
    /// Site.
    pub site: String,
    /// Module.
    pub module: String,
    /// Whether it concerns a live module.
    pub mode: Word<Mode>,
    /// One sentence a person can act on.
    pub text: String,
    /// Highest priority of its alarms; absent in a test message.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub priority: Option<Word<Priority>>,
    /// For how long nobody has acknowledged the alarm, seconds, where it is passed on for that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unacknowledged_for_s: Option<u64>,
    /// It says only that messages get through. Absent when it says more.
    #[serde(default, skip_serializing_if = "core::ops::Not::not")]
    pub test: bool,
    /// The alarms it tells of: their events as published.
    pub alarms: Vec<Event>,
    /// Alarms of the same incident that are not announced by themselves: their events.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub related: Vec<Event>,
    /// How many older messages to this recipient were given up because they could not be delivered.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub given_up: Option<u64>,
}
