//! The power distribution put together: every tier behind what feeds it, two sides really on two sides, meters there.
//!
//! Patterns: an item whose meter has `{name}` in its path makes one tier for each meter that fits; a rack's pattern is laid
//! over the names of what feeds it. A tier is fed by a tier of a higher kind, so that there can be no circle. What follows
//! from the topology as derived points stands in `follow`. Never panics.

mod follow;

use crate::config::items::derived::DerivedItem;
use crate::config::items::tier::TierItem;
use crate::config::mistake::Report;
use crate::config::pattern::{Captures, Pattern, fill};
use crate::config::reader::nearest;
use crate::config::wrong::{OfDerived, OfTiers, Wrong};
use crate::plan::topology::{Tier, TierKind, Topology};

use super::{Parts, Points};

/// upsOutputSource "battery" (RFC 1628 §4.4).
const ON_BATTERY: i64 = 5;

/// The topology with the item each tier comes from.
pub(crate) struct Built<'p> {
    pub(crate) topology: Topology,
    pub(crate) items: Vec<&'p TierItem>,
    /// Paths of derived points that are written one by one.
    pub(crate) derived: Vec<&'p str>,
}

/// Builds the topology and gives the derived points that follow from it.
pub(crate) fn build(parts: &Parts, points: &Points, report: &mut Report) -> (Topology, Vec<DerivedItem>) {
    let derived = parts.derived.iter().map(|item| item.path.value.as_str()).collect();
    let mut built = Built { topology: Topology::default(), items: Vec::new(), derived };
    for kind in TierKind::ALL {
        for item in parts.tiers.iter().filter(|item| item.kind == kind) {
            for captures in matches(item, parts, &built, points, report) {
                add(item, &captures, &mut built, report);
            }
        }
    }
    for at in meters(parts, &built, points, report) {
        built.topology.tiers[at].meter = None; // nothing follows from a meter that is not there
    }
    for at in sources(parts, &built, points, report) {
        built.topology.tiers[at].source_state = None;
    }
    named(parts, &built, points, report);
    sides(&built, report);
    let follows = if built.topology.tiers.is_empty() { Vec::new() } else { follow::points(&built, points, report) };
    (built.topology, follows)
}

/// The tiers an item makes, by what its pattern captured.
fn matches(item: &TierItem, parts: &Parts, built: &Built<'_>, points: &Points, report: &mut Report) -> Vec<Captures> {
    if !item.name.value.contains(['{', '*']) {
        return vec![Captures::new()];
    }
    let is_rack = item.kind == TierKind::Rack;
    let (key, driver) = if is_rack { ("fed_by", item.fed_by.first()) } else { ("meter", item.meter.as_ref()) };
    let Some(driver) = driver else {
        let wrong = OfDerived::NotCaptured { name: item.name.value.clone() };
        report.wrong(item.name.place, format!("{}.name", item.label), wrong);
        return Vec::new();
    };
    let laid = if is_rack { driver.value.clone() } else { format!("{}/l1/current", driver.value) };
    let (name, pattern) = match (Pattern::parse(&item.name.value), Pattern::parse(&laid)) {
        (Ok(name), Ok(pattern)) => (name, pattern),
        (Err(wrong), _) => {
            report.wrong(item.name.place, format!("{}.name", item.label), wrong);
            return Vec::new();
        }
        (_, Err(wrong)) => {
            report.wrong(driver.place, format!("{}.{key}", item.label), wrong);
            return Vec::new();
        }
    };
    if let Some(missing) = name.names().iter().find(|name| !pattern.names().contains(name)) {
        let wrong = OfDerived::NotCaptured { name: missing.clone() };
        report.wrong(item.name.place, format!("{}.name", item.label), wrong);
        return Vec::new();
    }
    let found: Vec<Captures> = if is_rack {
        built.topology.tiers.iter().filter_map(|tier| pattern.matches(&tier.name)).collect()
    } else {
        points.drafts.iter().filter_map(|draft| pattern.matches(&draft.point.path)).collect()
    };
    if found.is_empty() {
        let near = if is_rack { None } else { points.nearest(&laid) };
        let wrong = Wrong::NothingMatches { pattern: laid, near, incomplete: parts.incomplete };
        report.wrong(driver.place, format!("{}.{key}", item.label), wrong);
    }
    found
}

fn add<'p>(item: &'p TierItem, captures: &Captures, built: &mut Built<'p>, report: &mut Report) {
    let name = fill(&item.name.value, captures);
    let key = |key: &str| format!("{}.{key}", item.label);
    if let Some(first) = built.topology.tiers.iter().find(|tier| tier.name == name) {
        let wrong = Wrong::Duplicate { what: "tier", name, first: format!("a {}", first.kind.words()) };
        report.wrong(item.name.place, key("name"), wrong);
        return;
    }
    let mut fed_by = Vec::new();
    for written in &item.fed_by {
        let feeder = fill(&written.value, captures);
        let known = built.topology.tiers.iter().position(|tier| tier.name == feeder);
        match known {
            Some(at) if built.topology.tiers[at].kind < item.kind => fed_by.push(at),
            Some(at) => {
                let wrong = OfTiers::FeederNotAbove { name: feeder, kind: built.topology.tiers[at].kind.words() };
                report.wrong(written.place, key("fed_by"), wrong);
            }
            None => {
                let near = nearest(&feeder, built.topology.tiers.iter().map(|tier| tier.name.as_str()));
                report.wrong(written.place, key("fed_by"), OfTiers::UnknownFeeder { name: feeder, near });
            }
        }
    }
    let side = match item.kind {
        TierKind::Busway => item.side.as_ref().map(|side| side.value),
        TierKind::Main | TierKind::Rack => None,
        TierKind::Tapoff | TierKind::Pdu => fed_by.first().and_then(|at| built.topology.side(*at)),
    };
    let rating_a = item.rating_a.as_ref().map_or(0.0, |rating| rating.value);
    if let (Some(rating), Some(above)) = (&item.rating_a, fed_by.first().map(|at| &built.topology.tiers[*at]))
        && above.rating_a > 0.0
        && rating.value > above.rating_a
    {
        let wrong = OfTiers::RatingAboveFeeder {
            name: name.clone(),
            rating: rating.value.to_string(),
            feeder: above.called(),
            above: above.rating_a.to_string(),
        };
        report.finding(rating.place, key("rating_a"), wrong);
    }
    built.topology.tiers.push(Tier {
        kind: item.kind,
        name,
        side,
        fed_by,
        rating_a,
        limit: item.limit,
        phases: item.phases,
        meter: item.meter.as_ref().map(|meter| fill(&meter.value, captures)),
        tag: item.tag.as_ref().map(|tag| fill(tag, captures)),
        source_kw: item.source_kw,
        source_state: item.source_state.as_ref().map(|point| fill(&point.value, captures)),
    });
    built.items.push(item);
}

/// Meters have a current in A on each phase; tiers without one, and what feeds nothing, are named. Gives those whose meter
/// is not there.
fn meters(parts: &Parts, built: &Built<'_>, points: &Points, report: &mut Report) -> Vec<usize> {
    let mut missing = Vec::new();
    let mut unmetered: Vec<(&TierItem, Vec<&str>)> = Vec::new();
    for (at, (tier, item)) in built.topology.tiers.iter().zip(&built.items).enumerate() {
        if tier.kind != TierKind::Rack && built.topology.feeds(at).next().is_none() {
            report.finding(item.place, item.label.clone(), OfTiers::FeedsNothing { name: tier.called() });
        }
        let (Some(prefix), Some(written)) = (&tier.meter, &item.meter) else {
            if tier.kind != TierKind::Rack {
                match unmetered.iter_mut().find(|(known, _)| std::ptr::eq(*known, *item)) {
                    Some((_, names)) => names.push(&tier.name),
                    None => unmetered.push((item, vec![&tier.name])),
                }
            }
            continue;
        };
        if let Err(wrong) = meter(parts, prefix, tier.phases, points) {
            report.wrong(written.place, format!("{}.meter", item.label), wrong);
            missing.push(at);
        }
    }
    for (item, names) in unmetered {
        let name = format!("{} {}", item.kind.words(), names.join(", "));
        report.finding(item.place, format!("{}.meter", item.label), OfTiers::Unmetered { name });
    }
    missing
}

/// What tells the source of a UPS is there and can say that it is its battery. Gives those whose point cannot.
fn sources(parts: &Parts, built: &Built<'_>, points: &Points, report: &mut Report) -> Vec<usize> {
    let mut wrongs = Vec::new();
    for (at, (tier, item)) in built.topology.tiers.iter().zip(&built.items).enumerate() {
        let (Some(path), Some(written)) = (&tier.source_state, &item.source_state) else { continue };
        let wrong = match points.find(path).map(|at| &points.drafts[at].point) {
            Some(point) if point.states.iter().any(|(number, _)| *number == ON_BATTERY) => continue,
            Some(_) => OfTiers::NotASource { point: path.clone() }.into(),
            None => {
                let near = points.nearest(path);
                Wrong::UnknownPoint { path: path.clone(), near, incomplete: parts.incomplete }
            }
        };
        report.wrong(written.place, format!("{}.source_state", item.label), wrong);
        wrongs.push(at);
    }
    wrongs
}

/// Points that items name one by one are there.
fn named(parts: &Parts, built: &Built<'_>, points: &Points, report: &mut Report) {
    for item in &parts.tiers {
        let also = item.also.iter().map(|path| ("also", path));
        for (key, path) in also.chain(item.main.cooling_load.iter().map(|path| ("cooling_load", path))) {
            if points.find(&path.value).is_none() && !built.derived.contains(&path.value.as_str()) {
                let near = points.nearest(&path.value);
                let near = near.or_else(|| nearest(&path.value, built.derived.iter().copied()));
                let wrong = Wrong::UnknownPoint { path: path.value.clone(), near, incomplete: parts.incomplete };
                report.wrong(path.place, format!("{}.{key}", item.label), wrong);
            }
        }
    }
}

fn meter(parts: &Parts, prefix: &str, phases: u8, points: &Points) -> Result<(), Wrong> {
    for path in phase_paths(prefix, phases, "current") {
        let Some(at) = points.find(&path) else {
            let near = points.nearest(&path);
            return Err(Wrong::UnknownPoint { path, near, incomplete: parts.incomplete });
        };
        let known = points.drafts[at].unit;
        if let Some(unit) = known.filter(|unit| unit.dimension() != lapwing_protocol::Dimension::Current) {
            return Err(OfTiers::MeterUnit { point: path, unit: unit.code().to_string() }.into());
        }
    }
    Ok(())
}

/// Paths of a quantity on each phase: `busway/a1/l1/current` …
fn phase_paths(prefix: &str, phases: u8, quantity: &str) -> Vec<String> {
    (1..=phases).map(|phase| format!("{prefix}/l{phase}/{quantity}")).collect()
}

/// Dual-corded racks hang on both sides, single-corded ones on one.
fn sides(built: &Built<'_>, report: &mut Report) {
    for rack in built.topology.of(TierKind::Rack) {
        let (tier, item) = (&built.topology.tiers[rack], built.items[rack]);
        if tier.fed_by.len() < item.fed_by.len() || tier.fed_by.is_empty() {
            continue; // told already
        }
        let of = |at: usize| &built.topology.tiers[at];
        let hangs = |at: &usize| built.topology.above(*at).any(|above| of(above).kind == TierKind::Main);
        let sideless = |at: &usize| of(*at).side.is_none() && built.topology.busway_of(*at).is_some();
        if tier.fed_by.iter().any(|at| sideless(at) || !hangs(at)) {
            continue; // told at the busway, or where the feeder is missing
        }
        let is_dual = built.topology.is_dual(rack);
        let place = item.fed_by.first().map_or(item.place, |feeder| feeder.place);
        let wrong = match (is_dual, item.single) {
            (true, false) | (false, true) => continue,
            (false, false) => {
                let on: Vec<String> = tier.fed_by.iter().map(|at| built.topology.tiers[*at].called()).collect();
                OfTiers::NotTwoSides { rack: tier.name.clone(), on: on.join(" and ") }
            }
            (true, true) => OfTiers::NotSingle { rack: tier.name.clone() },
        };
        report.wrong(place, format!("{}.fed_by", item.label), wrong);
    }
}
