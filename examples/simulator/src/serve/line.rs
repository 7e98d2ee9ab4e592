//! A two-wire line as a shared medium: when each character is on it, who hears it, and what two speakers do to each
//! other.
//!
//! Decides the time and the bytes of everything the polling master hears. Pure: time is a [`Duration`] since any
//! start, passed in and never going back; no port, no thread. Knows nothing of what registers mean. Never panics.
//! Half duplex: characters that overlap arrive garbled, and a request that overlaps an answer is heard by no device.
//! MODBUS over Serial Line V1.02 §2.5.1.1 (3.5 characters of silence, 1.75 ms above 19200 baud). Eleven bits a
//! character, parity or second stop bit included (§2.5.1). A device's turnaround of 2 ms after the silence is common
//! practice, no source.

use std::collections::VecDeque;
use std::time::Duration;

use super::rtu::{Framer, Reply, Slaves, with_crc};

const BITS_A_CHARACTER: u64 = 11;
const TURNAROUND: Duration = Duration::from_millis(2);
/// Characters that wait at most, in the polling master's sender and from all other speakers; more are lost, as in the
/// buffers of ports and serial servers.
const WAITING_MAX: usize = 4096;
/// How often another master asks something.
const FOREIGN_PERIOD: Duration = Duration::from_millis(700);

/// The line and the devices on it.
#[derive(Debug)]
pub(crate) struct Line {
    character: Duration,
    silence: Duration,
    slaves: Slaves,
    framer: Framer,
    /// End of the last character the polling master sent.
    heard_until: Duration,
    /// What is or will be on the line from other speakers, by time; characters do not overlap.
    to_come: VecDeque<Character>,
    /// Another master's next request, and the one on the line now.
    foreign_next: Option<Duration>,
    foreign_now: Option<Foreign>,
    foreign_count: u32,
}

#[derive(Clone, Copy, Debug)]
struct Character {
    end: Duration,
    byte: u8,
}

#[derive(Debug)]
struct Foreign {
    begin: Duration,
    end: Duration,
    /// Empty once it was garbled.
    frame: Vec<u8>,
}

impl Line {
    pub(crate) fn new(baud: u32, slaves: Slaves) -> Self {
        let character = Duration::from_nanos(BITS_A_CHARACTER * 1_000_000_000 / u64::from(baud.max(1)));
        let silence = if baud > 19_200 { Duration::from_micros(1750) } else { character * 7 / 2 };
        Self {
            character,
            silence,
            slaves,
            framer: Framer::default(),
            heard_until: Duration::ZERO,
            to_come: VecDeque::new(),
            foreign_next: None,
            foreign_now: None,
            foreign_count: 0,
        }
    }

    /// The polling master put `bytes` into its sender at `now`; they go out one after the other.
    pub(crate) fn master_sends(&mut self, now: Duration, bytes: &[u8]) {
        if bytes.is_empty() {
            return;
        }
        if now >= self.heard_until + self.silence {
            self.master_silent();
        }
        let begin = now.max(self.heard_until);
        let end = begin + self.span(bytes.len());
        if end > now + self.span(WAITING_MAX) {
            self.framer.lose();
            return;
        }
        self.heard_until = end;
        let mut collided = self.garble(begin, end);
        if let Some(foreign) = &mut self.foreign_now
            && foreign.begin < end
            && begin < foreign.end
        {
            foreign.frame.clear();
            collided = true;
        }
        if collided {
            self.framer.lose();
            return;
        }
        let (slaves, mut replies) = (&mut self.slaves, Vec::new());
        self.framer.push(bytes, &mut |frame| slaves.hear(frame, &mut replies));
        self.answer(end, replies);
    }

    /// Lets time go on to `now`; whatever the polling master has heard until then is appended to `heard`.
    /// `second_master` says whether another master is connected.
    pub(crate) fn advance(&mut self, now: Duration, second_master: bool, heard: &mut Vec<u8>) {
        if self.framer.waiting() && now >= self.heard_until + self.silence {
            self.master_silent();
        }
        self.foreign(now, second_master);
        while let Some(character) = self.to_come.front().filter(|character| character.end <= now) {
            heard.push(character.byte);
            self.to_come.pop_front();
        }
    }

    /// When [`Line::advance`] has something to do next, if at most `together` characters may be handed over at once.
    pub(crate) fn next_at(&self, together: usize) -> Option<Duration> {
        let silence = self.framer.waiting().then_some(self.heard_until + self.silence);
        let foreign_end = self.foreign_now.as_ref().map(|foreign| foreign.end);
        [self.run_end(together), silence, foreign_end, self.foreign_next].into_iter().flatten().min()
    }

    /// Forgets everything on the line: it was cut.
    pub(crate) fn cut(&mut self) {
        self.to_come.clear();
        self.foreign_now = None;
        self.framer = Framer::default();
    }

    fn span(&self, characters: usize) -> Duration {
        self.character * u32::try_from(characters).unwrap_or(u32::MAX)
    }

    fn master_silent(&mut self) {
        let end = self.heard_until;
        let (slaves, mut replies) = (&mut self.slaves, Vec::new());
        let nothing = self.framer.silence(&mut |frame| slaves.hear(frame, &mut replies));
        if nothing {
            self.slaves.undecodable();
        }
        self.answer(end + self.silence, replies);
    }

    /// Puts the devices' answers to a request that ended at `end` on the line.
    fn answer(&mut self, end: Duration, replies: Vec<Reply>) {
        for reply in replies {
            let begin = end + self.silence + TURNAROUND + reply.late + self.character * reply.chars_late;
            self.put(begin, &reply.frame);
        }
    }

    /// Puts a frame on the line. Where another speaker's character already is, that one arrives garbled and the new
    /// one not at all: the receiver sees one character.
    fn put(&mut self, begin: Duration, frame: &[u8]) {
        if self.to_come.len() + frame.len() > WAITING_MAX {
            return;
        }
        for (place, &byte) in (1u32..).zip(frame) {
            let end = begin + self.character * place;
            let begin = end - self.character;
            let before = self.to_come.partition_point(|other| other.end <= begin);
            match self.to_come.get_mut(before) {
                Some(other) if other.end < end + self.character => other.byte &= byte.rotate_left(1),
                _ => self.to_come.insert(before, Character { end, byte }),
            }
        }
    }

    /// Garbles what others say between `begin` and `end`; true if there was anything.
    fn garble(&mut self, begin: Duration, end: Duration) -> bool {
        let from = self.to_come.partition_point(|other| other.end <= begin);
        let hit = self.to_come.range_mut(from..).take_while(|other| other.end < end + self.character);
        hit.fold(false, |_, other| {
            other.byte &= 0x55;
            true
        })
    }

    /// The end of the last of at most `together` characters that follow each other without a pause.
    fn run_end(&self, together: usize) -> Option<Duration> {
        let mut end = self.to_come.front()?.end;
        for character in self.to_come.iter().take(together).skip(1) {
            if character.end > end + self.character + self.character / 2 {
                break;
            }
            end = character.end;
        }
        Some(end)
    }

    /// The other master: asks each unit in turn for its first two holding registers, without listening first.
    fn foreign(&mut self, now: Duration, connected: bool) {
        if let Some(foreign) = self.foreign_now.take_if(|foreign| foreign.end <= now)
            && !foreign.frame.is_empty()
        {
            let mut replies = Vec::new();
            self.slaves.hear(&foreign.frame, &mut replies);
            self.answer(foreign.end, replies);
        }
        if !connected {
            self.foreign_next = None;
            return;
        }
        let next = *self.foreign_next.get_or_insert(now);
        if next > now || self.foreign_now.is_some() {
            return;
        }
        self.foreign_next = Some(now + FOREIGN_PERIOD);
        let Some(unit) = self.slaves.unit_in_turn(self.foreign_count) else {
            return;
        };
        self.foreign_count = self.foreign_count.wrapping_add(1);
        let mut frame = with_crc(vec![unit, 0x03, 0, 0, 0, 2]);
        let (begin, end) = (now, now + self.span(frame.len()));
        let busy = self.to_come.iter().any(|other| other.end > begin && other.end < end + self.character);
        let master_speaks = self.heard_until > begin;
        self.put(begin, &frame);
        if busy || master_speaks {
            frame.clear();
        }
        if master_speaks {
            self.framer.lose();
        }
        self.foreign_now = Some(Foreign { begin, end, frame });
    }
}

#[cfg(test)]
#[path = "line/tests.rs"]
mod tests;
