//! How far a reading may be believed, as OPC UA status numbers.
//!
//! A status is one 32-bit number whose two top bits say good, uncertain or bad and whose next bits say why
//! (OPC UA Part 4 §7.39, Part 8 §6.3). Numbers from outside that we have no name for survive unchanged and keep their
//! severity. Knows nothing of points or time. Never panics.

use serde::{Deserialize, Serialize};

/// Good, uncertain or bad: the two top bits of a status.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Quality {
    /// The value may be used.
    Good,
    /// The value may be near the truth; decide with care.
    Uncertain,
    /// There is no usable value.
    Bad,
}

/// OPC UA status number of a reading.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(transparent)]
pub struct Status(u32);

impl Status {
    /// Good.
    pub const GOOD: Self = Self(0);
    /// Uncertain, no reason given.
    pub const UNCERTAIN: Self = Self(0x4000_0000);
    /// The last usable value, now out of date.
    pub const UNCERTAIN_LAST_USABLE: Self = Self(0x4090_0000);
    /// A value set by hand or taken from elsewhere.
    pub const UNCERTAIN_SUBSTITUTE: Self = Self(0x4091_0000);
    /// A value that nothing has refreshed since the start.
    pub const UNCERTAIN_INITIAL: Self = Self(0x4092_0000);
    /// The sensor is at its limit or known to be inaccurate (number from memory).
    pub const UNCERTAIN_SENSOR_NOT_ACCURATE: Self = Self(0x4093_0000);
    /// Outside the range given for the quantity (number from memory).
    pub const UNCERTAIN_UNITS_EXCEEDED: Self = Self(0x4094_0000);
    /// From fewer sources than it should have (number from memory).
    pub const UNCERTAIN_SUB_NORMAL: Self = Self(0x4095_0000);
    /// Bad, no reason given.
    pub const BAD: Self = Self(0x8000_0000);
    /// The exchange with the device failed: garbled, wrong length, refused.
    pub const BAD_COMMUNICATION_ERROR: Self = Self(0x8005_0000);
    /// No answer: link or device silent.
    pub const BAD_NO_COMMUNICATION: Self = Self(0x8031_0000);
    /// Never read since the start (number from memory).
    pub const BAD_WAITING: Self = Self(0x8032_0000);
    /// Impossible with this value: outside what the type or the formula allows (number from memory).
    pub const BAD_OUT_OF_RANGE: Self = Self(0x803C_0000);
    /// Map or configuration does not fit the device.
    pub const BAD_CONFIGURATION_ERROR: Self = Self(0x8089_0000);
    /// The device says that nothing is connected there: the map's absent value.
    pub const BAD_NOT_CONNECTED: Self = Self(0x808A_0000);
    /// The device reports its own failure.
    pub const BAD_DEVICE_FAILURE: Self = Self(0x808B_0000);
    /// The sensor has failed: open, short, outside its valid range.
    pub const BAD_SENSOR_FAILURE: Self = Self(0x808C_0000);
    /// The device has no such thing, or does not give it (number from memory).
    pub const BAD_NOT_FOUND: Self = Self(0x803E_0000);
    /// Taken out of service by a person.
    pub const BAD_OUT_OF_SERVICE: Self = Self(0x808D_0000);

    /// A status from its number, named or not.
    #[must_use]
    pub const fn from_number(number: u32) -> Self {
        Self(number)
    }

    /// The number as on the wire.
    #[must_use]
    pub const fn number(self) -> u32 {
        self.0
    }

    /// Good, uncertain or bad. The reserved pattern 11 counts as bad.
    #[must_use]
    pub const fn quality(self) -> Quality {
        match self.0 >> 30 {
            0 => Quality::Good,
            1 => Quality::Uncertain,
            _ => Quality::Bad,
        }
    }

    /// Whether the value may be used without reserve.
    #[must_use]
    pub const fn is_good(self) -> bool {
        self.0 >> 30 == 0
    }

    /// Whether there is no usable value.
    #[must_use]
    pub const fn is_bad(self) -> bool {
        self.0 >> 30 >= 2
    }

    /// Whether the exchange failed rather than the sensor: the link's or device's own alarm covers it.
    #[must_use]
    pub const fn is_communication(self) -> bool {
        matches!(self.0 & 0xFFFF_0000, 0x8005_0000 | 0x8031_0000 | 0x8032_0000)
    }

    /// The worse of two; of equals the first, so that a derived value keeps its first cause.
    #[must_use]
    pub fn worst(self, other: Self) -> Self {
        if other.quality() > self.quality() { other } else { self }
    }

    /// The reason in plain words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self.0 & 0xFFFF_0000 {
            0 => "good",
            0x4090_0000 => "out of date",
            0x4091_0000 => "substituted by hand",
            0x4092_0000 => "not yet refreshed",
            0x4093_0000 => "sensor not accurate",
            0x4094_0000 => "outside its range",
            0x4095_0000 => "from fewer sources than usual",
            0x8005_0000 => "answer garbled or refused",
            0x8031_0000 => "no answer",
            0x8032_0000 => "never read yet",
            0x803C_0000 => "impossible value",
            0x803E_0000 => "the device does not give it",
            0x8089_0000 => "map does not fit the device",
            0x808A_0000 => "nothing connected",
            0x808B_0000 => "device failed",
            0x808C_0000 => "sensor failed",
            0x808D_0000 => "out of service",
            other if other >> 30 == 0 => "good",
            other if other >> 30 == 1 => "uncertain",
            _ => "bad",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn severity_is_the_two_top_bits() {
        assert_eq!(Status::GOOD.quality(), Quality::Good);
        assert_eq!(Status::UNCERTAIN_INITIAL.quality(), Quality::Uncertain);
        assert_eq!(Status::BAD_SENSOR_FAILURE.quality(), Quality::Bad);
        assert_eq!(Status::from_number(0xC000_0000).quality(), Quality::Bad);
    }

    #[test]
    fn unknown_numbers_survive() {
        let odd = Status::from_number(0x40FF_1234);
        assert_eq!(odd.number(), 0x40FF_1234);
        assert_eq!(odd.words(), "uncertain");
    }

    #[test]
    fn worst_keeps_the_first_of_equals() {
        let a = Status::BAD_SENSOR_FAILURE;
        let b = Status::BAD_NO_COMMUNICATION;
        assert_eq!(a.worst(b), a);
        assert_eq!(Status::GOOD.worst(b), b);
        assert_eq!(b.worst(Status::UNCERTAIN), b);
    }
}
