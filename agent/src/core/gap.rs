//! Decides which changes of alarms were there at the first reading after a start: whatever brought them happened while the
//! agent was not running, or nobody knows when.
//!
//! Keeps when each point had its first believable reading. A condition that became true, or was gone, within half a scan of
//! it counts as found so: the next reading comes later, and where time alone completes a delay a moment may be lost. Knows neither words nor what stood before: whoever asks does. Times are the core's monotonic
//! milliseconds. Never panics.

use lapwing_engine::spec::Millis;
use lapwing_engine::{Cause, Transition};

use super::judge::Judge;
use crate::plan::Plan;

/// First readings after a start.
#[derive(Debug, Default)]
pub struct Gap {
    /// By point; empty where nothing came before the start.
    first: Vec<Option<Millis>>,
    /// Points without one.
    left: usize,
}

impl Gap {
    /// Of a start; `ran_before`: there is something it goes on from.
    #[must_use]
    pub fn new(plan: &Plan, ran_before: bool) -> Self {
        let points = if ran_before { plan.points.len() } else { 0 };
        Self { first: vec![None; points], left: points }
    }

    /// Notes what was read or derived by the last call of the judge.
    pub fn read(&mut self, judge: &Judge<'_>) {
        if self.left == 0 {
            return;
        }
        for taken in judge.read() {
            let first = usize::try_from(taken.point).ok().and_then(|point| self.first.get_mut(point));
            let reading = judge.reading(taken.point);
            if let Some(first @ None) = first
                && !reading.status.is_bad()
            {
                *first = Some(reading.at);
                self.left -= 1;
            }
        }
    }

    /// Whether a raise or a clear was so already at the first reading.
    #[must_use]
    pub fn found_so(&self, plan: &Plan, t: &Transition) -> bool {
        let about =
            usize::try_from(t.alarm).ok().and_then(|index| plan.alarms.get(index).zip(plan.engine.alarms.get(index)));
        let Some((alarm, spec)) = about else { return false };
        let point = usize::try_from(alarm.point).unwrap_or(usize::MAX);
        let Some((Some(first), about)) = self.first.get(point).copied().zip(plan.points.get(point)) else {
            return false;
        };
        let since = match t.cause {
            Cause::Raised => t.true_since.unwrap_or(t.at),
            Cause::Cleared => Millis(t.at.0.saturating_sub(u64::from(spec.off_delay_ms))),
            Cause::ReAlarmed
            | Cause::Acknowledged
            | Cause::Reset
            | Cause::Shelved
            | Cause::Unshelved
            | Cause::ShelfEnded
            | Cause::Suppressed { .. }
            | Cause::Released { .. }
            | Cause::SuppressionEnded
            | Cause::RemovedFromService
            | Cause::ReturnedToService => return false,
        };
        u128::from(since.since(first)) < (about.scan_period.as_millis() / 2).max(1)
    }
}
