//! The way to the store's writer thread: what is submitted, asked and confirmed, and how the writer is doing.
//!
//! Decides what is taken: events must follow each other, and when the queue is full the item is handed back; nothing is
//! dropped. Says when a disk is too slow or fails; the core then begins a volatile log here. It does not know what payloads
//! mean; when a transaction is made `worker` decides. Latencies are monotonic durations. Never panics.
//!
//! ```text
//! submit ──> queue (QUEUE_ROWS) ──> batch (BATCH_ROWS) ──one transaction, one sync──> on_durable
//!   └─ while the disk does not take them: ──> volatile log ──> returned at once, copied when the disk is back
//! acknowledged ──> acks ──with the next batch, or alone after ACK_IDLE──┘
//! ```

use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::transaction::Transactor;
use super::volatile::Volatile;
use super::worker::Worker;
use super::{
    Age, COMMIT_MAX_BYTES, Commit, EventRow, OutboxRow, SavedAlarm, SavedMark, SeenCommand, Store, StoreError,
    TellingKey, TellingRow, random_id,
};
use crate::cause::Cause;

/// Events and alarm states that may wait; ten thousand alarms raised at one instant fit.
const QUEUE_ROWS: usize = 32_768;
/// How long confirmed rows wait for a commit to go with; a restart sends at most these again.
const ACK_IDLE: Duration = Duration::from_millis(200);
/// Longest wait for an answer from the writer's thread.
const ANSWER: Duration = Duration::from_secs(5);
/// A commit that takes longer holds alarms up: the disk counts as failed.
pub(super) const SLOW: Duration = Duration::from_secs(1);

/// What has become durable, in the order of the outbox.
#[derive(Clone, Debug)]
pub struct Durable {
    /// Log the events are in.
    pub log: Arc<str>,
    /// Number of the last durable event of the log.
    pub last_seq: u64,
    /// Packets to send.
    pub rows: Vec<OutboxRow>,
    /// Who is to be told directly.
    pub tellings: Vec<TellingRow>,
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
    /// An event or announcement is larger than anything that can be published.
    #[error("event {seq} has a payload of {bytes} bytes, more than {COMMIT_MAX_BYTES}")]
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

/// What became of a commit.
#[derive(Debug)]
pub enum Taken {
    /// It waits for the disk; what is to be sent comes once it is durable.
    Queued,
    /// The disk does not take it: these packets and tellings are to be sent at once, and are in no store yet.
    Volatile(Vec<OutboxRow>, Vec<TellingRow>),
}

/// A volatile log that has begun. What waited for the disk is handed back, to be numbered anew in it.
#[derive(Debug)]
pub struct Begun {
    /// Identity of the volatile log.
    pub log: String,
    /// Log before.
    pub before: String,
    /// Number of its last event that was published or may be: later ones are handed back.
    pub last_seq: u64,
    /// Events that waited, in order.
    pub events: Vec<EventRow>,
    /// Alarm states that waited.
    pub alarms: Vec<SavedAlarm>,
    /// Alarms that are no more.
    pub removed: Vec<String>,
    /// Marks that waited.
    pub marks: Vec<SavedMark>,
    /// Commands that waited to be remembered.
    pub seen: Vec<SeenCommand>,
}

/// How the volatile log is doing.
#[derive(Clone, Debug)]
pub struct VolatileState {
    /// Since when it runs.
    pub since: Instant,
    /// Why.
    pub why: Cause,
    /// Its identity.
    pub log: Arc<str>,
    /// Events that are only in memory.
    pub held: usize,
    /// Events that were let go because memory is bounded.
    pub dropped: u64,
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
    pub failing: Option<(Instant, Cause)>,
    /// Whether the failure is only that there is no room, which thinning may mend.
    pub full: bool,
    /// Whether the store's files are not where they were opened: nobody would find again what is written to them.
    pub moved: bool,
    /// Whether another store, or a disk without one, lies where a store that cannot be read any more was: only a new start
    /// can use it, and [`Writer::stop`] copies into it what the volatile log holds.
    pub another: bool,
    /// What was done to bring the store back when the last volatile log ended.
    pub came_back: Option<super::PutBack>,
    /// The volatile log, while the disk does not take events.
    pub volatile: Option<VolatileState>,
    /// Events of the last volatile log that were let go before they could be copied.
    pub lost_volatile: u64,
    /// Whether the thread has ended.
    pub stopped: bool,
}

/// Handle of the writer's thread; clones speak to the same thread.
#[derive(Clone, Debug)]
pub struct Writer {
    shared: Arc<Shared>,
}

/// Something to do with the store on the writer's thread.
pub(super) type Job = Box<dyn FnOnce(&mut Store) + Send>;

/// What handles and thread share.
#[derive(Debug)]
pub(super) struct Shared {
    pub(super) queue: Mutex<Queue>,
    pub(super) wake: Condvar,
    thread: Mutex<Option<JoinHandle<()>>>,
}

/// What waits for the thread.
#[derive(Default)]
pub(super) struct Queue {
    pub(super) commits: VecDeque<(Instant, Commit)>,
    /// Rows in `commits`.
    pub(super) rows: usize,
    /// Commits the thread is writing.
    pub(super) in_flight: Arc<Vec<Commit>>,
    /// Where events are numbered now.
    pub(super) log: Arc<str>,
    pub(super) base: u64,
    /// Last event known to be durable.
    pub(super) durable_seq: u64,
    pub(super) volatile: Option<Volatile>,
    pub(super) next_seq: u64,
    pub(super) acks: Vec<u64>,
    pub(super) ack_due: Option<Instant>,
    pub(super) cleared: Vec<String>,
    pub(super) told: Vec<TellingKey>,
    /// Events older than this may go.
    pub(super) forget: Option<Age>,
    /// Run as soon as the thread is free.
    pub(super) reads: Vec<Job>,
    /// Run after everything submitted before them is durable.
    pub(super) calls: Vec<Job>,
    pub(super) stop: bool,
    pub(super) state: WriterState,
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
        // Opening has gone through whole tables.
        crate::memory::forget_pages(&self.connection);
        let queue = Queue {
            next_seq: self.log.last_seq + 1,
            durable_seq: self.log.last_seq,
            log: Arc::clone(&self.log.id),
            base: self.log.base,
            state: WriterState { unsent, ..WriterState::default() },
            ..Queue::default()
        };
        let shared = Arc::new(Shared { queue: Mutex::new(queue), wake: Condvar::new(), thread: Mutex::new(None) });
        let worker = Worker::new(Transactor::new(self), Arc::clone(&shared), Box::new(on_durable));
        let thread =
            std::thread::Builder::new().name("store".into()).spawn(move || worker.run()).map_err(StoreError::Thread)?;
        *lock(&shared.thread) = Some(thread);
        Ok(Writer { shared })
    }
}

impl Writer {
    /// Takes what must become durable together; in a volatile log it leaves at once instead.
    ///
    /// # Errors
    /// The commit comes back: with [`SubmitError::Full`] to be submitted again, otherwise because it is wrong.
    #[allow(clippy::result_large_err)] // the commit comes back as it went in
    pub fn submit(&self, commit: Commit) -> Result<Taken, SubmitError> {
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
            if bytes > COMMIT_MAX_BYTES {
                return Err(SubmitError::TooLarge { seq: event.seq, commit, bytes });
            }
            expected += 1;
        }
        if let Some(volatile) = &mut queue.volatile {
            let (rows, tellings) = volatile.take(commit);
            queue.next_seq = expected;
            return Ok(Taken::Volatile(rows, tellings));
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
        Ok(Taken::Queued)
    }

    /// Why events should no longer wait for the disk: a commit has failed or takes too long, or the files are not in place.
    #[must_use]
    pub fn trouble(&self) -> Option<Cause> {
        let queue = lock(&self.shared.queue);
        if queue.volatile.is_some() || queue.state.stopped {
            return None;
        }
        if let Some((_, why)) = queue.state.failing.as_ref().filter(|_| queue.state.moved) {
            return Some(why.clone());
        }
        if queue.state.waiting == 0 {
            return None;
        }
        let slow = queue.state.waiting_since.is_some_and(|since| since.elapsed() > SLOW);
        match &queue.state.failing {
            // Thinning may help before the time is over.
            Some((_, why)) if !queue.state.full || slow => Some(why.clone()),
            None if slow => Some(Cause::known("store_slow", &[("seconds", &SLOW.as_secs())])),
            Some(_) | None => None,
        }
    }

    /// When [`Writer::trouble`] may have something to say although nothing else happens.
    #[must_use]
    pub fn trouble_at(&self) -> Option<Instant> {
        let queue = lock(&self.shared.queue);
        queue
            .state
            .waiting_since
            .filter(|_| queue.volatile.is_none() && queue.state.waiting > 0)
            .map(|since| since + SLOW)
    }

    /// Begins a volatile log: what waited for the disk comes back and is to be numbered anew, from 1.
    ///
    /// # Errors
    /// When there are no random numbers for its identity.
    pub fn begin_volatile(&self, why: Cause) -> Result<Begun, StoreError> {
        let id = random_id()?;
        let mut queue = lock(&self.shared.queue);
        let waiting: Vec<Commit> = std::mem::take(&mut queue.commits).into_iter().map(|(_, commit)| commit).collect();
        let in_flight = std::mem::take(&mut queue.in_flight);
        queue.rows = 0;
        let mut begun = Begun {
            log: id.clone(),
            before: queue.log.to_string(),
            last_seq: queue.durable_seq,
            events: Vec::new(),
            alarms: Vec::new(),
            removed: Vec::new(),
            marks: Vec::new(),
            seen: Vec::new(),
        };
        for commit in in_flight.iter().chain(&waiting) {
            begun.events.extend(commit.events.iter().cloned());
            begun.alarms.extend(commit.alarms.iter().cloned());
            begun.removed.extend(commit.removed.iter().cloned());
            begun.marks.extend(commit.marks.iter().cloned());
            begun.seen.extend(commit.seen.iter().cloned());
        }
        let volatile = Volatile::new(&id, queue.base + queue.durable_seq, Instant::now(), why);
        queue.log = Arc::clone(volatile.id());
        queue.base = volatile.base();
        queue.durable_seq = 0;
        queue.next_seq = 1;
        queue.volatile = Some(volatile);
        queue.state.waiting = 0;
        queue.state.waiting_since = None;
        queue.state.came_back = None;
        drop(queue);
        self.shared.wake.notify_one();
        Ok(begun)
    }

    /// Takes the ids of outbox rows the broker has confirmed; they are removed with the next commit or soon after.
    pub fn acknowledged(&self, ids: &[u64]) {
        let mut queue = lock(&self.shared.queue);
        for id in ids {
            let held = queue.volatile.as_mut().is_some_and(|volatile| volatile.confirm(*id));
            if !held {
                queue.acks.push(*id);
            }
        }
        self.removal_noted(queue);
    }

    /// Takes tellings that are done with; they are removed at once, so that a restart tells as few again as can be.
    pub fn told(&self, keys: Vec<TellingKey>) {
        let mut queue = lock(&self.shared.queue);
        for key in keys {
            let held = queue.volatile.as_mut().is_some_and(|volatile| volatile.tell(&key));
            if !held {
                queue.told.push(key);
            }
        }
        queue.ack_due = Some(Instant::now());
        drop(queue);
        self.shared.wake.notify_one();
    }

    /// Runs a question on the store as soon as its thread is free, also while the disk takes nothing; what of it waits to be
    /// written is not seen. The question must be quick.
    pub fn ask(&self, question: impl FnOnce(&Store) + Send + 'static) {
        let job: Job = Box::new(move |store| question(store));
        lock(&self.shared.queue).reads.push(job);
        self.shared.wake.notify_one();
    }

    /// Takes a retained topic that was cleared at the broker: the store forgets it.
    pub fn cleared(&self, topic: String) {
        let mut queue = lock(&self.shared.queue);
        queue.cleared.push(topic);
        self.removal_noted(queue);
    }

    /// Lets some of the events go that are older than allowed, when the disk is free; to be said again now and then.
    pub fn forget(&self, age: Age) {
        lock(&self.shared.queue).forget = Some(age);
        self.shared.wake.notify_one();
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
        let claimed = Arc::new(AtomicBool::new(false));
        let by_thread = Arc::clone(&claimed);
        {
            let mut queue = lock(&self.shared.queue);
            if queue.state.stopped {
                return Err(StoreError::Stopped);
            }
            queue.calls.push(Box::new(move |store| {
                // A caller that gave up must not find later that it was done after all.
                if !by_thread.swap(true, Ordering::SeqCst) {
                    let _caller_waits = answer.send(job(store));
                }
            }));
        }
        self.shared.wake.notify_one();
        match wait.recv_timeout(ANSWER) {
            Ok(answer) => Ok(answer),
            Err(mpsc::RecvTimeoutError::Timeout) if claimed.swap(true, Ordering::SeqCst) => {
                wait.recv().map_err(|_| StoreError::Stopped)
            }
            Err(mpsc::RecvTimeoutError::Timeout) => Err(StoreError::NoAnswer { waited: ANSWER }),
            Err(mpsc::RecvTimeoutError::Disconnected) => Err(StoreError::Stopped),
        }
    }

    /// Begins a new log once everything submitted is durable; the next event has number 1.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn new_log(&self) -> Result<String, StoreError> {
        let (id, base) = self.call(|store| store.new_log().map(|id| (id, store.log.base)))??;
        let mut queue = lock(&self.shared.queue);
        queue.log = Arc::from(id.as_str());
        queue.base = base;
        queue.durable_seq = 0;
        queue.next_seq = 1;
        Ok(id)
    }

    /// How the writer is doing.
    #[must_use]
    pub fn state(&self) -> WriterState {
        let queue = lock(&self.shared.queue);
        let mut state = queue.state.clone();
        state.unsent = state.unsent.saturating_sub(queue.acks.len() as u64);
        if let Some(volatile) = &queue.volatile {
            state.unsent += volatile.unsent();
            state.volatile = Some(VolatileState {
                since: volatile.since,
                why: volatile.why.clone(),
                log: Arc::clone(volatile.id()),
                held: volatile.held(),
                dropped: volatile.dropped(),
            });
        }
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
        let queue = lock(&self.shared.queue);
        queue.state.waiting + queue.volatile.as_ref().map_or(0, Volatile::held)
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

/// Rows a commit weighs in queue and batch.
pub(super) fn rows_of(commit: &Commit) -> usize {
    commit.events.len() + commit.alarms.len() + commit.removed.len() + commit.marks.len() + commit.seen.len()
}

/// A poisoned lock means another thread panicked between two whole changes: what it guards is still good.
pub(super) fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
