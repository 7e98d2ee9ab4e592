//! Point-to-point checkout: is what the agent reads what the sensor shows?
//!
//! The chosen points are polled as always (`field`), nothing else is. For each point a person sees raw registers, value,
//! quality, latency and refresh (`board`), says what the sensor should read (`entry`), and the comparison is recorded
//! (`record`) so that work can stop and go on; `answers` are expected values from a file; `suggest` says what mistake of the map would explain a wrong value;
//! `sheet` writes the sign-off sheet; `publish` tells the broker under mode `test`. Derived points have no registers and
//! are not part of it. The dialogue itself is `cli::checkout`. Nothing here panics on what devices or files say.

pub mod answers;
pub mod board;
pub mod entry;
pub mod publish;
pub mod record;
pub mod select;
pub mod sheet;
pub mod suggest;
