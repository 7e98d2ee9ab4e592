//! Links to the field.

pub mod planner;
