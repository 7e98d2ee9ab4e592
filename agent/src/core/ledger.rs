//! Numbers events and hands them to the store: one place, so that a number is given once and in order.
//!
//! What happens in one step of the core becomes one commit: events, the alarm states they leave behind and what must be
//! sent. A commit the store's queue cannot take is kept here and handed over again, in order; nothing is dropped. When the
//! disk does not take events it numbers them in a volatile log, and what is to be sent at once comes back through
//! [`Ledger::take_volatile`]. The ledger knows nothing of readings. Times are wall milliseconds, UTC. Never panics.

use std::collections::VecDeque;

use lapwing_protocol::event::Detail;
use lapwing_protocol::{Event, Mode, SCHEMA, StoreChange, Word};

use crate::cause::Cause;
use crate::core::clock::rfc3339;
use crate::store::{
    Commit, EventRow, OutboxRow, SavedAlarm, SavedMark, SeenCommand, StoreError, SubmitError, Taken, Telling,
    TellingRow, Writer,
};

/// What every event of this run says at its head.
#[derive(Clone, Debug)]
pub struct Head {
    /// Event log.
    pub log: String,
    /// Number of the agent's start.
    pub boot: u64,
    /// Whether it concerns a live module.
    pub mode: Mode,
    /// Site.
    pub site: String,
    /// Module.
    pub module: String,
}

/// When something happened.
#[derive(Clone, Copy, Debug)]
pub struct When {
    /// Wall time, ms since the epoch.
    pub t: i64,
    /// Whether the clock was known to be right.
    pub synced: bool,
}

/// How people are told of an event.
#[derive(Clone, Debug)]
pub struct Announcement {
    /// Topic below the base.
    pub topic: String,
    /// Its sentence.
    pub sentence: String,
    /// Who is told directly.
    pub tellings: Vec<Telling>,
}

/// Gives numbers and keeps what the store has not taken yet.
#[derive(Debug)]
pub struct Ledger {
    head: Head,
    last_seq: u64,
    writer: Writer,
    /// What this step of the core has made.
    open: Commit,
    /// Commits the store's queue had no room for, oldest first.
    waiting: VecDeque<Commit>,
    /// Events are numbered in a volatile log.
    volatile: bool,
    /// Packets of the volatile log, to be sent at once.
    to_send: Vec<OutboxRow>,
    /// Who is to be told of the volatile log's events, at once.
    to_tell: Vec<TellingRow>,
}

/// What changed its number when a volatile log began: events above `after` are now `shift` higher or lower.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Renumbered {
    /// Last event that keeps its number, in the log before.
    pub after: u64,
}

impl Renumbered {
    /// The present number of an event: those that waited for the disk follow the first of the new log.
    #[must_use]
    pub const fn number(self, seq: u64) -> Option<u64> {
        if seq > self.after { Some(seq - self.after + 1) } else { None }
    }
}

impl Ledger {
    /// Goes on after event `last_seq` of the head's log.
    #[must_use]
    pub fn new(head: Head, last_seq: u64, writer: Writer) -> Self {
        Self {
            head,
            last_seq,
            writer,
            open: Commit::default(),
            waiting: VecDeque::new(),
            volatile: false,
            to_send: Vec::new(),
            to_tell: Vec::new(),
        }
    }

    /// The head.
    #[must_use]
    pub const fn head(&self) -> &Head {
        &self.head
    }

    /// Events say another mode from now on.
    pub fn set_mode(&mut self, mode: Mode) {
        self.head.mode = mode;
    }

    /// Number of the last event.
    #[must_use]
    pub const fn last_seq(&self) -> u64 {
        self.last_seq
    }

    /// The number the next event will have.
    #[must_use]
    pub const fn next_seq(&self) -> u64 {
        self.last_seq + 1
    }

    /// The store's writer.
    #[must_use]
    pub const fn writer(&self) -> &Writer {
        &self.writer
    }

    /// Goes on in a new log, because numbers after `restored_from` of this one were given before by a lost store. What this
    /// run has numbered so far has not left yet: it is numbered anew, in order, with its announcements.
    ///
    /// # Errors
    /// When the store cannot be read or written.
    pub fn move_to_new_log(&mut self, restored_from: u64) -> Result<(), StoreError> {
        self.close();
        let old = self.head.log.clone();
        let events = self.writer.call(move |store| store.events_after(restored_from, u32::MAX))??;
        let unsent = self.writer.call(|store| store.unsent(0, u32::MAX))??;
        let doubtful: Vec<_> = unsent.into_iter().filter(|row| *row.log == *old && row.seq > restored_from).collect();
        self.head.log = self.writer.new_log()?;
        self.writer.acknowledged(&doubtful.iter().map(|row| row.id).collect::<Vec<_>>());
        self.last_seq = 0;
        for stored in events {
            let Ok(event) = serde_json::from_slice::<Event>(&stored.payload) else { continue };
            let announced = doubtful.iter().find(|row| row.seq == stored.seq && row.announce.is_some());
            // Who is to be told of it directly waits under its old number already.
            let announce = announced.and_then(|row| {
                let sentence = String::from_utf8_lossy(&row.payload).into_owned();
                Some(Announcement { topic: row.announce.clone()?, sentence, tellings: Vec::new() })
            });
            self.enter(When { t: event.t, synced: event.clock_synced }, event.text, event.detail, announce);
        }
        self.close();
        Ok(())
    }

    /// Numbers an event and returns its number.
    pub fn enter(&mut self, when: When, text: String, detail: Detail, announce: Option<Announcement>) -> u64 {
        self.last_seq += 1;
        let (announce, tellings) = announce.map_or((None, Vec::new()), |Announcement { topic, sentence, tellings }| {
            (Some((topic, sentence.into_bytes())), tellings)
        });
        let event = Event {
            schema: SCHEMA,
            log: self.head.log.clone(),
            seq: self.last_seq,
            boot: self.head.boot,
            t: when.t,
            time: rfc3339(when.t),
            clock_synced: when.synced,
            mode: Word::from(self.head.mode),
            site: self.head.site.clone(),
            module: self.head.module.clone(),
            text,
            durable: !self.volatile,
            detail,
        };
        self.open.events.push(EventRow {
            seq: event.seq,
            t_ms: event.t,
            kind: kind(&event.detail),
            payload: event.to_bytes(),
            announce,
            tellings,
        });
        self.last_seq
    }

    /// Saves the state of an alarm together with the events of this step.
    pub fn save(&mut self, alarm: SavedAlarm) {
        match self.open.alarms.iter_mut().find(|saved| saved.id == alarm.id) {
            Some(saved) => *saved = alarm,
            None => self.open.alarms.push(alarm),
        }
    }

    /// Saves what a device showed first together with the events of this step.
    pub fn keep(&mut self, mark: SavedMark) {
        self.open.marks.push(mark);
    }

    /// Remembers a command together with the events of this step.
    pub fn seen(&mut self, command: SeenCommand) {
        self.open.seen.push(command);
    }

    /// Forgets the state of an alarm that no longer exists.
    pub fn forget(&mut self, id: String) {
        self.open.removed.push(id);
    }

    /// Hands this step over to the store. Returns whether anything still waits here: also because something is to be sent at
    /// once first, for what follows may be durable, and sent, before it otherwise.
    pub fn close(&mut self) -> bool {
        if self.open != Commit::default() {
            self.waiting.push_back(std::mem::take(&mut self.open));
        }
        while self.to_send.is_empty()
            && let Some(commit) = self.waiting.pop_front()
        {
            match self.writer.submit(commit) {
                Ok(Taken::Queued) => {}
                Ok(Taken::Volatile(rows, tellings)) => {
                    self.to_send.extend(rows);
                    self.to_tell.extend(tellings);
                }
                Err(SubmitError::Full(commit) | SubmitError::Stopped(commit)) => {
                    self.waiting.push_front(commit);
                    break;
                }
                // Neither can happen: numbers are given here in order, payloads are made to fit. Say so rather than stop.
                Err(error @ (SubmitError::NotNext { .. } | SubmitError::TooLarge { .. })) => {
                    tracing::error!(%error, "an event could not be stored; please report this");
                }
            }
        }
        !self.waiting.is_empty()
    }

    /// Goes on in a volatile log because the disk does not take events. What waited for it is numbered anew behind the
    /// event that says so with `text`, and is to be sent at once.
    ///
    /// # Errors
    /// When there are no random numbers for the identity of the log.
    pub fn begin_volatile(&mut self, when: When, text: String, why: Cause) -> Result<Renumbered, StoreError> {
        self.close();
        let begun = self.writer.begin_volatile(why.clone())?;
        let mut waited = Commit {
            events: begun.events,
            alarms: begun.alarms,
            removed: begun.removed,
            marks: begun.marks,
            seen: begun.seen,
        };
        for commit in std::mem::take(&mut self.waiting) {
            waited.events.extend(commit.events);
            waited.alarms.extend(commit.alarms);
            waited.removed.extend(commit.removed);
            waited.marks.extend(commit.marks);
            waited.seen.extend(commit.seen);
        }
        let renumbered = Renumbered { after: begun.last_seq };
        self.head.log = begun.log;
        self.last_seq = 0;
        self.volatile = true;
        let detail = StoreChange {
            change: "volatile log".into(),
            log_before: Some(begun.before),
            seq_before: Some(begun.last_seq),
            reason: Some(why.to_string()),
        };
        self.enter(when, text, Detail::Store(detail), None);
        for row in waited.events {
            let Ok(mut event) = serde_json::from_slice::<Event>(&row.payload) else {
                tracing::error!(seq = row.seq, "an event that waited could not be read back; please report this");
                continue;
            };
            if let Detail::Alarm(change) = &mut event.detail
                && let Some(number) = change.incident.and_then(|incident| renumbered.number(incident))
            {
                change.incident = Some(number);
            }
            let tellings = row.tellings;
            let announce = row.announce.map(|(topic, text)| Announcement {
                topic,
                sentence: String::from_utf8_lossy(&text).into_owned(),
                tellings,
            });
            self.enter(When { t: event.t, synced: event.clock_synced }, event.text, event.detail, announce);
        }
        for alarm in waited.alarms {
            self.save(alarm);
        }
        for id in waited.removed {
            self.forget(id);
        }
        self.open.marks.extend(waited.marks);
        self.open.seen.extend(waited.seen);
        self.close();
        Ok(renumbered)
    }

    /// Whether events are numbered in a volatile log.
    #[must_use]
    pub const fn is_volatile(&self) -> bool {
        self.volatile
    }

    /// The disk is back and has everything: events are durable again.
    pub fn end_volatile(&mut self) {
        self.volatile = false;
    }

    /// Events of a store that is in memory only are not durable.
    pub fn never_durable(&mut self) {
        self.volatile = true;
    }

    /// Takes the packets that are to be sent at once.
    pub fn take_volatile(&mut self) -> Vec<OutboxRow> {
        std::mem::take(&mut self.to_send)
    }

    /// Takes who is to be told at once.
    pub fn take_volatile_tellings(&mut self) -> Vec<TellingRow> {
        std::mem::take(&mut self.to_tell)
    }

    /// How many commits wait here for room in the store's queue.
    #[must_use]
    pub fn waiting(&self) -> usize {
        self.waiting.len()
    }
}

/// The kind as a word that lives as long as the program.
fn kind(detail: &Detail) -> &'static str {
    match detail {
        Detail::Alarm(_) => "alarm",
        Detail::Operator(_) => "operator",
        Detail::Link(_) => "link",
        Detail::Device(_) => "device",
        Detail::Agent(_) => "agent",
        Detail::Clock(_) => "clock",
        Detail::Store(_) => "store",
        Detail::Config(_) => "config",
        Detail::Other(_) => "other",
    }
}
