//! Tests of CBOR against the examples of RFC 8949: appendix A, appendix F, §4.2.1, and any bytes at all.

use alloc::{format, vec};

use super::*;

fn bytes(hex: &str) -> Vec<u8> {
    (0..hex.len()).step_by(2).map(|at| u8::from_str_radix(&hex[at..at + 2], 16).expect("hexadecimal")).collect()
}

/// RFC 8949 appendix A: encoded examples whose deterministic form is themselves.
const SAME: &[&str] = &[
    "00",
    "01",
    "0a",
    "17",
    "1818",
    "1819",
    "1864",
    "1903e8",
    "1a000f4240",
    "1b000000e8d4a51000",
    "1bffffffffffffffff",
    "c249010000000000000000",
    "3bffffffffffffffff",
    "c349010000000000000000",
    "20",
    "29",
    "3863",
    "3903e7",
    "f90000",
    "f98000",
    "f93c00",
    "fb3ff199999999999a",
    "f93e00",
    "f97bff",
    "fa47c35000",
    "fa7f7fffff",
    "fb7e37e43c8800759c",
    "f90001",
    "f90400",
    "f9c400",
    "fbc010666666666666",
    "f97c00",
    "f97e00",
    "f9fc00",
    "f4",
    "f5",
    "f6",
    "f7",
    "f0",
    "f8ff",
    "c074323031332d30332d32315432303a30343a30305a",
    "c11a514b67b0",
    "c1fb41d452d9ec200000",
    "d74401020304",
    "d818456449455446",
    "d82076687474703a2f2f7777772e6578616d706c652e636f6d",
    "40",
    "4401020304",
    "60",
    "6161",
    "6449455446",
    "62225c",
    "62c3bc",
    "63e6b0b4",
    "64f0908591",
    "80",
    "83010203",
    "8301820203820405",
    "98190102030405060708090a0b0c0d0e0f101112131415161718181819",
    "a0",
    "a201020304",
    "a26161016162820203",
    "826161a161626163",
    "a56161614161626142616361436164614461656145",
];

/// RFC 8949 appendix A: examples in another form, with their deterministic one.
const OTHER: &[(&str, &str)] = &[
    ("fa7f800000", "f97c00"),
    ("fa7fc00000", "f97e00"),
    ("faff800000", "f9fc00"),
    ("fb7ff0000000000000", "f97c00"),
    ("fb7ff8000000000000", "f97e00"),
    ("fbfff0000000000000", "f9fc00"),
    ("5f42010243030405ff", "450102030405"),
    ("7f657374726561646d696e67ff", "6973747265616d696e67"),
    ("9fff", "80"),
    ("9f018202039f0405ffff", "8301820203820405"),
    ("9f01820203820405ff", "8301820203820405"),
    ("83018202039f0405ff", "8301820203820405"),
    ("83019f0203ff820405", "8301820203820405"),
    (
        "9f0102030405060708090a0b0c0d0e0f101112131415161718181819ff",
        "98190102030405060708090a0b0c0d0e0f101112131415161718181819",
    ),
    ("bf61610161629f0203ffff", "a26161016162820203"),
    ("826161bf61626163ff", "826161a161626163"),
    ("bf6346756ef563416d7421ff", "a263416d74216346756ef5"),
];

#[test]
fn appendix_a() {
    for hex in SAME {
        assert_eq!(canonicalise(&bytes(hex)), Ok(bytes(hex)), "{hex}");
    }
    for (hex, expected) in OTHER {
        assert_eq!(canonicalise(&bytes(hex)), Ok(bytes(expected)), "{hex}");
    }
}

#[test]
fn shortest_forms() {
    for (hex, expected) in [
        ("1817", "17"),
        ("1b0000000000000017", "17"),
        ("190018", "1818"),
        ("3a00000000", "20"),
        ("5800", "40"),
        ("780161", "6161"),
        ("9a0000000101", "8101"),
        ("b90001000b", "a1000b"),
        ("d90000f6", "c0f6"),
        ("fb3ff0000000000000", "f93c00"),
        ("fb3ff8000000000000", "f93e00"),
        ("fa33800000", "f90001"),     // 2^-24, the smallest half
        ("fa33000000", "fa33000000"), // 2^-25 is none
        ("fa477fe000", "f97bff"),     // 65504, the largest half
        ("fa47800000", "fa47800000"), // 65536 is none
        ("fa387fc000", "f903ff"),     // the largest subnormal half
        ("fa38802000", "f90401"),
        ("fb3810000000000000", "fa00800000"), // 2^-126
        ("fb47efffffe0000001", "fb47efffffe0000001"),
    ] {
        assert_eq!(canonicalise(&bytes(hex)), Ok(bytes(expected)), "{hex}");
    }
}

/// RFC 8949 §4.2.1: the order of its own example.
#[test]
fn keys_sort_by_their_bytes() {
    let keys = ["0a", "1864", "20", "617a", "626161", "811864", "8120", "f4"];
    let mut map = vec![0xA8];
    for key in keys.iter().rev() {
        map.extend(bytes(key));
        map.push(0xF6);
    }
    let expected = format!("a8{}", keys.map(|key| format!("{key}f6")).concat());
    assert_eq!(canonicalise(&map), Ok(bytes(&expected)));
}

/// RFC 8949 appendix F: bytes that are not well-formed.
#[test]
fn appendix_f() {
    for hex in [
        "18",
        "19",
        "1a",
        "1b",
        "1901",
        "1a0102",
        "1b01020304050607",
        "38",
        "58",
        "78",
        "98",
        "9a01ff00",
        "b8",
        "d8",
        "f8",
        "f900",
        "fa0000",
        "fb000000",
        "41",
        "61",
        "5affffffff00",
        "5bffffffffffffffff010203",
        "7affffffff00",
        "7b7fffffffffffffff010203",
        "81",
        "818181818181818181",
        "8200",
        "a1",
        "a20102",
        "a100",
        "a2000000",
        "c0",
        "5f4100",
        "7f6100",
        "9f",
        "9f0102",
        "bf",
        "bf01020102",
        "819f",
        "9f8000",
        "9f9f9f9f9fffffffff",
        "9f819f819f9fffffff",
        "5f6100ff",
        "5f00ff",
        "5f21ff",
        "5f80ff",
        "5fa0ff",
        "5fc000ff",
        "5fe0ff",
        "7f4100ff",
        "5f5f4100ffff",
        "7f7f6100ffff",
        "ff",
        "81ff",
        "8200ff",
        "a1ff",
        "a1ff00",
        "a100ff",
        "a20000ff",
        "9f81ff",
        "9f829f819f9fffffffff",
        "bf00ff",
        "bf000000ff",
        "1c",
        "1d",
        "1e",
        "1f",
        "3c",
        "3f",
        "5c",
        "7c",
        "9c",
        "bc",
        "dc",
        "df",
        "fc",
        "fd",
        "fe",
        "f800",
        "f801",
        "f818",
        "f81f",
        "",
    ] {
        assert!(canonicalise(&bytes(hex)).is_err(), "{hex}");
    }
}

#[test]
fn each_mistake_has_its_name() {
    assert_eq!(canonicalise(&[]), Err(CborError::Truncated));
    assert_eq!(canonicalise(&bytes("0000")), Err(CborError::Trailing { offset: 1 }));
    assert_eq!(canonicalise(&bytes("811c")), Err(CborError::Malformed { offset: 1 }));
    assert_eq!(canonicalise(&bytes("8161ff")), Err(CborError::NotUtf8 { offset: 1 }));
    assert_eq!(canonicalise(&bytes("81a201020103")), Err(CborError::DuplicateKey { offset: 1 }));
    assert_eq!(canonicalise(&bytes("a20102180103")), Err(CborError::DuplicateKey { offset: 0 }));
    assert_eq!(from_slice::<u8>(&bytes("6161")).map_err(|error| matches!(error, CborError::Message(_))), Err(true));
}

#[test]
fn depth_is_bounded_both_ways() {
    let nested = |depth: usize, open: u8| {
        let mut nest = vec![open; depth];
        nest.push(0);
        nest.extend(core::iter::repeat_n(0xFF, if open == 0x9F { depth } else { 0 }));
        nest
    };
    for open in [0x81, 0x9F, 0xC1] {
        assert!(canonicalise(&nested(DEPTH_MAX, open)).is_ok());
        assert_eq!(canonicalise(&nested(DEPTH_MAX + 1, open)), Err(CborError::TooDeep { offset: DEPTH_MAX + 1 }));
        assert_eq!(canonicalise(&nested(1_000_000, open)), Err(CborError::TooDeep { offset: DEPTH_MAX + 1 }));
        assert!(from_slice::<crate::Event>(&nested(1_000_000, open)).is_err());
    }
}

#[test]
fn serde_values_both_ways() {
    assert_eq!(to_vec(&(1_u64, -1_i8, 1.5_f64, true, None::<u8>, (), "ü")), Ok(bytes("870120f93e00f5f6f662c3bc")));
    assert!(from_slice::<(u64, i8)>(&bytes("83012000")).is_err());
    assert_eq!(from_slice::<(u64, i8, bool)>(&bytes("830120f5")), Ok((1, -1, true)));
    assert_eq!(from_slice::<i64>(&bytes("3b7fffffffffffffff")), Ok(i64::MIN));
    assert!(from_slice::<i64>(&bytes("3b8000000000000000")).is_err());
    assert!(from_slice::<i64>(&bytes("1b8000000000000000")).is_err());
}

proptest::proptest! {
    #[test]
    fn any_bytes_are_answered(input in proptest::collection::vec(proptest::prelude::any::<u8>(), 0..64)) {
        if let Ok(once) = canonicalise(&input) {
            proptest::prop_assert!(once.len() <= input.len());
            proptest::prop_assert_eq!(canonicalise(&once), Ok(once));
        }
    }

    #[test]
    fn floats_keep_their_value(value: f64) {
        let written = to_vec(&value).expect("writes");
        let mut reader = minicbor_serde::Deserializer::new(&written);
        // Read as any number: the library reads each width only as itself.
        let back = serde::Deserializer::deserialize_any(&mut reader, AnyFloat).expect("reads");
        proptest::prop_assert!(back.to_bits() == value.to_bits() || (back.is_nan() && value.is_nan()));
    }

    #[test]
    fn every_half_is_three_bytes(bits: u16) {
        let value = half_to_f64(bits);
        let written = to_vec(&value).expect("writes");
        proptest::prop_assert_eq!(written.len(), 3);
        if !value.is_nan() {
            proptest::prop_assert_eq!(&written[1..], &bits.to_be_bytes());
        }
    }
}

struct AnyFloat;

impl serde::de::Visitor<'_> for AnyFloat {
    type Value = f64;
    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a floating number")
    }
    fn visit_f32<E>(self, value: f32) -> Result<f64, E> {
        Ok(f64::from(value))
    }
    fn visit_f64<E>(self, value: f64) -> Result<f64, E> {
        Ok(value)
    }
}
