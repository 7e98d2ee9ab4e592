//! What can go wrong with the history, and what a person does about it.
//!
//! One variant a mistake; the text says where and how to mend. History is never a reason to stop judging: who meets one
//! of these goes on without it. No units, no panics.

use std::path::{Path, PathBuf};

use super::pack::Damage;
use crate::cause::Cause;

/// Why a part of the history cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum HistoryError {
    /// The directory or a plain file in it cannot be used.
    #[error("{path} cannot be used: {source}; let the agent's user own it, free or replace the disk")]
    File {
        /// Directory or file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The disk is full.
    #[error("{path} cannot grow: the disk is full; free it, or set a smaller [store] history_max_mib")]
    Full {
        /// The file.
        path: PathBuf,
    },
    /// Another process holds the file.
    #[error("{path} is in use by another process; end what reads or writes it")]
    InUse {
        /// The file.
        path: PathBuf,
    },
    /// A newer agent wrote it.
    #[error(
        "{path} has format version {found}, this agent knows up to {known}; read it with the newer agent, or move it away"
    )]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its version.
        found: u32,
        /// Ours.
        known: u32,
    },
    /// Not a file of ours.
    #[error("{path} is no history file of this agent; move it out of the history directory")]
    Foreign {
        /// The file.
        path: PathBuf,
    },
    /// A file is damaged.
    #[error("{path} is damaged ({detail}); what is whole in it is still used")]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What was found.
        detail: String,
    },
    /// Anything else SQLite refuses.
    #[error("{path} refused a request: {source}")]
    Sql {
        /// The file.
        path: PathBuf,
        /// What SQLite said.
        source: rusqlite::Error,
    },
    /// The writer's thread could not be started, or has ended.
    #[error("the history's writer does not run: {0}")]
    Writer(String),
}

impl HistoryError {
    /// For people too.
    #[must_use]
    pub fn cause(&self) -> Cause {
        let of = |code: &'static str, path: &Path| Cause::known(code, &[("path", &path.display())]);
        let cause = match self {
            Self::File { path, source } => of("history_file", path).because("why", Cause::io(source)),
            Self::Full { path } => of("history_full", path),
            Self::InUse { path } => of("history_in_use", path),
            Self::Newer { path, found, known } => {
                Cause::known("history_newer", &[("path", &path.display()), ("found", found), ("known", known)])
            }
            Self::Foreign { path } => of("history_foreign", path),
            Self::Damaged { path, detail } => of("history_damaged", path).because("why", detail.as_str().into()),
            Self::Sql { path, source } => of("history_sql", path).because("why", Cause::sql(source)),
            Self::Writer(why) => Cause::known("history_writer", &[("why", why)]),
        };
        cause.told(self)
    }

    pub(super) fn file(path: &Path, source: std::io::Error) -> Self {
        let path = path.to_path_buf();
        if source.kind() == std::io::ErrorKind::StorageFull { Self::Full { path } } else { Self::File { path, source } }
    }

    /// Sorts what SQLite said by who must act.
    pub(super) fn sql(path: &Path, source: rusqlite::Error) -> Self {
        use rusqlite::ErrorCode as Code;
        let path = path.to_path_buf();
        match source.sqlite_error_code() {
            Some(Code::DatabaseBusy | Code::DatabaseLocked) => Self::InUse { path },
            Some(Code::DatabaseCorrupt | Code::NotADatabase) => Self::Damaged { path, detail: source.to_string() },
            Some(Code::DiskFull) => Self::Full { path },
            _ => Self::Sql { path, source },
        }
    }

    /// Whether the disk itself has failed, so that files must be opened anew; a full one has not.
    pub(super) fn is_disk(&self) -> bool {
        use rusqlite::ErrorCode as Code;
        match self {
            Self::File { .. } => true,
            Self::Sql { source, .. } => matches!(
                source.sqlite_error_code(),
                Some(Code::SystemIoFailure | Code::CannotOpen | Code::ReadOnly | Code::NotFound)
            ),
            Self::Full { .. }
            | Self::InUse { .. }
            | Self::Newer { .. }
            | Self::Foreign { .. }
            | Self::Damaged { .. }
            | Self::Writer(_) => false,
        }
    }

    /// Whether the file itself is broken, so that setting it aside helps.
    #[must_use]
    pub const fn is_damage(&self) -> bool {
        matches!(self, Self::Damaged { .. })
    }
}

/// A piece that was found damaged and left out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Loss {
    /// The file.
    pub path: PathBuf,
    /// Which piece, in words.
    pub what: String,
    /// What is wrong with it.
    pub why: String,
}

impl Loss {
    pub(super) fn new(path: &Path, what: impl Into<String>, why: &Damage) -> Self {
        Self { path: path.to_path_buf(), what: what.into(), why: why.to_string() }
    }
}

impl Loss {
    /// The end of a file that was being appended to.
    pub(super) fn tail(path: &Path, bytes: u64, why: &Damage) -> Self {
        Self::new(path, format!("{TAIL}{bytes} bytes"), why)
    }

    /// Whether it is only what a power cut leaves, or what is being appended just now.
    #[must_use]
    pub fn is_tail(&self) -> bool {
        self.what.starts_with(TAIL)
    }
}

const TAIL: &str = "a torn tail of ";

impl std::fmt::Display for Loss {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: {}: {}", self.path.display(), self.what, self.why)
    }
}
