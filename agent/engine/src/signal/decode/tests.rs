//! Published patterns, every layout, and the edges of each.

extern crate alloc;

use alloc::vec::Vec;

use proptest::prelude::*;

use super::*;
use crate::spec::Span;

fn words(registers: &[u16]) -> Raw {
    let mut words = [0; 8];
    words[..registers.len()].copy_from_slice(registers);
    Raw::Words { words, len: u8::try_from(registers.len()).expect("at most 8"), scale_factor: 0 }
}

fn scaled(register: u16, scale_factor: i16) -> Raw {
    let mut words = [0; 8];
    words[0] = register;
    Raw::Words { words, len: 1, scale_factor }
}

fn layout(layout: Layout) -> Decode {
    Decode { layout, ..Decode::default() }
}

fn plain(how: Layout, registers: &[u16]) -> Result<i64, Status> {
    decode(&words(registers), &layout(how), 0, &[])
}

#[test]
fn every_layout_in_wire_order() {
    let cases: [(Layout, &[u16], i64); 20] = [
        (Layout::U16, &[0xFFFF], 65_535),
        (Layout::I16, &[0xFFFF], -1),
        (Layout::I16, &[0x7FFF], 32_767), // valid under SunSpec int16; other makers' absent value
        (Layout::U32, &[0x0001, 0x0002], 65_538),
        (Layout::I32, &[0xFFFF, 0xFFFE], -2),
        (Layout::U48, &[0x0001, 0x0000, 0x0000], 1 << 32),
        (Layout::I48, &[0x8000, 0x0000, 0x0000], -(1 << 47)),
        (Layout::U64, &[0x7FFF, 0xFFFF, 0xFFFF, 0xFFFF], i64::MAX),
        (Layout::I64, &[0x8000, 0, 0, 0], i64::MIN),
        (Layout::F32, &[0x4248, 0x0000], 50),
        (Layout::F64, &[0x4049, 0x0000, 0x0000, 0x0000], 50),
        (Layout::Bit, &[0x0001], 1),
        (Layout::Bits, &[0x1234], 0x1234),
        (Layout::Bits, &[0x1234, 0x5678], 0x1234_5678),
        (Layout::Enum, &[5], 5),
        (Layout::Enum, &[0, 7], 7),
        (Layout::Bcd, &[0x1234], 1234),
        (Layout::Bcd, &[0x9999, 0x9999, 0x9999, 0x9999], 9_999_999_999_999_999),
        (Layout::Modulo10000, &[12, 3456, 7890], 1_234_567_890),
        (Layout::Counter, &[0xFFFF, 0xFFFF], 4_294_967_295),
    ];
    for (how, registers, expected) in cases {
        assert_eq!(plain(how, registers), Ok(expected), "{how:?} {registers:04X?}");
    }
}

#[test]
fn published_float_in_all_four_orders() {
    // IEEE 754 single 23.456 = 41BB A5E3 (16827, 42467); ABCD, CDAB, BADC, DCBA.
    let orders = [
        ([0x41BB, 0xA5E3], WordOrder::Big, ByteOrder::Big),
        ([0xA5E3, 0x41BB], WordOrder::Little, ByteOrder::Big),
        ([0xBB41, 0xE3A5], WordOrder::Big, ByteOrder::Little),
        ([0xE3A5, 0xBB41], WordOrder::Little, ByteOrder::Little),
    ];
    assert_eq!([0x41BB, 0xA5E3], [16_827, 42_467]);
    for (registers, word_order, byte_order) in orders {
        let how = Decode { word_order, byte_order, ..layout(Layout::F32) };
        assert_eq!(decode(&words(&registers), &how, -3, &[]), Ok(23_456));
        // The float nearest to it, to eight digits: 23.45599937439.
        assert_eq!(decode(&words(&registers), &how, -8, &[]), Ok(2_345_599_937));
    }
}

#[test]
fn absent_patterns_are_compared_before_anything_else() {
    // SunSpec Device Information Model: "not implemented" of int16, uint16, int32, uint32, float32, enum16.
    let cases: [(Layout, &[u16], u64); 6] = [
        (Layout::I16, &[0x8000], 0x8000),
        (Layout::U16, &[0xFFFF], 0xFFFF),
        (Layout::I32, &[0x8000, 0x0000], 0x8000_0000),
        (Layout::U32, &[0xFFFF, 0xFFFF], 0xFFFF_FFFF),
        (Layout::F32, &[0x7FC0, 0x0000], 0x7FC0_0000),
        (Layout::Enum, &[0xFFFF], 0xFFFF),
    ];
    for (how, registers, pattern) in cases {
        assert_eq!(
            decode(&words(registers), &layout(how), 0, &[1, pattern]),
            Err(Status::BAD_NOT_CONNECTED),
            "{how:?}"
        );
    }
    let masked = Decode { mask: Some(0x00FF), ..layout(Layout::U16) };
    assert_eq!(decode(&words(&[0x8000]), &masked, 0, &[0x8000]), Err(Status::BAD_NOT_CONNECTED));
    assert_eq!(decode(&words(&[0x8100]), &masked, 0, &[0x0000]), Ok(0), "the mask comes after the comparison");
    assert_eq!(decode(&Raw::Whole(-1), &layout(Layout::I32), 0, &[u64::MAX]), Err(Status::BAD_NOT_CONNECTED));
    assert_eq!(
        decode(&Raw::Real(-999.0), &layout(Layout::F64), 0, &[(-999.0_f64).to_bits()]),
        Err(Status::BAD_NOT_CONNECTED)
    );
}

#[test]
fn a_float_that_is_no_number_is_bad() {
    for registers in [[0x7FC0, 0x0000], [0x7F80, 0x0000], [0xFF80, 0x0000], [0x7F80, 0x0001], [0xFFFF, 0xFFFF]] {
        assert_eq!(plain(Layout::F32, &registers), Err(Status::BAD_OUT_OF_RANGE), "{registers:04X?}");
    }
    assert_eq!(plain(Layout::F64, &[0x7FF8, 0, 0, 0]), Err(Status::BAD_OUT_OF_RANGE));
    assert_eq!(decode(&Raw::Real(f64::INFINITY), &layout(Layout::F32), 0, &[]), Err(Status::BAD_OUT_OF_RANGE));
}

#[test]
fn scale_factor_register() {
    // SunSpec sunssf: two's complement first, then the power of ten; range −10…10, 0x8000 is "not implemented".
    let how = layout(Layout::I16);
    assert_eq!(decode(&scaled(65_516, -1), &how, -1, &[]), Ok(-20));
    assert_eq!(decode(&scaled(65_516, -1), &how, 0, &[]), Ok(-2));
    assert_eq!(decode(&scaled(3, 10), &how, 0, &[]), Ok(30_000_000_000));
    assert_eq!(decode(&scaled(5, i16::MIN), &how, 0, &[]), Err(Status::BAD_NOT_CONNECTED));
    for out in [11, -11, i16::MAX] {
        assert_eq!(decode(&scaled(5, out), &how, 0, &[]), Err(Status::BAD_OUT_OF_RANGE), "{out}");
    }
}

#[test]
fn scale_and_offset_round_once_half_to_even() {
    let how = |scale, offset| Decode { scale, offset, ..layout(Layout::I16) };
    let tenth = Decimal::new(1, -1);
    assert_eq!(decode(&words(&[214]), &how(tenth, Decimal::default()), -1, &[]), Ok(214));
    assert_eq!(decode(&words(&[25]), &how(tenth, Decimal::default()), 0, &[]), Ok(2));
    assert_eq!(decode(&words(&[35]), &how(tenth, Decimal::default()), 0, &[]), Ok(4));
    // 0.25 + 0.25 is 0.5, which rounds to 0; two roundings would give the same here, 0.26 + 0.25 would not.
    let quarter = Decimal::new(25, -2);
    assert_eq!(decode(&words(&[1]), &how(quarter, quarter), 0, &[]), Ok(0));
    assert_eq!(decode(&words(&[1]), &how(quarter, Decimal::new(26, -2)), 0, &[]), Ok(1));
    // °F to °C: (F − 32)·5/9 = F·0.5555555556 − 17.7777777778
    let celsius = how(Decimal::new(5_555_555_556, -10), Decimal::new(-177_777_777_778, -10));
    assert_eq!(decode(&words(&[212]), &celsius, -1, &[]), Ok(1000));
    assert_eq!(decode(&words(&[0xFFD8]), &celsius, -1, &[]), Ok(-400));
    // A zero scale is no scale.
    assert_eq!(decode(&words(&[7]), &how(Decimal::default(), Decimal::default()), 0, &[]), Ok(7));
}

#[test]
fn scale_of_a_float() {
    let how = Decode { scale: Decimal::new(1, -3), offset: Decimal::new(5, -1), ..layout(Layout::F32) };
    assert_eq!(decode(&words(&[0x4248, 0]), &how, -3, &[]), Ok(550));
    assert_eq!(decode(&Raw::Real(1.25), &layout(Layout::F64), -1, &[]), Ok(12));
}

#[test]
fn bits_masks_shifts_and_opposites() {
    let bit = |mask, shift, invert| Decode { mask, shift, invert, ..layout(Layout::Bit) };
    assert_eq!(decode(&words(&[0b1000]), &bit(None, 3, false), 0, &[]), Ok(1));
    assert_eq!(decode(&words(&[0b1000]), &bit(None, 2, false), 0, &[]), Ok(0));
    assert_eq!(decode(&words(&[0b1000]), &bit(Some(0b1100), 0, true), 0, &[]), Ok(0));
    assert_eq!(decode(&Raw::Bit(true), &bit(None, 0, true), 0, &[]), Ok(0));
    assert_eq!(decode(&Raw::Bit(false), &bit(None, 0, true), 0, &[]), Ok(1));
    let bits = |mask, shift, invert| Decode { mask, shift, invert, ..layout(Layout::Bits) };
    assert_eq!(decode(&words(&[0xAB00]), &bits(Some(0xF000), 12, false), 0, &[]), Ok(0xA));
    assert_eq!(decode(&words(&[0xAB00]), &bits(Some(0xF000), 12, true), 0, &[]), Ok(0x5));
    assert_eq!(decode(&words(&[0xFFFF]), &bits(None, 0, true), 0, &[]), Ok(0));
    assert_eq!(decode(&Raw::Whole(0b110), &bits(Some(0b100), 2, false), 0, &[]), Ok(1));
    // A left-aligned signed 12-bit number.
    let twelve = Decode { mask: Some(0xFFF0), shift: 4, ..layout(Layout::I16) };
    assert_eq!(decode(&words(&[0xFFF7]), &twelve, 0, &[]), Ok(-1));
    assert_eq!(decode(&words(&[1]), &bits(None, 255, false), 0, &[]), Ok(0), "no shift is too far");
}

#[test]
fn digits_that_are_none() {
    assert_eq!(plain(Layout::Bcd, &[0x12A4]), Err(Status::BAD_OUT_OF_RANGE));
    assert_eq!(plain(Layout::Modulo10000, &[1, 10_000]), Err(Status::BAD_OUT_OF_RANGE));
}

fn text_number(text: &str, exponent: i8) -> Result<i64, Status> {
    let mut bytes = [0_u8; 16];
    bytes[..text.len()].copy_from_slice(text.as_bytes());
    let registers: Vec<u16> = bytes.chunks(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect();
    decode(&words(&registers), &layout(Layout::TextNumber), exponent, &[])
}

#[test]
fn numbers_as_text() {
    assert_eq!(text_number("  21.45 ", -2), Ok(2145));
    assert_eq!(text_number("-7", -1), Ok(-70));
    assert_eq!(text_number("1.5e3", 0), Ok(1500));
    assert_eq!(text_number("", 0), Err(Status::BAD_NOT_CONNECTED));
    assert_eq!(text_number("        ", 0), Err(Status::BAD_NOT_CONNECTED));
    for text in ["----", "21.4 C", "1e999", "1.5e-2147483648", "nan", "12 34", "0x10"] {
        assert_eq!(text_number(text, 0), Err(Status::BAD_OUT_OF_RANGE), "{text}");
    }
    assert_eq!(plain(Layout::TextNumber, &[0xFF31]), Err(Status::BAD_OUT_OF_RANGE), "not UTF-8");
    let swapped = Decode { byte_order: ByteOrder::Little, ..layout(Layout::TextNumber) };
    assert_eq!(decode(&words(&[0x3132]), &swapped, 0, &[]), Ok(21));
    assert_eq!(decode(&words(&[0x2D2D]), &layout(Layout::TextNumber), 0, &[0x2D2D]), Err(Status::BAD_NOT_CONNECTED));
}

#[test]
fn wrong_register_counts_are_the_maps_mistake() {
    for how in ALL {
        for count in 0..=8_usize {
            let answer = plain(how, &[0x3030; 8][..count]);
            let fits = check_count(how, count).is_ok();
            assert_eq!(answer == Err(Status::BAD_CONFIGURATION_ERROR), !fits, "{how:?} × {count}: {answer:?}");
        }
    }
    let too_many = Raw::Words { words: [0; 8], len: 9, scale_factor: 0 };
    assert_eq!(decode(&too_many, &layout(Layout::U16), 0, &[]), Err(Status::BAD_CONFIGURATION_ERROR));
    assert_eq!(decode(&Raw::Bit(true), &layout(Layout::F32), 0, &[]), Err(Status::BAD_CONFIGURATION_ERROR));
}

#[test]
fn what_does_not_fit_is_out_of_range() {
    assert_eq!(plain(Layout::U64, &[0x8000, 0, 0, 0]), Err(Status::BAD_OUT_OF_RANGE));
    assert_eq!(decode(&words(&[0x8000, 0, 0, 0]), &layout(Layout::U64), 1, &[]), Ok(922_337_203_685_477_581));
    let big = Decode { scale: Decimal::new(i64::MAX, 18), ..layout(Layout::U64) };
    assert_eq!(decode(&words(&[0xFFFF; 4]), &big, -18, &[]), Err(Status::BAD_OUT_OF_RANGE));
    assert_eq!(decode(&Raw::Real(1e300), &layout(Layout::F64), -3, &[]), Err(Status::BAD_OUT_OF_RANGE));
    let tiny = Decode { scale: Decimal::new(1, -18), ..layout(Layout::U16) };
    assert_eq!(decode(&scaled(9, -10), &tiny, 18, &[]), Err(Status::BAD_CONFIGURATION_ERROR));
}

#[test]
fn faults_pass_through_and_are_always_bad() {
    assert_eq!(
        decode(&Raw::Fault(Status::BAD_NO_COMMUNICATION), &Decode::default(), 0, &[]),
        Err(Status::BAD_NO_COMMUNICATION)
    );
    assert_eq!(decode(&Raw::Fault(Status::GOOD), &Decode::default(), 0, &[]), Err(Status::BAD));
}

const ALL: [Layout; 17] = [
    Layout::U16,
    Layout::I16,
    Layout::U32,
    Layout::I32,
    Layout::U48,
    Layout::I48,
    Layout::U64,
    Layout::I64,
    Layout::F32,
    Layout::F64,
    Layout::Bit,
    Layout::Bits,
    Layout::Enum,
    Layout::Bcd,
    Layout::Modulo10000,
    Layout::TextNumber,
    Layout::Counter,
];

/// Whole numbers as a device would send them.
fn encode(value: i64, count: usize, word_order: WordOrder, byte_order: ByteOrder) -> Vec<u16> {
    let bytes = value.to_be_bytes();
    let mut registers: Vec<u16> =
        bytes.chunks(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).skip(4 - count).collect();
    if byte_order == ByteOrder::Little {
        registers.iter_mut().for_each(|word| *word = word.swap_bytes());
    }
    if word_order == WordOrder::Little {
        registers.reverse();
    }
    registers
}

fn orders() -> impl Strategy<Value = (WordOrder, ByteOrder)> {
    (
        prop_oneof![Just(WordOrder::Big), Just(WordOrder::Little)],
        prop_oneof![Just(ByteOrder::Big), Just(ByteOrder::Little)],
    )
}

fn any_raw() -> impl Strategy<Value = Raw> {
    prop_oneof![
        (any::<[u16; 8]>(), 0_u8..=9, any::<i16>()).prop_map(|(words, len, scale_factor)| Raw::Words {
            words,
            len,
            scale_factor
        }),
        any::<bool>().prop_map(Raw::Bit),
        any::<i64>().prop_map(Raw::Whole),
        any::<f64>().prop_map(Raw::Real),
        any::<u32>().prop_map(|number| Raw::Fault(Status::from_number(number))),
    ]
}

prop_compose! {
    fn any_how()(
        layout in 0..ALL.len(),
        (word_order, byte_order) in orders(),
        mask: Option<u64>,
        shift: u8,
        invert: bool,
        scale in (any::<i64>(), -18_i8..=18),
        offset in (any::<i64>(), -18_i8..=18),
    ) -> Decode {
        Decode {
            layout: ALL[layout],
            word_order,
            byte_order,
            mask,
            shift,
            invert,
            scale: Decimal::new(scale.0, scale.1),
            offset: Decimal::new(offset.0, offset.1),
            absent: Span::default(),
        }
    }
}

proptest! {
    #[test]
    fn whole_numbers_round_trip(value: i64, (word_order, byte_order) in orders()) {
        for (how, count) in [(Layout::I16, 1), (Layout::I32, 2), (Layout::I48, 3), (Layout::I64, 4)] {
            let unused = 64 - 16 * count;
            let value = value << unused >> unused;
            let how = Decode { word_order, byte_order, ..layout(how) };
            let registers = encode(value, count, word_order, byte_order);
            prop_assert_eq!(decode(&words(&registers), &how, 0, &[]), Ok(value));
        }
    }

    #[test]
    fn every_single_bit_flip_changes_a_whole_number(value: i64, bit in 0_u32..64) {
        let flipped = value ^ 1 << bit;
        let registers = encode(flipped, 4, WordOrder::Big, ByteOrder::Big);
        prop_assert_eq!(plain(Layout::I64, &registers), Ok(flipped));
        prop_assert_ne!(flipped, value);
    }

    #[test]
    fn anything_is_answered_with_a_number_or_a_bad_status(raw in any_raw(), how in any_how(), exponent in -18_i8..=18, absent: [u64; 2]) {
        if let Err(status) = decode(&raw, &how, exponent, &absent) {
            prop_assert!(status.is_bad());
        }
    }

    #[test]
    fn the_short_way_of_one_register_is_the_long_way(word: u16, how in any_how(), signed: bool, exponent in -6_i8..=6, absent: u16) {
        let layout = if signed { Layout::I16 } else { Layout::U16 };
        let how = Decode { layout, mask: None, shift: 0, byte_order: ByteOrder::Big, ..how };
        let absent = [u64::from(absent & 3)];
        prop_assert_eq!(decode(&words(&[word]), &how, exponent, &absent), from_words(&[word], 0, &how, exponent, &absent));
    }

    #[test]
    fn scaled_numbers_are_within_half_a_step_of_the_exact_one(value: i16, mantissa in -9999_i64..=9999, scale in -6_i8..=2, offset in -9999_i64..=9999, exponent in -4_i8..=1) {
        prop_assume!(mantissa != 0);
        let how = Decode { scale: Decimal::new(mantissa, scale), offset: Decimal::new(offset, -3), ..layout(Layout::I16) };
        let Ok(got) = decode(&words(&[value.cast_unsigned()]), &how, exponent, &[]) else { return Err(TestCaseError::fail("fits")) };
        // All in units of 1e-10.
        let pow = |e: i8| 10_i128.pow(u32::try_from(i32::from(e) + 10).expect("not below -10"));
        let exact = i128::from(value) * i128::from(mantissa) * pow(scale) + i128::from(offset) * pow(-3);
        let error = (i128::from(got) * pow(exponent) - exact).abs() * 2;
        prop_assert!(error <= pow(exponent), "{} off by {}", got, error);
        if error == pow(exponent) {
            prop_assert_eq!(got % 2, 0, "half goes to even");
        }
    }
}
