//! One `[[point]]` of a map: what is measured, where it lies, how its raw value becomes a number.
//!
//! Decides the point's exponent: from `resolution` (1, 2 or 5 times a power of ten: its decimal places), else from the
//! places of `scale` and `offset`, else 0. A floating source and one with a scale-factor register have no places of
//! their own and must state a resolution. Every number given in the point's unit must be a whole number of steps of that
//! exponent, so that nothing is rounded behind a person's back. Units are UCUM. Where the registers really lie depends
//! on the device and is judged in `assemble`. Never panics.

use std::time::Duration;

use lapwing_engine::spec::{ByteOrder, Decode, Layout, WordOrder};
use lapwing_protocol::{Decimal, Quantity, Unit, Vocabulary};

use crate::plan::Role;
use crate::plan::snmp::{LabelledRow, SENSOR_VALUE};

use crate::config::mistake::Report;
use crate::config::names;
use crate::config::reader::{Item, Read, entries, nearest, trimmed};
use crate::config::source::{Located, Place};
use crate::config::steps::Steps;
use crate::config::units;
use crate::config::wrong::Wrong;

use super::current_loop;
use super::link::word;
use super::shape::{Shape, shape};

/// A point of a map as written.
#[derive(Clone, Debug)]
pub(crate) struct PointItem {
    pub(crate) path: Located<String>,
    pub(crate) label: String,
    pub(crate) place: Place,
    pub(crate) quantity: Quantity,
    /// `None` if it could not be read; what depends on it is then not judged.
    pub(crate) unit: Option<&'static Unit>,
    pub(crate) source: Option<PointSource>,
    pub(crate) decode: Decode,
    pub(crate) absent: Vec<u64>,
    /// `None` if it could not be decided; what depends on it is then not judged.
    pub(crate) exponent: Option<i8>,
    pub(crate) valid: Option<(i64, i64)>,
    /// What the sensor promises, of what is valid; the rest is uncertain.
    pub(crate) sure: Option<(i64, i64)>,
    pub(crate) rate_max: Option<i64>,
    pub(crate) scan_period: Duration,
    pub(crate) response: Option<Duration>,
    pub(crate) refresh: Option<Duration>,
    pub(crate) group: Option<Located<String>>,
    pub(crate) tag: Option<String>,
    pub(crate) location: Option<String>,
    /// How far it wavers while nothing changes, in steps.
    pub(crate) noise: Option<i64>,
    pub(crate) role: Option<Role>,
    /// `None` if they could not be read.
    pub(crate) states: Option<Vec<(i64, String)>>,
}

/// Where a point's raw value lies.
#[derive(Clone, Debug)]
pub(crate) enum PointSource {
    /// Modbus, with the addresses as written.
    Register { register: Located<String>, words: u8, scale_from: Option<Located<String>> },
    /// SNMP: a whole instance, or a column with what chooses in it.
    Oid { oid: Vec<u32>, choice: Choice },
    /// Redfish: a resource, and where in it.
    Redfish { resource: String, pointer: String },
}

/// What chooses in a column of an SNMP table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Choice {
    /// Nothing: it is a whole instance.
    Instance,
    /// The row with a label.
    Row(LabelledRow),
    /// Whether a row holds an OID.
    Present(Vec<u32>),
    /// How many rows hold an OID that no point of the device names.
    Others,
}

/// Reads one point. It comes back if it has a path, even where other keys are wrong: alarms may name it.
pub(crate) fn read(mut item: Item<'_>, report: &mut Report) -> Option<PointItem> {
    let path = item.need::<String>("path", report);
    let path_is_one = path.as_ref().is_some_and(|path| names::path(&path.value, path.place, &item.key("path"), report));
    let quantity = quantity(&mut item, report);
    let unit = unit(&mut item, quantity, report);
    let shape = shape(&mut item, report);
    let scale = item.take::<Decimal>("scale", report);
    if let Some(zero) = scale.as_ref().filter(|scale| scale.value.mantissa == 0) {
        let wrong = Wrong::BadNumber { value: "0".into(), why: "every value would be 0".into() };
        report.wrong(zero.place, item.key("scale"), wrong);
    }
    let offset = item.take::<Decimal>("offset", report);
    let resolution = item.take::<Decimal>("resolution", report);
    let exponent = exponent(&item, quantity, resolution, scale.as_ref(), offset.as_ref(), &shape, report);
    let name = path.as_ref().map_or("", |path| path.value.as_str()).to_string();
    let steps = Steps { exponent, point: &name };
    let valid = steps.range(&mut item, report);
    let conversion = (
        scale.as_ref().map_or(Decimal::new(1, 0), |scale| trimmed(scale.value)),
        offset.as_ref().map_or(Decimal::new(0, 0), |offset| trimmed(offset.value)),
    );
    let current_loop = if has_no_current(&shape, quantity) && item.has("current_loop") {
        let mend = "remove it; a loop current is a number in mA".to_string();
        let wrong = Wrong::KeyHasNoMeaning { key: "current_loop", of: "a state, count or bit".into(), mend };
        report.wrong(item.place_of("current_loop"), item.key("current_loop"), wrong);
        let _told = item.take::<Vec<Located<Decimal>>>("current_loop", report);
        None
    } else {
        current_loop::read(&mut item, conversion, steps, report)
    };
    let (valid, sure) = match (current_loop, valid) {
        (Some(made), Some((low, high))) => (Some((low.max(made.valid.0), high.min(made.valid.1))), Some(made.sure)),
        (Some(made), None) => (Some(made.valid), Some(made.sure)),
        (None, valid) => (valid, None),
    };
    let (scale, offset) = current_loop.map_or(conversion, |made| (made.scale, made.offset));
    let rate_max = item.take::<Decimal>("rate_max", report);
    let rate_max = rate_max.and_then(|rate| steps.distance(&rate, "rate_max", &item.key("rate_max"), report));
    let scan_period = item.take::<Duration>("scan_period", report);
    if let Some(short) = scan_period.as_ref().filter(|period| period.value < Duration::from_millis(10)) {
        let value = crate::config::reader::written(short.value);
        report.wrong(short.place, item.key("scan_period"), Wrong::ScanTooShort { value });
    }
    let scan_period =
        scan_period.map_or_else(|| Duration::from_millis(u64::from(quantity.scan_period_ms())), |period| period.value);
    let absent = absent(&mut item, &shape, report);
    let decode = decode(&mut item, &shape, scale, offset, report);
    let seconds = |value: Option<Located<Decimal>>, key: String, report: &mut Report| {
        let value = value?;
        let seconds = value.value.to_f64();
        if (0.0..=86_400.0).contains(&seconds) {
            return Some(Duration::from_secs_f64(seconds));
        }
        report.wrong(
            value.place,
            key,
            Wrong::OutOfRange { value: value.value.to_string(), low: "0".into(), high: "86400".into() },
        );
        None
    };
    let response = item.take::<Decimal>("response_s", report);
    let response = seconds(response, item.key("response_s"), report);
    let refresh = item.take::<Decimal>("refresh_s", report);
    let refresh = seconds(refresh, item.key("refresh_s"), report);
    let noise = item.take::<Decimal>("noise", report);
    let noise = noise.and_then(|noise| steps.distance(&noise, "noise", &item.key("noise"), report));
    let role = word(&mut item, "role", &Role::WORDS, report).and_then(Role::from_word);
    let states = states(&mut item, report);
    let group = item.take::<String>("group", report);
    let tag = item.take::<String>("tag", report).map(|tag| tag.value);
    let location = item.take::<String>("where", report).map(|place| place.value);
    let (label, place) = (item.label.clone(), item.place);
    item.close(report);
    Some(PointItem {
        path: path.filter(|_| path_is_one)?,
        label,
        place,
        quantity,
        unit,
        source: shape.source,
        decode,
        absent,
        exponent,
        valid,
        sure,
        rate_max,
        scan_period,
        response,
        refresh,
        group,
        tag,
        location,
        noise,
        role,
        states,
    })
}

fn quantity(item: &mut Item<'_>, report: &mut Report) -> Quantity {
    let Some(name) = item.need::<String>("quantity", report) else { return Quantity::Count };
    Quantity::parse(&name.value).unwrap_or_else(|| {
        let known: Vec<&'static str> = Quantity::WORDS.iter().map(|(word, _)| *word).collect();
        let near = nearest(&name.value, known.iter().copied());
        report.wrong(name.place, item.key("quantity"), Wrong::UnknownQuantity { quantity: name.value, near, known });
        Quantity::Count
    })
}

fn unit(item: &mut Item<'_>, quantity: Quantity, report: &mut Report) -> Option<&'static Unit> {
    // States and counts have one possible unit: it need not be written.
    let one_unit = matches!(quantity, Quantity::State | Quantity::Count);
    if one_unit && !item.has("unit") {
        return Unit::parse("1");
    }
    let unit = item.need::<String>("unit", report)?;
    match Unit::parse(&unit.value) {
        Some(known) if quantity.accepts(known) => Some(known),
        Some(_) => {
            // An unknown quantity was told already: it has no units to check against.
            let named = item.raw("quantity").and_then(|value| value.get_ref().as_str()).and_then(Quantity::parse);
            if named.is_some() {
                let units = quantity.units().map(Unit::code).collect();
                let wrong = Wrong::UnitNotOfQuantity { unit: unit.value, quantity: quantity.name().to_string(), units };
                report.wrong(unit.place, item.key("unit"), wrong);
            }
            None
        }
        None => {
            let near = units::meant(&unit.value, quantity);
            report.wrong(unit.place, item.key("unit"), Wrong::UnknownUnit { unit: unit.value, near });
            None
        }
    }
}

fn exponent(
    item: &Item<'_>,
    quantity: Quantity,
    resolution: Option<Located<Decimal>>,
    scale: Option<&Located<Decimal>>,
    offset: Option<&Located<Decimal>>,
    shape: &Shape,
    report: &mut Report,
) -> Option<i8> {
    if let Some(resolution) = resolution {
        return Steps::of_resolution(&resolution, &item.key("resolution"), report);
    }
    let counts = matches!(quantity, Quantity::State | Quantity::Count);
    let why = match shape.layout {
        Layout::F32 | Layout::F64 => Some("a floating source has no places of its own"),
        _ if item.has("scale_from") => Some("a scale-factor register leaves the places open"),
        _ if item.has("current_loop") && !has_no_current(shape, quantity) => {
            Some("a loop current has no places of its own")
        }
        _ if is_redfish(shape) && !item.has("names") && !counts => Some("a JSON number may have any places"),
        _ if is_sensor(shape) => Some("an entity sensor states its scale and precision itself"),
        _ => None,
    };
    if item.has("resolution") || (item.has("scale") && scale.is_none()) || (item.has("offset") && offset.is_none()) {
        return None; // told already
    }
    if scale.is_some_and(|scale| scale.value.mantissa == 0) {
        return None; // told already
    }
    if let Some(why) = why {
        report.wrong(item.place, item.key("resolution"), Wrong::MissingResolution { why });
        return None;
    }
    let places = |number: Option<&Located<Decimal>>| number.map_or(0, |number| trimmed(number.value).exponent);
    Some(places(scale).min(places(offset)))
}

/// What is no number in mA, whatever is scaled.
fn has_no_current(shape: &Shape, quantity: Quantity) -> bool {
    matches!(quantity, Quantity::State | Quantity::Count)
        || matches!(shape.layout, Layout::Bit | Layout::Bits | Layout::Enum | Layout::Counter)
}

fn is_redfish(shape: &Shape) -> bool {
    matches!(shape.source, Some(PointSource::Redfish { .. }))
}

/// Whether the value is an entity sensor's (RFC 3433).
fn is_sensor(shape: &Shape) -> bool {
    matches!(&shape.source, Some(PointSource::Oid { oid, .. }) if oid.starts_with(&SENSOR_VALUE))
}

fn absent(item: &mut Item<'_>, shape: &Shape, report: &mut Report) -> Vec<u64> {
    let Some(list) = item.take::<Vec<Located<i128>>>("absent", report) else { return Vec::new() };
    let bits = shape.bits;
    let is_long = matches!(&shape.source, Some(PointSource::Register { words, .. }) if *words > 4);
    if is_long {
        let mend = "remove it; blanks are \"nothing here\" already".to_string();
        let wrong = Wrong::KeyHasNoMeaning { key: "absent", of: "a text of more than four registers".into(), mend };
        report.wrong(item.place_of("absent"), item.key("absent"), wrong);
        return Vec::new();
    }
    let patterns = list.value.into_iter().filter_map(|pattern| {
        let (lowest, highest) = (-(1_i128 << (bits - 1).min(63)), (1_i128 << bits) - 1);
        if !(lowest..=highest).contains(&pattern.value) {
            let wrong = Wrong::AbsentTooWide { pattern: pattern.value.to_string(), bits };
            report.wrong(pattern.place, item.key("absent"), wrong);
            return None;
        }
        // A negative number means its two's complement at the value's width.
        u64::try_from(pattern.value & ((1_i128 << bits) - 1)).ok()
    });
    patterns.collect()
}

fn decode(item: &mut Item<'_>, shape: &Shape, scale: Decimal, offset: Decimal, report: &mut Report) -> Decode {
    let order = |word: Option<&str>| word == Some("little");
    let word_order =
        if order(word(item, "word_order", &["big", "little"], report)) { WordOrder::Little } else { WordOrder::Big };
    let byte_order =
        if order(word(item, "byte_order", &["big", "little"], report)) { ByteOrder::Little } else { ByteOrder::Big };
    if matches!(shape.layout, Layout::F32 | Layout::F64 | Layout::Bcd | Layout::Modulo10000 | Layout::TextNumber) {
        for key in ["mask", "shift"].into_iter().filter(|key| item.has(key)) {
            let mend = "remove it, or read the register as a whole number".to_string();
            let wrong = Wrong::KeyHasNoMeaning { key, of: "a number that is not binary".into(), mend };
            report.wrong(item.place_of(key), item.key(key), wrong);
        }
    }
    let mask = item.take::<u64>("mask", report);
    if let Some(wide) = mask.as_ref().filter(|mask| shape.bits < 64 && mask.value >> shape.bits != 0) {
        report.wrong(wide.place, item.key("mask"), Wrong::MaskTooWide { mask: wide.value, bits: shape.bits });
    }
    let single = mask.as_ref().is_some_and(|mask| mask.value.count_ones() == 1);
    if shape.layout == Layout::Bit && !shape.of_bit_table && !single && !item.has("oid") {
        report.wrong(
            if item.has("mask") { item.place_of("mask") } else { item.place },
            item.key("mask"),
            Wrong::BitWithoutMask,
        );
    }
    let shift = item.take::<u32>("shift", report);
    let given = shift.is_some();
    let shift = super::link::within(shift, 0, 0, shape.bits.saturating_sub(1), &item.key("shift"), report);
    let mask = mask.map(|mask| mask.value);
    // One bit of a register is 0 or 1 wherever it stands.
    let shift = match mask {
        Some(mask) if shape.layout == Layout::Bit && single && !given => mask.trailing_zeros(),
        _ => shift,
    };
    let invert = item.take::<bool>("invert", report);
    if let Some(invert) =
        invert.as_ref().filter(|invert| invert.value && !matches!(shape.layout, Layout::Bit | Layout::Bits))
    {
        let wrong = Wrong::KeyHasNoMeaning {
            key: "invert",
            of: "a number".into(),
            mend: "use scale = -1 for the opposite sign, or as = \"bit\"".into(),
        };
        report.wrong(invert.place, item.key("invert"), wrong);
    }
    Decode {
        layout: shape.layout,
        word_order,
        byte_order,
        mask,
        shift: u8::try_from(shift).unwrap_or(0),
        invert: invert.is_some_and(|invert| invert.value),
        scale,
        offset,
        ..Decode::default()
    }
}

fn states(item: &mut Item<'_>, report: &mut Report) -> Option<Vec<(i64, String)>> {
    let origin = item.place.origin;
    let Some(value) = item.raw("names") else { return Some(Vec::new()) };
    let listed = match entries(value, origin) {
        Ok(listed) => listed,
        Err(wrong) => {
            report.wrong(Place::new(origin, &value.span()), item.key("names"), wrong);
            return None;
        }
    };
    let mut states: Vec<(i64, String)> = Vec::new();
    let mut whole = true;
    for (number, name) in listed {
        let key = item.key("names");
        let place = Place::new(origin, &name.span());
        let before = states.len();
        match (number.value.parse::<i64>(), String::read(name, origin)) {
            (Ok(_), Ok(name)) if states.iter().any(|(_, known)| *known == name) => {
                report.wrong(place, key, Wrong::Duplicate { what: "state", name, first: "in the same table".into() });
            }
            (Ok(number), Ok(name)) => states.push((number, name)),
            (Err(_), _) => report.wrong(number.place, key, Wrong::BadStateNumber { name: number.value }),
            (_, Err(wrong)) => report.wrong(place, key, wrong),
        }
        whole &= states.len() > before;
    }
    states.sort_by_key(|(number, _)| *number);
    whole.then_some(states)
}
