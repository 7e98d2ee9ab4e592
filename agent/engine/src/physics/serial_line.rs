//! Time on a Modbus serial line.
//!
//! Modbus over Serial Line V1.02 §2.5.1.1: frames are parted by 3.5 characters of silence, 1.75 ms above 19 200 bit/s.
//! A character is 11 bits (start, 8 data, parity or a second stop bit, stop). What the device itself needs is not in it.
//! Never panics.

use super::{NoNumber, outside, within};

/// Bits of a character as the standard has it.
pub const BITS_PER_CHAR: f64 = 11.0;

/// Silence that parts two frames, µs.
///
/// # Errors
/// `DomainError` for a rate outside 50…10⁷ bit/s or characters outside 7…13 bits.
pub fn rtu_t35_us(baud: f64, bits_per_char: f64) -> Result<f64, NoNumber> {
    let character = character_us(baud, bits_per_char)?;
    Ok(if baud > 19_200.0 { 1750.0 } else { 3.5 * character })
}

/// Time of one read of so many registers, ms: a request of 8 bytes, a reply of 5 + 2 N, two silences.
///
/// # Errors
/// As `rtu_t35_us`; `DomainError` for other than 1…125 whole registers.
pub fn rtu_poll_ms(baud: f64, bits_per_char: f64, regs: f64) -> Result<f64, NoNumber> {
    let silence = rtu_t35_us(baud, bits_per_char)?;
    let regs = within("regs", regs, 1.0, 125.0)?;
    if libm::rint(regs) != regs {
        return Err(outside("regs", "a whole number"));
    }
    Ok(((8.0 + 5.0 + 2.0 * regs) * character_us(baud, bits_per_char)? + 2.0 * silence) / 1000.0)
}

fn character_us(baud: f64, bits_per_char: f64) -> Result<f64, NoNumber> {
    Ok(within("bits_per_char", bits_per_char, 7.0, 13.0)? * 1e6 / within("baud", baud, 50.0, 1e7)?)
}

#[cfg(test)]
mod tests {
    use super::super::checks::{absolute, relative};
    use super::*;

    #[test]
    fn published_times() {
        absolute("O098", rtu_t35_us(9600.0, 11.0), 4_010.416_666_666_7, 1e-6);
        absolute("O099", rtu_t35_us(38_400.0, 11.0), 1750.0, 0.0);
        absolute("19200", rtu_t35_us(19_200.0, 11.0), 2005.208, 1e-3);
        relative("O108", rtu_poll_ms(9600.0, 11.0, 125.0), 309.375, 1e-9);
        absolute("19200 8E1, 50", rtu_poll_ms(19_200.0, 11.0, 50.0), 68.75, 0.005);
        absolute("115200 8N1, 10", rtu_poll_ms(115_200.0, 10.0, 10.0), 6.36, 0.005);
    }

    #[test]
    fn no_such_line() {
        for (baud, bits, regs) in [
            (0.0, 11.0, 1.0),
            (f64::NAN, 11.0, 1.0),
            (9600.0, 0.0, 1.0),
            (9600.0, 11.0, 0.0),
            (9600.0, 11.0, 126.0),
            (9600.0, 11.0, 1.5),
        ] {
            assert_eq!(
                rtu_poll_ms(baud, bits, regs).map_err(NoNumber::word),
                Err("domain_error"),
                "{baud} {bits} {regs}"
            );
        }
    }
}
