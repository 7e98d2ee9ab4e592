//! CBOR in its deterministic form, so that equal messages are equal bytes (RFC 8949 §4.2.1).
//!
//! `to_vec` writes with serde and then canonicalises: map keys sorted by their encoded bytes, shortest integers and
//! lengths, shortest floats that keep the value, definite lengths. `canonicalise` does the same to any well-formed item and
//! is where bytes from outside are first judged: nesting is bounded, so that no input exhausts the stack. Tags are kept as
//! they are, bignums not turned into integers (our messages have neither). A NaN becomes 0xF97E00. Never panics.

use alloc::string::{String, ToString};
use alloc::vec::Vec;
use core::fmt;

use serde::Serialize;
use serde::de::DeserializeOwned;

/// Deepest nesting accepted; our messages need six.
pub const DEPTH_MAX: usize = 32;

/// What is wrong with CBOR bytes. Offsets count from the start of the input.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum CborError {
    /// The bytes end inside an item.
    Truncated,
    /// Bytes follow the item.
    Trailing {
        /// Where they start.
        offset: usize,
    },
    /// Not well-formed (RFC 8949 §3, appendix C).
    Malformed {
        /// Where.
        offset: usize,
    },
    /// Text that is not UTF-8.
    NotUtf8 {
        /// Where the text starts.
        offset: usize,
    },
    /// A map has the same key twice.
    DuplicateKey {
        /// Where the map starts.
        offset: usize,
    },
    /// Nested deeper than `DEPTH_MAX`.
    TooDeep {
        /// Where the limit was passed.
        offset: usize,
    },
    /// Well-formed, but not the message asked for.
    Message(String),
}

impl fmt::Display for CborError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Truncated => f.write_str("the bytes end inside an item"),
            Self::Trailing { offset } => write!(f, "bytes follow the item, from offset {offset}"),
            Self::Malformed { offset } => write!(f, "not well-formed at offset {offset}"),
            Self::NotUtf8 { offset } => write!(f, "the text at offset {offset} is not UTF-8"),
            Self::DuplicateKey { offset } => write!(f, "the map at offset {offset} has a key twice"),
            Self::TooDeep { offset } => write!(f, "nested deeper than {DEPTH_MAX} at offset {offset}"),
            Self::Message(why) => f.write_str(why),
        }
    }
}

impl core::error::Error for CborError {}

/// A value as deterministic CBOR.
///
/// # Errors
/// `Message` when the value's own `Serialize` fails; structural errors when it writes a map with a key twice or nests
/// deeper than `DEPTH_MAX`.
pub fn to_vec<T: Serialize + ?Sized>(value: &T) -> Result<Vec<u8>, CborError> {
    let mut bytes = Vec::new();
    let mut serializer = minicbor_serde::Serializer::new(&mut bytes);
    // The data model's unit is JSON's null, not an empty array.
    serializer.serialize_unit_as_null(true);
    value.serialize(&mut serializer).map_err(|error| CborError::Message(error.to_string()))?;
    canonicalise(&bytes)
}

/// A value from CBOR bytes, deterministic or not.
///
/// # Errors
/// Structural errors when the bytes are not one well-formed item, `Message` when it is another value than the type holds.
pub fn from_slice<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, CborError> {
    // The library's decoder follows nesting as deep as it goes and stops at the end of the item; this walk does neither,
    // and hands it definite lengths only.
    let checked = canonicalise(bytes)?;
    minicbor_serde::from_slice(&checked).map_err(|error| CborError::Message(error.to_string()))
}

/// The deterministic form of one well-formed item.
///
/// # Errors
/// Everything but `Message`.
pub fn canonicalise(bytes: &[u8]) -> Result<Vec<u8>, CborError> {
    let mut reader = Reader { bytes, at: 0 };
    let mut out = Vec::with_capacity(bytes.len());
    reader.item(&mut out, 0)?;
    if reader.at < bytes.len() {
        return Err(CborError::Trailing { offset: reader.at });
    }
    Ok(out)
}

/// The first byte of an item with its argument (RFC 8949 §3).
struct Head {
    major: u8,
    /// `None`: indefinite length, or the break.
    argument: Option<u64>,
    /// Bytes that carried the argument: 0, 1, 2, 4, 8.
    width: usize,
    offset: usize,
}

struct Reader<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl Reader<'_> {
    fn take(&mut self, count: usize) -> Result<&[u8], CborError> {
        let end = self.at.checked_add(count).ok_or(CborError::Truncated)?;
        let taken = self.bytes.get(self.at..end).ok_or(CborError::Truncated)?;
        self.at = end;
        Ok(taken)
    }

    fn head(&mut self) -> Result<Head, CborError> {
        let offset = self.at;
        let first = *self.take(1)?.first().ok_or(CborError::Truncated)?;
        let (major, info) = (first >> 5, first & 0x1F);
        let width = match info {
            0..=23 => return Ok(Head { major, argument: Some(u64::from(info)), width: 0, offset }),
            24 => 1,
            25 => 2,
            26 => 4,
            27 => 8,
            31 if matches!(major, 2..=5 | 7) => return Ok(Head { major, argument: None, width: 0, offset }),
            _ => return Err(CborError::Malformed { offset }),
        };
        let argument = self.take(width)?.iter().fold(0, |sum, byte| sum << 8 | u64::from(*byte));
        Ok(Head { major, argument: Some(argument), width, offset })
    }

    fn item(&mut self, out: &mut Vec<u8>, depth: usize) -> Result<(), CborError> {
        let head = self.head()?;
        self.body(&head, out, depth)
    }

    fn body(&mut self, head: &Head, out: &mut Vec<u8>, depth: usize) -> Result<(), CborError> {
        if depth > DEPTH_MAX {
            return Err(CborError::TooDeep { offset: head.offset });
        }
        match (head.major, head.argument) {
            (0 | 1, Some(argument)) => write_head(out, head.major, argument),
            (2 | 3, length) => self.string(head, length, out)?,
            (4, Some(count)) => {
                write_head(out, 4, count);
                for _ in 0..count {
                    self.item(out, depth + 1)?;
                }
            }
            (4, None) => {
                let (mut items, mut count) = (Vec::new(), 0);
                while !self.at_break() {
                    self.item(&mut items, depth + 1)?;
                    count += 1;
                }
                self.at += 1;
                write_head(out, 4, count);
                out.extend_from_slice(&items);
            }
            (5, count) => self.map(head, count, out, depth)?,
            (6, Some(tag)) => {
                write_head(out, 6, tag);
                self.item(out, depth + 1)?;
            }
            (7, Some(argument)) => simple_or_float(head, argument, out)?,
            // A break outside an indefinite item; `head` lets no other through.
            _ => return Err(CborError::Malformed { offset: head.offset }),
        }
        Ok(())
    }

    fn at_break(&self) -> bool {
        self.bytes.get(self.at) == Some(&0xFF)
    }

    fn string(&mut self, head: &Head, length: Option<u64>, out: &mut Vec<u8>) -> Result<(), CborError> {
        let mut whole = Vec::new();
        if let Some(length) = length {
            self.chunk(head, length, &mut whole)?;
        } else {
            while !self.at_break() {
                // Chunks are definite and of the same kind (§3.2.3).
                let chunk = self.head()?;
                match chunk.argument {
                    Some(length) if chunk.major == head.major => self.chunk(&chunk, length, &mut whole)?,
                    _ => return Err(CborError::Malformed { offset: chunk.offset }),
                }
            }
            self.at += 1;
        }
        write_head(out, head.major, whole.len() as u64);
        out.extend_from_slice(&whole);
        Ok(())
    }

    fn chunk(&mut self, head: &Head, length: u64, whole: &mut Vec<u8>) -> Result<(), CborError> {
        let chunk = self.take(usize::try_from(length).map_err(|_| CborError::Truncated)?)?;
        if head.major == 3 && core::str::from_utf8(chunk).is_err() {
            return Err(CborError::NotUtf8 { offset: head.offset });
        }
        whole.extend_from_slice(chunk);
        Ok(())
    }

    fn map(&mut self, head: &Head, count: Option<u64>, out: &mut Vec<u8>, depth: usize) -> Result<(), CborError> {
        let mut entries: Vec<(Vec<u8>, Vec<u8>)> = Vec::new();
        loop {
            let done = match count {
                Some(count) => entries.len() as u64 == count,
                None => self.at_break(),
            };
            if done {
                break;
            }
            let (mut key, mut value) = (Vec::new(), Vec::new());
            self.item(&mut key, depth + 1)?;
            self.item(&mut value, depth + 1)?;
            entries.push((key, value));
        }
        if count.is_none() {
            self.at += 1;
        }
        entries.sort_by(|a, b| a.0.cmp(&b.0));
        if entries.windows(2).any(|pair| matches!(pair, [a, b] if a.0 == b.0)) {
            return Err(CborError::DuplicateKey { offset: head.offset });
        }
        write_head(out, 5, entries.len() as u64);
        for (key, value) in entries {
            out.extend_from_slice(&key);
            out.extend_from_slice(&value);
        }
        Ok(())
    }
}

fn write_head(out: &mut Vec<u8>, major: u8, argument: u64) {
    let major = major << 5;
    let bytes = argument.to_be_bytes();
    match argument {
        0..=23 => out.push(major | bytes[7]),
        24..=0xFF => out.extend_from_slice(&[major | 0x18, bytes[7]]),
        0x100..=0xFFFF => {
            out.push(major | 0x19);
            out.extend_from_slice(&bytes[6..]);
        }
        0x1_0000..=0xFFFF_FFFF => {
            out.push(major | 0x1A);
            out.extend_from_slice(&bytes[4..]);
        }
        _ => {
            out.push(major | 0x1B);
            out.extend_from_slice(&bytes);
        }
    }
}

/// Major type 7: false, true, null and their kind unchanged, floats as short as they keep their value.
fn simple_or_float(head: &Head, argument: u64, out: &mut Vec<u8>) -> Result<(), CborError> {
    let value = match head.width {
        0 => {
            write_head(out, 7, argument);
            return Ok(());
        }
        1 => {
            // Simple values under 32 have no two-byte form (§3.3).
            if argument < 32 {
                return Err(CborError::Malformed { offset: head.offset });
            }
            write_head(out, 7, argument);
            return Ok(());
        }
        #[allow(clippy::cast_possible_truncation)] // the width bounds the argument
        2 => half_to_f64(argument as u16),
        #[allow(clippy::cast_possible_truncation)]
        4 => f64::from(f32::from_bits(argument as u32)),
        _ => f64::from_bits(argument),
    };
    write_float(out, value);
    Ok(())
}

fn write_float(out: &mut Vec<u8>, value: f64) {
    if value.is_nan() {
        out.extend_from_slice(&[0xF9, 0x7E, 0x00]);
        return;
    }
    #[allow(clippy::cast_possible_truncation)]
    let single = value as f32;
    if f64::from(single).to_bits() != value.to_bits() {
        out.push(0xFB);
        out.extend_from_slice(&value.to_bits().to_be_bytes());
    } else if let Some(half) = f32_to_half(single) {
        out.push(0xF9);
        out.extend_from_slice(&half.to_be_bytes());
    } else {
        out.push(0xFA);
        out.extend_from_slice(&single.to_bits().to_be_bytes());
    }
}

/// IEEE 754 binary16 to binary64, exact.
fn half_to_f64(bits: u16) -> f64 {
    let sign = if bits & 0x8000 == 0 { 1.0 } else { -1.0 };
    let (exponent, mantissa) = (i32::from(bits >> 10 & 0x1F), f64::from(bits & 0x3FF));
    sign * match exponent {
        0 => libm::ldexp(mantissa, -24),
        31 if mantissa == 0.0 => f64::INFINITY,
        31 => f64::NAN,
        _ => libm::ldexp(mantissa + 1024.0, exponent - 25),
    }
}

/// The binary16 of the same value, if there is one. Not for NaN.
fn f32_to_half(value: f32) -> Option<u16> {
    let bits = value.to_bits();
    let sign = u16::try_from(bits >> 16 & 0x8000).ok()?;
    if value.is_infinite() {
        return Some(sign | 0x7C00);
    }
    let magnitude = f64::from(value).abs();
    // A half is a multiple of 2^-24, below 2^16, of 11 significant bits: try its two forms.
    let half = if magnitude < libm::ldexp(1.0, -14) {
        let units = libm::ldexp(magnitude, 24);
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let whole = units as u16;
        whole
    } else {
        let exponent = i32::try_from(bits >> 23 & 0xFF).ok()? - 127;
        if exponent > 15 {
            return None;
        }
        let mantissa = u16::try_from(bits >> 13 & 0x3FF).ok()?;
        u16::try_from(exponent + 15).ok()? << 10 | mantissa
    };
    #[allow(clippy::float_cmp)]
    (half_to_f64(half) == magnitude).then_some(sign | half)
}

#[cfg(test)]
mod tests;
