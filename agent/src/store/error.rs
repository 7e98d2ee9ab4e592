//! What can go wrong with the event store, and what a person does about it.
//!
//! One variant a mistake; the text says where and how to mend. It does not decide what the agent does next: that is the
//! caller's. No units, no time, no panics.

use std::path::{Path, PathBuf};

use crate::cause::Cause;

/// Why the event store cannot be used, or a request to it failed.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The data directory cannot be made or written.
    #[error(
        "the data directory {dir} cannot be used: {source}; let the agent's user own it and its disk take writes, or set \
         [store] dir to one it can write"
    )]
    Directory {
        /// The directory.
        dir: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// Another process holds the store.
    #[error(
        "the event store {path} is in use by another process; stop the other agent, or give this one its own [store] dir"
    )]
    InUse {
        /// The file.
        path: PathBuf,
    },
    /// The file is a database, but not ours.
    #[error(
        "{path} is a database of another program (application id {application_id:#x}); move it away, or set [store] dir elsewhere"
    )]
    Foreign {
        /// The file.
        path: PathBuf,
        /// What it says it is.
        application_id: u32,
    },
    /// A newer agent wrote it.
    #[error(
        "the event store {path} has schema version {found}, this agent knows up to {known}; run the newer agent, or move the file away to begin a new log"
    )]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its version.
        found: u32,
        /// Ours.
        known: u32,
    },
    /// The file is damaged.
    #[error(
        "the event store {path} is damaged ({detail}); move it away to begin a new log, and keep it: what is readable can still be read from it"
    )]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What was found.
        detail: String,
    },
    /// The files are not where they were opened, or are others.
    #[error(
        "the event store {path} is not where the agent opened it: {what}; put back what was moved, or mount its disk: the \
         agent writes it again where its directory and disk are"
    )]
    Moved {
        /// The file.
        path: PathBuf,
        /// What was found.
        what: &'static str,
    },
    /// Another store lies where this one was.
    #[error("another event store lies at {path} than the one this agent began with; restart the agent to use it")]
    Another {
        /// The file.
        path: PathBuf,
    },
    /// The system gave no random numbers for the identity of a new log.
    #[error("the system gave no random numbers for the identity of a new log: {0}")]
    Random(getrandom::Error),
    /// The store is as large as it may be and nothing in it may go, or the disk is full: SQLite says the same of both.
    #[error(
        "the event store {path} cannot grow: the disk is full, or it has reached the size limit [store] max_mib with \
         events that still wait for the broker; free the disk, raise max_mib, or let the broker take them"
    )]
    Full {
        /// The file.
        path: PathBuf,
    },
    /// The disk is full, or failed.
    #[error("the event store {path} cannot be written: {source}; free or replace the disk")]
    Disk {
        /// The file.
        path: PathBuf,
        /// What SQLite said.
        source: rusqlite::Error,
    },
    /// Anything else SQLite refuses.
    #[error("the event store {path} refused a request: {source}")]
    Sql {
        /// The file.
        path: PathBuf,
        /// What SQLite said.
        source: rusqlite::Error,
    },
    /// The writer's thread could not be started.
    #[error("the store's writer thread could not be started: {0}")]
    Thread(std::io::Error),
    /// The disk keeps the writer from answering.
    #[error("the event store did not answer for {} s: the disk is slow or failing", waited.as_secs())]
    NoAnswer {
        /// How long it was waited for.
        waited: std::time::Duration,
    },
    /// The writer has stopped, nothing more is taken.
    #[error("the store's writer has stopped")]
    Stopped,
}

impl StoreError {
    /// For people too.
    #[must_use]
    pub fn cause(&self) -> Cause {
        let of = |code: &'static str, path: &Path| Cause::known(code, &[("path", &path.display())]);
        let cause = match self {
            Self::Directory { dir, source } => of("store_directory", dir).because("why", Cause::io(source)),
            Self::InUse { path } => of("store_in_use", path),
            Self::Foreign { path, .. } => of("store_foreign", path),
            Self::Newer { path, found, known } => {
                Cause::known("store_newer", &[("path", &path.display()), ("found", found), ("known", known)])
            }
            Self::Damaged { path, detail } => of("store_damaged", path).because("why", detail.as_str().into()),
            Self::Moved { path, .. } => of("store_moved", path),
            Self::Another { path } => of("store_another", path),
            Self::Random(_) => Cause::known("store_random", &[]),
            Self::Full { path } => of("store_full", path),
            Self::Disk { path, source } => of("store_disk", path).because("why", Cause::sql(source)),
            Self::Sql { path, source } => of("store_sql", path).because("why", Cause::sql(source)),
            Self::Thread(error) => Cause::known("store_thread", &[]).because("why", Cause::io(error)),
            Self::NoAnswer { waited } => Cause::known("store_no_answer", &[("seconds", &waited.as_secs())]),
            Self::Stopped => Cause::known("store_stopped", &[]),
        };
        cause.told(self)
    }

    /// Sorts what SQLite said by who must act.
    pub(super) fn from_sql(path: &std::path::Path, source: rusqlite::Error) -> Self {
        use rusqlite::ErrorCode as Code;
        let path = path.to_path_buf();
        if matches!(
            source,
            rusqlite::Error::InvalidColumnType(..)
                | rusqlite::Error::FromSqlConversionFailure(..)
                | rusqlite::Error::IntegralValueOutOfRange(..)
                | rusqlite::Error::Utf8Error(..)
        ) {
            // No agent writes such a value.
            return Self::Damaged { path, detail: source.to_string() };
        }
        match source.sqlite_error_code() {
            Some(Code::DatabaseBusy | Code::DatabaseLocked) => Self::InUse { path },
            Some(Code::DatabaseCorrupt | Code::NotADatabase) => Self::Damaged { path, detail: source.to_string() },
            Some(Code::DiskFull) => Self::Full { path },
            Some(Code::SystemIoFailure | Code::ReadOnly | Code::CannotOpen | Code::PermissionDenied) => {
                Self::Disk { path, source }
            }
            _ => Self::Sql { path, source },
        }
    }
}
