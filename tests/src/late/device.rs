//! The late device itself: answers requests of a byte stream, on time or by one of three ways of being late.
//!
//! One serves all units. Threads end with their stream or the process. MODBUS over Serial Line V1.02 §2.5.1; MODBUS
//! Messaging on TCP/IP V1.0b §3.1.3 (header).

use std::fs::File;
use std::io::{Read, Write};
use std::net::TcpListener;
use std::os::fd::OwnedFd;
use std::path::PathBuf;
use std::sync::atomic::Ordering::Relaxed;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};

use super::{Late, TIMEOUT, Way, value};

const CRC: crc::Crc<u16> = crc::Crc::<u16>::new(&crc::CRC_16_MODBUS);

/// Where it can be reached.
pub(super) enum At {
    Path(PathBuf),
    Port(u16),
}

/// A running device.
pub(super) struct Line {
    pub(super) at: At,
    pub(super) late: Late,
    /// Without a holder the far end of the pseudo-terminal would hang up between two openings.
    _near: Option<OwnedFd>,
}

/// Starts one.
pub(super) fn start(way: Way) -> Line {
    let late = Late::default();
    match way {
        Way::Serial => {
            let far = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).expect("a pseudo-terminal");
            grantpt(&far).expect("ours");
            unlockpt(&far).expect("ours");
            let path = ptsname(&far, Vec::new()).expect("it has a name").into_string().expect("a plain name");
            let flags = rustix::fs::OFlags::RDWR | rustix::fs::OFlags::NOCTTY;
            let near = rustix::fs::open(path.as_str(), flags, rustix::fs::Mode::empty()).expect("it can be opened");
            let mut raw = rustix::termios::tcgetattr(&near).expect("a terminal");
            raw.make_raw();
            rustix::termios::tcsetattr(&near, rustix::termios::OptionalActions::Now, &raw).expect("a terminal");
            let input = File::from(far);
            let output = input.try_clone().expect("a second handle");
            serve(input, output, way, Arc::clone(&late));
            Line { at: At::Path(path.into()), late, _near: Some(near) }
        }
        Way::RtuOverTcp | Way::Tcp => {
            let listener = TcpListener::bind("127.0.0.1:0").expect("loopback has a free port");
            let port = listener.local_addr().expect("a bound socket has an address").port();
            let counted = Arc::clone(&late);
            std::thread::spawn(move || {
                for stream in listener.incoming().flatten() {
                    let _ = stream.set_nodelay(true);
                    if let Ok(input) = stream.try_clone() {
                        serve(input, stream, way, Arc::clone(&counted));
                    }
                }
            });
            Line { at: At::Port(port), late, _near: None }
        }
    }
}

/// Answers what comes on a stream, on threads of its own.
fn serve(mut input: impl Read + Send + 'static, output: impl Write + Send + 'static, way: Way, late: Late) {
    let output = Arc::new(Mutex::new(output));
    std::thread::spawn(move || {
        let length = if way == Way::Tcp { 12 } else { 8 };
        let mut request = vec![0; length];
        let mut manner = Manner::default();
        while input.read_exact(&mut request).is_ok() {
            let Some(answer) = answer(&request, way) else { continue };
            let wait = manner.next(Instant::now());
            if wait > TIMEOUT {
                late.fetch_add(1, Relaxed);
            }
            let output = Arc::clone(&output);
            let say = move || {
                // Whoever asked may have gone.
                let _ = output.lock().unwrap_or_else(PoisonError::into_inner).write_all(&answer);
            };
            if wait.is_zero() {
                say();
            } else {
                std::thread::spawn(move || {
                    std::thread::sleep(wait);
                    say();
                });
            }
        }
    });
}

/// How late the next answer is.
#[derive(Default)]
struct Manner {
    asked: u32,
    /// Amount of lateness, tenths of a time-out: goes round through 0 to 30.
    amount: u32,
    /// Of the queue: when its last answer leaves. Of a burst: when it breaks out.
    until: Option<Instant>,
}

/// Requests of one manner before the next one.
const TURN: u32 = 40;
const LATEST: Duration = Duration::from_millis(3 * 20);

impl Manner {
    fn next(&mut self, now: Instant) -> Duration {
        self.asked += 1;
        let (manner, n) = (self.asked / TURN % 3, self.asked % TURN);
        let mut amount = || {
            self.amount = (self.amount + 7) % 31; // 31 is prime: every amount comes
            TIMEOUT * self.amount / 10
        };
        match manner {
            // One in four.
            0 if n.is_multiple_of(4) => amount(),
            // One in three, and all behind the one before.
            1 => {
                let own = if n.is_multiple_of(3) { amount() } else { Duration::ZERO };
                let left = self.until.map_or(Duration::ZERO, |until| until.saturating_duration_since(now));
                let wait = (left + own).min(LATEST);
                self.until = Some(now + wait);
                wait
            }
            // All held back until one moment.
            2 if n < TURN / 2 => {
                if self.until.is_none_or(|until| until <= now) {
                    self.until = Some(now + amount());
                }
                self.until.map_or(Duration::ZERO, |until| until.saturating_duration_since(now)).min(LATEST)
            }
            _ => Duration::ZERO,
        }
    }
}

fn answer(request: &[u8], way: Way) -> Option<Vec<u8>> {
    let (head, body) = match way {
        Way::Tcp => request.split_at_checked(6)?,
        Way::Serial | Way::RtuOverTcp => (&[][..], request.get(..6)?),
    };
    let &[unit, 3, s1, s0, c1, c0] = body else { return None };
    let (start, count) = (u16::from_be_bytes([s1, s0]), u16::from_be_bytes([c1, c0]));
    let bytes = u8::try_from(count.checked_mul(2)?).ok()?;
    let mut answer = vec![unit, 3, bytes];
    answer.extend((start..start.checked_add(count)?).flat_map(|register| value(unit, register).to_be_bytes()));
    Some(match way {
        Way::Tcp => {
            let length = u16::try_from(answer.len()).ok()?;
            [head.get(..4)?, &length.to_be_bytes(), &answer].concat()
        }
        Way::Serial | Way::RtuOverTcp => {
            let sum = CRC.checksum(&answer).to_le_bytes();
            [&answer[..], &sum].concat()
        }
    })
}
