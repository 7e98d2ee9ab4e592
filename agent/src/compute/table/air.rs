//! Functions of air: what it holds, what it weighs, what it carries. Never panics.

use lapwing_engine::physics::{air, moist_air};
use lapwing_protocol::Quantity;

use super::super::{Argument, Function};
use super::{humid, number, plain};

const AIR: Argument = number("t_c", "Cel", "air temperature");
const HUMIDITY: Argument = number("rh", "1", "relative humidity as a fraction");
const RATIO: Argument = number("w", "kg/kg", "humidity ratio");
const WET_BULB: Argument = number("twb_c", "Cel", "wet-bulb temperature");
const PRESSURE: Argument = number("p_pa", "Pa", "air pressure, absolute");

pub(super) const FUNCTIONS: &[Function] = &[
    Function {
        name: "sat_vap_pres",
        arguments: &[AIR],
        quantity: Quantity::Pressure,
        unit: "Pa",
        run: |given| plain(air::sat_vap_pres(given.number("t_c"))),
    },
    Function {
        name: "dew_point",
        arguments: &[AIR, HUMIDITY],
        quantity: Quantity::Temperature,
        unit: "Cel",
        run: |given| humid(given, "rh", air::dew_point(given.number("t_c"), given.number("rh"))),
    },
    Function {
        name: "wet_bulb",
        arguments: &[AIR, HUMIDITY, PRESSURE],
        quantity: Quantity::Temperature,
        unit: "Cel",
        run: |given| {
            let wet_bulb = moist_air::wet_bulb(given.number("t_c"), given.number("rh"), given.number("p_pa"));
            humid(given, "rh", wet_bulb)
        },
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
            let (surface, t, rh) = (given.number("t_surface_c"), given.number("t_air_c"), given.number("rh"));
            humid(given, "rh", air::condensation_margin(surface, t, rh))
        },
    },
    Function {
        name: "hum_ratio",
        arguments: &[AIR, HUMIDITY, PRESSURE],
        quantity: Quantity::HumidityRatio,
        unit: "kg/kg",
        run: |given| {
            let ratio = moist_air::hum_ratio(given.number("t_c"), given.number("rh"), given.number("p_pa"));
            humid(given, "rh", ratio)
        },
    },
    Function {
        name: "hum_ratio_sat",
        arguments: &[AIR, PRESSURE],
        quantity: Quantity::HumidityRatio,
        unit: "kg/kg",
        run: |given| plain(moist_air::hum_ratio_sat(given.number("t_c"), given.number("p_pa"))),
    },
    Function {
        name: "hum_ratio_from_wb",
        arguments: &[AIR, WET_BULB, PRESSURE],
        quantity: Quantity::HumidityRatio,
        unit: "kg/kg",
        run: |given| {
            plain(moist_air::hum_ratio_from_wb(given.number("t_c"), given.number("twb_c"), given.number("p_pa")))
        },
    },
    Function {
        name: "enthalpy",
        arguments: &[AIR, RATIO],
        quantity: Quantity::Enthalpy,
        unit: "kJ/kg",
        run: |given| plain(moist_air::enthalpy(given.number("t_c"), given.number("w"))),
    },
    Function {
        name: "enthalpy_from_wb",
        arguments: &[AIR, WET_BULB, PRESSURE],
        quantity: Quantity::Enthalpy,
        unit: "kJ/kg",
        run: |given| {
            plain(moist_air::enthalpy_from_wb(given.number("t_c"), given.number("twb_c"), given.number("p_pa")))
        },
    },
    Function {
        name: "density_moist",
        arguments: &[AIR, RATIO, PRESSURE],
        quantity: Quantity::Density,
        unit: "kg/m3",
        run: |given| plain(moist_air::density_moist(given.number("t_c"), given.number("w"), given.number("p_pa"))),
    },
    Function {
        name: "density_moist_rh",
        arguments: &[AIR, HUMIDITY, PRESSURE],
        quantity: Quantity::Density,
        unit: "kg/m3",
        run: |given| {
            let density = moist_air::density_moist_rh(given.number("t_c"), given.number("rh"), given.number("p_pa"));
            humid(given, "rh", density)
        },
    },
    Function {
        name: "std_pressure",
        arguments: &[number("alt_m", "m", "height above sea level")],
        quantity: Quantity::Pressure,
        unit: "Pa",
        run: |given| plain(air::std_pressure(given.number("alt_m"))),
    },
    Function {
        name: "air_sensible_kw",
        arguments: &[
            number("flow_m3s", "m3/s", "air flow at the inlet"),
            number("t_in_c", "Cel", "air temperature at the inlet"),
            number("t_out_c", "Cel", "air temperature at the outlet"),
            number("rh_in", "1", "relative humidity at the inlet as a fraction"),
            PRESSURE,
        ],
        quantity: Quantity::Power,
        unit: "kW",
        run: |given| {
            let (flow, rh, p) = (given.number("flow_m3s"), given.number("rh_in"), given.number("p_pa"));
            let kw = moist_air::air_sensible_kw(flow, given.number("t_in_c"), given.number("t_out_c"), rh, p);
            humid(given, "rh_in", kw)
        },
    },
];
