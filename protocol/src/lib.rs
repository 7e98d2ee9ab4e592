//! What Lapwing says: points, units, readings, quality, alarms, events, frames, catalogue, presence and topics.
//!
//! One serde definition of each message serves JSON, deterministic CBOR (RFC 8949 §4.2) and JSON Schema. The crate is
//! `no_std`; without the `alloc` feature only the fixed vocabulary remains, which is what the engine needs on a
//! microcontroller. It decides nothing and never reads a clock.

#![no_std]
#![forbid(unsafe_code)]
#![deny(missing_docs)]
#![deny(clippy::std_instead_of_core, clippy::std_instead_of_alloc)]

#[cfg(feature = "alloc")]
extern crate alloc;

pub mod alarm_words;
pub mod decimal;
pub mod status;

pub use alarm_words::{ConditionKind, Impact, Mode, Priority, ShownState};
pub use decimal::{Decimal, DecimalError};
pub use status::{Quality, Status};
