//! Say so? Conditions, delays, the ISA-18.2 life-cycle, and what hides an alarm.
//!
//! Holds the pure rules of one alarm, and in `group` which alarms follow from which; which alarms exist and when they
//! are looked at is `engine`'s work.

pub mod condition;
pub mod group;
pub mod hide;
pub mod life;
pub mod load;
pub mod process;
