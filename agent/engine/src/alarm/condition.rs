//! Decides whether an alarm's condition is true, false or not known, from one reading and its trend.
//!
//! Delays are `life`'s. While the alarm is active the deadband holds it: `True` then means "has not come back far
//! enough"; before the raise the deadband does not count (ISA-18.2: deadband is a distance back from the limit).
//! `same`: the value is that of the reading before. A bad reading, or no trend, is `Unknown`: neither true nor false. An uncertain reading counts: better a doubtful
//! alarm than none. Limits and values are integers at the point's exponent. Never panics.

use core::cmp::Ordering;

use lapwing_protocol::Status;

use crate::spec::{Condition, has_state};
use crate::trend::slope::Slope;

/// What is known of a condition.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Truth {
    /// It holds (or, of an active alarm, has not gone).
    True,
    /// It does not hold.
    False,
    /// No usable reading, or no trend yet.
    #[default]
    Unknown,
}

impl From<bool> for Truth {
    fn from(holds: bool) -> Self {
        if holds { Self::True } else { Self::False }
    }
}

/// Judges one reading. `active`: the alarm stands, so the deadband counts. `same`: the value did not change.
#[must_use]
#[inline]
pub fn judge(
    condition: &Condition,
    value: i64,
    status: Status,
    slope: Option<Slope>,
    same: bool,
    active: bool,
) -> Truth {
    if let Condition::BadMeasurement = condition {
        return bad_measurement(status);
    }
    if let Condition::NotIn { states } = *condition {
        // A point that is out of service is nobody's proof and nobody's alarm; what cannot be read proves nothing.
        return if out_of_service(status) {
            Truth::Unknown
        } else {
            (status.is_bad() || !has_state(states, value)).into()
        };
    }
    if status.is_bad() {
        return Truth::Unknown;
    }
    match *condition {
        Condition::High { limit, deadband } => {
            (if active { value >= limit.saturating_sub(deadband) } else { value > limit }).into()
        }
        Condition::Low { limit, deadband } => {
            (if active { value <= limit.saturating_add(deadband) } else { value < limit }).into()
        }
        Condition::Rise { per_min, deadband } => faster(slope, per_min, deadband, active),
        Condition::Fall { per_min, deadband } => faster(slope.map(Slope::reversed), per_min, deadband, active),
        // Values beyond 63 have no bit, hence no name and no alarm.
        Condition::State { states } => has_state(states, value).into(),
        Condition::BadMeasurement => bad_measurement(status),
        Condition::Beyond { limit, deadband } => {
            let (value, limit) = (value.unsigned_abs(), limit.unsigned_abs());
            (if active { value >= limit.saturating_sub(deadband.unsigned_abs()) } else { value > limit }).into()
        }
        Condition::TimeToLimit { limit, rising, within_ms } => {
            let within = if active { u64::from(within_ms) * 2 } else { u64::from(within_ms) };
            if rising {
                reached(limit, value, slope, within)
            } else {
                reached(value, limit, slope.map(Slope::reversed), within)
            }
        }
        Condition::Frozen => same.into(),
        Condition::NotIn { states } => (!has_state(states, value)).into(),
    }
}

/// Whether `high` is reached from `low` within so long at a slope that leads there; one that has been reached is.
fn reached(high: i64, low: i64, slope: Option<Slope>, within_ms: u64) -> Truth {
    if low >= high {
        return Truth::True;
    }
    slope.map_or(Truth::Unknown, |slope| slope.covers(low.abs_diff(high), within_ms).into())
}

/// The values, given as lowest and highest, for which a condition that is false of an inactive alarm stays false, and
/// one that is true of an active alarm stays true; none where that is not a matter of the value. `value` is the one it
/// was judged by, and good.
#[must_use]
pub(crate) const fn steady(condition: &Condition, value: i64, active: bool) -> (i64, i64) {
    match *condition {
        Condition::High { limit, .. } if !active => (i64::MIN, limit),
        Condition::High { limit, deadband } => (limit.saturating_sub(deadband), i64::MAX),
        Condition::Low { limit, .. } if !active => (limit, i64::MAX),
        Condition::Low { limit, deadband } => (i64::MIN, limit.saturating_add(deadband)),
        Condition::State { .. } | Condition::NotIn { .. } => (value, value),
        Condition::BadMeasurement if !active => (i64::MIN, i64::MAX),
        Condition::Beyond { limit, .. } if !active => (limit.saturating_neg(), limit),
        Condition::Beyond { limit, deadband } if value >= 0 => (limit.saturating_sub(deadband), i64::MAX),
        Condition::Beyond { limit, deadband } => (i64::MIN, deadband.saturating_sub(limit)),
        Condition::BadMeasurement
        | Condition::Rise { .. }
        | Condition::Fall { .. }
        | Condition::TimeToLimit { .. }
        | Condition::Frozen => (i64::MAX, i64::MIN),
    }
}

fn faster(slope: Option<Slope>, per_min: i64, deadband: i64, active: bool) -> Truth {
    let Some(slope) = slope else { return Truth::Unknown };
    if active {
        (slope.cmp_per_min(per_min.saturating_sub(deadband)) != Ordering::Less).into()
    } else {
        (slope.cmp_per_min(per_min) == Ordering::Greater).into()
    }
}

/// A failed exchange is the link's or device's alarm, what the device does not give is in the alarm on its map, a point
/// out of service nobody's: none of them says anything of the sensor.
const fn bad_measurement(status: Status) -> Truth {
    const ELSEWHERE: [u32; 2] = [Status::BAD_OUT_OF_SERVICE.number(), Status::BAD_NOT_FOUND.number()];
    let reason = status.number() & 0xFFFF_0000;
    if !status.is_bad() {
        Truth::False
    } else if status.is_communication() || reason == ELSEWHERE[0] || reason == ELSEWHERE[1] {
        Truth::Unknown
    } else {
        Truth::True
    }
}

const fn out_of_service(status: Status) -> bool {
    status.number() & 0xFFFF_0000 == Status::BAD_OUT_OF_SERVICE.number()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(condition: Condition, value: i64, active: bool) -> Truth {
        judge(&condition, value, Status::GOOD, None, false, active)
    }

    #[test]
    fn what_is_not_shown_to_be_armed_is_not() {
        let armed = Condition::NotIn { states: 0b10 };
        let judged = |value, status| judge(&armed, value, status, None, false, false);
        assert_eq!([1, 0, 2, 64, -1].map(|value| judged(value, Status::GOOD)), {
            use Truth::{False, True};
            [False, True, True, True, True]
        });
        assert_eq!(judged(1, Status::BAD_COMMUNICATION_ERROR), Truth::True, "an old answer proves nothing");
        assert_eq!(judged(1, Status::BAD_SENSOR_FAILURE), Truth::True);
        assert_eq!(judged(1, Status::BAD_OUT_OF_SERVICE), Truth::Unknown);
        assert_eq!(steady(&armed, 1, false), (1, 1));
    }

    #[test]
    fn deadband_counts_only_while_active() {
        let high = Condition::High { limit: 300, deadband: 10 };
        assert_eq!([at(high, 300, false), at(high, 301, false)], [Truth::False, Truth::True]);
        assert_eq!([at(high, 290, true), at(high, 289, true)], [Truth::True, Truth::False]);
        let low = Condition::Low { limit: 300, deadband: 10 };
        assert_eq!([at(low, 300, false), at(low, 299, false)], [Truth::False, Truth::True]);
        assert_eq!([at(low, 310, true), at(low, 311, true)], [Truth::True, Truth::False]);
    }

    #[test]
    fn limits_at_the_ends_of_the_type() {
        assert_eq!(at(Condition::High { limit: i64::MIN, deadband: 5 }, i64::MIN, true), Truth::True);
        assert_eq!(at(Condition::Low { limit: i64::MAX, deadband: 5 }, i64::MAX, true), Truth::True);
    }

    proptest::proptest! {
        #[test]
        fn what_is_steady_is_judged_the_same(limit in -20_i64..20, deadband in 0_i64..8, states: u64, value in -30_i64..70, other in -30_i64..70, active: bool) {
            let conditions =
                [Condition::High { limit, deadband }, Condition::Low { limit, deadband }, Condition::State { states }, Condition::BadMeasurement, Condition::Beyond { limit: limit.abs(), deadband }];
            for condition in conditions {
                let (low, high) = steady(&condition, value, active);
                if at(condition, value, active) == Truth::from(active) && other >= low && other <= high {
                    proptest::prop_assert_eq!(at(condition, other, active), Truth::from(active), "{:?}", condition);
                }
            }
        }
    }

    #[test]
    fn a_difference_counts_either_way() {
        let apart = Condition::Beyond { limit: 30, deadband: 5 };
        assert_eq!(
            [at(apart, 30, false), at(apart, 31, false), at(apart, -31, false)],
            [Truth::False, Truth::True, Truth::True]
        );
        assert_eq!(
            [at(apart, 25, true), at(apart, -25, true), at(apart, -24, true)],
            [Truth::True, Truth::True, Truth::False]
        );
        assert_eq!(at(Condition::Beyond { limit: i64::MAX, deadband: 0 }, i64::MIN, false), Truth::True);
    }

    #[test]
    fn what_never_changes_is_frozen() {
        let same = |same| judge(&Condition::Frozen, 5, Status::GOOD, None, same, false);
        assert_eq!([same(true), same(false)], [Truth::True, Truth::False]);
        assert_eq!(judge(&Condition::Frozen, 5, Status::BAD_SENSOR_FAILURE, None, true, true), Truth::Unknown);
    }

    #[test]
    fn time_to_a_limit() {
        use crate::spec::{Millis, WindowSpec};
        use crate::trend::slope::Window;
        let spec = WindowSpec { over_ms: 10_000, spacing_ms: 1000 };
        let mut window = Window::default();
        for second in 0..=10_u32 {
            window.push(&spec, Millis(u64::from(second) * 1000), i64::from(second) * 5); // 5 steps a second
        }
        let slope = window.slope(&spec);
        let left = |limit, rising, within_ms, active| {
            judge(&Condition::TimeToLimit { limit, rising, within_ms }, 50, Status::GOOD, slope, false, active)
        };
        // 50 steps away at 5 a second: ten seconds.
        assert_eq!([left(100, true, 10_000, false), left(100, true, 9_999, false)], [Truth::True, Truth::False]);
        assert_eq!(
            [left(100, true, 5_000, true), left(100, true, 4_999, true)],
            [Truth::True, Truth::False],
            "twice as far"
        );
        assert_eq!(left(50, true, 1, false), Truth::True, "it has been reached");
        assert_eq!(left(0, false, u32::MAX, false), Truth::False, "it moves away");
        assert_eq!(left(i64::MAX, true, u32::MAX, true), Truth::False);
        let none = judge(
            &Condition::TimeToLimit { limit: 100, rising: true, within_ms: 1 },
            50,
            Status::GOOD,
            None,
            false,
            false,
        );
        assert_eq!(none, Truth::Unknown);
    }

    #[test]
    fn states_by_bit() {
        let trip = Condition::State { states: 1 << 3 | 1 << 63 };
        let expected = [(3, Truth::True), (2, Truth::False), (63, Truth::True), (64, Truth::False), (-1, Truth::False)];
        for (value, truth) in expected {
            assert_eq!(at(trip, value, false), truth, "{value}");
        }
        assert_eq!(at(trip, i64::MAX, true), Truth::False);
    }

    #[test]
    fn bad_is_neither_true_nor_false() {
        let high = Condition::High { limit: 0, deadband: 0 };
        for active in [false, true] {
            assert_eq!(judge(&high, 99, Status::BAD_SENSOR_FAILURE, None, false, active), Truth::Unknown);
            assert_eq!(judge(&high, 99, Status::UNCERTAIN_SENSOR_NOT_ACCURATE, None, false, active), Truth::True);
            assert_eq!(at(Condition::Rise { per_min: 1, deadband: 0 }, 5, active), Truth::Unknown);
        }
    }

    #[test]
    fn bad_measurement_is_the_sensors_own_reason() {
        let expected = [
            (Status::GOOD, Truth::False),
            (Status::UNCERTAIN_LAST_USABLE, Truth::False),
            (Status::BAD_SENSOR_FAILURE, Truth::True),
            (Status::BAD_NOT_CONNECTED, Truth::True),
            (Status::BAD_OUT_OF_RANGE, Truth::True),
            (Status::BAD_CONFIGURATION_ERROR, Truth::True),
            (Status::BAD_DEVICE_FAILURE, Truth::True),
            (Status::from_number(0xC000_0000), Truth::True),
            (Status::BAD_NO_COMMUNICATION, Truth::Unknown),
            (Status::BAD_COMMUNICATION_ERROR, Truth::Unknown),
            (Status::BAD_WAITING, Truth::Unknown),
            (Status::BAD_OUT_OF_SERVICE, Truth::Unknown),
            (Status::BAD_NOT_FOUND, Truth::Unknown),
        ];
        for (status, truth) in expected {
            assert_eq!(judge(&Condition::BadMeasurement, 0, status, None, false, false), truth, "{status:?}");
        }
    }
}
