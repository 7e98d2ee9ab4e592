//! The event store: events, what of them the broker has not confirmed, alarm states, the numbers of points.
//!
//! One SQLite file, `events.sqlite`, that anyone can open once the agent has stopped. It is byte-oriented: payloads and
//! alarm states are the core's business. Settings are those that lost nothing in measured power cuts: write-ahead log,
//! `synchronous=FULL`, `psow=0` (a torn block of the log damages no earlier commit), 4 KiB pages, exclusive locking, and
//! a largest page count, because SQLite on a full disk can neither delete nor open.
//!
//! Identity: an event's row is `log.base + seq`, so the table's own key is the event's number and a new log in the same
//! file never meets an old number. Outbox rows are `2 × event row`, plus one for its announcement: order by key is order
//! of sending, and no key is used twice. Times are stamps in milliseconds since the Unix epoch. Never panics on a
//! damaged file. Read first: `rows` for what goes in and out, `writer` for how.

mod age;
mod aside;
mod away;
mod checksum;
mod error;
pub mod history;
mod place;
mod rows;
mod schema;
pub mod snapshot;
mod takeover;
mod telling;
mod transaction;
mod volatile;
mod worker;
mod writer;

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rusqlite::types::ValueRef;
use rusqlite::{Connection, OptionalExtension, Row, params};

use crate::cause::Cause;

pub use age::Age;
pub use away::PutBack;
pub use error::StoreError;
pub use rows::{
    COMMIT_MAX_BYTES, Commit, EventRow, Opened, OutboxRow, PointKey, SavedAlarm, SavedMark, SeenCommand, Standing,
    StoredEvent, Telling, TellingKey, TellingRow,
};
pub use writer::{Begun, Durable, SubmitError, Taken, VolatileState, Writer, WriterState};

/// File name of the event store in the data directory.
pub const FILE_NAME: &str = "events.sqlite";

/// The opened event store, before its writer takes it.
#[derive(Debug)]
pub struct Store {
    connection: Connection,
    path: PathBuf,
    log: CurrentLog,
    max_mib: u32,
    /// The file was let go because it could not be written, and is to be opened again.
    detached: bool,
    /// Where the files were when they were opened; nothing for a store in memory.
    place: Option<place::Place>,
    /// Outbox rows above this one are not to be read: their events are in a volatile log.
    edge: Option<u64>,
}

/// The log that new events go to.
#[derive(Clone, Debug)]
struct CurrentLog {
    id: Arc<str>,
    /// Row of an event is `base + seq`.
    base: u64,
    last_seq: u64,
}

impl Store {
    /// Opens the store in `dir`, which is made if it is missing, and counts the boot.
    ///
    /// `max_mib` bounds the file; the write-ahead log beside it stays at a few MiB.
    ///
    /// # Errors
    /// Every variant of [`StoreError`] that a file or directory can bring.
    pub fn open(dir: &Path, max_mib: u32) -> Result<(Self, Opened), StoreError> {
        away::remove_part(dir);
        let (connection, path) = schema::open(dir, max_mib)?;
        let mut store = Self {
            connection,
            path,
            log: CurrentLog { id: Arc::from(""), base: 0, last_seq: 0 },
            max_mib,
            detached: false,
            place: None,
            edge: None,
        };
        let opened = store.begin()?;
        let failed = |source| StoreError::Directory { dir: dir.to_path_buf(), source };
        store.place = Some(place::Place::of(&store.path).map_err(failed)?);
        Ok((store, opened))
    }

    /// A store in memory only, for an agent that must judge although no disk takes its events. What stood on the disk goes
    /// on in it: nothing is told twice and no shelf ends early because a disk cannot be written.
    ///
    /// # Errors
    /// When there are no random numbers for the identity of its log.
    pub fn in_memory(why: Cause, standing: &Standing) -> Result<(Self, Opened), StoreError> {
        let path = PathBuf::from("memory");
        let connection = schema::open_memory().map_err(|e| StoreError::from_sql(&path, e))?;
        let log = CurrentLog { id: Arc::from(""), base: 0, last_seq: 0 };
        let mut store = Self { connection, path, log, max_mib: 0, detached: false, place: None, edge: None };
        store.stand(standing).map_err(|e| StoreError::from_sql(&store.path, e))?;
        let opened = store.begin()?;
        Ok((store, Opened { memory_only: Some(why), ..opened }))
    }

    /// The store's file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The numbers of points, in the order wanted; new ones are given in that order, none is ever given twice.
    ///
    /// A point whose unit or exponent changed is a new point.
    ///
    /// # Errors
    /// When the store cannot be read or written.
    pub fn point_ids(&mut self, wanted: &[PointKey]) -> Result<Vec<u32>, StoreError> {
        let path = self.path.clone();
        self.point_ids_sql(wanted).map_err(|e| StoreError::from_sql(&path, e))
    }

    /// Begins a new log in the same file: numbers start at 1 again under a new identity.
    ///
    /// For a store that turned out to be an older image of itself: numbers it would give next are already taken.
    ///
    /// # Errors
    /// When there are no random numbers or the store cannot be written.
    pub fn new_log(&mut self) -> Result<String, StoreError> {
        let id = random_id()?;
        let base = self.last_row().map_err(|e| self.sql(e))?;
        let crc = checksum::log(&id, base);
        self.connection
            .execute("INSERT INTO log (id, base, crc) VALUES (?1, ?2, ?3)", params![id, base, crc])
            .map_err(|e| self.sql(e))?;
        self.log = CurrentLog { id: Arc::from(id.as_str()), base, last_seq: 0 };
        Ok(id)
    }

    /// Notes the retained topics the agent will publish and returns those of earlier runs it no longer wants: they are
    /// to be cleared at the broker and then forgotten with [`Store::forget_retained`].
    ///
    /// # Errors
    /// When the store cannot be read or written.
    pub fn retained(&mut self, wanted: &[String]) -> Result<Vec<String>, StoreError> {
        let path = self.path.clone();
        self.retained_sql(wanted).map_err(|e| StoreError::from_sql(&path, e))
    }

    /// What devices showed first, as it was saved.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn marks(&self) -> Result<Vec<SavedMark>, StoreError> {
        self.marks_sql().map_err(|e| self.sql(e))
    }

    /// Forgets topics that were cleared at the broker.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn forget_retained(&mut self, topics: &[String]) -> Result<(), StoreError> {
        let path = self.path.clone();
        (|| {
            let transaction = self.connection.transaction()?;
            for topic in topics {
                transaction.prepare_cached("DELETE FROM retained WHERE topic = ?1")?.execute([topic])?;
            }
            transaction.commit()
        })()
        .map_err(|e| StoreError::from_sql(&path, e))
    }

    /// Outbox rows after `after`, oldest first.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn unsent(&self, after: u64, limit: u32) -> Result<Vec<OutboxRow>, StoreError> {
        self.unsent_sql(after, limit).map_err(|e| self.sql(e))
    }

    /// Events of the present log with numbers above `seq`, oldest first.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn events_after(&self, seq: u64, limit: u32) -> Result<Vec<StoredEvent>, StoreError> {
        self.events_sql(seq, limit).map_err(|e| self.sql(e))
    }

    /// Events of the present log with numbers below `seq`, newest first.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn events_before(&self, seq: u64, limit: u32) -> Result<Vec<StoredEvent>, StoreError> {
        let below = self.log.base.saturating_add(seq).saturating_sub(1);
        let order = "row > ?1 AND row <= ?2 ORDER BY row DESC";
        self.ordered_sql(order, self.log.base, (self.log.base, below), limit).map_err(|e| self.sql(e))
    }

    fn begin(&mut self) -> Result<Opened, StoreError> {
        let latest = self
            .connection
            .query_row("SELECT id, base, crc FROM log ORDER BY n DESC LIMIT 1", [], |row| {
                Ok((row.get::<_, String>(0)?, row.get::<_, u64>(1)?, crc(row, 2)?))
            })
            .optional()
            .map_err(|e| self.sql(e))?;
        match latest {
            Some((id, base, crc)) if !fits(crc, || checksum::log(&id, base)) => {
                let detail = "the checksum of its log is wrong".to_owned();
                return Err(StoreError::Damaged { path: self.path.clone(), detail });
            }
            Some((id, base, _)) => {
                let last = self.last_row().map_err(|e| self.sql(e))?;
                self.log = CurrentLog { id: Arc::from(id), base, last_seq: last.saturating_sub(base) };
            }
            None => {
                self.new_log()?;
            }
        }
        self.connection.execute("UPDATE agent SET boot = boot + 1", []).map_err(|e| self.sql(e))?;
        let boot =
            self.connection.query_row("SELECT boot FROM agent", [], |row| row.get(0)).map_err(|e| self.sql(e))?;
        let unsent = self.unsent_count().map_err(|e| self.sql(e))?;
        let last_t_ms = self
            .connection
            .query_row("SELECT t FROM event ORDER BY row DESC LIMIT 1", [], |row| number(row, 0))
            .optional()
            .map_err(|e| self.sql(e))?;
        let mut damage = Vec::new();
        let alarms = self.alarms_sql(&mut damage).map_err(|e| self.sql(e))?;
        let marks = self.marks_sql().map_err(|e| self.sql(e))?;
        let seen = self.seen_sql().map_err(|e| self.sql(e))?;
        let tellings = self.tellings_sql(&mut damage).map_err(|e| self.sql(e))?;
        let logs = self.logs().map_err(|e| self.sql(e))?.iter().map(|(id, _)| id.to_string()).collect();
        Ok(Opened {
            log: self.log.id.to_string(),
            boot,
            last_seq: self.log.last_seq,
            last_t_ms,
            alarms,
            marks,
            seen,
            tellings,
            unsent,
            logs,
            damage,
            aside: None,
            memory_only: None,
        })
    }

    fn sql(&self, source: rusqlite::Error) -> StoreError {
        StoreError::from_sql(&self.path, source)
    }

    /// The highest event row ever given. Retention keeps the newest event, so the table's end is that row.
    fn last_row(&self) -> rusqlite::Result<u64> {
        let events: u64 = self.connection.query_row("SELECT ifnull(max(row), 0) FROM event", [], |row| row.get(0))?;
        let base: u64 = self.connection.query_row("SELECT ifnull(max(base), 0) FROM log", [], |row| row.get(0))?;
        Ok(events.max(base))
    }

    fn unsent_count(&self) -> rusqlite::Result<u64> {
        self.connection.query_row("SELECT count(*) FROM outbox", [], |row| row.get(0))
    }

    /// Saved states of alarms; one whose checksum is wrong is left out: that alarm is judged anew.
    fn alarms_sql(&self, damage: &mut Vec<Cause>) -> rusqlite::Result<Vec<SavedAlarm>> {
        let mut statement = self.connection.prepare("SELECT id, digest, state, crc FROM alarm ORDER BY id")?;
        let rows = statement.query_map([], |row| {
            let alarm =
                SavedAlarm { id: text(row, 0)?, digest: number(row, 1)?.cast_unsigned(), state: bytes(row, 2)? };
            Ok((alarm, crc(row, 3)?))
        })?;
        let mut alarms = Vec::new();
        for row in rows {
            let (alarm, crc) = row?;
            if fits(crc, || checksum::alarm(&alarm.id, alarm.digest, &alarm.state)) {
                alarms.push(alarm);
            } else {
                damage.push(Cause::known("store_of_alarm", &[("alarm", &alarm.id)]));
            }
        }
        Ok(alarms)
    }

    fn marks_sql(&self) -> rusqlite::Result<Vec<SavedMark>> {
        let mut statement = self.connection.prepare("SELECT device, feature, confirmed, shown FROM mark")?;
        let rows = statement.query_map([], |row| {
            Ok(SavedMark { device: row.get(0)?, feature: row.get(1)?, confirmed: row.get(2)?, shown: row.get(3)? })
        })?;
        rows.collect()
    }

    fn seen_sql(&self) -> rusqlite::Result<Vec<SeenCommand>> {
        let mut statement = self.connection.prepare("SELECT by, id, at FROM command")?;
        let rows = statement.query_map([], |row| {
            let at_s = number(row, 2)?;
            Ok(SeenCommand { by: text(row, 0)?, id: text(row, 1)?, at_s, keep_from_s: i64::MIN })
        })?;
        rows.collect()
    }

    fn point_ids_sql(&mut self, wanted: &[PointKey]) -> rusqlite::Result<Vec<u32>> {
        let transaction = self.connection.transaction()?;
        let ids = {
            let mut known: HashMap<PointKey, u32> = HashMap::new();
            let mut next: u32 =
                transaction.query_row("SELECT ifnull(max(id), 0) + 1 FROM point", [], |row| row.get(0))?;
            let mut damaged = Vec::new();
            let mut all = transaction.prepare("SELECT id, path, quantity, unit, exponent, crc FROM point")?;
            let mut rows = all.query([])?;
            while let Some(row) = rows.next()? {
                let key = PointKey {
                    path: text(row, 1)?,
                    quantity: text(row, 2)?,
                    unit: text(row, 3)?,
                    exponent: i8::try_from(number(row, 4)?).unwrap_or(i8::MAX),
                };
                let id = row.get(0)?;
                if fits(crc(row, 5)?, || point_crc(id, &key)) {
                    known.insert(key, id);
                } else {
                    damaged.push(id);
                }
            }
            for id in damaged {
                tracing::warn!("the number {id} of a point is damaged in the store: its point gets a new one");
                transaction.execute("DELETE FROM point WHERE id = ?1", [id])?;
            }
            let mut insert = transaction.prepare(
                "INSERT INTO point (id, path, quantity, unit, exponent, crc) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
            )?;
            let mut ids = Vec::with_capacity(wanted.len());
            for key in wanted {
                if let Some(id) = known.get(key) {
                    ids.push(*id);
                    continue;
                }
                let crc = point_crc(next, key);
                insert.execute(params![next, key.path, key.quantity, key.unit, key.exponent, crc])?;
                known.insert(key.clone(), next);
                ids.push(next);
                next += 1;
            }
            ids
        };
        transaction.commit()?;
        Ok(ids)
    }

    fn retained_sql(&mut self, wanted: &[String]) -> rusqlite::Result<Vec<String>> {
        let transaction = self.connection.transaction()?;
        let stale = {
            let mut all = transaction.prepare("SELECT topic FROM retained ORDER BY topic")?;
            let known: Vec<String> = all.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
            let mut insert = transaction.prepare("INSERT OR IGNORE INTO retained (topic) VALUES (?1)")?;
            for topic in wanted {
                insert.execute([topic])?;
            }
            let wanted: std::collections::HashSet<&str> = wanted.iter().map(String::as_str).collect();
            known.into_iter().filter(|topic| !wanted.contains(topic.as_str())).collect()
        };
        transaction.commit()?;
        Ok(stale)
    }

    fn unsent_sql(&self, after: u64, limit: u32) -> rusqlite::Result<Vec<OutboxRow>> {
        let logs = self.logs()?;
        let mut statement = self.connection.prepare_cached(
            "SELECT o.id, e.row, e.t, e.kind, e.payload, e.crc, o.topic, o.payload, o.crc \
             FROM outbox o JOIN event e ON e.row = o.id / 2 WHERE o.id > ?1 AND o.id <= ?3 ORDER BY o.id LIMIT ?2",
        )?;
        let edge = self.edge.unwrap_or(i64::MAX.cast_unsigned());
        let rows = statement.query_map(params![after, limit, edge], |row| {
            let (id, event): (u64, u64) = (row.get(0)?, row.get(1)?);
            let (log, base) = logs
                .iter()
                .rev()
                .find(|(_, base)| *base < event)
                .map_or_else(|| (Arc::from(""), 0), |(log, base)| (Arc::clone(log), *base));
            let (t_ms, kind, payload) = (number(row, 2)?, text(row, 3)?, bytes(row, 4)?);
            let whole = fits(crc(row, 5)?, || checksum::event(event, t_ms, &kind, &payload));
            let announce = if is_null(row, 6)? { None } else { Some(text(row, 6)?) };
            let announced = if is_null(row, 7)? { None } else { Some(bytes(row, 7)?) };
            let whole = whole
                && match (&announce, &announced) {
                    (Some(topic), Some(said)) => fits(crc(row, 8)?, || checksum::announcement(id, topic, said)),
                    (None, None) => true,
                    (Some(_), None) | (None, Some(_)) => false,
                };
            let payload = if whole { announced.unwrap_or(payload) } else { Vec::new() };
            Ok(OutboxRow { id, log, seq: event - base, t_ms, announce, payload })
        })?;
        rows.collect()
    }

    /// Every log with the base of its rows, oldest first.
    fn logs(&self) -> rusqlite::Result<Vec<(Arc<str>, u64)>> {
        let mut statement = self.connection.prepare_cached("SELECT id, base FROM log ORDER BY n")?;
        let rows = statement.query_map([], |row| Ok((Arc::from(row.get::<_, String>(0)?), row.get(1)?)))?;
        rows.collect()
    }

    /// Every event of one log, oldest first; none for a log the store does not know.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn events_of(&self, log: &str) -> Result<Vec<StoredEvent>, StoreError> {
        let logs = self.logs().map_err(|e| self.sql(e))?;
        let Some(at) = logs.iter().position(|(id, _)| **id == *log) else { return Ok(Vec::new()) };
        let base = logs[at].1;
        let next = logs.get(at + 1).map_or(i64::MAX.cast_unsigned(), |(_, base)| *base);
        self.rows_sql(base, base, next, u32::MAX).map_err(|e| self.sql(e))
    }

    fn events_sql(&self, seq: u64, limit: u32) -> rusqlite::Result<Vec<StoredEvent>> {
        self.rows_sql(self.log.base, self.log.base.saturating_add(seq), i64::MAX.cast_unsigned(), limit)
    }

    /// Events of rows after `after` up to `last`, numbered from `base`.
    fn rows_sql(&self, base: u64, after: u64, last: u64, limit: u32) -> rusqlite::Result<Vec<StoredEvent>> {
        self.ordered_sql("row > ?1 AND row <= ?2 ORDER BY row", base, (after, last), limit)
    }

    fn ordered_sql(
        &self,
        order: &str,
        base: u64,
        (after, last): (u64, u64),
        limit: u32,
    ) -> rusqlite::Result<Vec<StoredEvent>> {
        let sql = format!("SELECT row, t, kind, payload, crc FROM event WHERE {order} LIMIT ?3");
        let mut statement = self.connection.prepare_cached(&sql)?;
        let last = last.min(i64::MAX.cast_unsigned());
        let rows = statement.query_map(params![after, last, limit], |row| {
            let place: u64 = row.get(0)?;
            let (t_ms, kind, payload) = (number(row, 1)?, text(row, 2)?, bytes(row, 3)?);
            let whole = fits(crc(row, 4)?, || checksum::event(place, t_ms, &kind, &payload));
            Ok(StoredEvent { seq: place - base, t_ms, kind, payload: if whole { payload } else { Vec::new() } })
        })?;
        rows.collect()
    }
}

/// A column as it lies on disk: a flipped bit may have made it another type or no text, which its checksum then says.
fn bytes(row: &Row<'_>, column: usize) -> rusqlite::Result<Vec<u8>> {
    Ok(match row.get_ref(column)? {
        ValueRef::Blob(bytes) | ValueRef::Text(bytes) => bytes.to_vec(),
        ValueRef::Null | ValueRef::Integer(_) | ValueRef::Real(_) => Vec::new(),
    })
}

fn text(row: &Row<'_>, column: usize) -> rusqlite::Result<String> {
    bytes(row, column).map(|bytes| String::from_utf8_lossy(&bytes).into_owned())
}

fn number(row: &Row<'_>, column: usize) -> rusqlite::Result<i64> {
    Ok(match row.get_ref(column)? {
        ValueRef::Integer(number) => number,
        ValueRef::Null | ValueRef::Real(_) | ValueRef::Text(_) | ValueRef::Blob(_) => 0,
    })
}

/// A checksum; what cannot be one fits nothing.
fn crc(row: &Row<'_>, column: usize) -> rusqlite::Result<Option<i64>> {
    Ok(match row.get_ref(column)? {
        ValueRef::Null => None,
        ValueRef::Integer(number) => Some(number),
        ValueRef::Real(_) | ValueRef::Text(_) | ValueRef::Blob(_) => Some(-1),
    })
}

fn is_null(row: &Row<'_>, column: usize) -> rusqlite::Result<bool> {
    Ok(row.get_ref(column)? == ValueRef::Null)
}

/// Whether a row's checksum fits; rows of schema 1 have none.
fn fits(crc: Option<i64>, computed: impl FnOnce() -> u32) -> bool {
    crc.is_none_or(|crc| crc == i64::from(computed()))
}

fn point_crc(id: u32, key: &PointKey) -> u32 {
    checksum::point(id, &key.path, &key.quantity, &key.unit, key.exponent)
}

/// A random 128-bit identity as 32 hexadecimal digits.
fn random_id() -> Result<String, StoreError> {
    let mut bytes = [0_u8; 16];
    getrandom::fill(&mut bytes).map_err(StoreError::Random)?;
    Ok(format!("{:032x}", u128::from_be_bytes(bytes)))
}

#[cfg(test)]
pub(crate) mod tests;
