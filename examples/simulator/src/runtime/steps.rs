//! The model's clock: when a step is due, how many are made up after a stall, and who is told what came of it.
//!
//! A step is always [`STEP_MS`] of the monotonic clock. After a stall the missing steps are made up, a second's worth
//! at most; what is beyond that is left out and counted, so that a slow machine is late, never stuck. Knows nothing
//! of links but their switch, of the model but [`Source`]. Never panics.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use tokio::sync::{mpsc, watch};

use crate::bank::SimLink;
use crate::plant::{FaultNote, Plant};

/// Length of one step of the model, ms.
pub const STEP_MS: u32 = 50;
/// Steps made up at once after a stall.
const CATCH_UP_STEPS: u64 = 20;

/// A module that can be run: a plant model, or banks filled by hand.
pub trait Source: Send + 'static {
    /// What it tells about a fault that was applied.
    type Note: Send + 'static;

    /// Its links, with banks and switches shared.
    fn links(&self) -> Vec<SimLink>;

    /// Lets `dt_ms` pass and tells every fault applied in it.
    fn step(&mut self, dt_ms: u32, tell: &mut dyn FnMut(Self::Note));
}

impl Source for Plant {
    type Note = FaultNote;

    fn links(&self) -> Vec<SimLink> {
        Self::links(self)
    }

    fn step(&mut self, dt_ms: u32, tell: &mut dyn FnMut(FaultNote)) {
        Self::step(self, f64::from(dt_ms) / 1000.0, &mut |note| tell(note));
    }
}

/// What the step loop has done.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Pace {
    /// Steps made.
    pub steps: u64,
    /// Steps left out after a stall.
    pub steps_left_out: u64,
    /// Fault notes dropped because nobody read them.
    pub notes_dropped: u64,
}

#[derive(Debug, Default)]
pub(super) struct PaceCounters {
    steps: AtomicU64,
    left_out: AtomicU64,
    notes_dropped: AtomicU64,
}

impl PaceCounters {
    pub(super) fn count(&self) -> Pace {
        Pace {
            steps: self.steps.load(Ordering::Relaxed),
            steps_left_out: self.left_out.load(Ordering::Relaxed),
            notes_dropped: self.notes_dropped.load(Ordering::Relaxed),
        }
    }
}

/// The model's thread: a step every [`STEP_MS`] of the monotonic clock, then the links' switches handed on.
pub(super) fn step_in_time<S: Source>(
    mut source: S,
    tell: &mpsc::Sender<S::Note>,
    switches: &[(Arc<AtomicBool>, watch::Sender<bool>)],
    pace: &PaceCounters,
    stop: &AtomicBool,
) {
    let step = Duration::from_millis(u64::from(STEP_MS));
    let mut due = Instant::now() + step;
    while !stop.load(Ordering::Relaxed) {
        let now = Instant::now();
        if now < due {
            std::thread::park_timeout(due - now);
            continue;
        }
        let (steps, left_out) = steps_due(now - due);
        for _ in 0..steps {
            source.step(STEP_MS, &mut |note| {
                if let Err(mpsc::error::TrySendError::Full(_)) = tell.try_send(note) {
                    pace.notes_dropped.fetch_add(1, Ordering::Relaxed);
                }
            });
        }
        pace.steps.fetch_add(steps, Ordering::Relaxed);
        pace.left_out.fetch_add(left_out, Ordering::Relaxed);
        due += step * u32::try_from(steps + left_out).unwrap_or(u32::MAX);
        for (up, sender) in switches {
            let up = up.load(Ordering::Relaxed);
            sender.send_if_modified(|was| std::mem::replace(was, up) != up);
        }
    }
}

/// How many steps to make, and how many to leave out, when the oldest due one is `late`.
pub(super) fn steps_due(late: Duration) -> (u64, u64) {
    let due = u64::try_from(late.as_millis() / u128::from(STEP_MS)).unwrap_or(u64::MAX - 1) + 1;
    let steps = due.min(CATCH_UP_STEPS);
    (steps, due - steps)
}
