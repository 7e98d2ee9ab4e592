//! Numbers whose units no point has, and answers of several numbers.
//!
//! Only brings inputs to the engine's physics. Never panics.

use lapwing_engine::physics::envelope::{self, Equipment};
use lapwing_engine::physics::fan::{self, FanPoint};
use lapwing_engine::physics::{moist_air, serial_line, signal, water};
use serde::Deserialize;
use serde_json::json;

use super::super::NoNumber;
use super::{Calculation, Found, typed};

pub(super) const CALCULATIONS: &[Calculation] = &[
    Calculation {
        name: "heat_btuh_rule",
        takes: "gpm [[gal_us]/min], dt_f [difference in degF]",
        unit: "[Btu_IT]/h",
        run: |inputs| typed(inputs, |HeatRule { gpm, dt_f }| Ok(water::heat_btuh_rule(gpm, dt_f)?.into())),
    },
    Calculation {
        name: "cfm_for_kw",
        takes: "kw [kW], dt_f [difference in degF]",
        unit: "[cft_i]/min",
        run: |inputs| typed(inputs, |FlowRule { kw, dt_f }| Ok(moist_air::cfm_for_kw(kw, dt_f)?.into())),
    },
    Calculation {
        name: "fan_affinity",
        takes: "q1 [m3/s], dp1 [Pa], p1 [kW], n1 and n2 [any unit of speed]",
        unit: "m3/s,Pa,kW",
        run: |inputs| typed(inputs, fan_affinity),
    },
    Calculation {
        name: "ashrae_roc_ok",
        takes: "kind (solid_state or tape), t_min [list of min], inlet_c [list of Cel]",
        unit: "K,K,1",
        run: |inputs| typed(inputs, roc_ok),
    },
    Calculation {
        name: "ne43_class",
        takes: "ma [mA]",
        unit: "",
        run: |inputs| typed(inputs, |Ne43 { ma }| Ok(signal::ne43_class(ma)?.name().into())),
    },
    Calculation {
        name: "scale_4_20",
        takes: "ma [mA], lo and hi [%]",
        unit: "%",
        run: |inputs| typed(inputs, |Scale { ma, lo, hi }| Ok(signal::scale_4_20(ma, lo, hi)?.into())),
    },
    Calculation {
        name: "rtu_t35_us",
        takes: "baud, bits_per_char",
        unit: "us",
        run: |inputs| {
            typed(inputs, |Silence { baud, bits_per_char }| Ok(serial_line::rtu_t35_us(baud, bits_per_char)?.into()))
        },
    },
    Calculation {
        name: "rtu_poll_ms",
        takes: "baud, regs, and if it is not 11 bits_per_char",
        unit: "ms",
        run: |inputs| {
            typed(inputs, |Poll { baud, regs, bits_per_char }| {
                Ok(serial_line::rtu_poll_ms(baud, bits_per_char, regs)?.into())
            })
        },
    },
];

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct HeatRule {
    gpm: f64,
    dt_f: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FlowRule {
    kw: f64,
    dt_f: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Affinity {
    q1: f64,
    dp1: f64,
    p1: f64,
    n1: f64,
    n2: f64,
}

fn fan_affinity(given: Affinity) -> Result<Found, NoNumber> {
    let from = FanPoint { q: given.q1, dp: given.dp1, p: given.p1 };
    let FanPoint { q, dp, p } = fan::fan_affinity(from, given.n1, given.n2)?;
    Ok(json!({ "q": q, "dp": dp, "p": p }).into())
}

#[derive(Deserialize)]
#[serde(rename_all = "snake_case")]
enum What {
    SolidState,
    Tape,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RateOfChange {
    kind: What,
    t_min: Vec<f64>,
    inlet_c: Vec<f64>,
}

fn roc_ok(given: RateOfChange) -> Result<Found, NoNumber> {
    let equipment = match given.kind {
        What::SolidState => Equipment::SolidState,
        What::Tape => Equipment::Tape,
    };
    let got = envelope::ashrae_roc_ok(equipment, &given.t_min, &given.inlet_c)?;
    let value = match equipment {
        Equipment::SolidState => json!({ "d15": got.d15, "d60": got.d60, "pass": got.pass }),
        Equipment::Tape => json!({ "d60": got.d60, "pass": got.pass }),
    };
    let doubt =
        got.has_gap.then_some("two samples lie more than 15 minutes apart: what happened between them is not known");
    Ok(Found { doubt, ..value.into() })
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Ne43 {
    ma: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Scale {
    ma: f64,
    lo: f64,
    hi: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Silence {
    baud: f64,
    bits_per_char: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Poll {
    baud: f64,
    regs: f64,
    #[serde(default = "standard_bits")]
    bits_per_char: f64,
}

fn standard_bits() -> f64 {
    serial_line::BITS_PER_CHAR
}
