//! The functions a derived point may use: their arguments, the unit of each, and the quantity and unit of the answer.
//!
//! Names and argument names are those of `lapwing calc`. This says only what a function takes; the engine's `physics`
//! computes. A point whose unit converts to the argument's is converted, so that a percentage serves where a fraction is
//! wanted. Never panics.

use lapwing_protocol::Quantity;

/// One function.
#[derive(Debug)]
pub struct Function {
    /// Name, as in `lapwing calc`.
    pub name: &'static str,
    /// What it takes; all of it is required.
    pub arguments: &'static [Argument],
    /// What it answers.
    pub quantity: Quantity,
    /// UCUM unit of the answer.
    pub unit: &'static str,
}

/// One argument.
#[derive(Debug)]
pub struct Argument {
    /// Name.
    pub name: &'static str,
    /// Its form.
    pub takes: Takes,
    /// What it means.
    pub meaning: &'static str,
}

/// Form of an argument.
#[derive(Debug, PartialEq, Eq)]
pub enum Takes {
    /// One number, from a point or constant.
    Number {
        /// UCUM unit the function wants.
        unit: &'static str,
    },
    /// Several numbers, each from a point.
    List {
        /// UCUM unit the function wants.
        unit: &'static str,
    },
    /// One of these words, constant.
    Word(&'static [&'static str]),
}

impl Function {
    /// Every function.
    #[must_use]
    pub const fn all() -> &'static [Self] {
        FUNCTIONS
    }

    /// The function of a name.
    #[must_use]
    pub fn named(name: &str) -> Option<&'static Self> {
        FUNCTIONS.iter().find(|function| function.name == name)
    }
}

const fn number(name: &'static str, unit: &'static str, meaning: &'static str) -> Argument {
    Argument { name, takes: Takes::Number { unit }, meaning }
}

const AIR: Argument = number("t_c", "Cel", "air temperature");
const HUMIDITY: Argument = number("rh", "1", "relative humidity as a fraction");
const WATER: Argument = number("t_c", "Cel", "water temperature");
const WATER_PRESSURE: Argument = number("p_pa", "Pa", "water pressure, absolute");

const FUNCTIONS: &[Function] = &[
    Function { name: "sat_vap_pres", arguments: &[AIR], quantity: Quantity::Pressure, unit: "Pa" },
    Function { name: "dew_point", arguments: &[AIR, HUMIDITY], quantity: Quantity::Temperature, unit: "Cel" },
    Function {
        name: "condensation_margin",
        arguments: &[number("t_surface_c", "Cel", "coldest surface"), number("t_air_c", "Cel", "air temperature"), HUMIDITY],
        quantity: Quantity::TemperatureDifference,
        unit: "K",
    },
    Function { name: "water_density", arguments: &[WATER, WATER_PRESSURE], quantity: Quantity::Density, unit: "kg/m3" },
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
        unit: "1",
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
        unit: "K/s",
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
        unit: "K/s",
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
        unit: "s",
    },
];

#[cfg(test)]
mod tests {
    use super::*;
    use lapwing_protocol::Unit;

    #[test]
    fn answers_have_units_of_their_quantity() {
        for function in Function::all() {
            let unit = Unit::parse(function.unit).expect("in the table");
            assert!(function.quantity.accepts(unit), "{}", function.name);
            for (n, argument) in function.arguments.iter().enumerate() {
                assert!(!function.arguments[..n].iter().any(|other| other.name == argument.name));
            }
        }
    }
}
