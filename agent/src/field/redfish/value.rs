//! The raw value of a point in a Redfish resource: a JSON property found by its pointer, and what stands beside it.
//!
//! A `Status` in the same object says whether there is a sensor at all: `Absent` means nothing is connected, `Disabled`
//! and the off-line states that it is out of service; its number is then not believed. Texts are states by their names.
//! `null` is how a service says that it has no reading now. Pure. Never panics. DMTF DSP0266 §9.5 (null), the `Resource`
//! schema's `Status.State` (DSP2046; from memory), RFC 6901.

use lapwing_engine::spec::Raw;
use lapwing_protocol::Status;
use serde_json::Value;

/// The raw value a pointer leads to.
pub(super) fn raw(document: &Value, pointer: &str, states: &[(i64, String)]) -> Raw {
    if let Some(fault) = beside(document, pointer) {
        return Raw::Fault(fault);
    }
    match document.pointer(pointer) {
        Some(Value::Bool(flag)) => Raw::Whole(i64::from(*flag)),
        Some(Value::Number(number)) => match (number.as_i64(), number.as_f64()) {
            (Some(whole), _) => Raw::Whole(whole),
            (None, _) if number.is_u64() => Raw::Fault(Status::BAD_OUT_OF_RANGE),
            (None, Some(real)) => Raw::Real(real),
            (None, None) => Raw::Fault(Status::BAD_OUT_OF_RANGE),
        },
        Some(Value::String(text)) => states
            .iter()
            .find(|(_, name)| name.eq_ignore_ascii_case(text))
            .map_or(Raw::Fault(Status::BAD_CONFIGURATION_ERROR), |(state, _)| Raw::Whole(*state)),
        Some(Value::Null) => Raw::Fault(Status::BAD_NOT_CONNECTED),
        Some(Value::Array(_) | Value::Object(_)) => Raw::Fault(Status::BAD_CONFIGURATION_ERROR),
        None => Raw::Fault(Status::BAD_NOT_FOUND),
    }
}

/// Why nothing in the property's object is to be believed.
fn beside(document: &Value, pointer: &str) -> Option<Status> {
    let (object, _) = pointer.rsplit_once('/')?;
    match document.pointer(object)?.get("Status")?.get("State")?.as_str()? {
        "Absent" => Some(Status::BAD_NOT_CONNECTED),
        "Disabled" | "StandbyOffline" | "UnavailableOffline" => Some(Status::BAD_OUT_OF_SERVICE),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn thermal() -> Value {
        serde_json::json!({
            "Temperatures": [
                { "ReadingCelsius": 24.5, "Status": { "State": "Enabled", "Health": "OK" } },
                { "ReadingCelsius": 31, "Status": { "State": "Absent" } },
                { "ReadingCelsius": null, "Status": { "State": "Enabled" } },
                { "ReadingCelsius": 25, "Status": { "State": "Disabled" } },
                { "ReadingCelsius": 26, "Status": { "State": "a state of a later version" } },
            ],
            "Fans~/x": [{ "Reading": 18_446_744_073_709_551_615_u64, "On": true, "State": "on" }],
        })
    }

    #[test]
    fn numbers_flags_and_names_are_values_and_the_rest_says_why_not() {
        let document = thermal();
        let states = [(0, "Off".to_string()), (1, "On".to_string())];
        let at = |pointer: &str| raw(&document, pointer, &states);
        assert_eq!(at("/Temperatures/0/ReadingCelsius"), Raw::Real(24.5));
        assert_eq!(at("/Temperatures/1/ReadingCelsius"), Raw::Fault(Status::BAD_NOT_CONNECTED));
        assert_eq!(at("/Temperatures/2/ReadingCelsius"), Raw::Fault(Status::BAD_NOT_CONNECTED));
        assert_eq!(at("/Temperatures/3/ReadingCelsius"), Raw::Fault(Status::BAD_OUT_OF_SERVICE));
        assert_eq!(at("/Temperatures/4/ReadingCelsius"), Raw::Whole(26));
        assert_eq!(at("/Temperatures/9/ReadingCelsius"), Raw::Fault(Status::BAD_NOT_FOUND));
        assert_eq!(at("/Temperatures/0"), Raw::Fault(Status::BAD_CONFIGURATION_ERROR));
        assert_eq!(at("/Fans~0~1x/0/Reading"), Raw::Fault(Status::BAD_OUT_OF_RANGE));
        assert_eq!(at("/Fans~0~1x/0/On"), Raw::Whole(1));
        assert_eq!(at("/Fans~0~1x/0/State"), Raw::Whole(1), "names of states, whatever their case");
        assert_eq!(raw(&document, "/Fans~0~1x/0/State", &[]), Raw::Fault(Status::BAD_CONFIGURATION_ERROR));
    }

    #[test]
    fn whatever_json_comes_gives_a_value_or_a_fault() {
        for text in ["null", "7", "[]", "{}", "\"x\"", "[[{\"Status\":{\"State\":7}}]]", "{\"a\":{\"Status\":[]}}"] {
            let document: Value = serde_json::from_str(text).expect("JSON");
            for pointer in ["/", "/a", "/a/b", "/0/0/State", "/a/0/b"] {
                let value = raw(&document, pointer, &[]);
                assert!(matches!(value, Raw::Fault(status) if status.is_bad()), "{text} {pointer}: {value:?}");
            }
        }
    }
}
