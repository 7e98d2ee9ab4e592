//! What the core says to the publisher and hears from it: session, notices, states, refusals.
//!
//! Plain data; it decides only whether a session can be published. Topics are below the base unless they say otherwise,
//! stamps are milliseconds since the Unix epoch, instants monotonic. Never panics.

use std::sync::Arc;
use std::time::Instant;

use lapwing_protocol::FRAME_MAX;

use super::packet::fits;
use crate::cause::Cause;

/// What a connection says of the agent as a whole. A changed one connects anew: MQTT fixes the will at connect.
#[derive(Clone)]
pub struct Session {
    /// First segments of every topic, as `lapwing/saltmarsh/m1`.
    pub base: String,
    /// Topic of presence, below the base.
    pub presence_topic: String,
    /// Presence while connected.
    pub online: Vec<u8>,
    /// Presence as the will and at a clean end.
    pub offline: Vec<u8>,
    /// Catalogue pages: topic below the base, payload. Each connection holds them too.
    pub catalogue: Vec<(String, Arc<[u8]>)>,
    /// Topic of events, below the base.
    pub event_topic: String,
    /// Topic of what a subscriber should have, below the base.
    pub last_topic: String,
    /// Makes its payload from log, number and stamp.
    pub last: fn(log: &str, seq: u64, t_ms: i64) -> Vec<u8>,
    /// Makes what is sent in the place of an event that is damaged on disk.
    pub lost: Lost,
}

/// Makes the payload that stands for a damaged event, from log, number and stamp.
pub type Lost = Arc<dyn Fn(&str, u64, i64) -> Vec<u8> + Send + Sync>;

impl Session {
    /// Whether all of it can be published.
    pub(super) fn check(&self) -> Result<(), HandInError> {
        let presence = [&self.online, &self.offline].map(|payload| (&self.presence_topic, payload.as_slice()));
        let pages = self.catalogue.iter().map(|(topic, payload)| (topic, &**payload));
        presence
            .into_iter()
            .chain(pages)
            .try_for_each(|(topic, payload)| fits(&format!("{}/{topic}", self.base), payload, FRAME_MAX))
    }
}

impl std::fmt::Debug for Session {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Session")
            .field("base", &self.base)
            .field("pages", &self.catalogue.len())
            .finish_non_exhaustive()
    }
}

/// Which frame a packet is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct FrameId {
    /// Start of the agent it belongs to.
    pub start: u64,
    /// Its number.
    pub number: u64,
    /// It is sent again from history.
    pub late: bool,
}

/// Hears what becomes of frames: confirmed by the broker, or lost (`false`). Called while the publisher is locked: it
/// must be quick and must not call the publisher.
pub(super) struct Fates(pub(super) Box<dyn Fn(FrameId, bool) + Send>);

impl Default for Fates {
    fn default() -> Self {
        Self(Box::new(|_, _| ()))
    }
}

impl std::fmt::Debug for Fates {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Fates")
    }
}

/// Hears what is published to us: topic below the base, whether the broker had kept it, payload. Called on the runtime's
/// thread: it must be quick.
pub(super) type Hears = Arc<dyn Fn(String, bool, Vec<u8>) + Send + Sync>;

/// What the core should know. Told on the runtime's or the store's thread: the hearer must be quick and must not call
/// the publisher from there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Notice {
    /// First contact with the broker: what it remembers as the last event, if anything. Events are held until
    /// `Publisher::release`.
    Remembered(Option<Vec<u8>>),
    /// A connection stands.
    Connected,
    /// The connection was lost, or could not be made; said once until the next `Connected`, with the reason.
    Down(Cause),
    /// The broker does not let us hear commands: the filter it refused.
    Unheard(String),
    /// A packet the broker refuses was set aside; an event's row is out of the outbox and still in the event log.
    SetAside {
        /// Its topic or what it was.
        what: String,
        /// Why.
        why: Cause,
    },
}

/// Why a packet was not taken.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum HandInError {
    /// Larger than a packet may be.
    #[error("{topic} has a payload of {bytes} bytes, more than {limit}")]
    TooLarge {
        /// Topic.
        topic: String,
        /// Size.
        bytes: usize,
        /// Bound.
        limit: usize,
    },
    /// Damaged on disk.
    #[error("what was to be said on {topic} is damaged on disk: its checksum is wrong")]
    Damaged {
        /// Topic.
        topic: String,
    },
    /// Not a topic one can publish to.
    #[error("{topic:?} is not a topic: it is empty, too long, or has one of + # NUL")]
    Topic {
        /// Topic.
        topic: String,
    },
}

/// Whether the broker is there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Connection {
    /// Not yet tried.
    Starting,
    /// Connected since then.
    Up(Instant),
    /// Not connected since then, and why.
    Down(Instant, Cause),
}

/// How publishing is doing.
#[derive(Clone, Debug)]
pub struct PublishState {
    /// The connection.
    pub connection: Connection,
    /// Packets that wait for their acknowledgement.
    pub in_flight: usize,
    /// Events acknowledged since the start.
    pub events_confirmed: u64,
    /// Live frames dropped since the start.
    pub frames_dropped: u64,
    /// Stamp of the oldest unconfirmed event.
    pub oldest_unsent_t_ms: Option<i64>,
}
