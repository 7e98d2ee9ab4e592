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

use lapwing_protocol::{ShownState, Status};

use crate::alarm::condition;
use crate::alarm::life::{AlarmState, END, SavedAlarm};
use crate::alarm::process::{Event, Process, Refusal};
use crate::effect::{Cause, Effect, Operation, Transition};
use crate::signal::decode::decode;
use crate::signal::validity::{NOT_QUIET, PointState, Reading};
use crate::spec::{AlarmSpec, Millis, PointSpec, Raw, Span, Tables};
use crate::trend::slope::{Slope, Window};

#[cfg(test)]
mod tests;

/// Why tables and state do not fit together: a mistake of the caller.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SetupError {
    /// As many point states as points are needed.
    #[error("{states} point states for {points} points: give one state a point")]
    Points {
        /// Points in the tables.
        points: usize,
        /// States given.
        states: usize,
    },
    /// As many alarm states as alarms are needed.
    #[error("{states} alarm states for {alarms} alarms: give one state an alarm")]
    Alarms {
        /// Alarms in the tables.
        alarms: usize,
        /// States given.
        states: usize,
    },
    /// As many window states as windows are needed.
    #[error("{states} windows for {windows} window specifications: give one each")]
    Windows {
        /// Windows in the tables.
        windows: usize,
        /// States given.
        states: usize,
    },
    /// More points or alarms than a u32 counts.
    #[error("more points or alarms than the engine can number")]
    TooMany,
    /// A point refers to alarms, a window or absent patterns that are not there, or to another point's alarms.
    #[error("point {point} refers to alarms, a window or absent patterns that are not its own")]
    Point {
        /// Index of the point.
        point: usize,
    },
    /// An alarm that its point does not list.
    #[error("alarm {alarm} is not in the list of its point")]
    Alarm {
        /// Index of the alarm.
        alarm: usize,
    },
}

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
        check(&tables, points.len(), alarms.len(), windows.len())?;
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
        self.read_at_best(now, point, raw, Status::GOOD, at, out);
    }

    /// Takes what came from the field for one point of a device whose readings are worth this much at best.
    #[inline]
    pub fn read_at_best(
        &mut self,
        now: Millis,
        point: u32,
        raw: &Raw,
        best: Status,
        at: Millis,
        out: &mut impl FnMut(Effect),
    ) {
        let Some((index, spec)) = self.point_spec(point) else { return };
        let absent = stretch(self.tables.absent, spec.decode.absent);
        let decoded = decode(raw, &spec.decode, spec.exponent, absent).map(|value| (value, best));
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

    /// Judges one reading. Most change nothing: a good value within the bounds of quiet costs two comparisons.
    #[inline]
    fn take(
        &mut self,
        index: usize,
        spec: &'a PointSpec,
        decoded: Result<(i64, Status), Status>,
        at: Millis,
        out: &mut impl FnMut(Effect),
    ) {
        if let Ok((value, Status::GOOD)) = decoded
            && self.points[index].take_quietly(value, at)
        {
            self.ages_due = self.ages_due.min(self.points[index].stale_at(spec));
            if let Some(window) = spec.window {
                self.trend(index, spec, window as usize, at, out);
            }
        } else {
            self.take_whole(index, spec, decoded, at, out);
        }
    }

    /// Judges one reading in all respects: validity, age, trend, every alarm of the point.
    #[inline(never)]
    fn take_whole(
        &mut self,
        index: usize,
        spec: &'a PointSpec,
        decoded: Result<(i64, Status), Status>,
        at: Millis,
        out: &mut impl FnMut(Effect),
    ) {
        let state = &mut self.points[index];
        let from = state.status();
        state.take(spec, decoded, at);
        let (value, to) = (state.value(), state.status());
        self.ages_due = self.ages_due.min(state.stale_at(spec));
        if let Some(window) = spec.window.filter(|_| !to.is_bad()) {
            let window = window as usize;
            self.windows[window].push(&self.tables.windows[window], at, value);
        }
        if from != to {
            out(Effect::Quality { point: number(index), from, to, at });
        }
        self.judge(index, spec, at, out);
        let quiet = self.quiet(index, spec);
        self.points[index].set_quiet(quiet);
    }

    /// Takes a quiet reading into its window and judges the point's rates; nothing else can have changed.
    fn trend(&mut self, index: usize, spec: &'a PointSpec, window: usize, at: Millis, out: &mut impl FnMut(Effect)) {
        let value = self.points[index].value();
        let window_spec = &self.tables.windows[window];
        let state = &mut self.windows[window];
        state.push(window_spec, at, value);
        let slope = state.slope(window_spec);
        let first = spec.alarms.first as usize;
        for (offset, alarm_spec) in stretch(self.tables.alarms, spec.alarms).iter().enumerate() {
            if alarm_spec.condition.is_rate() {
                self.judge_one(first + offset, alarm_spec, value, Status::GOOD, slope, at, out);
            }
        }
    }

    /// The good values of a point that would change no status and no alarm but those of its rate: within its valid
    /// range, on the side of each limit where the alarm already stands, with no delay running. Only a sample or
    /// `restore` moves that.
    fn quiet(&self, index: usize, spec: &PointSpec) -> (i64, i64) {
        let state = &self.points[index];
        if spec.rate_max.is_some() || !state.status().is_good() {
            return NOT_QUIET;
        }
        let (mut low, mut high) = spec.valid.unwrap_or((i64::MIN, i64::MAX));
        let first = spec.alarms.first as usize;
        for (alarm, spec) in self.alarms.iter().skip(first).zip(stretch(self.tables.alarms, spec.alarms)) {
            if spec.condition.is_rate() {
                continue; // judged at every reading
            }
            if !alarm.is_steady() {
                return NOT_QUIET;
            }
            let (from, to) = condition::steady(&spec.condition, state.value(), alarm.is_active());
            (low, high) = (low.max(from), high.min(to));
        }
        (low, high)
    }

    /// Puts a point's present reading before each of its alarms.
    fn judge(&mut self, index: usize, spec: &'a PointSpec, at: Millis, out: &mut impl FnMut(Effect)) {
        let (value, status) = (self.points[index].value(), self.points[index].status());
        let slope = self.slope_of(index, spec);
        let first = spec.alarms.first as usize;
        for (offset, alarm_spec) in stretch(self.tables.alarms, spec.alarms).iter().enumerate() {
            self.judge_one(first + offset, alarm_spec, value, status, slope, at, out);
        }
    }

    #[inline]
    #[allow(clippy::too_many_arguments)] // one reading with its trend, spelled out to stay in registers
    fn judge_one(
        &mut self,
        alarm: usize,
        spec: &AlarmSpec,
        value: i64,
        status: Status,
        slope: Option<Slope>,
        at: Millis,
        out: &mut impl FnMut(Effect),
    ) {
        let state = &mut self.alarms[alarm];
        let truth = condition::judge(&spec.condition, value, status, slope, state.held_by_deadband());
        if truth == condition::Truth::False && state.is_quiet() {
            return;
        }
        match state.sample(spec, truth, at) {
            Some(event) => self.condition_event(alarm, spec, event, at, out),
            None => self.arm(alarm, spec),
        }
    }

    #[inline]
    fn slope_of(&self, index: usize, spec: &PointSpec) -> Option<Slope> {
        let window = spec.window? as usize;
        if self.points[index].status().is_bad() {
            return None;
        }
        self.windows[window].slope(&self.tables.windows[window])
    }

    /// A delay has passed: the process moves. Never refused.
    fn condition_event(
        &mut self,
        alarm: usize,
        spec: &AlarmSpec,
        event: Event,
        at: Millis,
        out: &mut impl FnMut(Effect),
    ) {
        let state = &mut self.alarms[alarm];
        let before = Before::of(state);
        let Ok(process) = state.process.after(event, spec.latching) else { return };
        state.process = process;
        let raised = process.is_active();
        if raised {
            state.raise(at);
        }
        self.tell(alarm, spec, before, if raised { Cause::Raised } else { Cause::Cleared }, at, out);
        if !raised {
            let state = &mut self.alarms[alarm];
            state.cleared();
            if state.cover.one_shot() {
                self.end_shelf(alarm, spec, at, out);
            }
        }
        self.arm(alarm, spec);
    }

    fn end_shelf(&mut self, alarm: usize, spec: &AlarmSpec, at: Millis, out: &mut impl FnMut(Effect)) {
        let before = Before::of(&self.alarms[alarm]);
        if self.alarms[alarm].cover.unshelve().is_ok() {
            self.finish(alarm, spec, before, Cause::ShelfEnded, at, out);
        }
    }

    /// After an operation or the end of something that hid: judged as if new when nothing hides it any more; told.
    fn finish(
        &mut self,
        alarm: usize,
        spec: &AlarmSpec,
        before: Before,
        cause: Cause,
        at: Millis,
        out: &mut impl FnMut(Effect),
    ) {
        let state = &mut self.alarms[alarm];
        if before.hidden && !state.hidden().any() {
            state.process = state.process.released();
        }
        self.tell(alarm, spec, before, cause, at, out);
    }

    fn tell(
        &self,
        alarm: usize,
        spec: &AlarmSpec,
        before: Before,
        cause: Cause,
        at: Millis,
        out: &mut impl FnMut(Effect),
    ) {
        let state = &self.alarms[alarm];
        let point = spec.point as usize;
        let to = state.shown();
        out(Effect::Alarm(Transition {
            alarm: number(alarm),
            from: before.shown,
            to,
            process_from: before.process,
            process_to: state.process,
            active: state.is_active(),
            hidden: state.hidden(),
            cause,
            annunciate: to == ShownState::Unacknowledged && before.shown != to,
            at,
            value: self.points[point].value(),
            status: self.points[point].status(),
            slope: self.slope_of(point, &self.tables.points[point]),
            true_since: state.true_since(),
            raised_at: state.raised_at(),
            occurrence: state.occurrence(),
        }));
    }

    /// Puts an alarm into the timer list if something of it is pending.
    #[inline]
    fn arm(&mut self, alarm: usize, spec: &AlarmSpec) {
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
    fn run_timers(&mut self, now: Millis, out: &mut impl FnMut(Effect)) {
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
    fn run_timer(&mut self, alarm: usize, spec: &AlarmSpec, now: Millis, out: &mut impl FnMut(Effect)) {
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
    fn expire(&mut self, now: Millis, out: &mut impl FnMut(Effect)) {
        let mut next = Millis::NEVER;
        let points = self.tables.points;
        for (index, spec) in points.iter().enumerate() {
            let state = &mut self.points[index];
            let stale_at = state.stale_at(spec);
            if stale_at > now {
                next = next.min(stale_at);
                continue;
            }
            let from = state.status();
            state.expire(stale_at);
            out(Effect::Quality { point: number(index), from, to: state.status(), at: stale_at });
            self.judge(index, spec, stale_at, out);
        }
        self.ages_due = next;
        // One look every millisecond per 65 536 points bounds the cost of many points that age one after another.
        self.ages_again = now.plus((points.len() >> 16) as u64);
    }
}

/// What of an alarm's state is told as "before".
#[derive(Clone, Copy)]
struct Before {
    shown: ShownState,
    process: Process,
    hidden: bool,
}

impl Before {
    fn of(state: &AlarmState) -> Self {
        Self { shown: state.shown(), process: state.process, hidden: state.hidden().any() }
    }
}

/// A person's event, or the re-alarm timer's: only on what is shown.
fn by_hand(state: &mut AlarmState, event: Event, spec: &AlarmSpec) -> Result<(), Refusal> {
    if state.hidden().any() {
        return Err(Refusal::Hidden);
    }
    state.process = state.process.after(event, spec.latching)?;
    Ok(())
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

fn check(tables: &Tables<'_>, points: usize, alarms: usize, windows: usize) -> Result<(), SetupError> {
    if tables.points.len() != points {
        return Err(SetupError::Points { points: tables.points.len(), states: points });
    }
    if tables.alarms.len() != alarms {
        return Err(SetupError::Alarms { alarms: tables.alarms.len(), states: alarms });
    }
    if tables.windows.len() != windows {
        return Err(SetupError::Windows { windows: tables.windows.len(), states: windows });
    }
    // The last number is kept free: it ends the timer list.
    if points >= END as usize || alarms >= END as usize {
        return Err(SetupError::TooMany);
    }
    let within =
        |span: Span, len: usize| (span.first as usize).checked_add(span.count as usize).is_some_and(|end| end <= len);
    for (point, spec) in tables.points.iter().enumerate() {
        let own = stretch(tables.alarms, spec.alarms).iter().all(|alarm| alarm.point as usize == point);
        let window = spec.window.is_none_or(|window| (window as usize) < windows);
        if !own || !window || !within(spec.alarms, alarms) || !within(spec.decode.absent, tables.absent.len()) {
            return Err(SetupError::Point { point });
        }
    }
    for (alarm, spec) in tables.alarms.iter().enumerate() {
        let listed = tables.points.get(spec.point as usize).is_some_and(|point| {
            (alarm as u64)
                .checked_sub(u64::from(point.alarms.first))
                .is_some_and(|at| at < u64::from(point.alarms.count))
        });
        if !listed {
            return Err(SetupError::Alarm { alarm });
        }
    }
    Ok(())
}
