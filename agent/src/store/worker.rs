//! The store's writer thread: makes commits durable, in order, many at a time.
//!
//! Decides when a transaction is made: as soon as there is something and the disk is free, so that what arrives during
//! one sync shares the next. Confirmed rows go with the next commit, or alone after a short idle. A commit that fails is
//! kept and tried again with a growing pause. Latencies are monotonic durations. Never panics by itself; a panic of the
//! caller's `on_durable` ends the thread, which every later call then reports.

use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

use super::transaction::Transactor;
use super::writer::{Durable, Job, Queue, Shared, lock, rows_of};
use super::{Commit, StoreError};

/// Rows of one transaction, unless a single commit is larger.
const BATCH_ROWS: usize = 4096;
/// First and longest pause after a commit that failed.
const RETRY: (Duration, Duration) = (Duration::from_millis(100), Duration::from_secs(5));

/// The thread's own state.
pub(super) struct Worker {
    transactor: Transactor,
    shared: Arc<Shared>,
    on_durable: Box<dyn FnMut(Durable) + Send>,
    /// Commits taken from the queue and not yet durable.
    batch: Vec<Commit>,
    retry_at: Option<Instant>,
    pause: Duration,
}

/// What the thread found to do.
struct Work {
    reads: Vec<Job>,
    calls: Vec<Job>,
    acks: Vec<u64>,
    cleared: Vec<String>,
    write: bool,
    stop: bool,
}

impl Worker {
    pub(super) fn new(transactor: Transactor, shared: Arc<Shared>, on_durable: Box<dyn FnMut(Durable) + Send>) -> Self {
        Self { transactor, shared, on_durable, batch: Vec::new(), retry_at: None, pause: RETRY.0 }
    }

    /// Runs until told to stop.
    pub(super) fn run(mut self) {
        loop {
            let work = self.wait();
            self.transactor.remove(work.acks, work.cleared);
            let saved = !work.write || self.write();
            // After the removals, so that nothing confirmed or withdrawn is read as unsent; also when the disk fails.
            for read in work.reads {
                read(self.transactor.store());
            }
            if saved {
                for call in work.calls {
                    call(self.transactor.store());
                }
                self.transactor.keep_room();
            } else {
                lock(&self.shared.queue).calls.splice(0..0, work.calls);
            }
            if work.stop {
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
            self.take_batch(&mut queue);
            let batch = !self.batch.is_empty();
            let retry_due = self.retry_at.is_none_or(|at| at <= now) || queue.stop;
            let removal_due = queue.ack_due.is_some_and(|at| at <= now) || queue.stop;
            let write = retry_due && (batch || removal_due);
            let calls = !queue.calls.is_empty() && retry_due;
            let reads = !queue.reads.is_empty();
            let stop = queue.stop && (queue.commits.is_empty() || self.retry_at.is_some());
            if write || calls || stop || reads {
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
                    write: removals,
                    stop,
                };
            }
            let due =
                [self.retry_at.filter(|_| batch || !queue.calls.is_empty() || queue.ack_due.is_some()), queue.ack_due];
            let next = due.into_iter().flatten().filter(|at| *at > now).min();
            queue = match next {
                Some(at) => {
                    shared.wake.wait_timeout(queue, at - now).map_or_else(|e| e.into_inner().0, |(queue, _)| queue)
                }
                None => shared.wake.wait(queue).unwrap_or_else(PoisonError::into_inner),
            };
        }
    }

    /// Moves commits into an empty batch; a batch that failed stays as it is.
    fn take_batch(&mut self, queue: &mut Queue) {
        if !self.batch.is_empty() {
            return;
        }
        let mut taken = 0;
        while let Some((_, commit)) = queue.commits.front() {
            let rows = rows_of(commit);
            if taken > 0 && taken + rows > BATCH_ROWS {
                break;
            }
            let Some((_, commit)) = queue.commits.pop_front() else { break };
            taken += rows;
            queue.rows -= rows;
            self.batch.push(commit);
        }
    }

    /// One transaction; says whether it became durable.
    fn write(&mut self) -> bool {
        if self.batch.is_empty() && !self.transactor.has_removals() {
            return true;
        }
        let begun = Instant::now();
        let outcome = self.transactor.write(&self.batch);
        let took = begun.elapsed();
        match outcome {
            Ok(change) => {
                self.retry_at = None;
                self.pause = RETRY.0;
                let batch = std::mem::take(&mut self.batch);
                self.note_saved(took, change, batch.len());
                let rows = self.transactor.outbox_rows(batch);
                if !rows.is_empty() {
                    let (log, last_seq) = self.transactor.position();
                    (self.on_durable)(Durable { log, last_seq, rows, took });
                }
                true
            }
            Err(error) => {
                self.retry_at = Some(Instant::now() + self.pause);
                self.pause = (self.pause * 2).min(RETRY.1);
                self.note_failed(&error);
                false
            }
        }
    }

    fn note_saved(&self, took: Duration, change: i64, commits: usize) {
        let mut queue = lock(&self.shared.queue);
        let oldest = queue.commits.front().map(|(submitted, _)| *submitted);
        let state = &mut queue.state;
        state.unsent = state.unsent.saturating_add_signed(change);
        state.waiting = state.waiting.saturating_sub(commits);
        state.waiting_since = oldest;
        state.last_commit = took;
        state.max_commit = state.max_commit.max(took);
        state.commits += 1;
        if let Some((since, _)) = state.failing.take() {
            tracing::info!("the event store can be written again after {:.1} s", since.elapsed().as_secs_f64());
        }
    }

    fn note_failed(&self, error: &StoreError) {
        let mut queue = lock(&self.shared.queue);
        if self.transactor.has_removals() {
            queue.ack_due = self.retry_at;
        }
        let text = error.to_string();
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
