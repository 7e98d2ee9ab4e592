//! What the writer does about a disk that has failed: it lets go of every file and looks for the disk again.
//!
//! A disk mounted anew is another one to old handles, and a file system that has given up stays given up while anything in
//! it is held open: so the writer may hold nothing, or it would keep the event store from its disk too. What waited to be
//! journalled is lost then, and counted. A disk that is only full keeps its files open. Part of the thread in `worker`. Never
//! panics.

use rusqlite::Connection;

use super::*;

impl Worker {
    /// Lets go of every file, if what went wrong was the disk.
    pub(super) fn let_go_of(&mut self, error: &HistoryError) {
        if !self.away && error.is_disk() {
            self.hold_nothing();
        }
    }

    fn hold_nothing(&mut self) {
        // Without memory for two empty connections there is nothing better to do than to go on as it is.
        let (Ok(raw), Ok(axis)) = (Connection::open_in_memory(), Connection::open_in_memory()) else { return };
        self.away = true;
        self.raw.connection = raw;
        self.axis.let_go(axis);
        self.open = None;
        self.closing = None;
        self.unread = false;
        self.condense = None;
        self.dropped += self.encoder.readings as u64;
        self.encoder.begin();
        self.fresh = true;
    }

    /// While the disk is away readings are counted and nothing else; every few seconds it is looked for.
    pub(super) fn away(&mut self, work: Work) {
        for batch in &work.batches {
            self.dropped += steps(batch).map(|(_, entries)| entries.len() as u64).sum::<u64>();
            if let Some((step, _)) = steps(batch).filter(|(s, _)| matches!(s.what, Happening::Readings { .. })).last() {
                self.last = *step;
            }
        }
        for waiting in work.flush {
            // Who asked may have given up.
            let _gone = waiting.try_send(());
        }
        if work.stop || self.retry_at.is_some_and(|at| Instant::now() < at) {
            return;
        }
        let outcome = self.open_again();
        match &outcome {
            Ok(()) => self.away = false,
            Err(_) => self.hold_nothing(),
        }
        self.note(outcome);
    }

    /// Writes the open slot again if it is not where it was opened.
    pub(super) fn see_to_the_open_slot(&mut self) -> Result<(), HistoryError> {
        let Some(open) = self.open.as_mut().filter(|open| !open.in_place()) else { return Ok(()) };
        let failed = |e| HistoryError::file(&self.dir, e);
        self.disk.make(&self.beginning.data_dir).map_err(failed)?;
        std::fs::create_dir_all(&self.dir).map_err(failed)?;
        open.put_back()?;
        sync_dir(&self.dir)?;
        tracing::warn!("the open slot of the history was not where it was opened: it was written there again, whole");
        Ok(())
    }

    fn open_again(&mut self) -> Result<(), HistoryError> {
        // Where the disk is missing, its place belongs to another one.
        let failed = |e| HistoryError::file(&self.dir, e);
        self.disk.make(&self.beginning.data_dir).map_err(failed)?;
        std::fs::create_dir_all(&self.dir).map_err(failed)?;
        let mut losses = Vec::new();
        let axis = Table::open_or_begin_anew(&self.dir, &mut losses)?;
        let open = open::read(&self.dir.join(OPEN), |_, _| {})?;
        let mut raw = RawFile::newest(&self.dir, &self.beginning, &mut losses)?;
        let failed = |e| HistoryError::sql(&raw.path, e);
        raw.day = file::slots(&raw.connection).map_err(failed)?.first().map(|(slot, _, _)| slot * SLOT_MS / DAY_MS);
        file::put_start(&raw.connection, &self.beginning.start, &self.beginning.texts).map_err(failed)?;
        (self.raw, self.axis) = (raw, axis);
        losses.extend(open.iter().flat_map(|account| account.losses.clone()));
        self.losses.append(&mut losses);
        self.go_on(open.as_ref(), self.last.at)?;
        let mark = Happening::Dropped { readings: self.dropped };
        self.encoder.begin();
        self.encoder.step(&Step { what: mark, count: 0, ..self.last }, &[]);
        self.fresh = true;
        Ok(())
    }
}
