//! What the end-to-end tests and the benchmarks share: starting processes, waiting for what they say, and the peers.
//!
//! Everything is a process of its own on loopback with a free port and a temporary directory, ended by its id when its
//! handle is dropped. Waiting is always for a line that was printed, with a deadline, never for luck. The helpers panic
//! with what they waited for and what came instead: here a panic is a failed test.

pub mod agent;
pub mod broker;
#[cfg(test)]
#[path = "../fuzz/src/lib.rs"]
pub mod decoders;
pub mod field;
pub mod frames;
pub mod hostile;
pub mod late;
pub mod lines;
pub mod modbus;
pub mod mount;
pub mod network;
pub mod place;
pub mod process;
pub mod proxy;
pub mod readings;
pub mod receivers;
pub mod saltmarsh;
pub mod snmp;
pub mod subscriber;
pub mod testbay;
pub mod virtually;
