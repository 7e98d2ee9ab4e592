//! Tests to come.
