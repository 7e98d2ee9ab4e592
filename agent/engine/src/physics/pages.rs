//! The pages of the families: formula, symbols, range, source, uncertainty and worked examples of every function.
//!
//! Plain text as it stands beside each family's code, for whoever shows it to people; the examples are run by a test. A
//! firmware that names none of them carries none of them. Never panics.

/// One page a family. A section begins with `## ` and the names of its functions, with commas.
pub const PAGES: [&str; 14] = [
    include_str!("air.md"),
    include_str!("water.md"),
    include_str!("coil.md"),
    include_str!("cooling.md"),
    include_str!("balance.md"),
    include_str!("fan.md"),
    include_str!("power.md"),
    include_str!("distribution.md"),
    include_str!("battery.md"),
    include_str!("ride_through.md"),
    include_str!("efficiency.md"),
    include_str!("envelope.md"),
    include_str!("trend.md"),
    include_str!("signal.md"),
];
