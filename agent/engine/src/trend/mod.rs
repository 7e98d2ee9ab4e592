//! Where it goes: rates of change over moving windows.

pub mod extremes;
pub mod slope;
