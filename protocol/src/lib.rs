//! What Lapwing says: points, units, readings, quality, alarms, events, frames, catalogue, presence and topics.
//!
//! One serde definition of each message serves JSON, deterministic CBOR (RFC 8949 §4.2) and JSON Schema. The crate is
//! `no_std`; without the `alloc` feature only the fixed vocabulary remains, which is what the engine needs on a
//! microcontroller. It decides nothing and never reads a clock.
//!
//! A subscriber reads whatever a topic brings, in either encoding:
//!
//! ```
//! # #[cfg(feature = "alloc")] {
//! use lapwing_protocol::{Frame, Topic, Topics, decode};
//!
//! let (topic, payload) = ("lapwing/saltmarsh/m1/frame", br#"{"log":"a3f0","boot":1,"seq":7,"t":1764000005000,
//!     "catalogue":"0123456789abcdef","runs":[[10,2,0]],"values":[214,null],"bad":[[1,2156658688]]}"#);
//! if let Some((module, Topic::Frame)) = Topics::split(topic) {
//!     let frame: Frame = decode(payload).expect("a frame");
//!     for reading in frame.readings() {
//!         println!("{} point {}: {:?}, {}", module.module(), reading.id, reading.value, reading.status.words());
//!     }
//!     assert_eq!(frame.readings().filter(|reading| reading.status.is_good()).count(), 1);
//! }
//! # }
//! ```

#![no_std]
#![forbid(unsafe_code)]
#![deny(missing_docs)]
#![deny(clippy::std_instead_of_core, clippy::std_instead_of_alloc)]

#[cfg(any(feature = "alloc", test))]
extern crate alloc;

pub mod alarm_words;
pub mod decimal;
pub mod path;
pub mod quantity;
pub mod status;
pub mod unit;
pub mod vocabulary;

#[cfg(feature = "alloc")]
pub mod alarm;
#[cfg(feature = "alloc")]
pub mod catalogue;
#[cfg(feature = "alloc")]
pub mod cbor;
#[cfg(feature = "alloc")]
pub mod command;
#[cfg(feature = "alloc")]
pub mod encoding;
#[cfg(feature = "alloc")]
pub mod event;
#[cfg(feature = "alloc")]
pub mod event_last;
#[cfg(feature = "alloc")]
mod fit;
#[cfg(feature = "alloc")]
pub mod frame;
#[cfg(feature = "alloc")]
pub mod notification;
#[cfg(feature = "alloc")]
pub mod point_value;
#[cfg(feature = "alloc")]
pub mod presence;
#[cfg(feature = "schema")]
pub mod schema;
#[cfg(feature = "alloc")]
pub mod text;
#[cfg(feature = "alloc")]
pub mod topic;

#[cfg(all(test, feature = "alloc"))]
mod samples;
#[cfg(all(test, feature = "alloc"))]
mod wire;

pub use alarm_words::{ConditionKind, Hiding, Impact, Mode, Priority, ShownState};
pub use decimal::{Decimal, DecimalError};
pub use path::NameError;
pub use quantity::Quantity;
pub use status::{Quality, Status};
pub use unit::{Dimension, Unit, UnitError};
pub use vocabulary::Vocabulary;

#[cfg(feature = "alloc")]
pub use alarm::AlarmRecord;
#[cfg(feature = "alloc")]
pub use catalogue::{CataloguePage, CataloguePoint};
#[cfg(feature = "alloc")]
pub use command::{COMMAND_MAX, Command, CommandAction, CommandReply};
#[cfg(feature = "alloc")]
pub use encoding::{EVENT_MAX, Encoding, EncodingError, FRAME_MAX, SCHEMA, decode};
#[cfg(feature = "alloc")]
pub use event::{
    AgentChange, AlarmChange, Changes, ClockChange, ConfigChange, Detail, DeviceChange, Event, LinkChange,
    OperatorAction, StoreChange,
};
#[cfg(feature = "alloc")]
pub use event_last::EventLast;
#[cfg(feature = "alloc")]
pub use frame::{Frame, FrameBuilder, FrameError, FrameReading, Run};
#[cfg(feature = "alloc")]
pub use notification::Notification;
#[cfg(feature = "alloc")]
pub use point_value::PointValue;
#[cfg(feature = "alloc")]
pub use presence::{Presence, PresenceState};
#[cfg(feature = "alloc")]
pub use topic::{Topic, Topics};
#[cfg(feature = "alloc")]
pub use vocabulary::Word;
