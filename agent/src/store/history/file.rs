//! One file of the history: how it is made, opened and named, and its rows.
//!
//! Each file carries what is needed to read it alone: the points, the starts of the agent, configuration and catalogue of
//! those starts. Written by one connection with a rollback journal (new pages are written once; a write-ahead log would
//! write them twice) and `synchronous=FULL`; read by any other, in this or another process, one short statement at a time,
//! so that neither waits long for the other. `PRAGMA application_id` names the program, `user_version` the format. Never
//! panics. Read first: SQLite's "File Locking And Concurrency In SQLite Version 3".

use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags, OptionalExtension as _, params};

use super::SLOT_MS;
use super::error::HistoryError;
use crate::store::PointKey;
use crate::store::schema::uri;

/// "LapH" in ASCII.
const APPLICATION_ID: i64 = 0x4c61_7048;
/// Version of the tables and of the bytes in them.
pub(super) const VERSION: u32 = 2;
/// How long a statement waits for another process's.
const BUSY: Duration = Duration::from_secs(5);
/// Bits of a key below its slot.
pub(super) const POINT_BITS: u32 = 20;
/// Points with numbers from here on have no place in a key.
pub const POINT_MAX: u32 = 1 << POINT_BITS;

const TABLES: &str = "
CREATE TABLE block (key INTEGER PRIMARY KEY, data BLOB NOT NULL);
CREATE TABLE scan (key INTEGER PRIMARY KEY, data BLOB NOT NULL);
CREATE TABLE slot (slot INTEGER PRIMARY KEY, first_at INTEGER NOT NULL, last_at INTEGER NOT NULL,
                   readings INTEGER NOT NULL, first_frame INTEGER, next_frame INTEGER, start INTEGER, data BLOB NOT NULL);
CREATE TABLE start (number INTEGER PRIMARY KEY, log TEXT NOT NULL, boot INTEGER NOT NULL, at INTEGER NOT NULL,
                    mode TEXT NOT NULL, catalogue TEXT NOT NULL, config TEXT NOT NULL);
CREATE TABLE point (id INTEGER PRIMARY KEY, path TEXT NOT NULL, quantity TEXT NOT NULL, unit TEXT NOT NULL,
                    exponent INTEGER NOT NULL);
CREATE INDEX point_path ON point (path);
CREATE TABLE text (kind TEXT NOT NULL, digest TEXT NOT NULL, data BLOB NOT NULL, PRIMARY KEY (kind, digest));
";

/// What a file holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// Every reading.
    Raw,
    /// One-minute roll-ups.
    Minute,
    /// Fifteen-minute roll-ups.
    Quarter,
    /// Readings about critical and high incidents.
    Kept,
}

impl Kind {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Raw, Self::Minute, Self::Quarter, Self::Kept];

    /// Its word in file names.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Raw => "raw",
            Self::Minute => "minute",
            Self::Quarter => "quarter",
            Self::Kept => "kept",
        }
    }
}

/// A file's path.
pub(super) fn path(dir: &Path, kind: Kind, number: u32) -> PathBuf {
    dir.join(format!("{}-{number:06}.sqlite", kind.word()))
}

/// Kind and number of a file by its name.
pub(super) fn parse(name: &str) -> Option<(Kind, u32)> {
    let (word, number) = name.strip_suffix(".sqlite")?.split_once('-')?;
    let kind = Kind::ALL.into_iter().find(|kind| kind.word() == word)?;
    Some((kind, number.parse().ok()?))
}

/// What one start of the agent stands on.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Start {
    /// Number of the start in this history; never given twice.
    pub number: u64,
    /// Event log.
    pub log: String,
    /// Number of the start in the event store.
    pub boot: u64,
    /// Axis moment.
    pub at: i64,
    /// Mode it ran in.
    pub mode: String,
    /// Hash of the catalogue.
    pub catalogue: String,
    /// Digest of the configuration.
    pub config: String,
}

/// Key of a piece.
pub(super) const fn key(slot: i64, low: u32) -> i64 {
    (slot << POINT_BITS) | low as i64
}

/// The tables of a kind of file, and how an older one is brought up to date.
pub(super) struct Format {
    pub(super) tables: &'static str,
    pub(super) version: u32,
    /// Whether an older file is kept beside as it was, under a name that ends in `.format-` and its version.
    pub(super) kept_before: bool,
    /// Called in the transaction that raises it, with the version found.
    pub(super) raise: fn(&Connection, u32) -> rusqlite::Result<()>,
}

/// What is written on needs the present version; nothing else changes.
const FORMAT: Format = Format { tables: TABLES, version: VERSION, kept_before: false, raise: |_, _| Ok(()) };

/// Opens a file for its writer, made if it is missing.
pub(super) fn write(path: &Path) -> Result<Connection, HistoryError> {
    write_as(path, &FORMAT)
}

/// The same for a file of other tables.
pub(super) fn write_as(path: &Path, format: &Format) -> Result<Connection, HistoryError> {
    let failed = |e| HistoryError::sql(path, e);
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
        | OpenFlags::SQLITE_OPEN_CREATE
        | OpenFlags::SQLITE_OPEN_URI
        | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut connection = Connection::open_with_flags(uri(path), flags).map_err(failed)?;
    settle(&connection).map_err(failed)?;
    match identify(&connection, path, format.version)? {
        None => make(&mut connection, format).map_err(failed)?,
        Some(found) if found < format.version => {
            let copy = PathBuf::from(format!("{}.format-{found}", path.display()));
            if format.kept_before && !copy.exists() {
                connection.execute("VACUUM INTO ?1", [copy.to_string_lossy()]).map_err(failed)?;
            }
            let transaction = connection.transaction().map_err(failed)?;
            (format.raise)(&transaction, found).map_err(failed)?;
            transaction.pragma_update(None, "user_version", format.version).map_err(failed)?;
            transaction.commit().map_err(failed)?;
        }
        Some(_) => {}
    }
    Ok(connection)
}

/// Opens a file that nobody here writes.
pub(super) fn read(path: &Path) -> Result<Connection, HistoryError> {
    read_as(path, VERSION).map(|(connection, _)| connection)
}

/// The same for a file of other tables, up to this version; with the version found.
pub(super) fn read_as(path: &Path, known: u32) -> Result<(Connection, u32), HistoryError> {
    let failed = |e| HistoryError::sql(path, e);
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(uri(path), flags).map_err(failed)?;
    connection.busy_timeout(BUSY).map_err(failed)?;
    connection.pragma_update(None, "cell_size_check", true).map_err(failed)?;
    match identify(&connection, path, known)? {
        Some(found) => Ok((connection, found)),
        None => Err(HistoryError::Damaged { path: path.to_path_buf(), detail: "it is empty".into() }),
    }
}

fn settle(connection: &Connection) -> rusqlite::Result<()> {
    connection.busy_timeout(BUSY)?;
    connection.pragma_update(None, "page_size", 4096)?;
    connection.pragma_update(None, "cell_size_check", true)?;
    connection.pragma_update(None, "journal_mode", "TRUNCATE")?;
    connection.pragma_update(None, "synchronous", "FULL")
}

/// Checks that a file is ours and not newer; its version, or nothing if its tables are still to be made.
fn identify(connection: &Connection, path: &Path, known: u32) -> Result<Option<u32>, HistoryError> {
    let pragma = |name: &str| {
        connection
            .query_row(&format!("PRAGMA {name}"), [], |row| row.get::<_, i64>(0))
            .map_err(|e| HistoryError::sql(path, e))
    };
    match (pragma("application_id")?, pragma("user_version")?) {
        (0, 0) => {
            let tables: u64 = connection
                .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))
                .map_err(|e| HistoryError::sql(path, e))?;
            if tables == 0 { Ok(None) } else { Err(HistoryError::Foreign { path: path.to_path_buf() }) }
        }
        (APPLICATION_ID, found) => {
            let found = u32::try_from(found).unwrap_or(u32::MAX);
            match found {
                0 => Err(HistoryError::Damaged { path: path.to_path_buf(), detail: "format version 0".into() }),
                found if found <= known => Ok(Some(found)),
                found => Err(HistoryError::Newer { path: path.to_path_buf(), found, known }),
            }
        }
        _ => Err(HistoryError::Foreign { path: path.to_path_buf() }),
    }
}

fn make(connection: &mut Connection, format: &Format) -> rusqlite::Result<()> {
    let transaction = connection.transaction()?;
    transaction.execute_batch(format.tables)?;
    transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
    transaction.pragma_update(None, "user_version", format.version)?;
    transaction.commit()
}

/// Notes points; `false` if the file knows one of the numbers as another point: then it belongs to another event store.
pub(super) fn put_points(connection: &mut Connection, points: &[(u32, PointKey)]) -> rusqlite::Result<bool> {
    let transaction = connection.transaction()?;
    {
        let mut known = transaction.prepare("SELECT path, quantity, unit, exponent FROM point WHERE id = ?1")?;
        let mut insert = transaction.prepare("INSERT INTO point VALUES (?1, ?2, ?3, ?4, ?5)")?;
        for (id, key) in points {
            let found = known
                .query_row([id], |row| {
                    Ok(PointKey { path: row.get(0)?, quantity: row.get(1)?, unit: row.get(2)?, exponent: row.get(3)? })
                })
                .optional()?;
            match found {
                Some(found) if found == *key => {}
                Some(_) => return Ok(false),
                None => {
                    insert.execute(params![id, key.path, key.quantity, key.unit, key.exponent])?;
                }
            }
        }
    }
    transaction.commit()?;
    Ok(true)
}

/// Every point a file names.
pub(super) fn points(connection: &Connection) -> rusqlite::Result<Vec<(u32, PointKey)>> {
    let mut all = connection.prepare_cached("SELECT id, path, quantity, unit, exponent FROM point ORDER BY id")?;
    let rows = all.query_map([], |row| {
        let key = PointKey { path: row.get(1)?, quantity: row.get(2)?, unit: row.get(3)?, exponent: row.get(4)? };
        Ok((row.get(0)?, key))
    })?;
    rows.collect()
}

/// The numbers a path has in a file: more than one if its unit or exponent changed.
pub(super) fn points_of(connection: &Connection, path: &str) -> rusqlite::Result<Vec<(u32, PointKey)>> {
    let mut found = connection
        .prepare_cached("SELECT id, path, quantity, unit, exponent FROM point WHERE path = ?1 ORDER BY id")?;
    let rows = found.query_map([path], |row| {
        let key = PointKey { path: row.get(1)?, quantity: row.get(2)?, unit: row.get(3)?, exponent: row.get(4)? };
        Ok((row.get(0)?, key))
    })?;
    rows.collect()
}

/// Notes a start and its texts.
pub(super) fn put_start(
    connection: &Connection,
    start: &Start,
    texts: &[(String, String, Vec<u8>)],
) -> rusqlite::Result<()> {
    connection.execute(
        "INSERT OR REPLACE INTO start VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        params![start.number, start.log, start.boot, start.at, start.mode, start.catalogue, start.config],
    )?;
    for (kind, digest, data) in texts {
        connection.execute("INSERT OR IGNORE INTO text VALUES (?1, ?2, ?3)", params![kind, digest, data])?;
    }
    Ok(())
}

/// Every start a file knows.
pub(super) fn starts(connection: &Connection) -> rusqlite::Result<Vec<Start>> {
    let mut all = connection
        .prepare_cached("SELECT number, log, boot, at, mode, catalogue, config FROM start ORDER BY number")?;
    let rows = all.query_map([], |row| {
        Ok(Start {
            number: row.get(0)?,
            log: row.get(1)?,
            boot: row.get(2)?,
            at: row.get(3)?,
            mode: row.get(4)?,
            catalogue: row.get(5)?,
            config: row.get(6)?,
        })
    })?;
    rows.collect()
}

/// Every text of a file: kind, digest, bytes.
pub(super) fn texts(connection: &Connection) -> rusqlite::Result<Vec<(String, String, Vec<u8>)>> {
    let mut all = connection.prepare_cached("SELECT kind, digest, data FROM text")?;
    let rows = all.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?;
    rows.collect()
}

/// One piece by its key.
pub(super) fn piece(connection: &Connection, table: &'static str, key: i64) -> rusqlite::Result<Option<Vec<u8>>> {
    let column = if table == "slot" { "slot" } else { "key" };
    let mut found = connection.prepare_cached(&format!("SELECT data FROM {table} WHERE {column} = ?1"))?;
    found.query_row([key], |row| row.get(0)).optional()
}

/// Slots beyond this lie farther away than any clock shows, and their keys would not fit.
const SLOT_MAX: i64 = 1 << 40;

/// Whether a number can be that of a slot: what is read from a damaged file may be anything.
pub(super) const fn is_slot(number: i64) -> bool {
    number >= 0 && number < SLOT_MAX
}

/// Slots of a file, with first and last moment. Rows that cannot be true are left out: the axis goes on after the last.
pub(super) fn slots(connection: &Connection) -> rusqlite::Result<Vec<(i64, i64, i64)>> {
    let mut all = connection.prepare_cached("SELECT slot, first_at, last_at FROM slot ORDER BY slot")?;
    let rows = all.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?;
    let true_to_itself = |found: &rusqlite::Result<(i64, i64, i64)>| match found {
        Ok((slot, first, last)) => is_slot(*slot) && in_slot(*first, *slot) && in_slot(*last, *slot),
        Err(_) => true,
    };
    rows.filter(true_to_itself).collect()
}

/// Whether a moment belongs to a slot; a step may come a little late across the border.
pub(super) const fn in_slot(at: i64, slot: i64) -> bool {
    let start = slot.saturating_mul(SLOT_MS);
    at >= start.saturating_sub(SLOT_MS) && at < start.saturating_add(2 * SLOT_MS)
}
