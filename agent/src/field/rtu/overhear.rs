//! Understands what others say on an RTU line: requests that are not ours, and the replies that belong to them.
//!
//! Pure; knows no time: the caller tells of silence and of patience at its end. Bytes of a line come in lumps, so frames
//! are found by their content (length and CRC), not by the silences between them. A reply is one only directly after the
//! request with its unit, function and byte count; any byte between the two that belongs to neither parts them. Never
//! panics, whatever the bytes. Modbus over Serial Line V1.02 §2.5.1; MODBUS Application Protocol V1.1b3 §6.
//!
//! A reply of three bytes of bits has the length of a request and could be read as one (function 01 or 02, start 03xxh):
//! without its own reply behind it such a frame proves nothing, and is not told as a request.

use super::frame::{EXCEPTION_LEN, MOST_LEN, REQUEST_LEN, crc, reply_len};
use crate::field::request::Read;
use crate::plan::Table;

/// What was heard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Heard {
    /// Somebody asked a unit for something, or told it something.
    Request {
        /// Whom.
        unit: u8,
        /// Function code.
        function: u8,
    },
    /// A unit gave the values it had been asked for.
    Values {
        /// Who.
        unit: u8,
        /// What it had been asked.
        read: Read,
        /// The values as they stand in the frame.
        bytes: Vec<u8>,
    },
    /// A unit refused what it had been asked.
    Refusal {
        /// Who.
        unit: u8,
        /// Why.
        code: u8,
    },
    /// A unit confirmed what it had been told.
    Confirmed {
        /// Who.
        unit: u8,
    },
}

/// Bytes that may still become something, and the question that awaits its answer.
#[derive(Debug, Default)]
pub struct Overhear {
    bytes: Vec<u8>,
    asked: Option<Asked>,
    /// Bytes that were part of nothing.
    pub noise: u64,
}

#[derive(Clone, Copy, Debug)]
struct Asked {
    unit: u8,
    function: u8,
    /// What was read; `None`: something was written.
    read: Option<Read>,
    /// Not told yet: it may be a reply.
    unsure: bool,
}

/// What the bytes at the front are.
enum Front {
    Frame(usize, Heard),
    Question(usize, Asked),
    /// Too few bytes to say.
    Open,
    Noise,
}

impl Overhear {
    /// Whether somebody has asked and the answer may still come.
    #[must_use]
    pub const fn awaits_reply(&self) -> bool {
        self.asked.is_some()
    }

    /// Takes bytes; what they complete goes to `found`, in order.
    pub fn push(&mut self, bytes: &[u8], found: &mut dyn FnMut(Heard)) {
        self.bytes.extend_from_slice(bytes);
        while !self.bytes.is_empty() {
            match self.front() {
                Front::Frame(len, heard) => {
                    if let Some(asked) = self.asked.take().filter(|asked| asked.unsure) {
                        found(Heard::Request { unit: asked.unit, function: asked.function });
                    }
                    self.bytes.drain(..len);
                    found(heard);
                }
                Front::Question(len, asked) => {
                    self.bytes.drain(..len);
                    if !asked.unsure {
                        found(Heard::Request { unit: asked.unit, function: asked.function });
                    }
                    self.asked = Some(asked);
                }
                Front::Open if self.bytes.len() <= MOST_LEN => return,
                Front::Open | Front::Noise => self.drop_one(),
            }
        }
    }

    /// The line has been silent for longer than a frame can be torn: what was begun is no frame.
    pub fn silence(&mut self, found: &mut dyn FnMut(Heard)) {
        while !self.bytes.is_empty() {
            self.drop_one();
            self.push(&[], found);
        }
    }

    /// No answer comes any more to what was asked last.
    pub fn give_up(&mut self) {
        self.asked = None;
    }

    fn drop_one(&mut self) {
        self.bytes.remove(0);
        self.noise += 1;
        self.asked = None;
    }

    fn front(&self) -> Front {
        let reply = self.asked.map_or(Front::Noise, |asked| reply(&self.bytes, asked));
        if let Front::Frame(..) = reply {
            return reply;
        }
        match (question(&self.bytes), reply) {
            (Front::Noise, reply) => reply,
            (question, _) => question,
        }
    }
}

fn reply(bytes: &[u8], asked: Asked) -> Front {
    let &[unit, function, ..] = bytes else { return Front::Open };
    let len = match asked.read {
        _ if unit != asked.unit || function & 0x7F != asked.function => return Front::Noise,
        _ if function & 0x80 != 0 => EXCEPTION_LEN,
        Some(read) => match bytes.get(2) {
            Some(&count) if count != read.byte_count() => return Front::Noise,
            Some(_) | None => reply_len(read),
        },
        // The answer to a write repeats its head; what it says is nobody's reading.
        None => REQUEST_LEN,
    };
    let Some(frame) = bytes.get(..len) else { return Front::Open };
    if !sealed(frame) {
        return Front::Noise;
    }
    let heard = match (asked.read, frame) {
        (_, &[unit, function, code, ..]) if function & 0x80 != 0 => Heard::Refusal { unit, code },
        (Some(read), _) => Heard::Values { unit, read, bytes: frame.get(3..len - 2).unwrap_or_default().to_vec() },
        (None, _) => Heard::Confirmed { unit },
    };
    Front::Frame(len, heard)
}

fn question(bytes: &[u8]) -> Front {
    let &[unit, function, ..] = bytes else { return Front::Open };
    if unit > 247 {
        return Front::Noise;
    }
    let len = match function {
        1..=6 => REQUEST_LEN,
        0x0F | 0x10 => match bytes.get(6) {
            Some(&count) => 9 + usize::from(count),
            None => return Front::Open,
        },
        _ => return Front::Noise,
    };
    let Some(frame) = bytes.get(..len) else { return Front::Open };
    let table = match function {
        1 => Some(Table::Coil),
        2 => Some(Table::Discrete),
        3 => Some(Table::Holding),
        4 => Some(Table::Input),
        _ => None,
    };
    let &[_, _, s1, s0, c1, c0, ..] = frame else { return Front::Noise };
    let read = match table {
        None => None,
        Some(table) => match Read::new(table, u16::from_be_bytes([s1, s0]), u16::from_be_bytes([c1, c0])) {
            Ok(read) => Some(read),
            Err(_) => return Front::Noise,
        },
    };
    if !sealed(frame) {
        return Front::Noise;
    }
    let unsure = matches!(function, 1 | 2) && s1 == 3;
    Front::Question(len, Asked { unit, function, read, unsure })
}

fn sealed(frame: &[u8]) -> bool {
    frame.split_last_chunk::<2>().is_some_and(|(body, sum)| crc(body).to_le_bytes() == *sum)
}

#[cfg(test)]
#[path = "overhear/tests.rs"]
mod tests;
