//! One `[[link]]`: a connection to the field and what carries it.
//!
//! Exactly one of `modbus_tcp`, `modbus_tls`, `modbus_rtu_tcp`, `serial`, `snmp`, `redfish`; keys that belong to another transport are mistakes,
//! not silently ignored. Nothing is opened or resolved. Line settings by Modbus over Serial Line V1.02 §2.5.1: even
//! parity by default, two stop bits without parity. Never panics.

use std::path::PathBuf;
use std::time::Duration;

use crate::config::address::host_port;
use crate::config::mistake::Report;
use crate::config::names;
use crate::config::reader::{Item, nearest};
use crate::config::source::{Located, Place};
use crate::config::wrong::Wrong;
use crate::plan::snmp::Access;
use crate::plan::{Parity, Transport};

use super::{redfish, tls};

/// Baud rates a serial line is set to (POSIX names more, field devices use these; common practice, no source).
pub(crate) const BAUDS: &[u64] =
    &[1200, 2400, 4800, 9600, 14_400, 19_200, 28_800, 38_400, 57_600, 76_800, 115_200, 230_400, 460_800, 921_600];

/// A link as written.
#[derive(Clone, Debug)]
pub(crate) struct LinkItem {
    pub(crate) name: Located<String>,
    pub(crate) label: String,
    pub(crate) place: Place,
    /// Its kind, even where the address is wrong; with two of them the first.
    pub(crate) kind: Option<&'static str>,
    pub(crate) baud: u32,
    /// `None` if a mistake in it was noted.
    pub(crate) transport: Option<Transport>,
    pub(crate) timeout: Duration,
    pub(crate) retries: u8,
    pub(crate) listen: bool,
    pub(crate) listen_first: Duration,
}

const KINDS: [&str; 6] = ["modbus_tcp", "modbus_tls", "modbus_rtu_tcp", "serial", "snmp", "redfish"];

/// Reads one link.
pub(crate) fn read(mut item: Item<'_>, report: &mut Report) -> Option<LinkItem> {
    let name = item.need::<String>("name", report);
    if let Some(name) = &name {
        names::segment(&name.value, "a link's name", name.place, &item.key("name"), report);
    }
    let written: Vec<&'static str> = KINDS.into_iter().filter(|kind| item.has(kind)).collect();
    let of = name.as_ref().map_or_else(|| item.label.clone(), |name| name.value.clone());
    match written.as_slice() {
        [] => report.wrong(item.place, item.label.clone(), Wrong::NoTransport { link: of }),
        [_] => {}
        [first, second, ..] => {
            report.wrong(item.place_of(second), item.key(second), Wrong::TwoTransports { link: of, first, second })
        }
    }
    let addresses: Vec<Option<Located<String>>> =
        KINDS.into_iter().map(|kind| item.take::<String>(kind, report)).collect();
    let kind = written.first().copied();
    let line = Line::read(&mut item, kind, report);
    let access = super::access::read(&mut item, kind, report);
    let tls = tls::read(&mut item, kind, report);
    let redfish = redfish::read(&mut item, kind, report);
    let transport = kind.and_then(|kind| {
        let address = addresses.into_iter().flatten().next()?;
        let transport = match kind {
            "modbus_tls" => tls::modbus(&address.value, tls?),
            "redfish" => redfish::transport(&address.value, tls?, redfish?),
            _ => transport(kind, &address.value, &line, access),
        };
        transport.map_err(|wrong| report.wrong(address.place, item.key(kind), wrong)).ok()
    });
    let timeout = item.take::<u32>("timeout_ms", report);
    let timeout_ms = within(timeout, 1000, 10, 60_000, &item.key("timeout_ms"), report);
    let retries = item.take::<u32>("retries", report);
    let retries = within(retries, 1, 0, 5, &item.key("retries"), report);
    let (listen, listen_first) = listen(&mut item, kind, report);
    let (label, place) = (item.label.clone(), item.place);
    item.close(report);
    Some(LinkItem {
        name: name?,
        label,
        place,
        kind,
        baud: line.baud,
        transport,
        timeout: Duration::from_millis(u64::from(timeout_ms)),
        retries: u8::try_from(retries).unwrap_or(1),
        listen,
        listen_first,
    })
}

/// The transport an address means for a kind of link; also used for the addresses a caller overrides.
pub(crate) fn transport(kind: &str, address: &str, line: &Line, access: Access) -> Result<Transport, Wrong> {
    Ok(match kind {
        "modbus_tcp" => {
            let (host, port) = host_port(address, "\"127.0.0.1:502\"")?;
            Transport::ModbusTcp { host, port }
        }
        "modbus_rtu_tcp" => {
            let (host, port) = host_port(address, "\"127.0.0.1:4001\"")?;
            Transport::ModbusRtuTcp { host, port, baud: line.baud }
        }
        "snmp" => {
            let (host, port) = host_port(address, "\"127.0.0.1:161\"")?;
            Transport::Snmp { host, port, access }
        }
        _ => {
            let example = "\"/dev/ttyUSB0\"";
            if !address.starts_with('/') || address.ends_with('/') {
                return Err(Wrong::BadAddress {
                    address: address.to_string(),
                    why: "a device file is needed".into(),
                    example,
                });
            }
            Transport::Serial {
                path: PathBuf::from(address),
                baud: line.baud,
                parity: line.parity,
                stop_bits: line.stop_bits,
            }
        }
    })
}

/// Settings of a serial line.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Line {
    pub(crate) baud: u32,
    pub(crate) parity: Parity,
    pub(crate) stop_bits: u8,
}

impl Line {
    fn read(item: &mut Item<'_>, kind: Option<&str>, report: &mut Report) -> Self {
        for (key, kinds) in
            [("baud", &["serial", "modbus_rtu_tcp"][..]), ("parity", &["serial"]), ("stop_bits", &["serial"])]
        {
            meaningless(item, key, kind, kinds, report);
        }
        let baud = item.take::<u64>("baud", report);
        let baud = match baud {
            Some(baud) if !BAUDS.contains(&baud.value) => {
                let nearest =
                    BAUDS.iter().copied().min_by_key(|known| known.abs_diff(baud.value)).map(|n| n.to_string());
                let known = vec![
                    "1200", "2400", "4800", "9600", "14400", "19200", "28800", "38400", "57600", "76800", "115200",
                    "230400", "460800", "921600",
                ];
                report.wrong(
                    baud.place,
                    item.key("baud"),
                    Wrong::NotOneOf { value: baud.value.to_string(), near: nearest, known },
                );
                19_200
            }
            Some(baud) => u32::try_from(baud.value).unwrap_or(19_200),
            None => 19_200,
        };
        let parity = match word(item, "parity", &["none", "even", "odd"], report) {
            Some("none") => Parity::None,
            Some("odd") => Parity::Odd,
            _ => Parity::Even,
        };
        let otherwise = if parity == Parity::None { 2 } else { 1 };
        let stop_bits = item.take::<u32>("stop_bits", report);
        let stop_bits = within(stop_bits, otherwise, 1, 2, &item.key("stop_bits"), report);
        Self { baud, parity, stop_bits: u8::try_from(stop_bits).unwrap_or(1) }
    }
}

/// Longest time a line is listened to before the agent speaks.
const LONGEST_LISTEN: Duration = Duration::from_secs(600);

/// Whether the line is only listened to, and for how long before the agent speaks.
fn listen(item: &mut Item<'_>, kind: Option<&str>, report: &mut Report) -> (bool, Duration) {
    for key in ["listen", "listen_first"] {
        meaningless(item, key, kind, &["serial"], report);
    }
    let only = item.take::<bool>("listen", report).is_some_and(|only| only.value);
    let first = item.take::<Duration>("listen_first", report);
    if let Some(first) = &first {
        if only {
            let mend = "remove it; such a link never speaks".to_string();
            let wrong = Wrong::KeyHasNoMeaning { key: "listen_first", of: "a link with listen = true".into(), mend };
            report.wrong(first.place, item.key("listen_first"), wrong);
        } else if first.value > LONGEST_LISTEN {
            let value = crate::config::reader::written(first.value);
            let wrong = Wrong::OutOfRange { value, low: "0s".into(), high: "10m".into() };
            report.wrong(first.place, item.key("listen_first"), wrong);
        }
    }
    (only, first.map_or(Duration::from_secs(10), |first| first.value.min(LONGEST_LISTEN)))
}

/// Notes a key that another kind of link has, not this one.
pub(super) fn meaningless(item: &Item<'_>, key: &'static str, kind: Option<&str>, kinds: &[&str], report: &mut Report) {
    if let Some(kind) = kind.filter(|kind| !kinds.contains(kind) && item.has(key)) {
        let wrong = Wrong::KeyHasNoMeaning {
            key,
            of: format!("a {kind} link"),
            mend: format!("remove it; it belongs to {}", kinds.join(" and ")),
        };
        report.wrong(item.place_of(key), item.key(key), wrong);
    }
}

/// A number inside its bounds, or what holds when it is missing or noted as wrong.
pub(crate) fn within(
    value: Option<Located<u32>>,
    otherwise: u32,
    low: u32,
    high: u32,
    key: &str,
    report: &mut Report,
) -> u32 {
    match value {
        Some(value) if (low..=high).contains(&value.value) => value.value,
        Some(value) => {
            let wrong =
                Wrong::OutOfRange { value: value.value.to_string(), low: low.to_string(), high: high.to_string() };
            report.wrong(value.place, key, wrong);
            otherwise
        }
        None => otherwise,
    }
}

/// One of several words.
pub(crate) fn word(
    item: &mut Item<'_>,
    key: &'static str,
    known: &[&'static str],
    report: &mut Report,
) -> Option<&'static str> {
    let value = item.take::<String>(key, report)?;
    let found = known.iter().find(|word| **word == value.value).copied();
    if found.is_none() {
        let near = nearest(&value.value, known.iter().copied());
        report.wrong(value.place, item.key(key), Wrong::NotOneOf { value: value.value, near, known: known.to_vec() });
    }
    found
}
