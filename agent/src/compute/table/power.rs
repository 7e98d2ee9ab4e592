//! Functions of electrical power, batteries and efficiency. Never panics.

use lapwing_engine::physics::{battery, efficiency, failover, three_phase};
use lapwing_protocol::Quantity;
use serde_json::json;

use super::super::{Argument, Computed, Function, Takes};
use super::{list, number, plain};

const ENERGY_IT: Argument = list("e_it_kwh", "kW.h", "energy of the IT equipment, by part of the period");

pub(super) const FUNCTIONS: &[Function] = &[
    Function {
        name: "three_phase_kw",
        arguments: &[
            number("v_ll", "V", "voltage between lines"),
            number("i_a", "A", "current of each line"),
            number("pf", "1", "power factor"),
        ],
        quantity: Quantity::Power,
        unit: "kW",
        run: |given| plain(three_phase::three_phase_kw(given.number("v_ll"), given.number("i_a"), given.number("pf"))),
    },
    Function {
        name: "three_phase_kw_per_phase",
        arguments: &[
            list("v_ln", "V", "voltages to neutral"),
            list("i_a", "A", "phase currents"),
            list("pf", "1", "power factors"),
        ],
        quantity: Quantity::Power,
        unit: "kW",
        run: |given| {
            plain(three_phase::three_phase_kw_per_phase(given.list("v_ln"), given.list("i_a"), given.list("pf")))
        },
    },
    Function {
        name: "unbalance_nema",
        arguments: &[list("v", "V", "three voltages between lines")],
        quantity: Quantity::Ratio,
        unit: "%",
        run: |given| plain(three_phase::unbalance_nema(given.list("v"))),
    },
    Function {
        name: "unbalance_iec_u2",
        arguments: &[list("v_ll", "V", "three voltages between lines")],
        quantity: Quantity::Ratio,
        unit: "%",
        run: |given| plain(three_phase::unbalance_iec_u2(given.list("v_ll"))),
    },
    Function {
        name: "neutral_current",
        arguments: &[list("i", "A", "three phase currents")],
        quantity: Quantity::Current,
        unit: "A",
        run: |given| plain(three_phase::neutral_current(given.list("i"))),
    },
    Function {
        name: "min_ocpd_a",
        arguments: &[
            number("continuous_a", "A", "load of three hours and more"),
            number("noncontinuous_a", "A", "other load"),
        ],
        quantity: Quantity::Current,
        unit: "A",
        run: |given| plain(three_phase::min_ocpd_a(given.number("continuous_a"), given.number("noncontinuous_a"))),
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
            let got = failover::failover_utilisation(a, b, given.number("rating_a"), given.number("limit_frac"))?;
            let value = json!({ "max_frac": got.max_frac, "pass": got.pass });
            Ok(Computed { value, number: got.max_frac, doubt: None })
        },
    },
    Function {
        name: "peukert_h",
        arguments: &[
            number("c_ah", "A.h", "capacity at the rated hours"),
            number("h", "h", "rated hours"),
            number("i_a", "A", "current drawn"),
            number("k", "1", "Peukert's exponent"),
        ],
        quantity: Quantity::Time,
        unit: "h",
        run: |given| {
            plain(battery::peukert_h(given.number("c_ah"), given.number("h"), given.number("i_a"), given.number("k")))
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
            let got = battery::runtime_const_power_min(given.number("kw"), given.pairs("table_kw_min"))?;
            let doubt = (!got.within_table).then_some("the power lies outside the table: the nearest row's time");
            Ok(Computed { doubt, ..got.minutes.into() })
        },
    },
    Function {
        name: "battery_life_factor",
        arguments: &[number("t_c", "Cel", "battery temperature")],
        quantity: Quantity::Ratio,
        unit: "1",
        run: |given| plain(battery::battery_life_factor(given.number("t_c"))),
    },
    Function {
        name: "pue",
        arguments: &[list("e_total_kwh", "kW.h", "energy of the whole, by part of the period"), ENERGY_IT],
        quantity: Quantity::Ratio,
        unit: "1",
        run: |given| plain(efficiency::pue(given.list("e_total_kwh"), given.list("e_it_kwh"))),
    },
    Function {
        name: "ppue",
        arguments: &[
            number("e_it_kwh", "kW.h", "energy of the zone's IT equipment"),
            number("e_sub_overhead_kwh", "kW.h", "all other energy of the zone"),
        ],
        quantity: Quantity::Ratio,
        unit: "1",
        run: |given| plain(efficiency::ppue(given.number("e_it_kwh"), given.number("e_sub_overhead_kwh"))),
    },
];
