//! Which events are too old to stay in the event log, and their removal.
//!
//! Only the log's beginning is looked at: an event goes when it and all before it are older than allowed, so that one
//! stamped by a clock that stood in 1970 does not go while its neighbours stay. A stamp that lies in the future is no
//! age: such an event goes with the next one whose stamp can be believed. What the broker has not confirmed stays, and so
//! does the newest event: it says which number is next. Whether the clock is to be believed is the caller's to know. Times
//! are wall milliseconds since the Unix epoch. Never panics.

use rusqlite::params;

use super::{Store, StoreError};

/// Events looked at for one removal …
const LOOKED_AT: u32 = 4096;
/// … and removed at once: a few milliseconds of work, so that an alarm's commit hardly waits.
const REMOVED: usize = 256;

/// How old events may be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Age {
    /// Wall time now.
    pub now_ms: i64,
    /// Events stamped before this go.
    pub before_ms: i64,
}

impl Store {
    /// Removes some of the oldest events that are older than allowed; returns how many.
    ///
    /// # Errors
    /// When the store cannot be read or written.
    pub fn forget(&mut self, age: Age) -> Result<usize, StoreError> {
        self.forget_sql(age).map_err(|e| self.sql(e))
    }

    fn forget_sql(&self, age: Age) -> rusqlite::Result<usize> {
        let mut oldest = self.connection.prepare_cached(
            "SELECT row, t FROM event WHERE row < min( \
                 (SELECT ifnull(min(id) / 2, 9223372036854775807) FROM outbox), (SELECT max(row) FROM event)) \
             ORDER BY row LIMIT ?1",
        )?;
        let mut rows = oldest.query([LOOKED_AT])?;
        let (mut last, mut looked_at) = (None, 0);
        while let Some(row) = rows.next()? {
            let (number, t): (i64, i64) = (row.get(0)?, row.get(1)?);
            looked_at += 1;
            if t > age.now_ms {
                continue;
            }
            if t >= age.before_ms || looked_at > REMOVED && last.is_some() {
                break;
            }
            last = Some(number);
        }
        drop(rows);
        match last {
            Some(last) => self.connection.execute("DELETE FROM event WHERE row <= ?1", params![last]),
            None => Ok(0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{TestDir, commit};
    use super::super::transaction::Transactor;
    use super::*;

    const DAY_MS: i64 = 86_400_000;
    const NOW: i64 = 1_800_000_000_000;

    /// A store with an event of each age in days, oldest first; negative ones are stamped in the future.
    fn store(dir: &TestDir, ages: &[i64]) -> Transactor {
        let (store, _) = Store::open(dir.path(), 16).expect("it opens");
        let mut transactor = Transactor::new(store);
        let mut events = commit(1..=ages.len() as u64);
        for (event, days) in events.events.iter_mut().zip(ages) {
            event.t_ms = NOW - days * DAY_MS;
        }
        transactor.write(&[events]).expect("written");
        transactor
    }

    fn confirmed(transactor: &mut Transactor, seqs: std::ops::RangeInclusive<u64>) {
        transactor.remove(seqs.map(|seq| 2 * seq).collect(), Vec::new(), Vec::new());
        transactor.write(&[]).expect("removed");
    }

    fn left(transactor: &mut Transactor) -> Vec<u64> {
        let events = transactor.store().events_after(0, u32::MAX).expect("readable");
        events.iter().map(|event| event.seq).collect()
    }

    fn forget(transactor: &mut Transactor, days: i64) -> usize {
        transactor.store().forget(Age { now_ms: NOW, before_ms: NOW - days * DAY_MS }).expect("answered")
    }

    #[test]
    fn events_older_than_allowed_go_and_the_rest_stays() {
        let dir = TestDir::new("age");
        let mut store = store(&dir, &[900, 401, 400, 399, 1, 0]);
        confirmed(&mut store, 1..=6);
        assert_eq!(forget(&mut store, 400), 2);
        assert_eq!(left(&mut store), [3, 4, 5, 6]);
        assert_eq!(forget(&mut store, 400), 0);
        assert_eq!(forget(&mut store, 0), 3, "the newest says which number is next");
        assert_eq!(left(&mut store), [6]);
    }

    #[test]
    fn what_the_broker_does_not_have_stays_however_old() {
        let dir = TestDir::new("age-unsent");
        let mut store = store(&dir, &[900, 800, 700, 600, 0]);
        confirmed(&mut store, 1..=2);
        confirmed(&mut store, 4..=5);
        assert_eq!(forget(&mut store, 400), 2);
        assert_eq!(left(&mut store), [3, 4, 5]);
    }

    #[test]
    fn stamps_of_a_wrong_clock_neither_hold_old_events_nor_take_new_ones() {
        let dir = TestDir::new("age-clock");
        // Two stamped in the future at the beginning; later one of 1970 among recent ones.
        let epoch = NOW / DAY_MS;
        let mut store = store(&dir, &[-26_000, 900, -26_000, 500, 300, epoch, 200, -26_000, 0]);
        confirmed(&mut store, 1..=9);
        assert_eq!(forget(&mut store, 400), 4);
        assert_eq!(left(&mut store), [5, 6, 7, 8, 9]);
        assert_eq!(forget(&mut store, 400), 0);
    }

    #[test]
    fn a_long_past_goes_in_pieces() {
        let dir = TestDir::new("age-pieces");
        let ages: Vec<i64> = (0..1000).rev().map(|day| day + 1).collect();
        let mut store = store(&dir, &ages);
        confirmed(&mut store, 1..=1000);
        let mut gone = 0;
        loop {
            let now = forget(&mut store, 400);
            assert!(now <= REMOVED);
            gone += now;
            if now == 0 {
                break;
            }
        }
        assert_eq!(gone, 600);
        assert_eq!(left(&mut store).first(), Some(&601));
    }
}
