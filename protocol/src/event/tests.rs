use super::*;
use crate::encoding::{Encoding, decode};
use crate::samples;

#[test]
fn keys_as_in_the_contract() {
    let value: serde_json::Value = serde_json::from_slice(&samples::alarm_event().to_bytes()).expect("JSON");
    let keys = "schema log seq boot t time clock_synced mode site module kind text alarm occurrence incident condition from to active \
        acknowledged hidden_by priority impact point tag where value limit unit quality true_since raised_at rate_per_min seconds_left \
        left_to first_out follows tie consequence response first_check safety respond_within_s by reason until";
    let object = value.as_object().expect("an object");
    for key in keys.split_whitespace() {
        assert!(object.contains_key(key), "{key} is missing");
    }
    assert_eq!(object.len(), keys.split_whitespace().count() + 1, "and limit_unit: {object:?}");
    assert!(object.values().all(|value| !value.is_object()), "flat");
    assert_eq!(value["kind"], "alarm");
    assert_eq!(value["to"], "unacknowledged");
    assert_eq!(value["value"], 21.4);
}

#[test]
fn both_encodings_give_it_back() {
    for event in [samples::alarm_event(), samples::link_event()] {
        for encoding in [Encoding::Json, Encoding::Cbor] {
            let bytes = encoding.to_vec(&event).expect("writes");
            assert_eq!(decode::<Event>(&bytes).expect("reads"), event);
        }
    }
}

#[test]
fn durable_is_said_only_when_false() {
    let mut event = samples::link_event();
    assert!(!String::from_utf8(event.to_bytes()).expect("UTF-8").contains("durable"));
    event.durable = false;
    let bytes = event.to_bytes();
    assert!(String::from_utf8(bytes.clone()).expect("UTF-8").contains("\"durable\":false"));
    assert_eq!(decode::<Event>(&bytes).expect("reads"), event);
}

#[test]
fn unknown_kind_survives_with_its_name() {
    for encoding in [Encoding::Json, Encoding::Cbor] {
        let mut value = serde_json::to_value(samples::link_event()).expect("serialises");
        value["kind"] = "weather".into();
        value["wind"] = serde_json::json!({ "from": ["north", 3] });
        let bytes = encoding.to_vec(&value).expect("writes");
        let event: Event = decode(&bytes).expect("an unknown kind is no error");
        assert_eq!(event.kind(), "weather");
        assert_eq!(event.text, samples::link_event().text);
        assert_eq!(serde_json::to_value(&event).expect("serialises")["kind"], "weather");
    }
}

#[test]
fn known_kind_with_wrong_keys_is_an_error() {
    let mut value = serde_json::to_value(samples::link_event()).expect("serialises");
    value["up"] = "yes".into();
    assert!(serde_json::from_value::<Event>(value.clone()).is_err());
    value.as_object_mut().expect("an object").remove("up");
    assert!(serde_json::from_value::<Event>(value.clone()).is_err());
    value.as_object_mut().expect("an object").remove("kind");
    assert!(serde_json::from_value::<Event>(value).is_err());
}

#[test]
fn unknown_words_and_keys_survive() {
    let mut value = serde_json::to_value(samples::alarm_event()).expect("serialises");
    value["condition"] = "discrepancy".into();
    value["mode"] = "rehearsal".into();
    value["new_key"] = serde_json::json!([1, { "a": null }]);
    let event: Event = serde_json::from_value(value).expect("reads");
    assert_eq!(event.alarm().expect("an alarm").condition.as_str(), "discrepancy");
    assert_eq!(event.alarm().expect("an alarm").condition.known(), None);
    assert_eq!(serde_json::to_value(&event).expect("serialises")["mode"], "rehearsal");
}
