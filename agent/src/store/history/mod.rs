//! History: every reading that entered the engine, on disk, exactly as it entered.
//!
//! Readings come in steps (what one transaction, or one of the agent's own points, brought) and keep their order, so that
//! the engine can be fed with them again and published frames can be made again. They lie on a persisted axis of
//! milliseconds that never goes back (`axis`); a table maps it to wall time and takes corrections.
//!
//! ```text
//! core ─Batch─> queue ─> open slot (`open`, a stream journalled each minute, at once when an alarm is raised)
//!                             │ every 15 minutes of the axis
//!                             v
//!                        raw-N.sqlite, about one a day: blocks keyed slot << 20 | point (`file`, `block`)
//!                             │ when the file is full
//!                             ├─> minute-N.sqlite, quarter-N.sqlite: average, minimum, maximum, end (`rollup`)
//!                             └─> kept-N.sqlite: readings about critical and high incidents (`keep`)
//! ```
//!
//! `reader` answers queries and gives steps back in order; `retain` decides what goes. The byte layout for other
//! programs is in `SCHEMA.md`. It knows nothing of alarms or frames but their numbers. Times are axis milliseconds (`at`)
//! or wall milliseconds since the Unix epoch (`t`). Never panics on damaged files.

mod axis;
mod block;
mod close;
mod condense;
mod error;
mod file;
mod late;
mod open;
pub mod pack;
mod raw;
mod reader;
mod recorder;
mod retain;
mod rollup;
mod sent;
mod series;
mod steps;
mod stream;
#[cfg(test)]
pub(crate) mod testing;
#[cfg(test)]
mod tests;
mod window;
mod worker;

use lapwing_protocol::Status;

pub use crate::plan::History as Limits;
pub use error::{HistoryError, Loss};
pub use file::{Kind, POINT_MAX, Start};
pub use reader::{DIRECTORY, Reader};
pub use recorder::{Account, Beginning, Found, Recorder, RecorderState};
pub use rollup::{Rolled, interval_ms};
pub use sent::Sent;
pub use series::{Bucket, Sample, Series, Wanted};
pub use steps::{Place, SlotPlace};

/// Length of a slot on the axis: 900 readings at one a second make good blocks, and fifteen minutes are a roll-up.
pub const SLOT_MS: i64 = 900_000;

/// Source of a step that no transaction brought: one of the agent's own points.
pub const OWN: u32 = u32::MAX;

/// One reading as it entered the engine, and what the engine made of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Entry {
    /// Number of the point.
    pub id: u32,
    /// The integer that entered, at the point's exponent; `None` when a fault entered.
    pub value: Option<i64>,
    /// The status it entered with.
    pub status: Status,
    /// What the engine judged it to be worth: the status as published.
    pub judged: Status,
    /// How much older it is than its step, ms: derived points are as old as their oldest input.
    pub lag_ms: u64,
}

impl Entry {
    /// A plainly good reading.
    #[must_use]
    pub const fn good(id: u32, value: i64) -> Self {
        Self { id, value: Some(value), status: Status::GOOD, judged: Status::GOOD, lag_ms: 0 }
    }

    /// Its own moment, in a step of this moment.
    #[must_use]
    pub const fn at(&self, step: i64) -> i64 {
        step.saturating_sub_unsigned(self.lag_ms)
    }

    /// The value as published: none if it was judged bad.
    #[must_use]
    pub const fn published(&self) -> Option<i64> {
        if self.judged.is_bad() { None } else { self.value }
    }

    /// Whether there is more to say of it than its value.
    fn is_odd(&self) -> bool {
        self.value.is_none() || self.status != Status::GOOD || self.judged != Status::GOOD
    }
}

/// What happened at one moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Happening {
    /// Readings entered: of a transaction of the plan, or [`OWN`].
    Readings {
        /// Index of the transaction.
        source: u32,
    },
    /// A frame period ended: frames `first` to `next - 1` hold the readings since the one before.
    Frames {
        /// Number of the first frame.
        first: u64,
        /// Number after the last.
        next: u64,
    },
    /// A point's trend began anew.
    Rebase {
        /// Number of the point.
        id: u32,
    },
    /// The agent started.
    Start {
        /// Number of the start in the history.
        number: u64,
    },
    /// Time alone moved something here (the end of a delay, a reading out of date), or a person did.
    Passed {
        /// The moment, axis milliseconds: what was due by then has happened.
        at: i64,
    },
    /// Readings were dropped here: the disk did not keep up.
    Dropped {
        /// How many.
        readings: u64,
    },
}

/// One moment in the order of the engine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Step {
    /// Axis milliseconds; of what is no reading, those of the reading before.
    pub at: i64,
    /// What the agent took wall time minus axis time to be.
    pub offset: i64,
    /// What happened.
    pub what: Happening,
    /// Readings of the step.
    pub count: usize,
}

impl Step {
    /// Wall time as the agent saw it then, ms since the epoch.
    #[must_use]
    pub const fn t(&self) -> i64 {
        self.at.saturating_add(self.offset)
    }
}

/// Steps in order with their readings: what the core hands over.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Batch {
    /// Steps.
    pub steps: Vec<Step>,
    /// Readings of all steps, in order.
    pub entries: Vec<Entry>,
}

impl Batch {
    /// Adds readings that entered together.
    pub fn readings(&mut self, at: i64, offset: i64, source: u32, entries: impl IntoIterator<Item = Entry>) {
        let before = self.entries.len();
        self.entries.extend(entries);
        let count = self.entries.len() - before;
        self.steps.push(Step { at, offset, what: Happening::Readings { source }, count });
    }

    /// Adds what is no reading.
    pub fn happened(&mut self, at: i64, offset: i64, what: Happening) {
        self.steps.push(Step { at, offset, what, count: 0 });
    }

    /// Whether nothing is in it.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.steps.is_empty()
    }
}
