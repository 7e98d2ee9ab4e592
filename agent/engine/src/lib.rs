//! What readings mean: which to believe, where they go, and when a person must know.
//!
//! The engine is pure: it never reads a clock, does no I/O and allocates nothing. The caller lends it the plan's tables
//! and its state, passes the time in, and receives effects through a closure. The same code runs in the agent and on a
//! microcontroller. Read `spec` first, then `engine`.

#![no_std]
#![forbid(unsafe_code)]
#![deny(missing_docs)]
#![deny(clippy::std_instead_of_core, clippy::std_instead_of_alloc, clippy::alloc_instead_of_core)]

pub mod alarm;
pub mod effect;
pub mod engine;
pub mod physics;
pub mod signal;
pub mod spec;
pub mod trend;

pub use alarm::hide::Hidden;
pub use alarm::life::{AlarmState, SavedAlarm};
pub use alarm::process::{Process, Refusal};
pub use effect::{Cause, Effect, Operation, Transition};
pub use engine::{Engine, SetupError};
pub use signal::validity::{PointState, Present, Reading};
pub use trend::slope::{Slope, Window};
