//! Where a point's raw value lies and how wide it is: `register`, `oid` or `redfish`, `as`, `words`, `scale_from`.
//!
//! Registers of each layout are those the engine decodes. A bit table (coil, discrete) holds single bits; an SNMP
//! variable and a Redfish property have no registers at all. Where registers lie on the wire depends on the device and is judged in `assemble`.
//! Never panics.

use lapwing_engine::spec::Layout;

use crate::config::address::{of_bits, oid, register, table_word};
use crate::config::keys::LAYOUTS;
use crate::config::mistake::Report;
use crate::config::reader::Item;
use crate::config::wrong::Wrong;

use super::link::word;
use super::point::PointSource;

/// Source and layout together: what bits there are.
pub(super) struct Shape {
    pub(super) source: Option<PointSource>,
    pub(super) layout: Layout,
    /// Width of the raw value.
    pub(super) bits: u32,
    /// Whether it is a single bit of a bit table.
    pub(super) of_bit_table: bool,
}

/// Reads `register`, `oid` or `redfish`, `as`, `words` and `scale_from`.
pub(super) fn shape(item: &mut Item<'_>, report: &mut Report) -> Shape {
    let written = item.take::<String>("register", report);
    let variable = item.take::<String>("oid", report);
    let resource = item.take::<String>("redfish", report);
    let sources: Vec<&'static str> = ["register", "oid", "redfish"].into_iter().filter(|key| item.has(key)).collect();
    match sources.as_slice() {
        [] => report.wrong(item.place, item.label.clone(), Wrong::NoSource),
        [_] => {}
        [_, second, ..] => report.wrong(item.place_of(second), item.key(second), Wrong::TwoSources),
    }
    let is_snmp = sources == ["oid"];
    let has_no_registers = is_snmp || sources == ["redfish"];
    let table = written.as_ref().and_then(|text| {
        register(&text.value)
            .map_err(|wrong| report.wrong(text.place, item.key("register"), wrong))
            .ok()
            .map(|register| register.table)
    });
    let of_bit_table = table.is_some_and(of_bits);
    let named =
        if of_bit_table || !item.has("register") { word(item, "as", LAYOUTS, report) } else { need_word(item, report) };
    let layout = named.map_or(if of_bit_table { Layout::Bit } else { Layout::I64 }, layout_of);
    if let (Some(table), true, Some(named)) = (table, of_bit_table && layout != Layout::Bit, named) {
        report.wrong(item.place_of("as"), item.key("as"), Wrong::NotABit { layout: named, table: table_word(table) });
    }
    let words = words(item, layout, named.unwrap_or("u16"), of_bit_table || has_no_registers, report);
    let scale_from = item.take::<String>("scale_from", report);
    if let Some(text) = &scale_from {
        match (register(&text.value), table) {
            (Err(wrong), _) => report.wrong(text.place, item.key("scale_from"), wrong),
            (Ok(factor), Some(table)) if factor.table != table => {
                let wrong = Wrong::ScaleOtherTable { found: table_word(factor.table), table: table_word(table) };
                report.wrong(text.place, item.key("scale_from"), wrong);
            }
            (Ok(_), _) => {}
        }
        if of_bit_table || has_no_registers {
            let wrong = Wrong::KeyHasNoMeaning {
                key: "scale_from",
                of: "a point without registers".into(),
                mend: "remove it".into(),
            };
            report.wrong(text.place, item.key("scale_from"), wrong);
        }
    }
    let choice = super::choice::read(item, is_snmp, report);
    let source = match (written.filter(|_| table.is_some()), variable, resource) {
        (None, None, Some(text)) => match super::redfish::place(&text.value) {
            Ok((resource, pointer)) => Some(PointSource::Redfish { resource, pointer }),
            Err(wrong) => {
                report.wrong(text.place, item.key("redfish"), wrong);
                None
            }
        },
        (Some(_), Some(_), _) | (_, _, Some(_)) => None, // told
        (Some(register), None, None) => {
            Some(PointSource::Register { register, words: if of_bit_table { 0 } else { words }, scale_from })
        }
        (None, Some(text), None) => match oid(&text.value) {
            Ok(oid) => Some(PointSource::Oid { oid, choice }),
            Err(wrong) => {
                report.wrong(text.place, item.key("oid"), wrong);
                None
            }
        },
        (None, None, None) => None,
    };
    let bits = if of_bit_table {
        1
    } else if has_no_registers {
        64
    } else {
        (u32::from(words) * 16).min(64)
    };
    Shape { source, layout, bits, of_bit_table }
}

fn need_word(item: &mut Item<'_>, report: &mut Report) -> Option<&'static str> {
    if !item.has("as") {
        report.wrong(item.place, item.key("as"), Wrong::MissingKey { key: "as", example: "\"i16\"" });
    }
    word(item, "as", LAYOUTS, report)
}

fn layout_of(word: &str) -> Layout {
    match word {
        "i16" => Layout::I16,
        "i32" => Layout::I32,
        "u32" => Layout::U32,
        "i48" => Layout::I48,
        "u48" => Layout::U48,
        "i64" => Layout::I64,
        "u64" => Layout::U64,
        "f32" => Layout::F32,
        "f64" => Layout::F64,
        "bit" => Layout::Bit,
        "bits" => Layout::Bits,
        "enum" => Layout::Enum,
        "bcd" => Layout::Bcd,
        "modulo10000" => Layout::Modulo10000,
        "text_number" => Layout::TextNumber,
        "counter" => Layout::Counter,
        _ => Layout::U16,
    }
}

/// Registers of a layout: fewest, most, and how many when `words` is not written (0: it must be).
const fn widths(layout: Layout) -> (u64, u64, u64) {
    match layout {
        Layout::U16 | Layout::I16 | Layout::Bit => (1, 1, 1),
        Layout::U32 | Layout::I32 | Layout::F32 => (2, 2, 2),
        Layout::U48 | Layout::I48 => (3, 3, 3),
        Layout::U64 | Layout::I64 | Layout::F64 => (4, 4, 4),
        Layout::Bits | Layout::Enum => (1, 4, 1),
        Layout::Bcd => (1, 4, 1),
        Layout::Modulo10000 => (1, 4, 2),
        Layout::Counter => (1, 4, 2),
        Layout::TextNumber => (1, 8, 0),
    }
}

fn words(item: &mut Item<'_>, layout: Layout, named: &'static str, fixed: bool, report: &mut Report) -> u8 {
    let (low, high, otherwise) = widths(layout);
    match item.take::<u64>("words", report) {
        Some(words) if fixed => {
            let wrong = Wrong::KeyHasNoMeaning {
                key: "words",
                of: "a point without registers".into(),
                mend: "remove it".into(),
            };
            report.wrong(words.place, item.key("words"), wrong);
            1
        }
        Some(words) if (low..=high).contains(&words.value) => u8::try_from(words.value).unwrap_or(1),
        Some(words) => {
            report.wrong(
                words.place,
                item.key("words"),
                Wrong::BadWords { words: words.value, layout: named, low, high },
            );
            1
        }
        None if otherwise == 0 && !fixed => {
            report.wrong(item.place, item.key("words"), Wrong::MissingKey { key: "words", example: "4" });
            1
        }
        None => u8::try_from(otherwise.max(1)).unwrap_or(1),
    }
}
