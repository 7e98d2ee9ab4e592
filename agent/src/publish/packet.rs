//! One packet on its way: what it is, where it goes, whether it may go at all.
//!
//! Knows topics and sizes, not what payloads mean. Bounds are the contract's, in bytes of payload. No time; never
//! panics. Read first: MQTT 3.1.1 §4.7 on topic names.

use super::HandInError;
use super::said::FrameId;

/// What a packet is, so that its confirmation finds its way.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub(super) enum Sent {
    /// An outbox row, by its id.
    Event(u64),
    Last,
    Online,
    Offline,
    /// A catalogue page, by its place in the session.
    Page(usize),
    /// The latest state of a retained topic.
    Latest {
        topic: String,
        version: u64,
    },
    Point,
    /// The answer to a command; lost with its connection.
    Reply,
    /// With its size, so that a refusal tells what the broker does not take.
    Frame(usize, FrameId),
}

impl std::fmt::Display for Sent {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Event(row) => write!(f, "outbox row {row}"),
            Self::Last => f.write_str("the number of the last event"),
            Self::Online | Self::Offline => f.write_str("presence"),
            Self::Page(index) => write!(f, "catalogue page {}", index + 1),
            Self::Latest { topic, .. } => f.write_str(topic),
            Self::Point => f.write_str("a point"),
            Self::Reply => f.write_str("the answer to a command"),
            Self::Frame(bytes, _) => write!(f, "frames of {bytes} bytes and more"),
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

impl Packet {
    /// Retained, QoS 1.
    pub(super) fn retained(topic: String, payload: Vec<u8>, sent: Sent) -> Self {
        Self { topic, payload, confirmed: true, retain: true, sent }
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
