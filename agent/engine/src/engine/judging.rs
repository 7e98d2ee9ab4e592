//! Judges one reading: validity, age, trend, every alarm of its point.
//!
//! The hot path. Most readings change nothing; bounds kept with the point say so in two comparisons, and the whole
//! judgement below is skipped without any difference in what is told. Times are the caller's monotonic milliseconds,
//! values integers at the point's exponent. Never panics.

use lapwing_protocol::Status;

use super::{Engine, number, stretch};
use crate::alarm::condition;
use crate::effect::Effect;
use crate::signal::validity::NOT_QUIET;
use crate::spec::{AlarmSpec, Condition, Millis, PointSpec, Test};
use crate::trend::slope::Slope;

impl<'a> Engine<'a> {
    /// Judges one reading. Most change nothing: a good value within the bounds of quiet costs two comparisons.
    #[inline]
    pub(super) fn take(
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
    pub(super) fn take_whole(
        &mut self,
        index: usize,
        spec: &'a PointSpec,
        decoded: Result<(i64, Status), Status>,
        at: Millis,
        out: &mut impl FnMut(Effect),
    ) {
        let state = &mut self.points[index];
        let (from, before) = (state.status(), state.value());
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
        self.judge(index, spec, value == before && !from.is_bad(), at, out);
        self.make_quiet(index, spec);
        if spec.uses.count > 0 {
            self.uses_changed(spec, (before, from), (value, to), at, out);
        }
    }

    /// Takes a quiet reading into its window and judges the point's rates; nothing else can have changed.
    pub(super) fn trend(
        &mut self,
        index: usize,
        spec: &'a PointSpec,
        window: usize,
        at: Millis,
        out: &mut impl FnMut(Effect),
    ) {
        let value = self.points[index].value();
        let window_spec = &self.tables.windows[window];
        self.windows[window].push(window_spec, at, value);
        let slope = self.windows[window].slope(window_spec);
        let first = spec.alarms.first as usize;
        for (offset, alarm_spec) in stretch(self.tables.alarms, spec.alarms).iter().enumerate() {
            if alarm_spec.condition.is_rate() {
                self.judge_one(first + offset, alarm_spec, value, Status::GOOD, slope, false, at, out);
            }
        }
    }

    /// The good values of a point that would change no status and no alarm but those of its rate: within its valid
    /// range, on the side of each limit where the alarm already stands, with no delay running. Only a sample or
    /// `restore` moves that.
    pub(super) fn quiet(&self, index: usize, spec: &PointSpec) -> (i64, i64) {
        let state = &self.points[index];
        if spec.rate_max.is_some() || !state.status().is_good() {
            return NOT_QUIET;
        }
        let (mut low, mut high) = spec.valid.unwrap_or((i64::MIN, i64::MAX));
        if let Some((from, to)) = spec.sure {
            (low, high) = (low.max(from), high.min(to));
        }
        for tested in stretch(self.tables.uses, spec.uses) {
            let (from, to) = same_use(tested.test, state.value());
            (low, high) = (low.max(from), high.min(to));
        }
        let first = spec.alarms.first as usize;
        for (alarm, spec) in self.alarms.iter().skip(first).zip(stretch(self.tables.alarms, spec.alarms)) {
            if spec.condition.is_rate() {
                continue; // judged at every reading
            }
            if !alarm.is_steady() || !self.in_use(spec) {
                return NOT_QUIET;
            }
            let (from, to) = condition::steady(&spec.condition, state.value(), alarm.is_active());
            (low, high) = (low.max(from), high.min(to));
        }
        (low, high)
    }

    /// Finds the bounds of quiet anew.
    pub(super) fn make_quiet(&mut self, index: usize, spec: &PointSpec) {
        let quiet = self.quiet(index, spec);
        self.points[index].set_quiet(quiet);
    }

    /// Whether an alarm counts now: its condition of use holds, or is not known.
    #[inline]
    fn in_use(&self, spec: &AlarmSpec) -> bool {
        let Some(number) = spec.only_while else { return true };
        let Some(tested) = self.tables.uses.get(number as usize) else { return true };
        let Some(state) = self.points.get(tested.point as usize) else { return true };
        unknown(state.status()) || tested.test.holds(state.value())
    }

    /// A point that is tested for others has changed: where a test now says something else, its alarms are judged anew.
    #[inline(never)]
    pub(super) fn uses_changed(
        &mut self,
        spec: &'a PointSpec,
        before: (i64, Status),
        after: (i64, Status),
        at: Millis,
        out: &mut impl FnMut(Effect),
    ) {
        let tables = self.tables;
        for tested in stretch(tables.uses, spec.uses) {
            let holds = |(value, status): (i64, Status)| unknown(status) || tested.test.holds(value);
            if holds(before) == holds(after) {
                continue;
            }
            for alarm in stretch(tables.use_alarms, tested.alarms) {
                let alarm = *alarm as usize;
                let Some(alarm_spec) = tables.alarms.get(alarm) else { continue };
                let point = alarm_spec.point as usize;
                let (value, status) = (self.points[point].value(), self.points[point].status());
                let slope = self.slope_of(point, &tables.points[point]);
                self.judge_one(alarm, alarm_spec, value, status, slope, false, at, out);
                self.make_quiet(point, &tables.points[point]);
            }
        }
    }

    /// Puts a point's present reading before each of its alarms; `same`: its value is that of the reading before.
    pub(super) fn judge(
        &mut self,
        index: usize,
        spec: &'a PointSpec,
        same: bool,
        at: Millis,
        out: &mut impl FnMut(Effect),
    ) {
        let (value, status) = (self.points[index].value(), self.points[index].status());
        let slope = self.slope_of(index, spec);
        let first = spec.alarms.first as usize;
        for (offset, alarm_spec) in stretch(self.tables.alarms, spec.alarms).iter().enumerate() {
            self.judge_one(first + offset, alarm_spec, value, status, slope, same, at, out);
        }
    }

    #[inline]
    #[allow(clippy::too_many_arguments)] // one reading with its trend, spelled out to stay in registers
    pub(super) fn judge_one(
        &mut self,
        alarm: usize,
        spec: &AlarmSpec,
        value: i64,
        status: Status,
        slope: Option<Slope>,
        same: bool,
        at: Millis,
        out: &mut impl FnMut(Effect),
    ) {
        let slope = if let Condition::TimeToLimit { .. } = spec.condition {
            self.significant(spec.point as usize, slope)
        } else {
            slope
        };
        let used = self.in_use(spec);
        let state = &mut self.alarms[alarm];
        let truth = if used {
            condition::judge(&spec.condition, value, status, slope, same, state.held_by_deadband())
        } else {
            condition::Truth::False
        };
        if truth == condition::Truth::False && state.is_quiet() {
            return;
        }
        match state.sample(spec, truth, at) {
            Some(event) => self.condition_event(alarm, spec, event, at, out),
            None => self.arm(alarm, spec),
        }
    }

    /// A slope that could be noise (below twice its standard error) is none.
    fn significant(&self, point: usize, slope: Option<Slope>) -> Option<Slope> {
        let slope = slope?;
        let window = self.tables.points.get(point)?.window? as usize;
        let error = self.windows[window].standard_error(&self.tables.windows[window])?;
        let steep = slope.per_second();
        Some(if steep > 2.0 * error || steep < -2.0 * error { slope } else { Slope::FLAT })
    }

    #[inline]
    pub(super) fn slope_of(&self, index: usize, spec: &PointSpec) -> Option<Slope> {
        let window = spec.window? as usize;
        if self.points[index].status().is_bad() {
            return None;
        }
        self.windows[window].slope(&self.tables.windows[window])
    }
}

/// The values for which a test says the same as for this one.
const fn same_use(test: Test, value: i64) -> (i64, i64) {
    match test {
        Test::States(_) => (value, value),
        Test::Above(limit) if value > limit => (limit.saturating_add(1), i64::MAX),
        Test::Above(limit) => (i64::MIN, limit),
        Test::Below(limit) if value < limit => (i64::MIN, limit.saturating_sub(1)),
        Test::Below(limit) => (limit, i64::MAX),
    }
}

/// What a condition of use tests is not known: there is no value, or only an old one. Not knowing is no excuse.
fn unknown(status: Status) -> bool {
    status.is_bad() || status == Status::UNCERTAIN_LAST_USABLE
}
