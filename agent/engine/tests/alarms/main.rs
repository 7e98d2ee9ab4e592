//! The alarm life-cycle from outside the engine: every cell of a written table, a model written independently in another
//! language, and the list of what the standards ask with the test that shows it.

mod conformance;
mod lifecycle;
mod model;
mod plant;
