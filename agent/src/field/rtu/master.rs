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
//! What cannot be told apart: a gateway that serves two masters and sends this one the reply to the other's question to the
//! same unit, function and length. Over TCP nothing in it says whose it is. On a wire it is refused where it comes sooner than
//! the line could carry it; where the same points are asked by both, it is right all the same. Such a gateway needs a port
//! or a connection a master.
//!
//! Where another master speaks on the same line, its requests are recognised and told; the agent then waits for the
//! reply to them before it speaks itself, so that such a reply is not taken for its own.
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
use super::listen::{Before, before_speaking};
use super::overhear::{Heard, Overhear};
use crate::cause::Cause;
use crate::field::failure::{End, Failure, Garble};
use crate::field::poll::{Poll, Step};
use crate::field::request::{Answer, Read};
use crate::field::stats::count;
use crate::field::why::Unreached;

/// The last stretch of a silence is spun through: a thread sleeps 50 to 100 µs too long.
const SPIN: Duration = Duration::from_micros(150);
/// A stop is noticed within this.
const NAP: Duration = Duration::from_millis(50);
/// A connection on which nobody has answered for so long is made anew.
const RENEW_AFTER: Duration = Duration::from_secs(5);
/// A line that never falls silent for so long belongs to somebody else.
const NEVER_SILENT: Duration = Duration::from_millis(500);

/// A line that was ours and was away is listened to for so long at most.
const LISTEN_AGAIN: Duration = Duration::from_secs(1);

/// Polls a line until `stop` becomes true or its sender is gone. `open` makes the line, again after each loss; it is
/// listened to for a while before the first word.
pub(in crate::field) fn run(
    mut poll: Poll,
    mut open: impl FnMut() -> Result<Box<dyn Line>, Unreached>,
    mut listen_first: Duration,
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
                Ok(mut line) => match before_speaking(line.as_mut(), listen_first, stop) {
                    Ok(Before::Free) => {
                        listen_first = listen_first.min(LISTEN_AGAIN);
                        let now = Instant::now();
                        master = Some(Master::new(line));
                        poll.connected(now);
                        poll.foreign_requests(0, 0, now);
                    }
                    Ok(Before::Foreign(requests, unit)) => {
                        let now = Instant::now();
                        poll.foreign_requests(requests, unit, now);
                        poll.connect_refused(now, Unreached::AnotherMaster { requests, unit });
                    }
                    Ok(Before::Stopped) => return,
                    Err(error) => {
                        poll.connect_failed(Instant::now(), Unreached::LineGone { why: Cause::io(&error) });
                    }
                },
                Err(unreached) => poll.connect_failed(Instant::now(), unreached),
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
                let (requests, foreign_unit) = std::mem::take(&mut open.foreign);
                poll.foreign_requests(requests, foreign_unit, now);
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
pub(in crate::field) enum Values {
    Registers(Vec<u16>),
    Bits(Vec<bool>),
}

/// A line and what is known of its last moments.
pub(in crate::field) struct Master {
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
    /// Requests that were not ours since somebody last took this, and the unit of the last.
    pub(super) foreign: (u32, u8),
    overhear: Overhear,
    /// Until then the reply to another master's request may come.
    theirs_until: Option<Instant>,
}

impl Master {
    pub(in crate::field) fn new(line: Box<dyn Line>) -> Self {
        let now = Instant::now();
        Self {
            line,
            last_byte: now,
            asked: now,
            answered: None,
            last_answer: now,
            stray_bytes: 0,
            foreign: (0, 0),
            overhear: Overhear::default(),
            theirs_until: None,
        }
    }

    /// One exchange. Waits for silence (at least `pause`) before it speaks, and for silence after the reply.
    pub(in crate::field) fn ask(
        &mut self,
        unit: u8,
        read: Read,
        timeout: Duration,
        pause: Duration,
    ) -> Result<Values, Failure> {
        self.asked = Instant::now();
        self.answered = None;
        let exchanged = self.exchange(unit, read, timeout, pause);
        let values = exchanged.unwrap_or_else(|error| Err(Failure::Closed(End::Told(Cause::io(&error)))));
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
        if let Err(garble) = self.fall_silent(pace.silence.max(pause), timeout)? {
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
                self.stray(frame.get(..got).unwrap_or_default(), timeout);
                return Ok(Err(Failure::Garbled(Garble::Early)));
            }
            len += got;
            // A frame of a late answer may stand before ours.
            while let Reception::Foreign { unit: other, len: foreign } = examine(&frame[..len], unit, read) {
                passed_over = Some(other);
                self.stray(frame.get(..foreign).unwrap_or_default(), timeout);
                frame.copy_within(foreign..len, 0);
                len -= foreign;
            }
            let result = match examine(&frame[..len], unit, read) {
                // Somebody who never falls silent must not keep us from the next device: the deadline holds between his frames.
                Reception::More(_) if passed_over.is_some() && now > last_moment + pace.lump => {
                    self.stray(frame.get(..len).unwrap_or_default(), timeout);
                    return Ok(Err(nothing_more(0, unit, passed_over, timeout)));
                }
                Reception::More(whole) => {
                    // Once it has begun, the rest follows at the line's pace.
                    let rest = pace.characters(whole.saturating_sub(len)) + pace.lump;
                    until = if len == 0 { last_moment } else { now + rest };
                    continue;
                }
                // Sooner than the line can carry it: it was under way before it was asked for, from a gateway that serves
                // two masters or from somebody who speaks in between.
                Reception::Values(_) if pace.wire && now < self.earliest(begun, len) => {
                    Err(Failure::Garbled(Garble::Early))
                }
                Reception::Values(bytes) => Ok(decode(bytes, read)),
                Reception::Exception(code) => Err(Failure::Exception { code }),
                Reception::Wrong(garble) => Err(Failure::Garbled(garble)),
                Reception::Foreign { .. } => continue,
            };
            if matches!(result, Err(Failure::Garbled(_))) {
                self.stray(&frame[..len], timeout);
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

    /// When a reply of so many bytes can be here at the soonest, by the characters of request and reply alone; devices whose
    /// clock is fast by up to 5 % are allowed for (common practice, no source).
    fn earliest(&self, begun: Instant, len: usize) -> Instant {
        begun + self.line.pace().characters(REQUEST_LEN + len).mul_f64(0.95)
    }

    /// Throws away what lies in the line until it has been silent for so long, and until another master that has asked
    /// has its reply or waits in vain.
    fn fall_silent(&mut self, silence: Duration, patience: Duration) -> io::Result<Result<(), Garble>> {
        let mut since = None;
        loop {
            sleep_until(self.last_byte + silence);
            if !self.line.has_bytes()? {
                // What was begun is no frame of theirs.
                self.understand(|overhear, found| overhear.silence(found), patience);
                let Some(until) = self.theirs_until.filter(|until| *until > Instant::now()) else {
                    self.overhear.give_up();
                    self.theirs_until = None;
                    return Ok(Ok(()));
                };
                sleep_until(until.min(Instant::now() + silence));
                continue;
            }
            let mut waste = [0; MOST_LEN];
            let got = self.line.read(&mut waste, Instant::now())?;
            self.last_byte = Instant::now();
            self.stray(waste.get(..got).unwrap_or_default(), patience);
            if self.last_byte.saturating_duration_since(*since.get_or_insert(self.last_byte)) > NEVER_SILENT {
                return Ok(Err(Garble::Early));
            }
        }
    }

    /// Bytes that are no answer to us: counted, and understood if they are another master's.
    fn stray(&mut self, bytes: &[u8], patience: Duration) {
        self.stray_bytes += bytes.len() as u64;
        self.understand(|overhear, found| overhear.push(bytes, found), patience);
    }

    fn understand(&mut self, hear: impl FnOnce(&mut Overhear, &mut dyn FnMut(Heard)), patience: Duration) {
        let foreign = &mut self.foreign;
        hear(&mut self.overhear, &mut |heard| {
            if let Heard::Request { unit, .. } = heard {
                *foreign = (foreign.0.saturating_add(1), unit);
            }
        });
        self.theirs_until = match (self.overhear.awaits_reply(), self.theirs_until) {
            (false, _) => None,
            (true, None) => Some(Instant::now() + patience),
            (true, until) => until,
        };
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
