//! How a card puts a value into its registers: scaled integers, 32-bit numbers in either word order, sensor patterns.
//!
//! MODBUS Application Protocol V1.1b3 §4.3: registers are big-endian; the order of the two words of a 32-bit number is
//! the maker's choice. A value outside the type stops at its end, as converters do. Never panics: an address outside
//! the bank is left out, and a test checks that no card does so.

use super::probe::Shown;

/// Pattern for "no sensor connected".
pub const NOT_CONNECTED: u16 = 0x8000;
/// What a converter shows for a short-circuited sensor: far below its range.
pub const SHORT_CIRCUIT: i16 = -20_000;

/// A register bank under writing.
#[derive(Debug)]
pub struct Registers<'a>(pub &'a mut [u16]);

impl Registers<'_> {
    /// One register as it is.
    pub fn raw(&mut self, address: usize, word: u16) {
        if let Some(register) = self.0.get_mut(address) {
            *register = word;
        }
    }

    /// Signed, in steps of `step`.
    pub fn signed(&mut self, address: usize, value: f64, step: f64) {
        // Casts of floats saturate.
        self.raw(address, (nearest(value / step) as i16) as u16);
    }

    /// Unsigned, in steps of `step`.
    pub fn unsigned(&mut self, address: usize, value: f64, step: f64) {
        self.raw(address, nearest(value / step) as u16);
    }

    /// What a sensor shows: signed in steps of `step`, or a pattern of its fault.
    pub fn sensor(&mut self, address: usize, shown: Shown, step: f64) {
        match shown {
            Shown::Value(value) => self.signed(address, value, step),
            Shown::Open => self.raw(address, NOT_CONNECTED),
            Shown::Short => self.raw(address, SHORT_CIRCUIT as u16),
        }
    }

    /// 32 bits, most significant word first.
    pub fn high_word_first(&mut self, address: usize, bits: u32) {
        self.raw(address, (bits >> 16) as u16);
        self.raw(address + 1, bits as u16);
    }

    /// 32 bits, least significant word first.
    pub fn low_word_first(&mut self, address: usize, bits: u32) {
        self.raw(address, bits as u16);
        self.raw(address + 1, (bits >> 16) as u16);
    }

    /// IEEE 754 single, most significant word first.
    pub fn real(&mut self, address: usize, value: f64) {
        self.high_word_first(address, (value as f32).to_bits());
    }

    /// Unsigned 32 bits in steps of `step`, most significant word first.
    pub fn count(&mut self, address: usize, value: f64, step: f64) {
        self.high_word_first(address, libm::floor(value / step) as u32);
    }
}

/// The nearest whole number, halves away from zero: the largest number below a half is added and the rest cut off.
/// Without a call, because cards round thousands of values a second.
pub fn nearest(value: f64) -> f64 {
    if value.abs() < 4_503_599_627_370_496.0 {
        (value + 0.499_999_999_999_999_94_f64.copysign(value)) as i64 as f64
    } else {
        value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_is_that_of_the_library() {
        let mut values =
            vec![0.0, -0.0, 0.5, -0.5, 1.5, 2.5, -2.5, 0.499_999_999_999_999_94, 4_503_599_627_370_495.5, 1e300];
        values.extend((-2000..2000).map(|n| f64::from(n) / 16.0));
        for value in values {
            assert_eq!(nearest(value), libm::round(value), "{value}");
        }
        assert!(nearest(f64::NAN).is_nan() && nearest(f64::INFINITY).is_infinite());
    }

    #[test]
    fn values_go_in_as_the_maps_read_them() {
        let mut words = [0; 8];
        let mut registers = Registers(&mut words);
        registers.signed(0, -12.34, 0.01);
        registers.unsigned(1, 70_000.0, 1.0);
        registers.real(2, 230.5);
        registers.low_word_first(4, 0x0001_0002);
        registers.sensor(6, Shown::Open, 0.1);
        registers.raw(8, 1);
        assert_eq!(words[0] as i16, -1234);
        assert_eq!(words[1], u16::MAX, "stops at the end of the type");
        assert_eq!([words[2], words[3]], [0x4366, 0x8000]);
        assert_eq!([words[4], words[5]], [2, 1]);
        assert_eq!(words[6], NOT_CONNECTED);
    }
}
