//! Tests of the alarm record: both encodings, plain seconds, fitting a packet.

use super::*;
use crate::encoding::{Encoding, decode};
use crate::samples;

#[test]
fn both_encodings_give_it_back() {
    let record = samples::alarm_record();
    for encoding in [Encoding::Json, Encoding::Cbor] {
        assert_eq!(decode::<AlarmRecord>(&encoding.to_vec(&record).expect("writes")).expect("reads"), record);
    }
    assert_eq!(decode::<AlarmRecord>(&record.to_bytes()).expect("reads"), record);
}

#[test]
fn delays_are_plain_seconds() {
    let value: serde_json::Value = serde_json::from_slice(&samples::alarm_record().to_bytes()).expect("JSON");
    assert_eq!(value["on_delay_s"], 5);
    assert_eq!(value["off_delay_s"], 2.5);
    assert_eq!(value["where"], "coil bay, left");
}

#[test]
fn long_texts_are_cut_and_nothing_else() {
    let mut record = samples::alarm_record();
    record.consequence = "Inlets pass 27 °C. ".repeat(500);
    record.response = "Shed load. ".repeat(500);
    let bytes = record.to_bytes();
    assert!(bytes.len() <= EVENT_MAX && bytes.len() > EVENT_MAX / 2, "{}", bytes.len());
    let mut read: AlarmRecord = decode(&bytes).expect("reads");
    assert!(read.consequence.ends_with('…') && record.consequence.starts_with(read.consequence.trim_end_matches('…')));
    read.consequence.clone_from(&record.consequence);
    read.response.clone_from(&record.response);
    assert_eq!(read, record);
}

#[test]
fn nothing_is_too_long_to_write() {
    let long = "\u{1}".repeat(70_000);
    let mut record = samples::alarm_record();
    for text in [
        &mut record.log,
        &mut record.site,
        &mut record.module,
        &mut record.alarm,
        &mut record.point,
        &mut record.unit,
        &mut record.text,
        &mut record.consequence,
        &mut record.response,
        &mut record.first_check,
        &mut record.safety,
    ] {
        text.clone_from(&long);
    }
    for text in [&mut record.tag, &mut record.location, &mut record.follows, &mut record.limit_unit] {
        *text = Some(long.clone());
    }
    record.states = alloc::vec![long.clone(); 70];
    record.hidden_by = alloc::vec![Word::Unknown("w".repeat(64)); 70];
    let bytes = record.to_bytes();
    assert!(bytes.len() <= EVENT_MAX, "{}", bytes.len());
    decode::<AlarmRecord>(&bytes).expect("still a record");
}
