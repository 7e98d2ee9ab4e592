//! The whole present state of one alarm with its settings: topic `alarm/<id>`, retained.
//!
//! Whoever joins late reads these and knows what stands now, how it is judged and what to do; `log` and `seq` tie it to
//! the event that last changed it. Made to fit a packet of 4 KiB by shortening texts. Times are milliseconds since the
//! Unix epoch, UTC; durations have their unit in the key. Never panics.

use alloc::string::String;
use alloc::vec::Vec;

use serde::{Deserialize, Serialize};

use crate::alarm_words::{ConditionKind, Hiding, Impact, Mode, Priority, ShownState};
use crate::decimal::Decimal;
use crate::encoding::EVENT_MAX;
use crate::status::Status;
use crate::text::{shorten, shorten_some};
use crate::vocabulary::Word;

/// Payload of `alarm/<id>`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct AlarmRecord {
    /// Version of the contract: 1.
    pub schema: u32,
    /// Random id of the event log.
    pub log: String,
    /// Number of the event that last changed this alarm; absent if none has in this log.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seq: Option<u64>,
    /// When this state began.
    pub t: i64,
    /// Whether it concerns a live module.
    pub mode: Word<Mode>,
    /// Site.
    pub site: String,
    /// Module.
    pub module: String,
    /// Identifier of the alarm.
    pub alarm: String,
    /// State as shown.
    pub state: Word<ShownState>,
    /// Whether the condition holds, delays considered.
    pub active: bool,
    /// Whether a person has acknowledged it.
    pub acknowledged: bool,
    /// What hides it, strongest first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub hidden_by: Vec<Word<Hiding>>,
    /// Number of its present or last occurrence, 0 before the first.
    pub occurrence: u32,
    /// Number of the incident the occurrence belongs to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub incident: Option<u64>,
    /// What it watches for.
    pub condition: Word<ConditionKind>,
    /// Limit in `unit`; for rates, change by minute.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit: Option<Decimal>,
    /// Distance back from the limit before it clears.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub deadband: Option<Decimal>,
    /// Names of the states that are an alarm.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub states: Vec<String>,
    /// The condition must hold this long before it is raised, seconds.
    pub on_delay_s: Decimal,
    /// It must be gone this long before it clears, seconds.
    pub off_delay_s: Decimal,
    /// Held after it cleared until a person resets it.
    pub latching: bool,
    /// How urgent.
    pub priority: Word<Priority>,
    /// What is at stake.
    pub impact: Word<Impact>,
    /// Path of its point.
    pub point: String,
    /// Label as on plate and drawing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tag: Option<String>,
    /// Where it is.
    #[serde(default, rename = "where", skip_serializing_if = "Option::is_none")]
    pub location: Option<String>,
    /// UCUM code of `value`; of `limit` too, unless `limit_unit` is there.
    pub unit: String,
    /// UCUM code of `limit` and `deadband` where it is not `unit`: rates.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit_unit: Option<String>,
    /// Value at the last change.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<Decimal>,
    /// Quality of the reading at the last change: an OPC UA status number.
    pub quality: Status,
    /// Since when the condition holds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub true_since: Option<i64>,
    /// When it was last raised.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raised_at: Option<i64>,
    /// First of its group.
    #[serde(default, skip_serializing_if = "core::ops::Not::not")]
    pub first_out: bool,
    /// The alarm it follows from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub follows: Option<String>,
    /// Which of the two was first could not be told: they came within one scan.
    #[serde(default, skip_serializing_if = "core::ops::Not::not")]
    pub tie: bool,
    /// When its shelf ends.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<i64>,
    /// What stands, in one sentence.
    pub text: String,
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
}

impl AlarmRecord {
    /// The record as JSON that fits a packet; texts are shortened as far as needed.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        crate::fit::to_bytes(self, EVENT_MAX)
    }
}

impl crate::fit::Shorten for AlarmRecord {
    fn shorten_texts(&mut self, longest: usize) {
        for text in [&mut self.consequence, &mut self.response, &mut self.first_check, &mut self.safety] {
            shorten(text, longest);
        }
    }

    fn shorten_rest(&mut self, longest: usize) {
        self.states.truncate(8);
        self.hidden_by.truncate(3);
        for text in [
            &mut self.log,
            &mut self.site,
            &mut self.module,
            &mut self.alarm,
            &mut self.point,
            &mut self.unit,
            &mut self.text,
        ] {
            shorten(text, longest);
        }
        for text in [&mut self.tag, &mut self.location, &mut self.follows, &mut self.limit_unit, &mut self.document] {
            shorten_some(text, longest);
        }
        for state in &mut self.states {
            shorten(state, longest);
        }
    }
}

#[cfg(test)]
mod tests;
