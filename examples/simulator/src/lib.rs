//! Saltmarsh M1: an invented data-centre module as a dynamic model behind real field protocols.
//!
//! `model` is the physics, `cards` is what each device shows of it, `scenario` is what goes wrong and when, `plant`
//! steps the three together, `bank` stands between the plant and the protocol servers in `serve`, `runtime` runs it all
//! in real time, `saltmarsh` is the demo's configuration. All numbers are invented and consistent with each other. Read
//! `plant` first.

pub mod bank;
pub mod cards;
pub mod model;
pub mod plant;
pub mod runtime;
pub mod saltmarsh;
pub mod scenario;
pub mod serve;

pub use plant::{FaultNote, Plant};
pub use scenario::Scenario;
