//! Hears a serial line out: before the agent first speaks on it, or for good where another master does the asking.
//!
//! Never writes. What is heard is understood by `overhear`; what it means for points and devices, `poll` decides. On a
//! thread of its own; a stop is noticed within 50 ms. Never panics.

use std::io;
use std::time::{Duration, Instant};

use tokio::sync::watch;

use super::frame::MOST_LEN;
use super::line::Line;
use super::overhear::{Heard, Overhear};
use crate::field::poll::{Poll, Step};
use crate::field::stats::count;
use crate::field::why::Unreached;

/// A stop is noticed within this.
const NAP: Duration = Duration::from_millis(50);
/// How often devices that said nothing are looked at.
const REVIEW: Duration = Duration::from_secs(1);
/// So many foreign requests are proof enough.
const PROOF: u32 = 3;

/// What was heard before the first word.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Before {
    /// Nobody asks: the line may be spoken on.
    Free,
    /// Somebody asks: so many requests, the last to this unit.
    Foreign(u32, u8),
    /// The agent ends.
    Stopped,
}

/// Listens for so long.
///
/// # Errors
/// The line is gone.
pub(super) fn before_speaking(line: &mut dyn Line, time: Duration, stop: &watch::Receiver<bool>) -> io::Result<Before> {
    let end = Instant::now() + time;
    let mut overhear = Overhear::default();
    let (mut requests, mut last_unit) = (0, 0);
    let mut bytes = [0; MOST_LEN];
    while Instant::now() < end && requests < PROOF {
        if *stop.borrow() || stop.has_changed().is_err() {
            return Ok(Before::Stopped);
        }
        let got = line.read(&mut bytes, end.min(Instant::now() + NAP))?;
        overhear.push(bytes.get(..got).unwrap_or_default(), &mut |heard| {
            if let Heard::Request { unit, .. } = heard {
                (requests, last_unit) = (requests + 1, unit);
            }
        });
    }
    Ok(if requests == 0 { Before::Free } else { Before::Foreign(requests, last_unit) })
}

/// Listens until `stop` becomes true or its sender is gone. `open` makes the line, again after each loss.
pub(in crate::field) fn run(
    mut poll: Poll,
    mut open: impl FnMut() -> Result<Box<dyn Line>, Unreached>,
    stop: &watch::Receiver<bool>,
) {
    while !*stop.borrow() && stop.has_changed().is_ok() {
        match poll.step_unspoken(Instant::now()) {
            Step::Connect => match open() {
                Ok(line) => {
                    poll.connected(Instant::now());
                    if listen(&mut poll, line, stop).is_err() {
                        poll.lost(Instant::now());
                    }
                }
                Err(unreached) => poll.connect_failed(Instant::now(), unreached),
            },
            Step::Wait(until) => {
                let wait = until.map_or(NAP, |until| until.saturating_duration_since(Instant::now()));
                std::thread::sleep(wait.min(NAP));
            }
            Step::Ask(_) => return, // never: `step_unspoken` asks for nothing
        }
    }
}

fn listen(poll: &mut Poll, mut line: Box<dyn Line>, stop: &watch::Receiver<bool>) -> io::Result<()> {
    let pace = line.pace();
    let mut overhear = Overhear::default();
    let (mut last_byte, mut review) = (Instant::now(), Instant::now() + REVIEW);
    let patience = poll.link().timeout;
    let mut bytes = [0; MOST_LEN];
    while !*stop.borrow() && stop.has_changed().is_ok() {
        let now = Instant::now();
        let got = line.read(&mut bytes, now + NAP.min(pace.lump))?;
        let now_read = Instant::now();
        let mut heard = Vec::new();
        let mut keep = |found| heard.push(found);
        if got == 0 {
            let silent = now_read.saturating_duration_since(last_byte);
            if silent >= pace.lump {
                overhear.silence(&mut keep);
            }
            if silent >= patience {
                overhear.give_up();
            }
        } else {
            last_byte = now_read;
            overhear.push(bytes.get(..got).unwrap_or_default(), &mut keep);
        }
        count(&poll.link_counters().stray_bytes, std::mem::take(&mut overhear.noise));
        for found in heard {
            poll.overheard(&found, now_read);
        }
        if now_read >= review {
            review = now_read + REVIEW;
            poll.unheard(now_read);
        }
    }
    Ok(())
}
