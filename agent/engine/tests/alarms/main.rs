//! The alarm life-cycle from outside the engine: every cell of a written table and a model written independently
//! in another language.

mod lifecycle;
mod model;
mod plant;
