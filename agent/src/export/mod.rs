//! Export of history: readings as CSV or Parquet, and everything about one incident in a folder.
//!
//! `readings` writes a range, `incident` a folder; `cli::export` decides what is asked for. Times are wall milliseconds
//! since the Unix epoch, UTC. Never panics.

#[cfg(feature = "export")]
mod columns;
pub mod incident;
#[cfg(feature = "export")]
mod plot;
pub mod readings;

use std::path::PathBuf;

use crate::store::StoreError;
use crate::store::history::HistoryError;

/// A point to export.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Column {
    /// Its path.
    pub path: String,
}

/// Stretch of time; the end is not included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Range {
    /// First moment.
    pub from: i64,
    /// First moment after it.
    pub to: i64,
}

/// Format of readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// Text (RFC 4180).
    Csv,
    /// Apache Parquet.
    #[cfg(feature = "export")]
    Parquet,
}

/// Why nothing could be exported.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The history cannot be read.
    #[error(transparent)]
    History(#[from] HistoryError),
    /// The event store cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// There is no history.
    #[error("{dir} holds no history; give --data the directory that [store] dir names")]
    NoHistory {
        /// Where it was looked for.
        dir: PathBuf,
    },
    /// No point matches.
    #[error("no point of the history matches {patterns}; * matches within a segment, ** any number of them")]
    NoPoint {
        /// What was asked for.
        patterns: String,
    },
    /// A pattern is none.
    #[error("{pattern} is no pattern: {why}")]
    Pattern {
        /// The pattern.
        pattern: String,
        /// Why.
        why: String,
    },
    /// The range is empty.
    #[error("--to must be later than --from")]
    Empty,
    /// No such incident.
    #[error("the event log has no incident {number}; its number is `incident` of the alarm's events")]
    NoIncident {
        /// Its number.
        number: u64,
    },
    /// A file could not be written.
    #[error("{path} cannot be written: {why}")]
    Write {
        /// The file.
        path: PathBuf,
        /// Why.
        why: String,
    },
}

impl ExportError {
    fn write(path: &std::path::Path, why: impl std::fmt::Display) -> Self {
        Self::Write { path: path.to_path_buf(), why: why.to_string() }
    }
}
