//! What is published and comes back (an agent reads its own last event, a subscriber everything): JSON, CBOR, topics.

use std::fmt::Debug;

use lapwing_protocol::cbor::{CborError, canonicalise};
use lapwing_protocol::{
    AlarmRecord, CataloguePage, Decimal, Encoding, Event, EventLast, Frame, FrameBuilder, LinkChange, Mode, PointValue,
    Presence, PresenceState, Status, Topics, decode,
};
use serde::Serialize;
use serde::de::DeserializeOwned;

use super::input::Input;

/// The first byte chooses the message.
pub(super) fn run(data: &[u8]) {
    let mut input = Input(data);
    match input.byte() % 9 {
        0 => message::<Event>(input.0),
        1 => message::<AlarmRecord>(input.0),
        2 => message::<Presence>(input.0),
        3 => message::<PointValue>(input.0),
        4 => message::<EventLast>(input.0),
        5 => message::<CataloguePage>(input.0),
        6 => {
            message::<Frame>(input.0);
            if let Ok(frame) = decode::<Frame>(input.0) {
                assert_eq!(frame.readings().count(), frame.len());
                assert!(frame.readings().all(|reading| reading.value.is_none() == reading.status.is_bad()));
            }
        }
        7 => item(input.0),
        _ => {
            let Ok(name) = std::str::from_utf8(input.0) else { return };
            let Some((topics, topic)) = Topics::split(name) else { return };
            assert_eq!(topics.parse(name), Some(topic));
            let made = topics.of(topic);
            assert_eq!(Topics::split(&made), Some((topics, topic)), "{name}");
        }
    }
}

/// What is read can be written in both encodings, and reads the same again.
fn message<T: Serialize + DeserializeOwned + PartialEq + Debug>(bytes: &[u8]) {
    let Ok(read) = decode::<T>(bytes) else { return };
    for encoding in [Encoding::Json, Encoding::Cbor] {
        let written = encoding.to_vec(&read).expect("what was read can be written");
        let again: T = decode(&written).expect("what was written can be read");
        assert_eq!(again, read, "{}", String::from_utf8_lossy(&written));
        assert_eq!(encoding.to_vec(&again).expect("as before"), written);
    }
}

/// Any CBOR item: its deterministic form is its own, and no longer than it needs to be.
fn item(bytes: &[u8]) {
    match canonicalise(bytes) {
        Ok(form) => {
            assert_eq!(canonicalise(&form).as_ref(), Ok(&form));
            for end in 0..bytes.len().min(64) {
                assert!(canonicalise(&bytes[..end]).is_err(), "{end} bytes of an item are an item");
            }
        }
        Err(
            CborError::Trailing { offset }
            | CborError::Malformed { offset }
            | CborError::NotUtf8 { offset }
            | CborError::DuplicateKey { offset }
            | CborError::TooDeep { offset },
        ) => assert!(offset <= bytes.len()),
        Err(CborError::Truncated) => {}
        Err(CborError::Message(why)) => panic!("{why} from bytes"),
    }
}

pub(super) fn seeds() -> Vec<Vec<u8>> {
    let mut frame = FrameBuilder::new("a3f0", 2, "0123456789abcdef", 99);
    frame.push(10, 1_764_000_005_000, Some(214), Status::GOOD);
    frame.push(11, 1_764_000_005_000, None, Status::BAD_SENSOR_FAILURE);
    frame.push(20, 1_764_000_005_040, Some(-70_000), Status::UNCERTAIN_SUB_NORMAL);
    let frame = frame.finish().remove(0);
    let mode = || Mode::Simulated.into();
    let event = Event {
        schema: 1,
        log: "a3f0".into(),
        seq: 7,
        boot: 2,
        t: 1_764_000_005_123,
        time: "2025-11-24T16:00:05.123Z".into(),
        clock_synced: true,
        mode: mode(),
        site: "saltmarsh".into(),
        module: "m1".into(),
        text: "Link plant is down".into(),
        durable: true,
        detail: lapwing_protocol::Detail::Link(LinkChange {
            link: "plant".into(),
            up: false,
            reason: Some("x".into()),
        }),
    };
    let presence = Presence {
        schema: 1,
        state: PresenceState::Online.into(),
        mode: mode(),
        log: "a3f0".into(),
        boot: 2,
        version: "0.1.0".into(),
        catalogue: "0123456789abcdef".into(),
    };
    let point = PointValue {
        t: 1,
        value: Some(Decimal::new(214, -1)),
        unit: "Cel".into(),
        quality: Status::GOOD,
        mode: mode(),
    };
    let last = EventLast { log: "a3f0".into(), seq: 4711, t: 1 };
    let page = br#"{"schema":1,"hash":"0123456789abcdef","page":1,"pages":1,"points":[{"id":17,"path":"door/north","quantity":"state","unit":"1","unit_text":"","exponent":-1,"scan_period_ms":1000,"valid":[0,1.5],"device":"contacts","tag":"ZS-7","where":"north end","states":{"0":"closed"}}]}"#;
    let record = br#"{"schema":1,"log":"a","seq":1,"t":1,"mode":"live","site":"s","module":"m","alarm":"x","state":"shelved","active":true,"acknowledged":false,"hidden_by":["shelved"],"occurrence":3,"incident":17,"condition":"high","limit":21,"deadband":0.5,"states":["open"],"on_delay_s":5,"off_delay_s":2.5,"latching":true,"priority":"high","impact":"none","point":"a/b","tag":"T","where":"w","unit":"Cel","limit_unit":"K/min","value":21.4,"quality":0,"true_since":1,"raised_at":1,"first_out":true,"follows":"y","until":1,"text":"t","consequence":"c","response":"r","first_check":"f","safety":"s","respond_within_s":180}"#;
    let mut seeds = Vec::new();
    for encoding in [Encoding::Json, Encoding::Cbor] {
        let mut seed = |kind: u8, bytes: Vec<u8>| seeds.push([&[kind][..], &bytes].concat());
        seed(0, encoding.to_vec(&event).expect("writes"));
        seed(2, encoding.to_vec(&presence).expect("writes"));
        seed(3, encoding.to_vec(&point).expect("writes"));
        seed(4, encoding.to_vec(&last).expect("writes"));
        seed(6, encoding.to_vec(&frame).expect("writes"));
        let value: serde_json::Value = serde_json::from_slice(page).expect("JSON");
        seed(5, encoding.to_vec(&value).expect("writes"));
        let value: serde_json::Value = serde_json::from_slice(record).expect("JSON");
        seed(1, encoding.to_vec(&value).expect("writes"));
    }
    // Smaller than a decimal's places hold, and more digits than a float has.
    for value in ["1e-19", "21.4000000000000032", "1.04e-17"] {
        let text = format!("{{\"t\":1,\"value\":{value},\"unit\":\"Cel\",\"quality\":0,\"mode\":\"live\"}}");
        seeds.push([&[3][..], text.as_bytes()].concat());
    }
    let cbor = Encoding::Cbor.to_vec(&event).expect("writes");
    seeds.push([&[7][..], &cbor].concat());
    seeds.push(vec![7, 0xBF, 0x61, 0x61, 0xFB, 0x3F, 0xF8, 0, 0, 0, 0, 0, 0, 0x61, 0x62, 0x9F, 1, 0xFF, 0xFF]);
    for topic in
        ["lapwing/saltmarsh/m1/point/coil/water/flow", "a/b/c/catalogue/0123456789abcdef/2", "a/b/c/event/last"]
    {
        seeds.push([&[8][..], topic.as_bytes()].concat());
    }
    seeds
}
