//! Derived points: patterns laid over the points, inputs found, units converted, and an order in which each needs only
//! points before it.
//!
//! A path with `{name}` makes one point for each way in which an input that captures all its names fits the points; the
//! other inputs are then those of the same names. Patterns may fit derived points too: an item waits until every item
//! whose path its inputs could mean has made its points. What waits for itself is a circle, a mistake that names its
//! members. A derived point is due as often as its fastest input. Never panics.

use std::time::Duration;

use lapwing_engine::spec::PointSpec;
use lapwing_protocol::{Decimal, Unit};

use crate::compute::{Argument, Function};
use crate::config::items::derived::DerivedItem;
use crate::config::mistake::Report;
use crate::config::pattern::{Captures, Pattern, fill};
use crate::config::source::Located;
use crate::config::units;
use crate::config::wrong::{OfDerived, Wrong};
use crate::plan::{Derived, Input, Point};

use super::{Draft, Points, index};

/// An item with what its inputs could mean.
struct Waiting<'p> {
    item: &'p DerivedItem,
    path: Pattern,
    /// Every path and pattern of its inputs.
    needs: Vec<Pattern>,
}

/// One point to be made: its path and the points of each argument, by index.
struct Made {
    path: String,
    captures: Captures,
    from: Vec<(&'static str, Vec<(usize, usize)>)>,
}

/// Adds every derived point and gives how each is computed, in an order that can be followed.
pub(crate) fn derive<'p>(
    items: impl Iterator<Item = &'p DerivedItem>,
    incomplete: bool,
    points: &mut Points,
    report: &mut Report,
) -> Vec<Derived> {
    let mut waiting: Vec<Waiting<'p>> = items.filter_map(Waiting::new).collect();
    let mut derived = Vec::new();
    // Each round takes every item whose inputs can all be there; what never becomes ready needs itself.
    loop {
        let is_open = |need: &Pattern| waiting.iter().any(|other| other.path.overlaps(need));
        let open: Vec<bool> = waiting.iter().map(|item| item.needs.iter().any(is_open)).collect();
        let (mut ready, mut rest) = (Vec::new(), Vec::new());
        for (item, open) in waiting.into_iter().zip(open) {
            if open { rest.push(item) } else { ready.push(item) }
        }
        if ready.is_empty() {
            waiting = rest;
            break;
        }
        let later: Vec<&str> = rest.iter().map(|item| item.item.path.value.as_str()).collect();
        for Waiting { item, path, .. } in &ready {
            for made in expand(item, path, points, &later, incomplete, report) {
                derived.extend(compute(item, &made, points, report));
            }
        }
        waiting = rest;
    }
    tell_circles(&waiting, report);
    for Waiting { item, path, .. } in waiting {
        if path.is_plain() {
            let _known = points.add(draft(item, item.path.value.clone(), &Captures::new(), Duration::from_secs(1), 0));
        }
    }
    derived
}

impl<'p> Waiting<'p> {
    /// `None` if a pattern of it cannot be read, which was told.
    fn new(item: &'p DerivedItem) -> Option<Self> {
        let path = Pattern::parse(&item.path.value).ok()?;
        let needs = item.from.iter().flat_map(|(_, paths)| paths).filter_map(|path| Pattern::parse(&path.value).ok());
        Some(Self { item, path, needs: needs.collect() })
    }
}

fn tell_circles(waiting: &[Waiting<'_>], report: &mut Report) {
    // Follow the first open input from the first open item: within as many steps as there are items one comes again.
    let Some(mut waits) = waiting.first() else { return };
    let mut walked: Vec<&str> = Vec::new();
    loop {
        let item = waits.item;
        if let Some(at) = walked.iter().position(|path| *path == item.path.value) {
            let mut circle = walked[at..].to_vec();
            circle.push(&item.path.value);
            report.wrong(
                item.path.place,
                format!("{}.from", item.label),
                OfDerived::Circle { circle: circle.join(" → ") },
            );
            return;
        }
        walked.push(&item.path.value);
        match waits.needs.iter().find_map(|need| waiting.iter().find(|other| other.path.overlaps(need))) {
            Some(next) => waits = next,
            None => return,
        }
    }
}

/// The points an item makes.
fn expand(
    item: &DerivedItem,
    path: &Pattern,
    points: &Points,
    later: &[&str],
    incomplete: bool,
    report: &mut Report,
) -> Vec<Made> {
    let names = path.names();
    let all = if names.is_empty() { vec![Captures::new()] } else { captured(item, &names, points, incomplete, report) };
    let mut made = Vec::new();
    for captures in all {
        let mut from = Vec::new();
        for (argument, written) in &item.from {
            let key = format!("{}.from.{argument}", item.label);
            let mut found = Vec::new();
            for (number, text) in written.iter().enumerate() {
                match meant(text, &captures, points, later, incomplete) {
                    Ok(list) => found.extend(list.into_iter().map(|at| (at, number))),
                    Err(wrong) => report.wrong(text.place, key.clone(), wrong),
                }
            }
            from.push((*argument, found));
        }
        made.push(Made { path: fill(&item.path.value, &captures), captures, from });
    }
    made
}

/// The different ways in which an input that captures all names fits the points, in scan order.
fn captured(
    item: &DerivedItem,
    names: &[String],
    points: &Points,
    incomplete: bool,
    report: &mut Report,
) -> Vec<Captures> {
    let texts = || item.from.iter().flat_map(|(argument, paths)| paths.iter().map(move |path| (*argument, path)));
    let parsed = texts().filter_map(|(argument, text)| Some((argument, text, Pattern::parse(&text.value).ok()?)));
    let patterns: Vec<(&str, &Located<String>, Pattern)> = parsed.collect();
    let drives = |pattern: &Pattern| names.iter().all(|name| pattern.names().contains(name));
    let Some((argument, text, pattern)) = patterns.iter().find(|(_, _, pattern)| drives(pattern)) else {
        let known: Vec<String> =
            patterns.iter().flat_map(|(_, _, pattern)| pattern.names()).map(|name| format!("{{{name}}}")).collect();
        let missing = names.iter().find(|name| !known.contains(&format!("{{{name}}}"))).unwrap_or(&names[0]);
        let wrong = OfDerived::NotCaptured { name: missing.clone() };
        report.wrong(item.path.place, format!("{}.path", item.label), wrong);
        return Vec::new();
    };
    let mut all: Vec<Captures> = Vec::new();
    for draft in points.drafts.iter().filter(|draft| !draft.point.path.starts_with("agent/")) {
        let Some(mut captures) = pattern.matches(&draft.point.path) else { continue };
        captures.retain(|(name, _)| names.contains(name));
        if !all.contains(&captures) {
            all.push(captures);
        }
    }
    if all.is_empty() {
        let wrong =
            Wrong::NothingMatches { pattern: text.value.clone(), near: points.nearest(&text.value), incomplete };
        report.wrong(text.place, format!("{}.from.{argument}", item.label), wrong);
    }
    all
}

/// The points one path or pattern of an input means.
fn meant(
    text: &Located<String>,
    captures: &Captures,
    points: &Points,
    later: &[&str],
    incomplete: bool,
) -> Result<Vec<usize>, Wrong> {
    let filled = fill(&text.value, captures);
    if !filled.contains(['{', '*']) {
        return points.find(&filled).map(|at| vec![at]).ok_or_else(|| {
            let near = points.nearest(&filled);
            let near = near.or_else(|| crate::config::reader::nearest(&filled, later.iter().copied()));
            Wrong::UnknownPoint { path: filled, near, incomplete }
        });
    }
    let pattern = Pattern::parse(&filled)?;
    if let Some(name) = pattern.names().first() {
        return Err(OfDerived::NotInPath { name: name.clone() }.into());
    }
    let fits = |(_, draft): &(usize, &Draft)| {
        !draft.point.path.starts_with("agent/") && pattern.matches(&draft.point.path).is_some()
    };
    let found: Vec<usize> = points.drafts.iter().enumerate().filter(fits).map(|(at, _)| at).collect();
    if found.is_empty() {
        return Err(Wrong::NothingMatches { near: points.nearest(&filled), pattern: filled, incomplete });
    }
    Ok(found)
}

fn compute(item: &DerivedItem, made: &Made, points: &mut Points, report: &mut Report) -> Option<Derived> {
    let key = format!("{}.path", item.label);
    if let Some(at) = points.find(&made.path) {
        let first = points.drafts[at].origin.clone();
        report.wrong(item.path.place, key, Wrong::DuplicatePath { path: made.path.clone(), first });
        return None;
    }
    if made.path.starts_with("agent/") {
        report.wrong(item.path.place, key, Wrong::ReservedPath { path: made.path.clone() });
        return None;
    }
    let mut from = Vec::new();
    let mut period: Option<Duration> = None;
    let mut age_ms = Some(0);
    // In the function's own order, whatever the order in the file.
    for argument in item.function.map_or(&[][..], |function| function.arguments) {
        let Some(wanted) = argument.unit() else { continue };
        for (at, number) in made.from.iter().filter(|(name, _)| *name == argument.name).flat_map(|(_, found)| found) {
            let input = &points.drafts[*at];
            period = Some(period.map_or(input.point.scan_period, |period| period.min(input.point.scan_period)));
            // What cannot age makes nothing age.
            age_ms = age_ms.filter(|_| input.spec.max_age_ms > 0).map(|age: u32| age.max(input.spec.max_age_ms));
            let Some(unit) = input.unit else { continue };
            match conversion(unit, wanted) {
                Some((factor, offset)) => from.push(Input {
                    argument: argument.name.to_string(),
                    in_list: argument.is_many(),
                    point: index(*at),
                    factor,
                    offset,
                }),
                None => {
                    let written = item.from.iter().find(|(name, _)| *name == argument.name);
                    let place = written.and_then(|(_, paths)| paths.get(*number)).map_or(item.path.place, |p| p.place);
                    let wrong = unit_mistake(item.function, argument, wanted, &input.point.path, unit);
                    report.wrong(place, format!("{}.from.{}", item.label, argument.name), wrong);
                }
            }
        }
    }
    let period = period.unwrap_or(Duration::from_secs(1)).max(item.every);
    let every_ms = u32::try_from(item.every.as_millis()).unwrap_or(u32::MAX);
    let age_ms = age_ms.filter(|age| *age > 0).map_or(0, |age| age.saturating_add(every_ms.saturating_mul(2)));
    let at = points.add(draft(item, made.path.clone(), &made.captures, period, age_ms)).ok()?;
    let with = item.with.iter().map(|(name, constant)| ((*name).to_string(), constant.clone())).collect();
    Some(Derived { point: index(at), compute: item.function?.name.to_string(), from, with, every: item.every })
}

fn unit_mistake(
    function: Option<&'static Function>,
    argument: &Argument,
    wanted: &'static str,
    path: &str,
    unit: &Unit,
) -> OfDerived {
    OfDerived::ArgumentUnit {
        function: function.map_or("", |function| function.name).to_string(),
        argument: argument.name.to_string(),
        wanted,
        point: path.to_string(),
        unit: unit.code().to_string(),
    }
}

/// Factor and offset from a point's unit to the one a function wants.
fn conversion(unit: &'static Unit, wanted: &str) -> Option<(f64, f64)> {
    if unit.code() == wanted {
        return Some((1.0, 0.0));
    }
    let wanted = Unit::parse(wanted)?;
    let offset = unit.convert(0.0, wanted).ok()?;
    // Kelvin and degree Celsius differ in their zero only: the factor must come out as exactly one.
    let factor = if offset == 0.0 {
        unit.convert(1.0, wanted).ok()?
    } else {
        (unit.convert(1000.0, wanted).ok()? - offset) / 1000.0
    };
    Some((factor, offset))
}

fn draft(item: &DerivedItem, path: String, captures: &Captures, scan_period: Duration, max_age_ms: u32) -> Draft {
    let unit = item.function.and_then(|function| Unit::parse(function.unit));
    let exponent = item.exponent.unwrap_or(0);
    let decimal = |value: i64| Decimal::new(value, exponent);
    let filled = |text: &Option<String>| text.as_ref().map(|text| fill(text, captures));
    Draft {
        point: Point {
            path,
            quantity: item.function.map_or("count", |function| function.quantity.name()).to_string(),
            unit: unit.unwrap_or_else(units::one).code().to_string(),
            exponent,
            scan_period,
            valid: item.valid.map(|(low, high)| (decimal(low), decimal(high))),
            tag: filled(&item.tag),
            location: filled(&item.location),
            states: item.states.clone(),
            ..Point::default()
        },
        spec: PointSpec { exponent, valid: item.valid, max_age_ms, ..PointSpec::default() },
        unit,
        exponent: item.exponent,
        has_states: true,
        absent: Vec::new(),
        origin: "a derived point".into(),
    }
}
