//! Functions of water, glycol mixtures and the coil. Never panics.

use lapwing_engine::physics::coil::Arrangement;
use lapwing_engine::physics::glycol::Glycol;
use lapwing_engine::physics::water::Meter;
use lapwing_engine::physics::{coil, glycol, water};
use lapwing_protocol::Quantity;

use super::super::{Argument, Function, Given, Takes};
use super::{number, plain};

const WATER: Argument = number("t_c", "Cel", "water temperature");
const PRESSURE: Argument = number("p_pa", "Pa", "water pressure, absolute");

pub(in super::super) fn glycol_kind(word: &str) -> Glycol {
    if word == "ethylene" { Glycol::Ethylene } else { Glycol::Propylene }
}

pub(super) fn meter(given: &Given<'_>) -> Meter {
    if given.word("meter") == "return" { Meter::Return } else { Meter::Supply }
}

pub(super) fn arrangement(given: &Given<'_>) -> Arrangement {
    if given.word("type") == "counterflow" { Arrangement::Counterflow } else { Arrangement::CrossflowUnmixed }
}

pub(super) const FUNCTIONS: &[Function] = &[
    Function {
        name: "water_density",
        arguments: &[WATER, PRESSURE],
        quantity: Quantity::Density,
        unit: "kg/m3",
        run: |given| plain(water::water_density(given.number("t_c"), given.number("p_pa"))),
    },
    Function {
        name: "glycol_density",
        arguments: &[
            Argument { name: "kind", takes: Takes::Word(&["propylene", "ethylene"]), meaning: "which glycol" },
            number("mass_frac", "1", "glycol as a part of the mass, not the volume"),
            number("t_c", "Cel", "temperature of the mixture"),
        ],
        quantity: Quantity::Density,
        unit: "kg/m3",
        run: |given| {
            plain(glycol::glycol_density(
                glycol_kind(given.word("kind")),
                given.number("mass_frac"),
                given.number("t_c"),
            ))
        },
    },
    Function {
        name: "water_heat_kw",
        arguments: &[
            number("flow_m3h", "m3/h", "water flow"),
            number("t_supply_c", "Cel", "supply water temperature"),
            number("t_return_c", "Cel", "return water temperature"),
            PRESSURE,
            Argument { name: "meter", takes: Takes::Word(&["supply", "return"]), meaning: "where the flow meter sits" },
        ],
        quantity: Quantity::Power,
        unit: "kW",
        run: |given| {
            let (flow, supply, back) =
                (given.number("flow_m3h"), given.number("t_supply_c"), given.number("t_return_c"));
            plain(water::water_heat_kw(flow, supply, back, given.number("p_pa"), meter(given)))
        },
    },
    Function {
        name: "heat_rel_uncertainty",
        arguments: &[
            number("flow_rel", "1", "relative uncertainty of the flow"),
            number("t_sensor_abs_k", "K", "uncertainty of each temperature sensor"),
            number("dt_k", "K", "temperature difference"),
        ],
        quantity: Quantity::Ratio,
        unit: "1",
        run: |given| {
            plain(water::heat_rel_uncertainty(
                given.number("flow_rel"),
                given.number("t_sensor_abs_k"),
                given.number("dt_k"),
            ))
        },
    },
    Function {
        name: "eff_from_ntu",
        arguments: &[
            number("ntu", "1", "number of transfer units"),
            number("cr", "1", "smaller by larger capacity flow"),
            Argument {
                name: "type",
                takes: Takes::Word(&["counterflow", "crossflow_unmixed"]),
                meaning: "how the two streams run",
            },
        ],
        quantity: Quantity::Ratio,
        unit: "1",
        run: |given| plain(coil::eff_from_ntu(given.number("ntu"), given.number("cr"), arrangement(given))),
    },
    Function {
        name: "lmtd",
        arguments: &[
            number("th_in", "Cel", "warm stream, inlet"),
            number("th_out", "Cel", "warm stream, outlet"),
            number("tc_in", "Cel", "cold stream, inlet"),
            number("tc_out", "Cel", "cold stream, outlet"),
        ],
        quantity: Quantity::TemperatureDifference,
        unit: "K",
        run: |given| {
            plain(coil::lmtd(
                given.number("th_in"),
                given.number("th_out"),
                given.number("tc_in"),
                given.number("tc_out"),
            ))
        },
    },
    Function {
        name: "coil_air_effectiveness",
        arguments: &[
            number("ta_in", "Cel", "air temperature at the inlet"),
            number("ta_out", "Cel", "air temperature at the outlet"),
            number("tw_in", "Cel", "water temperature at the inlet"),
        ],
        quantity: Quantity::Ratio,
        unit: "1",
        run: |given| {
            plain(coil::coil_air_effectiveness(given.number("ta_in"), given.number("ta_out"), given.number("tw_in")))
        },
    },
];
