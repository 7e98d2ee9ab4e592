//! Modbus registers and frames through the agent's own decoder, read planner and frame check.
//!
//! Types and their "nothing here" patterns are those of the SunSpec Device Information Model (unsigned ones
//! and counts from memory). Never panics.
#![doc = ""]
#![doc = include_str!("../registers.md")]

use std::time::Duration;

use lapwing_engine::signal::decode;
use lapwing_engine::spec::{ByteOrder, Decode, Layout, Raw, Span, WordOrder};
use lapwing_protocol::{Decimal, Status};
use serde::Deserialize;
use serde_json::{Value, json};

use super::super::NoNumber;
use super::{Calculation, Found, domain, typed};
use crate::field::planner::{self, Cost, Item, Limits, plan_reads};
use crate::field::rtu::frame;
use crate::plan::Table;

pub(super) const CALCULATIONS: &[Calculation] = &[
    Calculation {
        name: "modbus_crc_hex",
        takes: "hex (bytes of the frame without its CRC)",
        unit: "",
        run: |inputs| typed(inputs, crc_hex),
    },
    Calculation {
        name: "modbus_f32",
        takes: "regs [list of 2], word_order (big or little), and if it is not big byte_order",
        unit: "1",
        run: |inputs| typed(inputs, float),
    },
    Calculation {
        name: "modbus_sentinel",
        takes: "type (int16, uint16, int32, uint32, int64, uint64, float32, enum16, enum32, bitfield16, bitfield32, acc16, \
                acc32, acc64 or sunssf), reg (one register or a list)",
        unit: "1",
        run: |inputs| typed(inputs, |Sentinel { kind, reg }| number(kind, &reg.words(), 0)),
    },
    Calculation {
        name: "modbus_scaled",
        takes: "type (as for modbus_sentinel), reg (one register or a list), sf (power of ten)",
        unit: "1",
        run: |inputs| typed(inputs, |Scaled { kind, reg, sf }| number(kind, &reg.words(), sf)),
    },
    Calculation {
        name: "modbus_split",
        takes: "start, count, max (registers a request)",
        unit: "",
        run: |inputs| typed(inputs, split),
    },
];

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Hex {
    hex: String,
}

fn crc_hex(Hex { hex }: Hex) -> Result<Found, NoNumber> {
    let digit = |byte: u8| char::from(byte).to_digit(16).and_then(|digit| u8::try_from(digit).ok());
    let byte = |pair: &[u8]| match pair {
        [high, low] => Some(digit(*high)? << 4 | digit(*low)?),
        _ => None,
    };
    let bytes = hex.as_bytes().chunks(2).map(byte).collect::<Option<Vec<u8>>>();
    let bytes = bytes.filter(|bytes| !bytes.is_empty()).ok_or_else(|| domain("not pairs of hexadecimal digits"))?;
    // The low byte goes over the line first.
    let [low, high] = frame::crc(&bytes).to_le_bytes();
    Ok(format!("{low:02X}{high:02X}").into())
}

#[derive(Default, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Order {
    #[default]
    Big,
    Little,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Float {
    regs: [u16; 2],
    word_order: Order,
    /// As the standard says unless a device does otherwise.
    #[serde(default)]
    byte_order: Order,
}

fn float(Float { regs, word_order, byte_order }: Float) -> Result<Found, NoNumber> {
    let word_order = match word_order {
        Order::Big => WordOrder::Big,
        Order::Little => WordOrder::Little,
    };
    let byte_order = match byte_order {
        Order::Big => ByteOrder::Big,
        Order::Little => ByteOrder::Little,
    };
    decoded(&regs, 0, &Decode { layout: Layout::F32, word_order, byte_order, ..Decode::default() }, &[])
}

#[derive(Clone, Copy, Deserialize)]
#[serde(rename_all = "lowercase")]
enum Kind {
    Int16,
    Uint16,
    Int32,
    Uint32,
    Int64,
    Uint64,
    Float32,
    Enum16,
    Enum32,
    Bitfield16,
    Bitfield32,
    Acc16,
    Acc32,
    Acc64,
    Sunssf,
}

impl Kind {
    /// Layout and the pattern by which a device says that it has no such value.
    const fn layout(self) -> (Layout, u64) {
        match self {
            Self::Int16 | Self::Sunssf => (Layout::I16, 0x8000),
            Self::Uint16 => (Layout::U16, 0xFFFF),
            Self::Int32 => (Layout::I32, 0x8000_0000),
            Self::Uint32 => (Layout::U32, 0xFFFF_FFFF),
            Self::Int64 => (Layout::I64, 0x8000_0000_0000_0000),
            Self::Uint64 => (Layout::U64, 0xFFFF_FFFF_FFFF_FFFF),
            Self::Float32 => (Layout::F32, 0x7FC0_0000),
            Self::Enum16 => (Layout::Enum, 0xFFFF),
            Self::Enum32 => (Layout::Enum, 0xFFFF_FFFF),
            Self::Bitfield16 => (Layout::Bits, 0xFFFF),
            Self::Bitfield32 => (Layout::Bits, 0xFFFF_FFFF),
            // A count that was never begun is 0.
            Self::Acc16 => (Layout::U16, 0),
            Self::Acc32 => (Layout::U32, 0),
            Self::Acc64 => (Layout::U64, 0),
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Sentinel {
    #[serde(rename = "type")]
    kind: Kind,
    reg: OneOrMany,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum OneOrMany {
    One(u16),
    Many(Vec<u16>),
}

impl OneOrMany {
    fn words(self) -> Vec<u16> {
        match self {
            Self::One(word) => vec![word],
            Self::Many(words) => words,
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Scaled {
    #[serde(rename = "type")]
    kind: Kind,
    reg: OneOrMany,
    sf: i16,
}

fn number(kind: Kind, reg: &[u16], scale_factor: i16) -> Result<Found, NoNumber> {
    let (layout, nothing) = kind.layout();
    // A bit field with its highest bit set is to be ignored, whatever the others say.
    if matches!(kind, Kind::Bitfield16 | Kind::Bitfield32) && reg.first().is_some_and(|word| word & 0x8000 != 0) {
        return Err(refusal(Status::BAD_NOT_CONNECTED));
    }
    let decode = Decode { layout, absent: Span { first: 0, count: 1 }, ..Decode::default() };
    decoded(reg, scale_factor, &decode, &[nothing])
}

/// Decodes at the finest exponent that holds the number.
fn decoded(reg: &[u16], scale_factor: i16, how: &Decode, absent: &[u64]) -> Result<Found, NoNumber> {
    let mut words = [0; 8];
    let room = words.get_mut(..reg.len()).ok_or_else(|| domain("more registers than a value has"))?;
    room.copy_from_slice(reg);
    let raw = Raw::Words { words, len: u8::try_from(reg.len()).unwrap_or(u8::MAX), scale_factor };
    let mut last = Status::BAD_OUT_OF_RANGE;
    for exponent in -18..=18 {
        match decode::decode(&raw, how, exponent, absent) {
            Ok(mantissa) => return Ok(Decimal::new(mantissa, exponent).to_f64().into()),
            // Too large at this exponent; everything else is said at once.
            Err(Status::BAD_OUT_OF_RANGE) => last = Status::BAD_OUT_OF_RANGE,
            Err(status) => return Err(refusal(status)),
        }
    }
    Err(refusal(last))
}

fn refusal(status: Status) -> NoNumber {
    if status == Status::BAD_NOT_CONNECTED {
        NoNumber { word: "not_available", why: "the device says that it has no such value".into() }
    } else if status == Status::BAD_CONFIGURATION_ERROR {
        domain("this many registers are no value of this type")
    } else {
        NoNumber { word: "not_available", why: "the registers hold no number".into() }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Split {
    start: u16,
    count: u32,
    max: u16,
}

fn split(Split { start, count, max }: Split) -> Result<Found, NoNumber> {
    if count == 0 || u32::from(start) + count > 0x1_0000 {
        return Err(domain("the registers run past address 65535, or there are none"));
    }
    if max == 0 || max > planner::MOST_REGISTERS {
        return Err(domain("a request asks for 1 to 125 registers"));
    }
    let item = |key: u32| Item {
        key,
        table: Table::Holding,
        address: start.saturating_add(u16::try_from(key).unwrap_or(u16::MAX)),
        words: 1,
        scale_factor: None,
        period: Duration::from_secs(1),
        group: None,
    };
    let items: Vec<Item> = (0..count).map(item).collect();
    // The fewest requests that read nothing else.
    let limits = Limits { max_registers: max, max_gap: 0, ..Limits::of(Cost { exchange_ns: 1, byte_ns: 0 }) };
    let blocks = plan_reads(&items, &limits).map_err(|_| domain("these registers cannot be read"))?;
    let blocks: Vec<Value> = blocks.iter().map(|block| json!([block.start, block.count])).collect();
    Ok(blocks.into())
}
