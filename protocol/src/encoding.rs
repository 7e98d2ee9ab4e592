//! How a message becomes bytes: JSON text or deterministic CBOR, from the same serde definition.
//!
//! The first byte tells them apart: every message is a JSON object (`{`, 0x7B) or a CBOR map (0xA0–0xBF). Sizes that a
//! packet must keep are here, in bytes of payload; each leaves room for the topic and MQTT's own header, so that the
//! whole packet keeps its bound. Knows no message. Never panics.

use alloc::vec::Vec;

use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::cbor::{self, CborError};

/// Version of the contract, in everything that starts something.
pub const SCHEMA: u32 = 1;
/// Room kept in each packet for topic (at most 227 bytes), packet id and header.
const PACKET_ROOM: usize = 256;
/// Largest payload of an event or an alarm's state: a packet of 4 KiB.
pub const EVENT_MAX: usize = 4 * 1024 - PACKET_ROOM;
/// Largest payload of a frame or catalogue page: a packet of 64 KiB.
pub const FRAME_MAX: usize = 64 * 1024 - PACKET_ROOM;

/// JSON or CBOR.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Encoding {
    /// JSON text (RFC 8259).
    #[default]
    Json,
    /// CBOR, deterministic (RFC 8949 §4.2.1).
    Cbor,
}

/// Why bytes are no message, or a value cannot be written.
#[derive(Debug)]
pub enum EncodingError {
    /// Not the JSON of this message.
    Json(serde_json::Error),
    /// Not the CBOR of this message.
    Cbor(CborError),
    /// Neither a JSON object nor a CBOR map.
    Neither,
}

impl core::fmt::Display for EncodingError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::Json(error) => write!(f, "not this message in JSON: {error}"),
            Self::Cbor(error) => write!(f, "not this message in CBOR: {error}"),
            Self::Neither => f.write_str("neither a JSON object nor a CBOR map"),
        }
    }
}

impl core::error::Error for EncodingError {}

impl Encoding {
    /// The encoding of a payload, by its first byte.
    #[must_use]
    pub fn of(payload: &[u8]) -> Option<Self> {
        match payload.first()? {
            b'{' => Some(Self::Json),
            0xA0..=0xBF => Some(Self::Cbor),
            _ => None,
        }
    }

    /// A message as bytes.
    ///
    /// # Errors
    /// When the value itself cannot be written (a map with keys that are no text, a failing `Serialize`); none of this
    /// crate's messages is such.
    pub fn to_vec<T: Serialize + ?Sized>(self, message: &T) -> Result<Vec<u8>, EncodingError> {
        match self {
            Self::Json => serde_json::to_vec(message).map_err(EncodingError::Json),
            Self::Cbor => cbor::to_vec(message).map_err(EncodingError::Cbor),
        }
    }

    /// A message from bytes of this encoding.
    ///
    /// # Errors
    /// When the bytes are not that message.
    pub fn from_slice<T: DeserializeOwned>(self, payload: &[u8]) -> Result<T, EncodingError> {
        match self {
            Self::Json => serde_json::from_slice(payload).map_err(EncodingError::Json),
            Self::Cbor => cbor::from_slice(payload).map_err(EncodingError::Cbor),
        }
    }
}

/// A message from a payload of either encoding.
///
/// # Errors
/// When the bytes are not that message.
pub fn decode<T: DeserializeOwned>(payload: &[u8]) -> Result<T, EncodingError> {
    Encoding::of(payload).ok_or(EncodingError::Neither)?.from_slice(payload)
}
