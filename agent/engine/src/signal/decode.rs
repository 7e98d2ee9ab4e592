//! Converts what a device sent into the point's integer, or says why it is none.
//!
//! In order: register count, the map's absent patterns (raw bits, before anything else), mask and shift, scale-factor
//! register, scale, offset, rounding half-even to the point's exponent. Whole numbers stay exact in i128 until the one
//! rounding; floats are computed in f64 and quantised. Knows no range, no time, no state. Never panics.
//!
//! Registers are big-endian bytes (MODBUS Application Protocol V1.1b3 §4.2); the order of several registers is the
//! maker's, hence the map's. Absent patterns and the scale factor's range −10…10 are those of the SunSpec Device
//! Information Model (unsigned and scale-factor codes from memory).

use lapwing_protocol::decimal::rescale_wide;
use lapwing_protocol::{Decimal, Status};

use crate::spec::{ByteOrder, Decode, Layout, Raw, WordOrder};

#[cfg(test)]
mod tests;

/// The scale-factor register's "nothing here".
const NO_SCALE_FACTOR: i16 = i16::MIN;

/// The point's integer at `exponent`.
///
/// # Errors
/// A bad status: `BAD_NOT_CONNECTED` for an absent pattern, `BAD_CONFIGURATION_ERROR` where map and answer cannot fit,
/// `BAD_OUT_OF_RANGE` where the answer is no number or too large, or the fault itself.
#[inline]
pub fn decode(raw: &Raw, how: &Decode, exponent: i8, absent: &[u64]) -> Result<i64, Status> {
    match raw {
        Raw::Words { words, len, scale_factor } => {
            // Most points are one plain register; the long way gives the same answer.
            if let (Layout::I16 | Layout::U16, 1, 0, None, 0, ByteOrder::Big) =
                (how.layout, *len, *scale_factor, how.mask, how.shift, how.byte_order)
            {
                let word = words[0];
                if absent.contains(&u64::from(word)) {
                    return Err(Status::BAD_NOT_CONNECTED);
                }
                let number = if how.layout == Layout::I16 { i64::from(word.cast_signed()) } else { i64::from(word) };
                let (factor, power) = scale_of(how);
                return match number.checked_mul(factor) {
                    Some(product) if power == exponent && how.offset.mantissa == 0 => Ok(product),
                    Some(_) | None => whole(i128::from(number), 0, how, exponent),
                };
            }
            let words = words.get(..usize::from(*len)).ok_or(Status::BAD_CONFIGURATION_ERROR)?;
            from_words(words, *scale_factor, how, exponent, absent)
        }
        Raw::Bit(bit) => from_bit(*bit, how, exponent, absent),
        Raw::Whole(value) => {
            if absent.contains(&value.cast_unsigned()) {
                return Err(Status::BAD_NOT_CONNECTED);
            }
            from_whole(*value, how, exponent)
        }
        Raw::Real(value) => {
            if absent.contains(&value.to_bits()) {
                return Err(Status::BAD_NOT_CONNECTED);
            }
            real(*value, 0, how, exponent)
        }
        Raw::Fault(status) => Err(if status.is_bad() { *status } else { Status::BAD }),
    }
}

fn from_words(words: &[u16], scale_factor: i16, how: &Decode, exponent: i8, absent: &[u64]) -> Result<i64, Status> {
    check_count(how.layout, words.len())?;
    if how.layout == Layout::TextNumber {
        return text(words, scale_factor, how, exponent, absent);
    }
    let bits = gather(words, how.word_order, how.byte_order);
    if absent.contains(&bits) {
        return Err(Status::BAD_NOT_CONNECTED);
    }
    let power = checked_scale_factor(scale_factor)?;
    let width = 16 * u32::try_from(words.len()).unwrap_or(4);
    match how.layout {
        Layout::U16 | Layout::U32 | Layout::U48 | Layout::U64 | Layout::Counter | Layout::Enum => {
            whole(i128::from(masked(bits, how) >> shift(how)), power, how, exponent)
        }
        Layout::I16 | Layout::I32 | Layout::I48 | Layout::I64 => {
            whole(i128::from(signed(masked(bits, how), width) >> shift(how)), power, how, exponent)
        }
        Layout::F32 => real(f64::from(f32::from_bits(low_32(bits))), power, how, exponent),
        Layout::F64 => real(f64::from_bits(bits), power, how, exponent),
        Layout::Bit => {
            let bit = match how.mask {
                Some(mask) => bits & mask != 0,
                None => (bits >> shift(how)) & 1 == 1,
            };
            whole(i128::from(bit != how.invert), power, how, exponent)
        }
        Layout::Bits => {
            let meant = if how.invert { !bits & ones(width) } else { bits };
            whole(i128::from(masked(meant, how) >> shift(how)), power, how, exponent)
        }
        Layout::Bcd => whole(i128::from(bcd(bits)?), power, how, exponent),
        Layout::Modulo10000 => whole(i128::from(modulo_10000(bits, words.len())?), power, how, exponent),
        Layout::TextNumber => text(words, scale_factor, how, exponent, absent),
    }
}

/// How many registers each layout takes.
#[inline]
fn check_count(layout: Layout, count: usize) -> Result<(), Status> {
    let fits = match layout {
        Layout::U16 | Layout::I16 | Layout::Bit => count == 1,
        Layout::U32 | Layout::I32 | Layout::F32 => count == 2,
        Layout::U48 | Layout::I48 => count == 3,
        Layout::U64 | Layout::I64 | Layout::F64 => count == 4,
        Layout::Bits | Layout::Enum | Layout::Bcd | Layout::Modulo10000 | Layout::Counter => (1..=4).contains(&count),
        Layout::TextNumber => (1..=8).contains(&count),
    };
    if fits { Ok(()) } else { Err(Status::BAD_CONFIGURATION_ERROR) }
}

/// Up to four registers as one number, in the order the map says.
#[inline]
fn gather(words: &[u16], word_order: WordOrder, byte_order: ByteOrder) -> u64 {
    let join = |all: u64, word: &u16| {
        let word = match byte_order {
            ByteOrder::Big => *word,
            ByteOrder::Little => word.swap_bytes(),
        };
        all << 16 | u64::from(word)
    };
    match word_order {
        WordOrder::Big => words.iter().fold(0, join),
        WordOrder::Little => words.iter().rev().fold(0, join),
    }
}

#[inline]
fn checked_scale_factor(scale_factor: i16) -> Result<i8, Status> {
    if scale_factor == NO_SCALE_FACTOR {
        return Err(Status::BAD_NOT_CONNECTED);
    }
    i8::try_from(scale_factor).ok().filter(|power| (-10..=10).contains(power)).ok_or(Status::BAD_OUT_OF_RANGE)
}

const fn masked(bits: u64, how: &Decode) -> u64 {
    match how.mask {
        Some(mask) => bits & mask,
        None => bits,
    }
}

/// A shift beyond the number is as far as one can shift.
const fn shift(how: &Decode) -> u32 {
    if how.shift < 64 { how.shift as u32 } else { 63 }
}

const fn ones(width: u32) -> u64 {
    if width >= 64 { u64::MAX } else { (1 << width) - 1 }
}

/// Two's complement of the given width.
const fn signed(bits: u64, width: u32) -> i64 {
    let unused = 64_u32.saturating_sub(width);
    (bits << unused).cast_signed() >> unused
}

#[allow(clippy::cast_possible_truncation)] // two registers fill the low half only
const fn low_32(bits: u64) -> u32 {
    bits as u32
}

fn bcd(bits: u64) -> Result<u64, Status> {
    (0..16)
        .rev()
        .map(|digit| bits >> (4 * digit) & 0xF)
        .try_fold(0_u64, |all, digit| if digit < 10 { Ok(all * 10 + digit) } else { Err(Status::BAD_OUT_OF_RANGE) })
}

fn modulo_10000(bits: u64, count: usize) -> Result<u64, Status> {
    (0..count).rev().map(|word| bits >> (16 * word) & 0xFFFF).try_fold(0_u64, |all, word| {
        if word < 10_000 { Ok(all * 10_000 + word) } else { Err(Status::BAD_OUT_OF_RANGE) }
    })
}

fn from_bit(bit: bool, how: &Decode, exponent: i8, absent: &[u64]) -> Result<i64, Status> {
    if absent.contains(&u64::from(bit)) {
        return Err(Status::BAD_NOT_CONNECTED);
    }
    match how.layout {
        Layout::Bit | Layout::Bits => whole(i128::from(bit != how.invert), 0, how, exponent),
        Layout::Enum => whole(i128::from(bit), 0, how, exponent),
        Layout::U16
        | Layout::I16
        | Layout::U32
        | Layout::I32
        | Layout::U48
        | Layout::I48
        | Layout::U64
        | Layout::I64
        | Layout::F32
        | Layout::F64
        | Layout::Bcd
        | Layout::Modulo10000
        | Layout::TextNumber
        | Layout::Counter => Err(Status::BAD_CONFIGURATION_ERROR),
    }
}

/// A number its protocol has already decoded: only bits and masks still say anything about its layout.
fn from_whole(value: i64, how: &Decode, exponent: i8) -> Result<i64, Status> {
    match how.layout {
        Layout::Bit | Layout::Bits => {
            let bits = value.cast_unsigned();
            if how.layout == Layout::Bits {
                let meant = if how.invert { !bits } else { bits };
                return whole(i128::from(masked(meant, how) >> shift(how)), 0, how, exponent);
            }
            let bit = match how.mask {
                Some(mask) => bits & mask != 0,
                None => bits >> shift(how) & 1 == 1,
            };
            whole(i128::from(bit != how.invert), 0, how, exponent)
        }
        Layout::U16
        | Layout::I16
        | Layout::U32
        | Layout::I32
        | Layout::U48
        | Layout::I48
        | Layout::U64
        | Layout::I64
        | Layout::F32
        | Layout::F64
        | Layout::Enum
        | Layout::Bcd
        | Layout::Modulo10000
        | Layout::TextNumber
        | Layout::Counter => {
            let value = match how.mask {
                Some(mask) => (value.cast_unsigned() & mask).cast_signed(),
                None => value,
            };
            whole(i128::from(value >> shift(how)), 0, how, exponent)
        }
    }
}

/// Digits as text: ASCII, blanks and zero bytes around it ignored, nothing but blanks is "nothing here".
fn text(words: &[u16], scale_factor: i16, how: &Decode, exponent: i8, absent: &[u64]) -> Result<i64, Status> {
    if words.len() <= 4 && absent.contains(&gather(words, how.word_order, how.byte_order)) {
        return Err(Status::BAD_NOT_CONNECTED);
    }
    let mut bytes = [0_u8; 16];
    for (index, pair) in bytes.chunks_exact_mut(2).take(words.len()).enumerate() {
        let word = match how.word_order {
            WordOrder::Big => words[index],
            WordOrder::Little => words[words.len() - 1 - index],
        };
        pair.copy_from_slice(&match how.byte_order {
            ByteOrder::Big => word.to_be_bytes(),
            ByteOrder::Little => word.to_le_bytes(),
        });
    }
    let digits = core::str::from_utf8(&bytes).map_err(|_| Status::BAD_OUT_OF_RANGE)?;
    let digits = digits.trim_matches(|c: char| c == '\0' || c == ' ');
    if digits.is_empty() {
        return Err(Status::BAD_NOT_CONNECTED);
    }
    // A power of ten of more than two digits never fits; refusing it here keeps the parser's arithmetic small.
    if digits.find(['e', 'E']).is_some_and(|at| digits.len() - at > 4) {
        return Err(Status::BAD_OUT_OF_RANGE);
    }
    let number = Decimal::parse(digits).map_err(|_| Status::BAD_OUT_OF_RANGE)?;
    let power = checked_scale_factor(scale_factor)? + number.exponent;
    whole(i128::from(number.mantissa), power, how, exponent)
}

/// Scale, offset and one rounding of an exact whole number.
#[inline]
fn whole(number: i128, power: i8, how: &Decode, exponent: i8) -> Result<i64, Status> {
    let (factor, scale_power) = scale_of(how);
    let power = power.saturating_add(scale_power);
    // The usual case, one register at the point's own resolution, needs no wide arithmetic.
    if power == exponent
        && how.offset.mantissa == 0
        && let Some(product) = i64::try_from(number).ok().and_then(|number| number.checked_mul(factor))
    {
        return Ok(product);
    }
    let product = number.checked_mul(i128::from(factor)).ok_or(Status::BAD_OUT_OF_RANGE)?;
    if how.offset.mantissa == 0 {
        return rounded(product, power, exponent);
    }
    // Both terms at the finer power of ten, so that only the sum is rounded.
    let finer = power.min(how.offset.exponent);
    let sum = raised(product, power, finer)
        .zip(raised(i128::from(how.offset.mantissa), how.offset.exponent, finer))
        .and_then(|(product, offset)| product.checked_add(offset))
        .ok_or(Status::BAD_OUT_OF_RANGE)?;
    rounded(sum, finer, exponent)
}

fn rounded(number: i128, from: i8, to: i8) -> Result<i64, Status> {
    // Nothing sensible is that far below its resolution, and 10^38 is where i128 ends.
    if i32::from(to) - i32::from(from) >= 38 {
        return Err(Status::BAD_CONFIGURATION_ERROR);
    }
    rescale_wide(number, from, to).map_err(|_| Status::BAD_OUT_OF_RANGE)
}

/// The same number at a finer power of ten.
fn raised(number: i128, from: i8, to: i8) -> Option<i128> {
    if number == 0 {
        return Some(0);
    }
    let steps = u32::try_from(i32::from(from) - i32::from(to)).ok()?;
    number.checked_mul(10_i128.checked_pow(steps)?)
}

/// Scale and offset in f64, then quantised: the source was a float already. A mask has no meaning there.
fn real(number: f64, power: i8, how: &Decode, exponent: i8) -> Result<i64, Status> {
    if how.mask.is_some() || how.shift != 0 {
        return Err(Status::BAD_CONFIGURATION_ERROR);
    }
    let mut value = number;
    let (factor, scale_power) = scale_of(how);
    let scale = Decimal::new(factor, scale_power.saturating_add(power));
    if scale != Decimal::new(1, 0) {
        value *= scale.to_f64();
    }
    if how.offset.mantissa != 0 {
        value += how.offset.to_f64();
    }
    Decimal::quantise(value, exponent).map(|quantised| quantised.mantissa).map_err(|_| Status::BAD_OUT_OF_RANGE)
}

/// No scale, or a zero one, is 1.
#[inline]
const fn scale_of(how: &Decode) -> (i64, i8) {
    if how.scale.mantissa == 0 { (1, 0) } else { (how.scale.mantissa, how.scale.exponent) }
}
