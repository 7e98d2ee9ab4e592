//! A serial line of the bench's own: a pseudo-terminal whose devices answer at the pace of real wire.
//!
//! Units 1 to 14 answer functions 03 and 04 with as many registers as asked. A request takes its characters' time, then
//! come 3.5 characters of silence, the device's turnaround, and the answer, handed over in lumps of 14 characters as
//! common ports do. Requests that come before the line has been silent long enough are counted. A thread, which spins
//! through the last stretch of each wait. Modbus over Serial Line V1.02 §2.5.1.1. Panics when there is no terminal.

use std::os::fd::OwnedFd;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{Mode, OFlags, open};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};

const REQUEST: usize = 8;
const LUMP: usize = 14;
const SPIN: Duration = Duration::from_micros(150);

/// How long things take on the line.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pace {
    pub(crate) baud: u32,
    pub(crate) bits: u32,
    pub(crate) turnaround: Duration,
}

impl Pace {
    pub(crate) fn character(self) -> Duration {
        Duration::from_nanos(u64::from(self.bits) * 1_000_000_000 / u64::from(self.baud))
    }

    pub(crate) fn silence(self) -> Duration {
        if self.baud > 19_200 { Duration::from_micros(1750) } else { self.character() * 7 / 2 }
    }

    /// The least time of a read of so many registers.
    pub(crate) fn read(self, registers: u32) -> Duration {
        self.character() * (8 + 5 + 2 * registers) + self.silence() * 2 + self.turnaround
    }
}

/// What the line was asked.
#[derive(Debug, Default)]
pub(crate) struct Seen {
    /// Moments at which requests to unit 1 began.
    pub(crate) of_first: Vec<Instant>,
    pub(crate) requests: u64,
    /// Requests that came too early after an answer.
    pub(crate) early: u64,
}

/// A running line; ends when dropped.
pub(crate) struct PacedLine {
    path: String,
    seen: Arc<Mutex<Seen>>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl PacedLine {
    pub(crate) fn start(pace: Pace) -> Self {
        Self::start_without(pace, 0)
    }

    /// One whose given unit never answers.
    pub(crate) fn start_without(pace: Pace, dead: u8) -> Self {
        let terminal = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).expect("a terminal");
        grantpt(&terminal).and_then(|()| unlockpt(&terminal)).expect("a terminal of ours");
        let path = ptsname(&terminal, Vec::new()).expect("it has a name").into_string().expect("of plain text");
        let slave = open(&path, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty()).expect("its other end");
        let mut settings = tcgetattr(&slave).expect("settings");
        settings.make_raw();
        tcsetattr(&slave, OptionalActions::Now, &settings).expect("raw mode");
        let (seen, stop) = (Arc::<Mutex<Seen>>::default(), Arc::<AtomicBool>::default());
        let (to_seen, to_stop) = (Arc::clone(&seen), Arc::clone(&stop));
        // The other end stays open, so that a terminal nobody has open is no end of the line.
        let thread = std::thread::spawn(move || serve(&terminal, &slave, (pace, dead), &to_seen, &to_stop));
        Self { path, seen, stop, thread: Some(thread) }
    }

    pub(crate) fn path(&self) -> &str {
        &self.path
    }

    /// Waits until unit 1 was asked so often since now; the times between.
    pub(crate) fn cycles(&self, count: usize, within: Duration) -> Vec<f64> {
        let until = Instant::now() + within;
        let before = self.seen.lock().unwrap_or_else(PoisonError::into_inner).of_first.len();
        loop {
            let seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
            if let Some(moments) = seen.of_first.get(before..=before + count) {
                return moments.windows(2).map(|two| (two[1] - two[0]).as_secs_f64()).collect();
            }
            drop(seen);
            assert!(Instant::now() < until, "the line was not asked {count} times round in {within:?}");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// How often a second unit 1 is asked, over so long.
    pub(crate) fn rate_of_first(&self, over: Duration) -> f64 {
        let asked = || self.seen.lock().unwrap_or_else(PoisonError::into_inner).of_first.len();
        let (before, begun) = (asked(), Instant::now());
        std::thread::sleep(over);
        (asked() - before) as f64 / begun.elapsed().as_secs_f64()
    }

    /// Requests, and those that broke the silence.
    pub(crate) fn early(&self) -> (u64, u64) {
        let seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        (seen.early, seen.requests)
    }
}

impl Drop for PacedLine {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        let _ended = self.thread.take().map(JoinHandle::join);
    }
}

fn serve(terminal: &OwnedFd, _other_end: &OwnedFd, (pace, dead): (Pace, u8), seen: &Mutex<Seen>, stop: &AtomicBool) {
    let (mut heard, mut buffer, mut silent_from) = (Vec::new(), [0; 512], Instant::now());
    while !stop.load(Ordering::Relaxed) {
        let mut ready = [PollFd::new(terminal, PollFlags::IN)];
        let wait = Timespec { tv_sec: 0, tv_nsec: 50_000_000 };
        if poll(&mut ready, Some(&wait)).is_err() || !ready[0].revents().contains(PollFlags::IN) {
            continue;
        }
        let begun = Instant::now();
        let Ok(got) = rustix::io::read(terminal, &mut buffer) else { continue };
        heard.extend_from_slice(&buffer[..got]);
        if heard.len() < REQUEST {
            continue;
        }
        let request: Vec<u8> = std::mem::take(&mut heard);
        let [unit, function @ (3 | 4), _, _, high, low, _, _] = request[..] else { continue };
        let count = usize::from(u16::from_be_bytes([high, low]));
        if crc(&request[..6]).to_le_bytes() != request[6..] || !(1..=14).contains(&unit) || !(1..=125).contains(&count)
        {
            continue;
        }
        {
            let mut seen = seen.lock().unwrap_or_else(PoisonError::into_inner);
            seen.requests += 1;
            seen.early += u64::from(begun < silent_from);
            if unit == 1 {
                seen.of_first.push(begun);
            }
        }
        if unit == dead {
            silent_from = begun + pace.character() * 8 + pace.silence();
            continue;
        }
        let bytes = u8::try_from(count * 2).expect("invariant: at most 250");
        let mut answer = vec![unit, function, bytes];
        answer.extend((0..count).flat_map(|n| (n as u16).to_be_bytes()));
        answer.extend(crc(&answer).to_le_bytes());
        let speaks = begun + pace.character() * 8 + pace.silence() + pace.turnaround;
        let mut sent = 0;
        for lump in answer.chunks(LUMP) {
            sent += lump.len() as u32;
            sleep_until(speaks + pace.character() * sent);
            let _nobody_there = rustix::io::write(terminal, lump);
        }
        silent_from = speaks + pace.character() * sent + pace.silence();
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

/// CRC-16 of an RTU frame (Modbus over Serial Line V1.02 §2.5.1.2).
fn crc(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xFFFF, |crc, byte| {
        (0..8).fold(crc ^ u16::from(*byte), |crc, _| if crc & 1 == 1 { crc >> 1 ^ 0xA001 } else { crc >> 1 })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paces_and_check_sums() {
        // The example frame of the standard, §6.2.2 of the appendix: 02 07 gives 41 12.
        assert_eq!(crc(&[0x02, 0x07]).to_le_bytes(), [0x41, 0x12]);
        let pace = Pace { baud: 19_200, bits: 11, turnaround: Duration::ZERO };
        assert!((pace.read(50).as_secs_f64() - 0.068_75).abs() < 1e-5);
    }
}
