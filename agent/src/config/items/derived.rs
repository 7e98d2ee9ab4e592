//! One `[[derived]]`: a point computed from others by a named function.
//!
//! Function and arguments are checked against their declared forms; which points the paths mean, and for a path with
//! `{name}` which points it makes, is judged in `assemble`. Never panics.

use std::time::Duration;

use lapwing_protocol::Decimal;
use toml::Spanned;
use toml::de::DeValue;

use crate::compute::{Function, Takes};
use crate::config::mistake::Report;
use crate::config::names;
use crate::config::pattern::{Pattern, fill};
use crate::config::reader::{Item, OneOrMany, Read, entries, found, nearest};
use crate::config::source::{Located, Origin, Place};
use crate::config::steps::Steps;
use crate::config::wrong::{OfDerived, Wrong};
use crate::plan::Constant;

/// A derived point as written.
#[derive(Clone, Debug)]
pub(crate) struct DerivedItem {
    pub(crate) path: Located<String>,
    pub(crate) label: String,
    /// `None` if a mistake in it was noted.
    pub(crate) function: Option<&'static Function>,
    /// Arguments that are points.
    pub(crate) from: Vec<(&'static str, Vec<Located<String>>)>,
    /// Arguments that are constants.
    pub(crate) with: Vec<(&'static str, Constant)>,
    /// `None` if it could not be decided.
    pub(crate) exponent: Option<i8>,
    pub(crate) valid: Option<(i64, i64)>,
    pub(crate) tag: Option<String>,
    pub(crate) location: Option<String>,
    /// It is computed at most so often.
    pub(crate) every: Duration,
    /// Names of its states, of a function that answers which.
    pub(crate) states: Vec<(i64, String)>,
}

/// Reads one derived point.
pub(crate) fn read(mut item: Item<'_>, report: &mut Report) -> Option<DerivedItem> {
    let path = item.need::<String>("path", report);
    let path_is_one = path.as_ref().is_some_and(|path| is_path(path, &item.key("path"), report));
    let function = item.need::<String>("compute", report).and_then(|name| {
        let function = Function::named(&name.value);
        if function.is_none() {
            let known: Vec<&'static str> = Function::all().iter().map(|function| function.name).collect();
            let near = nearest(&name.value, known.iter().copied());
            report.wrong(name.place, item.key("compute"), OfDerived::UnknownFunction { name: name.value, near, known });
        }
        function
    });
    let (from, with) = arguments(&mut item, function, report);
    let resolution = item.take::<Decimal>("resolution", report);
    let exponent = match &resolution {
        Some(resolution) => Steps::of_resolution(resolution, &item.key("resolution"), report),
        None => {
            if !item.has("resolution") {
                report.wrong(
                    item.place,
                    item.key("resolution"),
                    Wrong::MissingResolution { why: "a computed number has no places of its own" },
                );
            }
            None
        }
    };
    let name = path.as_ref().map_or_else(String::new, |path| path.value.clone());
    let valid = Steps { exponent, point: &name }.range(&mut item, report);
    let tag = item.take::<String>("tag", report).map(|tag| tag.value);
    let location = item.take::<String>("where", report).map(|place| place.value);
    let every = item.take::<Duration>("scan_period", report).map_or(Duration::ZERO, |period| period.value);
    let label = item.label.clone();
    item.close(report);
    Some(DerivedItem {
        path: path.filter(|_| path_is_one)?,
        label,
        function,
        from,
        with,
        exponent,
        valid,
        tag,
        location,
        every,
        states: function.map_or_else(Vec::new, |function| {
            function.states().iter().map(|(number, name)| (*number, (*name).to_string())).collect()
        }),
    })
}

/// Whether it is a path, or one for each match of the inputs: `{name}` in whole segments, no `*`.
fn is_path(path: &Located<String>, key: &str, report: &mut Report) -> bool {
    if !path.value.contains(['{', '}', '*']) {
        return names::path(&path.value, path.place, key, report);
    }
    let why = match Pattern::parse(&path.value) {
        Ok(_) if path.value.contains('*') => {
            let why = "a path says what stands in each segment: capture it in `from` as {name}".into();
            Wrong::BadPattern { pattern: path.value.clone(), why }
        }
        Ok(pattern) => {
            // Any segment may come in the place of a name.
            let names = pattern.names().into_iter().map(|name| (name, "x".to_string())).collect();
            return names::path(&fill(&path.value, &names), path.place, key, report);
        }
        Err(wrong) => wrong,
    };
    report.wrong(path.place, key, why);
    false
}

type Arguments = (Vec<(&'static str, Vec<Located<String>>)>, Vec<(&'static str, Constant)>);

fn arguments(item: &mut Item<'_>, function: Option<&'static Function>, report: &mut Report) -> Arguments {
    let origin = item.place.origin;
    let (mut from, mut with): Arguments = (Vec::new(), Vec::new());
    for key in ["from", "with"] {
        let Some(table) = item.raw(key) else { continue };
        let listed = match entries(table, origin) {
            Ok(listed) => listed,
            Err(wrong) => {
                report.wrong(Place::new(origin, &table.span()), item.key(key), wrong);
                continue;
            }
        };
        for (name, value) in listed {
            let path = format!("{}.{}", item.key(key), name.value);
            let place = Place::new(origin, &value.span());
            // Without a known function there is nothing to judge arguments by.
            let Some(function) = function else { continue };
            let Some(argument) = function.arguments.iter().find(|argument| argument.name == name.value) else {
                let known: Vec<&'static str> = function.arguments.iter().map(|argument| argument.name).collect();
                let near = nearest(&name.value, known.iter().copied());
                report.wrong(
                    name.place,
                    path,
                    OfDerived::UnknownArgument { function: function.name.into(), argument: name.value, near, known },
                );
                continue;
            };
            if from.iter().any(|(known, _)| *known == argument.name) {
                report.wrong(name.place, path, OfDerived::ArgumentTwice { argument: name.value });
                continue;
            }
            if key == "from" {
                let many = argument.is_many();
                let points = match (&argument.takes, OneOrMany::read(value, origin)) {
                    (Takes::Word(_) | Takes::Pairs { .. }, _) => Err(form(argument.name, "a constant, in `with`")),
                    (_, Ok(OneOrMany(points))) if many || (points.len() == 1 && value.get_ref().as_str().is_some()) => {
                        Ok(points)
                    }
                    (_, Ok(_)) => Err(form(argument.name, "the path of one point")),
                    (_, Err(wrong)) => Err(wrong),
                };
                let points = points.and_then(|points| patterns(points, many, argument.name));
                match points {
                    Ok(points) => from.push((argument.name, points)),
                    Err(wrong) => report.wrong(place, path, wrong),
                }
            } else {
                match constant(&argument.takes, argument.name, value.get_ref(), || Decimal::read(value, origin)) {
                    Ok(constant) => with.push((argument.name, constant)),
                    Err(wrong) => report.wrong(place, path, wrong),
                }
            }
        }
    }
    // With a table that is none, what is in it cannot be known.
    let readable =
        ["from", "with"].into_iter().all(|key| item.peek(key).is_none_or(|value| value.as_table().is_some()));
    if let Some(function) = function.filter(|_| readable) {
        let written = |name: &str| {
            ["from", "with"]
                .into_iter()
                .any(|key| item.peek(key).and_then(|v| v.as_table()).is_some_and(|table| table.contains_key(name)))
        };
        for argument in function.arguments.iter().filter(|argument| !argument.is_optional() && !written(argument.name))
        {
            let wrong = OfDerived::MissingArgument {
                function: function.name.into(),
                argument: argument.name,
                why: argument.meaning,
            };
            report.wrong(item.place, format!("{}.{}", item.key("from"), argument.name), wrong);
        }
    }
    (from, with)
}

fn constant(
    takes: &Takes,
    name: &str,
    value: &DeValue<'_>,
    number: impl FnOnce() -> Result<Decimal, Wrong>,
) -> Result<Constant, Wrong> {
    match (takes, value) {
        (Takes::Word(words), DeValue::String(word)) if words.contains(&word.as_ref()) => {
            Ok(Constant::Word(word.to_string()))
        }
        (Takes::Word(words), DeValue::String(word)) => Err(Wrong::NotOneOf {
            value: word.to_string(),
            near: nearest(word, words.iter().copied()),
            known: words.to_vec(),
        }),
        (Takes::Word(words), other) => Err(form(name, &format!("one of {}, not {}", words.join(", "), found(other)))),
        (Takes::Number { .. } | Takes::NumberOr { .. }, _) => number().map(|number| Constant::Number(number.to_f64())),
        (Takes::List { .. }, _) => {
            numbers(value).ok_or_else(|| form(name, "a list of numbers, or in `from` a list of points or a pattern"))
        }
        (Takes::Believed { .. }, _) => Err(form(name, "a list of points or a pattern, in `from`")),
        (Takes::Pairs { units }, _) => {
            pairs(value).ok_or_else(|| form(name, &format!("rows of two numbers ({units}), as [[4, 22], [8, 9.5]]")))
        }
    }
}

/// Paths and patterns of one argument: `*` only where many points may come.
fn patterns(points: Vec<Located<String>>, many: bool, argument: &'static str) -> Result<Vec<Located<String>>, Wrong> {
    for point in points.iter().filter(|point| point.value.contains(['{', '}', '*'])) {
        Pattern::parse(&point.value)?;
        if !many && point.value.contains('*') {
            return Err(form(argument, "one point, where * may stand for several: write {name}, and {name} in `path`"));
        }
    }
    Ok(points)
}

/// Several numbers.
fn numbers(value: &DeValue<'_>) -> Option<Constant> {
    let number = |value: &Spanned<DeValue<'_>>| Decimal::read(value, Origin::Override).ok().map(Decimal::to_f64);
    let list: Option<Vec<f64>> = value.as_array()?.iter().map(number).collect();
    list.filter(|list| !list.is_empty()).map(Constant::Numbers)
}

/// Rows of two numbers.
fn pairs(value: &DeValue<'_>) -> Option<Constant> {
    let number = |value: &Spanned<DeValue<'_>>| Decimal::read(value, Origin::Override).ok().map(Decimal::to_f64);
    let row = |row: &Spanned<DeValue<'_>>| match row.get_ref().as_array()?.iter().collect::<Vec<_>>().as_slice() {
        [first, second] => Some((number(first)?, number(second)?)),
        _ => None,
    };
    let rows: Option<Vec<(f64, f64)>> = value.as_array()?.iter().map(row).collect();
    rows.filter(|rows| !rows.is_empty()).map(Constant::Pairs)
}

fn form(argument: &str, takes: &str) -> Wrong {
    OfDerived::ArgumentForm { argument: argument.to_string(), takes: takes.to_string() }.into()
}
