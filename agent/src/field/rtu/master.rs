//! The one master of an RTU line: asks, and believes only what can be the answer.
//!
//! An RTU reply carries unit, function and length, but not which request it belongs to: a late reply can look right.
//! Three walls stand against that. (1) Bytes that lie in the line before a request are thrown away, and the request
//! waits until the line has been silent for 3.5 characters. (2) A reply must have the unit, function, length and CRC of
//! its request and be followed by silence; where the line has a wire, it cannot begin before the request has left.
//! (3) A device that did not answer in time, or not believably, is not asked until its late answers have run out, and
//! then must answer two reads of different length (`poll`, [`Trust::Unnamed`]). Its neighbours go on meanwhile; a late
//! reply of another unit is recognised, counted and passed over.
//!
//! Runs on a thread of its own: a runtime's timers are a millisecond coarse, the silence is 1.75 ms. It sleeps, and
//! spins through the last 150 µs only. Never panics. Modbus over Serial Line V1.02 §2.4.1, §2.5.1.1.
//!
//! [`Trust::Unnamed`]: super::super::poll::Trust

use std::io;
use std::time::{Duration, Instant};

use tokio::sync::watch;

use super::frame::{MOST_LEN, REQUEST_LEN, Reception, examine, reply_len, request};
use super::line::Line;
use crate::field::failure::{Failure, Garble};
use crate::field::poll::{Poll, Step};
use crate::field::request::{Answer, Read};
use crate::field::stats::count;

/// The last stretch of a silence is spun through: a thread sleeps 50 to 100 µs too long.
const SPIN: Duration = Duration::from_micros(150);
/// A stop is noticed within this.
const NAP: Duration = Duration::from_millis(50);
/// A connection on which nobody has answered for so long is made anew.
const RENEW_AFTER: Duration = Duration::from_secs(5);
/// A line that never falls silent for so long belongs to somebody else.
const NEVER_SILENT: Duration = Duration::from_millis(500);

/// Polls a line until `stop` becomes true or its sender is gone. `open` makes the line, again after each loss.
pub(in crate::field) fn run(
    mut poll: Poll,
    mut open: impl FnMut() -> Result<Box<dyn Line>, String>,
    stop: &watch::Receiver<bool>,
) {
    let mut master: Option<Master> = None;
    while !*stop.borrow() && stop.has_changed().is_ok() {
        match poll.step(Instant::now()) {
            Step::Wait(until) => {
                let wait = until.map_or(NAP, |until| until.saturating_duration_since(Instant::now()));
                std::thread::sleep(wait.min(NAP));
            }
            Step::Connect => match open() {
                Ok(line) => {
                    master = Some(Master::new(line));
                    poll.connected(Instant::now());
                }
                Err(why) => poll.connect_failed(Instant::now(), why),
            },
            Step::Ask(job) => {
                let Some(open) = &mut master else {
                    poll.lost(Instant::now());
                    continue;
                };
                let device = poll.device(&job);
                let (unit, timeout, pause) = (device.unit, device.timeout, device.pause);
                let outcome = poll.read(&job).and_then(|read| open.ask(unit, read, timeout, pause));
                let now = Instant::now();
                count(&poll.link_counters().stray_bytes, std::mem::take(&mut open.stray_bytes));
                let (asked, answered) = (open.asked, open.answered.unwrap_or(now));
                if matches!(outcome, Err(Failure::Closed(_))) || open.is_dead(now) {
                    master = None;
                    poll.lost(now);
                }
                let answer = match &outcome {
                    Ok(values) => Ok(values.answer()),
                    Err(failure) => Err(failure.clone()),
                };
                poll.done(job, asked, answered, answer);
            }
        }
    }
}

/// The values of a believed reply.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Values {
    Registers(Vec<u16>),
    Bits(Vec<bool>),
}

/// A line and what is known of its last moments.
pub(super) struct Master {
    line: Box<dyn Line>,
    /// When the last byte passed, either way.
    last_byte: Instant,
    /// When the last request had left.
    pub(super) asked: Instant,
    /// When the reply to it was complete.
    pub(super) answered: Option<Instant>,
    /// When anybody last answered (or the line was opened).
    last_answer: Instant,
    /// Bytes thrown away since somebody last took this number.
    pub(super) stray_bytes: u64,
}

impl Master {
    pub(super) fn new(line: Box<dyn Line>) -> Self {
        let now = Instant::now();
        Self { line, last_byte: now, asked: now, answered: None, last_answer: now, stray_bytes: 0 }
    }

    /// One exchange. Waits for silence (at least `pause`) before it speaks, and for silence after the reply.
    pub(super) fn ask(&mut self, unit: u8, read: Read, timeout: Duration, pause: Duration) -> Result<Values, Failure> {
        self.asked = Instant::now();
        self.answered = None;
        let exchanged = self.exchange(unit, read, timeout, pause);
        let values = exchanged.unwrap_or_else(|error| Err(Failure::Closed(error.to_string())));
        if !matches!(values, Err(Failure::Silence { .. } | Failure::Closed(_))) {
            self.last_answer = Instant::now();
        }
        values
    }

    /// Whether the line is a connection that has been silent for so long that it is probably none any more.
    fn is_dead(&self, now: Instant) -> bool {
        self.line.is_connection() && now.saturating_duration_since(self.last_answer) >= RENEW_AFTER
    }

    fn exchange(
        &mut self,
        unit: u8,
        read: Read,
        timeout: Duration,
        pause: Duration,
    ) -> io::Result<Result<Values, Failure>> {
        let pace = self.line.pace();
        if let Err(garble) = self.fall_silent(pace.silence.max(pause))? {
            return Ok(Err(Failure::Garbled(garble)));
        }
        let begun = Instant::now();
        self.line.write(&request(unit, read))?;
        let written = Instant::now();
        self.asked = if pace.wire { written.max(begun + pace.characters(REQUEST_LEN)) } else { written };
        self.last_byte = self.asked;
        let mut frame = [0; MOST_LEN];
        let mut len = 0;
        let mut passed_over = None;
        let last_moment =
            self.asked + timeout + if pace.wire { pace.characters(reply_len(read)) } else { Duration::ZERO };
        let mut until = last_moment;
        loop {
            let room = frame.get_mut(len..).unwrap_or_default();
            if room.is_empty() {
                return Ok(Err(Failure::Garbled(Garble::Long)));
            }
            let got = self.line.read(room, until)?;
            if got == 0 {
                if Instant::now() < until {
                    continue;
                }
                return Ok(Err(nothing_more(len, unit, passed_over, timeout)));
            }
            let now = Instant::now();
            self.last_byte = now;
            if len == 0 && pace.wire && now < self.asked {
                self.stray_bytes += got as u64;
                return Ok(Err(Failure::Garbled(Garble::Early)));
            }
            len += got;
            // A frame of a late answer may stand before ours.
            while let Reception::Foreign { unit: other, len: foreign } = examine(&frame[..len], unit, read) {
                passed_over = Some(other);
                self.stray_bytes += foreign as u64;
                frame.copy_within(foreign..len, 0);
                len -= foreign;
            }
            let result = match examine(&frame[..len], unit, read) {
                Reception::More(whole) => {
                    // Once it has begun, the rest follows at the line's pace.
                    let rest = pace.characters(whole.saturating_sub(len)) + pace.lump;
                    until = if len == 0 { last_moment } else { now + rest };
                    continue;
                }
                Reception::Values(bytes) => Ok(decode(bytes, read)),
                Reception::Exception(code) => Err(Failure::Exception { code }),
                Reception::Wrong(garble) => Err(Failure::Garbled(garble)),
                Reception::Foreign { .. } => continue,
            };
            if matches!(result, Err(Failure::Garbled(_))) {
                self.stray_bytes += len as u64;
                return Ok(result);
            }
            self.answered = Some(now);
            // More bytes would mean that this was only the beginning of something else.
            sleep_until(self.last_byte + pace.silence);
            if self.line.has_bytes()? {
                return Ok(Err(Failure::Garbled(Garble::Long)));
            }
            return Ok(result);
        }
    }

    /// Throws away what lies in the line until it has been silent for so long.
    fn fall_silent(&mut self, silence: Duration) -> io::Result<Result<(), Garble>> {
        let mut since = None;
        loop {
            sleep_until(self.last_byte + silence);
            if !self.line.has_bytes()? {
                return Ok(Ok(()));
            }
            let mut waste = [0; MOST_LEN];
            self.stray_bytes += self.line.read(&mut waste, Instant::now())? as u64;
            self.last_byte = Instant::now();
            if self.last_byte.saturating_duration_since(*since.get_or_insert(self.last_byte)) > NEVER_SILENT {
                return Ok(Err(Garble::Early));
            }
        }
    }
}

impl Values {
    pub(super) fn answer(&self) -> Answer<'_> {
        match self {
            Self::Registers(registers) => Answer::Registers(registers),
            Self::Bits(bits) => Answer::Bits(bits),
        }
    }
}

fn nothing_more(len: usize, unit: u8, passed_over: Option<u8>, timeout: Duration) -> Failure {
    match (len, passed_over) {
        (0, None) => Failure::Silence { timeout_ms: u64::try_from(timeout.as_millis()).unwrap_or(u64::MAX) },
        (0, Some(other)) => Failure::Garbled(Garble::Unit { asked: unit, got: other }),
        (len, _) => Failure::Garbled(Garble::Short { got: u16::try_from(len).unwrap_or(u16::MAX) }),
    }
}

/// The values of a frame whose byte count was compared with the request's.
fn decode(bytes: &[u8], read: Read) -> Values {
    if read.is_bits() {
        // Least significant bit first (MODBUS Application Protocol V1.1b3 §6.1).
        let bits = bytes.iter().flat_map(|byte| (0..8).map(move |n| byte >> n & 1 == 1));
        Values::Bits(bits.take(usize::from(read.count())).collect())
    } else {
        Values::Registers(bytes.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect())
    }
}

fn sleep_until(moment: Instant) {
    let left = moment.saturating_duration_since(Instant::now());
    if left > SPIN {
        std::thread::sleep(left - SPIN);
    }
    while Instant::now() < moment {
        std::hint::spin_loop();
    }
}

#[cfg(test)]
#[path = "master/tests.rs"]
mod tests;
