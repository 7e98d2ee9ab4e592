//! Functions of many like points: sums, and extremes of those that are believed. Never panics.

use lapwing_engine::physics::capacity;
use lapwing_protocol::Quantity;

use super::super::{Argument, Computed, Function, Given, NoNumber, Takes};
use super::{list, plain};

const TEMPERATURES: Argument =
    Argument { name: "t_c", takes: Takes::Believed { unit: "Cel" }, meaning: "temperatures; bad ones are left out" };

pub(super) const FUNCTIONS: &[Function] = &[
    Function {
        name: "sum_kw",
        arguments: &[list("kw", "kW", "powers")],
        quantity: Quantity::Power,
        unit: "kW",
        run: |given| plain(capacity::sum_kw(given.list("kw"))),
    },
    Function {
        name: "sum_a",
        arguments: &[list("i_a", "A", "currents of one phase")],
        quantity: Quantity::Current,
        unit: "A",
        run: |given| of_some(given, "i_a", |list| list.iter().sum()),
    },
    Function {
        name: "hottest_c",
        arguments: &[TEMPERATURES],
        quantity: Quantity::Temperature,
        unit: "Cel",
        run: |given| of_some(given, "t_c", |list| list.iter().copied().fold(f64::MIN, f64::max)),
    },
    Function {
        name: "coldest_c",
        arguments: &[TEMPERATURES],
        quantity: Quantity::Temperature,
        unit: "Cel",
        run: |given| of_some(given, "t_c", |list| list.iter().copied().fold(f64::MAX, f64::min)),
    },
];

/// A number of a list that is not empty and finite in all its members; the number must be finite too.
fn of_some(given: &Given<'_>, name: &'static str, number: fn(&[f64]) -> f64) -> Result<Computed, NoNumber> {
    let list = given.list(name);
    let number = number(list);
    if list.is_empty() || !list.iter().all(|value| value.is_finite()) || !number.is_finite() {
        let why = format!("{name} must be at least one finite number, with a finite answer");
        return Err(NoNumber { word: "domain_error", why });
    }
    Ok(number.into())
}
