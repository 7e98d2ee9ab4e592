//! The table of functions that can make a point, joined from its families.
//!
//! The families hold declarations only: names, arguments with their units, quantity and unit of the answer, and who
//! computes it (the engine's physics). Never panics.

mod air;
mod balance;
mod cooling;
mod energy;
mod envelope;
mod lists;
mod power;
mod storage;
mod thermal;
mod topology;
mod water;

use lapwing_engine::physics;

use super::{Argument, Computed, Function, Given, NoNumber, Takes};

const FAMILIES: [&[Function]; 11] = [
    air::FUNCTIONS,
    water::FUNCTIONS,
    power::FUNCTIONS,
    topology::FUNCTIONS,
    thermal::FUNCTIONS,
    lists::FUNCTIONS,
    cooling::FUNCTIONS,
    envelope::FUNCTIONS,
    energy::FUNCTIONS,
    balance::FUNCTIONS,
    storage::FUNCTIONS,
];

/// Every function that can make a point.
pub(super) static FUNCTIONS: [Function; COUNT] = joined();

const COUNT: usize = {
    let (mut count, mut family) = (0, 0);
    while family < FAMILIES.len() {
        (count, family) = (count + FAMILIES[family].len(), family + 1);
    }
    count
};

const fn joined() -> [Function; COUNT] {
    let mut all = [air::FUNCTIONS[0]; COUNT];
    let (mut at, mut family) = (0, 0);
    while family < FAMILIES.len() {
        let mut member = 0;
        while member < FAMILIES[family].len() {
            all[at] = FAMILIES[family][member];
            (at, member) = (at + 1, member + 1);
        }
        family += 1;
    }
    all
}

const fn number(name: &'static str, unit: &'static str, meaning: &'static str) -> Argument {
    Argument { name, takes: Takes::Number { unit }, meaning }
}

const fn list(name: &'static str, unit: &'static str, meaning: &'static str) -> Argument {
    Argument { name, takes: Takes::List { unit }, meaning }
}

const fn number_or(name: &'static str, unit: &'static str, otherwise: f64, meaning: &'static str) -> Argument {
    Argument { name, takes: Takes::NumberOr { unit, otherwise }, meaning }
}

const fn believed(name: &'static str, unit: &'static str, meaning: &'static str) -> Argument {
    Argument { name, takes: Takes::Believed { unit }, meaning }
}

fn domain(why: &str) -> NoNumber {
    NoNumber { word: "domain_error", why: why.to_owned() }
}

/// The largest; NaN of none or where one is NaN, which every function refuses.
fn largest(list: &[f64]) -> f64 {
    list.iter().copied().reduce(|a, b| if a.is_nan() || a > b { a } else { b }).unwrap_or(f64::NAN)
}

/// The smallest; likewise.
fn smallest(list: &[f64]) -> f64 {
    list.iter().copied().reduce(|a, b| if a.is_nan() || a < b { a } else { b }).unwrap_or(f64::NAN)
}

/// Refuses what means something in steady state only.
fn is_steady(given: &Given<'_>) -> Result<(), NoNumber> {
    if given.number("steady") == 1.0 {
        return Ok(());
    }
    Err(NoNumber { word: "undefined", why: "not in steady state".into() })
}

/// Names of a function's states, by their numbers; none of a function that answers a quantity.
pub(super) fn states(function: &str) -> &'static [(i64, &'static str)] {
    match function {
        "heat_balance_suspect" => balance::SUSPECTS,
        "steady_state" | "heat_steady" => &[(0, "changing"), (1, "steady")],
        _ => &[],
    }
}

/// An answer from a humidity: one above 1 was taken as 1, and makes it doubtful.
fn humid(given: &Given<'_>, name: &str, result: Result<f64, physics::NoNumber>) -> Result<Computed, NoNumber> {
    let doubt = (given.number(name) > 1.0).then_some("the humidity is above 100 %: taken as saturated air");
    Ok(Computed { doubt, ..result?.into() })
}

/// Functions whose inputs are read one after the other and together count a load that moves between them twice, or not at
/// all: with the smallest movement that can matter, in the unit of their inputs.
pub(super) fn smallest_step(function: &str) -> Option<f64> {
    match function {
        // A or kW
        "failover_current"
        | "meter_difference_pct"
        | "meter_difference_power_pct"
        | "meter_difference_ups_pct"
        | "left_kw"
        | "sum_a"
        | "sum_kw" => Some(1.0),
        _ => None,
    }
}

/// Functions that judge by a slope: the constant that is the length of its window, and what one of it is in seconds.
pub(super) fn window(function: &str) -> Option<(&'static str, f64)> {
    match function {
        "earliest_to_limit" => Some(("over_s", 1.0)),
        "heat_stored" | "heat_steady" => Some(("window_min", 60.0)),
        _ => None,
    }
}

fn plain(result: Result<f64, physics::NoNumber>) -> Result<Computed, NoNumber> {
    Ok(result?.into())
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::super::Calculation;
    use super::*;
    use lapwing_protocol::{Quantity, Unit};

    #[test]
    fn no_name_twice() {
        let names = || {
            FUNCTIONS
                .iter()
                .map(|function| function.name)
                .chain(Calculation::all().iter().map(|calculation| calculation.name))
        };
        let different: BTreeSet<&str> = names().collect();
        assert_eq!(different.len(), names().count());
    }

    /// A derived point takes unit and quantity from here: both must be known and fit, or a catalogue would lie.
    #[test]
    fn every_answer_is_a_point() {
        for function in &FUNCTIONS {
            let unit =
                Unit::parse(function.unit).unwrap_or_else(|| panic!("{}: unit {}", function.name, function.unit));
            assert!(function.quantity.accepts(unit), "{}: {:?} in {}", function.name, function.quantity, function.unit);
            // Those that name tiers of a topology get their names from it.
            let is_state = function.quantity == Quantity::State;
            assert!(states(function.name).is_empty() || is_state, "{}: names of states", function.name);
        }
    }
}
