//! What an entity sensor's value means: type, scale, precision and state in the columns beside it (RFC 3433 §2, §3).
//!
//! The value is an integer of `precision` decimal digits, in units of the scale. A sensor that is not `ok`, or measures
//! something else than its point, gives a fault and never a number. Pure. Never panics.

use lapwing_engine::spec::Raw;
use lapwing_protocol::Status;

use async_snmp::Value;

use crate::plan::snmp::SensorKind;

/// Columns beside the value, in the order asked: type, scale, precision, state.
pub(super) const BESIDE: [u32; 4] = [1, 2, 3, 5];

/// The value of a sensor from its column and those `BESIDE` it.
pub(in crate::field) fn value(kind: SensorKind, value: &Value, beside: &[Value]) -> Raw {
    let [is, scale, precision, state] = beside else { return Raw::Fault(Status::BAD_CONFIGURATION_ERROR) };
    if matches!(value, Value::NoSuchObject | Value::NoSuchInstance | Value::EndOfMibView) {
        return Raw::Fault(Status::BAD_NOT_FOUND);
    }
    let (Value::Integer(value), Value::Integer(is), Value::Integer(scale), Value::Integer(precision)) =
        (value, is, scale, precision)
    else {
        return Raw::Fault(Status::BAD_CONFIGURATION_ERROR);
    };
    match state {
        Value::Integer(1) => {}
        Value::Integer(2) => return Raw::Fault(Status::BAD_NOT_CONNECTED), // unavailable: cannot be obtained now
        Value::Integer(3) => return Raw::Fault(Status::BAD_SENSOR_FAILURE), // nonoperational: broken or disconnected
        _ => return Raw::Fault(Status::BAD_CONFIGURATION_ERROR),
    }
    let (Some(scale), true) = (power(*scale), fits(kind, *is)) else {
        return Raw::Fault(Status::BAD_CONFIGURATION_ERROR);
    };
    // EntitySensorPrecision: 1 to 9 are decimal digits, 0 and below say nothing about digits.
    let digits = if (1..=9).contains(precision) { *precision } else { 0 };
    // −10⁹ and 10⁹ stand for below and above what the sensor can say (EntitySensorValue).
    if value.unsigned_abs() >= 1_000_000_000 {
        return Raw::Fault(Status::BAD_OUT_OF_RANGE);
    }
    if is_truth(*is) {
        // TruthValue (RFC 2579): true 1, false 2.
        return Raw::Whole(i64::from(*value == 1));
    }
    // A power of ten below zero divides: 235/10 is 23.5, 235 · 0.1 is not.
    let exponent = scale - digits;
    let ten = 10_f64.powi(exponent.abs());
    Raw::Real(if exponent < 0 { f64::from(*value) / ten } else { f64::from(*value) * ten })
}

/// Exponent of `EntitySensorDataScale`. The standard numbers exa before peta.
const fn power(scale: i32) -> Option<i32> {
    match scale {
        14 => Some(18),
        15 => Some(15),
        1..=13 | 16 | 17 => Some((scale - 9) * 3),
        _ => None,
    }
}

const fn is_truth(is: i32) -> bool {
    is == 12
}

/// Whether `EntitySensorDataType` is what the point measures.
const fn fits(kind: SensorKind, is: i32) -> bool {
    match kind {
        SensorKind::Volts => is == 3 || is == 4,
        SensorKind::Amperes => is == 5,
        SensorKind::Watts => is == 6,
        SensorKind::Hertz => is == 7,
        SensorKind::Celsius => is == 8,
        SensorKind::PercentRh => is == 9,
        SensorKind::Rpm => is == 10,
        SensorKind::CubicMetresPerMinute => is == 11,
        SensorKind::TruthValue => is_truth(is),
        SensorKind::Any => is >= 1 && is <= 12 && !is_truth(is),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(kind: SensorKind, number: i32, is: i32, scale: i32, precision: i32, state: i32) -> Raw {
        value(kind, &Value::Integer(number), &[is, scale, precision, state].map(Value::Integer))
    }

    #[test]
    fn scale_and_precision_make_the_number() {
        assert_eq!(read(SensorKind::Celsius, 235, 8, 9, 1, 1), Raw::Real(23.5));
        assert_eq!(read(SensorKind::Volts, 230_100, 3, 8, 0, 1), Raw::Real(230.1)); // milli
        assert_eq!(read(SensorKind::Watts, 42, 6, 10, 1, 1), Raw::Real(4200.0)); // kilo, one digit
        assert_eq!(read(SensorKind::Rpm, 1480, 10, 9, -3, 1), Raw::Real(1480.0));
        assert_eq!(read(SensorKind::TruthValue, 2, 12, 9, 0, 1), Raw::Whole(0));
        assert_eq!((power(14), power(15), power(1), power(17)), (Some(18), Some(15), Some(-24), Some(24)));
    }

    #[test]
    fn whatever_is_wrong_gives_no_number() {
        for (kind, number, is, scale, state) in [
            (SensorKind::Celsius, 235, 9, 9, 1),
            (SensorKind::Celsius, 235, 8, 0, 1),
            (SensorKind::Celsius, 235, 8, 18, 1),
            (SensorKind::Celsius, 235, 8, 9, 2),
            (SensorKind::Celsius, 235, 8, 9, 3),
            (SensorKind::Celsius, 235, 8, 9, 0),
            (SensorKind::Celsius, 1_000_000_000, 8, 9, 1),
            (SensorKind::Any, 1, 12, 9, 1),
            (SensorKind::Any, 1, 13, 9, 1),
        ] {
            assert!(matches!(read(kind, number, is, scale, 1, state), Raw::Fault(_)), "{kind:?} {is} {scale} {state}");
        }
        let celsius = [8, 9, 1, 1].map(Value::Integer);
        assert!(matches!(value(SensorKind::Celsius, &Value::NoSuchInstance, &celsius), Raw::Fault(_)));
        assert!(matches!(value(SensorKind::Celsius, &Value::Integer(1), &celsius[..3]), Raw::Fault(_)));
    }
}
