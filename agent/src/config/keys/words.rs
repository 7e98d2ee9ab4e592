//! The words that some keys of the configuration take, as they are written.
//!
//! Never panics.

/// Layouts of a raw value, as `as` names them.
pub const LAYOUTS: &[&str] = &[
    "i16",
    "u16",
    "i32",
    "u32",
    "i48",
    "u48",
    "i64",
    "u64",
    "f32",
    "f64",
    "bit",
    "bits",
    "enum",
    "bcd",
    "modulo10000",
    "text_number",
    "counter",
];
/// Who acknowledges alarms.
pub const ACKNOWLEDGE: &[&str] = &["here", "elsewhere", "both"];
/// How commands prove whose they are.
pub const COMMANDS: &[&str] = &["off", "signed", "topic"];
/// Priorities of an alarm, most urgent first.
pub const PRIORITIES: &[&str] = &["critical", "high", "medium", "low"];
/// What is at stake while an alarm stands.
pub const IMPACTS: &[&str] = &["load_at_risk", "redundancy_lost", "degraded", "none"];
/// Order of registers or bytes.
pub const ORDERS: &[&str] = &["big", "little"];
/// Parities of a serial line.
pub const PARITIES: &[&str] = &["none", "even", "odd"];
/// Modes of the module.
pub const MODES: &[&str] = &["live", "test", "maintenance", "simulated"];
