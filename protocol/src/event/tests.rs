//! Tests of events: keys as in the contract, kinds and words of later versions, fitting a packet.

use super::*;
use crate::encoding::{Encoding, decode};
use crate::samples;

#[test]
fn keys_as_in_the_contract() {
    let value: serde_json::Value = serde_json::from_slice(&samples::alarm_event().to_bytes()).expect("JSON");
    let keys = "schema log seq boot t time clock_synced mode site module kind text alarm occurrence incident condition from to active \
        acknowledged hidden_by priority impact point tag where value limit unit quality true_since raised_at rate_per_min seconds_left \
        left_to first_out follows tie announced document consequence response first_check safety respond_within_s by reason until";
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
    value["condition"] = "phase_of_the_moon".into();
    value["mode"] = "rehearsal".into();
    value["new_key"] = serde_json::json!([1, { "a": null }]);
    let event: Event = serde_json::from_value(value).expect("reads");
    assert_eq!(event.alarm().expect("an alarm").condition.as_str(), "phase_of_the_moon");
    assert_eq!(event.alarm().expect("an alarm").condition.known(), None);
    assert_eq!(serde_json::to_value(&event).expect("serialises")["mode"], "rehearsal");
}

#[test]
fn long_texts_are_cut_and_nothing_else() {
    let mut event = samples::alarm_event();
    let Detail::Alarm(change) = &mut event.detail else { unreachable!("made as an alarm") };
    change.consequence = "Inlets pass 27 °C. ".repeat(400);
    change.safety = "Hot. ".repeat(400);
    let bytes = event.to_bytes();
    assert!(bytes.len() <= EVENT_MAX && bytes.len() > EVENT_MAX / 2, "{}", bytes.len());
    let mut read: Event = decode(&bytes).expect("reads");
    let Detail::Alarm(cut) = &mut read.detail else { unreachable!("made as an alarm") };
    assert!(cut.consequence.ends_with('…') && cut.safety.ends_with('…'));
    let Detail::Alarm(change) = &event.detail else { unreachable!("made as an alarm") };
    cut.consequence.clone_from(&change.consequence);
    cut.safety.clone_from(&change.safety);
    assert_eq!(read, event);
}

#[test]
fn nothing_is_too_long_to_write() {
    let long = "\u{1}".repeat(70_000);
    let some = Some(long.clone());
    let mut alarm = samples::alarm_event();
    let Detail::Alarm(change) = &mut alarm.detail else { unreachable!("made as an alarm") };
    for text in [
        &mut change.alarm,
        &mut change.point,
        &mut change.unit,
        &mut change.consequence,
        &mut change.response,
        &mut change.first_check,
        &mut change.safety,
    ] {
        text.clone_from(&long);
    }
    for text in [
        &mut change.tag,
        &mut change.location,
        &mut change.limit_unit,
        &mut change.left_to,
        &mut change.follows,
        &mut change.by,
        &mut change.reason,
        &mut change.document,
    ] {
        text.clone_from(&some);
    }
    change.hidden_by = alloc::vec![Word::Unknown("w".repeat(64)); 70];
    let other: Detail = serde_json::from_value(serde_json::json!({ "kind": "k".repeat(64) })).expect("an unknown kind");
    let operator = OperatorAction {
        action: long.clone(),
        by: long.clone(),
        alarm: some.clone(),
        occurrence: Some(u32::MAX),
        point: some.clone(),
        rule: some.clone(),
        to_mode: Some(Word::Unknown("m".repeat(64))),
        reason: some.clone(),
        until: Some(i64::MIN),
        refused: some.clone(),
    };
    let changes = Some(Changes { added: u32::MAX, removed: u32::MAX, changed: u32::MAX });
    let details = [
        alarm.detail,
        Detail::Operator(operator),
        Detail::Link(LinkChange { link: long.clone(), up: true, reason: some.clone() }),
        Detail::Device(DeviceChange { device: long.clone(), link: long.clone(), up: true, reason: some.clone() }),
        Detail::Agent(AgentChange { change: long.clone(), version: some.clone(), reason: some.clone() }),
        Detail::Clock(ClockChange { step_ms: Some(i64::MIN), synced: false }),
        Detail::Store(StoreChange {
            change: long.clone(),
            log_before: some.clone(),
            seq_before: Some(u64::MAX),
            reason: some.clone(),
        }),
        Detail::Config(ConfigChange {
            accepted: false,
            hash: long.clone(),
            catalogue: some.clone(),
            reason: some.clone(),
            points: changes,
            alarms: changes,
            links: changes,
        }),
        other,
    ];
    for detail in details {
        let mut event = samples::event(detail);
        for text in [&mut event.log, &mut event.time, &mut event.site, &mut event.module, &mut event.text] {
            text.clone_from(&long);
        }
        event.mode = Word::Unknown("m".repeat(64));
        let bytes = event.to_bytes();
        assert!(bytes.len() <= EVENT_MAX, "{}: {} bytes", event.kind().get(..8).unwrap_or("?"), bytes.len());
        let read: Event = decode(&bytes).expect("still an event");
        assert_eq!((read.seq, read.t), (event.seq, event.t));
    }
}
