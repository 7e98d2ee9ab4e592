//! The table of functions.
//!
//! Declarations only: names, arguments with their units, quantity and unit of the answer, and who computes it. Never panics.

use super::{Argument, Function, Given, NoNumber, Takes};
use lapwing_protocol::Quantity;
use serde_json::Value;

fn nothing(_: &Given<'_>) -> Result<Value, NoNumber> {
    Err(NoNumber { word: "none", why: String::new() })
}

const fn number(name: &'static str, unit: &'static str, meaning: &'static str) -> Argument {
    Argument { name, takes: Takes::Number { unit }, meaning }
}

const AIR: Argument = number("t_c", "Cel", "air temperature");
const HUMIDITY: Argument = number("rh", "1", "relative humidity as a fraction");
const WATER: Argument = number("t_c", "Cel", "water temperature");
const WATER_PRESSURE: Argument = number("p_pa", "Pa", "water pressure, absolute");

pub(super) const FUNCTIONS: &[Function] = &[
    Function { name: "sat_vap_pres", arguments: &[AIR], quantity: Quantity::Pressure, unit: "Pa", run: nothing },
    Function { name: "dew_point", arguments: &[AIR, HUMIDITY], quantity: Quantity::Temperature, unit: "Cel", run: nothing },
    Function {
        name: "condensation_margin",
        arguments: &[number("t_surface_c", "Cel", "coldest surface"), number("t_air_c", "Cel", "air temperature"), HUMIDITY],
        quantity: Quantity::TemperatureDifference,
        unit: "K", run: nothing
    },
    Function { name: "water_density", arguments: &[WATER, WATER_PRESSURE], quantity: Quantity::Density, unit: "kg/m3", run: nothing },
    Function {
        name: "water_heat_kw",
        arguments: &[
            number("flow_m3h", "m3/h", "water flow"),
            number("t_supply_c", "Cel", "supply water temperature"),
            number("t_return_c", "Cel", "return water temperature"),
            WATER_PRESSURE,
            Argument { name: "meter", takes: Takes::Word(&["supply", "return"]), meaning: "where the flow meter sits" },
        ],
        quantity: Quantity::Power,
        unit: "kW", run: nothing
    },
    Function {
        name: "failover_utilisation",
        arguments: &[
            Argument { name: "a", takes: Takes::List { unit: "A" }, meaning: "phase currents of side A" },
            Argument { name: "b", takes: Takes::List { unit: "A" }, meaning: "phase currents of side B" },
            number("rating_a", "A", "rating of one side"),
            number("limit_frac", "1", "part of the rating that may be used for hours"),
        ],
        quantity: Quantity::Ratio,
        unit: "1", run: nothing
    },
    Function {
        name: "loop_rate",
        arguments: &[
            number("q_kw", "kW", "heat load"),
            number("loop_m3", "m3", "water in the loop"),
            number("rho", "kg/m3", "density"),
            number("cp", "kJ/(kg.K)", "heat capacity by mass"),
        ],
        quantity: Quantity::TemperatureRate,
        unit: "K/s", run: nothing
    },
    Function {
        name: "air_only_rate",
        arguments: &[
            number("q_kw", "kW", "heat load"),
            number("volume_m3", "m3", "free air volume"),
            number("rho", "kg/m3", "density"),
            number("cp", "kJ/(kg.K)", "heat capacity by mass"),
        ],
        quantity: Quantity::TemperatureRate,
        unit: "K/s", run: nothing
    },
    Function {
        name: "two_node_time_to_rise",
        arguments: &[
            number("q_kw", "kW", "heat load"),
            number("c_air", "kJ/K", "heat capacity of the air"),
            number("c_mass", "kJ/K", "heat capacity of the equipment"),
            number("ha_kw_k", "kW/K", "heat transfer between them"),
            number("dt_k", "K", "rise that is asked for"),
        ],
        quantity: Quantity::Time,
        unit: "s", run: nothing
    },
];

