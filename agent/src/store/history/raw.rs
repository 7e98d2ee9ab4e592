//! The raw file that grows, and what becomes of files that are damaged.
//!
//! A raw file goes on over restarts as long as its point numbers mean the same; with another event store's numbers a new one
//! begins. A damaged file is set aside under another name, never written over. Never panics.

use std::path::{Path, PathBuf};

use rusqlite::Connection;

use super::error::{HistoryError, Loss};
use super::file::{self, Kind};
use super::open::{CLOSING, OPEN};
use super::reader;
use super::recorder::Beginning;

/// The raw file that grows.
#[derive(Debug)]
pub(super) struct RawFile {
    pub(super) number: u32,
    pub(super) path: PathBuf,
    pub(super) connection: Connection,
    /// Day of its first slot.
    pub(super) day: Option<i64>,
}

impl RawFile {
    /// The newest raw file if it can go on, else a new one.
    pub(super) fn newest(dir: &Path, beginning: &Beginning, losses: &mut Vec<Loss>) -> Result<Self, HistoryError> {
        let files = reader::list(dir)?;
        let highest = files.keys().next_back().copied().unwrap_or(0);
        let newest = files.iter().rev().find(|(_, kinds)| kinds.contains(&Kind::Raw)).map(|(number, _)| *number);
        if let Some(number) = newest.filter(|number| *number == highest) {
            let path = file::path(dir, Kind::Raw, number);
            let went_on = Self::at(dir, number).and_then(|mut raw| Ok(raw.fits(beginning)?.then_some(raw)));
            match went_on {
                Ok(Some(raw)) => return Ok(raw),
                Ok(None) => {}
                Err(error) if error.is_damage() => {
                    set_aside(&path)?;
                    losses.push(Loss { path, what: "the file".into(), why: error.to_string() });
                }
                Err(error) => return Err(error),
            }
        }
        let mut raw = Self::at(dir, highest + 1)?;
        raw.begin(beginning)?;
        Ok(raw)
    }

    pub(super) fn at(dir: &Path, number: u32) -> Result<Self, HistoryError> {
        let path = file::path(dir, Kind::Raw, number);
        let connection = file::write(&path)?;
        Ok(Self { number, path, connection, day: None })
    }

    /// Whether the file's point numbers are those of now; notes new ones.
    fn fits(&mut self, beginning: &Beginning) -> Result<bool, HistoryError> {
        file::put_points(&mut self.connection, &beginning.points).map_err(|e| HistoryError::sql(&self.path, e))
    }

    pub(super) fn begin(&mut self, beginning: &Beginning) -> Result<(), HistoryError> {
        self.fits(beginning)?;
        if beginning.start.number > 0 {
            file::put_start(&self.connection, &beginning.start, &beginning.texts)
                .map_err(|e| HistoryError::sql(&self.path, e))?;
        }
        Ok(())
    }
}

/// Opens something; what is damaged is set aside and made anew.
pub(super) fn aside<T>(
    path: &Path,
    losses: &mut Vec<Loss>,
    open: impl Fn() -> Result<T, HistoryError>,
) -> Result<T, HistoryError> {
    match open() {
        Err(error) if error.is_damage() => {
            set_aside(path)?;
            losses.push(Loss { path: path.to_path_buf(), what: "the file".into(), why: error.to_string() });
            open()
        }
        other => other,
    }
}

/// Moves a damaged file out of the way, under a name that was not used before.
fn set_aside(path: &Path) -> Result<(), HistoryError> {
    let mut name = path.as_os_str().to_owned();
    name.push(".damaged");
    while Path::new(&name).exists() {
        name.push("-");
    }
    std::fs::rename(path, &name).map_err(|e| HistoryError::file(path, e))
}

/// Keeps a copy of slot files with something damaged in them, for a person to look at; the last one of each.
pub(super) fn keep_damaged(dir: &Path) {
    for name in [OPEN, CLOSING] {
        let path = dir.join(name);
        if path.exists()
            && let Err(error) = std::fs::copy(&path, dir.join(format!("{name}.damaged")))
        {
            tracing::warn!(%error, "a damaged slot could not be kept for a closer look");
        }
    }
}

/// Unfinished roll-ups of an earlier start are made again.
pub(super) fn remove_parts(dir: &Path) {
    let parts = std::fs::read_dir(dir).into_iter().flatten().flatten().map(|entry| entry.path());
    for part in parts.filter(|path| path.to_string_lossy().contains(".part")) {
        // It is written over if it cannot be removed.
        let _left = std::fs::remove_file(part);
    }
}

/// Makes a rename durable.
pub(super) fn sync_dir(dir: &Path) -> Result<(), HistoryError> {
    let sync = || std::fs::File::open(dir)?.sync_all();
    sync().map_err(|e| HistoryError::file(dir, e))
}
