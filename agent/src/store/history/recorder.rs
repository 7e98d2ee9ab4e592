//! The way to the history's writer thread: what enters, what must be durable now, how the writer is doing.
//!
//! Nothing here waits for the disk. The queue holds [`QUEUE_READINGS`]; when it is full the oldest batch is dropped and
//! counted, and the place is marked in the history. Times are axis milliseconds as named, pauses monotonic. Never panics.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::mpsc;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::error::{HistoryError, Loss};
use super::file::Start;
use super::sent::Sent;
use super::worker::Worker;
use super::{Batch, Happening};
use crate::cause::Cause;
use crate::plan::History as Limits;
use crate::store::PointKey;

/// Readings that may wait for the writer: 32 MB, ten seconds of a hundred thousand points.
const QUEUE_READINGS: usize = 1_000_000;
/// Longest wait of a query for what has not reached the file yet.
const FLUSH: Duration = Duration::from_millis(500);

/// Everything a new start of the agent writes about itself.
#[derive(Clone, Debug, Default)]
pub struct Beginning {
    /// Data directory.
    pub data_dir: PathBuf,
    /// Event log, boot, mode, digests; number and moment are given by the history.
    pub start: Start,
    /// Texts by kind and digest: configuration, catalogue.
    pub texts: Vec<(String, String, Vec<u8>)>,
    /// Numbers of points.
    pub points: Vec<(u32, PointKey)>,
    /// How much is kept.
    pub limits: Limits,
    /// Wall time now, ms since the epoch.
    pub wall_ms: i64,
    /// Whether the wall is synchronised.
    pub synced: bool,
}

/// What history keeps about a plan that follows another in the same run.
#[derive(Clone, Debug, Default)]
pub struct Account {
    /// Mode by configuration.
    pub mode: String,
    /// Hash of the catalogue.
    pub catalogue: String,
    /// Digest of the configuration.
    pub config: String,
    /// Texts by kind and digest: configuration, catalogue.
    pub texts: Vec<(String, String, Vec<u8>)>,
    /// Numbers of its points.
    pub points: Vec<(u32, PointKey)>,
}

/// What the history held when it was opened.
#[derive(Clone, Debug)]
pub struct Found {
    /// Number of this start in the history.
    pub number: u64,
    /// Where the start stands on the axis.
    pub at: i64,
    /// Where the last reading on disk stands, as wall time.
    pub last_t: Option<i64>,
    /// Whether the start before ended in order.
    pub clean: bool,
    /// What was damaged.
    pub losses: Vec<Loss>,
    /// The instant that stands at `at`.
    pub begun: Instant,
}

/// How the writer is doing.
#[derive(Clone, Debug, Default)]
pub struct RecorderState {
    /// Readings that wait.
    pub waiting: usize,
    /// Readings dropped since the start because the disk did not keep up.
    pub dropped: u64,
    /// Since when writing fails, and why.
    pub failing: Option<(Instant, Cause)>,
    /// Frames that wait to be sent again.
    pub frames_missing: u64,
    /// Bytes of the history.
    pub bytes: u64,
    /// What was found damaged, for the core to tell.
    pub losses: Vec<Loss>,
}

/// Handle of the writer; clones speak to the same thread.
#[derive(Clone, Debug)]
pub struct Recorder {
    pub(super) shared: Arc<Shared>,
}

#[derive(Debug)]
pub(super) struct Shared {
    pub(super) queue: Mutex<Queue>,
    pub(super) wake: Condvar,
    thread: Mutex<Option<JoinHandle<()>>>,
}

#[derive(Debug, Default)]
pub(super) struct Queue {
    pub(super) batches: VecDeque<Batch>,
    pub(super) readings: usize,
    /// Readings dropped before the first batch that waits.
    pub(super) gap: u64,
    /// Make everything durable as soon as it is written.
    pub(super) sync: bool,
    /// Alarms stand: sync every two seconds.
    pub(super) standing: bool,
    /// Readings from this axis moment on belong to a critical or high incident.
    pub(super) incident: Option<i64>,
    pub(super) flush: Vec<mpsc::SyncSender<()>>,
    pub(super) synced_wall: bool,
    pub(super) sent: Sent,
    pub(super) sent_changed: bool,
    pub(super) log: Option<String>,
    /// Plans that have come in force, with number and moment, in order.
    pub(super) accounts: Vec<(u64, i64, Account)>,
    pub(super) stop: bool,
    pub(super) state: RecorderState,
}

impl Recorder {
    /// Opens or makes the history and starts its writer.
    ///
    /// # Errors
    /// When the directory cannot be used, or a newer agent wrote it.
    pub fn start(beginning: Beginning) -> Result<(Self, Found), HistoryError> {
        let synced_wall = beginning.synced;
        let (mut worker, found, sent) = Worker::open(beginning)?;
        let queue = Queue { sent, synced_wall, ..Queue::default() };
        let shared = Arc::new(Shared { queue: Mutex::new(queue), wake: Condvar::new(), thread: Mutex::new(None) });
        let of_thread = Arc::clone(&shared);
        let thread = std::thread::Builder::new()
            .name("history".into())
            .spawn(move || worker.run(&of_thread))
            .map_err(|error| HistoryError::Writer(error.to_string()))?;
        *shared.thread.lock().unwrap_or_else(PoisonError::into_inner) = Some(thread);
        Ok((Self { shared }, found))
    }

    /// Takes what entered; drops the oldest that waits when there is no room.
    pub fn submit(&self, batch: Batch) {
        if batch.is_empty() {
            return;
        }
        let mut queue = self.queue();
        queue.readings += batch.entries.len();
        queue.batches.push_back(batch);
        while queue.readings > QUEUE_READINGS && queue.batches.len() > 1 {
            let Some(oldest) = queue.batches.pop_front() else { break };
            queue.readings -= oldest.entries.len();
            queue.gap += oldest.entries.len() as u64;
            queue.state.dropped += oldest.entries.len() as u64;
        }
        drop(queue);
        self.shared.wake.notify_one();
    }

    /// Everything handed over so far is made durable at once: an alarm was raised.
    pub fn sync(&self) {
        self.queue().sync = true;
        self.shared.wake.notify_one();
    }

    /// Whether alarms stand; `incident`: a critical or high one does, since this axis moment at the latest.
    pub fn standing(&self, any: bool, incident: Option<i64>) {
        let mut queue = self.queue();
        queue.standing = any;
        if incident.is_some() {
            queue.incident = incident;
        }
    }

    /// Whether the wall is synchronised.
    pub fn wall_synced(&self, synced: bool) {
        self.queue().synced_wall = synced;
    }

    /// The event log has changed its identity.
    pub fn log_moved(&self, log: &str) {
        self.queue().log = Some(log.to_owned());
        self.shared.wake.notify_one();
    }

    /// Another plan is in force from this axis moment on; frames go on with number `next`. Returns the number under which
    /// history knows it, as it knows starts of the agent.
    #[must_use]
    pub fn follow(&self, account: Account, at: i64, next: u64) -> u64 {
        let mut queue = self.queue();
        let number = queue.sent.follow(next);
        queue.accounts.push((number, at, account));
        // After a crash it must be known which frames belong to it.
        (queue.sync, queue.sent_changed) = (true, true);
        drop(queue);
        self.shared.wake.notify_one();
        number
    }

    /// Number of the present start, or of the plan in force since.
    #[must_use]
    pub fn present(&self) -> u64 {
        self.queue().sent.present()
    }

    /// Waits until what was handed over can be read from the files; a short while at most.
    pub fn flush(&self) {
        let (answer, wait) = mpsc::sync_channel(1);
        self.queue().flush.push(answer);
        self.shared.wake.notify_one();
        // A disk that hangs makes the answer a little old, not late.
        let _late = wait.recv_timeout(FLUSH);
    }

    /// A frame of the present start is handed to the publisher.
    pub fn frame_handed(&self, frame: u64) {
        let mut queue = self.queue();
        queue.sent.handed(frame);
        queue.sent_changed = true;
    }

    /// What became of a live frame.
    pub fn frame_fate(&self, start: u64, frame: u64, confirmed: bool) {
        let mut queue = self.queue();
        queue.sent.fate(start, frame, confirmed);
        queue.sent_changed = true;
    }

    /// A missing frame is confirmed, or cannot be made again.
    pub fn frame_settled(&self, start: u64, frame: u64) {
        let mut queue = self.queue();
        queue.sent.settled(start, frame);
        queue.sent_changed = true;
    }

    /// Missing frames of a start from `first` up to, not including, `next` cannot be made again.
    pub fn frames_gone(&self, start: u64, first: u64, next: u64) {
        let mut queue = self.queue();
        queue.sent.gone(start, first, next);
        queue.sent_changed = true;
    }

    /// A copy of the account of frames.
    #[must_use]
    pub fn missing(&self) -> Sent {
        self.queue().sent.clone()
    }

    /// How the writer is doing; damage is told once.
    #[must_use]
    pub fn state(&self) -> RecorderState {
        let mut queue = self.queue();
        let losses = std::mem::take(&mut queue.state.losses);
        RecorderState { waiting: queue.readings, frames_missing: queue.sent.count(), losses, ..queue.state.clone() }
    }

    /// Makes everything durable and ends the thread.
    pub fn stop(&self) {
        self.queue().stop = true;
        self.shared.wake.notify_one();
        let thread = self.shared.thread.lock().unwrap_or_else(PoisonError::into_inner).take();
        if thread.is_some_and(|thread| thread.join().is_err()) {
            tracing::error!("the history's writer ended by a panic; please report this");
        }
    }

    pub(super) fn queue(&self) -> MutexGuard<'_, Queue> {
        self.shared.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Queue {
    /// Whether the writer has something to do at once.
    pub(super) fn is_urgent(&self) -> bool {
        !self.batches.is_empty()
            || self.sync
            || !self.flush.is_empty()
            || self.stop
            || self.log.is_some()
            || !self.accounts.is_empty()
    }

    /// What waits, with the mark of what was dropped before it.
    pub(super) fn take(&mut self) -> Vec<Batch> {
        let mut batches: Vec<Batch> = self.batches.drain(..).collect();
        self.readings = 0;
        let gap = std::mem::take(&mut self.gap);
        if gap > 0
            && let Some(first) = batches.first_mut()
        {
            let (at, offset) = first.steps.first().map_or((0, 0), |step| (step.at, step.offset));
            let mark = super::Step { at, offset, what: Happening::Dropped { readings: gap }, count: 0 };
            first.steps.insert(0, mark);
        }
        batches
    }
}
