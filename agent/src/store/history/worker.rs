//! The history's writer thread: journals the open slot, closes slots, condenses days, tidies.
//!
//! Decides when bytes reach the disk: each minute; at once when an alarm was raised and every two seconds while one stands;
//! whenever a query asks (without a sync). What arrives goes before everything else; slots are closed and days condensed
//! a piece at a time between. A disk that fails or is full costs readings, oldest first, and is told; it stops nothing.
//! Pauses are monotonic, moments axis milliseconds. Never panics.

mod away;
mod later;

use std::path::PathBuf;
use std::sync::PoisonError;
use std::time::{Duration, Instant};

use super::axis::{self, Noted, Table};
use super::close::Closing;
use super::condense::Condense;
use super::error::{HistoryError, Loss};
use super::file::{self, POINT_MAX};
use super::open::{self, CLOSING, OPEN, OpenSlot};
use super::raw::{RawFile, keep_damaged, remove_parts, sync_dir};
use super::reader::DIRECTORY;
use super::recorder::{Account, Beginning, Found, Shared};
use super::rollup::DAY_MS;
use super::sent::Sent;
use super::stream::{Encoder, steps};
use super::{Batch, Happening, SLOT_MS, Step, retain};
use crate::cause::Cause;
use crate::memory::forget_pages;
use crate::store::place::Disk;

/// The open slot is journalled so often.
const JOURNAL: Duration = Duration::from_secs(60);
/// And so often while alarms stand, or the account of frames has changed.
const STANDING: Duration = Duration::from_secs(2);
/// Samples a point that stay in memory, about.
const SAMPLES_HELD: usize = 64;
/// Bytes of the stream that may wait for a disk that fails.
const HELD_MAX: usize = 32 << 20;
/// A raw file ends with its day, or at this size.
const FILE_MAX: u64 = 512 << 20;
/// Pause after something failed.
const RETRY: Duration = Duration::from_secs(5);
/// Writing counts as failing until it has gone well for so long: on a full disk one piece may still fit, the next not.
const STEADY: Duration = Duration::from_secs(10);
/// Readings kept before and after a critical or high incident.
const KEPT: (i64, i64) = (30 * 60_000, 120 * 60_000);
/// An incident that stands for days keeps this much.
const KEPT_MAX: i64 = 27 * 3_600_000;

/// The thread's own state.
#[derive(Debug)]
pub(super) struct Worker {
    dir: PathBuf,
    /// The data directory's.
    disk: Disk,
    beginning: Beginning,
    raw: RawFile,
    axis: Table,
    open: Option<OpenSlot>,
    encoder: Encoder,
    /// The next record begins the stream anew.
    fresh: bool,
    closing: Option<Closing>,
    /// The slot before is there and could not be read yet.
    unread: bool,
    /// The raw file ends at this size.
    file_max: u64,
    condense: Option<Condense>,
    /// What of the open file was told at the start.
    told: Vec<Loss>,
    last: Step,
    /// Number of the agent's start: what the wall clock showed belongs to it under every plan.
    begun: u64,
    journal_due: Instant,
    sync_due: Option<Instant>,
    retry_at: Option<Instant>,
    keep: Option<(i64, i64)>,
    dropped: u64,
    losses: Vec<Loss>,
    failing: Option<(Instant, Cause)>,
    /// As told: since when and why, and when it failed last.
    trouble: Option<(Instant, Cause, Instant)>,
    /// The disk has failed: no file is held.
    away: bool,
    bytes: u64,
}

impl Worker {
    /// Opens or makes the history; finds what the last start left.
    pub(super) fn open(mut beginning: Beginning) -> Result<(Self, Found, Sent), HistoryError> {
        let begun = Instant::now();
        let dir = beginning.data_dir.join(DIRECTORY);
        std::fs::create_dir_all(&dir).map_err(|e| HistoryError::file(&dir, e))?;
        let disk = Disk::of(&beginning.data_dir).map_err(|e| HistoryError::file(&dir, e))?;
        let mut losses = Vec::new();
        remove_parts(&dir);
        let axis = Table::open_or_begin_anew(&dir, &mut losses)?;
        let closing = open::read(&dir.join(CLOSING), |_, _| {})?;
        let open = open::read(&dir.join(OPEN), |_, _| {})?;
        beginning.points.retain(|(id, _)| *id < POINT_MAX);
        let mut raw = RawFile::newest(&dir, &beginning, &mut losses)?;
        let in_raw = file::slots(&raw.connection).map_err(|e| HistoryError::sql(&raw.path, e))?;
        raw.day = in_raw.first().map(|(slot, _, _)| slot * SLOT_MS / DAY_MS);
        let last_at = [&open, &closing].into_iter().flatten().filter_map(|account| account.last_at).max();
        let last_at = last_at.max(in_raw.iter().map(|(_, _, last)| *last).max());
        let newest = last_at.max(axis.last().map(|noted| noted.at));
        let known = file::starts(&raw.connection).map_err(|e| HistoryError::sql(&raw.path, e))?;
        let before = known.iter().map(|start| start.number).max().max(axis.last().map(|noted| noted.start));
        let account =
            open.as_ref().and_then(|open| open.sent.clone()).or(closing.as_ref().and_then(|c| c.sent.clone()));
        let sent_before = account.and_then(|bytes| Sent::from_bytes(&bytes).ok());
        let number = before.max(sent_before.as_ref().map(Sent::present)).unwrap_or(0) + 1;
        let at = axis::begin(newest, beginning.wall_ms, beginning.synced);
        beginning.start.number = number;
        beginning.start.at = at;
        file::put_start(&raw.connection, &beginning.start, &beginning.texts)
            .map_err(|e| HistoryError::sql(&raw.path, e))?;
        let last_t = last_at.map(|at| axis.wall().map(|wall| wall.t(at))).transpose()?;
        let sent = Sent::begin(number, sent_before.as_ref());
        let clean = open.as_ref().is_none_or(|open| open.ended);
        let mut told = Vec::new();
        for account in [&closing, &open].into_iter().flatten() {
            told.extend(account.losses.clone());
        }
        if !told.is_empty() {
            keep_damaged(&dir);
        }
        losses.extend(told.clone());
        let last = Step { at, offset: beginning.wall_ms - at, what: Happening::Start { number }, count: 0 };
        let mut worker = Self {
            dir,
            disk,
            beginning,
            raw,
            axis,
            open: None,
            encoder: Encoder::default(),
            fresh: true,
            closing: None,
            unread: false,
            file_max: FILE_MAX,
            condense: None,
            told,
            last,
            begun: number,
            journal_due: Instant::now() + JOURNAL,
            sync_due: None,
            retry_at: None,
            keep: None,
            dropped: 0,
            losses: Vec::new(),
            failing: None,
            trouble: None,
            away: false,
            bytes: 0,
        };
        worker.go_on(open.as_ref(), at)?;
        worker.note_wall(worker.beginning.synced)?;
        worker.encoder.step(&last, &[]);
        Ok((worker, Found { number, at, last_t, clean, losses, begun }, sent))
    }

    /// Goes on with the open slot of the last start, or closes it.
    fn go_on(&mut self, open: Option<&open::Account>, at: i64) -> Result<(), HistoryError> {
        self.begin_closing();
        let Some(account) = open else { return Ok(()) };
        if account.slot == at.div_euclid(SLOT_MS) {
            self.open = Some(OpenSlot::go_on(&self.dir, account.slot, account.whole)?);
            return Ok(());
        }
        // What still waits to be closed is closed first: there is one file of each.
        while self.closing.is_some() && self.failing.is_none() {
            self.close_a_piece();
        }
        self.move_to_closing()
    }

    /// Runs until told to stop.
    pub(super) fn run(&mut self, shared: &Shared) {
        self.tidy();
        forget_pages(&self.raw.connection);
        loop {
            let mut work = self.wait(shared);
            if let Some(log) = work.log.take() {
                self.beginning.start.log = log;
                if !self.away {
                    let put = file::put_start(&self.raw.connection, &self.beginning.start, &self.beginning.texts);
                    self.note(put.map_err(|e| HistoryError::sql(&self.raw.path, e)));
                }
            }
            for (number, at, account) in std::mem::take(&mut work.accounts) {
                self.follow(number, at, account);
            }
            if self.away {
                let stop = work.stop;
                self.away(work);
                self.publish_state(shared);
                if stop {
                    break;
                }
                continue;
            }
            for batch in &work.batches {
                self.take(batch);
            }
            if let Some(at) = work.incident {
                self.keep(at);
            }
            let now = Instant::now();
            let sync = work.sync || work.stop || now >= self.journal_due;
            let sync = sync || work.standing && self.sync_due.is_none_or(|due| now >= due);
            if sync || !work.flush.is_empty() || work.account.is_some() || self.is_full() {
                let outcome = self.journal(work.account.as_deref(), sync, work.stop);
                self.note(outcome);
            }
            if sync {
                self.journal_due = now + JOURNAL;
                self.sync_due = Some(now + STANDING);
                let outcome = self.note_wall(work.synced);
                self.note(outcome);
            }
            for waiting in work.flush {
                // Who asked may have given up.
                let _gone = waiting.try_send(());
            }
            if work.stop {
                break;
            }
            self.later_work();
            self.publish_state(shared);
        }
        if let Some(closing) = &self.closing {
            closing.roll_back(&self.raw.connection);
        }
        self.publish_state(shared);
    }

    /// Notes a plan that has come in force. Points of the plans before are still in the open slot: they stay known.
    fn follow(&mut self, number: u64, at: i64, account: Account) {
        let Account { mode, catalogue, config, texts, mut points } = account;
        points.retain(|(id, _)| *id < POINT_MAX);
        let now: std::collections::HashSet<u32> = points.iter().map(|(id, _)| *id).collect();
        self.beginning.points.retain(|(id, _)| !now.contains(id));
        self.beginning.points.extend(points);
        self.beginning.texts = texts;
        let start = &mut self.beginning.start;
        (start.number, start.at, start.mode, start.catalogue, start.config) = (number, at, mode, catalogue, config);
        if !self.away {
            let outcome = self.raw.begin(&self.beginning);
            self.note(outcome);
        }
    }

    fn wait(&self, shared: &Shared) -> Work {
        let mut queue = shared.queue.lock().unwrap_or_else(PoisonError::into_inner);
        let begun = Instant::now();
        loop {
            let now = Instant::now();
            let busy = self.retry_at.is_none_or(|at| at <= now)
                && (self.closing.is_some() || self.unread || self.condense.is_some());
            let account_due = queue.sent_changed && self.sync_due.is_none_or(|due| now >= due);
            if queue.is_urgent() || busy || account_due || now >= self.journal_due {
                break;
            }
            if queue.standing && self.sync_due.is_none_or(|due| now >= due) {
                break;
            }
            let mut until = self.journal_due.min(begun + Duration::from_secs(10));
            if let Some(at) = self.retry_at.filter(|_| self.away) {
                until = until.min(at);
                if now >= at {
                    break;
                }
            }
            if queue.standing || queue.sent_changed {
                until = until.min(self.sync_due.unwrap_or(now));
            }
            let pause = until.saturating_duration_since(now).max(Duration::from_millis(1));
            queue = shared.wake.wait_timeout(queue, pause).unwrap_or_else(PoisonError::into_inner).0;
            if begun.elapsed() > Duration::from_secs(10) {
                break;
            }
        }
        let account_due = queue.sent_changed && self.sync_due.is_none_or(|due| Instant::now() >= due);
        let account = (account_due || queue.stop || queue.sync).then(|| queue.sent.to_bytes());
        queue.sent_changed &= account.is_none();
        Work {
            batches: queue.take(),
            sync: std::mem::take(&mut queue.sync),
            standing: queue.standing,
            incident: queue.incident.take(),
            flush: std::mem::take(&mut queue.flush),
            synced: queue.synced_wall,
            account,
            log: queue.log.take(),
            accounts: std::mem::take(&mut queue.accounts),
            stop: queue.stop,
        }
    }

    fn take(&mut self, batch: &Batch) {
        for (step, entries) in steps(batch) {
            let slot = step.at.div_euclid(SLOT_MS);
            if self.open.as_ref().is_some_and(|open| slot > open.slot) {
                let outcome = self.rotate();
                self.note(outcome);
            }
            if self.open.is_none() {
                match OpenSlot::create(&self.dir, slot) {
                    Ok(open) => {
                        self.open = Some(open);
                        self.fresh = true;
                    }
                    Err(error) => {
                        self.note(Err(error));
                        self.dropped += entries.len() as u64;
                        continue;
                    }
                }
            }
            self.encoder.step(step, entries);
            if let Happening::Readings { .. } = step.what {
                self.last = *step;
            }
        }
    }

    /// Whether more waits in memory than should.
    fn is_full(&self) -> bool {
        self.encoder.readings > SAMPLES_HELD * self.beginning.points.len().max(1000)
    }

    /// Appends what has been taken; `sync` makes it durable.
    fn journal(&mut self, account: Option<&[u8]>, sync: bool, ended: bool) -> Result<(), HistoryError> {
        if sync {
            self.see_to_the_open_slot()?;
        }
        let Some(open) = &mut self.open else {
            if !ended && account.is_none() {
                return Ok(());
            }
            self.open = Some(OpenSlot::create(&self.dir, self.last.at.div_euclid(SLOT_MS))?);
            return self.journal(account, sync, ended);
        };
        if !self.encoder.bytes.is_empty() {
            let kind = if self.fresh { open::Kind::Fresh } else { open::Kind::More };
            if let Err(error) = open.append(kind, &self.encoder.bytes) {
                if self.encoder.bytes.len() > HELD_MAX {
                    // The oldest go: the stream begins anew with what comes next.
                    self.dropped += self.encoder.readings as u64;
                    let mark = Happening::Dropped { readings: self.encoder.readings as u64 };
                    self.encoder.begin();
                    self.encoder.step(&Step { what: mark, count: 0, ..self.last }, &[]);
                    self.fresh = true;
                }
                return Err(error);
            }
            self.fresh = false;
            self.encoder.bytes.clear();
            self.encoder.readings = 0;
        }
        if let Some(account) = account {
            open.append(open::Kind::Sent, account)?;
        }
        if ended {
            open.append(open::Kind::Ended, &[])?;
        }
        if sync {
            open.sync()?;
            // A minute can then be read by itself.
            if Instant::now() >= self.journal_due {
                self.encoder.begin();
                self.fresh = true;
            }
        }
        Ok(())
    }

    fn keep(&mut self, at: i64) {
        let (from, to) = match self.keep {
            Some((from, to)) if at <= to => (from, (at + KEPT.1).min(from + KEPT_MAX)),
            _ => (at - KEPT.0, at + KEPT.1),
        };
        // Each second moves the end; a minute's worth is worth a write.
        let news = self.keep.is_none_or(|known| known.0 != from || to - known.1 > 60_000);
        if news {
            let outcome = self.axis.keep(from, to);
            self.note(outcome);
            self.keep = Some((from, to));
        }
    }

    fn note_wall(&mut self, synced: bool) -> Result<(), HistoryError> {
        let Step { at, offset, .. } = self.last;
        self.axis.note(Noted { at, offset, synced, start: self.begun })
    }

    fn tidy(&mut self) {
        match retain::tidy(&self.dir, &self.beginning.limits, &self.axis, self.raw.number, self.last.at) {
            Ok(bytes) => self.bytes = bytes,
            Err(error) => self.note(Err(error)),
        }
    }

    fn note(&mut self, outcome: Result<(), HistoryError>) {
        match outcome {
            Ok(()) => self.failing = None,
            Err(error) => {
                self.retry_at = Some(Instant::now() + RETRY);
                self.let_go_of(&error);
                let (why, now) = (error.cause(), Instant::now());
                match &mut self.failing {
                    Some((_, known)) => known.clone_from(&why),
                    None => self.failing = Some((now, why.clone())),
                }
                match &mut self.trouble {
                    Some((_, known, last)) => (*known, *last) = (why, now),
                    None => {
                        tracing::warn!("the history cannot be written: {why}");
                        self.trouble = Some((now, why, now));
                    }
                }
            }
        }
    }

    fn publish_state(&mut self, shared: &Shared) {
        if self.failing.is_none() && self.trouble.as_ref().is_some_and(|(_, _, last)| last.elapsed() > STEADY) {
            self.trouble = None;
            tracing::info!("the history is written again");
        }
        let mut queue = shared.queue.lock().unwrap_or_else(PoisonError::into_inner);
        let state = &mut queue.state;
        state.dropped += std::mem::take(&mut self.dropped);
        state.losses.append(&mut self.losses);
        state.failing = self.trouble.as_ref().map(|(since, why, _)| (*since, why.clone()));
        state.bytes = self.bytes + self.open.as_ref().map_or(0, OpenSlot::bytes);
    }
}

/// What the thread found to do.
struct Work {
    batches: Vec<Batch>,
    sync: bool,
    standing: bool,
    incident: Option<i64>,
    flush: Vec<std::sync::mpsc::SyncSender<()>>,
    synced: bool,
    account: Option<Vec<u8>>,
    log: Option<String>,
    accounts: Vec<(u64, i64, Account)>,
    stop: bool,
}
