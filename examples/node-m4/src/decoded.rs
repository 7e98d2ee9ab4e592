//! Registers as numbers, through the engine's decoder.
//!
//! Types and their "nothing here" patterns are those of the SunSpec Device Information Model, as in the agent. Never
//! panics.

use alloc::vec::Vec;

use lapwing_engine::signal::decode;
use lapwing_engine::spec::{ByteOrder, Decode, Layout, Raw, Span, WordOrder};
use lapwing_protocol::{Decimal, Status};
use serde_json::Value;

use crate::answer::{Inputs, NoNumber, domain};

/// A floating-point number in two registers.
pub fn float(given: &Inputs<'_>) -> Result<Value, NoNumber> {
    let word_order = if given.word("word_order") == "little" { WordOrder::Little } else { WordOrder::Big };
    let byte_order = if given.word("byte_order") == "little" { ByteOrder::Little } else { ByteOrder::Big };
    let how = Decode { layout: Layout::F32, word_order, byte_order, ..Decode::default() };
    finest(&words(given, "regs"), 0, &how, &[])
}

/// An integer with its scale, or that there is none.
pub fn number(given: &Inputs<'_>) -> Result<Value, NoNumber> {
    let (layout, nothing) = match given.word("type") {
        "int16" | "sunssf" => (Layout::I16, 0x8000),
        "uint16" => (Layout::U16, 0xFFFF),
        "int32" => (Layout::I32, 0x8000_0000),
        "uint32" => (Layout::U32, 0xFFFF_FFFF),
        _ => return Err(domain("a type this node does not know")),
    };
    let how = Decode { layout, absent: Span { first: 0, count: 1 }, ..Decode::default() };
    let scale = i16::try_from(given.whole("sf")).map_err(|_| domain("no such power of ten"))?;
    finest(&words(given, "reg"), scale, &how, &[nothing])
}

fn words(given: &Inputs<'_>, name: &str) -> Vec<u16> {
    let word = |value: &Value| value.as_u64().and_then(|word| u16::try_from(word).ok());
    match given.0.get(name) {
        Some(Value::Array(list)) => list.iter().filter_map(word).collect(),
        Some(one) => word(one).into_iter().collect(),
        None => Vec::new(),
    }
}

/// Decodes at the finest exponent that holds the number.
fn finest(reg: &[u16], scale_factor: i16, how: &Decode, absent: &[u64]) -> Result<Value, NoNumber> {
    let mut words = [0; 8];
    let room = words.get_mut(..reg.len()).ok_or_else(|| domain("more registers than a value has"))?;
    room.copy_from_slice(reg);
    let raw = Raw::Words { words, len: u8::try_from(reg.len()).unwrap_or(u8::MAX), scale_factor };
    for exponent in -18..=18 {
        match decode::decode(&raw, how, exponent, absent) {
            Ok(mantissa) => return Ok(Decimal::new(mantissa, exponent).to_f64().into()),
            Err(Status::BAD_OUT_OF_RANGE) => {}
            Err(Status::BAD_NOT_CONNECTED) => {
                let why = "the device says that it has no such value".into();
                return Err(NoNumber { word: "not_available", why });
            }
            Err(_) => break,
        }
    }
    Err(NoNumber { word: "not_available", why: "the registers hold no number".into() })
}
