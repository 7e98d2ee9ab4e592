//! Functions of ride-through, forecasts and votes. Never panics.

use lapwing_engine::physics::{forecast, ride_through, signal};
use lapwing_protocol::Quantity;

use super::super::{Argument, Computed, Function, NoNumber};
use super::{believed, number, plain};

const HEAT: Argument = number("q_kw", "kW", "heat load");
const DENSITY: Argument = number("rho", "kg/m3", "density");
const HEAT_CAPACITY: Argument = number("cp", "kJ/(kg.K)", "heat capacity by mass");

pub(super) const FUNCTIONS: &[Function] = &[
    Function {
        name: "air_only_rate",
        arguments: &[HEAT, number("volume_m3", "m3", "free air volume"), DENSITY, HEAT_CAPACITY],
        quantity: Quantity::TemperatureRate,
        unit: "K/s",
        run: |given| {
            plain(ride_through::air_only_rate(
                given.number("q_kw"),
                given.number("volume_m3"),
                given.number("rho"),
                given.number("cp"),
            ))
        },
    },
    Function {
        name: "loop_rate",
        arguments: &[HEAT, number("loop_m3", "m3", "water in the loop"), DENSITY, HEAT_CAPACITY],
        quantity: Quantity::TemperatureRate,
        unit: "K/s",
        run: |given| {
            plain(ride_through::loop_rate(
                given.number("q_kw"),
                given.number("loop_m3"),
                given.number("rho"),
                given.number("cp"),
            ))
        },
    },
    Function {
        name: "two_node_time_to_rise",
        arguments: &[
            HEAT,
            number("c_air", "kJ/K", "heat capacity of the air"),
            number("c_mass", "kJ/K", "heat capacity of the equipment"),
            number("ha_kw_k", "kW/K", "heat transfer between them"),
            number("dt_k", "K", "rise that is asked for"),
        ],
        quantity: Quantity::Time,
        unit: "s",
        run: |given| {
            let (air, mass) = (given.number("c_air"), given.number("c_mass"));
            plain(ride_through::two_node_time_to_rise(
                given.number("q_kw"),
                air,
                mass,
                given.number("ha_kw_k"),
                given.number("dt_k"),
            ))
        },
    },
    Function {
        name: "time_to_limit",
        arguments: &[
            number("x_now", "Cel", "temperature now"),
            number("slope", "K/s", "its rate of change"),
            number("limit", "Cel", "the limit"),
        ],
        quantity: Quantity::Time,
        unit: "s",
        run: |given| {
            plain(forecast::time_to_limit(given.number("x_now"), given.number("slope"), given.number("limit")))
        },
    },
    Function {
        name: "vote_2oo3_median",
        arguments: &[believed(
            "v",
            "Cel",
            "three sensors of one temperature; without one of them the mean of the others",
        )],
        quantity: Quantity::Temperature,
        unit: "Cel",
        run: |given| {
            // Which one lies is a discrepancy alarm's to say.
            let v = match *given.list("v") {
                [a, b, c] => [Some(a), Some(b), Some(c)],
                [a, b] => [Some(a), Some(b), None],
                ref other => {
                    let why = format!("v must be three sensors, or two that are left of three, not {}", other.len());
                    return Err(NoNumber { word: "domain_error", why });
                }
            };
            let vote = signal::vote_2oo3_median(v, f64::MAX)?;
            let doubt = vote.degraded.then_some("two sensors of three: their mean, without a majority");
            Ok(Computed { doubt, ..vote.value.into() })
        },
    },
];
