//! Believe it? From what the field sent to a reading one may judge by.

pub mod decode;
pub mod validity;
