//! The store's writer: one thread that makes commits durable, in order, many at a time.
//!
//! Decides when a transaction is made and what it holds: events, alarm states, outbox rows and the removal of what the
//! broker has confirmed since. It does not know what payloads mean, nor when the core should stop waiting for a bad
//! disk. A commit that fails is kept and tried again with a growing pause; nothing is dropped. When the queue is full
//! the item is handed back. Latencies are monotonic durations. Panics never; a panic of the caller's own `on_durable`
//! ends the thread, which every later call then reports.
//!
//! ```text
//! submit ──> queue (QUEUE_ROWS) ──> batch (BATCH_ROWS) ──one transaction, one sync──> on_durable
//! acknowledged ──> acks ──with the next batch, or alone after ACK_IDLE──┘
//! ```

use std::collections::VecDeque;
use std::sync::mpsc;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::transaction::Transactor;
use super::{Commit, EVENT_MAX_BYTES, OutboxRow, Store, StoreError};

/// Events and alarm states that may wait; ten thousand alarms raised at one instant fit.
const QUEUE_ROWS: usize = 32_768;
/// Rows of one transaction, unless a single commit is larger.
const BATCH_ROWS: usize = 4096;
/// How long confirmed rows wait for a commit to go with; a restart sends at most these again.
const ACK_IDLE: Duration = Duration::from_millis(200);
/// First and longest pause after a commit that failed.
const RETRY: (Duration, Duration) = (Duration::from_millis(100), Duration::from_secs(5));
/// Longest wait for an answer from the writer's thread.
const ANSWER: Duration = Duration::from_secs(5);

/// What has become durable, in the order of the outbox.
#[derive(Clone, Debug)]
pub struct Durable {
    /// Log the events are in.
    pub log: Arc<str>,
    /// Number of the last durable event of the log.
    pub last_seq: u64,
    /// Packets to send.
    pub rows: Vec<OutboxRow>,
    /// How long the transaction took, its sync included.
    pub took: Duration,
}

/// Why a commit was not taken; it is handed back whole.
#[derive(Debug, thiserror::Error)]
pub enum SubmitError {
    /// The queue is full: the disk does not keep up. Keep the commit and submit it again.
    #[error("the store's queue is full; the disk does not keep up")]
    Full(Commit),
    /// An event's number does not follow the one before.
    #[error("event {found} does not follow: {expected} is next")]
    NotNext {
        /// The commit.
        commit: Commit,
        /// The number that is next.
        expected: u64,
        /// The number found.
        found: u64,
    },
    /// An event or announcement is larger than a packet may be.
    #[error("event {seq} has a payload of {bytes} bytes, more than {EVENT_MAX_BYTES}")]
    TooLarge {
        /// The commit.
        commit: Commit,
        /// Its number.
        seq: u64,
        /// Size of the payload.
        bytes: usize,
    },
    /// The writer has stopped.
    #[error("the store's writer has stopped")]
    Stopped(Commit),
}

/// How the writer is doing.
#[derive(Clone, Debug, Default)]
pub struct WriterState {
    /// Outbox rows the broker has not confirmed.
    pub unsent: u64,
    /// Commits submitted and not durable.
    pub waiting: usize,
    /// Since when the oldest of them waits; also grows while one sync hangs.
    pub waiting_since: Option<Instant>,
    /// How long the last commit took.
    pub last_commit: Duration,
    /// How long the slowest commit took.
    pub max_commit: Duration,
    /// Transactions made.
    pub commits: u64,
    /// Since when commits fail, and why.
    pub failing: Option<(Instant, String)>,
    /// Whether the thread has ended.
    pub stopped: bool,
}

/// Handle of the writer's thread; clones speak to the same thread.
#[derive(Clone, Debug)]
pub struct Writer {
    shared: Arc<Shared>,
}

type Job = Box<dyn FnOnce(&mut Store) + Send>;

#[derive(Debug)]
struct Shared {
    queue: Mutex<Queue>,
    wake: Condvar,
    thread: Mutex<Option<JoinHandle<()>>>,
}

#[derive(Default)]
struct Queue {
    commits: VecDeque<(Instant, Commit)>,
    /// Rows in `commits`.
    rows: usize,
    next_seq: u64,
    acks: Vec<u64>,
    ack_due: Option<Instant>,
    cleared: Vec<String>,
    /// Run as soon as the thread is free.
    reads: Vec<Job>,
    /// Run after everything submitted before them is durable.
    calls: Vec<Job>,
    stop: bool,
    state: WriterState,
}

impl std::fmt::Debug for Queue {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Queue").field("rows", &self.rows).field("state", &self.state).finish_non_exhaustive()
    }
}

impl Store {
    /// Gives the store to a thread of its own. `on_durable` runs on that thread after each commit that held events: it
    /// must be quick and must not call back into the store.
    ///
    /// # Errors
    /// When the thread cannot be started.
    pub fn spawn_writer(self, on_durable: impl FnMut(Durable) + Send + 'static) -> Result<Writer, StoreError> {
        let unsent = self.unsent_count().map_err(|e| self.sql(e))?;
        let queue = Queue {
            next_seq: self.log.last_seq + 1,
            state: WriterState { unsent, ..WriterState::default() },
            ..Queue::default()
        };
        let shared = Arc::new(Shared { queue: Mutex::new(queue), wake: Condvar::new(), thread: Mutex::new(None) });
        let worker = Worker {
            transactor: Transactor::new(self),
            shared: Arc::clone(&shared),
            on_durable: Box::new(on_durable),
            batch: Vec::new(),
            retry_at: None,
            pause: RETRY.0,
        };
        let thread = std::thread::Builder::new()
            .name("store".into())
            .spawn(move || worker.run())
            .map_err(StoreError::Thread)?;
        *lock(&shared.thread) = Some(thread);
        Ok(Writer { shared })
    }
}

impl Writer {
    /// Takes what must become durable together.
    ///
    /// # Errors
    /// The commit comes back: with [`SubmitError::Full`] to be submitted again, otherwise because it is wrong.
    pub fn submit(&self, commit: Commit) -> Result<(), SubmitError> {
        let mut queue = lock(&self.shared.queue);
        if queue.state.stopped || queue.stop {
            return Err(SubmitError::Stopped(commit));
        }
        let mut expected = queue.next_seq;
        for event in &commit.events {
            if event.seq != expected {
                return Err(SubmitError::NotNext { found: event.seq, commit, expected });
            }
            let announced = event.announce.as_ref().map_or(0, |(_, payload)| payload.len());
            let bytes = event.payload.len().max(announced);
            if bytes > EVENT_MAX_BYTES {
                return Err(SubmitError::TooLarge { seq: event.seq, commit, bytes });
            }
            expected += 1;
        }
        let rows = rows_of(&commit);
        if queue.rows > 0 && queue.rows + rows > QUEUE_ROWS {
            return Err(SubmitError::Full(commit));
        }
        queue.next_seq = expected;
        queue.rows += rows;
        queue.commits.push_back((Instant::now(), commit));
        queue.note_waiting();
        drop(queue);
        self.shared.wake.notify_one();
        Ok(())
    }

    /// Takes the ids of outbox rows the broker has confirmed; they are removed with the next commit or soon after.
    pub fn acknowledged(&self, ids: &[u64]) {
        let mut queue = lock(&self.shared.queue);
        queue.acks.extend_from_slice(ids);
        self.removal_noted(queue);
    }

    /// Takes a retained topic that was cleared at the broker: the store forgets it.
    pub fn cleared(&self, topic: String) {
        let mut queue = lock(&self.shared.queue);
        queue.cleared.push(topic);
        self.removal_noted(queue);
    }

    /// Reads outbox rows after `after`, oldest first; the answer comes on the writer's thread.
    pub fn fetch_unsent(
        &self,
        after: u64,
        limit: u32,
        answer: impl FnOnce(Result<Vec<OutboxRow>, StoreError>) + Send + 'static,
    ) {
        let job: Job = Box::new(move |store| answer(store.unsent(after, limit)));
        lock(&self.shared.queue).reads.push(job);
        self.shared.wake.notify_one();
    }

    /// Runs `job` on the store once everything submitted before is durable, and waits for its answer.
    ///
    /// # Errors
    /// When the writer has stopped, or the disk kept it from answering for five seconds.
    pub fn call<T: Send + 'static>(&self, job: impl FnOnce(&mut Store) -> T + Send + 'static) -> Result<T, StoreError> {
        let (answer, wait) = mpsc::sync_channel(1);
        {
            let mut queue = lock(&self.shared.queue);
            if queue.state.stopped {
                return Err(StoreError::Stopped);
            }
            queue.calls.push(Box::new(move |store| {
                // The caller may have given up waiting.
                let _gone = answer.send(job(store));
            }));
        }
        self.shared.wake.notify_one();
        wait.recv_timeout(ANSWER).map_err(|_| StoreError::Stopped)
    }

    /// Begins a new log once everything submitted is durable; the next event has number 1.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn new_log(&self) -> Result<String, StoreError> {
        let id = self.call(Store::new_log)??;
        lock(&self.shared.queue).next_seq = 1;
        Ok(id)
    }

    /// How the writer is doing.
    #[must_use]
    pub fn state(&self) -> WriterState {
        let queue = lock(&self.shared.queue);
        let mut state = queue.state.clone();
        state.unsent = state.unsent.saturating_sub(queue.acks.len() as u64);
        state
    }

    /// Makes everything submitted durable, tries a failing disk once more, and ends the thread.
    ///
    /// Returns how many commits did not become durable.
    pub fn stop(&self) -> usize {
        lock(&self.shared.queue).stop = true;
        self.shared.wake.notify_one();
        if let Some(thread) = lock(&self.shared.thread).take()
            && thread.join().is_err()
        {
            tracing::error!("the store's writer ended by a panic");
        }
        lock(&self.shared.queue).state.waiting
    }

    fn removal_noted(&self, mut queue: MutexGuard<'_, Queue>) {
        if queue.ack_due.is_none() {
            queue.ack_due = Some(Instant::now() + ACK_IDLE);
            drop(queue);
            self.shared.wake.notify_one();
        }
    }
}

impl Queue {
    fn note_waiting(&mut self) {
        if self.state.waiting == 0 {
            self.state.waiting_since = Some(Instant::now());
        }
        self.state.waiting += 1;
    }
}

struct Worker {
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
    fn run(mut self) {
        loop {
            let work = self.wait();
            for read in work.reads {
                read(self.transactor.store());
            }
            self.transactor.remove(work.acks, work.cleared);
            let saved = !work.write || self.write();
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
            let stop = queue.stop && (queue.commits.is_empty() || self.retry_at.is_some());
            if write || calls || stop || !queue.reads.is_empty() {
                let removals = write || calls;
                if removals {
                    queue.ack_due = None;
                }
                return Work {
                    reads: std::mem::take(&mut queue.reads),
                    calls: if queue.commits.is_empty() && calls { std::mem::take(&mut queue.calls) } else { Vec::new() },
                    acks: if removals { std::mem::take(&mut queue.acks) } else { Vec::new() },
                    cleared: if removals { std::mem::take(&mut queue.cleared) } else { Vec::new() },
                    write: removals,
                    stop,
                };
            }
            let due = [self.retry_at.filter(|_| batch || !queue.calls.is_empty() || queue.ack_due.is_some()), queue.ack_due];
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

fn rows_of(commit: &Commit) -> usize {
    commit.events.len() + commit.alarms.len() + commit.removed.len()
}

/// A poisoned lock means another thread panicked between two whole changes: what it guards is still good.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
