//! What a person asks for over MQTT, and the answer: topics `command` and `command/reply`.
//!
//! A command that is signed travels as a JWS in compact form (RFC 7515) whose payload is this object; `id`, `iat`, `exp` and
//! `aud` are then the claims of RFC 7519 (`jti` is `id`). Keys that are not known are refused: a misspelt one must not be
//! lost. Stamps `until` and `t` are milliseconds since the Unix epoch, `iat` and `exp` seconds (NumericDate). Never panics.

use alloc::string::String;

use serde::{Deserialize, Serialize};

use crate::alarm_words::Mode;
use crate::vocabulary::{Vocabulary, Word};

/// Longest command, bytes, signature included.
pub const COMMAND_MAX: usize = 8 * 1024;

/// What is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum CommandAction {
    /// Take notice of an alarm.
    Acknowledge,
    /// Take notice of all alarms of the alarm's incident.
    AcknowledgeIncident,
    /// Free a latched alarm that is cleared and acknowledged.
    Reset,
    /// Hide an alarm for a time.
    Shelve,
    /// Hide an alarm until it returns to normal.
    ShelveOnce,
    /// End the shelf.
    Unshelve,
    /// Remove an alarm from service.
    RemoveFromService,
    /// Return it to service.
    ReturnToService,
    /// Start a declared suppression.
    Suppress,
    /// End it.
    Release,
    /// Set the mode.
    SetMode,
    /// Write a note into the log.
    Note,
}

impl Vocabulary for CommandAction {
    const WORDS: &'static [(&'static str, Self)] = &[
        ("acknowledge", Self::Acknowledge),
        ("acknowledge_incident", Self::AcknowledgeIncident),
        ("reset", Self::Reset),
        ("shelve", Self::Shelve),
        ("shelve_once", Self::ShelveOnce),
        ("unshelve", Self::Unshelve),
        ("remove_from_service", Self::RemoveFromService),
        ("return_to_service", Self::ReturnToService),
        ("suppress", Self::Suppress),
        ("release", Self::Release),
        ("set_mode", Self::SetMode),
        ("note", Self::Note),
    ];
}

/// Payload of `command`, or of a JWS there.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Command {
    /// Names the command: 1 to 64 printable ASCII characters, never used again by this person. The answer repeats it.
    #[serde(alias = "jti")]
    pub id: String,
    /// What is asked for.
    pub action: Word<CommandAction>,
    /// The alarm, by id.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub alarm: Option<String>,
    /// The occurrence of the alarm that is meant: another one is not touched.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub occurrence: Option<u32>,
    /// Why, in the person's words; the text of a note.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// The rule of suppression, by name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rule: Option<String>,
    /// The mode to set.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mode: Option<Word<Mode>>,
    /// For how long, seconds; or `until`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub for_s: Option<u32>,
    /// Until when.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<i64>,
    /// When it was made, seconds since the Unix epoch; required where it is signed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub iat: Option<i64>,
    /// It counts no longer from then on, seconds since the Unix epoch.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exp: Option<i64>,
    /// The module it is for, `site/module`; required where it is signed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub aud: Option<String>,
}

/// Payload of `command/reply`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct CommandReply {
    /// Version of the contract: 1.
    pub schema: u32,
    /// The command's `id`; absent where it could not be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// Whose command it was; absent where that is not proved.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// When it was answered.
    pub t: i64,
    /// Whether it was done.
    pub done: bool,
    /// Event log of the event that tells of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub log: Option<String>,
    /// Number of that event.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seq: Option<u64>,
    /// Until when it holds, if it ends by itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<i64>,
    /// Why it was not done, for programs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub code: Option<String>,
    /// What was done, or why it was not and what would help.
    pub text: String,
}
