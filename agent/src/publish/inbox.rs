//! What waits to be published, and what goes next.
//!
//! Pure: no sockets and no clock; times come in as monotonic instants. It knows delivery classes, not what payloads
//! mean. Every queue has its bound and its rule: events beyond [`EVENTS_HELD`] stay on disk and are read from there,
//! latest states are one a topic, points are coalesced, frames drop the oldest. Never panics.
//!
//! Order: presence opens a connection; then events, `event/last`, catalogue, alarms, points, frames. Of the window of
//! unconfirmed packets, events may take [`EVENTS_IN_FLIGHT`] and everything else [`OTHERS_IN_FLIGHT`]: neither can
//! starve the other.

use std::collections::{BTreeMap, HashMap, VecDeque};
use std::time::{Duration, Instant};

use super::{HandInError, Session};
use crate::store::{EVENT_MAX_BYTES, OutboxRow};

/// Unconfirmed packets at one time, far below the library's 1023 packet ids, so that no id is met twice.
pub(super) const IN_FLIGHT: usize = 100;
/// Of these, events at most.
const EVENTS_IN_FLIGHT: usize = 90;
/// Of these, everything else at most: half of the window is kept for events.
const OTHERS_IN_FLIGHT: usize = 50;
/// Events held in memory; more stay on disk until there is room.
const EVENTS_HELD: usize = 2048;
/// Fewer events in memory than this: the next page is read from disk.
const EVENTS_LOW: usize = 256;
/// Events of one page.
pub(super) const PAGE_ROWS: u32 = 512;
/// Live frames that wait; history has the rest.
const FRAMES_HELD: usize = 16;
/// Largest payload of frames, catalogue pages and latest states, bytes.
pub(super) const PACKET_MAX_BYTES: usize = 64 * 1024;
/// `event/last` at most this often.
const LAST_EVERY: Duration = Duration::from_secs(1);
/// Short connections in a row, each with presence confirmed and something in flight, before packets go one by one.
const SUSPICION: u8 = 3;
/// How often a packet may be the only one in flight when the broker drops the connection, before it is set aside.
const STRIKES: u8 = 3;
/// Confirmations one by one after which the suspicion was unfounded.
const CLEARED_AFTER: u32 = 100;

/// What a packet is, so that its confirmation finds its way.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub(super) enum Sent {
    Event(u64),
    Last,
    Online,
    Offline,
    Page(usize),
    Latest { topic: String, version: u64 },
    Point,
    /// With its size, so that a refusal tells what the broker does not take.
    Frame(usize),
}

impl std::fmt::Display for Sent {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Event(row) => write!(f, "outbox row {row}"),
            Self::Last => f.write_str("the number of the last event"),
            Self::Online | Self::Offline => f.write_str("presence"),
            Self::Page(index) => write!(f, "catalogue page {index}"),
            Self::Latest { topic, .. } => f.write_str(topic),
            Self::Point => f.write_str("a point"),
            Self::Frame(bytes) => write!(f, "frames of {bytes} bytes and more"),
        }
    }
}

/// One packet to hand to the connection.
#[derive(Debug)]
pub(super) struct Packet {
    /// Below the base.
    pub(super) topic: String,
    pub(super) payload: Vec<u8>,
    /// QoS 1, otherwise 0.
    pub(super) confirmed: bool,
    pub(super) retain: bool,
    pub(super) sent: Sent,
}

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
    payload: Vec<u8>,
    version: u64,
    queued: bool,
}

#[derive(Debug)]
pub(super) struct Inbox {
    pub(super) session: Session,
    /// To be sent, in the order of the outbox.
    events: VecDeque<OutboxRow>,
    /// Handed to the present connection and not confirmed.
    unconfirmed: BTreeMap<u64, OutboxRow>,
    /// Highest row taken into memory.
    cursor: u64,
    /// Rows after `cursor` may lie on disk.
    behind: bool,
    fetching: bool,
    /// Events wait until the core has judged what the broker remembers.
    pub(super) released: bool,
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
    frames: VecDeque<(String, Vec<u8>)>,
    /// Largest frame the broker takes, as far as known.
    frame_limit: usize,
    pub(super) frames_dropped: u64,
    pub(super) events_confirmed: u64,
    events_out: usize,
    others_out: usize,
    /// The last word was said: nothing more goes out.
    closing: bool,
    short_ends: u8,
    /// One packet at a time, to find the one the broker refuses; counts confirmations.
    one_by_one: Option<u32>,
    strikes: HashMap<Sent, u8>,
}

impl Inbox {
    pub(super) fn new(session: Session) -> Self {
        Self {
            session,
            events: VecDeque::new(),
            unconfirmed: BTreeMap::new(),
            cursor: 0,
            behind: true,
            fetching: false,
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
            frames: VecDeque::new(),
            frame_limit: PACKET_MAX_BYTES,
            frames_dropped: 0,
            events_confirmed: 0,
            events_out: 0,
            others_out: 0,
            closing: false,
            short_ends: 0,
            one_by_one: None,
            strikes: HashMap::new(),
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

    /// A page read from disk; `full` says that there may be more. Returns rows that can never be published.
    pub(super) fn fetched(&mut self, rows: Vec<OutboxRow>, full: bool) -> Vec<(OutboxRow, HandInError)> {
        self.fetching = false;
        self.behind = full;
        self.take_rows(rows)
    }

    pub(super) fn fetch_failed(&mut self) {
        self.fetching = false;
    }

    /// After which row a page is to be read now, if one is.
    pub(super) fn fetch_after(&mut self) -> Option<u64> {
        if !self.behind || self.fetching || self.events.len() >= EVENTS_LOW {
            return None;
        }
        self.fetching = true;
        Some(self.cursor)
    }

    /// The latest state of a retained topic; an empty payload clears it.
    pub(super) fn set_latest(&mut self, topic: String, payload: Vec<u8>) -> Result<(), HandInError> {
        fits(&topic, &payload, PACKET_MAX_BYTES)?;
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
        fits(&topic, &payload, PACKET_MAX_BYTES)?;
        if self.points.insert(topic.clone(), payload).is_none() {
            self.points_due.push_back(topic);
        }
        Ok(())
    }

    /// A live frame; when too many wait the oldest is dropped and counted.
    pub(super) fn push_frame(&mut self, topic: String, payload: Vec<u8>) -> Result<(), HandInError> {
        fits(&topic, &payload, self.frame_limit)?;
        if self.frames.len() >= FRAMES_HELD {
            self.frames.pop_front();
            self.frames_dropped += 1;
        }
        self.frames.push_back((topic, payload));
        Ok(())
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
            self.events.push_front(row);
        }
        self.events_out = 0;
        self.others_out = 0;
        self.offline_due = false;
    }

    /// The last word before a clean end.
    pub(super) fn say_offline(&mut self) {
        self.offline_due = true;
        self.closing = true;
    }

    /// Whether an event waits in memory or on disk, or is unconfirmed.
    pub(super) fn events_wait(&self) -> bool {
        self.behind || !self.events.is_empty() || !self.unconfirmed.is_empty()
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
        let window = if self.one_by_one.is_some() { 1 } else { IN_FLIGHT };
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
                | Sent::Frame(_) => self.others_out += 1,
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
        self.strikes.remove(sent);
        self.one_by_one = self.one_by_one.map(|count| count + 1).filter(|count| *count < CLEARED_AFTER);
        match sent {
            Sent::Event(id) => Confirmed::Row(*id),
            Sent::Latest { topic, version } => {
                let cleared = self
                    .latest
                    .get(topic)
                    .is_some_and(|state| state.version == *version && state.payload.is_empty());
                if cleared {
                    self.latest.remove(topic);
                    return Confirmed::Cleared(topic.clone());
                }
                Confirmed::Nothing
            }
            Sent::Last | Sent::Online | Sent::Offline | Sent::Page(_) | Sent::Point | Sent::Frame(_) => Confirmed::Nothing,
        }
    }

    /// The broker dropped a connection on which it had confirmed presence, soon after it was made, with these packets
    /// in flight. Returns the one it is found to refuse.
    ///
    /// A broker that merely restarts is not suspected: only a packet that was alone in flight [`STRIKES`] times, with
    /// nothing else wrong, is given up.
    pub(super) fn dropped_soon(&mut self, in_flight: &[Sent]) -> Option<Sent> {
        self.short_ends = self.short_ends.saturating_add(1);
        if self.one_by_one.is_none() {
            if self.short_ends >= SUSPICION {
                self.one_by_one = Some(0);
            }
            return None;
        }
        let [alone] = in_flight else { return None };
        let key = if let Sent::Frame(_) = alone { Sent::Frame(0) } else { alone.clone() };
        let strikes = self.strikes.entry(key).or_insert(0);
        *strikes = strikes.saturating_add(1);
        if *strikes < STRIKES {
            return None;
        }
        self.unsuspect();
        Some(alone.clone())
    }

    /// The connection held, or ended for a reason of its own: no packet is suspected.
    pub(super) fn unsuspect(&mut self) {
        self.short_ends = 0;
        self.one_by_one = None;
        self.strikes.clear();
    }

    /// Takes a refused packet out, so that it no longer blocks the rest; returns the outbox row if it was one.
    pub(super) fn set_aside(&mut self, sent: &Sent) -> Option<OutboxRow> {
        match sent {
            Sent::Event(id) => {
                let at = self.events.iter().position(|row| row.id == *id)?;
                self.events.remove(at)
            }
            Sent::Latest { topic, version } => {
                if self.latest.get(topic).is_some_and(|state| state.version == *version) {
                    self.latest.remove(topic);
                }
                None
            }
            Sent::Page(index) => {
                if let Some(page) = self.session.catalogue.get_mut(*index) {
                    page.1.clear();
                }
                None
            }
            Sent::Frame(bytes) => {
                self.frame_limit = bytes.saturating_sub(1);
                self.frames.retain(|(_, payload)| payload.len() < *bytes);
                None
            }
            Sent::Last | Sent::Online | Sent::Offline | Sent::Point => None,
        }
    }

    fn take_rows(&mut self, rows: Vec<OutboxRow>) -> Vec<(OutboxRow, HandInError)> {
        let mut bad = Vec::new();
        for row in rows {
            if row.id <= self.cursor {
                continue;
            }
            self.cursor = row.id;
            // The store checks sizes, but the file may come from elsewhere.
            match fits(row.announce.as_deref().unwrap_or("event"), &row.payload, EVENT_MAX_BYTES) {
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
        if self.released && self.events_out < EVENTS_IN_FLIGHT && let Some(row) = self.events.pop_front() {
            return Some(self.event(row));
        }
        if self.others_out >= OTHERS_IN_FLIGHT {
            return None;
        }
        if self.last_due && self.last_at.is_none_or(|at| at + LAST_EVERY <= now) {
            self.last_due = false;
            if let Some(newest) = &self.newest {
                self.last_at = Some(now);
                let payload = (self.session.last)(&newest.log, newest.seq, newest.t_ms);
                return Some(retained(self.session.last_topic.clone(), payload, Sent::Last));
            }
        }
        while let Some(index) = self.pages_due.pop_front() {
            if let Some((topic, payload)) = self.session.catalogue.get(index).filter(|(_, payload)| !payload.is_empty()) {
                return Some(retained(topic.clone(), payload.clone(), Sent::Page(index)));
            }
        }
        while let Some(topic) = self.latest_due.pop_front() {
            if let Some(state) = self.latest.get_mut(&topic) {
                state.queued = false;
                let sent = Sent::Latest { topic: topic.clone(), version: state.version };
                return Some(retained(topic, state.payload.clone(), sent));
            }
        }
        while let Some(topic) = self.points_due.pop_front() {
            if let Some(payload) = self.points.remove(&topic) {
                return Some(Packet { topic, payload, confirmed: false, retain: true, sent: Sent::Point });
            }
        }
        let (topic, payload) = self.frames.pop_front()?;
        let sent = Sent::Frame(payload.len());
        Some(Packet { topic, payload, confirmed: true, retain: false, sent })
    }

    fn presence(&self, payload: Vec<u8>, sent: Sent) -> Packet {
        retained(self.session.presence_topic.clone(), payload, sent)
    }

    fn event(&mut self, row: OutboxRow) -> Packet {
        let topic = row.announce.clone().unwrap_or_else(|| self.session.event_topic.clone());
        let packet = Packet {
            topic,
            payload: row.payload.clone(),
            confirmed: true,
            retain: false,
            sent: Sent::Event(row.id),
        };
        self.unconfirmed.insert(row.id, row);
        packet
    }
}

/// Whether a packet may be handed in at all.
pub(super) fn fits(topic: &str, payload: &[u8], limit: usize) -> Result<(), HandInError> {
    // MQTT 3.1.1 §4.7.1.1, §4.7.3: no wildcards, no NUL, not empty.
    if topic.is_empty() || topic.len() > 1024 || topic.contains(['+', '#', '\0']) {
        return Err(HandInError::Topic { topic: topic.to_owned() });
    }
    if payload.len() > limit {
        return Err(HandInError::TooLarge { topic: topic.to_owned(), bytes: payload.len(), limit });
    }
    Ok(())
}

fn retained(topic: String, payload: Vec<u8>, sent: Sent) -> Packet {
    Packet { topic, payload, confirmed: true, retain: true, sent }
}
