//! One `[[device]]`: what answers on a link, its map, and how it wants to be asked.
//!
//! Whether link and map exist is judged elsewhere. Units by Modbus over Serial Line V1.02 §2.2: 1 to 247; behind TCP a
//! gateway's own unit may also be 0 or 255 (MODBUS Messaging on TCP/IP V1.0b §4.4.1). Never panics.

use std::time::Duration;

use crate::config::address::{of_bits, range, register};
use crate::config::mistake::Report;
use crate::config::names;
use crate::config::reader::{Item, OneOrMany, Read, entries, nearest, written};
use crate::config::source::{Located, Place};
use crate::config::wrong::Wrong;
use crate::plan::Table;

use super::identity::IdentityItem;
use super::link::within;

/// A device as written.
#[derive(Clone, Debug)]
pub(crate) struct DeviceItem {
    pub(crate) name: Located<String>,
    pub(crate) label: String,
    pub(crate) place: Place,
    pub(crate) link: Option<Located<String>>,
    pub(crate) unit: Option<Located<u8>>,
    pub(crate) map: Option<Located<String>>,
    pub(crate) prefix: Option<Located<String>>,
    pub(crate) timeout: Option<Duration>,
    pub(crate) pause: Duration,
    pub(crate) late_max: Option<Duration>,
    pub(crate) turnaround: Option<Duration>,
    /// Its own, or else its map's.
    pub(crate) min_interval: Option<Duration>,
    pub(crate) faster: Option<FasterItem>,
    pub(crate) max_registers: u16,
    /// Tables with first and last wire address.
    pub(crate) forbid: Vec<(Table, u16, u16)>,
    pub(crate) base: u16,
    pub(crate) identity: IdentityItem,
    /// Its label, for points that have none.
    pub(crate) tag: Option<String>,
    /// Where it is.
    pub(crate) location: Option<String>,
    /// Keys that only Modbus devices have, as far as they are written.
    pub(crate) modbus_keys: Vec<(&'static str, Place)>,
}

/// `scan_period_when` as written.
#[derive(Clone, Debug)]
pub(crate) struct FasterItem {
    pub(crate) point: Located<String>,
    pub(crate) states: Vec<Located<String>>,
    pub(crate) period: Located<Duration>,
}

/// Longest `min_interval_ms`: an hour.
pub(crate) const LONGEST_INTERVAL_MS: u32 = 3_600_000;

/// Reads one device.
pub(crate) fn read(mut item: Item<'_>, report: &mut Report) -> Option<DeviceItem> {
    let name = item.need::<String>("name", report);
    if let Some(name) = &name {
        names::segment(&name.value, "a device's name", name.place, &item.key("name"), report);
    }
    let modbus_keys = ["unit", "pause_ms", "late_max_ms", "max_registers", "forbid", "base"]
        .into_iter()
        .filter(|key| item.has(key))
        .map(|key| (key, item.place_of(key)))
        .collect();
    let link = item.need::<String>("link", report);
    let map = item.need::<String>("map", report);
    let unit = item.take::<u8>("unit", report);
    let prefix = item.take::<String>("prefix", report);
    let prefix = prefix.filter(|prefix| names::path(&prefix.value, prefix.place, &item.key("prefix"), report));
    let mut ms = |key: &'static str, low: u32, high: u32| {
        let value = item.take::<u32>(key, report)?;
        let value = within(Some(value), low, low, high, &item.key(key), report);
        Some(Duration::from_millis(u64::from(value)))
    };
    let (timeout, pause, late_max) =
        (ms("timeout_ms", 10, 60_000), ms("pause_ms", 0, 10_000), ms("late_max_ms", 10, 600_000));
    let (turnaround, min_interval) = (ms("turnaround_ms", 0, 10_000), ms("min_interval_ms", 0, LONGEST_INTERVAL_MS));
    let faster = faster(&mut item, report);
    let max_registers = item.take::<u32>("max_registers", report);
    let max_registers = within(max_registers, 125, 1, 125, &item.key("max_registers"), report);
    let base = item.take::<u32>("base", report);
    let base = within(base, 0, 0, 1, &item.key("base"), report);
    let forbid = item.take::<Vec<Located<String>>>("forbid", report).map_or_else(Vec::new, |list| list.value);
    let forbid = forbid.iter().filter_map(|text| forbidden(text, base, &item.key("forbid"), report)).collect();
    let identity = super::identity::read(&mut item, report);
    let [tag, location] = ["tag", "where"].map(|key| item.take::<String>(key, report).map(|text| text.value));
    let (label, place) = (item.label.clone(), item.place);
    item.close(report);
    Some(DeviceItem {
        name: name?,
        label,
        place,
        link,
        unit,
        map,
        prefix,
        timeout,
        pause: pause.unwrap_or_default(),
        late_max,
        turnaround,
        min_interval,
        faster,
        max_registers: u16::try_from(max_registers).unwrap_or(125),
        forbid,
        base: u16::try_from(base).unwrap_or(0),
        identity,
        tag,
        location,
        modbus_keys,
    })
}

fn faster(item: &mut Item<'_>, report: &mut Report) -> Option<FasterItem> {
    const NAMES: [&str; 3] = ["point", "state", "period"];
    let (place, key) = (item.place_of("scan_period_when"), item.key("scan_period_when"));
    let (value, origin) = (item.raw("scan_period_when")?, item.place.origin);
    let listed = match entries(value, origin) {
        Ok(listed) => listed,
        Err(wrong) => {
            report.wrong(Place::new(origin, &value.span()), key, wrong);
            return None;
        }
    };
    let (mut point, mut states, mut period) = (None, None, None);
    for (name, value) in &listed {
        let place = Place::new(origin, &value.span());
        let read = match name.value.as_str() {
            "point" => String::read(value, origin).map(|value| point = Some(Located { value, place })),
            "state" => OneOrMany::read(value, origin).map(|value| states = Some(value.0)),
            "period" => Duration::read(value, origin).map(|value| period = Some(Located { value, place })),
            _ => {
                let near = nearest(&name.value, NAMES.into_iter());
                let wrong = Wrong::UnknownKey { key: name.value.clone(), near, known: NAMES.to_vec() };
                report.wrong(name.place, format!("{key}.{}", name.value), wrong);
                continue;
            }
        };
        if let Err(wrong) = read {
            report.wrong(place, format!("{key}.{}", name.value), wrong);
        }
    }
    for (name, example) in NAMES.into_iter().zip(["\"ups/a1/output/source\"", "\"battery\"", "\"1s\""]) {
        if !listed.iter().any(|(written, _)| written.value == name) {
            report.wrong(place, format!("{key}.{name}"), Wrong::MissingKey { key: name, example });
        }
    }
    if let Some(short) = period.as_ref().filter(|period| period.value < Duration::from_millis(10)) {
        report.wrong(short.place, format!("{key}.period"), Wrong::ScanTooShort { value: written(short.value) });
        return None;
    }
    Some(FasterItem { point: point?, states: states?, period: period? })
}

fn forbidden(text: &Located<String>, base: u32, key: &str, report: &mut Report) -> Option<(Table, u16, u16)> {
    let read = range(&text.value).and_then(|(table, first, last)| match (wire(first, base), wire(last, base)) {
        (Some(first), Some(last)) => Ok((table, first, last)),
        _ => Err(Wrong::BadRegister { register: text.value.clone(), why: "outside the device's addresses".into() }),
    });
    read.map_err(|wrong| report.wrong(text.place, key, wrong)).ok()
}

/// The wire address of an address as written by a device's base.
pub(crate) fn wire(address: u32, base: u32) -> Option<u16> {
    address.checked_sub(base).and_then(|address| u16::try_from(address).ok())
}

/// Wire address of a value of some registers, checked against the table's end.
pub(crate) fn wire_register(text: &str, words: u8, base: u16, what: &'static str) -> Result<(Table, u16), Wrong> {
    let register = register(text)?;
    let start = wire(register.address, u32::from(base)).ok_or_else(|| Wrong::BadRegister {
        register: text.to_string(),
        why: if base == 1 {
            "this device counts from 1 (base = 1)".into()
        } else {
            "no address above 65535 exists".into()
        },
    })?;
    let words = if of_bits(register.table) { 1 } else { u32::from(words) };
    if u32::from(start) + words > 65_536 {
        let table = crate::config::address::table_word(register.table);
        return Err(Wrong::BeyondTable { what, table, start: u32::from(start), words });
    }
    Ok((register.table, start))
}
