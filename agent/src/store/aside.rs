//! Setting an event store aside, a damaged one so that the agent starts all the same, or one that has come to lie where the
//! open one was: nothing is deleted that was not ours to lose, and the name says what it is and when it was found.
//!
//! The file and its write-ahead log move together, so that a database tool still reads what is readable. A file that is
//! another program's, of a newer agent or in use is not touched: that is a mistake in the settings, not damage. Only the
//! newest few are kept. Stamps are UTC. Never panics.

use std::path::{Path, PathBuf};

use super::{FILE_NAME, Opened, Store, StoreError};

/// Stores kept of each kind: a disk that dies must not fill itself with copies.
const KEPT: usize = 4;
/// Tables that are looked through at the start: all but that of events.
const TABLES: [&str; 9] = ["log", "agent", "outbox", "alarm", "point", "retained", "mark", "telling", "command"];
/// What SQLite keeps beside its file.
const BESIDE: [&str; 2] = ["-wal", "-journal"];

/// Why a store is set aside.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Why {
    /// It cannot be read.
    Damaged,
    /// It has come to lie where the open one was.
    Replaced,
}

impl Why {
    const fn word(self) -> &'static str {
        match self {
            Self::Damaged => "damaged",
            Self::Replaced => "replaced",
        }
    }
}

impl Store {
    /// Opens the store in `dir`; a damaged one is set aside first and a new one begun, which [`Opened::aside`] says.
    ///
    /// # Errors
    /// As [`Store::open`], but never [`StoreError::Damaged`] unless the new one is damaged at once.
    pub fn open_or_begin_anew(dir: &Path, max_mib: u32) -> Result<(Self, Opened), StoreError> {
        let sound = |(store, opened): (Self, Opened)| store.sound().map(|()| (store, opened));
        let (path, detail) = match Self::open(dir, max_mib).and_then(sound) {
            Err(StoreError::Damaged { path, detail }) => (path, detail),
            // What every store of ours answers, this one refuses.
            Err(StoreError::Sql { path, source }) => (path, source.to_string()),
            other => return other,
        };
        let aside = move_aside(&path, Why::Damaged, true)?;
        tracing::error!("the event store was damaged ({detail}): it is now {}, a new one has begun", aside.display());
        let (store, opened) = Self::open(dir, max_mib)?;
        Ok((store, Opened { aside: Some((aside, detail)), ..opened }))
    }

    /// Whether what a start and every commit stand on holds together: tables and their indices, but for the long one of
    /// events, whose rows have checksums of their own and are found by number.
    fn sound(&self) -> Result<(), StoreError> {
        for table in TABLES {
            let sql = format!("PRAGMA integrity_check({table})");
            let said: String = self.connection.query_row(&sql, [], |row| row.get(0)).map_err(|e| self.sql(e))?;
            if said != "ok" {
                return Err(StoreError::Damaged { path: self.path.clone(), detail: format!("table {table}: {said}") });
            }
        }
        Ok(())
    }
}

/// Moves what lies beside the file, and the file too if it is to go; returns its name then.
pub(super) fn move_aside(path: &Path, why: Why, file: bool) -> Result<PathBuf, StoreError> {
    let dir = path.parent().unwrap_or_else(|| Path::new("."));
    let failed = |source| StoreError::Directory { dir: dir.to_path_buf(), source };
    let stamp = jiff::Timestamp::now().strftime("%Y%m%dT%H%M%SZ").to_string();
    let name = |n: u32| {
        let again = if n == 0 { String::new() } else { format!("-{n}") };
        format!("{FILE_NAME}.{}-{stamp}{again}", why.word())
    };
    let mut free = (0..u32::MAX).map(|n| dir.join(name(n))).filter(|to| !to.exists());
    let to = free.next().unwrap_or_else(|| dir.join(name(0)));
    for beside in BESIDE {
        let (from, to) = (with(path, beside), with(&to, beside));
        if from.exists() {
            std::fs::rename(from, to).map_err(failed)?;
        }
    }
    if file {
        std::fs::rename(path, &to).map_err(failed)?;
    }
    keep_newest(dir, why);
    Ok(to)
}

fn with(path: &Path, beside: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(beside);
    PathBuf::from(name)
}

/// Names sort by their stamp.
fn keep_newest(dir: &Path, why: Why) {
    let Ok(entries) = std::fs::read_dir(dir) else { return };
    let prefix = format!("{FILE_NAME}.{}-", why.word());
    let is_store = |name: &str| name.starts_with(&prefix) && BESIDE.iter().all(|beside| !name.ends_with(beside));
    let mut names: Vec<String> = entries
        .flatten()
        .filter_map(|entry| entry.file_name().into_string().ok())
        .filter(|name| is_store(name))
        .collect();
    names.sort_unstable();
    for old in names.iter().rev().skip(KEPT) {
        for beside in BESIDE.into_iter().chain([""]) {
            // What cannot be removed stays; it harms nobody but the disk.
            let _left = std::fs::remove_file(dir.join(format!("{old}{beside}")));
        }
    }
}
