//! Modbus RTU frames: requests to bytes, bytes to a believed reply or the reason why not.
//!
//! Pure, allocates nothing, knows no time: silences are the master's. A reply is believed only with the unit, function,
//! byte count and CRC that belong to its request, and only if it is not the request itself come back. Never panics, whatever the bytes. Modbus over Serial Line V1.02
//! §2.5.1 (frame, CRC low byte first); MODBUS Application Protocol V1.1b3 §6.1–6.4, §7 (exceptions).
//!
//! ```text
//! request    unit  function  start hi lo  count hi lo  crc lo hi        8 bytes
//! reply      unit  function  byte count   values …     crc lo hi        5 + byte count
//! exception  unit  function + 80h  code   crc lo hi                     5 bytes
//! ```

use crate::field::failure::Garble;
use crate::field::request::Read;

/// Bytes of a request.
pub const REQUEST_LEN: usize = 8;
/// Bytes of an exception reply.
pub const EXCEPTION_LEN: usize = 5;
/// Most bytes of a frame.
pub const MOST_LEN: usize = 256;

/// What the bytes received so far are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reception<'a> {
    /// A beginning; the frame has at least this many bytes.
    More(usize),
    /// The values asked for, as they stand in the frame. The frame ends where the bytes end.
    Values(&'a [u8]),
    /// A refusal.
    Exception(u8),
    /// A whole, undamaged reply of another unit, so many bytes long: a late answer to an earlier request.
    Foreign {
        /// Who sent it.
        unit: u8,
        /// Its bytes, at the beginning of those received.
        len: usize,
    },
    /// Not to be believed.
    Wrong(Garble),
}

/// The request for a read.
#[must_use]
pub const fn request(unit: u8, read: Read) -> [u8; REQUEST_LEN] {
    let ([s1, s0], [c1, c0]) = (read.start().to_be_bytes(), read.count().to_be_bytes());
    let body = [unit, read.function(), s1, s0, c1, c0];
    let [lo, hi] = crc(&body).to_le_bytes();
    [unit, read.function(), s1, s0, c1, c0, lo, hi]
}

/// Bytes of a right reply that is no exception.
#[must_use]
pub const fn reply_len(read: Read) -> usize {
    5 + read.byte_count() as usize
}

/// Judges the bytes received since the request.
#[must_use]
pub fn examine(bytes: &[u8], unit: u8, read: Read) -> Reception<'_> {
    let &[got_unit, got_function, third, ..] = bytes else {
        return match bytes {
            [first, second] if *first == unit && !belongs(*second, read) => wrong_function(*second, read),
            _ => Reception::More(EXCEPTION_LEN),
        };
    };
    if got_unit != unit {
        return foreign(bytes, unit);
    }
    if got_function == read.function() | 0x80 {
        return match whole(bytes, EXCEPTION_LEN) {
            Ok(true) => Reception::Exception(third),
            Ok(false) => Reception::More(EXCEPTION_LEN),
            Err(garble) => Reception::Wrong(garble),
        };
    }
    if got_function != read.function() {
        return wrong_function(got_function, read);
    }
    if third != read.byte_count() {
        // Registers are two bytes each, bits are counted in bytes.
        let each = if read.is_bits() { 1 } else { 2 };
        let asked = u16::from(read.byte_count()) / each;
        return Reception::Wrong(Garble::Length { asked, got: u16::from(third).div_ceil(each) });
    }
    let len = reply_len(read);
    match whole(bytes, len) {
        // A read of 17 to 24 bits from 03xxh is as long as its reply, and its third byte is the reply's byte count.
        Ok(true) if bytes == request(unit, read) => Reception::Wrong(Garble::Echo),
        Ok(true) => bytes.get(3..len - 2).map_or(Reception::More(len), Reception::Values),
        Ok(false) => Reception::More(len),
        Err(garble) => Reception::Wrong(garble),
    }
}

/// CRC-16 of Modbus over Serial Line V1.02 §6.2.2: polynomial A001h, start FFFFh.
#[must_use]
pub const fn crc(bytes: &[u8]) -> u16 {
    let mut crc = 0xFFFF;
    let mut n = 0;
    while n < bytes.len() {
        crc = (crc >> 8) ^ TABLE[((crc ^ bytes[n] as u16) & 0xFF) as usize];
        n += 1;
    }
    crc
}

const fn belongs(function: u8, read: Read) -> bool {
    function & 0x7F == read.function()
}

const fn wrong_function(got: u8, read: Read) -> Reception<'static> {
    Reception::Wrong(Garble::Function { asked: read.function(), got })
}

/// Another unit's bytes: a late answer if they are one undamaged reply to a read, noise otherwise.
fn foreign(bytes: &[u8], asked: u8) -> Reception<'_> {
    let &[got, function, third, ..] = bytes else { return Reception::More(EXCEPTION_LEN) };
    let wrong = Reception::Wrong(Garble::Unit { asked, got });
    let len = match function {
        1..=4 => EXCEPTION_LEN + usize::from(third),
        0x81..=0x84 => EXCEPTION_LEN,
        _ => return wrong,
    };
    match bytes.get(..len) {
        None => Reception::More(len),
        Some(frame) if crc_fits(frame) => Reception::Foreign { unit: got, len },
        Some(_) => wrong,
    }
}

fn whole(bytes: &[u8], len: usize) -> Result<bool, Garble> {
    match bytes.len() {
        short if short < len => Ok(false),
        exact if exact == len => {
            if crc_fits(bytes) {
                Ok(true)
            } else {
                Err(Garble::Crc)
            }
        }
        _ => Err(Garble::Long),
    }
}

fn crc_fits(frame: &[u8]) -> bool {
    match frame.split_last_chunk::<2>() {
        Some((body, sum)) => crc(body).to_le_bytes() == *sum,
        None => false,
    }
}

const TABLE: [u16; 256] = {
    let mut table = [0; 256];
    let mut n = 0u16;
    while n < 256 {
        let mut value = n;
        let mut bit = 0;
        while bit < 8 {
            value = if value & 1 == 1 { (value >> 1) ^ 0xA001 } else { value >> 1 };
            bit += 1;
        }
        table[n as usize] = value;
        n += 1;
    }
    table
};

#[cfg(test)]
#[path = "frame/tests.rs"]
mod tests;
