//! Frames: the readings since the last frame, in columns, by runs.
//!
//! A run is readings of one moment with consecutive point numbers; runs follow each other in scan order and the values of
//! all runs stand in one list. The moment of a run is the frame's `t` plus its `dt_ms`, which may be negative: `t` is the
//! moment of the frame's first reading, and readings are not sorted by time. A value is an integer at the exponent the
//! catalogue gives; a bad one is `null`. `bad` lists, by place in the value list, every status that is not plain good: a
//! bad status where the value is `null`, an uncertain one beside its value.
//!
//! A `Frame` is always consistent: what is decoded is checked, what the builder makes fits a packet. Times are
//! milliseconds since the Unix epoch, UTC. `frame/build.rs` makes frames. Never panics.

use alloc::string::String;
use alloc::vec::Vec;
use core::fmt;

use serde::{Deserialize, Serialize};

use crate::status::Status;

mod build;

pub use build::FrameBuilder;

/// Readings of one moment with consecutive point numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "(u32, u32, i32)", into = "(u32, u32, i32)")]
pub struct Run {
    /// Number of the first point.
    pub first_id: u32,
    /// How many points, at least 1.
    pub count: u32,
    /// Moment of the readings, milliseconds after the frame's `t`; negative before it.
    pub dt_ms: i32,
}

impl From<(u32, u32, i32)> for Run {
    fn from((first_id, count, dt_ms): (u32, u32, i32)) -> Self {
        Self { first_id, count, dt_ms }
    }
}

impl From<Run> for (u32, u32, i32) {
    fn from(run: Run) -> Self {
        (run.first_id, run.count, run.dt_ms)
    }
}

/// Payload of `frame`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(try_from = "Parts")]
#[cfg_attr(feature = "schema", schemars(!try_from))]
pub struct Frame {
    /// Random id of the agent's event log.
    log: String,
    /// Number of the agent's start within the log.
    boot: u64,
    /// Number of the frame within this start, +1 a frame.
    seq: u64,
    /// Moment of the first reading: milliseconds since the Unix epoch, UTC.
    t: i64,
    /// Hash of the catalogue that explains the numbers.
    catalogue: String,
    /// Runs: number of the first point, how many points, milliseconds after `t`.
    #[cfg_attr(feature = "schema", schemars(with = "Vec<(u32, u32, i32)>"))]
    runs: Vec<Run>,
    /// Values of all runs in order, integers at each point's exponent; `null` where there is none to believe.
    values: Vec<Option<i64>>,
    /// Place in `values`, counted from 0, and OPC UA status number of every reading that is not plain good.
    bad: Vec<(u32, Status)>,
    /// Sent again from history.
    #[serde(skip_serializing_if = "is_false")]
    #[cfg_attr(feature = "schema", schemars(default))]
    late: bool,
}

/// A frame as received, not yet believed.
#[derive(Deserialize)]
struct Parts {
    log: String,
    boot: u64,
    seq: u64,
    t: i64,
    catalogue: String,
    runs: Vec<Run>,
    values: Vec<Option<i64>>,
    bad: Vec<(u32, Status)>,
    #[serde(default)]
    late: bool,
}

/// Why something received is no frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FrameError {
    /// The runs' counts do not add up to the number of values.
    CountMismatch {
        /// Readings the runs announce.
        announced: u64,
        /// Values there are.
        values: usize,
    },
    /// A run without readings.
    EmptyRun {
        /// Which run, from 0.
        run: usize,
    },
    /// A run whose point numbers or moment leave their range.
    RunOutOfRange {
        /// Which run, from 0.
        run: usize,
    },
    /// `bad` names a place that does not exist, twice or out of order.
    Position {
        /// The place named.
        position: u32,
    },
    /// No value, and no bad status that says why.
    Unexplained {
        /// Place of the value.
        position: usize,
    },
    /// A value, and a status that says there is none.
    BadValue {
        /// Place of the value.
        position: usize,
    },
}

impl fmt::Display for FrameError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::CountMismatch { announced, values } => {
                write!(f, "the runs announce {announced} readings, there are {values} values")
            }
            Self::EmptyRun { run } => write!(f, "run {run} has no readings"),
            Self::RunOutOfRange { run } => write!(f, "the point numbers or the moment of run {run} leave their range"),
            Self::Position { position } => {
                write!(f, "'bad' names place {position}, which is not there, named before or out of order")
            }
            Self::Unexplained { position } => write!(f, "value {position} is null without a bad status"),
            Self::BadValue { position } => write!(f, "value {position} has a bad status and is not null"),
        }
    }
}

impl core::error::Error for FrameError {}

/// One reading of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FrameReading {
    /// Number of the point.
    pub id: u32,
    /// When it was read: milliseconds since the Unix epoch, UTC.
    pub t: i64,
    /// Integer at the point's exponent; `None` when the status is bad.
    pub value: Option<i64>,
    /// How far it may be believed.
    pub status: Status,
}

impl Frame {
    /// Random id of the agent's event log.
    #[must_use]
    pub fn log(&self) -> &str {
        &self.log
    }

    /// Number of the agent's start within the log.
    #[must_use]
    pub const fn boot(&self) -> u64 {
        self.boot
    }

    /// Number of the frame within this start.
    #[must_use]
    pub const fn seq(&self) -> u64 {
        self.seq
    }

    /// Moment of the first reading.
    #[must_use]
    pub const fn t(&self) -> i64 {
        self.t
    }

    /// Hash of the catalogue that explains the numbers.
    #[must_use]
    pub fn catalogue(&self) -> &str {
        &self.catalogue
    }

    /// Whether it was sent again from history.
    #[must_use]
    pub const fn is_late(&self) -> bool {
        self.late
    }

    /// The same frame, marked as sent again from history or not.
    #[must_use]
    pub fn with_late(mut self, late: bool) -> Self {
        self.late = late;
        self
    }

    /// The runs.
    #[must_use]
    pub fn runs(&self) -> &[Run] {
        &self.runs
    }

    /// How many readings it has.
    #[must_use]
    pub fn len(&self) -> usize {
        self.values.len()
    }

    /// Whether it has no reading.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.values.is_empty()
    }

    /// Its readings, in order.
    #[must_use]
    pub fn readings(&self) -> Readings<'_> {
        Readings { runs: &self.runs, values: &self.values, bad: &self.bad, t: self.t, done_in_run: 0, position: 0 }
    }
}

/// Iterator over the readings of a frame.
#[derive(Clone, Debug)]
pub struct Readings<'a> {
    runs: &'a [Run],
    values: &'a [Option<i64>],
    bad: &'a [(u32, Status)],
    t: i64,
    done_in_run: u32,
    position: u32,
}

impl Iterator for Readings<'_> {
    type Item = FrameReading;

    fn next(&mut self) -> Option<FrameReading> {
        let (run, later_runs) = self.runs.split_first()?;
        let (value, later_values) = self.values.split_first()?;
        let status = match self.bad.split_first() {
            Some(((position, status), later)) if *position == self.position => {
                self.bad = later;
                *status
            }
            _ => Status::GOOD,
        };
        let reading = FrameReading {
            id: run.first_id.saturating_add(self.done_in_run),
            t: self.t.saturating_add(i64::from(run.dt_ms)),
            value: *value,
            status,
        };
        self.values = later_values;
        self.position += 1;
        self.done_in_run += 1;
        if self.done_in_run >= run.count {
            self.runs = later_runs;
            self.done_in_run = 0;
        }
        Some(reading)
    }

    fn size_hint(&self) -> (usize, Option<usize>) {
        (self.values.len(), Some(self.values.len()))
    }
}

impl ExactSizeIterator for Readings<'_> {}

impl TryFrom<Parts> for Frame {
    type Error = FrameError;

    fn try_from(parts: Parts) -> Result<Self, FrameError> {
        let mut announced = 0_u64;
        for (at, run) in parts.runs.iter().enumerate() {
            let last = run.count.checked_sub(1).ok_or(FrameError::EmptyRun { run: at })?;
            if run.first_id.checked_add(last).is_none() || parts.t.checked_add(i64::from(run.dt_ms)).is_none() {
                return Err(FrameError::RunOutOfRange { run: at });
            }
            announced += u64::from(run.count);
        }
        if announced != parts.values.len() as u64 || u32::try_from(parts.values.len()).is_err() {
            return Err(FrameError::CountMismatch { announced, values: parts.values.len() });
        }
        let mut bad = parts.bad.iter().peekable();
        for (position, value) in parts.values.iter().enumerate() {
            let status = bad.next_if(|(at, _)| *at as usize == position).map_or(Status::GOOD, |(_, status)| *status);
            match (value, status.is_bad()) {
                (None, false) => return Err(FrameError::Unexplained { position }),
                (Some(_), true) => return Err(FrameError::BadValue { position }),
                (None, true) | (Some(_), false) => {}
            }
        }
        if let Some((position, _)) = bad.next() {
            return Err(FrameError::Position { position: *position });
        }
        let Parts { log, boot, seq, t, catalogue, runs, values, bad, late } = parts;
        Ok(Self { log, boot, seq, t, catalogue, runs, values, bad, late })
    }
}

#[allow(clippy::trivially_copy_pass_by_ref)] // the signature serde asks for
fn is_false(flag: &bool) -> bool {
    !flag
}

#[cfg(test)]
mod tests;
