//! One transaction of the event store: what it holds and in which order.
//!
//! Removals come first, so that a store at its size limit can still take what replaces them. Removals of a transaction
//! that failed are kept for the next one. Also thins the event log, oldest confirmed first, when the file nears its
//! limit. It does not decide when a transaction is made. No clock, no panics.

use std::sync::Arc;

use rusqlite::{Transaction, params};

use super::volatile::{self, Copy};
use super::{
    Commit, CurrentLog, EventRow, OutboxRow, SavedAlarm, SavedMark, SeenCommand, Store, StoreError, Telling,
    TellingKey, TellingRow, checksum,
};

/// Share of the largest size above which the oldest confirmed events go, in percent.
const FULL_PERCENT: u64 = 80;
/// Events removed at once: a few milliseconds of work, so that an alarm's commit hardly waits.
const THIN_ROWS: u32 = 256;
/// Transactions between two looks at the file's size.
const LOOK_EVERY: u32 = 64;

/// The store as its writer uses it.
#[derive(Debug)]
pub(super) struct Transactor {
    store: Store,
    acks: Vec<u64>,
    cleared: Vec<String>,
    told: Vec<TellingKey>,
    until_look: u32,
    /// What was done to bring the store back, for the core to tell.
    pub(super) came_back: Option<super::PutBack>,
}

impl Transactor {
    pub(super) fn new(store: Store) -> Self {
        Self { store, acks: Vec::new(), cleared: Vec::new(), told: Vec::new(), until_look: 0, came_back: None }
    }

    /// The store itself, for questions.
    pub(super) fn store(&mut self) -> &mut Store {
        &mut self.store
    }

    /// Notes what the next transaction removes.
    pub(super) fn remove(&mut self, acks: Vec<u64>, cleared: Vec<String>, told: Vec<TellingKey>) {
        self.acks.extend(acks);
        self.cleared.extend(cleared);
        self.told.extend(told);
    }

    /// Whether removals wait for a transaction.
    pub(super) fn has_removals(&self) -> bool {
        !self.acks.is_empty() || !self.cleared.is_empty() || !self.told.is_empty()
    }

    /// Makes a batch durable together with the removals noted; returns by how much the outbox grew.
    pub(super) fn write(&mut self, batch: &[Commit]) -> Result<i64, StoreError> {
        // A file that nobody will find again takes what is written like any other.
        self.store.in_place()?;
        match self.transact(batch) {
            Ok(change) => {
                self.removed();
                let last = batch.iter().rev().find_map(|commit| commit.events.last());
                if let Some(event) = last {
                    self.store.log.last_seq = event.seq;
                }
                Ok(change)
            }
            Err(error) => {
                let error = StoreError::from_sql(&self.store.path, error);
                if matches!(error, StoreError::Full { .. }) {
                    self.thin();
                }
                Err(error)
            }
        }
    }

    /// Where the log stands.
    pub(super) fn position(&self) -> (Arc<str>, u64) {
        (Arc::clone(&self.store.log.id), self.store.log.last_seq)
    }

    /// The packets of a durable batch, in the order of the outbox.
    pub(super) fn outbox_rows(&self, batch: &[Commit]) -> Vec<OutboxRow> {
        let log = &self.store.log;
        let events = batch.iter().flat_map(|commit| &commit.events);
        events.flat_map(|event| volatile::packets(&log.id, log.base, event)).collect()
    }

    /// Who is to be told of the events of a durable batch.
    pub(super) fn telling_rows(&self, batch: &[Commit]) -> Vec<TellingRow> {
        let log = &self.store.log;
        let events = batch.iter().flat_map(|commit| &commit.events);
        events.flat_map(|event| volatile::tellings(&log.id, log.base, event, false)).collect()
    }

    /// Removals are durable.
    fn removed(&mut self) {
        self.acks.clear();
        self.cleared.clear();
        self.told.clear();
    }

    /// Copies a part of the volatile log into the store, which goes on in that log; returns by how much the outbox grew.
    ///
    /// What the log before has after its last known event is taken out: a commit that was given up can have become
    /// durable after all, and its events are in the volatile log under numbers of their own.
    pub(super) fn copy(&mut self, copy: &Copy) -> Result<i64, StoreError> {
        self.come_back()?;
        match self.copy_sql(copy) {
            Ok(change) => {
                self.removed();
                let last_seq = copy.events.last().map_or(self.store.log.last_seq, |event| event.seq);
                let known = self.store.log.id == copy.id;
                let last_seq = if known || !copy.events.is_empty() { last_seq } else { 0 };
                self.store.log = CurrentLog { id: Arc::clone(&copy.id), base: copy.base, last_seq };
                Ok(change)
            }
            Err(error) => {
                let error = StoreError::from_sql(&self.store.path, error);
                if matches!(error, StoreError::Full { .. }) {
                    self.thin();
                } else {
                    // What is mounted anew is another file to an open handle.
                    self.store.detached = true;
                }
                Err(error)
            }
        }
    }

    /// Makes the store one that can be written again.
    pub(super) fn come_back(&mut self) -> Result<(), StoreError> {
        if let Some(done) = self.store.come_back()? {
            self.came_back = Some(done);
        }
        Ok(())
    }

    /// Takes the store that lies where this one was in its place, because the agent is about to end; gives its last row.
    pub(super) fn change_store(&mut self) -> Result<u64, StoreError> {
        let store = self.store.other()?;
        let last = store.last_row().map_err(|e| StoreError::from_sql(&store.path, e))?;
        self.store = store;
        // They were of the other one.
        self.removed();
        Ok(last)
    }

    /// Thins the event log when the file nears its limit.
    pub(super) fn keep_room(&mut self) {
        if self.store.detached {
            return;
        }
        if self.until_look > 0 {
            self.until_look -= 1;
            return;
        }
        match self.used_percent() {
            // Look again at once: one chunk may not be enough.
            Ok(used) if used >= FULL_PERCENT && self.thin() > 0 => {}
            Ok(_) => self.until_look = LOOK_EVERY,
            Err(error) => {
                tracing::warn!("the size of the event store cannot be read: {error}");
                self.until_look = LOOK_EVERY;
            }
        }
    }

    fn transact(&mut self, batch: &[Commit]) -> rusqlite::Result<i64> {
        let base = self.store.log.base;
        let transaction = self.store.connection.transaction()?;
        let mut change = removed(&transaction, &self.acks, &self.cleared, &self.told)?;
        for commit in batch {
            for event in &commit.events {
                change += inserted(&transaction, base, event, |_| true, |_| true)?;
            }
            for alarm in &commit.alarms {
                saved(&transaction, alarm)?;
            }
            for mark in &commit.marks {
                marked(&transaction, mark)?;
            }
            for command in &commit.seen {
                taken(&transaction, command)?;
            }
            for id in &commit.removed {
                forgotten(&transaction, id)?;
            }
        }
        transaction.commit()?;
        Ok(change)
    }

    fn copy_sql(&mut self, copy: &Copy) -> rusqlite::Result<i64> {
        let transaction = self.store.connection.transaction()?;
        let mut change = removed(&transaction, &self.acks, &self.cleared, &self.told)?;
        if !copy.entered {
            let after = params![copy.base];
            transaction.execute("DELETE FROM telling WHERE row > ?1", after)?;
            change -= changed(transaction.execute("DELETE FROM outbox WHERE id / 2 > ?1", after)?);
            transaction.execute("DELETE FROM event WHERE row > ?1", after)?;
            let crc = checksum::log(&copy.id, copy.base);
            transaction
                .execute("INSERT INTO log (id, base, crc) VALUES (?1, ?2, ?3)", params![&*copy.id, copy.base, crc])?;
        }
        // A write in any case: whether the disk takes one is what must be known.
        transaction.execute("UPDATE agent SET boot = boot", [])?;
        for event in &copy.events {
            let untold = |key: &TellingKey| !copy.told.contains(key);
            change += inserted(&transaction, copy.base, event, |id| !copy.confirmed.contains(&id), untold)?;
        }
        for (id, state) in &copy.alarms {
            match state {
                Some(alarm) => saved(&transaction, alarm)?,
                None => forgotten(&transaction, id)?,
            }
        }
        for mark in copy.marks.values() {
            marked(&transaction, mark)?;
        }
        for command in &copy.seen {
            taken(&transaction, command)?;
        }
        transaction.commit()?;
        Ok(change)
    }

    /// How full the file is, of its largest size.
    fn used_percent(&self) -> rusqlite::Result<u64> {
        let pragma =
            |name: &str| self.store.connection.query_row(&format!("PRAGMA {name}"), [], |row| row.get::<_, u64>(0));
        let used = pragma("page_count")?.saturating_sub(pragma("freelist_count")?);
        Ok(used * 100 / pragma("max_page_count")?.max(1))
    }

    /// Removes a chunk of the oldest events the broker has; returns how many. The newest event always stays: it says
    /// which number is next.
    fn thin(&mut self) -> usize {
        let outcome = self.store.connection.execute(
            "DELETE FROM event WHERE row IN (SELECT row FROM event WHERE row < min( \
                 (SELECT ifnull(min(id) / 2, 9223372036854775807) FROM outbox), (SELECT max(row) FROM event)) \
             ORDER BY row LIMIT ?1)",
            [THIN_ROWS],
        );
        match outcome {
            Ok(removed) => removed,
            Err(error) => {
                tracing::warn!("old events could not be removed from the event store: {error}");
                0
            }
        }
    }
}

fn removed(
    transaction: &Transaction<'_>,
    acks: &[u64],
    cleared: &[String],
    told: &[TellingKey],
) -> rusqlite::Result<i64> {
    let mut change = 0;
    let mut sent = transaction.prepare_cached("DELETE FROM outbox WHERE id = ?1")?;
    for id in acks {
        change -= changed(sent.execute([id])?);
    }
    let mut topic_out = transaction.prepare_cached("DELETE FROM retained WHERE topic = ?1")?;
    for topic in cleared {
        topic_out.execute([topic])?;
    }
    let mut telling_out = transaction.prepare_cached("DELETE FROM telling WHERE row = ?1 AND recipient = ?2")?;
    for (row, recipient) in told {
        telling_out.execute(params![row, recipient])?;
    }
    Ok(change)
}

/// An event with those of its packets and tellings that still wait; returns how many packets do.
fn inserted(
    transaction: &Transaction<'_>,
    base: u64,
    event: &EventRow,
    waits: impl Fn(u64) -> bool,
    untold: impl Fn(&TellingKey) -> bool,
) -> rusqlite::Result<i64> {
    let row = base + event.seq;
    let crc = checksum::event(row, event.t_ms, event.kind, &event.payload);
    transaction
        .prepare_cached("INSERT INTO event (row, t, kind, payload, crc) VALUES (?1, ?2, ?3, ?4, ?5)")?
        .execute(params![row, event.t_ms, event.kind, event.payload, crc])?;
    let mut outbox_in =
        transaction.prepare_cached("INSERT INTO outbox (id, topic, payload, crc) VALUES (?1, ?2, ?3, ?4)")?;
    let id = 2 * row;
    let mut change = 0;
    if waits(id) {
        change += changed(outbox_in.execute(params![id, None::<&str>, None::<&[u8]>, None::<u32>])?);
    }
    if let Some((topic, payload)) = &event.announce
        && waits(id + 1)
    {
        let crc = checksum::announcement(id + 1, topic, payload);
        change += changed(outbox_in.execute(params![id + 1, topic, payload, crc])?);
    }
    for telling in event.tellings.iter().filter(|telling| untold(&(row, telling.recipient.clone()))) {
        to_tell(transaction, row, telling)?;
    }
    Ok(change)
}

pub(super) fn saved(transaction: &Transaction<'_>, alarm: &SavedAlarm) -> rusqlite::Result<()> {
    let crc = checksum::alarm(&alarm.id, alarm.digest, &alarm.state);
    transaction
        .prepare_cached(
            "INSERT INTO alarm (id, digest, state, crc) VALUES (?1, ?2, ?3, ?4) \
             ON CONFLICT (id) DO UPDATE SET digest = excluded.digest, state = excluded.state, crc = excluded.crc",
        )?
        .execute(params![alarm.id, alarm.digest.cast_signed(), alarm.state, crc])?;
    Ok(())
}

pub(super) fn marked(transaction: &Transaction<'_>, mark: &SavedMark) -> rusqlite::Result<()> {
    transaction
        .prepare_cached(
            "INSERT INTO mark (device, feature, confirmed, shown) VALUES (?1, ?2, ?3, ?4) \
             ON CONFLICT (device, feature) DO UPDATE SET confirmed = excluded.confirmed, shown = excluded.shown",
        )?
        .execute([&mark.device, &mark.feature, &mark.confirmed, &mark.shown])?;
    Ok(())
}

/// A telling of an event.
pub(super) fn to_tell(transaction: &Transaction<'_>, row: u64, telling: &Telling) -> rusqlite::Result<()> {
    let crc = checksum::telling(row, &telling.recipient, telling.due_ms, telling.after_ms, telling.further);
    let after = telling.after_ms.min(i64::MAX.cast_unsigned());
    transaction
        .prepare_cached(
            "INSERT OR REPLACE INTO telling (row, recipient, due, after, further, crc) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
        )?
        .execute(params![row, telling.recipient, telling.due_ms, after, telling.further, crc])?;
    Ok(())
}

/// Remembers a command and forgets what can no longer be taken.
pub(super) fn taken(transaction: &Transaction<'_>, command: &SeenCommand) -> rusqlite::Result<()> {
    transaction
        .prepare_cached("DELETE FROM command WHERE by = ?1 AND at < ?2")?
        .execute(params![command.by, command.keep_from_s])?;
    transaction.prepare_cached("INSERT OR REPLACE INTO command (by, id, at) VALUES (?1, ?2, ?3)")?.execute(params![
        command.by,
        command.id,
        command.at_s
    ])?;
    Ok(())
}

fn forgotten(transaction: &Transaction<'_>, id: &str) -> rusqlite::Result<()> {
    transaction.prepare_cached("DELETE FROM alarm WHERE id = ?1")?.execute([id])?;
    Ok(())
}

fn changed(rows: usize) -> i64 {
    i64::try_from(rows).unwrap_or(i64::MAX)
}
