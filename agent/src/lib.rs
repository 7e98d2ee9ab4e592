//! The daemon: everything that touches the world. The binary is a thin door to `cli`.
//!
//! The data walks one way: `field` (bytes → raw values) → the engine crate (→ readings, derived points, transitions) →
//! `core` (numbers them) → `store` (events on disk first) → `publish`. `config` makes the one checked `plan` that every
//! room reads; `service` starts the rooms in order; `witness`
//! is what an engineer proves on site; `notify` tells people directly; `late` sends again what the broker missed, `export` writes history for others,
//! `replay` judges it by other settings. Only operator commands come back, from `page` and `command`, through `core`.

pub mod cause;
pub mod cli;
pub mod command;
pub mod compute;
pub mod config;
pub mod core;
pub mod export;
pub mod field;
pub mod late;
mod memory;
#[cfg(feature = "notify")]
pub mod notify;
pub mod page;
pub mod plan;
pub mod publish;
pub mod replay;
pub mod review;
pub mod service;
pub mod store;
mod tls;
pub mod witness;
pub mod words;
