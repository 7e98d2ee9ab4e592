//! The latest reading of one point by its name: topic `point/<path>`, retained, for receivers that want no frames.
//!
//! The value is in the point's unit, `null` when there is none to believe. Published on change, at most once a second, at
//! least once a minute. Never panics.

use alloc::string::String;

use serde::{Deserialize, Serialize};

use crate::alarm_words::Mode;
use crate::decimal::Decimal;
use crate::status::Status;
use crate::vocabulary::Word;

/// Payload of `point/<path>`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct PointValue {
    /// When it was read: milliseconds since the Unix epoch, UTC.
    pub t: i64,
    /// The value; `null` when the reading is bad.
    pub value: Option<Decimal>,
    /// Its unit, a UCUM code.
    pub unit: String,
    /// How far it may be believed: an OPC UA status number, 0 is good.
    pub quality: Status,
    /// Whether it concerns a live module.
    pub mode: Word<Mode>,
}
