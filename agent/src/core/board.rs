//! What stands now, for whoever looks on: every point's last reading, every alarm's record, the newest events.
//!
//! The core writes and never waits: readings go into atomic cells with a version each (a reader that meets a half-written
//! cell reads again), records and events into a channel that forgets its oldest when a listener is slow. Readers find what
//! has changed by comparing change numbers. Knows no protocol and no page. Times are stamps, ms since the Unix epoch. Never
//! panics: a point the plan does not have is ignored.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicI64, AtomicU32, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use lapwing_protocol::{Mode, Status, Vocabulary};
use tokio::sync::broadcast;

use super::figures::Asked;

/// Records and events a listener may be behind before it misses some and is told so.
const BACKLOG: usize = 1024;

/// A reading as it stands on the board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shown {
    /// Index of the point in the plan.
    pub point: u32,
    /// Integer at the point's exponent; `None` when bad.
    pub value: Option<i64>,
    /// Its quality.
    pub status: Status,
    /// When it was read.
    pub t: i64,
}

/// Something that happened, as its payload.
#[derive(Clone, Debug)]
pub enum Happened {
    /// An alarm's whole record changed.
    Alarm(Arc<[u8]>),
    /// An event is on disk.
    Event(Arc<[u8]>),
    /// A link or device changed its state.
    Field,
    /// The mode changed.
    Mode,
    /// Another plan is in force: this board is not written any more.
    Replaced,
    /// A declared suppression began or ended.
    Rules,
}

/// What everything published says of the agent.
#[derive(Clone, Debug, Default)]
pub struct BoardHead {
    /// Event log.
    pub log: String,
    /// Number of this start.
    pub boot: u64,
    /// Mode.
    pub mode: Mode,
    /// When the mode ends by itself.
    pub mode_until: Option<i64>,
    /// Whether the clock is synchronised.
    pub clock_synced: bool,
    /// The broker is not reached.
    pub broker_down: bool,
}

impl BoardHead {
    /// The mode's word.
    #[must_use]
    pub fn mode_word(&self) -> &'static str {
        <Mode as Vocabulary>::WORDS.iter().find(|(_, mode)| *mode == self.mode).map_or("live", |(word, _)| word)
    }
}

/// The board.
#[derive(Debug)]
pub struct Board {
    cells: Box<[Cell]>,
    /// Number of the last change.
    changes: AtomicU64,
    /// By rule of suppression: until when it is in force.
    rules: Mutex<Vec<Option<i64>>>,
    rest: Arc<Rest>,
}

/// What is the same under every plan.
#[derive(Debug)]
struct Rest {
    alarms: Mutex<BTreeMap<String, Arc<[u8]>>>,
    head: Mutex<BoardHead>,
    asked: Mutex<Asked>,
    happened: broadcast::Sender<Happened>,
    /// When it was made, and how long after that the core last showed that it makes progress, ms.
    begun: Instant,
    progress_ms: AtomicU64,
}

/// One point. `version` is odd while it is written.
#[derive(Debug)]
struct Cell {
    version: AtomicU64,
    value: AtomicI64,
    status: AtomicU32,
    has_value: AtomicU32,
    t: AtomicI64,
    changed: AtomicU64,
}

impl Board {
    /// An empty board for so many points.
    #[must_use]
    pub fn new(points: usize) -> Self {
        let (happened, _) = broadcast::channel(BACKLOG);
        let rest = Rest {
            alarms: Mutex::default(),
            head: Mutex::default(),
            asked: Mutex::default(),
            happened,
            begun: Instant::now(),
            progress_ms: AtomicU64::new(0),
        };
        Self::with(points, Arc::new(rest))
    }

    /// The board of the next plan, with so many points: nothing was read under it yet; alarms, head and listeners are the
    /// same.
    #[must_use]
    pub fn next(&self, points: usize) -> Self {
        Self::with(points, Arc::clone(&self.rest))
    }

    fn with(points: usize, rest: Arc<Rest>) -> Self {
        let cell = || Cell {
            version: AtomicU64::new(0),
            value: AtomicI64::new(0),
            status: AtomicU32::new(Status::BAD_WAITING.number()),
            has_value: AtomicU32::new(0),
            t: AtomicI64::new(0),
            changed: AtomicU64::new(0),
        };
        Self { cells: (0..points).map(|_| cell()).collect(), changes: AtomicU64::new(0), rules: Mutex::default(), rest }
    }

    /// Puts up a reading; only the core's thread does.
    pub fn reading(&self, point: usize, t: i64, value: Option<i64>, status: Status) {
        let Some(cell) = self.cells.get(point) else { return };
        cell.version.fetch_add(1, Ordering::AcqRel);
        cell.value.store(value.unwrap_or(0), Ordering::Relaxed);
        cell.has_value.store(u32::from(value.is_some()), Ordering::Relaxed);
        cell.status.store(status.number(), Ordering::Relaxed);
        cell.t.store(t, Ordering::Relaxed);
        cell.version.fetch_add(1, Ordering::Release);
        let change = self.changes.fetch_add(1, Ordering::AcqRel) + 1;
        cell.changed.store(change, Ordering::Release);
    }

    /// Puts up an alarm's record; an empty one takes it down.
    pub fn alarm(&self, id: &str, record: Arc<[u8]>) {
        let mut alarms = self.rest.alarms.lock().unwrap_or_else(PoisonError::into_inner);
        if record.is_empty() {
            alarms.remove(id);
            return;
        }
        alarms.insert(id.to_owned(), Arc::clone(&record));
        drop(alarms);
        self.happened(Happened::Alarm(record));
    }

    /// How long ago the first plan's board was made.
    #[must_use]
    pub fn age(&self) -> Duration {
        self.rest.begun.elapsed()
    }

    /// The core makes progress.
    pub fn progress(&self) {
        let ms = u64::try_from(self.rest.begun.elapsed().as_millis()).unwrap_or(u64::MAX);
        self.rest.progress_ms.store(ms, Ordering::Release);
    }

    /// How long ago the core last made progress.
    #[must_use]
    pub fn without_progress(&self) -> Duration {
        self.rest.begun.elapsed().saturating_sub(Duration::from_millis(self.rest.progress_ms.load(Ordering::Acquire)))
    }

    /// Changes what is said of the agent.
    pub fn set_head(&self, change: impl FnOnce(&mut BoardHead)) {
        change(&mut self.rest.head.lock().unwrap_or_else(PoisonError::into_inner));
    }

    /// What is said of the agent.
    #[must_use]
    pub fn head(&self) -> BoardHead {
        self.rest.head.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Puts up what the alarm system asks of people.
    pub fn set_asked(&self, asked: Asked) {
        *self.rest.asked.lock().unwrap_or_else(PoisonError::into_inner) = asked;
    }

    /// What the alarm system asks of people.
    #[must_use]
    pub fn asked(&self) -> Asked {
        self.rest.asked.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Puts up until when each rule of suppression is in force.
    pub fn set_rules(&self, until: Vec<Option<i64>>) {
        *self.rules.lock().unwrap_or_else(PoisonError::into_inner) = until;
        self.happened(Happened::Rules);
    }

    /// Until when each rule of suppression is in force, in the plan's order; none where none was ever.
    #[must_use]
    pub fn rules(&self) -> Vec<Option<i64>> {
        self.rules.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// One alarm's record.
    #[must_use]
    pub fn alarm_record(&self, id: &str) -> Option<Arc<[u8]>> {
        self.rest.alarms.lock().unwrap_or_else(PoisonError::into_inner).get(id).map(Arc::clone)
    }

    /// Tells that something happened; nobody needs to listen.
    pub fn happened(&self, what: Happened) {
        let _nobody = self.rest.happened.send(what);
    }

    /// Listens to what happens from now on.
    #[must_use]
    pub fn listen(&self) -> broadcast::Receiver<Happened> {
        self.rest.happened.subscribe()
    }

    /// Every alarm's record, by id.
    #[must_use]
    pub fn alarms(&self) -> Vec<Arc<[u8]>> {
        self.rest.alarms.lock().unwrap_or_else(PoisonError::into_inner).values().map(Arc::clone).collect()
    }

    /// One alarm's record.
    #[must_use]
    pub fn record(&self, id: &str) -> Option<Arc<[u8]>> {
        self.rest.alarms.lock().unwrap_or_else(PoisonError::into_inner).get(id).map(Arc::clone)
    }

    /// Number of the last change.
    #[must_use]
    pub fn changes(&self) -> u64 {
        self.changes.load(Ordering::Acquire)
    }

    /// Readings that changed after a change number, in scan order; all that were ever put up for 0.
    pub fn since(&self, change: u64) -> impl Iterator<Item = Shown> + '_ {
        let cells = (0u32..).zip(self.cells.iter());
        cells
            .filter(move |(_, cell)| cell.changed.load(Ordering::Acquire) > change)
            .map(|(point, cell)| cell.read(point))
    }

    /// One point's reading.
    #[must_use]
    pub fn get(&self, point: usize) -> Option<Shown> {
        Some(self.cells.get(point)?.read(u32::try_from(point).ok()?))
    }
}

impl Cell {
    fn read(&self, point: u32) -> Shown {
        loop {
            let before = self.version.load(Ordering::Acquire);
            let value = self.value.load(Ordering::Acquire);
            let has_value = self.has_value.load(Ordering::Acquire);
            let status = self.status.load(Ordering::Acquire);
            let t = self.t.load(Ordering::Acquire);
            if before.is_multiple_of(2) && self.version.load(Ordering::Acquire) == before {
                return Shown {
                    point,
                    value: (has_value != 0).then_some(value),
                    status: Status::from_number(status),
                    t,
                };
            }
            std::hint::spin_loop();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_changed_since_is_found_and_a_strange_point_ignored() {
        let board = Board::new(3);
        assert_eq!(board.since(0).count(), 0);
        board.reading(1, 10, Some(170), Status::GOOD);
        board.reading(2, 11, None, Status::BAD_SENSOR_FAILURE);
        board.reading(9, 12, Some(1), Status::GOOD);
        let first: Vec<Shown> = board.since(0).collect();
        assert_eq!(
            first.iter().map(|s| (s.point, s.value, s.t)).collect::<Vec<_>>(),
            [(1, Some(170), 10), (2, None, 11)]
        );
        let seen = board.changes();
        board.reading(1, 20, Some(171), Status::GOOD);
        assert_eq!(board.since(seen).map(|s| s.value).collect::<Vec<_>>(), [Some(171)]);
        assert_eq!(board.get(0).map(|s| s.status), Some(Status::BAD_WAITING));
        assert_eq!(board.get(3), None);
    }

    #[test]
    fn a_reader_never_sees_half_a_reading() {
        let board = Arc::new(Board::new(1));
        let writer = {
            let board = Arc::clone(&board);
            std::thread::spawn(move || {
                for n in 0..200_000_i64 {
                    board.reading(0, n, Some(n), Status::from_number(u32::try_from(n % 7).unwrap_or(0)));
                }
            })
        };
        let mut last = -1;
        while last < 199_999 {
            let Some(shown) = board.since(0).next() else { continue };
            assert_eq!(shown.value, Some(shown.t));
            assert_eq!(i64::from(shown.status.number()), shown.t % 7);
            assert!(shown.t >= last);
            last = shown.t;
        }
        writer.join().expect("the writer ends");
    }

    #[test]
    fn the_next_board_has_its_own_readings_and_the_same_alarms() {
        let board = Board::new(2);
        board.reading(0, 10, Some(170), Status::GOOD);
        board.alarm("a", b"{}".as_slice().into());
        let mut listener = board.listen();
        let next = board.next(1);
        assert_eq!((next.since(0).count(), next.alarms().len()), (0, 1));
        board.reading(0, 11, Some(171), Status::GOOD);
        assert_eq!(next.get(0).map(|shown| shown.value), Some(None));
        next.happened(Happened::Replaced);
        assert!(matches!(listener.try_recv(), Ok(Happened::Replaced)), "who listens to the old one hears of it");
        board.alarm("a", Arc::default());
        assert!(next.alarms().is_empty());
    }

    #[test]
    fn a_record_is_told_and_kept_and_an_empty_one_takes_it_down() {
        let board = Board::new(0);
        let mut listener = board.listen();
        board.alarm("a", b"{}".as_slice().into());
        assert!(matches!(listener.try_recv(), Ok(Happened::Alarm(record)) if &*record == b"{}"));
        assert_eq!(board.alarms().len(), 1);
        board.alarm("a", Arc::default());
        assert!(board.alarms().is_empty());
    }
}
