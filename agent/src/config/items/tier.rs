//! One tier of the power distribution: `[[main]]`, `[[busway]]`, `[[tapoff]]`, `[[pdu]]` or `[[rack]]`.
//!
//! One item may make many tiers by a pattern in its meter's path (a rack's in what feeds it). Which tiers and points the
//! names mean is judged in `assemble::topology`. Never panics.

use lapwing_protocol::Decimal;

use crate::config::mistake::Report;
use crate::config::reader::{Item, OneOrMany};
use crate::config::source::{Located, Place};
use crate::config::wrong::{OfTiers, Wrong};
use crate::plan::topology::{Side, TierKind};

use super::link::word;

/// Part of the rating a breaker may carry for hours unless the configuration says otherwise (NEC 210.20(A), 215.3).
const LIMIT: f64 = 0.8;
/// Nominal voltage to neutral unless configured (IEC 60038).
const VOLTAGE_V: f64 = 230.0;

/// A tier as written.
#[derive(Clone, Debug)]
pub(crate) struct TierItem {
    pub(crate) kind: TierKind,
    pub(crate) name: Located<String>,
    pub(crate) label: String,
    pub(crate) place: Place,
    pub(crate) fed_by: Vec<Located<String>>,
    pub(crate) side: Option<Located<Side>>,
    pub(crate) rating_a: Option<Located<f64>>,
    pub(crate) limit: f64,
    pub(crate) phases: u8,
    pub(crate) meter: Option<Located<String>>,
    pub(crate) source_kw: Option<f64>,
    /// A busway's: the point that tells what feeds its UPS.
    pub(crate) source_state: Option<Located<String>>,
    /// Power points of what it (a main) or its source (a busway's) feeds beside the tiers.
    pub(crate) also: Vec<Located<String>>,
    /// A rack with one side only, on purpose.
    pub(crate) single: bool,
    /// A rack's label.
    pub(crate) tag: Option<String>,
    pub(crate) main: MainItem,
}

/// What only a main has.
#[derive(Clone, Debug, Default)]
pub(crate) struct MainItem {
    pub(crate) voltage_v: f64,
    pub(crate) power_factor: Option<f64>,
    pub(crate) cooling_kw: Option<f64>,
    pub(crate) cooling_load: Option<Located<String>>,
    /// Of what stands between its meter and those below.
    pub(crate) efficiency: f64,
    /// What each kW added in a rack draws at its meter.
    pub(crate) draws_per_kw: f64,
}

/// Reads one tier of a kind.
pub(crate) fn read(kind: TierKind, mut item: Item<'_>, report: &mut Report) -> Option<TierItem> {
    let name = item.need::<String>("name", report);
    let is_main = kind == TierKind::Main;
    let fed_by = if is_main { None } else { item.need::<OneOrMany>("fed_by", report) };
    let mut fed_by = fed_by.map_or_else(Vec::new, |list| list.value.0);
    if kind != TierKind::Rack && fed_by.len() > 1 {
        report.wrong(item.place_of("fed_by"), item.key("fed_by"), OfTiers::SeveralFeeders { kind: kind.words() });
        fed_by.truncate(1);
    }
    let side = (kind == TierKind::Busway).then(|| {
        if !item.has("side") {
            report.wrong(item.place, item.key("side"), Wrong::MissingKey { key: "side", example: "\"a\"" });
        }
        let place = item.place_of("side");
        word(&mut item, "side", SIDES, report).map(|word| {
            let value = if word == "a" { Side::A } else { Side::B };
            Located { value, place }
        })
    });
    let is_rack = kind == TierKind::Rack;
    let single = is_rack && word(&mut item, "cords", CORDS, report) == Some("single");
    let tag = is_rack.then(|| item.take::<String>("tag", report)).flatten().map(|tag| tag.value);
    let (mut rating_a, mut limit, mut phases, mut meter) = (None, LIMIT, 3, None);
    if !is_rack {
        if !item.has("rating_a") {
            let wrong = Wrong::MissingKey { key: "rating_a", example: "250" };
            report.wrong(item.place, item.key("rating_a"), wrong);
        }
        let place = item.place_of("rating_a");
        rating_a = number(&mut item, "rating_a", (0.1, 10_000.0), report).map(|value| Located { value, place });
        limit = number(&mut item, "limit", (0.1, 1.0), report).unwrap_or(LIMIT);
        meter = item.take::<String>("meter", report);
    }
    if matches!(kind, TierKind::Tapoff | TierKind::Pdu) {
        phases = match item.take::<u8>("phases", report) {
            Some(Located { value: 1, .. }) => 1,
            Some(Located { value: 3, .. }) | None => 3,
            Some(other) => {
                let wrong =
                    Wrong::OutOfRange { value: other.value.to_string(), low: "1".into(), high: "3, not 2".into() };
                report.wrong(other.place, item.key("phases"), wrong);
                3
            }
        };
    }
    let has_source = matches!(kind, TierKind::Main | TierKind::Busway);
    let source_kw = has_source.then(|| number(&mut item, "source_kw", (0.1, 100_000.0), report)).flatten();
    let source_state = (kind == TierKind::Busway).then(|| item.take::<String>("source_state", report)).flatten();
    let also = has_source.then(|| item.take::<OneOrMany>("also", report)).flatten();
    let also = also.map_or_else(Vec::new, |list| list.value.0);
    let main = if is_main { read_main(&mut item, report) } else { MainItem::default() };
    let (label, place) = (item.label.clone(), item.place);
    item.close(report);
    let name = name?;
    let side = side.flatten();
    Some(TierItem {
        kind,
        name,
        label,
        place,
        fed_by,
        side,
        rating_a,
        limit,
        phases,
        meter,
        source_kw,
        source_state,
        also,
        single,
        tag,
        main,
    })
}

pub(crate) const SIDES: &[&str] = &["a", "b"];
pub(crate) const CORDS: &[&str] = &["dual", "single"];

fn read_main(item: &mut Item<'_>, report: &mut Report) -> MainItem {
    let cooling_kw = number(item, "cooling_kw", (0.1, 100_000.0), report);
    let cooling_load = item.take::<String>("cooling_load", report);
    for (there, key, other) in [
        (cooling_kw.is_some(), "cooling_load", cooling_load.is_some()),
        (cooling_load.is_some(), "cooling_kw", cooling_kw.is_some()),
    ] {
        if there && !other && !item.has(key) {
            report.wrong(item.place, item.key(key), Wrong::MissingKey { key, example: "…" });
        }
    }
    let efficiency = number(item, "efficiency", (0.5, 1.0), report).unwrap_or(1.0);
    MainItem {
        voltage_v: number(item, "voltage_v", (50.0, 1000.0), report).unwrap_or(VOLTAGE_V),
        power_factor: number(item, "power_factor", (0.1, 1.0), report),
        cooling_kw,
        cooling_load,
        efficiency,
        draws_per_kw: number(item, "draws_per_kw", (1.0, 10.0), report).unwrap_or(1.0 / efficiency),
    }
}

fn number(item: &mut Item<'_>, key: &'static str, (low, high): (f64, f64), report: &mut Report) -> Option<f64> {
    let written = item.take::<Decimal>(key, report)?;
    let value = written.value.to_f64();
    if value >= low && value <= high {
        return Some(value);
    }
    let wrong = Wrong::OutOfRange { value: written.value.to_string(), low: low.to_string(), high: high.to_string() };
    report.wrong(written.place, item.key(key), wrong);
    None
}
