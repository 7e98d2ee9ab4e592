//! SNMP: messages as they arrive (answers, traps, informs; versions 1, 2c and 3) and what their variables become.
//!
//! The message decoder is the library's; nobody else guards the agent against it, so its input is fuzzed too.

use async_snmp::message::{CommunityMessage, Message};
use async_snmp::pdu::{Pdu, PduBody, StandardPduType};
use async_snmp::{DecodeConfig, Oid, Value, VarBind};
use lapwing::field::fuzzing;
use lapwing::plan::snmp::{Cell, LabelledRow, SENSOR_VALUE, SensorKind};
use lapwing_engine::spec::Raw;

use super::tape::wait;

/// One datagram.
pub(super) fn run(data: &[u8]) {
    let bytes = data.to_vec();
    if Message::decode(bytes.clone().into(), DecodeConfig::STRICT).is_ok() {
        let lenient = Message::decode(bytes.clone().into(), DecodeConfig::default());
        assert!(lenient.is_ok(), "refused although it is strictly right: {:?}", lenient.err());
    }
    let Ok(decoded) = Message::decode(bytes.into(), DecodeConfig::default()) else { return };
    if let Message::V3(message) = &decoded.value {
        // The parameters of user and engine are what a notification is judged by first.
        let _judged =
            async_snmp::v3::UsmSecurityParams::decode(message.security_params().clone(), DecodeConfig::default());
    }
    let Some(pdu) = decoded.value.into_pdu() else { return };
    let variables = pdu.into_varbinds();
    for variable in &variables {
        is_faithful(&variable.value, fuzzing::snmp_raw(&variable.value));
    }
    let asked: Vec<Oid> = variables.iter().map(|variable| variable.oid.clone()).collect();
    let values: Vec<Value> = variables.iter().map(|variable| variable.value.clone()).collect();
    let got = fuzzing::snmp_in_order(&asked, variables.clone()).expect("an answer to its own question");
    assert_eq!(got.len(), asked.len());
    if let [_, rest @ ..] = &asked[..] {
        assert!(fuzzing::snmp_in_order(rest, variables.clone()).is_err(), "a variable too many is believed");
    }
    if let [value, beside @ ..] = &values[..] {
        for kind in [SensorKind::Celsius, SensorKind::TruthValue, SensorKind::Any] {
            let ok = matches!(beside, [_, _, _, Value::Integer(1)]);
            let raw = fuzzing::snmp_sensor(kind, value, beside);
            match raw {
                Raw::Real(number) => assert!(ok && number.is_finite(), "{values:?}"),
                Raw::Whole(number) => assert!(ok && (0..=1).contains(&number), "{values:?}"),
                Raw::Fault(status) => assert!(status.is_bad()),
                other => panic!("{other:?} of a sensor"),
            }
        }
    }
    tables(&asked, variables);
}

/// Columns and cells of an agent that shows these variables.
fn tables(asked: &[Oid], variables: Vec<VarBind>) {
    let shown: Vec<(Vec<u32>, Value)> = variables.into_iter().map(|v| (v.oid.arcs().to_vec(), v.value)).collect();
    let oids = shown.iter().filter_map(|(_, value)| match value {
        Value::ObjectIdentifier(oid) => Some(oid.arcs().to_vec()),
        _ => None,
    });
    let listed: Vec<Option<Vec<u32>>> = oids.take(4).map(Some).chain([None]).collect();
    let raws = wait(fuzzing::snmp_column(shown.clone(), &[1, 3, 6], &listed)).expect("such an agent never fails");
    assert_eq!(raws.len(), listed.len());
    let (named, others) = raws.split_at(raws.len() - 1);
    assert!(named.iter().all(|raw| *raw == Raw::Whole(1)), "what is listed is not found: {raws:?}");
    assert!(matches!(others, [Raw::Whole(n)] if usize::try_from(*n).is_ok_and(|n| n <= shown.len())));
    let label = match shown.first() {
        Some((_, Value::OctetString(text))) => String::from_utf8_lossy(text).into_owned(),
        _ => "Outlet 3".to_owned(),
    };
    let rows = [LabelledRow { column: vec![1, 3, 6, 1], equals: label }];
    let cell = |row, oid: &[u32], sensor| Cell { row, oid: oid.to_vec(), sensor };
    let first = asked.first().map_or(&[1, 3][..], |oid| oid.arcs());
    let cells = [
        cell(Some(0), &[1, 3, 6, 1, 9], None),
        cell(None, first, None),
        cell(None, &[&SENSOR_VALUE[..], &[7]].concat(), Some(SensorKind::Any)),
        cell(Some(5), &[1, 3], None),
    ];
    let raws = wait(fuzzing::snmp_cells(shown, &rows, &cells)).expect("such an agent never fails");
    assert_eq!(raws.len(), cells.len());
    assert!(matches!(raws[3], Raw::Fault(_)), "a row that there is not");
}

/// A raw value says what its variable says, or that there is none.
fn is_faithful(value: &Value, raw: Raw) {
    match (value, raw) {
        (Value::Integer(number), Raw::Whole(whole)) => assert_eq!(i64::from(*number), whole),
        (
            Value::Counter32(number) | Value::Gauge32(number) | Value::UInteger32(number) | Value::TimeTicks(number),
            Raw::Whole(whole),
        ) => assert_eq!(i64::from(*number), whole),
        (Value::Counter64(number), Raw::Whole(whole)) => assert_eq!(i128::from(*number), i128::from(whole)),
        (Value::Counter64(number), Raw::Fault(_)) => assert!(i64::try_from(*number).is_err()),
        (Value::OctetString(text), Raw::Words { words, len, .. }) => {
            let bytes: Vec<u8> = words[..usize::from(len)].iter().flat_map(|word| word.to_be_bytes()).collect();
            assert_eq!(&bytes[..text.len()], &text[..]);
            assert!(bytes.len() - text.len() <= 1 && bytes[text.len()..].iter().all(|byte| *byte == 0));
        }
        (Value::OctetString(text), Raw::Fault(_)) => assert!(text.is_empty() || text.len() > 16),
        (Value::Opaque(bytes), Raw::Real(number)) => match bytes[2] {
            4 => {
                assert_eq!(number.to_bits(), f64::from(f32::from_be_bytes(bytes[3..].try_into().expect("4"))).to_bits())
            }
            _ => assert_eq!(number.to_be_bytes()[..], bytes[3..]),
        },
        (_, Raw::Fault(status)) => assert!(status.is_bad()),
        (value, raw) => panic!("{value:?} became {raw:?}"),
    }
}

pub(super) fn seeds() -> Vec<Vec<u8>> {
    let oid = |arcs: &[u32]| Oid::from_slice(arcs);
    let float = [&[0x9F, 0x78, 4][..], &21.5_f32.to_be_bytes()].concat();
    let bind = |n: u32, value| VarBind::new(oid(&[1, 3, 6, 1, 2, 1, 33, 1, n, 0]), value);
    let various = vec![
        bind(1, Value::Integer(-7)),
        bind(2, Value::Counter64(u64::MAX)),
        bind(3, Value::Gauge32(231)),
        bind(4, Value::TimeTicks(4_294_967_295)),
        bind(5, Value::OctetString(b"Outlet 3"[..].into())),
        bind(6, Value::Opaque(float.into())),
        bind(7, Value::ObjectIdentifier(oid(&[1, 3, 6, 1, 2, 1, 33, 1, 6, 3, 2]))),
        bind(8, Value::NoSuchInstance),
    ];
    let sensor = [235_i32, 8, 9, 1, 1].map(|n| bind(n.unsigned_abs(), Value::Integer(n))).to_vec();
    let label = vec![bind(1, Value::OctetString(b"Outlet 3\0"[..].into())), bind(2, Value::Integer(1))];
    let mut seeds = Vec::new();
    for variables in [various, sensor, label] {
        for kind in [StandardPduType::Response, StandardPduType::TrapV2, StandardPduType::InformRequest] {
            let body = PduBody::Standard { pdu_type: kind, error_status: 0, error_index: 0 };
            let pdu = Pdu::from_raw_parts(77, body, variables.clone());
            if let Ok(bytes) = CommunityMessage::v2c("public", pdu).and_then(|message| message.encode()) {
                seeds.push(bytes.to_vec());
            }
        }
    }
    // A report of version 3 without authentication, by hand (RFC 3412 §6): engine discovery's answer.
    seeds.push(vec![
        0x30, 0x52, 0x02, 0x01, 0x03, 0x30, 0x0E, 0x02, 0x01, 0x05, 0x02, 0x03, 0x00, 0xFF, 0xE3, 0x04, 0x01, 0x00,
        0x02, 0x01, 0x03, 0x04, 0x17, 0x30, 0x15, 0x04, 0x05, 0x80, 0x00, 0x00, 0x01, 0x05, 0x02, 0x01, 0x02, 0x02,
        0x01, 0x09, 0x04, 0x00, 0x04, 0x00, 0x04, 0x00, 0x04, 0x00, 0x30, 0x24, 0x04, 0x05, 0x80, 0x00, 0x00, 0x01,
        0x05, 0x04, 0x00, 0xA8, 0x19, 0x02, 0x01, 0x05, 0x02, 0x01, 0x00, 0x02, 0x01, 0x00, 0x30, 0x0E, 0x30, 0x0C,
        0x06, 0x07, 0x2B, 0x06, 0x01, 0x06, 0x03, 0x0F, 0x01, 0x41, 0x01, 0x01,
    ]);
    seeds
}
