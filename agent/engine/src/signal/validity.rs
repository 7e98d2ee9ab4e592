//! Decides how far a decoded number may be believed, and keeps what a point last said.
//!
//! Outside its valid range the sensor has failed: bad; inside it, but outside what the sensor promises, it is uncertain
//! (the bands of a 4–20 mA loop, NAMUR NE 43). A change faster than believable makes the reading uncertain;
//! "believable" is last good value ± age × fastest change, so that the bound widens with silence. A usable reading
//! older than its maximum age is out of date, which is bad for every judgement: it may hide anything. Last good value
//! and last fault stand side by side. Values are integers at the point's exponent, times milliseconds. Knows no alarm.
//! Never panics.

use lapwing_protocol::Status;

use crate::spec::{Millis, PointSpec};

/// What a point says now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reading {
    /// The value; means nothing while the status is bad.
    pub value: i64,
    /// How far it may be believed.
    pub status: Status,
    /// When it was taken; of a bad reading when the fault was seen.
    pub at: Millis,
    /// The last value that was good, and when.
    pub last_good: Option<(i64, Millis)>,
    /// The last fault, and when.
    pub last_fault: Option<(Status, Millis)>,
}

/// What a point says now and nothing of before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Present {
    /// The value; means nothing while the status is bad.
    pub value: i64,
    /// How far it may be believed.
    pub status: Status,
    /// When it was taken; of a bad reading when the fault was seen.
    pub at: Millis,
}

/// State of one point: one line of a processor's cache, because most readings look at this and little else.
#[derive(Clone, Copy, Debug)]
#[repr(align(64))]
pub struct PointState {
    /// Last usable value.
    value: i64,
    /// Time of the last reading, usable or not.
    at: Millis,
    /// Last good value, set when a reading stops being good; before that it is `value`.
    good_value: i64,
    good_at: Millis,
    fault_at: Millis,
    status: Status,
    fault: Status,
    /// While the reading is good: values within these bounds change nothing but value and time (`engine`'s to judge).
    quiet: (i64, i64),
}

/// No value is quiet.
pub(crate) const NOT_QUIET: (i64, i64) = (i64::MAX, i64::MIN);

impl Default for PointState {
    /// Never read.
    fn default() -> Self {
        Self {
            value: 0,
            at: Millis(0),
            good_value: 0,
            good_at: Millis::NEVER,
            fault_at: Millis::NEVER,
            status: Status::BAD_WAITING,
            fault: Status::BAD_WAITING,
            quiet: NOT_QUIET,
        }
    }
}

impl PointState {
    /// What the point says now.
    #[must_use]
    pub fn reading(&self) -> Reading {
        Reading {
            value: self.value,
            status: self.status,
            at: self.at,
            last_good: self.last_good(),
            last_fault: (self.fault_at != Millis::NEVER).then_some((self.fault, self.fault_at)),
        }
    }

    /// The part of `reading` that says now.
    #[inline]
    pub(crate) const fn present(&self) -> Present {
        Present { value: self.value, status: self.status, at: self.at }
    }

    /// The last usable value; means nothing while the status is bad.
    #[must_use]
    pub const fn value(&self) -> i64 {
        self.value
    }

    /// How far the value may be believed.
    #[must_use]
    pub const fn status(&self) -> Status {
        self.status
    }

    fn last_good(&self) -> Option<(i64, Millis)> {
        if self.status.is_good() {
            Some((self.value, self.at))
        } else {
            (self.good_at != Millis::NEVER).then_some((self.good_value, self.good_at))
        }
    }

    /// Takes a decoded number with the status it came with, or a fault; afterwards `status()` tells what it is worth.
    pub(crate) fn take(&mut self, spec: &PointSpec, decoded: Result<(i64, Status), Status>, at: Millis) {
        let (value, status) = match decoded {
            Ok((value, status)) if !status.is_bad() => (value, self.worth(spec, value, at).worst(status)),
            Ok((_, status)) => (self.value, status),
            Err(status) => (self.value, bad(status)),
        };
        if !status.is_good() {
            self.leave_good();
        }
        if status.is_bad() {
            (self.fault, self.fault_at) = (status, at);
        } else {
            self.value = value;
        }
        self.status = status;
        self.at = at;
    }

    /// Takes a good value that changes nothing else; `false` if it would.
    #[inline]
    pub(crate) fn take_quietly(&mut self, value: i64, at: Millis) -> bool {
        let quiet = self.status.is_good() && value >= self.quiet.0 && value <= self.quiet.1;
        if quiet {
            (self.value, self.at) = (value, at);
        }
        quiet
    }

    /// Sets the bounds of quiet values.
    pub(crate) fn set_quiet(&mut self, bounds: (i64, i64)) {
        self.quiet = bounds;
    }

    /// When the present reading goes out of date, if it can.
    #[inline]
    pub(crate) fn stale_at(&self, spec: &PointSpec) -> Millis {
        if spec.max_age_ms == 0 || self.status.is_bad() {
            Millis::NEVER
        } else {
            self.at.plus(u64::from(spec.max_age_ms))
        }
    }

    /// Makes the reading out of date.
    pub(crate) fn expire(&mut self, at: Millis) {
        self.leave_good();
        self.status = Status::BAD_NO_COMMUNICATION;
        self.at = at;
        (self.fault, self.fault_at) = (self.status, at);
    }

    fn leave_good(&mut self) {
        if self.status.is_good() {
            (self.good_value, self.good_at) = (self.value, self.at);
        }
    }

    /// Range and speed.
    #[inline]
    fn worth(&self, spec: &PointSpec, value: i64, at: Millis) -> Status {
        if spec.valid.is_some_and(|(low, high)| value < low || value > high) {
            return Status::BAD_SENSOR_FAILURE;
        }
        if spec.sure.is_some_and(|(low, high)| value < low || value > high) {
            return Status::UNCERTAIN_SENSOR_NOT_ACCURATE;
        }
        if let (Some(rate_max), Some((good, good_at))) = (spec.rate_max, self.last_good()) {
            // Two readings of one millisecond are given that millisecond.
            let elapsed_ms = u128::from(at.since(good_at).max(1));
            let moved = u128::from(value.abs_diff(good)) * 1000;
            if moved > u128::from(rate_max.unsigned_abs()) * elapsed_ms {
                return Status::UNCERTAIN_SENSOR_NOT_ACCURATE;
            }
        }
        Status::GOOD
    }
}

/// A fault is bad whatever number it came with.
const fn bad(status: Status) -> Status {
    if status.is_bad() { status } else { Status::BAD }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spec() -> PointSpec {
        PointSpec { valid: Some((-200, 900)), rate_max: Some(50), max_age_ms: 3000, ..PointSpec::default() }
    }

    fn take(state: &mut PointState, value: i64, at: u64) -> Status {
        state.take(&spec(), Ok((value, Status::GOOD)), Millis(at));
        state.status()
    }

    #[test]
    fn outside_the_valid_range_the_sensor_has_failed() {
        let mut state = PointState::default();
        assert_eq!(state.reading().status, Status::BAD_WAITING);
        assert_eq!(take(&mut state, 214, 0), Status::GOOD);
        for (value, at) in [(-201, 1000), (901, 2000), (i64::MAX, 3000), (i64::MIN, 4000)] {
            assert_eq!(take(&mut state, value, at), Status::BAD_SENSOR_FAILURE, "{value}");
        }
        let reading = state.reading();
        assert_eq!(reading.last_good, Some((214, Millis(0))));
        assert_eq!(reading.last_fault, Some((Status::BAD_SENSOR_FAILURE, Millis(4000))));
        assert_eq!(reading.value, 214);
    }

    #[test]
    fn between_what_is_promised_and_failure_it_is_uncertain() {
        // 4–20 mA as 0–100.0: failure up to 3.6 and from 21.0 mA, measurement from 3.8 to 20.5 mA.
        let spec = PointSpec { valid: Some((-24, 1062)), sure: Some((-12, 1031)), ..PointSpec::default() };
        let mut state = PointState::default();
        for (value, status) in [
            (500, Status::GOOD),
            (-12, Status::GOOD),
            (-13, Status::UNCERTAIN_SENSOR_NOT_ACCURATE),
            (-24, Status::UNCERTAIN_SENSOR_NOT_ACCURATE),
            (-25, Status::BAD_SENSOR_FAILURE),
            (1031, Status::GOOD),
            (1032, Status::UNCERTAIN_SENSOR_NOT_ACCURATE),
            (1063, Status::BAD_SENSOR_FAILURE),
        ] {
            state.take(&spec, Ok((value, Status::GOOD)), Millis(0));
            assert_eq!(state.status(), status, "{value}");
        }
    }

    #[test]
    fn faster_than_believable_is_uncertain_until_time_explains_it() {
        let mut state = PointState::default();
        assert_eq!(take(&mut state, 200, 0), Status::GOOD);
        assert_eq!(take(&mut state, 250, 1000), Status::GOOD);
        assert_eq!(take(&mut state, 301, 2000), Status::UNCERTAIN_SENSOR_NOT_ACCURATE);
        assert_eq!(state.reading().value, 301);
        // A spike does not taint the next reading: it is measured against the last good one.
        assert_eq!(take(&mut state, 255, 3000), Status::GOOD);
        // A real step is believed once its distance could have been covered.
        assert_eq!(take(&mut state, 400, 4000), Status::UNCERTAIN_SENSOR_NOT_ACCURATE);
        assert_eq!(take(&mut state, 400, 5899), Status::UNCERTAIN_SENSOR_NOT_ACCURATE);
        assert_eq!(take(&mut state, 400, 5900), Status::GOOD);
    }

    #[test]
    fn time_going_backwards_counts_as_one_millisecond() {
        let mut state = PointState::default();
        assert_eq!(take(&mut state, 200, 5000), Status::GOOD);
        assert_eq!(take(&mut state, 201, 1000), Status::UNCERTAIN_SENSOR_NOT_ACCURATE);
        assert_eq!(take(&mut state, 200, 0), Status::GOOD);
    }

    #[test]
    fn age_is_bad_and_keeps_the_last_good() {
        let mut state = PointState::default();
        assert_eq!(state.stale_at(&spec()), Millis::NEVER);
        assert_eq!(take(&mut state, 200, 1000), Status::GOOD);
        assert_eq!(state.stale_at(&spec()), Millis(4000));
        assert_eq!(state.stale_at(&PointSpec { max_age_ms: 0, ..spec() }), Millis::NEVER);
        state.expire(Millis(4000));
        assert_eq!(state.status(), Status::BAD_NO_COMMUNICATION);
        assert_eq!(state.reading().last_good, Some((200, Millis(1000))));
        assert_eq!(state.stale_at(&spec()), Millis::NEVER);
    }

    #[test]
    fn the_status_a_value_came_with_is_kept_when_worse() {
        let mut state = PointState::default();
        state.take(&spec(), Ok((200, Status::UNCERTAIN_SUB_NORMAL)), Millis(0));
        assert_eq!(state.status(), Status::UNCERTAIN_SUB_NORMAL);
        assert_eq!(state.reading().last_good, None);
        state.take(&spec(), Ok((200, Status::BAD_DEVICE_FAILURE)), Millis(1));
        assert_eq!(state.status(), Status::BAD_DEVICE_FAILURE);
        state.take(&spec(), Err(Status::GOOD), Millis(2));
        assert_eq!(state.status(), Status::BAD, "a fault without a bad status is still a fault");
    }
}
