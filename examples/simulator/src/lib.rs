//! Saltmarsh M1: an invented data-centre module as a dynamic model behind real field protocols.
pub mod bank;
pub mod runtime;
pub mod serve;
