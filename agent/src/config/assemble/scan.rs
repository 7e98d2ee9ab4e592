//! Field points in scan order, and the transactions that bring them.
//!
//! Each device's map is laid under its prefix, its addresses turned into wire addresses, and handed to the poll planner;
//! points then stand in the order of transactions and, within one, of the answer. A point's scan period is that of its
//! transaction, never shorter than the device allows. When the scans begin is `pace`'s. Never panics.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use lapwing_engine::spec::{PointSpec, Span};

use crate::config::address::of_bits;
use crate::config::items::device::{DeviceItem, wire_register};
use crate::config::items::point::{PointItem, PointSource};
use crate::config::mistake::Report;
use crate::config::units;
use crate::config::wrong::Wrong;
use crate::field::planner::{Forbidden, Item, Limits, Line, MOST_BITS, Unplannable, best_reads, plan_reads};
use crate::plan::{Ask, Point, Transaction};

use super::variables::Variables;
use super::wiring::{Carrier, Wiring, max_age_ms};
use super::{Draft, Parts, Points, index};

/// Adds every field point, in scan order, and gives the transactions; notes at each device how far its plan is proved.
pub(crate) fn scan(
    parts: &Parts,
    wiring: &mut Wiring<'_>,
    points: &mut Points,
    report: &mut Report,
) -> Vec<Transaction> {
    let mut transactions = Vec::new();
    for (device, (item, carrier)) in wiring.items.iter().enumerate() {
        let Some(map) = item.map.as_ref().and_then(|name| parts.maps.get(&name.value)) else { continue };
        let timeout = wiring.devices[device].timeout;
        let draft = |point: &PointItem, period| draft(point, item, index(device), timeout, period);
        let mut taken = Vec::new();
        let mut fresh: Vec<&PointItem> = Vec::new();
        let mut seen: BTreeSet<&str> = BTreeSet::new();
        for point in map {
            let path = path(point, item);
            if path.starts_with("agent/") {
                report.wrong(
                    point.path.place,
                    format!("{}.path", point.label),
                    Wrong::ReservedPath { path: path.clone() },
                );
            }
            match points.find(&path) {
                Some(first) => taken.push((point, path, points.drafts[first].origin.clone())),
                None if !seen.insert(&point.path.value) => {
                    taken.push((point, path, format!("device `{}`", item.name.value)));
                }
                None => fresh.push(point),
            }
        }
        tell_taken(&taken, item, report);
        held_back(&fresh, item, report);
        let (turnaround, listens) =
            (wiring.devices[device].turnaround, wiring.links[wiring.devices[device].link as usize].listen);
        let (asks, above_least_ppm) = asks(&fresh, item, *carrier, turnaround, listens, report);
        wiring.devices[device].above_least_ppm = above_least_ppm;
        let mut read = vec![false; fresh.len()];
        for (period, ask, keys) in asks {
            let mut span = Span { first: index(points.drafts.len()), count: 0 };
            for key in keys {
                let at = key as usize;
                if points.add(draft(fresh[at], period)).is_ok() {
                    span.count += 1;
                }
                read[at] = true;
            }
            transactions.push(Transaction { device: index(device), period, phase: Duration::ZERO, ask, points: span });
        }
        // Points that cannot be read (told already) keep their paths, so that alarms on them are not told as well.
        for (point, _) in fresh.iter().zip(&read).filter(|(_, read)| !**read) {
            let _known = points.add(draft(point, point.scan_period));
        }
    }
    for item in &wiring.adrift {
        let map = item.map.as_ref().and_then(|name| parts.maps.get(&name.value));
        for point in map.into_iter().flatten() {
            let _known = points.add(draft(point, item, 0, Duration::ZERO, point.scan_period));
        }
    }
    transactions
}

fn path(point: &PointItem, device: &DeviceItem) -> String {
    match &device.prefix {
        Some(prefix) => format!("{}/{}", prefix.value, point.path.value),
        None => point.path.value.clone(),
    }
}

fn draft(point: &PointItem, device: &DeviceItem, number: u32, timeout: Duration, scan_period: Duration) -> Draft {
    let exponent = point.exponent.unwrap_or(0);
    let decimal = |value: i64| lapwing_protocol::Decimal::new(value, exponent);
    Draft {
        point: Point {
            path: path(point, device),
            quantity: point.quantity.name().to_string(),
            unit: point.unit.unwrap_or_else(units::one).code().to_string(),
            exponent,
            scan_period,
            valid: point.valid.map(|(low, high)| (decimal(low), decimal(high))),
            device: Some(number),
            tag: point.tag.as_ref().or(device.tag.as_ref()).cloned(),
            location: super::label::place(device.location.as_deref(), point.location.as_deref()),
            response: point.response,
            refresh: point.refresh,
            states: point.states.clone().unwrap_or_default(),
            state_texts: Vec::new(),
            noise: point.noise.map(decimal),
            role: point.role,
        },
        spec: PointSpec {
            decode: point.decode,
            exponent,
            valid: point.valid,
            sure: point.sure,
            rate_max: point.rate_max,
            max_age_ms: max_age_ms(scan_period, timeout),
            ..PointSpec::default()
        },
        unit: point.unit,
        exponent: point.exponent,
        has_states: point.states.is_some(),
        absent: point.absent.clone(),
        origin: format!("device `{}`", device.name.value),
    }
}

/// Tells about paths that exist already: at the point if its own map has it twice, else once for the whole device.
fn tell_taken(taken: &[(&PointItem, String, String)], device: &DeviceItem, report: &mut Report) {
    let own = format!("device `{}`", device.name.value);
    let (within, between): (Vec<_>, Vec<_>) = taken.iter().partition(|(_, _, first)| *first == own);
    for (point, path, _) in within {
        let wrong = Wrong::DuplicatePath { path: path.clone(), first: "in the same map".into() };
        report.wrong(point.path.place, format!("{}.path", point.label), wrong);
    }
    if let Some((_, path, first)) = between.first() {
        let key = if device.prefix.is_some() { "prefix" } else { "map" };
        let place = device.prefix.as_ref().or(device.map.as_ref()).map_or(device.place, |text| text.place);
        let wrong = Wrong::DuplicatePaths {
            device: device.name.value.clone(),
            count: between.len(),
            path: path.clone(),
            first: first.clone(),
        };
        report.wrong(place, format!("{}.{key}", device.label), wrong);
    }
}

/// Questions of one device: period, question, and the points it brings, by their number in `points`.
pub(super) type Asks = Vec<(Duration, Ask, Vec<u32>)>;

fn asks(
    points: &[&PointItem],
    device: &DeviceItem,
    carrier: Carrier,
    turnaround: Duration,
    listens: bool,
    report: &mut Report,
) -> (Asks, u32) {
    let mut groups = Groups::default();
    let (mut items, mut variables) = (Vec::new(), Variables::default());
    let mut resources: BTreeMap<(Duration, String), (Vec<String>, Vec<u32>)> = BTreeMap::new();
    let mut foreign = None;
    for (key, point) in (0..).zip(points) {
        let group = groups.number(point);
        match (&point.source, carrier) {
            (None, _) | (_, Carrier::Unknown) => {}
            (Some(PointSource::Oid { oid, choice }), Carrier::Snmp) => {
                variables.add(key, oid, choice, period(point, device), point.quantity, group);
            }
            (Some(PointSource::Register { .. }), Carrier::Network | Carrier::Line { .. }) => {
                items.extend(item(point, device, key, group, report));
            }
            (Some(PointSource::Redfish { resource, pointer }), Carrier::Redfish) => {
                let at = (period(point, device), resource.clone());
                let (pointers, keys): &mut (Vec<String>, Vec<u32>) = resources.entry(at).or_default();
                pointers.push(pointer.clone());
                keys.push(key);
            }
            (Some(source), carrier) => foreign = Some((source_word(source), carrier_word(carrier))),
        }
    }
    if let (Some((found, link)), Some(map)) = (foreign, &device.map) {
        report.wrong(
            map.place,
            format!("{}.map", device.label),
            Wrong::OtherSource { found, device: device.name.value.clone(), link },
        );
    }
    let mut above_least_ppm = 0;
    let planned = if listens {
        each_alone(&items, &limits(device, carrier, turnaround))
    } else if carrier == Carrier::Snmp {
        variables.plan()
    } else if carrier == Carrier::Redfish {
        // A resource comes whole: all its points of one period share a GET.
        let asks = resources.into_iter();
        Ok(asks
            .map(|((period, resource), (pointers, keys))| (period, Ask::Redfish { resource, pointers }, keys))
            .collect())
    } else {
        best_reads(&items, &limits(device, carrier, turnaround)).map(|reads| {
            above_least_ppm = reads.above_least_ppm;
            reads
                .blocks
                .iter()
                .map(|block| (block.period, block.ask(), block.entries.iter().map(|(key, _)| *key).collect()))
                .collect()
        })
    };
    let asks = planned.unwrap_or_else(|mistakes| {
        for mistake in mistakes {
            if let Some(point) = points.get(mistake.key() as usize) {
                tell(point, mistake, report);
            }
        }
        Vec::new()
    });
    (asks, above_least_ppm)
}

const fn source_word(source: &PointSource) -> &'static str {
    match source {
        PointSource::Register { .. } => "registers",
        PointSource::Oid { .. } => "OIDs",
        PointSource::Redfish { .. } => "Redfish resources",
    }
}

const fn carrier_word(carrier: Carrier) -> &'static str {
    match carrier {
        Carrier::Network | Carrier::Line { .. } | Carrier::Unknown => "Modbus",
        Carrier::Snmp => "SNMP",
        Carrier::Redfish => "Redfish",
    }
}

/// Where another master asks, nobody knows what it reads together: each point, or group, stands alone, so that any
/// answer that holds it whole brings it.
fn each_alone(items: &[Item], limits: &Limits) -> Result<Asks, Vec<Unplannable>> {
    let (mut asks, mut mistakes) = (Asks::new(), Vec::new());
    for (at, first) in items.iter().enumerate() {
        let same = |other: &Item| other.key == first.key || (first.group.is_some() && other.group == first.group);
        if items.iter().position(same) != Some(at) {
            continue; // its group was planned with its first point
        }
        let together: Vec<Item> = items.iter().filter(|other| same(other)).cloned().collect();
        match plan_reads(&together, limits) {
            Ok(blocks) => asks.extend(
                blocks
                    .iter()
                    .map(|block| (block.period, block.ask(), block.entries.iter().map(|(key, _)| *key).collect())),
            ),
            Err(more) => mistakes.extend(more),
        }
    }
    if mistakes.is_empty() { Ok(asks) } else { Err(mistakes) }
}

fn item(point: &PointItem, device: &DeviceItem, key: u32, group: Option<u32>, report: &mut Report) -> Option<Item> {
    let Some(PointSource::Register { register, words, scale_from }) = &point.source else { return None };
    let mut wire = |text: &crate::config::source::Located<String>, words, what, name: &str| {
        // What is no register at all was told when the map was read; the report says each thing once.
        wire_register(&text.value, words, device.base, what)
            .map_err(|wrong| report.wrong(text.place, format!("{}.{name}", point.label), wrong))
            .ok()
    };
    let (table, address) = wire(register, *words, "the value", "register")?;
    let scale_factor = match scale_from {
        Some(text) => Some(wire(text, 1, "the scale factor", "scale_from")?.1),
        None => None,
    };
    let words = if of_bits(table) { 0 } else { *words };
    Some(Item { key, table, address, words, scale_factor, period: period(point, device), group })
}

/// How often a point is to be read: as asked, but never more often than its device allows.
fn period(point: &PointItem, device: &DeviceItem) -> Duration {
    point.scan_period.max(device.min_interval.unwrap_or_default())
}

/// Tells about points that ask for more than their device allows.
fn held_back(points: &[&PointItem], device: &DeviceItem, report: &mut Report) {
    let least = device.min_interval.unwrap_or_default();
    let held: Vec<_> = points.iter().filter(|point| point.scan_period < least).collect();
    if let Some(first) = held.first() {
        let wrong = Wrong::ScanHeldBack {
            device: device.name.value.clone(),
            count: held.len(),
            path: path(first, device),
            least: crate::config::reader::written(least),
        };
        report.finding(device.place, format!("{}.min_interval_ms", device.label), wrong);
    }
}

fn limits(device: &DeviceItem, carrier: Carrier, turnaround: Duration) -> Limits {
    let line = match carrier {
        Carrier::Line { baud, bits } => Line::Serial { baud, bits },
        Carrier::Network | Carrier::Snmp | Carrier::Redfish | Carrier::Unknown => Line::Network,
    };
    let forbid = device
        .forbid
        .iter()
        .map(|(table, first, last)| Forbidden { table: *table, first: *first, last: *last })
        .collect();
    // A device that gives few registers gives as few bytes of bits.
    let max_bits = device.max_registers.saturating_mul(16).min(MOST_BITS);
    Limits { max_registers: device.max_registers, max_bits, forbid, ..Limits::of(line.cost(turnaround, device.pause)) }
}

fn tell(point: &PointItem, mistake: Unplannable, report: &mut Report) {
    let (register, factor) = match &point.source {
        Some(PointSource::Register { register, scale_from, .. }) => (Some(register), scale_from.as_ref()),
        _ => (None, None),
    };
    let name = register.map_or_else(String::new, |register| register.value.clone());
    let place = register.map_or(point.place, |register| register.place);
    let (place, key, wrong) = match (mistake, &point.group, factor) {
        (Unplannable::TooWide { allowed, .. }, _, Some(factor)) => (
            factor.place,
            "scale_from",
            Wrong::ScaleTooFar { factor: factor.value.clone(), register: name, most: allowed },
        ),
        (Unplannable::TooWide { .. } | Unplannable::MixedGroup { .. }, Some(group), _) => {
            (group.place, "group", Wrong::GroupTooWide { group: group.value.clone(), why: mistake.to_string() })
        }
        (Unplannable::Forbidden { .. }, _, _) => (place, "register", Wrong::ReadsForbidden { register: name }),
        (mistake, _, _) => (place, "register", Wrong::BadRegister { register: name, why: mistake.to_string() }),
    };
    report.wrong(place, format!("{}.{key}", point.label), wrong);
}

/// Numbers for the groups of one device.
#[derive(Debug, Default)]
struct Groups(BTreeMap<String, u32>);

impl Groups {
    fn number(&mut self, point: &PointItem) -> Option<u32> {
        let name = point.group.as_ref()?;
        let next = index(self.0.len());
        Some(*self.0.entry(name.value.clone()).or_insert(next))
    }
}
