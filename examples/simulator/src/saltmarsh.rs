//! The demo module's configuration, part of the program so that the demo runs anywhere.
//!
//! Paths are relative to the configuration's directory. Text only; nothing is parsed here.

/// Every file of `examples/saltmarsh`: path and text, the module file first.
pub const FILES: [(&str, &str); 0] = [];
