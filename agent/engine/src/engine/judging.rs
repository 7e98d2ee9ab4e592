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
use crate::spec::{AlarmSpec, Millis, PointSpec};
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
    pub(super) fn quiet(&self, index: usize, spec: &PointSpec) -> (i64, i64) {
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
    pub(super) fn judge(&mut self, index: usize, spec: &'a PointSpec, at: Millis, out: &mut impl FnMut(Effect)) {
        let (value, status) = (self.points[index].value(), self.points[index].status());
        let slope = self.slope_of(index, spec);
        let first = spec.alarms.first as usize;
        for (offset, alarm_spec) in stretch(self.tables.alarms, spec.alarms).iter().enumerate() {
            self.judge_one(first + offset, alarm_spec, value, status, slope, at, out);
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
    pub(super) fn slope_of(&self, index: usize, spec: &PointSpec) -> Option<Slope> {
        let window = spec.window? as usize;
        if self.points[index].status().is_bad() {
            return None;
        }
        self.windows[window].slope(&self.tables.windows[window])
    }
}
