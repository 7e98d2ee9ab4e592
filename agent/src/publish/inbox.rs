//! What waits to be published, and what goes next.
//!
//! Pure: no sockets and no clock; times come in as monotonic instants. It knows delivery classes, not what payloads
//! mean. Every queue has its bound and its rule: events beyond [`EVENTS_HELD`] stay on disk and are read from there,
//! latest states are one a topic, points are coalesced, frames drop the oldest, late frames are refused when a few wait.
//! Never panics.
//!
//! Order: presence opens a connection; then events, `event/last`, catalogue, alarms, points, frames, late frames. Of the window of
//! unconfirmed packets, events may take [`EVENTS_IN_FLIGHT`] and everything else [`OTHERS_IN_FLIGHT`]: neither can
//! starve the other.

mod aside;

use std::collections::{BTreeMap, HashMap, VecDeque};
use std::sync::Arc;
use std::time::{Duration, Instant};

use lapwing_protocol::{EVENT_MAX, FRAME_MAX};

use super::frames::Frames;
use super::packet::{Packet, Sent, fits};
use super::said::FrameId;
use super::suspicion::Suspicion;
use super::{HandInError, Session};
use crate::store::OutboxRow;

/// Unconfirmed packets at one time, far below the library's 1023 packet ids, so that no id is met twice.
pub(super) const IN_FLIGHT: usize = 100;
/// Of these, events at most.
const EVENTS_IN_FLIGHT: usize = 90;
/// Of these, everything else at most: half of the window is kept for events.
const OTHERS_IN_FLIGHT: usize = 50;
/// Events held in memory; more stay on disk until there is room.
const EVENTS_HELD: usize = 2048;
/// Events of a volatile log that wait in memory, as many as the store's volatile log holds or more.
const VOLATILE_HELD: usize = 16_384;
/// Fewer events in memory than this: the next page is read from disk.
const EVENTS_LOW: usize = 256;
/// Events of one page.
pub(super) const PAGE_ROWS: u32 = 512;
/// `event/last` at most this often.
const LAST_EVERY: Duration = Duration::from_secs(1);
/// What follows from a confirmation.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Confirmed {
    Nothing,
    /// This outbox row may go.
    Row(u64),
    /// This retained topic is cleared.
    Cleared(String),
}

#[derive(Debug)]
struct Latest {
    payload: Arc<[u8]>,
    version: u64,
    queued: bool,
}

#[derive(Debug)]
pub(super) struct Inbox {
    pub(super) session: Session,
    /// To be sent, in the order of the outbox.
    events: VecDeque<OutboxRow>,
    /// To be sent at once: of events that are in no store yet.
    volatile: VecDeque<OutboxRow>,
    /// Rows that came that way, first and last id of each volatile log: found on disk later, they are not new.
    came_volatile: Vec<(u64, u64)>,
    /// Handed to the present connection and not confirmed.
    unconfirmed: BTreeMap<u64, OutboxRow>,
    /// Highest row taken into memory.
    cursor: u64,
    /// Rows after `cursor` may lie on disk.
    behind: bool,
    /// A page is being read, asked for in this generation.
    fetching: bool,
    generation: u64,
    /// Events wait until the core has judged what the broker remembers.
    released: bool,
    /// Newest confirmed event: row, log, number, stamp.
    newest: Option<OutboxRow>,
    last_due: bool,
    last_at: Option<Instant>,
    online_due: bool,
    offline_due: bool,
    pages_due: VecDeque<usize>,
    latest: BTreeMap<String, Latest>,
    latest_due: VecDeque<String>,
    versions: u64,
    points: HashMap<String, Vec<u8>>,
    points_due: VecDeque<String>,
    /// Answers to commands.
    replies: VecDeque<(String, Vec<u8>)>,
    pub(super) frames: Frames,
    pub(super) events_confirmed: u64,
    events_out: usize,
    others_out: usize,
    /// The last word was said: nothing more goes out.
    closing: bool,
    pub(super) suspicion: Suspicion,
}

/// Answers to commands that may wait.
const REPLIES: usize = 64;

impl Inbox {
    pub(super) fn new(session: Session) -> Self {
        Self {
            session,
            events: VecDeque::new(),
            volatile: VecDeque::new(),
            came_volatile: Vec::new(),
            unconfirmed: BTreeMap::new(),
            cursor: 0,
            behind: true,
            fetching: false,
            generation: 0,
            released: false,
            newest: None,
            last_due: false,
            last_at: None,
            online_due: false,
            offline_due: false,
            pages_due: VecDeque::new(),
            latest: BTreeMap::new(),
            latest_due: VecDeque::new(),
            versions: 0,
            points: HashMap::new(),
            points_due: VecDeque::new(),
            replies: VecDeque::new(),
            frames: Frames::default(),
            events_confirmed: 0,
            events_out: 0,
            others_out: 0,
            closing: false,
            suspicion: Suspicion::default(),
        }
    }

    // --- what comes in ---

    /// Rows that just became durable; returns those that can never be published.
    pub(super) fn durable(&mut self, rows: Vec<OutboxRow>) -> Vec<(OutboxRow, HandInError)> {
        if self.behind || self.events.len() + rows.len() > EVENTS_HELD {
            self.behind = true;
            return Vec::new();
        }
        self.take_rows(rows)
    }

    /// Rows of events that are in no store yet. Beyond the bound the oldest are left to the store, which will have them.
    pub(super) fn volatile(&mut self, rows: Vec<OutboxRow>) -> Vec<(OutboxRow, HandInError)> {
        let mut bad = Vec::new();
        for row in rows {
            match self.came_volatile.last_mut().filter(|(_, last)| row.id > *last && row.id <= *last + 3) {
                Some((_, last)) => *last = row.id,
                None => self.came_volatile.push((row.id, row.id)),
            }
            match fits(row.announce.as_deref().unwrap_or("event"), &row.payload, EVENT_MAX) {
                Ok(()) => self.volatile.push_back(row),
                Err(why) => bad.push((row, why)),
            }
        }
        while self.volatile.len() > VOLATILE_HELD {
            let Some(left) = self.volatile.pop_front() else { break };
            for (first, _) in self.came_volatile.iter_mut().filter(|(first, last)| (*first..=*last).contains(&left.id))
            {
                *first = left.id + 1;
            }
        }
        bad
    }

    /// Another presence, on the present connection.
    pub(super) fn say_online(&mut self, session: Session) {
        self.session = session;
        self.online_due = true;
    }

    /// Events may go. What was read before is read again: the core may have renumbered it meanwhile.
    pub(super) fn release(&mut self) {
        if self.released {
            return;
        }
        self.released = true;
        self.events.clear();
        self.cursor = 0;
        self.behind = true;
        self.fetching = false;
        self.generation += 1;
    }

    /// Whether events may go.
    pub(super) fn released(&self) -> bool {
        self.released
    }

    /// After which row a page is to be read now, if one is; the generation goes with the question.
    pub(super) fn fetch_after(&mut self) -> Option<(u64, u64)> {
        if !self.behind || self.fetching || self.events.len() >= EVENTS_LOW {
            return None;
        }
        self.fetching = true;
        Some((self.cursor, self.generation))
    }

    /// A page read from disk, shorter than asked for if it is the last. Returns rows that can never be published.
    pub(super) fn fetched(&mut self, generation: u64, rows: Vec<OutboxRow>) -> Vec<(OutboxRow, HandInError)> {
        if generation != self.generation {
            return Vec::new();
        }
        self.fetching = false;
        self.behind = rows.len() >= PAGE_ROWS as usize;
        self.take_rows(rows)
    }

    /// A page could not be read; it is asked for again.
    pub(super) fn fetch_failed(&mut self, generation: u64) {
        self.fetching &= generation != self.generation;
    }

    /// The latest state of a retained topic; an empty payload clears it.
    pub(super) fn set_latest(&mut self, topic: String, payload: Arc<[u8]>) -> Result<(), HandInError> {
        fits(&topic, &payload, FRAME_MAX)?;
        // What still waits of a point that is cleared would come after.
        self.points.remove(&topic);
        self.versions += 1;
        let version = self.versions;
        let queued = self.latest.get(&topic).is_some_and(|known| known.queued);
        if !queued {
            self.latest_due.push_back(topic.clone());
        }
        self.latest.insert(topic, Latest { payload, version, queued: true });
        Ok(())
    }

    /// The present value of a point; an older one that still waits is replaced.
    pub(super) fn set_point(&mut self, topic: String, payload: Vec<u8>) -> Result<(), HandInError> {
        fits(&topic, &payload, FRAME_MAX)?;
        if self.points.insert(topic.clone(), payload).is_none() {
            self.points_due.push_back(topic);
        }
        Ok(())
    }

    /// The answer to a command; when too many wait the oldest is lost.
    pub(super) fn push_reply(&mut self, topic: String, payload: Vec<u8>) -> Result<(), HandInError> {
        fits(&topic, &payload, EVENT_MAX)?;
        if self.replies.len() >= REPLIES {
            self.replies.pop_front();
        }
        self.replies.push_back((topic, payload));
        Ok(())
    }

    /// A live frame; when too many wait the oldest is dropped and counted.
    pub(super) fn push_frame(&mut self, topic: String, payload: Vec<u8>, id: FrameId) -> Result<(), HandInError> {
        self.frames.push(topic, payload, id)
    }

    /// Whether a late frame would be taken.
    pub(super) fn late_room(&self) -> bool {
        self.released && self.frames.late_room()
    }

    /// A frame from history; whether there was room.
    pub(super) fn push_late(&mut self, topic: String, payload: Vec<u8>, id: FrameId) -> Result<bool, HandInError> {
        if self.released { self.frames.push_late(topic, payload, id) } else { Ok(false) }
    }

    // --- a connection begins and ends ---

    /// A connection begins: everything retained is said again, everything unconfirmed is sent again, oldest first.
    pub(super) fn connected(&mut self) {
        self.disconnected();
        self.closing = false;
        self.online_due = true;
        self.pages_due = (0..self.session.catalogue.len()).collect();
        self.last_due = self.newest.is_some();
        self.last_at = None;
        self.latest_due = self.latest.keys().cloned().collect();
        for state in self.latest.values_mut() {
            state.queued = true;
        }
    }

    /// The connection is gone: what it had not confirmed waits again.
    pub(super) fn disconnected(&mut self) {
        for (_, row) in std::mem::take(&mut self.unconfirmed).into_iter().rev() {
            if self.came_volatile.iter().any(|(first, last)| (*first..=*last).contains(&row.id)) {
                self.volatile.push_front(row);
            } else {
                self.events.push_front(row);
            }
        }
        self.events_out = 0;
        self.others_out = 0;
        self.offline_due = false;
        self.frames.lost();
    }

    /// The last word before a clean end.
    pub(super) fn say_offline(&mut self) {
        self.offline_due = true;
        self.closing = true;
    }

    /// Whether an event waits in memory or on disk, or is unconfirmed.
    pub(super) fn events_wait(&self) -> bool {
        self.behind || !self.events.is_empty() || !self.volatile.is_empty() || !self.unconfirmed.is_empty()
    }

    /// Packets that wait for their confirmation.
    pub(super) fn in_flight(&self) -> usize {
        self.events_out + self.others_out
    }

    /// Stamp of the oldest event the broker has not confirmed, among those in memory.
    pub(super) fn oldest_t_ms(&self) -> Option<i64> {
        self.unconfirmed.values().next().or_else(|| self.events.front()).map(|row| row.t_ms)
    }

    // --- what goes out ---

    /// The next packet the window has room for.
    pub(super) fn next(&mut self, now: Instant) -> Option<Packet> {
        let window = if self.suspicion.one_by_one() { 1 } else { IN_FLIGHT };
        if self.in_flight() >= window {
            return None;
        }
        let packet = self.choose(now)?;
        if packet.confirmed {
            match packet.sent {
                Sent::Event(_) => self.events_out += 1,
                Sent::Last
                | Sent::Online
                | Sent::Offline
                | Sent::Page(_)
                | Sent::Latest { .. }
                | Sent::Point
                | Sent::Reply
                | Sent::Frame(..) => self.others_out += 1,
            }
        }
        Some(packet)
    }

    /// When `next` may have something although nothing came in.
    pub(super) fn due_at(&self) -> Option<Instant> {
        self.last_at.filter(|_| self.last_due).map(|at| at + LAST_EVERY)
    }

    /// The broker confirmed a packet.
    pub(super) fn confirmed(&mut self, sent: &Sent) -> Confirmed {
        if let Sent::Event(id) = sent {
            self.events_out = self.events_out.saturating_sub(1);
            self.events_confirmed += 1;
            if let Some(row) = self.unconfirmed.remove(id)
                && self.newest.as_ref().is_none_or(|newest| newest.id < row.id)
            {
                self.newest = Some(row);
            }
            let older_waits = self.unconfirmed.keys().next().is_some_and(|first| first < id);
            self.last_due |= !older_waits;
        } else {
            self.others_out = self.others_out.saturating_sub(1);
        }
        self.suspicion.confirmed(sent);
        if let Sent::Frame(_, id) = sent {
            self.frames.confirmed(*id);
        }
        match sent {
            Sent::Event(id) => Confirmed::Row(*id),
            Sent::Latest { topic, version } => {
                let cleared =
                    self.latest.get(topic).is_some_and(|state| state.version == *version && state.payload.is_empty());
                if cleared {
                    self.latest.remove(topic);
                    return Confirmed::Cleared(topic.clone());
                }
                Confirmed::Nothing
            }
            Sent::Last | Sent::Online | Sent::Offline | Sent::Page(_) | Sent::Point | Sent::Reply | Sent::Frame(..) => {
                Confirmed::Nothing
            }
        }
    }

    fn take_rows(&mut self, rows: Vec<OutboxRow>) -> Vec<(OutboxRow, HandInError)> {
        let mut bad = Vec::new();
        for row in rows {
            if row.id <= self.cursor {
                continue;
            }
            self.cursor = row.id;
            if self.came_volatile.iter().any(|(first, last)| (*first..=*last).contains(&row.id)) {
                continue;
            }
            let mut row = row;
            if row.payload.is_empty() {
                if row.announce.is_some() {
                    let topic = row.announce.clone().unwrap_or_default();
                    bad.push((row, HandInError::Damaged { topic }));
                    continue;
                }
                row.payload = (self.session.lost)(&row.log, row.seq, row.t_ms);
            }
            // The store checks sizes, but the file may come from elsewhere.
            match fits(row.announce.as_deref().unwrap_or("event"), &row.payload, EVENT_MAX) {
                Ok(()) => self.events.push_back(row),
                Err(why) => bad.push((row, why)),
            }
        }
        bad
    }

    fn choose(&mut self, now: Instant) -> Option<Packet> {
        if self.online_due {
            self.online_due = false;
            return Some(self.presence(self.session.online.clone(), Sent::Online));
        }
        if self.offline_due {
            self.offline_due = false;
            return Some(self.presence(self.session.offline.clone(), Sent::Offline));
        }
        if self.closing {
            return None;
        }
        if self.events_out < EVENTS_IN_FLIGHT
            && let Some(row) = self.oldest()
        {
            return Some(self.event(row));
        }
        if self.others_out >= OTHERS_IN_FLIGHT {
            return None;
        }
        if let Some((topic, payload)) = self.replies.pop_front() {
            return Some(Packet { topic, payload, confirmed: true, retain: false, sent: Sent::Reply });
        }
        if self.last_due && self.last_at.is_none_or(|at| at + LAST_EVERY <= now) {
            self.last_due = false;
            if let Some(newest) = &self.newest {
                self.last_at = Some(now);
                let payload = (self.session.last)(&newest.log, newest.seq, newest.t_ms);
                return Some(Packet::retained(self.session.last_topic.clone(), payload, Sent::Last));
            }
        }
        while let Some(index) = self.pages_due.pop_front() {
            if let Some((topic, payload)) = self.session.catalogue.get(index).filter(|(_, payload)| !payload.is_empty())
            {
                return Some(Packet::retained(topic.clone(), payload.to_vec(), Sent::Page(index)));
            }
        }
        while let Some(topic) = self.latest_due.pop_front() {
            if let Some(state) = self.latest.get_mut(&topic) {
                state.queued = false;
                let sent = Sent::Latest { topic: topic.clone(), version: state.version };
                return Some(Packet::retained(topic, state.payload.to_vec(), sent));
            }
        }
        while let Some(topic) = self.points_due.pop_front() {
            if let Some(payload) = self.points.remove(&topic) {
                return Some(Packet { topic, payload, confirmed: false, retain: true, sent: Sent::Point });
            }
        }
        let (topic, payload, id) = self.frames.next()?;
        let sent = Sent::Frame(payload.len(), id);
        Some(Packet { topic, payload, confirmed: true, retain: false, sent })
    }

    /// Takes the oldest event that may go. A log that began in memory goes on in the store when the disk is back: what still
    /// waits of its beginning goes first.
    fn oldest(&mut self) -> Option<OutboxRow> {
        let stored = self.events.front().filter(|_| self.released);
        match (stored, self.volatile.front()) {
            (Some(stored), Some(volatile)) if volatile.id < stored.id => self.volatile.pop_front(),
            (Some(_), _) => self.events.pop_front(),
            (None, _) => self.volatile.pop_front(),
        }
    }

    fn presence(&self, payload: Vec<u8>, sent: Sent) -> Packet {
        Packet::retained(self.session.presence_topic.clone(), payload, sent)
    }

    fn event(&mut self, row: OutboxRow) -> Packet {
        let topic = row.announce.clone().unwrap_or_else(|| self.session.event_topic.clone());
        let packet =
            Packet { topic, payload: row.payload.clone(), confirmed: true, retain: false, sent: Sent::Event(row.id) };
        self.unconfirmed.insert(row.id, row);
        packet
    }
}

#[cfg(test)]
mod tests;
