//! Tests of all messages together: what is written is read again in both encodings, and whatever arrives damaged is
//! answered with a message or an error.

use alloc::boxed::Box;
use alloc::string::String;
use alloc::vec::Vec;
use core::fmt::Debug;

use proptest::prelude::*;
use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::encoding::{Encoding, decode};
use crate::vocabulary::{Vocabulary, Word};
use crate::{
    AgentChange, AlarmChange, AlarmRecord, CataloguePage, CataloguePoint, Changes, ClockChange, ConfigChange, Decimal,
    Detail, DeviceChange, Event, EventLast, Frame, FrameBuilder, LinkChange, OperatorAction, PointValue, Presence,
    Status, StoreChange, cbor, samples,
};

/// JSON and CBOR give the same message again, and equal messages are equal CBOR.
fn both_ways<T: Serialize + DeserializeOwned + PartialEq + Debug>(message: &T) {
    for encoding in [Encoding::Json, Encoding::Cbor] {
        let bytes = encoding.to_vec(message).expect("writes");
        assert_eq!(Encoding::of(&bytes), Some(encoding));
        let read: T = decode(&bytes).expect("reads");
        assert_eq!(read, *message);
        assert_eq!(encoding.to_vec(&read).expect("writes"), bytes);
    }
    let bytes = cbor::to_vec(message).expect("writes");
    assert_eq!(cbor::canonicalise(&bytes), Ok(bytes));
}

/// Every truncation is an error; every single-bit flip is an error or a message that can be written.
fn damaged<T: Serialize + DeserializeOwned + Debug>(message: &T) {
    for encoding in [Encoding::Json, Encoding::Cbor] {
        let bytes = encoding.to_vec(message).expect("writes");
        for end in 0..bytes.len() {
            assert!(decode::<T>(&bytes[..end]).is_err(), "{end} of {} bytes pass for a message", bytes.len());
        }
        let mut flipped = bytes.clone();
        for bit in 0..bytes.len() * 8 {
            flipped[bit / 8] ^= 1 << (bit % 8);
            if let Ok(read) = decode::<T>(&flipped) {
                let again = cbor::to_vec(&read).expect("what was read can be written");
                assert_eq!(cbor::canonicalise(&again), Ok(again));
            }
            flipped[bit / 8] = bytes[bit / 8];
        }
    }
}

#[test]
fn damage_is_answered() {
    damaged(&samples::alarm_event());
    damaged(&samples::link_event());
    damaged(&samples::alarm_record());
    damaged(&samples::presence());
    damaged(&samples::point_value());
    damaged(&samples::event_last());
    damaged(&samples::catalogue_page());
    damaged(&samples::frame());
    damaged(&samples::notification());
    damaged(&samples::command());
    damaged(&samples::command_reply());
}

#[test]
fn samples_both_ways() {
    both_ways(&samples::alarm_event());
    both_ways(&samples::alarm_record());
    both_ways(&samples::presence());
    both_ways(&samples::point_value());
    both_ways(&samples::event_last());
    both_ways(&samples::catalogue_page());
    both_ways(&samples::frame());
    both_ways(&samples::notification());
    both_ways(&samples::command());
    both_ways(&samples::command_reply());
}

#[test]
fn a_bad_point_value_is_null() {
    let mut value = samples::point_value();
    value.value = None;
    value.quality = Status::BAD_NO_COMMUNICATION;
    let text = serde_json::to_string(&value).expect("writes");
    assert_eq!(text, r#"{"t":1764000005123,"value":null,"unit":"Cel","quality":2150694912,"mode":"simulated"}"#);
    both_ways(&value);
}

#[test]
fn presence_as_in_the_contract() {
    let text = serde_json::to_string(&samples::presence()).expect("writes");
    let expected = r#"{"schema":1,"state":"online","mode":"live","log":"a3f09c5e11d20b47","boot":2,"version":"0.1.0","catalogue":"0123456789abcdef"}"#;
    assert_eq!(text, expected);
    assert_eq!(
        serde_json::to_string(&samples::event_last()).expect("writes"),
        r#"{"log":"a3f09c5e11d20b47","seq":4711,"t":1764000005123}"#
    );
}

#[test]
fn neither_encoding_is_an_error() {
    for payload in [&b""[..], b"[1]", b"\x80", b" {}", b"\xff", b"null"] {
        assert!(decode::<EventLast>(payload).is_err());
    }
}

fn word<T: Vocabulary + Debug>() -> impl Strategy<Value = Word<T>> {
    let known = (0..T::WORDS.len()).prop_map(|at| Word::Known(T::WORDS[at].1));
    prop_oneof![9 => known, 1 => "z[a-z_]{0,20}".prop_map(Word::Unknown)]
}

/// Decimals whose f64 is theirs alone (15 digits) and that have no shorter form.
fn decimal() -> impl Strategy<Value = Decimal> {
    (-999_999_999_999_999_i64..=999_999_999_999_999, -9_i8..=0).prop_map(|(mut mantissa, mut exponent)| {
        while exponent < 0 && mantissa % 10 == 0 {
            (mantissa, exponent) = (mantissa / 10, exponent + 1);
        }
        Decimal::new(mantissa, exponent)
    })
}

fn some<S: Strategy>(inner: S) -> impl Strategy<Value = Option<S::Value>> {
    prop::option::of(inner)
}

fn text() -> impl Strategy<Value = String> {
    ".{0,12}"
}

fn status() -> impl Strategy<Value = Status> {
    any::<u32>().prop_map(Status::from_number)
}

fn alarm_change() -> impl Strategy<Value = Detail> {
    let who = (text(), any::<u32>(), some(any::<u64>()), word(), word(), word(), any::<[bool; 5]>());
    let what = (
        prop::collection::vec(word(), 0..3),
        word(),
        word(),
        text(),
        some(text()),
        some(text()),
        some(decimal()),
        some(decimal()),
    );
    let when = (
        some(text()),
        status(),
        some(any::<i64>()),
        some(any::<i64>()),
        some(decimal()),
        some(any::<u32>()),
        some(text()),
    );
    let why = (
        some(text()),
        text(),
        text(),
        text(),
        text(),
        some(any::<u32>()),
        some(text()),
        some(text()),
        some(any::<i64>()),
    );
    (who, what, when, why).prop_map(|(who, what, when, why)| {
        let (alarm, occurrence, incident, condition, from, to, [active, acknowledged, first_out, tie, announced]) = who;
        let (hidden_by, priority, impact, point, tag, location, value, limit) = what;
        let (limit_unit, quality, true_since, raised_at, rate_per_min, seconds_left, left_to) = when;
        let (follows, consequence, response, first_check, safety, respond_within_s, by, reason, until) = why;
        Detail::Alarm(Box::new(AlarmChange {
            alarm,
            occurrence,
            incident,
            condition,
            from,
            to,
            active,
            acknowledged,
            hidden_by,
            priority,
            impact,
            point,
            tag,
            location,
            value,
            limit,
            unit: "Cel".into(),
            limit_unit,
            quality,
            true_since,
            raised_at,
            rate_per_min,
            seconds_left,
            left_to,
            first_out,
            follows,
            tie,
            announced,
            consequence,
            response,
            first_check,
            safety,
            document: reason.clone(),
            respond_within_s,
            by,
            reason,
            until,
        }))
    })
}

fn changes() -> impl Strategy<Value = Changes> {
    (any::<u32>(), any::<u32>(), any::<u32>()).prop_map(|(added, removed, changed)| Changes { added, removed, changed })
}

fn detail() -> impl Strategy<Value = Detail> {
    prop_oneof![
        3 => alarm_change(),
        1 => (text(), text(), some(text()), some(text()), some(text()), some(any::<i64>()), some(text()), some(word()), some(any::<u32>()))
            .prop_map(|(action, by, alarm, point, reason, until, refused, to_mode, occurrence)|
                Detail::Operator(OperatorAction {
                    action, by, rule: point.clone(), alarm, occurrence, point, to_mode, reason, until, refused,
                })),
        1 => (text(), any::<bool>(), some(text())).prop_map(|(link, up, reason)| Detail::Link(LinkChange { link, up, reason })),
        1 => (text(), text(), any::<bool>(), some(text()))
            .prop_map(|(device, link, up, reason)| Detail::Device(DeviceChange { device, link, up, reason })),
        1 => (text(), some(text()), some(text())).prop_map(|(change, version, reason)| Detail::Agent(AgentChange { change, version, reason })),
        1 => (some(any::<i64>()), any::<bool>()).prop_map(|(step_ms, synced)| Detail::Clock(ClockChange { step_ms, synced })),
        1 => (text(), some(text()), some(any::<u64>()), some(text()))
            .prop_map(|(change, log_before, seq_before, reason)| Detail::Store(StoreChange { change, log_before, seq_before, reason })),
        1 => (any::<bool>(), text(), some(text()), some(text()), some(changes()), some(changes()), some(changes()))
            .prop_map(|(accepted, hash, catalogue, reason, points, alarms, links)|
                Detail::Config(ConfigChange { accepted, hash, catalogue, reason, points, alarms, links })),
    ]
}

fn event() -> impl Strategy<Value = Event> {
    let head = (
        text(),
        any::<u64>(),
        any::<u64>(),
        any::<i64>(),
        text(),
        any::<bool>(),
        word(),
        text(),
        text(),
        text(),
        any::<bool>(),
    );
    (head, detail()).prop_map(|(head, detail)| {
        let (log, seq, boot, t, time, clock_synced, mode, site, module, text, durable) = head;
        Event { schema: 1, log, seq, boot, t, time, clock_synced, mode, site, module, text, durable, detail }
    })
}

fn alarm_record() -> impl Strategy<Value = AlarmRecord> {
    let state = (
        some(any::<u64>()),
        any::<i64>(),
        word(),
        word(),
        any::<[bool; 5]>(),
        prop::collection::vec(word(), 0..3),
        word(),
    );
    let limits =
        (some(decimal()), some(decimal()), prop::collection::vec(text(), 0..3), decimal(), some(decimal()), status());
    (state, limits, text(), some(text())).prop_map(|(state, limits, text, other)| {
        let (seq, t, mode, shown, [active, acknowledged, latching, first_out, tie], hidden_by, condition) = state;
        let (limit, deadband, states, on_delay_s, value, quality) = limits;
        AlarmRecord {
            seq,
            t,
            mode,
            state: shown,
            active,
            acknowledged,
            latching,
            first_out,
            tie,
            hidden_by,
            condition,
            limit,
            deadband,
            states,
            on_delay_s,
            value,
            quality,
            response: text,
            tag: other.clone(),
            follows: other,
            ..samples::alarm_record()
        }
    })
}

fn catalogue_page() -> impl Strategy<Value = CataloguePage> {
    let point = (
        any::<u32>(),
        word(),
        any::<i8>(),
        some((decimal(), decimal())),
        some(text()),
        prop::collection::btree_map("[0-9]{1,3}", text(), 0..4),
        prop::collection::btree_map("[0-9]{1,3}", text(), 0..4),
    )
        .prop_map(|(id, quantity, exponent, valid, tag, states, state_texts)| CataloguePoint {
            id,
            quantity,
            exponent,
            valid: valid.map(|(low, high)| [low, high]),
            tag,
            states,
            state_texts,
            ..samples::catalogue_page().points.remove(0)
        });
    (any::<u32>(), any::<u32>(), prop::collection::vec(point, 0..4)).prop_map(|(page, pages, points)| CataloguePage {
        schema: 1,
        hash: "0123456789abcdef".into(),
        page,
        pages,
        points,
    })
}

fn frame() -> impl Strategy<Value = Frame> {
    let reading = (0_u32..30, -40_i64..40, some(any::<i64>()), prop_oneof![2 => Just(Status::GOOD), 1 => status()]);
    (any::<u64>(), any::<bool>(), prop::collection::vec(reading, 1..40)).prop_map(|(boot, late, readings)| {
        let mut builder = FrameBuilder::new("log", boot, "0123456789abcdef", 9);
        for (id, dt, value, status) in readings {
            builder.push(id, 1_764_000_000_000 + dt, value, status);
        }
        builder.finish().remove(0).with_late(late)
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    #[test]
    fn events(event in event()) {
        both_ways(&event);
        if event.to_bytes().len() < crate::EVENT_MAX {
            prop_assert_eq!(decode::<Event>(&event.to_bytes()).expect("reads"), event);
        }
    }

    #[test]
    fn alarm_records(record in alarm_record()) {
        both_ways(&record);
    }

    #[test]
    fn catalogue_pages(page in catalogue_page()) {
        both_ways(&page);
    }

    #[test]
    fn frames(frame in frame()) {
        both_ways(&frame);
    }

    #[test]
    fn point_values(t: i64, value in some(decimal()), unit in text(), quality in status(), mode in word()) {
        both_ways(&PointValue { t, value, unit, quality, mode });
    }

    #[test]
    fn presences(state in word(), mode in word(), log in text(), boot: u64, version in text(), catalogue in text()) {
        both_ways(&Presence { schema: 1, state, mode, log, boot, version, catalogue });
    }

    #[test]
    fn last_events(log in text(), seq: u64, t: i64) {
        both_ways(&EventLast { log, seq, t });
    }

    #[test]
    fn any_bytes_are_answered(bytes in prop::collection::vec(any::<u8>(), 0..200), first in prop_oneof![Just(b'{'), 0xA0_u8..0xC0]) {
        let mut bytes: Vec<u8> = bytes;
        bytes.insert(0, first);
        let _ = decode::<Event>(&bytes);
        let _ = decode::<Frame>(&bytes);
        let _ = decode::<CataloguePage>(&bytes);
    }

    #[test]
    fn any_topic_is_answered(topic in ".{0,40}") {
        if let Some((topics, parsed)) = crate::Topics::split(&topic) {
            prop_assert_eq!(topics.of(parsed), topic);
        }
    }
}
