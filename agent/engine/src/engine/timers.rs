//! What happens by itself: ends of delays, shelves and suppressions, and readings that go out of date.
//!
//! Alarms with something pending are linked through their states, so nothing is allocated however many there are; a
//! lower bound of the next moment makes a poll with nothing due two comparisons. Times are the caller's monotonic
//! milliseconds. Never panics.

use super::moves::Before;
use super::{Engine, number};
use crate::alarm::life::END;
use crate::effect::{Cause, Effect};
use crate::spec::{AlarmSpec, Millis};

impl Engine<'_> {
    /// Puts an alarm into the timer list if something of it is pending.
    #[inline]
    pub(super) fn arm(&mut self, alarm: usize, spec: &AlarmSpec) {
        let state = &mut self.alarms[alarm];
        let deadline = state.deadline(spec);
        if deadline == Millis::NEVER {
            return; // if it is still listed, the next walk takes it out
        }
        self.timers_due = self.timers_due.min(deadline);
        if !state.listed {
            (state.listed, state.next) = (true, self.timers);
            self.timers = number(alarm);
        }
    }

    /// Walks the list once: does what is due by `now`, takes out what has nothing pending, finds the next moment.
    pub(super) fn run_timers(&mut self, now: Millis, out: &mut impl FnMut(Effect)) {
        let mut next_due = Millis::NEVER;
        let mut previous = END;
        let mut at = self.timers;
        while at != END {
            let alarm = at as usize;
            let spec = &self.tables.alarms[alarm];
            while self.alarms[alarm].deadline(spec) <= now {
                self.run_timer(alarm, spec, now, out);
            }
            let next = self.alarms[alarm].next;
            let deadline = self.alarms[alarm].deadline(spec);
            if deadline == Millis::NEVER {
                self.alarms[alarm].listed = false;
                if previous == END {
                    self.timers = next;
                } else {
                    self.alarms[previous as usize].next = next;
                }
            } else {
                next_due = next_due.min(deadline);
                previous = at;
            }
            at = next;
        }
        self.timers_due = next_due;
    }

    /// Does the one thing of an alarm that is due first. Each takes its own deadline away.
    pub(super) fn run_timer(&mut self, alarm: usize, spec: &AlarmSpec, now: Millis, out: &mut impl FnMut(Effect)) {
        let state = &mut self.alarms[alarm];
        let cover_due = state.cover.deadline();
        if let Some((event, at)) = state.completed(spec, now.min(cover_due)) {
            self.condition_event(alarm, spec, event, at, out);
        } else if state.cover.shelf_until() == Some(cover_due) {
            self.end_shelf(alarm, spec, cover_due, out);
        } else {
            let before = Before::of(state);
            state.cover.end_suppression();
            self.finish(alarm, spec, before, Cause::SuppressionEnded, cover_due, out);
        }
    }

    /// Makes readings out of date whose time has passed, finds the next such moment.
    pub(super) fn expire(&mut self, now: Millis, out: &mut impl FnMut(Effect)) {
        let mut next = Millis::NEVER;
        let points = self.tables.points;
        for (index, spec) in points.iter().enumerate() {
            let state = &mut self.points[index];
            let stale_at = state.stale_at(spec);
            if stale_at > now {
                next = next.min(stale_at);
                continue;
            }
            let (from, value) = (state.status(), state.value());
            state.expire(stale_at);
            out(Effect::Quality { point: number(index), from, to: state.status(), at: stale_at });
            self.judge(index, spec, false, stale_at, out);
            if spec.uses.count > 0 {
                let to = self.points[index].status();
                self.uses_changed(spec, (value, from), (value, to), stale_at, out);
            }
        }
        self.ages_due = next;
        // One look every millisecond per 65 536 points bounds the cost of many points that age one after another.
        self.ages_again = now.plus((points.len() >> 16) as u64);
    }
}
