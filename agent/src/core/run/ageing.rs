//! When the event log may forget by age: only while the clock is to be believed.
//!
//! Age counts on synchronised time only; for a day after the wall was set by more than an hour nothing goes, for the clock
//! may be set back again. A start at which the wall stands more than an hour from the last event counts as such a step:
//! the box was off, or its clock was set meanwhile. Size acts whatever the clock says, in the store. Part of the loop in
//! `run`. Moments are monotonic, stamps wall milliseconds. Never panics.

use super::*;
use crate::store::Age;

/// A step of the wall by more than this, ms, pauses removal by age …
const JUMP_MS: u64 = 3_600_000;
/// … for this long.
const PAUSE_MS: u64 = DAY_MS;
/// How often the store is asked to let some go.
const EVERY_MS: u64 = 600_000;
const DAY_MS: u64 = 86_400_000;

/// When the store is asked next.
#[derive(Debug)]
pub(super) struct Ageing {
    next: Millis,
}

impl Ageing {
    /// At a start; `last_t` is the stamp of the last event before it.
    pub(super) fn begin(clock: &Clock, now: Millis, last_t: Option<i64>) -> Self {
        let mut ageing = Self { next: now.plus(EVERY_MS) };
        if let Some(last) = last_t {
            ageing.stepped(now, clock.wall(now).saturating_sub(last));
        }
        ageing
    }

    /// The wall was set.
    pub(super) fn stepped(&mut self, now: Millis, by_ms: i64) {
        if by_ms.unsigned_abs() > JUMP_MS {
            self.next = self.next.max(now.plus(PAUSE_MS));
        }
    }

    /// What may go now, if it is time; `days` is how long events stay.
    fn due(&mut self, clock: &Clock, now: Millis, days: u32) -> Option<Age> {
        if now < self.next || !clock.synced() {
            return None;
        }
        self.next = now.plus(EVERY_MS);
        let now_ms = clock.wall(now);
        let kept_ms = i64::from(days).saturating_mul(DAY_MS.cast_signed());
        Some(Age { now_ms, before_ms: now_ms.saturating_sub(kept_ms) })
    }
}

impl Core<'_> {
    pub(super) fn forget_old_events(&mut self) {
        let now = self.lasting.clock.now();
        if let Some(age) = self.lasting.ageing.due(&self.lasting.clock, now, self.plan.store.event_days) {
            self.lasting.ledger.writer().forget(age);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::clock::START;

    const WALL: i64 = 1_800_000_000_000;

    /// How long, ms, until something may go, if it may within three days.
    fn waits(ageing: &mut Ageing, clock: &Clock) -> Option<u64> {
        (0..3 * DAY_MS).step_by(60_000).find(|ms| ageing.due(clock, START.plus(*ms), 400).is_some())
    }

    fn begun(last_t: Option<i64>) -> (Ageing, Clock) {
        let clock = Clock::fixed(WALL, START, true);
        (Ageing::begin(&clock, START, last_t), clock)
    }

    #[test]
    fn a_clock_in_agreement_with_the_log_is_believed_soon() {
        for last_t in [None, Some(WALL - 60_000), Some(WALL + 1000)] {
            let (mut ageing, clock) = begun(last_t);
            assert_eq!(waits(&mut ageing, &clock), Some(EVERY_MS));
            let age = ageing.due(&clock, START.plus(DAY_MS), 400).expect("due again");
            assert_eq!(age.now_ms, WALL + DAY_MS.cast_signed());
            assert_eq!(age.now_ms - age.before_ms, 400 * DAY_MS.cast_signed());
        }
    }

    #[test]
    fn a_step_over_an_hour_and_a_long_silence_pause_for_a_day() {
        for last_t in [WALL - 40 * 365 * 86_400_000, WALL - 3_601_000, WALL + 3_601_000] {
            let (mut ageing, clock) = begun(Some(last_t));
            assert!(waits(&mut ageing, &clock) >= Some(PAUSE_MS), "{last_t}");
        }
        let (mut ageing, clock) = begun(None);
        ageing.stepped(START.plus(EVERY_MS), -3_601_000);
        ageing.stepped(START.plus(EVERY_MS), 59_000);
        assert_eq!(waits(&mut ageing, &clock), Some(EVERY_MS + PAUSE_MS));
    }

    #[test]
    fn a_clock_that_is_not_synchronised_lets_nothing_go() {
        let (mut ageing, _) = begun(None);
        assert_eq!(waits(&mut ageing, &Clock::fixed(WALL, START, false)), None);
    }
}
