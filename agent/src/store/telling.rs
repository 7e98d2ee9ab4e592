//! Reads the tellings that wait, and what the events around them say.
//!
//! A telling is one recipient that is to be told of one event directly; it is written with its event, in one transaction,
//! and removed when it is done. What payloads mean it does not know. Stamps are milliseconds since the Unix epoch. Never
//! panics on a damaged file.

use std::sync::Arc;

use rusqlite::params;

use crate::cause::Cause;

use super::{Store, StoreError, StoredEvent, Telling, TellingRow, bytes, checksum, crc, fits, number, text};

impl Store {
    /// Events of rows from `first` on, of every log, oldest first: what belongs to an incident is looked for in them.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn events_from_row(&self, first: u64, limit: u32) -> Result<Vec<(u64, StoredEvent)>, StoreError> {
        let edge = self.edge.map_or(i64::MAX.cast_unsigned(), |edge| edge / 2);
        let read = || -> rusqlite::Result<Vec<(u64, StoredEvent)>> {
            let mut all = self.connection.prepare_cached(
                "SELECT row, t, kind, payload, crc FROM event WHERE row >= ?1 AND row <= ?3 ORDER BY row LIMIT ?2",
            )?;
            let rows = all.query_map(params![first, limit, edge], |row| {
                let place: u64 = row.get(0)?;
                let (t_ms, kind, payload) = (number(row, 1)?, text(row, 2)?, bytes(row, 3)?);
                let whole = fits(crc(row, 4)?, || checksum::event(place, t_ms, &kind, &payload));
                let payload = if whole { payload } else { Vec::new() };
                Ok((place, StoredEvent { seq: place, t_ms, kind, payload }))
            })?;
            rows.collect()
        };
        read().map_err(|e| self.sql(e))
    }

    /// Every telling that waits, oldest first; one that is damaged is named and left out.
    pub(super) fn tellings_sql(&self, damage: &mut Vec<Cause>) -> rusqlite::Result<Vec<TellingRow>> {
        let logs = self.logs()?;
        let mut all = self.connection.prepare(
            "SELECT t.row, t.recipient, t.due, t.after, t.further, t.crc, e.t, e.kind, e.payload, e.crc \
             FROM telling t LEFT JOIN event e ON e.row = t.row ORDER BY t.row, t.recipient",
        )?;
        let rows = all.query_map([], |row| {
            let place = number(row, 0)?.cast_unsigned();
            let telling = Telling {
                recipient: text(row, 1)?,
                due_ms: number(row, 2)?,
                after_ms: number(row, 3)?.cast_unsigned(),
                further: number(row, 4)? != 0,
            };
            let whole = fits(crc(row, 5)?, || {
                checksum::telling(place, &telling.recipient, telling.due_ms, telling.after_ms, telling.further)
            });
            let (t_ms, kind, payload) = (number(row, 6)?, text(row, 7)?, bytes(row, 8)?);
            let readable = fits(crc(row, 9)?, || checksum::event(place, t_ms, &kind, &payload));
            let (log, base) = logs
                .iter()
                .rev()
                .find(|(_, base)| *base < place)
                .map_or_else(|| (Arc::from(""), 0), |(log, base)| (Arc::clone(log), *base));
            let payload = if readable { payload } else { Vec::new() };
            Ok((whole, TellingRow { row: place, log, seq: place - base, telling, payload, volatile: false }))
        })?;
        let mut waiting = Vec::new();
        for row in rows {
            let (whole, row) = row?;
            if whole {
                waiting.push(row);
            } else {
                damage.push(Cause::known("store_of_message", &[("seq", &row.seq)]));
            }
        }
        Ok(waiting)
    }
}
