//! What the writer does when nothing has arrived: slots become blocks, full files are condensed, old ones go.
//!
//! Part of the thread in `worker`; each call does a piece. A slot that could not be written for as long as the next one took
//! makes way: history thins oldest first. Never panics.

use super::*;
use crate::memory::give_back;

impl Worker {
    /// The slot is over: its file waits to become blocks, a new one begins.
    pub(super) fn rotate(&mut self) -> Result<(), HistoryError> {
        self.journal(None, true, false)?;
        self.encoder.begin();
        self.fresh = true;
        if self.closing.is_some() || self.dir.join(CLOSING).exists() {
            self.finish_or_drop();
        }
        self.open = None;
        self.move_to_closing()
    }

    /// The slot before has had fifteen minutes: it is closed now, or its readings are lost.
    pub(super) fn finish_or_drop(&mut self) {
        if self.closing.is_none() {
            self.begin_closing();
        }
        self.failing = None;
        while self.closing.is_some() && self.failing.is_none() {
            self.close_a_piece();
        }
        if let Some(closing) = self.closing.take() {
            closing.roll_back(&self.raw.connection);
            self.dropped += closing.readings() as u64;
            self.losses.push(Loss {
                path: self.dir.join(CLOSING),
                what: format!("slot {}", closing.slot),
                why: "it could not be written for a quarter of an hour and made way for newer readings".into(),
            });
        }
    }

    pub(super) fn move_to_closing(&mut self) -> Result<(), HistoryError> {
        let (from, to) = (self.dir.join(OPEN), self.dir.join(CLOSING));
        std::fs::rename(&from, &to).map_err(|e| HistoryError::file(&from, e))?;
        sync_dir(&self.dir)?;
        self.begin_closing();
        Ok(())
    }

    pub(super) fn begin_closing(&mut self) {
        // What one that is given up has begun must not stay open: no other could begin.
        if let Some(given_up) = self.closing.take() {
            given_up.roll_back(&self.raw.connection);
        }
        let begun = Closing::begin(&self.dir);
        self.unread = begun.is_err();
        match begun {
            Ok(closing) => self.closing = closing,
            Err(error) => self.note(Err(error)),
        }
    }

    /// One piece of what can wait.
    pub(super) fn later_work(&mut self) {
        if self.retry_at.is_some_and(|at| Instant::now() < at) {
            return;
        }
        self.retry_at = None;
        if self.closing.is_some() {
            self.close_a_piece();
        } else if self.unread {
            self.begin_closing();
        } else if let Some(condense) = &mut self.condense {
            match condense.go_on() {
                Ok(false) => {}
                Ok(true) => {
                    self.losses.append(&mut condense.losses);
                    self.condense = None;
                    give_back();
                    self.tidy();
                    self.condense_next();
                }
                Err(error) => {
                    self.condense = None;
                    remove_parts(&self.dir);
                    self.note(Err(error));
                }
            }
        }
    }

    pub(super) fn close_a_piece(&mut self) {
        let Some(mut closing) = self.closing.take() else { return };
        if closing.is_empty() {
            // Nothing in it could be read, perhaps not even which slot it was; what was damaged has been told.
            self.closed(&closing);
            return;
        }
        // Not in the middle of a slot: its pieces belong into one file.
        if closing.is_untouched()
            && let Err(error) = self.file_for(closing.slot)
        {
            self.closing = Some(closing);
            self.note(Err(error));
            return;
        }
        match closing.go_on(&self.raw.connection, &self.raw.path) {
            Ok(false) => self.closing = Some(closing),
            Ok(true) => {
                self.raw.day.get_or_insert(closing.slot * SLOT_MS / DAY_MS);
                self.closed(&closing);
                drop(closing);
                forget_pages(&self.raw.connection);
                give_back();
            }
            Err(error) => {
                closing.roll_back(&self.raw.connection);
                // From the start: a transaction that failed took its stripes with it.
                self.begin_closing();
                let full = matches!(error, HistoryError::Full { .. });
                self.note(Err(error));
                if full {
                    self.tidy();
                }
            }
        }
    }

    pub(super) fn closed(&mut self, closing: &Closing) {
        let news = |loss: &&Loss| !self.told.iter().any(|told| told.what == loss.what && told.why == loss.why);
        let fresh: Vec<Loss> = closing.losses.iter().filter(news).cloned().collect();
        self.losses.extend(fresh);
        self.told.clear();
        if let Err(error) = std::fs::remove_file(self.dir.join(CLOSING)) {
            self.note(Err(HistoryError::file(&self.dir.join(CLOSING), error)));
        }
        self.failing = None;
        self.tidy();
        self.condense_next();
    }

    /// Begins with the next full raw file; one at a time, for each writes files of its own.
    pub(super) fn condense_next(&mut self) {
        if self.condense.is_some() {
            return;
        }
        match Condense::next(&self.dir, self.raw.number, self.last.at, &self.axis) {
            Ok(next) => self.condense = next,
            Err(error) => self.note(Err(error)),
        }
    }

    /// Makes sure that the raw file may take a slot: it ends with its day.
    pub(super) fn file_for(&mut self, slot: i64) -> Result<(), HistoryError> {
        let day = slot * SLOT_MS / DAY_MS;
        let size = std::fs::metadata(&self.raw.path).map_or(0, |file| file.len());
        if self.raw.day.is_none_or(|own| own == day) && size < self.file_max {
            return Ok(());
        }
        let mut raw = RawFile::at(&self.dir, self.raw.number + 1)?;
        raw.begin(&self.beginning)?;
        self.raw = raw;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::Entry;
    use super::super::super::tests::points;
    use super::*;
    use crate::store::tests::TestDir;

    const POINTS: u32 = 300;

    /// Readings of so many seconds from one of a slot on.
    fn seconds(slot: i64, from: i64, count: i64) -> Batch {
        let mut batch = Batch::default();
        for second in from..from + count {
            let entries = (1..=POINTS).map(|id| Entry::good(id, i64::from(id) + second % 7));
            batch.readings(slot * SLOT_MS + second * 1000, 0, 0, entries);
        }
        batch
    }

    #[test]
    fn a_slot_that_ends_while_the_one_before_is_half_closed_waits_for_it() {
        let dir = TestDir::new("half-closed");
        let slot = 2_000_000;
        let (mut worker, _, _) = Worker::open(Beginning {
            data_dir: dir.path().to_path_buf(),
            points: points(POINTS),
            limits: crate::plan::History { reserve_mib: 0, ..crate::plan::History::default() },
            wall_ms: slot * SLOT_MS,
            synced: true,
            ..Beginning::default()
        })
        .expect("it opens");
        for n in 0..4 {
            worker.take(&seconds(slot + n, 0, 900));
            worker.take(&seconds(slot + n + 1, 0, 1));
            // One stripe of it is written and not committed when the next slot ends.
            worker.later_work();
            assert!(worker.closing.is_some(), "it has more than one stripe");
        }
        while worker.closing.is_some() && worker.failing.is_none() {
            worker.later_work();
        }
        assert_eq!(worker.failing, None);
        assert_eq!((worker.dropped, worker.losses.len()), (0, 0));
        let slots = file::slots(&worker.raw.connection).expect("readable");
        assert_eq!(slots.iter().map(|(slot, ..)| *slot).collect::<Vec<_>>(), [slot, slot + 1, slot + 2, slot + 3]);
    }

    #[test]
    fn a_slot_that_fills_the_file_stays_whole() {
        let dir = TestDir::new("file-full");
        let slot = 2_000_000;
        let (mut worker, _, _) = Worker::open(Beginning {
            data_dir: dir.path().to_path_buf(),
            points: points(POINTS),
            limits: crate::plan::History { reserve_mib: 0, ..crate::plan::History::default() },
            wall_ms: slot * SLOT_MS,
            synced: true,
            ..Beginning::default()
        })
        .expect("it opens");
        worker.take(&seconds(slot, 0, 900));
        worker.take(&seconds(slot + 1, 0, 1));
        worker.later_work();
        let half = worker.closing.as_ref().map(|closing| closing.is_untouched());
        assert_eq!(half, Some(false), "one stripe of several is written");
        worker.file_max = 1;
        while worker.closing.is_some() && worker.failing.is_none() {
            worker.later_work();
        }
        assert_eq!((worker.failing.clone(), worker.raw.number), (None, 1));
        worker.take(&seconds(slot + 1, 1, 899));
        worker.take(&seconds(slot + 2, 0, 1));
        while worker.closing.is_some() && worker.failing.is_none() {
            worker.later_work();
        }
        assert_eq!((worker.failing.clone(), worker.raw.number), (None, 2), "the next slot begins another file");
        let reader = crate::store::history::Reader::new(dir.path());
        let places = reader.slots().expect("slots");
        for place in &places[..2] {
            let mut readings = 0;
            reader
                .steps(*place, |_, entries| {
                    readings += entries.len();
                    std::ops::ControlFlow::Continue(())
                })
                .expect("steps");
            assert_eq!(readings, 900 * POINTS as usize, "{place:?}");
        }
    }
}
