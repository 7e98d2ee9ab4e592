//! The table of functions that can make a point.
//!
//! Declarations only: names, arguments with their units, quantity and unit of the answer, and who computes it (the
//! engine's physics). Never panics.

use lapwing_engine::physics;
use lapwing_engine::physics::water::Meter;
use lapwing_protocol::Quantity;
use serde_json::{Value, json};

use super::{Argument, Function, Given, NoNumber, Takes};

const fn number(name: &'static str, unit: &'static str, meaning: &'static str) -> Argument {
    Argument { name, takes: Takes::Number { unit }, meaning }
}

const fn list(name: &'static str, unit: &'static str, meaning: &'static str) -> Argument {
    Argument { name, takes: Takes::List { unit }, meaning }
}

fn plain(result: Result<f64, physics::NoNumber>) -> Result<Value, NoNumber> {
    Ok(result?.into())
}

fn meter(given: &Given<'_>) -> Meter {
    if given.word("meter") == "return" { Meter::Return } else { Meter::Supply }
}

const AIR: Argument = number("t_c", "Cel", "air temperature");
const HUMIDITY: Argument = number("rh", "1", "relative humidity as a fraction");
const WATER: Argument = number("t_c", "Cel", "water temperature");
const WATER_PRESSURE: Argument = number("p_pa", "Pa", "water pressure, absolute");
const HEAT: Argument = number("q_kw", "kW", "heat load");
const DENSITY: Argument = number("rho", "kg/m3", "density");
const HEAT_CAPACITY: Argument = number("cp", "kJ/(kg.K)", "heat capacity by mass");

pub(super) const FUNCTIONS: &[Function] = &[
    Function {
        name: "sat_vap_pres",
        arguments: &[AIR],
        quantity: Quantity::Pressure,
        unit: "Pa",
        run: |given| plain(physics::air::sat_vap_pres(given.number("t_c"))),
    },
    Function {
        name: "dew_point",
        arguments: &[AIR, HUMIDITY],
        quantity: Quantity::Temperature,
        unit: "Cel",
        run: |given| plain(physics::air::dew_point(given.number("t_c"), given.number("rh"))),
    },
    Function {
        name: "condensation_margin",
        arguments: &[
            number("t_surface_c", "Cel", "coldest surface"),
            number("t_air_c", "Cel", "air temperature"),
            HUMIDITY,
        ],
        quantity: Quantity::TemperatureDifference,
        unit: "K",
        run: |given| {
            plain(physics::air::condensation_margin(
                given.number("t_surface_c"),
                given.number("t_air_c"),
                given.number("rh"),
            ))
        },
    },
    Function {
        name: "std_pressure",
        arguments: &[number("alt_m", "m", "height above sea level")],
        quantity: Quantity::Pressure,
        unit: "Pa",
        run: |given| plain(physics::air::std_pressure(given.number("alt_m"))),
    },
    Function {
        name: "water_density",
        arguments: &[WATER, WATER_PRESSURE],
        quantity: Quantity::Density,
        unit: "kg/m3",
        run: |given| plain(physics::water::water_density(given.number("t_c"), given.number("p_pa"))),
    },
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
        unit: "kW",
        run: |given| {
            let (flow, supply, back) =
                (given.number("flow_m3h"), given.number("t_supply_c"), given.number("t_return_c"));
            plain(physics::water::water_heat_kw(flow, supply, back, given.number("p_pa"), meter(given)))
        },
    },
    Function {
        name: "failover_utilisation",
        arguments: &[
            list("a", "A", "phase currents of side A"),
            list("b", "A", "phase currents of side B"),
            number("rating_a", "A", "rating of one side"),
            number("limit_frac", "1", "part of the rating that may be used for hours"),
        ],
        quantity: Quantity::Ratio,
        unit: "1",
        run: |given| {
            let (a, b) = (given.list("a"), given.list("b"));
            let got =
                physics::failover::failover_utilisation(&a, &b, given.number("rating_a"), given.number("limit_frac"))?;
            Ok(json!({ "max_frac": got.max_frac, "pass": got.pass }))
        },
    },
    Function {
        name: "runtime_const_power_min",
        arguments: &[
            number("kw", "kW", "power drawn from the battery"),
            Argument {
                name: "table_kw_min",
                takes: Takes::Pairs { units: "kW, min" },
                meaning: "the maker's table, power rising",
            },
        ],
        quantity: Quantity::Time,
        unit: "min",
        run: |given| {
            Ok(physics::battery::runtime_const_power_min(given.number("kw"), &given.pairs("table_kw_min"))?
                .minutes
                .into())
        },
    },
    Function {
        name: "loop_rate",
        arguments: &[HEAT, number("loop_m3", "m3", "water in the loop"), DENSITY, HEAT_CAPACITY],
        quantity: Quantity::TemperatureRate,
        unit: "K/s",
        run: |given| {
            plain(physics::ride_through::loop_rate(
                given.number("q_kw"),
                given.number("loop_m3"),
                given.number("rho"),
                given.number("cp"),
            ))
        },
    },
    Function {
        name: "air_only_rate",
        arguments: &[HEAT, number("volume_m3", "m3", "free air volume"), DENSITY, HEAT_CAPACITY],
        quantity: Quantity::TemperatureRate,
        unit: "K/s",
        run: |given| {
            plain(physics::ride_through::air_only_rate(
                given.number("q_kw"),
                given.number("volume_m3"),
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
            plain(physics::ride_through::two_node_time_to_rise(
                given.number("q_kw"),
                air,
                mass,
                given.number("ha_kw_k"),
                given.number("dt_k"),
            ))
        },
    },
];
