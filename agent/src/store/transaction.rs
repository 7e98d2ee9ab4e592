//! One transaction of the event store: what it holds and in which order.
//!
//! Removals come first, so that a store at its size limit can still take what replaces them. Removals of a transaction
//! that failed are kept for the next one. Also thins the event log, oldest confirmed first, when the file nears its
//! limit. It does not decide when a transaction is made. No clock, no panics.

use std::sync::Arc;

use rusqlite::params;

use super::{Commit, CurrentLog, OutboxRow, Store, StoreError};

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
    until_look: u32,
}

impl Transactor {
    pub(super) fn new(store: Store) -> Self {
        Self { store, acks: Vec::new(), cleared: Vec::new(), until_look: 0 }
    }

    /// The store itself, for questions.
    pub(super) fn store(&mut self) -> &mut Store {
        &mut self.store
    }

    /// Notes what the next transaction removes.
    pub(super) fn remove(&mut self, acks: Vec<u64>, cleared: Vec<String>) {
        self.acks.extend(acks);
        self.cleared.extend(cleared);
    }

    /// Whether removals wait for a transaction.
    pub(super) fn has_removals(&self) -> bool {
        !self.acks.is_empty() || !self.cleared.is_empty()
    }

    /// Makes a batch durable together with the removals noted; returns by how much the outbox grew.
    pub(super) fn write(&mut self, batch: &[Commit]) -> Result<i64, StoreError> {
        match self.transact(batch) {
            Ok(change) => {
                self.acks.clear();
                self.cleared.clear();
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
    pub(super) fn outbox_rows(&self, batch: Vec<Commit>) -> Vec<OutboxRow> {
        let log = &self.store.log;
        let mut rows = Vec::new();
        for event in batch.into_iter().flat_map(|commit| commit.events) {
            let id = outbox_id(log, event.seq);
            let row = |id, announce, payload| OutboxRow {
                id,
                log: Arc::clone(&log.id),
                seq: event.seq,
                t_ms: event.t_ms,
                announce,
                payload,
            };
            rows.push(row(id, None, event.payload));
            if let Some((topic, payload)) = event.announce {
                rows.push(row(id + 1, Some(topic), payload));
            }
        }
        rows
    }

    /// Thins the event log when the file nears its limit.
    pub(super) fn keep_room(&mut self) {
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
        let log = self.store.log.clone();
        let transaction = self.store.connection.transaction()?;
        let mut change = 0_i64;
        {
            let mut sent = transaction.prepare_cached("DELETE FROM outbox WHERE id = ?1")?;
            for id in &self.acks {
                change -= i64::from(sent.execute([id])? > 0);
            }
            let mut cleared = transaction.prepare_cached("DELETE FROM retained WHERE topic = ?1")?;
            for topic in &self.cleared {
                cleared.execute([topic])?;
            }
            let mut event_in =
                transaction.prepare_cached("INSERT INTO event (row, t, kind, payload) VALUES (?1, ?2, ?3, ?4)")?;
            let mut outbox_in =
                transaction.prepare_cached("INSERT INTO outbox (id, topic, payload) VALUES (?1, ?2, ?3)")?;
            let mut alarm_in = transaction.prepare_cached(
                "INSERT INTO alarm (id, digest, state) VALUES (?1, ?2, ?3) \
                 ON CONFLICT (id) DO UPDATE SET digest = excluded.digest, state = excluded.state",
            )?;
            let mut alarm_out = transaction.prepare_cached("DELETE FROM alarm WHERE id = ?1")?;
            let mut mark_in = transaction.prepare_cached(
                "INSERT INTO mark (device, feature, confirmed, shown) VALUES (?1, ?2, ?3, ?4) \
                 ON CONFLICT (device, feature) DO UPDATE SET confirmed = excluded.confirmed, shown = excluded.shown",
            )?;
            for commit in batch {
                for mark in &commit.marks {
                    mark_in.execute([&mark.device, &mark.feature, &mark.confirmed, &mark.shown])?;
                }
                for event in &commit.events {
                    event_in.execute(params![log.base + event.seq, event.t_ms, event.kind, event.payload])?;
                    let id = outbox_id(&log, event.seq);
                    outbox_in.execute(params![id, None::<&str>, None::<&[u8]>])?;
                    change += 1;
                    if let Some((topic, payload)) = &event.announce {
                        outbox_in.execute(params![id + 1, topic, payload])?;
                        change += 1;
                    }
                }
                for alarm in &commit.alarms {
                    alarm_in.execute(params![alarm.id, alarm.digest.cast_signed(), alarm.state])?;
                }
                for id in &commit.removed {
                    alarm_out.execute([id])?;
                }
            }
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

fn outbox_id(log: &CurrentLog, seq: u64) -> u64 {
    2 * (log.base + seq)
}
