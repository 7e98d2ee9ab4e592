//! What follows the head of an event, by kind: alarm, operator, link, device, agent, clock, store, config.
//!
//! Keys of kind `alarm` that do not apply are absent. Times are milliseconds since the Unix epoch, UTC; durations carry
//! their unit in the key; numbers of a point are in its unit. Never panics.

use alloc::boxed::Box;
use alloc::string::String;
use alloc::vec::Vec;

use serde::{Deserialize, Deserializer, Serialize};

use crate::alarm_words::{ConditionKind, Hiding, Impact, Mode, Priority, ShownState};
use crate::decimal::Decimal;
use crate::status::Status;
use crate::text::{shorten, shorten_some};
use crate::vocabulary::{Word, is_word};

/// `kind` and what belongs to it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Detail {
    /// An alarm changed its state.
    Alarm(Box<AlarmChange>),
    /// A person did something.
    Operator(OperatorAction),
    /// A link came up or went down.
    Link(LinkChange),
    /// A device answers again, or no longer, or is another one.
    Device(DeviceChange),
    /// The agent itself.
    Agent(AgentChange),
    /// The wall clock.
    Clock(ClockChange),
    /// The store.
    Store(StoreChange),
    /// The configuration.
    Config(ConfigChange),
    /// A kind that this version does not know: only its name is kept.
    #[serde(untagged)]
    #[cfg_attr(feature = "schema", schemars(skip))]
    Other(OtherKind),
}

/// A kind from a later version.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct OtherKind {
    /// Its name.
    #[serde(deserialize_with = "unknown_kind")]
    kind: String,
}

impl OtherKind {
    /// Its name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.kind
    }
}

const KINDS: [&str; 8] = ["alarm", "operator", "link", "device", "agent", "clock", "store", "config"];

/// A known kind with wrong keys must stay an error and not pass for an unknown kind.
fn unknown_kind<'de, D: Deserializer<'de>>(deserializer: D) -> Result<String, D::Error> {
    let kind = String::deserialize(deserializer)?;
    if KINDS.contains(&kind.as_str()) {
        return Err(serde::de::Error::custom("an event of a known kind lacks keys of that kind or has wrong ones"));
    }
    if !is_word(&kind) {
        return Err(serde::de::Error::custom(
            "the kind of an event is a word of at most 64 printable ASCII characters",
        ));
    }
    Ok(kind)
}

/// An alarm changed its state.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct AlarmChange {
    /// Identifier of the alarm.
    pub alarm: String,
    /// Number of the occurrence: one life from raise to normal. 0 when there was none yet.
    pub occurrence: u32,
    /// Number of the incident: occurrences that belong together.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub incident: Option<u64>,
    /// What it watches for.
    pub condition: Word<ConditionKind>,
    /// State before, as shown.
    pub from: Word<ShownState>,
    /// State now, as shown.
    pub to: Word<ShownState>,
    /// Whether the condition holds, delays considered.
    pub active: bool,
    /// Whether a person has acknowledged it.
    pub acknowledged: bool,
    /// What hides it, strongest first; absent when nothing does.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub hidden_by: Vec<Word<Hiding>>,
    /// How urgent.
    pub priority: Word<Priority>,
    /// What is at stake.
    pub impact: Word<Impact>,
    /// Path of its point.
    pub point: String,
    /// Label as on plate and drawing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tag: Option<String>,
    /// Where it is, for a person who walks there.
    #[serde(default, rename = "where", skip_serializing_if = "Option::is_none")]
    pub location: Option<String>,
    /// The value that made the change; absent when the reading is bad.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<Decimal>,
    /// The limit; for rates, change by minute.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit: Option<Decimal>,
    /// UCUM code of `value`; of `limit` too, unless `limit_unit` is there.
    pub unit: String,
    /// UCUM code of `limit` where it is not `unit`: rates.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit_unit: Option<String>,
    /// Quality of the reading: an OPC UA status number, 0 is good.
    pub quality: Status,
    /// Since when the condition holds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub true_since: Option<i64>,
    /// When it was raised.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raised_at: Option<i64>,
    /// Change of the value by minute, in the point's unit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rate_per_min: Option<Decimal>,
    /// Time left at this rate, seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seconds_left: Option<u32>,
    /// What is reached when that time is over.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub left_to: Option<String>,
    /// First of its group; absent when not.
    #[serde(default, skip_serializing_if = "core::ops::Not::not")]
    pub first_out: bool,
    /// Identifier of the alarm it follows from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub follows: Option<String>,
    /// Which of several was first could not be told: they came within one scan. Absent when it could.
    #[serde(default, skip_serializing_if = "core::ops::Not::not")]
    pub tie: bool,
    /// A person is told by this event; a consequence of what was told already is only attached to it. Absent when not.
    #[serde(default, skip_serializing_if = "core::ops::Not::not")]
    pub announced: bool,
    /// What follows if nobody acts.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub consequence: String,
    /// What to do.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub response: String,
    /// What to look at first.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub first_check: String,
    /// What can hurt whoever goes there.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub safety: String,
    /// Where to read on: a document's address or number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub document: Option<String>,
    /// Time a person has, seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub respond_within_s: Option<u32>,
    /// Who did it, when a person did.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// Why it changed where it was not the value: a person's reason, `restart`, `removed from the configuration`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// When its shelf ends.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<i64>,
}

/// A person did something.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct OperatorAction {
    /// What: `acknowledge`, `reset`, `shelve`, `unshelve`, `remove from service`, `return to service`, `suppress`,
    /// `release`, `set mode`, `note`, `sign in`, ….
    pub action: String,
    /// Who.
    pub by: String,
    /// The alarm it was done to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub alarm: Option<String>,
    /// The occurrence the person saw, where they named one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub occurrence: Option<u32>,
    /// The point it was done to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub point: Option<String>,
    /// The rule of suppression that was started or ended.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rule: Option<String>,
    /// The mode that was set.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to_mode: Option<Word<Mode>>,
    /// Why, in the person's words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// Until when it holds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<i64>,
    /// Why it was refused; absent when it was done.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub refused: Option<String>,
}

/// A link came up or went down.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct LinkChange {
    /// Name of the link.
    pub link: String,
    /// Whether it works.
    pub up: bool,
    /// What was seen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// A device answers again, or no longer, or is another one.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct DeviceChange {
    /// Name of the device.
    pub device: String,
    /// Name of its link.
    pub link: String,
    /// Whether it answers.
    pub up: bool,
    /// What was seen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// The agent itself.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct AgentChange {
    /// What: `started`, `stopping`, `mode changed`, `packet refused`, ….
    pub change: String,
    /// Version of the agent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub version: Option<String>,
    /// What led to it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// The wall clock.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ClockChange {
    /// How far the wall clock was set forward, milliseconds; negative when back. Absent when only its synchronisation changed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub step_ms: Option<i64>,
    /// Whether the clock is synchronised now.
    pub synced: bool,
}

/// The store.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct StoreChange {
    /// What: `new log`, `volatile log`, `working again`, `damaged`, `in memory only`, ….
    pub change: String,
    /// The log before, when a new one was opened.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub log_before: Option<String>,
    /// Last event of the log before that counts, when a new one was opened and it is known. What comes later under that
    /// log's name is in the new log already.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seq_before: Option<u64>,
    /// What was seen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// The configuration.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct ConfigChange {
    /// Whether it is in force; the one before goes on when not.
    pub accepted: bool,
    /// SHA-256 of the configuration, hexadecimal.
    pub hash: String,
    /// Hash of the catalogue that goes with it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub catalogue: Option<String>,
    /// What is wrong with it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// What it makes of the points.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub points: Option<Changes>,
    /// What it makes of the alarms; the agent's own are not counted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub alarms: Option<Changes>,
    /// What it makes of the links.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub links: Option<Changes>,
}

/// How many of one kind a changed configuration adds, removes and changes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Changes {
    /// New ones.
    pub added: u32,
    /// Those that are gone.
    pub removed: u32,
    /// Those of the same name that are not what they were.
    pub changed: u32,
}

impl Detail {
    /// The kind, as on the wire.
    #[must_use]
    pub fn kind(&self) -> &str {
        match self {
            Self::Alarm(_) => "alarm",
            Self::Operator(_) => "operator",
            Self::Link(_) => "link",
            Self::Device(_) => "device",
            Self::Agent(_) => "agent",
            Self::Clock(_) => "clock",
            Self::Store(_) => "store",
            Self::Config(_) => "config",
            Self::Other(other) => &other.kind,
        }
    }

    pub(super) fn shorten_texts(&mut self, longest: usize) {
        match self {
            Self::Alarm(change) => {
                for text in [&mut change.consequence, &mut change.response, &mut change.first_check, &mut change.safety]
                {
                    shorten(text, longest);
                }
            }
            Self::Operator(action) => {
                shorten_some(&mut action.reason, longest);
                shorten_some(&mut action.refused, longest);
            }
            Self::Link(change) => shorten_some(&mut change.reason, longest),
            Self::Device(change) => shorten_some(&mut change.reason, longest),
            Self::Agent(change) => shorten_some(&mut change.reason, longest),
            Self::Store(change) => shorten_some(&mut change.reason, longest),
            Self::Config(change) => shorten_some(&mut change.reason, longest),
            Self::Clock(_) | Self::Other(_) => {}
        }
    }

    pub(super) fn shorten_rest(&mut self, longest: usize) {
        match self {
            Self::Alarm(change) => {
                change.hidden_by.truncate(3);
                for text in [&mut change.alarm, &mut change.point, &mut change.unit] {
                    shorten(text, longest);
                }
                for text in [
                    &mut change.tag,
                    &mut change.location,
                    &mut change.limit_unit,
                    &mut change.left_to,
                    &mut change.follows,
                    &mut change.by,
                    &mut change.reason,
                    &mut change.document,
                ] {
                    shorten_some(text, longest);
                }
            }
            Self::Operator(action) => {
                shorten(&mut action.action, longest);
                shorten(&mut action.by, longest);
                shorten_some(&mut action.alarm, longest);
                shorten_some(&mut action.point, longest);
                shorten_some(&mut action.rule, longest);
            }
            Self::Link(change) => shorten(&mut change.link, longest),
            Self::Device(change) => {
                shorten(&mut change.device, longest);
                shorten(&mut change.link, longest);
            }
            Self::Agent(change) => {
                shorten(&mut change.change, longest);
                shorten_some(&mut change.version, longest);
            }
            Self::Store(change) => {
                shorten(&mut change.change, longest);
                shorten_some(&mut change.log_before, longest);
            }
            Self::Config(change) => {
                shorten(&mut change.hash, longest);
                shorten_some(&mut change.catalogue, longest);
            }
            Self::Clock(_) | Self::Other(_) => {}
        }
    }
}
