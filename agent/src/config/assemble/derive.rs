//! Derived points: inputs found, units converted, and an order in which each needs only points before it.
//!
//! A circle is a mistake that names its members. A derived point is due as often as its fastest input. Never panics.

use lapwing_engine::spec::PointSpec;
use lapwing_protocol::{Decimal, Unit};

use crate::compute::{Function, Takes};
use crate::config::items::derived::DerivedItem;
use crate::config::mistake::Report;
use crate::config::source::Located;
use crate::config::units;
use crate::config::wrong::Wrong;
use crate::plan::{Derived, Input, Point};

use super::{Draft, Parts, Points, index};

/// Adds every derived point and gives how each is computed, in an order that can be followed.
pub(crate) fn derive(parts: &Parts, points: &mut Points, report: &mut Report) -> Vec<Derived> {
    let mut waiting: Vec<&DerivedItem> = Vec::new();
    for item in &parts.derived {
        let path = &item.path.value;
        let before = waiting.iter().any(|other| other.path.value == *path).then(|| "a derived point above".to_string());
        let first = points.find(path).map(|at| points.drafts[at].origin.clone()).or(before);
        match first {
            Some(first) => report.wrong(
                item.path.place,
                format!("{}.path", item.label),
                Wrong::DuplicatePath { path: path.clone(), first },
            ),
            None if path.starts_with("agent/") => {
                report.wrong(
                    item.path.place,
                    format!("{}.path", item.label),
                    Wrong::ReservedPath { path: path.clone() },
                );
            }
            None => waiting.push(item),
        }
    }
    tell_unknown(&waiting, points, parts.incomplete, report);
    let mut derived = Vec::new();
    // Each round takes every point whose inputs are there; what never becomes ready needs itself.
    loop {
        let is_open = |path: &str| waiting.iter().any(|item| item.path.value == path);
        let (ready, rest): (Vec<_>, Vec<_>) =
            waiting.iter().partition(|item| !inputs(item).any(|path| is_open(&path.value)));
        if ready.is_empty() {
            break;
        }
        for item in ready {
            derived.extend(compute(item, points, report));
        }
        waiting = rest;
    }
    tell_circles(&waiting, report);
    for item in waiting {
        let _known = points.add(draft(item, std::time::Duration::from_secs(1)));
    }
    derived
}

fn inputs(item: &DerivedItem) -> impl Iterator<Item = &Located<String>> {
    item.from.iter().flat_map(|(_, paths)| paths)
}

fn tell_unknown(waiting: &[&DerivedItem], points: &Points, incomplete: bool, report: &mut Report) {
    for item in waiting {
        for (argument, paths) in &item.from {
            for path in paths {
                let derived = || waiting.iter().map(|other| other.path.value.as_str());
                if points.find(&path.value).is_none() && !derived().any(|other| other == path.value) {
                    let near =
                        points.nearest(&path.value).or_else(|| crate::config::reader::nearest(&path.value, derived()));
                    let wrong = Wrong::UnknownPoint { path: path.value.clone(), near, incomplete };
                    report.wrong(path.place, format!("{}.from.{argument}", item.label), wrong);
                }
            }
        }
    }
}

fn tell_circles(waiting: &[&DerivedItem], report: &mut Report) {
    // Follow the first open input from the first open point: within as many steps as there are points one comes again.
    let Some(mut item) = waiting.first() else { return };
    let mut walked: Vec<&str> = Vec::new();
    loop {
        if let Some(at) = walked.iter().position(|path| *path == item.path.value) {
            let mut circle = walked[at..].to_vec();
            circle.push(&item.path.value);
            report.wrong(item.path.place, format!("{}.from", item.label), Wrong::Circle { circle: circle.join(" → ") });
            return;
        }
        walked.push(&item.path.value);
        let next = inputs(item).find_map(|path| waiting.iter().find(|other| other.path.value == path.value));
        match next {
            Some(next) => item = next,
            None => return,
        }
    }
}

fn compute(item: &DerivedItem, points: &mut Points, report: &mut Report) -> Option<Derived> {
    let mut from = Vec::new();
    let mut period = None;
    if let Some(function) = item.function {
        // In the function's own order, whatever the order in the file.
        for argument in function.arguments {
            let Some((_, paths)) = item.from.iter().find(|(name, _)| *name == argument.name) else { continue };
            let wanted = match argument.takes {
                Takes::Number { unit } | Takes::List { unit } => unit,
                Takes::Word(_) | Takes::Pairs { .. } => continue,
            };
            let in_list = matches!(argument.takes, Takes::List { .. });
            for path in paths {
                let Some(at) = points.find(&path.value) else { continue };
                let input = &points.drafts[at];
                period = Some(period.map_or(input.point.scan_period, |period: std::time::Duration| {
                    period.min(input.point.scan_period)
                }));
                let Some(unit) = input.unit else { continue };
                match conversion(unit, wanted) {
                    Some((factor, offset)) => from.push(Input {
                        argument: argument.name.to_string(),
                        in_list,
                        point: index(at),
                        factor,
                        offset,
                    }),
                    None => {
                        let wrong = unit_mistake(function, argument.name, wanted, path, unit);
                        report.wrong(path.place, format!("{}.from.{}", item.label, argument.name), wrong);
                    }
                }
            }
        }
    }
    let at = points.add(draft(item, period.unwrap_or(std::time::Duration::from_secs(1)))).ok()?;
    let with = item.with.iter().map(|(name, constant)| ((*name).to_string(), constant.clone())).collect();
    Some(Derived { point: index(at), compute: item.function?.name.to_string(), from, with })
}

fn unit_mistake(
    function: &Function,
    argument: &'static str,
    wanted: &'static str,
    path: &Located<String>,
    unit: &Unit,
) -> Wrong {
    Wrong::ArgumentUnit {
        function: function.name.to_string(),
        argument: argument.to_string(),
        wanted,
        point: path.value.clone(),
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

fn draft(item: &DerivedItem, scan_period: std::time::Duration) -> Draft {
    let unit = item.function.and_then(|function| Unit::parse(function.unit));
    let exponent = item.exponent.unwrap_or(0);
    let decimal = |value: i64| Decimal::new(value, exponent);
    Draft {
        point: Point {
            path: item.path.value.clone(),
            quantity: item.function.map_or("count", |function| function.quantity.name()).to_string(),
            unit: unit.unwrap_or_else(units::one).code().to_string(),
            exponent,
            scan_period,
            valid: item.valid.map(|(low, high)| (decimal(low), decimal(high))),
            tag: item.tag.clone(),
            location: item.location.clone(),
            ..Point::default()
        },
        spec: PointSpec { exponent, valid: item.valid, ..PointSpec::default() },
        unit,
        exponent: item.exponent,
        has_states: true,
        absent: Vec::new(),
        origin: "a derived point".into(),
    }
}
