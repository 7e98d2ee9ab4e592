//! Modbus RTU as the devices of a line speak it: request frames out of bytes, answer frames out of banks.
//!
//! Written on its own, apart from any master, so that a misreading on one side is not repeated on the other.
//! Knows nothing of clocks, ports or baud rates: silence is told to it, delays are only named in what it returns.
//! A request is cut by the length its function implies; a function without one waits for silence. Never panics.
//! MODBUS over Serial Line V1.02 §2.5.1 (framing, CRC), Application Protocol V1.1b3 §6 (lengths).
//!
//! ```text
//! unit | function | data … | CRC low | CRC high      at most 256 bytes
//! ```

use std::sync::Arc;
use std::time::Duration;

use crc::{CRC_16_MODBUS, Crc};

use super::answer::{Answer, CONFORMITY_BASIC, Exception, Query, answer, twin};
use super::{Traffic, Unit};
use crate::bank::Manner;

/// A frame of a device and when it begins, counted from the end of the device's usual turnaround.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Reply {
    pub(crate) late: Duration,
    /// Whole characters after that: a second device with the same address is never in step.
    pub(crate) chars_late: u32,
    pub(crate) frame: Vec<u8>,
}

/// Cuts request frames out of what is heard. Holds at most one frame.
#[derive(Debug, Default)]
pub(crate) struct Framer {
    heard: Vec<u8>,
    /// Out of step with the sender: nothing counts until the line is silent.
    lost: bool,
}

/// The devices of one line.
#[derive(Debug)]
pub(crate) struct Slaves {
    units: Vec<Unit>,
    traffic: Arc<Traffic>,
    /// Counts bad answers, so that each kind of them has its turn.
    turn: u32,
}

const FRAME_MAX: usize = 256;
const CRC: Crc<u16> = Crc::<u16>::new(&CRC_16_MODBUS);

/// Adds the checksum, low byte first.
pub(crate) fn with_crc(mut frame: Vec<u8>) -> Vec<u8> {
    let crc = CRC.checksum(&frame);
    frame.extend_from_slice(&crc.to_le_bytes());
    frame
}

/// The frame without its checksum, if that is right.
pub(crate) fn checked(frame: &[u8]) -> Option<&[u8]> {
    let (body, crc) = frame.split_last_chunk::<2>()?;
    (body.len() >= 2 && CRC.checksum(body) == u16::from_le_bytes(*crc)).then_some(body)
}

impl Framer {
    /// Takes bytes that arrived without a silence between them; every whole frame goes to `found`.
    pub(crate) fn push(&mut self, bytes: &[u8], found: &mut impl FnMut(&[u8])) {
        for &byte in bytes {
            if self.lost {
                return;
            }
            self.heard.push(byte);
            match request_length(&self.heard) {
                Length::Exactly(length) if self.heard.len() >= length => {
                    if checked(&self.heard).is_none() {
                        self.lose();
                        return;
                    }
                    found(&self.heard);
                    self.heard.clear();
                }
                Length::Exactly(_) | Length::NotYet | Length::BySilence => {
                    if self.heard.len() >= FRAME_MAX {
                        self.lose();
                        return;
                    }
                }
            }
        }
    }

    /// The line has been silent for 3.5 characters: what is held is a frame or it is nothing. True if it is nothing.
    pub(crate) fn silence(&mut self, found: &mut impl FnMut(&[u8])) -> bool {
        let whole = matches!(request_length(&self.heard), Length::BySilence) && checked(&self.heard).is_some();
        if whole {
            found(&self.heard);
        }
        let nothing = !whole && self.waiting();
        self.heard.clear();
        self.lost = false;
        nothing
    }

    /// What was just heard was garbled on the line.
    pub(crate) fn lose(&mut self) {
        self.heard.clear();
        self.lost = true;
    }

    /// True while silence would change something.
    pub(crate) fn waiting(&self) -> bool {
        self.lost || !self.heard.is_empty()
    }
}

enum Length {
    Exactly(usize),
    NotYet,
    BySilence,
}

/// How long a request is, unit and checksum included.
fn request_length(heard: &[u8]) -> Length {
    let counted = |at: usize| match heard.get(at) {
        Some(&count) => Length::Exactly(at + 1 + usize::from(count) + 2),
        None => Length::NotYet,
    };
    match heard.get(1) {
        None => Length::NotYet,
        Some(0x01..=0x06 | 0x08) => Length::Exactly(8),
        Some(0x07 | 0x0B | 0x0C | 0x11) => Length::Exactly(4),
        Some(0x0F | 0x10) => counted(6),
        Some(0x14 | 0x15) => counted(2),
        Some(0x16) => Length::Exactly(10),
        Some(0x17) => counted(10),
        Some(0x18) => Length::Exactly(6),
        Some(0x2B) => match heard.get(2) {
            None => Length::NotYet,
            Some(0x0E) => Length::Exactly(7),
            Some(_) => Length::BySilence,
        },
        Some(_) => Length::BySilence,
    }
}

impl Slaves {
    pub(crate) fn new(units: Vec<Unit>, traffic: Arc<Traffic>) -> Self {
        Self { units, traffic, turn: 0 }
    }

    /// Counts bytes that made no frame.
    pub(crate) fn undecodable(&self) {
        self.traffic.undecodable();
    }

    /// The unit that the `nth` request of another master would go to; `None` on an empty line.
    pub(crate) fn unit_in_turn(&self, nth: u32) -> Option<u8> {
        let count = u32::try_from(self.units.len()).unwrap_or(u32::MAX);
        let at = usize::try_from(nth.checked_rem(count)?).ok()?;
        self.units.get(at).map(|unit| unit.unit)
    }

    /// One request frame with a right checksum was heard by all; what the addressed device sends goes to `replies`.
    pub(crate) fn hear(&mut self, frame: &[u8], replies: &mut Vec<Reply>) {
        let Some((&address, pdu)) = checked(frame).and_then(<[u8]>::split_first) else {
            self.traffic.undecodable();
            return;
        };
        let (Some(query), Some(&function)) = (Query::from_pdu(pdu), pdu.first()) else {
            self.traffic.undecodable();
            return;
        };
        self.traffic.request();
        if query == Query::Write {
            self.traffic.write_attempt();
        }
        let Some(unit) = self.units.iter().find(|unit| unit.unit == address) else {
            if address != 0 {
                self.traffic.unknown_unit();
            }
            return; // a broadcast is not answered (§2.1), nor is a unit nobody has
        };
        let (said, manner) = {
            let bank = unit.bank.lock();
            (answer(&bank, &unit.name, query), bank.manner.clone())
        };
        let encode = |said: Result<Answer, Exception>| with_crc(encode_answer(address, function, said));
        let well =
            |late_ms: u32, frame| Reply { late: Duration::from_millis(u64::from(late_ms)), chars_late: 0, frame };
        match manner {
            Manner::Well => replies.push(well(0, encode(said))),
            Manner::Silent => {}
            Manner::Slow { delay_ms } => replies.push(well(delay_ms, encode(said))),
            Manner::Garbage => {
                self.turn = self.turn.wrapping_add(1);
                replies.push(well(0, garbage(encode(said), self.turn)));
            }
            Manner::Doubled => {
                self.turn = self.turn.wrapping_add(1);
                replies.push(well(0, encode(said.clone())));
                replies.push(Reply { late: Duration::ZERO, chars_late: self.turn % 3, frame: encode(said.map(twin)) });
            }
        }
    }
}

/// Unit, function and data of an answer or of an exception, without checksum.
fn encode_answer(unit: u8, function: u8, said: Result<Answer, Exception>) -> Vec<u8> {
    let length = |count: usize| u8::try_from(count).expect("invariant: read limits keep every count under 251");
    let mut frame = vec![unit, function];
    match said {
        Ok(Answer::Bits(bits)) => {
            frame.push(length(bits.len().div_ceil(8)));
            for eight in bits.chunks(8) {
                frame.push(eight.iter().rev().fold(0, |byte, &bit| byte << 1 | u8::from(bit)));
            }
        }
        Ok(Answer::Registers(registers)) => {
            frame.push(length(registers.len() * 2));
            frame.extend(registers.iter().flat_map(|register| register.to_be_bytes()));
        }
        Ok(Answer::Identification { code, objects }) => {
            frame.extend_from_slice(&[0x0E, code, CONFORMITY_BASIC, 0, 0, length(objects.len())]);
            for (id, text) in objects {
                let text = &text.as_bytes()[..text.len().min(64)];
                frame.extend_from_slice(&[id, length(text.len())]);
                frame.extend_from_slice(text);
            }
        }
        Err(exception) => {
            frame[1] = function | 0x80;
            frame.push(exception as u8);
        }
    }
    frame
}

/// Spoils a right frame, in another way each turn.
fn garbage(mut frame: Vec<u8>, turn: u32) -> Vec<u8> {
    let body_length = frame.len().saturating_sub(2);
    let again = |mut frame: Vec<u8>| {
        frame.truncate(body_length);
        with_crc(frame)
    };
    match turn % 7 {
        // wrong checksum
        1 => {
            if let Some(last) = frame.last_mut() {
                *last ^= 0x5A;
            }
            frame
        }
        // noise in front: line bias, or a driver that was switched late
        2 => [&[0x00, 0xFF, 0x7E][..], &frame].concat(),
        // cut short
        3 => {
            frame.truncate(frame.len() / 2);
            frame
        }
        // another unit's number, checksum right
        4 => {
            frame[0] = frame[0].wrapping_add(1);
            again(frame)
        }
        // another function, checksum right
        5 => {
            frame[1] ^= 0x07;
            again(frame)
        }
        // one byte more than the byte count says, checksum right
        6 => {
            frame.insert(body_length, 0);
            frame.truncate(body_length + 1);
            with_crc(frame)
        }
        // nothing of a frame
        _ => frame.iter().map(|byte| byte.rotate_left(3) ^ 0xA5).collect(),
    }
}

#[cfg(test)]
#[path = "rtu/tests.rs"]
mod tests;
