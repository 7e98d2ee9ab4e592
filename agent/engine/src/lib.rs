//! What readings mean: which to believe, where they go, and when a person must know.
//!
//! The engine is pure: it never reads a clock, does no I/O and allocates nothing. The caller lends it the plan's tables
//! and its state, passes the time in, and receives effects through a closure. The same code runs in the agent and on a
//! microcontroller. Read `spec` first, then `engine`.

#![no_std]
#![forbid(unsafe_code)]
#![deny(missing_docs)]
#![deny(clippy::std_instead_of_core, clippy::std_instead_of_alloc, clippy::alloc_instead_of_core)]

pub mod spec;
