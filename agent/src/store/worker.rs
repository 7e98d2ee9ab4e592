//! The store's writer thread: makes commits durable, in order, many at a time.
//!
//! Decides when a transaction is made: as soon as there is something and the disk is free, so that what arrives during
//! one sync shares the next. Confirmed rows go with the next commit, or alone after a short idle. A commit that fails is
//! kept and tried again with a growing pause, until the core gives it up for a volatile log: then that log is copied into
//! the store as soon as the disk takes it, and the volatile log ends once a copy was quick. Latencies are monotonic durations. Never panics by itself; a panic of the
//! caller's `on_durable` ends the thread, which every later call then reports.

use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

use super::transaction::Transactor;
use super::volatile::{Copy, Volatile};
use super::writer::{Durable, Job, Queue, SLOW, Shared, lock, rows_of};
use super::{Age, Commit, StoreError, TellingKey};

/// Rows of one transaction, unless a single commit is larger.
const BATCH_ROWS: usize = 4096;
/// How often an idle thread looks whether the files are in place.
const LOOK: Duration = Duration::from_secs(1);
/// First and longest pause after a commit that failed.
const RETRY: (Duration, Duration) = (Duration::from_millis(100), Duration::from_secs(5));

/// The thread's own state.
pub(super) struct Worker {
    transactor: Transactor,
    shared: Arc<Shared>,
    on_durable: Box<dyn FnMut(Durable) + Send>,
    /// Commits taken from the queue and not yet durable; the queue knows them as those in flight.
    batch: Arc<Vec<Commit>>,
    retry_at: Option<Instant>,
    pause: Duration,
    look_at: Instant,
}

/// What the thread found to do.
struct Work {
    reads: Vec<Job>,
    calls: Vec<Job>,
    acks: Vec<u64>,
    cleared: Vec<String>,
    told: Vec<TellingKey>,
    forget: Option<Age>,
    write: bool,
    volatile: bool,
    stop: bool,
}

impl Worker {
    pub(super) fn new(transactor: Transactor, shared: Arc<Shared>, on_durable: Box<dyn FnMut(Durable) + Send>) -> Self {
        Self {
            transactor,
            shared,
            on_durable,
            batch: Arc::default(),
            retry_at: None,
            pause: RETRY.0,
            look_at: Instant::now() + LOOK,
        }
    }

    /// Runs until told to stop.
    pub(super) fn run(mut self) {
        loop {
            let work = self.wait();
            self.look(work.volatile);
            self.transactor.remove(work.acks, work.cleared, work.told);
            let saved = !work.write || if work.volatile { self.copy() } else { self.write() };
            self.transactor.store().edge = lock(&self.shared.queue).volatile.as_ref().and_then(Volatile::edge);
            // After the removals, so that nothing confirmed or withdrawn is read as unsent; also when the disk fails.
            for read in work.reads {
                read(self.transactor.store());
            }
            if saved {
                for call in work.calls {
                    call(self.transactor.store());
                }
                if let Some(age) = work.forget {
                    self.forget(age);
                }
                self.transactor.keep_room();
            } else {
                lock(&self.shared.queue).calls.splice(0..0, work.calls);
            }
            let more = saved && lock(&self.shared.queue).volatile.as_ref().is_some_and(|volatile| volatile.held() > 0);
            if work.stop && !more {
                return;
            }
        }
    }

    /// Sleeps until there is something to do.
    fn wait(&mut self) -> Work {
        let shared = Arc::clone(&self.shared);
        let mut queue = lock(&shared.queue);
        loop {
            let now = Instant::now();
            let volatile = queue.volatile.is_some();
            if volatile {
                // Given up: the core has numbered its events anew.
                self.batch = Arc::default();
            } else {
                self.take_batch(&mut queue);
            }
            let batch = !self.batch.is_empty();
            let retry_due = self.retry_at.is_none_or(|at| at <= now) || queue.stop;
            let removal_due = queue.ack_due.is_some_and(|at| at <= now) || queue.stop;
            let write = retry_due && (batch || removal_due || volatile);
            let calls = !queue.calls.is_empty() && retry_due && !volatile;
            let reads = !queue.reads.is_empty();
            let forget = queue.forget.is_some() && retry_due && !volatile && !batch;
            let stop = queue.stop && (queue.commits.is_empty() || self.retry_at.is_some());
            let look = !volatile && now >= self.look_at;
            if write || calls || stop || reads || forget || look {
                // What goes into a copy of the volatile log is removed with it.
                let removals = retry_due;
                if removals {
                    queue.ack_due = None;
                }
                return Work {
                    reads: std::mem::take(&mut queue.reads),
                    calls: if queue.commits.is_empty() && calls {
                        std::mem::take(&mut queue.calls)
                    } else {
                        Vec::new()
                    },
                    acks: if removals { std::mem::take(&mut queue.acks) } else { Vec::new() },
                    cleared: if removals { std::mem::take(&mut queue.cleared) } else { Vec::new() },
                    told: if removals { std::mem::take(&mut queue.told) } else { Vec::new() },
                    forget: if forget { queue.forget.take() } else { None },
                    write: removals,
                    volatile,
                    stop,
                };
            }
            let wanted = batch || volatile || !queue.calls.is_empty() || queue.ack_due.is_some();
            let look = Some(self.look_at).filter(|_| !volatile);
            let due = [self.retry_at.filter(|_| wanted), queue.ack_due, look];
            let next = due.into_iter().flatten().filter(|at| *at > now).min();
            queue = match next {
                Some(at) => {
                    shared.wake.wait_timeout(queue, at - now).map_or_else(|e| e.into_inner().0, |(queue, _)| queue)
                }
                None => shared.wake.wait(queue).unwrap_or_else(PoisonError::into_inner),
            };
        }
    }

    /// Looks now and then whether the files are in place, so that it is known before the next event.
    fn look(&mut self, volatile: bool) {
        if volatile || Instant::now() < self.look_at {
            return;
        }
        self.look_at = Instant::now() + LOOK;
        match self.transactor.store().in_place() {
            Ok(()) if lock(&self.shared.queue).state.moved => self.note_in_place(),
            Ok(()) => {}
            Err(error) => {
                self.pause_after_failure();
                self.note_failed(&error);
            }
        }
    }

    /// What was moved has been put back before anybody had to do without it.
    fn note_in_place(&mut self) {
        self.retry_at = None;
        let mut queue = lock(&self.shared.queue);
        (queue.state.moved, queue.state.failing) = (false, None);
        tracing::info!("the event store is where it was opened again");
    }

    /// Moves commits into an empty batch; a batch that failed stays as it is.
    fn take_batch(&mut self, queue: &mut Queue) {
        if !self.batch.is_empty() {
            return;
        }
        let (mut taken, mut batch) = (0, Vec::new());
        while let Some((_, commit)) = queue.commits.front() {
            let rows = rows_of(commit);
            if taken > 0 && taken + rows > BATCH_ROWS {
                break;
            }
            let Some((_, commit)) = queue.commits.pop_front() else { break };
            taken += rows;
            queue.rows -= rows;
            batch.push(commit);
        }
        self.batch = Arc::new(batch);
        queue.in_flight = Arc::clone(&self.batch);
    }

    fn forget(&mut self, age: Age) {
        match self.transactor.store().forget(age) {
            Ok(0) => {}
            Ok(gone) => tracing::debug!(gone, "events older than allowed have left the event log"),
            Err(error) => tracing::warn!("old events could not be removed from the event log: {error}"),
        }
    }

    /// One transaction; says whether it became durable.
    fn write(&mut self) -> bool {
        if self.batch.is_empty() && !self.transactor.has_removals() {
            return true;
        }
        let begun = Instant::now();
        let outcome = match self.transactor.write(&self.batch) {
            // There will be no volatile log any more to bring it back with.
            Err(error @ StoreError::Moved { .. }) if lock(&self.shared.queue).stop => {
                self.transactor.come_back().map_err(|_| error).and_then(|()| self.transactor.write(&self.batch))
            }
            outcome => outcome,
        };
        let took = begun.elapsed();
        match outcome {
            Ok(change) => {
                self.retry_at = None;
                self.pause = RETRY.0;
                let batch = std::mem::take(&mut self.batch);
                if !self.note_saved(took, change, &batch) {
                    // Durable after all, but given up: the copy takes it out again.
                    return false;
                }
                let rows = self.transactor.outbox_rows(&batch);
                if !rows.is_empty() {
                    let (log, last_seq) = self.transactor.position();
                    let tellings = self.transactor.telling_rows(&batch);
                    (self.on_durable)(Durable { log, last_seq, rows, tellings, took });
                }
                true
            }
            Err(error) => {
                self.pause_after_failure();
                self.note_failed(&error);
                false
            }
        }
    }

    /// Copies what the store lacks of the volatile log; says whether the disk took it.
    fn copy(&mut self) -> bool {
        let copy = match &lock(&self.shared.queue).volatile {
            Some(volatile) => volatile.to_copy(),
            None => return true,
        };
        let begun = Instant::now();
        let outcome = match self.transactor.copy(&copy) {
            Err(error @ StoreError::Another { .. }) if lock(&self.shared.queue).stop => {
                self.move_to_other().map_err(|_| error).and_then(|copy| self.transactor.copy(&copy))
            }
            outcome => outcome,
        };
        let took = begun.elapsed();
        let change = match outcome {
            Ok(change) => change,
            Err(error) => {
                self.pause_after_failure();
                self.note_failed(&error);
                return false;
            }
        };
        let mut queue = lock(&self.shared.queue);
        let Some(volatile) = &mut queue.volatile else { return true };
        let (late, told) = volatile.copied(&copy);
        let whole = volatile.is_copied();
        queue.acks.extend(late);
        queue.told.extend(told);
        queue.state.unsent = queue.state.unsent.saturating_add_signed(change);
        queue.state.last_commit = took;
        queue.state.max_commit = queue.state.max_commit.max(took);
        queue.state.commits += 1;
        queue.state.failing = None;
        queue.state.full = false;
        (queue.state.moved, queue.state.another) = (false, false);
        if let Some(done) = self.transactor.came_back.take() {
            queue.state.came_back = Some(done);
        }
        if took > SLOW {
            // It would hold the next alarm up: go on as before, and look again later.
            self.retry_at = Some(Instant::now() + RETRY.1);
            return true;
        }
        self.retry_at = None;
        self.pause = RETRY.0;
        if (!queue.acks.is_empty() || !queue.told.is_empty()) && queue.ack_due.is_none() {
            queue.ack_due = Some(Instant::now());
        }
        if whole && let Some(volatile) = queue.volatile.take() {
            queue.durable_seq = volatile.last_seq();
            queue.state.lost_volatile = volatile.dropped();
            tracing::info!(
                "the event store takes events again after {:.1} s; what was only in memory is in it now",
                volatile.since.elapsed().as_secs_f64()
            );
        }
        true
    }

    /// At the end of a run whose disk was exchanged for another: what is only in memory goes into the store there.
    fn move_to_other(&mut self) -> Result<Copy, StoreError> {
        let base = self.transactor.change_store()?;
        let mut queue = lock(&self.shared.queue);
        let Some(volatile) = &mut queue.volatile else { return Err(StoreError::Stopped) };
        volatile.move_to(base);
        Ok(volatile.to_copy())
    }

    fn pause_after_failure(&mut self) {
        self.retry_at = Some(Instant::now() + self.pause);
        self.pause = (self.pause * 2).min(RETRY.1);
    }

    /// Notes a batch as durable; `false` if it had been given up meanwhile.
    fn note_saved(&self, took: Duration, change: i64, batch: &[Commit]) -> bool {
        let mut queue = lock(&self.shared.queue);
        queue.in_flight = Arc::default();
        let oldest = queue.commits.front().map(|(submitted, _)| *submitted);
        let given_up = queue.volatile.is_some();
        if !given_up && let Some(event) = batch.iter().rev().find_map(|commit| commit.events.last()) {
            queue.durable_seq = event.seq;
        }
        let state = &mut queue.state;
        state.unsent = state.unsent.saturating_add_signed(change);
        state.last_commit = took;
        state.max_commit = state.max_commit.max(took);
        state.commits += 1;
        if let Some((since, _)) = state.failing.take() {
            tracing::info!("the event store can be written again after {:.1} s", since.elapsed().as_secs_f64());
        }
        state.full = false;
        state.moved = false;
        if given_up {
            return false;
        }
        state.waiting = state.waiting.saturating_sub(batch.len());
        state.waiting_since = oldest;
        true
    }

    fn note_failed(&self, error: &StoreError) {
        let mut queue = lock(&self.shared.queue);
        if self.transactor.has_removals() {
            queue.ack_due = self.retry_at;
        }
        let text = error.cause();
        queue.state.full = matches!(error, StoreError::Full { .. });
        queue.state.moved = matches!(error, StoreError::Moved { .. });
        queue.state.another = matches!(error, StoreError::Another { .. });
        match &mut queue.state.failing {
            Some((_, known)) => *known = text,
            None => {
                tracing::error!("{text}; nothing is lost yet, it is tried again");
                queue.state.failing = Some((Instant::now(), text));
            }
        }
    }
}

impl Drop for Worker {
    fn drop(&mut self) {
        // Also when a panic ends the thread: nobody may wait for it.
        let mut queue = lock(&self.shared.queue);
        queue.state.stopped = true;
        queue.reads.clear();
        queue.calls.clear();
    }
}
