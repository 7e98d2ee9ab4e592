//! Functions by name: brings the inputs of a request to the engine's physics, and its answer back.
//!
//! Names and inputs as in `lapwing calc`. An input that is missing or of another form is NaN, an empty list or an empty
//! word, which every function refuses; the host's table of checks only asks what fits. Never panics.

use alloc::string::{String, ToString};
use alloc::vec;
use alloc::vec::Vec;

use lapwing_engine::physics::{
    self, air, battery, capacity, coil, countdown, efficiency, envelope, failover, fan, forecast, glycol, moist_air, ride_through,
    serial_line, signal, three_phase, ups, water,
};
use lapwing_engine::physics::countdown::{Countdown, Seen};
use lapwing_protocol::Decimal;
use serde_json::{Map, Value, json};

use crate::{decoded, sequence, slope};

/// Why there is no number.
pub struct NoNumber {
    /// `domain_error`, `undefined`, `none` or `not_available`.
    pub word: &'static str,
    /// Why.
    pub why: String,
}

impl From<physics::NoNumber> for NoNumber {
    fn from(none: physics::NoNumber) -> Self {
        Self { word: none.word(), why: none.to_string() }
    }
}

/// The inputs of one request.
pub struct Inputs<'a>(pub &'a Map<String, Value>);

impl Inputs<'_> {
    /// A number.
    pub fn f(&self, name: &str) -> f64 {
        self.0.get(name).and_then(Value::as_f64).unwrap_or(f64::NAN)
    }

    /// A list of numbers.
    pub fn list(&self, name: &str) -> Vec<f64> {
        let list = self.0.get(name).and_then(Value::as_array);
        list.map_or_else(Vec::new, |list| list.iter().filter_map(Value::as_f64).collect())
    }

    /// A whole number.
    pub fn whole(&self, name: &str) -> i64 {
        self.0.get(name).and_then(Value::as_i64).unwrap_or_default()
    }

    /// A word.
    pub fn word(&self, name: &str) -> &str {
        self.0.get(name).and_then(Value::as_str).unwrap_or_default()
    }
}

/// The answer of a function; `None` if this node has none of that name.
pub fn answer(function: &str, given: &Inputs<'_>) -> Option<Result<Value, NoNumber>> {
    let number = scalar(function, given).map(|got| got.map(Value::from).map_err(NoNumber::from));
    number.or_else(|| parts(function, given)).or_else(|| registers(function, given))
}

/// Functions whose answer is one number.
fn scalar(function: &str, given: &Inputs<'_>) -> Option<Result<f64, physics::NoNumber>> {
    let (f, list) = (|name| given.f(name), |name| given.list(name));
    let or = |name, otherwise| if given.0.contains_key(name) { given.f(name) } else { otherwise };
    Some(match function {
        "sat_vap_pres" => air::sat_vap_pres(f("t_c")),
        "dew_point" => air::dew_point(f("t_c"), f("rh")),
        "wet_bulb" => moist_air::wet_bulb(f("t_c"), f("rh"), f("p_pa")),
        "hum_ratio" => moist_air::hum_ratio(f("t_c"), f("rh"), f("p_pa")),
        "hum_ratio_sat" => moist_air::hum_ratio_sat(f("t_c"), f("p_pa")),
        "hum_ratio_from_wb" => moist_air::hum_ratio_from_wb(f("t_c"), f("twb_c"), f("p_pa")),
        "enthalpy" => moist_air::enthalpy(f("t_c"), f("w")),
        "enthalpy_from_wb" => moist_air::enthalpy_from_wb(f("t_c"), f("twb_c"), f("p_pa")),
        "density_moist" => moist_air::density_moist(f("t_c"), f("w"), f("p_pa")),
        "density_moist_rh" => moist_air::density_moist_rh(f("t_c"), f("rh"), f("p_pa")),
        "std_pressure" => air::std_pressure(f("alt_m")),
        "condensation_margin" => air::condensation_margin(f("t_surface_c"), f("t_air_c"), f("rh")),
        "air_sensible_kw" => {
            moist_air::air_sensible_kw(f("flow_m3s"), f("t_in_c"), f("t_out_c"), f("rh_in"), f("p_pa"))
        }
        "cfm_for_kw" => moist_air::cfm_for_kw(f("kw"), f("dt_f")),
        "water_density" => water::water_density(f("t_c"), f("p_pa")),
        "water_cp" => water::water_cp(f("t_c"), f("p_pa")),
        "glycol_cp" => glycol::glycol_cp(kind(given), f("mass_frac"), f("t_c")),
        "glycol_density" => glycol::glycol_density(kind(given), f("mass_frac"), f("t_c")),
        "water_heat_kw" => {
            let meter = if given.word("meter") == "return" { water::Meter::Return } else { water::Meter::Supply };
            water::water_heat_kw(f("flow_m3h"), f("t_supply_c"), f("t_return_c"), f("p_pa"), meter)
        }
        "heat_btuh_rule" => water::heat_btuh_rule(f("gpm"), f("dt_f")),
        "heat_rel_uncertainty" => water::heat_rel_uncertainty(f("flow_rel"), f("t_sensor_abs_k"), f("dt_k")),
        "eff_from_ntu" => {
            let counterflow = given.word("type") == "counterflow";
            let how = if counterflow { coil::Arrangement::Counterflow } else { coil::Arrangement::CrossflowUnmixed };
            coil::eff_from_ntu(f("ntu"), f("cr"), how)
        }
        "lmtd" => coil::lmtd(f("th_in"), f("th_out"), f("tc_in"), f("tc_out")),
        "coil_ua_counterflow" => {
            coil::coil_ua_counterflow(f("q_kw"), f("th_in"), f("th_out"), f("tc_in"), f("tc_out"))
        }
        "coil_air_effectiveness" => coil::coil_air_effectiveness(f("ta_in"), f("ta_out"), f("tw_in")),
        "three_phase_kw" => three_phase::three_phase_kw(f("v_ll"), f("i_a"), f("pf")),
        "three_phase_kw_per_phase" => three_phase::three_phase_kw_per_phase(&list("v_ln"), &list("i_a"), &list("pf")),
        "unbalance_nema" => three_phase::unbalance_nema(&list("v")),
        "unbalance_iec_u2" => three_phase::unbalance_iec_u2(&list("v_ll")),
        "neutral_current" => three_phase::neutral_current(&list("i")),
        "min_ocpd_a" => three_phase::min_ocpd_a(f("continuous_a"), f("noncontinuous_a")),
        "failover_current" => failover::failover_current(f("own_a"), &list("moving_a")),
        "load_pct" => failover::load_pct(&list("i_a"), f("rating_a"), f("limit_frac")),
        "first_breaker" => failover::first_breaker(&list("load_pct")).map(place),
        "first_breaker_margin_a" => failover::first_breaker_margin_a(&list("load_pct"), &list("allowed_a")),
        "meter_difference_pct" => {
            failover::meter_difference_pct(&list("meter_a"), &list("below_a"), f("floor_a"))
        }
        "meter_difference_power_pct" => failover::meter_difference_power_pct(
            f("meter_kw"),
            &list("below_kw"),
            f("efficiency"),
            f("floor_kw"),
        ),
        "meter_difference_ups_pct" => {
            let (below_kw, source) = (list("below_kw"), list("source"));
            let now = failover::AcrossUps {
                at_ms: 0,
                meter_kw: f("meter_kw"),
                below_kw: &below_kw,
                source: &source,
                efficiency: f("efficiency"),
                floor_kw: f("floor_kw"),
            };
            failover::UpsDifference::default().step(&now).map(|got| got.pct)
        }
        "worst_difference_pct" => failover::worst_difference_pct(&list("difference_pct")),
        "headroom_kw" => {
            capacity::headroom_kw(&list("i_a"), f("rating_a"), f("limit_frac"), f("v_ln"), f("pf"))
                .and_then(|kw| capacity::added_kw(kw, or("draws_per_kw", 1.0)))
        }
        "left_kw" => capacity::left_kw(f("limit_kw"), &list("loads_kw"))
            .and_then(|kw| capacity::added_kw(kw, or("draws_per_kw", 1.0))),
        "capacity_kw" => capacity::least(&list("kw")).map(|(_, kw)| kw),
        "capacity_bound_by" => capacity::least(&list("kw")).map(|(at, _)| place(at)),
        "capacity_together_kw" => capacity::together_kw(&list("kw")),
        "sum_kw" => capacity::sum_kw(&list("kw")),
        "unbalance_nema_ln" => three_phase::unbalance_nema_ln(&list("v_ln")),
        "unbalance_iec_u2_ln" => three_phase::unbalance_iec_u2_ln(&list("v_ln")),
        "current_unbalance_pct" => three_phase::current_unbalance_pct(&list("i_a"), f("rating_a")),
        "ups_seconds_left" => seconds_left(given),
        "ride_through_margin_s" => {
            countdown::ride_through_margin_s(&list("left_s"), f("start_s"), f("transfer_s"), f("margin_s"))
        }
        "peukert_h" => battery::peukert_h(f("c_ah"), f("h"), f("i_a"), f("k")),
        "runtime_const_power_min" => {
            battery::runtime_const_power_min(f("kw"), &pairs(given, "table_kw_min")).map(|got| got.minutes)
        }
        "battery_life_factor" => battery::battery_life_factor(f("t_c")),
        "pue" => efficiency::pue(&list("e_total_kwh"), &list("e_it_kwh")),
        "ppue" => efficiency::ppue(f("e_it_kwh"), f("e_sub_overhead_kwh")),
        "wue" => efficiency::wue(&list("water_l"), &list("e_it_kwh")),
        "air_only_rate" => ride_through::air_only_rate(f("q_kw"), f("volume_m3"), f("rho"), f("cp")),
        "loop_rate" => ride_through::loop_rate(f("q_kw"), f("loop_m3"), f("rho"), f("cp")),
        "two_node_time_to_rise" => {
            ride_through::two_node_time_to_rise(f("q_kw"), f("c_air"), f("c_mass"), f("ha_kw_k"), f("dt_k"))
        }
        "scale_4_20" => signal::scale_4_20(f("ma"), f("lo"), f("hi")),
        "ls_slope" => slope::line(&list("t_s"), &list("y")).map(|line| line.slope),
        "ls_slope_se" => slope::line(&list("t_s"), &list("y")).map(|line| line.standard_error),
        "theil_sen" => {
            let (t, y) = (list("t_s"), list("y"));
            forecast::theil_sen(&t, &y, &mut vec![0.0; forecast::pairs(t.len())])
        }
        "slope_sd" => forecast::slope_sd(f("sigma"), f("n"), f("dt_s")),
        "time_to_limit" => forecast::time_to_limit(f("x_now"), f("slope"), f("limit")),
        "rtu_t35_us" => serial_line::rtu_t35_us(f("baud"), f("bits_per_char")),
        "rtu_poll_ms" => {
            let bits = if given.0.contains_key("bits_per_char") { f("bits_per_char") } else { serial_line::BITS_PER_CHAR };
            serial_line::rtu_poll_ms(f("baud"), bits, f("regs"))
        }
        _ => return None,
    })
}

/// Functions whose answer has parts or is a word.
fn parts(function: &str, given: &Inputs<'_>) -> Option<Result<Value, NoNumber>> {
    let f = |name| given.f(name);
    let got: Result<Value, physics::NoNumber> = match function {
        "fan_affinity" => {
            fan::fan_affinity(fan::FanPoint { q: f("q1"), dp: f("dp1"), p: f("p1") }, f("n1"), f("n2"))
                .map(|got| json!({ "q": got.q, "dp": got.dp, "p": got.p }))
        }
        "failover_utilisation" => {
            failover::failover_utilisation(&given.list("a"), &given.list("b"), f("rating_a"), f("limit_frac"))
                .map(|got| json!({ "max_frac": got.max_frac, "pass": got.pass }))
        }
        "ashrae_roc_ok" => {
            let tape = given.word("kind") == "tape";
            let equipment = if tape { envelope::Equipment::Tape } else { envelope::Equipment::SolidState };
            envelope::ashrae_roc_ok(equipment, &given.list("t_min"), &given.list("inlet_c")).map(|got| {
                if tape {
                    json!({ "d60": got.d60, "pass": got.pass })
                } else {
                    json!({ "d15": got.d15, "d60": got.d60, "pass": got.pass })
                }
            })
        }
        "ne43_class" => signal::ne43_class(f("ma")).map(|class| class.name().into()),
        "vote_2oo3_median" => {
            let v = match *given.list("v") {
                [a, b, c] => [Some(a), Some(b), Some(c)],
                [a, b] => [Some(a), Some(b), None],
                ref other => {
                    let why = alloc::format!("v must be three sensors, or two that are left of three, not {}", other.len());
                    return Some(Err(NoNumber { word: "domain_error", why }));
                }
            };
            signal::vote_2oo3_median(v, f64::MAX).map(|vote| vote.value.into())
        }
        "alarm_seq" => return Some(sequence::play(given.0)),
        _ => return None,
    };
    Some(got.map_err(NoNumber::from))
}

/// What registers and a UPS card's objects mean.
fn registers(function: &str, given: &Inputs<'_>) -> Option<Result<Value, NoNumber>> {
    Some(match function {
        "modbus_f32" => decoded::float(given),
        "modbus_sentinel" | "modbus_scaled" => decoded::number(given),
        "ups_decode" => ups::object(&arcs(given.word("oid")))
            .filter(|object| (object.least..=object.most).contains(&given.whole("raw")))
            .map(|object| Decimal::new(given.whole("raw"), object.exponent).to_f64().into())
            .ok_or_else(|| domain("no number of the UPS-MIB, or outside its syntax")),
        "ups_enum" => ups::state_name(given.word("object"), given.whole("raw"))
            .map(Value::from)
            .ok_or_else(|| domain("no enumerated object of the UPS-MIB, or no such value")),
        "ups_alarm_name" => ups::alarm_name(&arcs(given.word("oid"))).map(Value::from).ok_or_else(|| NoNumber {
            word: "none",
            why: "not one of the well-known alarms: a maker's own".into(),
        }),
        _ => return None,
    })
}

/// A place in a list as a number.
fn place(at: usize) -> f64 {
    u32::try_from(at).map_or(f64::NAN, f64::from)
}

/// As at the beginning of a countdown; 5 is a UPS on its battery (RFC 1628, upsOutputSource).
fn seconds_left(given: &Inputs<'_>) -> Result<f64, physics::NoNumber> {
    let seen = Seen {
        at_ms: 0,
        on_battery: (given.f("source") - 5.0).abs() < 0.5,
        reported_min: given.f("reported_min"),
        charge: given.f("charge"),
        kw: given.list("kw").iter().sum(),
        t_c: given.f("t_c"),
        health: if given.0.contains_key("health") { given.f("health") } else { 1.0 },
    };
    Countdown::default().step(&pairs(given, "table_kw_min"), &seen).map(|left| left.seconds)
}

/// An input that no answer fits.
pub fn domain(why: &str) -> NoNumber {
    NoNumber { word: "domain_error", why: why.into() }
}

fn kind(given: &Inputs<'_>) -> glycol::Glycol {
    if given.word("kind") == "ethylene" { glycol::Glycol::Ethylene } else { glycol::Glycol::Propylene }
}

fn pairs(given: &Inputs<'_>, name: &str) -> Vec<(f64, f64)> {
    let pair = |row: &Value| Some((row.get(0)?.as_f64()?, row.get(1)?.as_f64()?));
    let rows = given.0.get(name).and_then(Value::as_array);
    rows.map_or_else(Vec::new, |rows| rows.iter().filter_map(pair).collect())
}

fn arcs(oid: &str) -> Vec<u32> {
    oid.split('.').filter_map(|arc| arc.parse().ok()).collect()
}
