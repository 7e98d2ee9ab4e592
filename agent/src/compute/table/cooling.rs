//! Functions of the cooling chain: condensation, water's heat, the coil's surface, the fan wall. Never panics.

use lapwing_engine::physics::fan_wall::{self, FanCurve};
use lapwing_engine::physics::heat::{self, Circuit, SensorClass};
use lapwing_engine::physics::surface::{self, CleanCoil};
use lapwing_engine::physics::{balance, coil, condensation, glycol, water};
use lapwing_protocol::Quantity;

use super::super::{Argument, Computed, Function, Given, NoNumber, Takes};
use super::water::{arrangement, glycol_kind, meter};
use super::{believed, domain, humid, largest, number, number_or, plain};

const FLOW: Argument = number("flow_m3h", "m3/h", "water flow");
const SUPPLY: Argument = number("t_supply_c", "Cel", "supply water temperature");
const RETURN: Argument = number("t_return_c", "Cel", "return water temperature");
const PRESSURE: Argument = number("p_pa", "Pa", "water pressure, absolute");
const METER: Argument =
    Argument { name: "meter", takes: Takes::Word(&["supply", "return"]), meaning: "where the flow meter sits" };
const CUT_OFF: Argument = number("cut_off_m3h", "m3/h", "flow below which the meter shows nothing that counts");
const HUMIDITY: Argument = number("rh", "1", "relative humidity as a fraction");
const AIR: Argument = number("t_c", "Cel", "air temperature");
const U_AIR: Argument = number("u_t_k", "K", "uncertainty of the air temperature");
const U_HUMIDITY: Argument = number("u_rh", "1", "uncertainty of the humidity as a fraction");
const SPEEDS: Argument =
    believed("speed_rpm", "/min", "speeds of the fans; a fan without a believed speed does not count");
const COMMAND: Argument = number("command", "1", "commanded speed as a fraction of full speed");
const FULL_SPEED: Argument = number("full_rpm", "/min", "full speed");
const DROP: Argument = number("dp_pa", "Pa", "pressure drop");
const LESS: Argument =
    number_or("less_pa", "Pa", 0.0, "pressure drop of what else lies between the taps, to be taken off");
const REF_DROP: Argument = number("ref_dp_pa", "Pa", "pressure drop measured clean and dry");
const REF_FLOW: Argument = number("ref_flow_m3s", "m3/s", "air flow at that");

fn circuit(given: &Given<'_>) -> Circuit {
    Circuit {
        flow_m3h: given.number("flow_m3h"),
        t_supply_c: given.number("t_supply_c"),
        t_return_c: given.number("t_return_c"),
        p_pa: given.number("p_pa"),
        meter: meter(given),
        cut_off_m3h: given.number("cut_off_m3h"),
    }
}

fn class(given: &Given<'_>) -> SensorClass {
    match given.word("class") {
        "AA" => SensorClass::Aa,
        "A" => SensorClass::A,
        "pair" => SensorClass::Pair,
        _ => SensorClass::B, // the words are AA, A, B and pair
    }
}

fn at_work(given: &Given<'_>) -> Result<fan_wall::AtWork, NoNumber> {
    Ok(fan_wall::at_work(given.list("speed_rpm"), given.number("command"), given.number("full_rpm"))?)
}

pub(super) const FUNCTIONS: &[Function] = &[
    Function {
        name: "margin_to_wettest",
        arguments: &[
            believed("t_surface_c", "Cel", "surfaces that could become wet"),
            believed("t_dew_c", "Cel", "dew points of the air"),
        ],
        quantity: Quantity::TemperatureDifference,
        unit: "K",
        run: |given| {
            let got = condensation::margin_to_wettest(given.list("t_surface_c"), given.list("t_dew_c"))?;
            Ok(got.margin_k.into())
        },
    },
    Function {
        name: "dew_point_uncertainty",
        arguments: &[AIR, HUMIDITY, U_AIR, U_HUMIDITY],
        quantity: Quantity::TemperatureDifference,
        unit: "K",
        run: |given| {
            let (u_t, u_rh) = (given.number("u_t_k"), given.number("u_rh"));
            let uncertainty = condensation::dew_point_uncertainty(given.number("t_c"), given.number("rh"), u_t, u_rh);
            humid(given, "rh", uncertainty)
        },
    },
    Function {
        name: "margin_uncertainty",
        arguments: &[
            AIR,
            HUMIDITY,
            U_AIR,
            U_HUMIDITY,
            number("u_surface_k", "K", "uncertainty of the surface's sensor"),
        ],
        quantity: Quantity::TemperatureDifference,
        unit: "K",
        run: |given| {
            let (u_t, u_rh) = (given.number("u_t_k"), given.number("u_rh"));
            let (t, rh, surface) = (given.number("t_c"), given.number("rh"), given.number("u_surface_k"));
            humid(given, "rh", condensation::margin_uncertainty(t, rh, u_t, u_rh, surface))
        },
    },
    Function {
        name: "water_heat",
        arguments: &[FLOW, SUPPLY, RETURN, PRESSURE, METER, CUT_OFF],
        quantity: Quantity::Power,
        unit: "kW",
        run: |given| {
            let got = heat::water_heat(&circuit(given))?;
            let doubt = (!got.flows).then_some("no flow: the probes see standing water");
            Ok(Computed { doubt, ..got.kw.into() })
        },
    },
    Function {
        name: "water_heat_uncertainty",
        arguments: &[
            FLOW,
            SUPPLY,
            RETURN,
            PRESSURE,
            METER,
            CUT_OFF,
            number("flow_rel", "1", "relative uncertainty of the flow"),
            Argument {
                name: "class",
                takes: Takes::Word(&["AA", "A", "B", "pair"]),
                meaning: "class of the temperature sensors (IEC 60751), or a matched pair",
            },
        ],
        quantity: Quantity::Power,
        unit: "kW",
        run: |given| plain(heat::water_heat_uncertainty(&circuit(given), given.number("flow_rel"), class(given))),
    },
    Function {
        name: "water_cp",
        arguments: &[number("t_c", "Cel", "water temperature"), PRESSURE],
        quantity: Quantity::SpecificHeat,
        unit: "kJ/(kg.K)",
        run: |given| plain(water::water_cp(given.number("t_c"), given.number("p_pa"))),
    },
    Function {
        name: "glycol_cp",
        arguments: &[
            Argument { name: "kind", takes: Takes::Word(&["propylene", "ethylene"]), meaning: "which glycol" },
            number("mass_frac", "1", "glycol as a part of the mass, not the volume"),
            number("t_c", "Cel", "temperature of the mixture"),
        ],
        quantity: Quantity::SpecificHeat,
        unit: "kJ/(kg.K)",
        run: |given| {
            let kind = glycol_kind(given.word("kind"));
            plain(glycol::glycol_cp(kind, given.number("mass_frac"), given.number("t_c")))
        },
    },
    Function {
        name: "flow_from_pump",
        arguments: &[
            number("rise_kpa", "kPa", "pressure rise over the pumps"),
            believed("speed_rpm", "/min", "speeds of the pumps; the fastest counts"),
            number("full_rpm", "/min", "full speed"),
            number("shut_off_kpa", "kPa", "pressure rise without flow at full speed"),
            number("slope", "1", "fall of the pump's curve, kPa/(m³/h)²"),
        ],
        quantity: Quantity::VolumeFlow,
        unit: "m3/h",
        run: |given| {
            let full = given.number("full_rpm");
            if !(full > 0.0 && full.is_finite()) {
                return Err(domain("full_rpm must be positive"));
            }
            let (rise, speed) = (given.number("rise_kpa"), largest(given.list("speed_rpm")) / full);
            plain(balance::flow_from_pump(rise, speed, given.number("shut_off_kpa"), given.number("slope")))
        },
    },
    Function {
        name: "ntu_from_eff",
        arguments: &[
            number("eff", "1", "effectiveness"),
            number("cr", "1", "smaller by larger capacity flow"),
            Argument {
                name: "type",
                takes: Takes::Word(&["counterflow", "crossflow_unmixed"]),
                meaning: "how the two streams run",
            },
        ],
        quantity: Quantity::Ratio,
        unit: "1",
        run: |given| plain(surface::ntu_from_eff(given.number("eff"), given.number("cr"), arrangement(given))),
    },
    Function {
        name: "coil_ua_counterflow",
        arguments: &[
            number("q_kw", "kW", "heat"),
            number("th_in", "Cel", "warm stream, inlet"),
            number("th_out", "Cel", "warm stream, outlet"),
            number("tc_in", "Cel", "cold stream, inlet"),
            number("tc_out", "Cel", "cold stream, outlet"),
            number_or("steady", "1", 1.0, "1 in steady state"),
        ],
        quantity: Quantity::HeatTransfer,
        unit: "kW/K",
        run: |given| {
            super::is_steady(given)?;
            let (th_in, th_out) = (given.number("th_in"), given.number("th_out"));
            let (tc_in, tc_out) = (given.number("tc_in"), given.number("tc_out"));
            plain(coil::coil_ua_counterflow(given.number("q_kw"), th_in, th_out, tc_in, tc_out))
        },
    },
    Function {
        name: "coil_approach",
        arguments: &[
            believed("ta_out", "Cel", "air leaving the coil; their mean counts"),
            number("tw_in", "Cel", "water entering it"),
        ],
        quantity: Quantity::TemperatureDifference,
        unit: "K",
        run: |given| plain(surface::coil_approach(mean(given.list("ta_out")), given.number("tw_in"))),
    },
    Function {
        name: "coil_against_clean",
        arguments: &[
            number("ua_kw_k", "kW/K", "conductance now"),
            number("air_m3s", "m3/s", "air flow"),
            number("water_m3h", "m3/h", "water flow"),
            SUPPLY,
            RETURN,
            number("t_dew_c", "Cel", "dew point of the air that enters the coil"),
            number("steady", "1", "1 in steady state"),
            number("ref_ua_kw_k", "kW/K", "conductance when clean"),
            number("ref_air_m3s", "m3/s", "air flow at that"),
            number("ref_water_m3h", "m3/h", "water flow at that"),
            number("wall_share", "1", "the wall's share of the resistance then"),
            number("air_share", "1", "the air side's share; the rest is the water side's"),
        ],
        quantity: Quantity::Ratio,
        unit: "1",
        run: |given| {
            super::is_steady(given)?;
            surface::dry_and_loaded(given.number("t_supply_c"), given.number("t_return_c"), given.number("t_dew_c"))?;
            let clean = CleanCoil {
                ua_kw_k: given.number("ref_ua_kw_k"),
                air_m3s: given.number("ref_air_m3s"),
                water_m3h: given.number("ref_water_m3h"),
                wall_share: given.number("wall_share"),
                air_share: given.number("air_share"),
            };
            let (air, water) = (given.number("air_m3s"), given.number("water_m3h"));
            plain(surface::ua_against_clean(given.number("ua_kw_k"), air, water, &clean))
        },
    },
    Function {
        name: "fans_working",
        arguments: &[SPEEDS, COMMAND, FULL_SPEED],
        quantity: Quantity::Count,
        unit: "1",
        run: |given| Ok(f64::from(at_work(given)?.working).into()),
    },
    Function {
        name: "fans_backwards",
        arguments: &[SPEEDS, COMMAND, FULL_SPEED],
        quantity: Quantity::Count,
        unit: "1",
        run: |given| Ok(f64::from(at_work(given)?.backwards).into()),
    },
    Function {
        name: "fan_reserve",
        arguments: &[SPEEDS, COMMAND, FULL_SPEED, number("needed", "1", "fans needed at full load")],
        quantity: Quantity::Count,
        unit: "1",
        run: |given| {
            let needed = given.number("needed");
            if !(0.0..=1e4).contains(&needed) {
                return Err(domain("needed must be from 0 to 10000"));
            }
            Ok((f64::from(at_work(given)?.working) - needed).into())
        },
    },
    Function {
        name: "one_fan_less",
        arguments: &[
            number("n", "1", "fans at work"),
            number("speed", "1", "their speed as a fraction of full speed"),
            number("dp_pa", "Pa", "pressure rise over the fan wall"),
            number("shut_off_pa", "Pa", "pressure of a fan without flow at full speed"),
            number("slope", "1", "fall of a fan's curve, Pa/(m³/s)²"),
        ],
        quantity: Quantity::Ratio,
        unit: "1",
        run: |given| {
            let curve = FanCurve { shut_off_pa: given.number("shut_off_pa"), slope: given.number("slope") };
            plain(fan_wall::one_fan_less(given.number("n"), given.number("speed"), given.number("dp_pa"), curve))
        },
    },
    Function {
        name: "flow_from_drop",
        arguments: &[DROP, LESS, REF_DROP, REF_FLOW],
        quantity: Quantity::VolumeFlow,
        unit: "m3/s",
        run: |given| {
            let drop = given.number("dp_pa") - given.number("less_pa");
            plain(fan_wall::flow_from_drop(drop, given.number("ref_dp_pa"), given.number("ref_flow_m3s")))
        },
    },
    Function {
        name: "flow_from_drop_uncertainty",
        arguments: &[
            DROP,
            LESS,
            REF_DROP,
            REF_FLOW,
            number("u_dp_pa", "Pa", "uncertainty of the pressure drop"),
            number("ref_rel", "1", "relative uncertainty of the reference"),
        ],
        quantity: Quantity::VolumeFlow,
        unit: "m3/s",
        run: |given| {
            let drop = given.number("dp_pa") - given.number("less_pa");
            let (ref_drop, ref_flow) = (given.number("ref_dp_pa"), given.number("ref_flow_m3s"));
            let (u, rel) = (given.number("u_dp_pa"), given.number("ref_rel"));
            plain(fan_wall::flow_from_drop_uncertainty(drop, ref_drop, ref_flow, u, rel))
        },
    },
    Function {
        name: "filter_loading",
        arguments: &[
            DROP,
            number("flow_m3s", "m3/s", "air flow"),
            number("clean_dp_pa", "Pa", "pressure drop of the clean filter"),
            number("clean_flow_m3s", "m3/s", "air flow at that"),
        ],
        quantity: Quantity::Ratio,
        unit: "1",
        run: |given| {
            let (clean_dp, clean_flow) = (given.number("clean_dp_pa"), given.number("clean_flow_m3s"));
            plain(fan_wall::filter_loading(given.number("dp_pa"), given.number("flow_m3s"), clean_dp, clean_flow))
        },
    },
];

/// Mean; NaN of none, which every function refuses.
fn mean(list: &[f64]) -> f64 {
    #[allow(clippy::cast_precision_loss)] // no list of points is that long
    let n = list.len() as f64;
    list.iter().sum::<f64>() / n
}
