//! Events: one numbered record each, topic `event`. An event is `(log, seq)`; `seq` has no gaps within a log.
//!
//! Every event has the same head; what follows depends on `kind`, in the same flat object. Kinds and keys are only added:
//! a reader keeps an event of a kind it does not know as `Detail::Other` (head and text are enough for a person), and
//! ignores keys it does not know. An event of a known kind whose own keys are missing or wrong is an error. Made to fit a
//! packet of 4 KiB by shortening texts. Times are milliseconds since the Unix epoch, UTC; durations carry their unit in
//! the key. Never panics.

use alloc::boxed::Box;
use alloc::string::String;
use alloc::vec::Vec;

use serde::{Deserialize, Serialize};

use crate::alarm_words::Mode;
use crate::encoding::EVENT_MAX;
use crate::text::shorten;
use crate::vocabulary::Word;

mod detail;

pub use detail::{
    AgentChange, AlarmChange, Changes, ClockChange, ConfigChange, Detail, DeviceChange, LinkChange, OperatorAction,
    OtherKind, StoreChange,
};

/// Payload of `event`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Event {
    /// Version of the contract: 1.
    pub schema: u32,
    /// Random id of the event log.
    pub log: String,
    /// Number within the log, +1 an event, no gaps.
    pub seq: u64,
    /// Number of the agent's start within the log; information only.
    pub boot: u64,
    /// When it happened.
    pub t: i64,
    /// The same moment for people, RFC 3339, UTC.
    pub time: String,
    /// Whether the clock was known to be right.
    pub clock_synced: bool,
    /// Whether it concerns a live module.
    pub mode: Word<Mode>,
    /// Site.
    pub site: String,
    /// Module.
    pub module: String,
    /// One sentence a person can act on.
    pub text: String,
    /// `false` while the disk could not take it: the event may be lost with the power. Absent when it is safe.
    #[serde(default = "yes", skip_serializing_if = "core::clone::Clone::clone")]
    pub durable: bool,
    /// `kind` and what belongs to it.
    #[serde(flatten)]
    pub detail: Detail,
}

const fn yes() -> bool {
    true
}

impl Event {
    /// The event as JSON that fits a packet; texts are shortened as far as needed.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        crate::fit::to_bytes(self, EVENT_MAX)
    }

    /// Its kind, as on the wire.
    #[must_use]
    pub fn kind(&self) -> &str {
        self.detail.kind()
    }

    /// The alarm part, if it is an alarm's event.
    #[must_use]
    pub fn alarm(&self) -> Option<&AlarmChange> {
        match &self.detail {
            Detail::Alarm(change) => Some(change),
            Detail::Operator(_)
            | Detail::Link(_)
            | Detail::Device(_)
            | Detail::Agent(_)
            | Detail::Clock(_)
            | Detail::Store(_)
            | Detail::Config(_)
            | Detail::Other(_) => None,
        }
    }
}

impl From<AlarmChange> for Detail {
    fn from(change: AlarmChange) -> Self {
        Self::Alarm(Box::new(change))
    }
}

impl crate::fit::Shorten for Event {
    fn shorten_texts(&mut self, longest: usize) {
        self.detail.shorten_texts(longest);
    }

    fn shorten_rest(&mut self, longest: usize) {
        for text in [&mut self.text, &mut self.log, &mut self.time, &mut self.site, &mut self.module] {
            shorten(text, longest);
        }
        self.detail.shorten_rest(longest);
    }
}

#[cfg(test)]
mod tests;
