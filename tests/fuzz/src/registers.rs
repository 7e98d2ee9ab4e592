//! Registers into a point's integer: every layout, order, mask, scale and absent pattern.

use lapwing_engine::signal::decode::decode;
use lapwing_engine::spec::{ByteOrder, Decode, Layout, Raw, WordOrder};
use lapwing_protocol::{Decimal, Status};

use super::input::Input;

const LAYOUTS: [Layout; 17] = [
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

/// Nineteen bytes say how, the rest is what.
pub(super) fn run(data: &[u8]) {
    let mut input = Input(data);
    let layout = LAYOUTS[usize::from(input.byte()) % LAYOUTS.len()];
    let flags = input.byte();
    let mask = u64::from(input.word()) << 48 | u64::from(input.word());
    let how = Decode {
        layout,
        word_order: if flags & 1 == 0 { WordOrder::Big } else { WordOrder::Little },
        byte_order: if flags & 2 == 0 { ByteOrder::Big } else { ByteOrder::Little },
        mask: (flags & 4 != 0).then_some(mask),
        shift: input.byte(),
        invert: flags & 8 != 0,
        scale: Decimal::new(i64::from(input.word().cast_signed()), input.byte().cast_signed()),
        offset: Decimal::new(i64::from(input.word().cast_signed()), input.byte().cast_signed()),
        ..Decode::default()
    };
    let exponent = input.byte().cast_signed();
    let scale_factor = if flags & 16 == 0 { 0 } else { input.word().cast_signed() };
    let kind = input.byte();
    let absent: &[u64] = if flags & 32 == 0 { &[] } else { &[0x8000, 0x7FC0_0000, u64::MAX] };
    let mut words = [0; 8];
    words.fill_with(|| input.word());
    let whole = words[..4].iter().fold(0, |whole, word| whole << 16 | u64::from(*word));
    let raw = match kind % 5 {
        0 | 1 => Raw::Words { words, len: kind / 5 % 10, scale_factor },
        2 => Raw::Bit(kind & 64 != 0),
        3 => Raw::Whole(whole.cast_signed()),
        _ => Raw::Real(f64::from_bits(whole)),
    };
    let read = decode(&raw, &how, exponent, absent);
    assert_eq!(read, decode(&raw, &how, exponent, absent), "not the same twice");
    match (raw, read) {
        (_, Err(status)) => assert!(status.is_bad(), "a fault that is not bad"),
        (Raw::Words { len, .. }, Ok(_)) => assert!((1..=8).contains(&len), "a number of no registers"),
        (Raw::Real(number), Ok(_)) => assert!(number.is_finite(), "a number of no number"),
        (Raw::Bit(_) | Raw::Whole(_), Ok(_)) => {}
        (Raw::Fault(_), Ok(_)) => panic!("a number of a fault"),
    }
    let fault = Raw::Fault(Status::from_number(u32::try_from(whole & 0xFFFF_FFFF).expect("32 bits")));
    assert!(decode(&fault, &how, exponent, absent).is_err());
    plain(words[0], exponent);
}

/// One plain register at a scale of one, against arithmetic of our own.
fn plain(word: u16, exponent: i8) {
    let raw = Raw::Words { words: [word, 0, 0, 0, 0, 0, 0, 0], len: 1, scale_factor: 0 };
    let how = Decode { layout: Layout::I16, scale: Decimal::new(1, 0), ..Decode::default() };
    let signed = i64::from(word.cast_signed());
    if let Some(power) = u32::try_from(-i32::from(exponent)).ok().filter(|power| *power <= 13) {
        assert_eq!(decode(&raw, &how, exponent, &[]), Ok(signed * 10_i64.pow(power)));
    }
}

pub(super) fn seeds() -> Vec<Vec<u8>> {
    let mut seeds = Vec::new();
    for layout in 0..17_u8 {
        for (flags, kind) in [(0, 5), (16 | 32, 10), (1 | 2 | 4, 20), (8, 2), (0, 3), (0, 4)] {
            let mut seed = vec![layout, flags, 0, 0, 0xFF, 0xFF, 0, 0, 1, 0xFF, 0, 5, 0, 0xFE];
            if flags & 16 != 0 {
                seed.extend([0xFF, 0xFE]);
            }
            seed.push(kind);
            seed.extend([0x41, 0xAC, 0, 0, 0x12, 0x34, 0x31, 0x32, 0, 0, 0, 1, 0, 0, 0, 0]);
            seeds.push(seed);
        }
    }
    seeds
}
