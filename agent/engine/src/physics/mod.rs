//! What follows: engineering functions that turn readings into derived points.
//!
//! Pure functions in f64 through `libm`, so that every target computes the same bytes; the caller quantises. Each
//! names its source. No number is an answer by name, never NaN. They know no reading, no quality, no time of day.
//! Never panic.

pub mod air;
pub mod air_class;
pub mod balance;
pub mod battery;
pub mod capacity;
pub mod coil;
pub mod condensation;
pub mod countdown;
pub mod efficiency;
pub mod energy_period;
pub mod envelope;
pub mod failover;
pub mod fan;
pub mod fan_wall;
pub mod fit;
pub mod forecast;
pub mod glycol;
pub mod heat;
pub mod moist_air;
pub mod pages;
#[cfg(test)]
mod practice;
pub mod ride_through;
pub mod serial_line;
pub mod settled;
pub mod signal;
pub mod storage;
pub mod surface;
pub mod three_phase;
pub mod ups;
pub mod water;

use core::fmt;

/// 0 °C in K (ITS-90).
const KELVIN: f64 = 273.15;

/// Why a function has no number to give.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum NoNumber {
    /// An input lies where the formula does not hold.
    #[error("{input} must be {needs}")]
    DomainError {
        /// Name of the input.
        input: &'static str,
        /// Where it must lie.
        needs: Needs,
    },
    /// The quantity has no meaning for these inputs (nothing divided by nothing).
    #[error("{0}")]
    Undefined(&'static str),
    /// It never happens (a limit that is never reached).
    #[error("{0}")]
    None(&'static str),
    /// What it needs is not there.
    #[error("{0}")]
    NotAvailable(&'static str),
}

/// Where an input must lie.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Needs {
    /// From one number to another, both included.
    Between(f64, f64),
    /// Above zero and finite.
    Positive,
    /// Zero or above, and finite.
    NotNegative,
    /// Finite, and so that the answer is.
    Finite,
    /// As the words say.
    This(&'static str),
}

impl fmt::Display for Needs {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Between(low, high) => write!(f, "from {low} to {high}"),
            Self::Positive => f.write_str("positive"),
            Self::NotNegative => f.write_str("zero or positive"),
            Self::Finite => f.write_str("finite, and small enough for a finite answer"),
            Self::This(words) => f.write_str(words),
        }
    }
}

impl NoNumber {
    /// The word that stands in place of the number.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::DomainError { .. } => "domain_error",
            Self::Undefined(_) => "undefined",
            Self::None(_) => "none",
            Self::NotAvailable(_) => "not_available",
        }
    }

    /// The input that lies where the formula does not hold.
    #[must_use]
    pub const fn input(self) -> Option<&'static str> {
        match self {
            Self::DomainError { input, .. } => Some(input),
            Self::Undefined(_) | Self::None(_) | Self::NotAvailable(_) => None,
        }
    }

    /// The same of a function that calls this input by another name.
    fn renamed(self, from: &str, to: &'static str) -> Self {
        match self {
            Self::DomainError { input, needs } if input == from => Self::DomainError { input: to, needs },
            other => other,
        }
    }
}

const fn outside(input: &'static str, needs: &'static str) -> NoNumber {
    NoNumber::DomainError { input, needs: Needs::This(needs) }
}

/// The input itself if it lies in the range; NaN lies in none.
fn within(input: &'static str, value: f64, low: f64, high: f64) -> Result<f64, NoNumber> {
    if value >= low && value <= high {
        Ok(value)
    } else {
        Err(NoNumber::DomainError { input, needs: Needs::Between(low, high) })
    }
}

/// The input itself if it is a positive finite number.
fn positive(input: &'static str, value: f64) -> Result<f64, NoNumber> {
    if value > 0.0 && value.is_finite() {
        Ok(value)
    } else {
        Err(NoNumber::DomainError { input, needs: Needs::Positive })
    }
}

/// The input itself if it is finite and not negative.
fn not_negative(input: &'static str, value: f64) -> Result<f64, NoNumber> {
    if value >= 0.0 && value.is_finite() {
        Ok(value)
    } else {
        Err(NoNumber::DomainError { input, needs: Needs::NotNegative })
    }
}

/// The number itself unless it is NaN or infinite.
fn finite(input: &'static str, value: f64) -> Result<f64, NoNumber> {
    if value.is_finite() { Ok(value) } else { Err(NoNumber::DomainError { input, needs: Needs::Finite }) }
}

#[cfg(test)]
mod checks {
    //! How the rows of published checks are compared.

    use super::NoNumber;

    #[track_caller]
    pub(super) fn relative(row: &str, got: Result<f64, NoNumber>, expected: f64, tolerance: f64) {
        let value = got.unwrap_or_else(|error| panic!("{row}: {error}"));
        assert!((value - expected).abs() <= tolerance * expected.abs(), "{row}: {value}, expected {expected}");
    }

    #[track_caller]
    pub(super) fn absolute(row: &str, got: Result<f64, NoNumber>, expected: f64, tolerance: f64) {
        let value = got.unwrap_or_else(|error| panic!("{row}: {error}"));
        assert!((value - expected).abs() <= tolerance, "{row}: {value}, expected {expected}");
    }
}
