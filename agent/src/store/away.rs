//! How the store comes back when its files are not where they were opened, or its disk has failed.
//!
//! A store whose handle can still be read lies nowhere any more, but it is whole: it is written again to its path, with
//! everything in it, and what has come to lie there is kept under another name, never written over. A store whose disk has
//! failed is opened again where it was. Called by the writer's thread before a copy of the volatile log, so it may wait for
//! the disk. Stamps are UTC. Never panics.

use std::fs::File;
use std::path::{Path, PathBuf};

use rusqlite::Connection;
use rusqlite::config::DbConfig;

use super::aside::{self, Why};
use super::place::{Disk, Place, beside, directory};
use super::{FILE_NAME, Store, StoreError, schema};

/// What the store is written to before it takes its place.
const PART: &str = "part";

/// Removes what a store that was being written again left behind when the agent was ended.
pub(super) fn remove_part(dir: &Path) {
    // There is none; one that cannot be removed is in nobody's way.
    let _none = std::fs::remove_file(with_name(&dir.join(FILE_NAME), PART));
}

/// That the store was written again to its path, whole.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PutBack {
    /// What was found instead of it.
    pub what: &'static str,
    /// The name that what lay there is kept under.
    pub kept: Option<String>,
}

impl std::fmt::Display for PutBack {
    /// In English, for programs and logs; people are told in the site's language.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self { what, kept } = self;
        write!(f, "Its file was not where the agent had opened it ({what}); it was written there again, whole")?;
        match kept {
            Some(name) => write!(f, "; what lay there is kept as {name}"),
            None => Ok(()),
        }
    }
}

impl Store {
    /// Whether the files are where they were opened; a store in memory has none.
    ///
    /// # Errors
    /// [`StoreError::Moved`] when they are not.
    pub(super) fn in_place(&mut self) -> Result<(), StoreError> {
        match &mut self.place {
            Some(place) if !self.detached => place.holds(&self.path),
            Some(_) | None => Ok(()),
        }
    }

    /// Makes the store one that can be written again. Says what was done, if it was more than opening it.
    ///
    /// # Errors
    /// When its disk or directory is not there, or it cannot be written.
    pub(super) fn come_back(&mut self) -> Result<Option<PutBack>, StoreError> {
        if self.detached {
            return self.open_again().map(|()| None);
        }
        match self.in_place() {
            Ok(()) => Ok(None),
            Err(StoreError::Moved { what, .. }) => self.put_back(what),
            Err(error) => Err(error),
        }
    }

    /// The store that lies where this one was, which cannot be read any more.
    pub(super) fn other(&self) -> Result<Self, StoreError> {
        Self::open_or_begin_anew(directory(&self.path), self.max_mib).map(|(store, _)| store)
    }

    /// Opens the file again after the disk has failed: what was mounted anew is another file to an old handle.
    ///
    /// # Errors
    /// When it cannot be opened, or is another store than before.
    fn open_again(&mut self) -> Result<(), StoreError> {
        let Some(place) = self.place.filter(|_| self.max_mib > 0) else { return Ok(()) };
        // The old handle must be gone first: it holds the file's lock.
        self.let_go().map_err(|e| self.sql(e))?;
        self.make_directory(place.disk())?;
        self.attach()
    }

    /// Closes the files without a word to them: closing would write to the old disk, and remove by name a write-ahead log
    /// that may be another's by now. What the log holds stays in it, and is found when it is opened.
    pub(super) fn let_go(&mut self) -> rusqlite::Result<()> {
        self.detached = true;
        self.connection.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true)?;
        self.connection = Connection::open_in_memory()?;
        Ok(())
    }

    /// Opens what lies at the path, which must be this store.
    fn attach(&mut self) -> Result<(), StoreError> {
        let (connection, path) = schema::open(directory(&self.path), self.max_mib)?;
        let known: bool = connection
            .query_row("SELECT count(*) > 0 FROM log WHERE id = ?1", [&*self.log.id], |row| row.get(0))
            .map_err(|e| self.sql(e))?;
        if !known {
            return Err(StoreError::Another { path });
        }
        let place = Place::of(&path).map_err(|source| self.no_directory(source))?;
        self.connection = connection;
        self.place = Some(place);
        self.detached = false;
        Ok(())
    }

    fn put_back(&mut self, what: &'static str) -> Result<Option<PutBack>, StoreError> {
        let Some(place) = self.place else { return Ok(None) };
        self.make_directory(place.disk())?;
        let part = with_name(&self.path, PART);
        remove_part(directory(&self.path));
        let written = self
            .connection
            .execute("VACUUM INTO ?1", [part.to_string_lossy()])
            .map_err(|e| self.sql(e))
            .and_then(|_| File::open(&part).and_then(|file| file.sync_all()).map_err(|e| self.no_directory(e)));
        if let Err(error) = written {
            remove_part(directory(&self.path));
            return Err(error);
        }
        let kept = self.make_room(&place).and_then(|kept| {
            std::fs::rename(&part, &self.path).map_err(|e| self.no_directory(e))?;
            Ok(kept)
        })?;
        // A name is durable when its directory is.
        File::open(directory(&self.path)).and_then(|dir| dir.sync_all()).map_err(|e| self.no_directory(e))?;
        self.let_go().map_err(|e| self.sql(e))?;
        self.attach()?;
        let done = PutBack { what, kept };
        tracing::warn!("{done}");
        Ok(Some(done))
    }

    /// Clears the path for the store: what is another's is kept under another name, what is its own can go, for it is in
    /// the part.
    fn make_room(&self, place: &Place) -> Result<Option<String>, StoreError> {
        let log = beside(&self.path);
        if place.is_log(&log) {
            std::fs::remove_file(&log).map_err(|e| self.no_directory(e))?;
        }
        let (file_there, log_there) = (self.path.exists() && !place.is_file(&self.path), log.exists());
        if !file_there && !log_there {
            return Ok(None);
        }
        let kept = aside::move_aside(&self.path, Why::Replaced, file_there)?;
        Ok(kept.file_name().map(|name| name.to_string_lossy().into_owned()))
    }

    fn make_directory(&self, disk: Disk) -> Result<(), StoreError> {
        disk.make(directory(&self.path)).map_err(|source| self.no_directory(source))
    }

    fn no_directory(&self, source: std::io::Error) -> StoreError {
        StoreError::Directory { dir: directory(&self.path).to_path_buf(), source }
    }
}

fn with_name(path: &Path, end: &str) -> PathBuf {
    path.with_file_name(format!("{FILE_NAME}.{end}"))
}
