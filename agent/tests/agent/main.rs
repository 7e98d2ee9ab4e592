//! The whole agent inside the test's process: what people do to it, what it tells, and in which language.

mod confirm;
mod language;
mod operator;
mod rig;
