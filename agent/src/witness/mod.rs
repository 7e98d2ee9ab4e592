//! What an engineer proves on site, and the papers that say so.
//!
//! `checkout` compares every point with what a person sees at the sensor. This room reads the field through `field` like
//! everybody else and decides no alarm.

pub mod checkout;
