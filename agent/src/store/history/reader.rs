//! Reads the history, in the agent or beside it: which files there are, what slots they hold, pieces and losses.
//!
//! Never writes and never asks the agent: closed files do not change, the raw file that is being written is read one short
//! statement at a time, and the open slot's file is read to its last whole record. What lies damaged is left out and
//! listed. `series` answers queries over it, `steps` gives readings back in the order they entered. Times are axis or wall
//! milliseconds as named. Never panics.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};

use rusqlite::{Connection, OptionalExtension as _};

use super::axis::{self, Wall};
use super::block::{Column, Head, Scan};
use super::error::{HistoryError, Loss};
use super::file::{self, Kind, Start};
use super::pack::Damage;
use super::steps::Place;
use crate::store::PointKey;

/// Directory of the history inside the data directory.
pub const DIRECTORY: &str = "history";

/// First and last slot or day of a file; `None` for an empty one.
type FirstLast = Option<(i64, i64)>;

/// The history as it lies on disk.
#[derive(Debug)]
pub struct Reader {
    pub(super) dir: PathBuf,
    /// First and last slot (raw, kept) or day (roll-ups) of files that no longer change.
    known: Mutex<HashMap<(Kind, u32), FirstLast>>,
    losses: Mutex<Vec<Loss>>,
    unpacked: AtomicU64,
}

/// Losses remembered; a file full of damage tells no more with a thousand.
const LOSSES_MAX: usize = 200;

impl Reader {
    /// A reader of the history in a data directory. That there is none yet is no error.
    #[must_use]
    pub fn new(data_dir: &Path) -> Self {
        Self {
            dir: data_dir.join(DIRECTORY),
            known: Mutex::default(),
            losses: Mutex::default(),
            unpacked: AtomicU64::new(0),
        }
    }

    /// Where the history lies.
    #[must_use]
    pub fn directory(&self) -> &Path {
        &self.dir
    }

    /// How many blocks of a point's readings were unpacked so far: more than there are, where a slot took several windows.
    #[must_use]
    pub fn unpacked(&self) -> u64 {
        self.unpacked.load(Ordering::Relaxed)
    }

    /// What was found damaged and left out since the last call.
    #[must_use]
    pub fn take_losses(&self) -> Vec<Loss> {
        std::mem::take(&mut *self.losses.lock().unwrap_or_else(PoisonError::into_inner))
    }

    pub(super) fn lost(&self, loss: Loss) {
        let mut losses = self.losses.lock().unwrap_or_else(PoisonError::into_inner);
        if losses.len() < LOSSES_MAX && !losses.contains(&loss) {
            losses.push(loss);
        }
    }

    /// Numbers of files, with the kinds there are of each.
    ///
    /// # Errors
    /// When the directory cannot be read.
    pub fn files(&self) -> Result<BTreeMap<u32, BTreeSet<Kind>>, HistoryError> {
        list(&self.dir)
    }

    /// How axis and wall belong together.
    ///
    /// # Errors
    /// When a newer agent wrote the table. A damaged one is told as a loss: the axis is then taken for the wall.
    pub fn wall(&self) -> Result<Wall, HistoryError> {
        match axis::load(&self.dir) {
            Err(error) if !matches!(error, HistoryError::Newer { .. }) => {
                let path = self.dir.join(axis::FILE_NAME);
                self.lost(Loss { path, what: "the table of the wall clock".into(), why: error.to_string() });
                Ok(Wall::default())
            }
            other => other,
        }
    }

    /// Every start of the agent the history knows.
    ///
    /// # Errors
    /// When a newer agent wrote a file.
    pub fn starts(&self) -> Result<Vec<Start>, HistoryError> {
        let mut all = BTreeMap::new();
        for (number, kinds) in self.files()? {
            for kind in [Kind::Raw, Kind::Kept] {
                if let Some(open) = kinds.contains(&kind).then(|| self.open(kind, number)).transpose()?.flatten()
                    && let Some(starts) = self.told(kind, number, file::starts(&open))?
                {
                    all.extend(starts.into_iter().map(|start| (start.number, start)));
                }
            }
        }
        Ok(all.into_values().collect())
    }

    /// A text by its digest: the configuration or the catalogue of a start.
    ///
    /// # Errors
    /// When a newer agent wrote a file.
    pub fn text(&self, kind: &str, digest: &str) -> Result<Option<Vec<u8>>, HistoryError> {
        for (number, kinds) in self.files()?.into_iter().rev() {
            for of in [Kind::Raw, Kind::Kept] {
                let Some(open) = kinds.contains(&of).then(|| self.open(of, number)).transpose()?.flatten() else {
                    continue;
                };
                let found = open
                    .query_row("SELECT data FROM text WHERE kind = ?1 AND digest = ?2", [kind, digest], |row| {
                        row.get(0)
                    })
                    .optional();
                if let Some(Some(text)) = self.told(of, number, found)? {
                    return Ok(Some(text));
                }
            }
        }
        Ok(None)
    }

    /// Every point the history knows by its path, from any file.
    ///
    /// # Errors
    /// When a newer agent wrote a file.
    pub fn points(&self) -> Result<Vec<PointKey>, HistoryError> {
        let mut all = BTreeMap::new();
        for (number, kinds) in self.files()? {
            for kind in kinds {
                if let Some(open) = self.open(kind, number)?
                    && let Some(points) = self.told(kind, number, file::points(&open))?
                {
                    all.extend(
                        points.into_iter().map(|(_, key)| ((key.path.clone(), key.unit.clone(), key.exponent), key)),
                    );
                }
            }
        }
        Ok(all.into_values().collect())
    }

    /// Numbers of the points in a place, which hold there: those of the open slot are in the newest raw file.
    ///
    /// # Errors
    /// When a newer agent wrote a file.
    pub fn points_at(&self, place: Place) -> Result<Vec<(u32, PointKey)>, HistoryError> {
        let (kind, number) = match place {
            Place::File(kind, number) => (kind, number),
            Place::Open | Place::Closing => {
                let files = self.files()?;
                let newest = files.iter().rev().find(|(_, kinds)| kinds.contains(&Kind::Raw));
                let Some((number, _)) = newest else { return Ok(Vec::new()) };
                (Kind::Raw, *number)
            }
        };
        let Some(open) = self.open(kind, number)? else { return Ok(Vec::new()) };
        Ok(self.told(kind, number, file::points(&open))?.unwrap_or_default())
    }

    /// Opens a file; one that is gone meanwhile or damaged is `None`.
    pub(super) fn open(&self, kind: Kind, number: u32) -> Result<Option<Connection>, HistoryError> {
        let path = file::path(&self.dir, kind, number);
        if !path.exists() {
            return Ok(None);
        }
        match file::read(&path) {
            Ok(connection) => Ok(Some(connection)),
            Err(error @ (HistoryError::Newer { .. } | HistoryError::InUse { .. })) => Err(error),
            Err(error) => {
                self.lost(Loss { path, what: "the file".into(), why: error.to_string() });
                Ok(None)
            }
        }
    }

    /// First and last slot or day of a file; cached unless the file is still written.
    pub(super) fn span(
        &self,
        kind: Kind,
        number: u32,
        newest: bool,
        open: &Connection,
    ) -> Result<Option<(i64, i64)>, HistoryError> {
        let known = || self.known.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(span) = known().get(&(kind, number)).filter(|_| !newest) {
            return Ok(*span);
        }
        let sql = match kind {
            Kind::Raw | Kind::Kept => "SELECT min(slot), max(slot) FROM slot",
            Kind::Minute | Kind::Quarter => "SELECT min(key) >> 20, max(key) >> 20 FROM block",
        };
        let found = open.query_row(sql, [], |row| Ok(row.get::<_, Option<i64>>(0)?.zip(row.get::<_, Option<i64>>(1)?)));
        let span = self.told(kind, number, found)?.flatten();
        known().insert((kind, number), span);
        Ok(span)
    }

    /// The span of a file if it is known without opening it.
    pub(super) fn known_span(&self, kind: Kind, number: u32) -> Option<Option<(i64, i64)>> {
        self.known.lock().unwrap_or_else(PoisonError::into_inner).get(&(kind, number)).copied()
    }

    /// What SQLite found, or `None` and a loss.
    pub(super) fn told<T>(
        &self,
        kind: Kind,
        number: u32,
        found: rusqlite::Result<T>,
    ) -> Result<Option<T>, HistoryError> {
        let path = file::path(&self.dir, kind, number);
        match found.map_err(|e| HistoryError::sql(&path, e)) {
            Ok(found) => Ok(Some(found)),
            Err(error @ HistoryError::InUse { .. }) => Err(error),
            Err(error) => {
                self.lost(Loss { path, what: "a page of it".into(), why: error.to_string() });
                Ok(None)
            }
        }
    }

    fn piece<T>(
        &self,
        kind: Kind,
        number: u32,
        (open, table, key): (&Connection, &'static str, i64),
        read: impl FnOnce(&[u8]) -> Result<T, Damage>,
    ) -> Result<Option<T>, HistoryError> {
        let Some(Some(bytes)) = self.told(kind, number, file::piece(open, table, key))? else { return Ok(None) };
        match read(&bytes) {
            Ok(piece) => Ok(Some(piece)),
            Err(why) => {
                let what =
                    format!("{table} {} of slot {}", key & i64::from(file::POINT_MAX - 1), key >> file::POINT_BITS);
                self.lost(Loss::new(&file::path(&self.dir, kind, number), what, &why));
                Ok(None)
            }
        }
    }

    pub(super) fn column(
        &self,
        kind: Kind,
        number: u32,
        open: &Connection,
        slot: i64,
        id: u32,
    ) -> Result<Option<Column>, HistoryError> {
        let key = file::key(slot, id);
        self.unpacked.fetch_add(1, Ordering::Relaxed);
        self.piece(kind, number, (open, "block", key), |bytes| Column::from_bytes(key, bytes))
    }

    pub(super) fn scan(
        &self,
        kind: Kind,
        number: u32,
        open: &Connection,
        slot: i64,
        group: u32,
    ) -> Result<Option<Scan>, HistoryError> {
        let key = file::key(slot, group);
        self.piece(kind, number, (open, "scan", key), |bytes| Scan::from_bytes(slot, key, bytes))
    }

    pub(super) fn head(
        &self,
        kind: Kind,
        number: u32,
        open: &Connection,
        slot: i64,
    ) -> Result<Option<Head>, HistoryError> {
        self.piece(kind, number, (open, "slot", slot), |bytes| Head::from_bytes(slot, bytes))
    }

    pub(super) fn rolled<T>(
        &self,
        kind: Kind,
        number: u32,
        (open, key): (&Connection, i64),
        read: impl FnOnce(&[u8]) -> Result<T, Damage>,
    ) -> Result<Option<T>, HistoryError> {
        self.piece(kind, number, (open, "block", key), read)
    }
}

/// Files of a directory by number; none if there is no directory.
pub(super) fn list(dir: &Path) -> Result<BTreeMap<u32, BTreeSet<Kind>>, HistoryError> {
    let mut files: BTreeMap<u32, BTreeSet<Kind>> = BTreeMap::new();
    let failed = |e| HistoryError::file(dir, e);
    let entries = match std::fs::read_dir(dir) {
        Ok(entries) => entries,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(files),
        Err(error) => return Err(failed(error)),
    };
    for entry in entries {
        let name = entry.map_err(failed)?.file_name();
        if let Some((kind, number)) = name.to_str().and_then(file::parse) {
            files.entry(number).or_default().insert(kind);
        }
    }
    Ok(files)
}
