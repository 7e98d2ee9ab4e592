//! Where readings become states: decodes, judges, runs delays and shelves, and tells what changed.
//!
//! The engine borrows the plan's tables and the caller's state and holds nothing else that grows. It never reads a
//! clock: `now` is the moment of the call, `at` the moment a reading was taken; both are the caller's monotonic
//! milliseconds. `poll_at` says when something happens by itself, `poll` makes it happen. Call `poll(at)` before the
//! readings of `at`: then the outcome depends only on what was read and when, not on how late the caller ran, and a
//! replay gives the same transitions to the millisecond.
//!
//! Readings in scan order are cheapest: all tables are walked forwards. Does not know what points and alarms are
//! called. Never panics: numbers of points and alarms that are not in the plan are ignored or refused, time going
//! backwards only makes delays longer.

mod judging;
mod moves;
mod setup;
mod timers;

use lapwing_protocol::Status;

use self::moves::{Before, by_hand};
pub use self::setup::SetupError;
use crate::alarm::life::{AlarmState, END, SavedAlarm};
use crate::alarm::process::{Event, Refusal};
use crate::effect::{Cause, Effect, Operation};
use crate::signal::decode::decode;
use crate::signal::validity::{NOT_QUIET, PointState, Present, Reading};
use crate::spec::{Millis, PointSpec, Raw, Span, Tables};
use crate::trend::slope::{Slope, Window};

#[cfg(test)]
mod tests;

/// The engine over borrowed tables and state.
#[derive(Debug)]
pub struct Engine<'a> {
    tables: Tables<'a>,
    points: &'a mut [PointState],
    alarms: &'a mut [AlarmState],
    windows: &'a mut [Window],
    /// First alarm of the list of those with something pending; linked through their states.
    timers: u32,
    /// No timer is due before this.
    timers_due: Millis,
    /// No reading is out of date before this.
    ages_due: Millis,
    /// Ages are looked at again at the earliest then: keeps the walk over a million points rare.
    ages_again: Millis,
}

impl<'a> Engine<'a> {
    /// Joins tables and state. The states may be new (`default`) or those of an engine that stood here before.
    ///
    /// # Errors
    /// When lengths differ or the tables refer to what is not there.
    pub fn new(
        tables: Tables<'a>,
        points: &'a mut [PointState],
        alarms: &'a mut [AlarmState],
        windows: &'a mut [Window],
    ) -> Result<Self, SetupError> {
        setup::check(&tables, points.len(), alarms.len(), windows.len())?;
        let mut engine = Self {
            tables,
            points,
            alarms,
            windows,
            timers: END,
            timers_due: Millis::NEVER,
            ages_due: Millis::NEVER,
            ages_again: Millis(0),
        };
        for alarm in engine.alarms.iter_mut() {
            (alarm.listed, alarm.next) = (false, END);
        }
        for (index, spec) in tables.alarms.iter().enumerate() {
            engine.arm(index, spec);
        }
        for (state, spec) in engine.points.iter_mut().zip(tables.points) {
            state.set_quiet(NOT_QUIET); // the tables may be others than before
            engine.ages_due = engine.ages_due.min(state.stale_at(spec));
        }
        Ok(engine)
    }

    /// Takes what the field sent for a point at `at`.
    #[inline]
    pub fn read(&mut self, now: Millis, point: u32, raw: &Raw, at: Millis, out: &mut impl FnMut(Effect)) {
        // What entered concerns only who keeps it.
        let _entered = self.read_at_best(now, point, raw, Status::GOOD, at, out);
    }

    /// Takes what came from the field for one point of a device whose readings are worth this much at best. Returns what
    /// entered: the number with its status, or the fault; given to `enter` it does the same again.
    #[inline]
    pub fn read_at_best(
        &mut self,
        now: Millis,
        point: u32,
        raw: &Raw,
        best: Status,
        at: Millis,
        out: &mut impl FnMut(Effect),
    ) -> Result<(i64, Status), Status> {
        let Some((index, spec)) = self.point_spec(point) else { return Err(Status::BAD_CONFIGURATION_ERROR) };
        let absent = stretch(self.tables.absent, spec.decode.absent);
        let decoded = decode(raw, &spec.decode, spec.exponent, absent).map(|value| (value, best));
        self.take(index, spec, decoded, clamped(at.min(now)), out);
        decoded
    }

    /// Takes a decoded number with its status, or a fault: what `read_at_best` returned, kept and replayed.
    #[inline]
    pub fn enter(
        &mut self,
        now: Millis,
        point: u32,
        decoded: Result<(i64, Status), Status>,
        at: Millis,
        out: &mut impl FnMut(Effect),
    ) {
        let Some((index, spec)) = self.point_spec(point) else { return };
        self.take(index, spec, decoded, clamped(at.min(now)), out);
    }

    /// Takes a value that needs no decoding: a derived point, one of the agent's own, or a replayed one.
    #[inline]
    pub fn put(
        &mut self,
        now: Millis,
        point: u32,
        value: i64,
        status: Status,
        at: Millis,
        out: &mut impl FnMut(Effect),
    ) {
        let Some((index, spec)) = self.point_spec(point) else { return };
        self.take(index, spec, Ok((value, status)), clamped(at.min(now)), out);
    }

    /// Forgets every reading and every alarm, as a start of the agent does; tells nothing.
    pub fn begin_anew(&mut self) {
        for state in self.points.iter_mut() {
            *state = PointState::default();
            state.set_quiet(NOT_QUIET);
        }
        self.windows.fill(Window::default());
        self.alarms.fill(AlarmState::default());
        self.timers = END;
        (self.timers_due, self.ages_due, self.ages_again) = (Millis::NEVER, Millis::NEVER, Millis(0));
    }

    /// Begins a point's trend anew: its source counts from another number now.
    pub fn rebase(&mut self, point: u32) {
        let Some((index, spec)) = self.point_spec(point) else { return };
        if let Some(window) =
            spec.window.and_then(|at| usize::try_from(at).ok()).and_then(|at| self.windows.get_mut(at))
        {
            window.clear();
        }
        self.points[index].set_quiet(NOT_QUIET);
    }

    /// Makes happen what has become due by `now`: delays, ends of shelves and suppressions, ages. Cheap when nothing is.
    #[inline]
    pub fn poll(&mut self, now: Millis, out: &mut impl FnMut(Effect)) {
        let now = clamped(now);
        while self.timers_due <= now || self.ages_due <= now && self.ages_again <= now {
            // In the order of time even when called late: a delay that ended before its reading went out of date has
            // ended. At one moment the delay goes first, to the side of the alarm.
            if self.timers_due <= now && self.timers_due <= self.ages_due.max(self.ages_again) {
                self.run_timers(self.timers_due, out);
            } else {
                self.expire(now.min(Millis(self.timers_due.0 - 1)), out);
            }
        }
    }

    /// The next moment at which `poll` may have work; it may find none.
    #[must_use]
    pub fn poll_at(&self) -> Option<Millis> {
        let next = self.timers_due.min(self.ages_due.max(self.ages_again));
        (self.timers_due.min(self.ages_due) != Millis::NEVER).then_some(next)
    }

    /// Does an operation on an alarm.
    ///
    /// # Errors
    /// Refused by name when the alarm's state does not allow it; nothing has changed then.
    pub fn operate(
        &mut self,
        now: Millis,
        alarm: u32,
        operation: Operation,
        out: &mut impl FnMut(Effect),
    ) -> Result<(), Refusal> {
        let index = usize::try_from(alarm).map_err(|_| Refusal::NoSuchAlarm)?;
        let spec = self.tables.alarms.get(index).ok_or(Refusal::NoSuchAlarm)?;
        let before = Before::of(&self.alarms[index]);
        let state = &mut self.alarms[index];
        let cause = match operation {
            Operation::Acknowledge => by_hand(state, Event::Acknowledge, spec).map(|()| Cause::Acknowledged)?,
            Operation::Reset => by_hand(state, Event::Reset, spec).map(|()| Cause::Reset)?,
            Operation::ReAlarm => by_hand(state, Event::ReAlarm, spec).map(|()| Cause::ReAlarmed)?,
            Operation::Shelve { for_ms } => {
                state.cover.shelve(now, for_ms, spec.max_shelf_ms, false).map(|()| Cause::Shelved)?
            }
            Operation::ShelveOneShot => {
                state.cover.shelve(now, spec.max_shelf_ms, spec.max_shelf_ms, true).map(|()| Cause::Shelved)?
            }
            Operation::Unshelve => state.cover.unshelve().map(|()| Cause::Unshelved)?,
            Operation::Suppress { rule, for_ms } => {
                state.cover.suppress(now, rule, for_ms).map(|()| Cause::Suppressed { rule })?
            }
            Operation::Release { rule } => state.cover.release(rule).map(|_| Cause::Released { rule })?,
            Operation::RemoveFromService => state.cover.remove().map(|()| Cause::RemovedFromService)?,
            Operation::ReturnToService => state.cover.return_to_service().map(|()| Cause::ReturnedToService)?,
        };
        self.finish(index, spec, before, cause, now, out);
        self.arm(index, spec);
        Ok(())
    }

    /// What a point says now; a point that is not in the plan was never read.
    #[must_use]
    pub fn reading(&self, point: u32) -> Reading {
        usize::try_from(point).ok().and_then(|index| self.points.get(index)).copied().unwrap_or_default().reading()
    }

    /// The part of `reading` that says now.
    #[inline]
    #[must_use]
    pub fn present(&self, point: u32) -> Present {
        match usize::try_from(point).ok().and_then(|index| self.points.get(index)) {
            Some(state) => state.present(),
            None => PointState::default().present(),
        }
    }

    /// An alarm's state.
    #[must_use]
    pub fn alarm(&self, alarm: u32) -> Option<&AlarmState> {
        usize::try_from(alarm).ok().and_then(|index| self.alarms.get(index))
    }

    /// A point's rate of change, if it has a window that holds enough and its reading is usable.
    #[must_use]
    pub fn slope(&self, point: u32) -> Option<Slope> {
        let (index, spec) = self.point_spec(point)?;
        self.slope_of(index, spec)
    }

    /// What to keep of an alarm over a restart.
    #[must_use]
    pub fn save(&self, alarm: u32) -> Option<SavedAlarm> {
        self.alarm(alarm).map(SavedAlarm::from)
    }

    /// Puts back what was kept; tells nothing. Its moments must be on the present clock (`SavedAlarm::moved`).
    pub fn restore(&mut self, now: Millis, alarm: u32, saved: &SavedAlarm) {
        let Ok(index) = usize::try_from(alarm) else { return };
        let Some(spec) = self.tables.alarms.get(index) else { return };
        let state = &mut self.alarms[index];
        let (listed, next) = (state.listed, state.next);
        *state = AlarmState::restored(saved, spec, now);
        self.points[spec.point as usize].set_quiet(NOT_QUIET);
        let state = &mut self.alarms[index];
        (state.listed, state.next) = (listed, next);
        self.arm(index, spec);
    }

    #[inline]
    fn point_spec(&self, point: u32) -> Option<(usize, &'a PointSpec)> {
        let index = usize::try_from(point).ok()?;
        Some((index, self.tables.points.get(index)?))
    }
}

/// `NEVER` is no moment a clock may show.
#[inline]
fn clamped(at: Millis) -> Millis {
    at.min(Millis(Millis::NEVER.0 - 1))
}

/// A stretch of a table; checked at the start, empty if it were not there.
#[inline]
fn stretch<T>(table: &[T], span: Span) -> &[T] {
    let first = span.first as usize;
    table.get(first..first.saturating_add(span.count as usize)).unwrap_or(&[])
}

/// Tables were checked to be numbered by u32.
#[inline]
#[allow(clippy::cast_possible_truncation)]
const fn number(index: usize) -> u32 {
    index as u32
}
