//! Every function of numbers is total: any finite input gives a finite number or a refusal by name, and NaN and
//! infinities are refused by the name of the input that holds them.

use lapwing_engine::physics::coil::Arrangement::{Counterflow, CrossflowUnmixed};
use lapwing_engine::physics::fan::FanPoint;
use lapwing_engine::physics::glycol::Glycol::{Ethylene, Propylene};
use lapwing_engine::physics::water::Meter::{Return, Supply};
use lapwing_engine::physics::{
    NoNumber, air, battery, coil, efficiency, envelope, failover, fan, forecast, glycol, moist_air, ride_through,
    serial_line, signal, three_phase, water,
};
use proptest::prelude::*;

/// A function of plain numbers: its inputs by name, numbers that it answers, and itself.
struct Total {
    name: &'static str,
    inputs: &'static [&'static str],
    sound: &'static [f64],
    run: fn(&[f64]) -> Result<f64, NoNumber>,
}

macro_rules! total {
    ($name:literal, $run:expr, $($input:literal = $sound:literal),+) => {
        Total { name: $name, inputs: &[$($input),+], sound: &[$($sound),+], run: $run }
    };
}

/// Lists stand as their elements: three of them where the function wants three.
#[rustfmt::skip]
const FUNCTIONS: &[Total] = &[
    total!("sat_vap_pres", |x| air::sat_vap_pres(x[0]), "t_c" = 25.0),
    total!("dew_point", |x| air::dew_point(x[0], x[1]), "t_c" = 25.0, "rh" = 0.5),
    total!("condensation_margin", |x| air::condensation_margin(x[0], x[1], x[2]), "t_surface_c" = 18.0, "t_air_c" = 25.0, "rh" = 0.5),
    total!("std_pressure", |x| air::std_pressure(x[0]), "alt_m" = 500.0),
    total!("hum_ratio", |x| moist_air::hum_ratio(x[0], x[1], x[2]), "t_c" = 25.0, "rh" = 0.5, "p_pa" = 101_325.0),
    total!("hum_ratio_sat", |x| moist_air::hum_ratio_sat(x[0], x[1]), "t_c" = 25.0, "p_pa" = 101_325.0),
    total!("hum_ratio_from_wb", |x| moist_air::hum_ratio_from_wb(x[0], x[1], x[2]), "t_c" = 40.0, "twb_c" = 20.0, "p_pa" = 101_325.0),
    total!("wet_bulb", |x| moist_air::wet_bulb(x[0], x[1], x[2]), "t_c" = 25.0, "rh" = 0.5, "p_pa" = 101_325.0),
    total!("enthalpy", |x| moist_air::enthalpy(x[0], x[1]), "t_c" = 25.0, "w" = 0.01),
    total!("enthalpy_from_wb", |x| moist_air::enthalpy_from_wb(x[0], x[1], x[2]), "t_c" = 40.0, "twb_c" = 20.0, "p_pa" = 101_325.0),
    total!("density_moist", |x| moist_air::density_moist(x[0], x[1], x[2]), "t_c" = 25.0, "w" = 0.01, "p_pa" = 101_325.0),
    total!("density_moist_rh", |x| moist_air::density_moist_rh(x[0], x[1], x[2]), "t_c" = 25.0, "rh" = 0.5, "p_pa" = 101_325.0),
    total!("air_sensible_kw", |x| moist_air::air_sensible_kw(x[0], x[1], x[2], x[3], x[4]), "flow_m3s" = 10.0, "t_in_c" = 37.0, "t_out_c" = 25.0, "rh_in" = 0.2, "p_pa" = 101_325.0),
    total!("cfm_for_kw", |x| moist_air::cfm_for_kw(x[0], x[1]), "kw" = 25.0, "dt_f" = 25.0),
    total!("water_density", |x| water::water_density(x[0], x[1]), "t_c" = 20.0, "p_pa" = 3.0e5),
    total!("water_cp", |x| water::water_cp(x[0], x[1]), "t_c" = 20.0, "p_pa" = 3.0e5),
    total!("water_enthalpy", |x| water::water_enthalpy(x[0], x[1]), "t_c" = 20.0, "p_pa" = 3.0e5),
    total!("water_heat_kw, supply", |x| water::water_heat_kw(x[0], x[1], x[2], x[3], Supply), "flow_m3h" = 50.0, "t_supply_c" = 18.0, "t_return_c" = 28.0, "p_pa" = 3.0e5),
    total!("water_heat_kw, return", |x| water::water_heat_kw(x[0], x[1], x[2], x[3], Return), "flow_m3h" = 50.0, "t_supply_c" = 18.0, "t_return_c" = 28.0, "p_pa" = 3.0e5),
    total!("heat_btuh_rule", |x| water::heat_btuh_rule(x[0], x[1]), "gpm" = 228.0, "dt_f" = 18.0),
    total!("heat_rel_uncertainty", |x| water::heat_rel_uncertainty(x[0], x[1], x[2]), "flow_rel" = 0.01, "t_sensor_abs_k" = 0.19, "dt_k" = 6.0),
    total!("glycol_density", |x| glycol::glycol_density(Propylene, x[0], x[1]), "mass_frac" = 0.3, "t_c" = 20.0),
    total!("glycol_cp", |x| glycol::glycol_cp(Ethylene, x[0], x[1]), "mass_frac" = 0.3, "t_c" = 20.0),
    total!("glycol_freezing", |x| glycol::glycol_freezing(Ethylene, x[0]), "mass_frac" = 0.3),
    total!("eff_from_ntu, counterflow", |x| coil::eff_from_ntu(x[0], x[1], Counterflow), "ntu" = 1.5, "cr" = 0.8),
    total!("eff_from_ntu, crossflow", |x| coil::eff_from_ntu(x[0], x[1], CrossflowUnmixed), "ntu" = 1.5, "cr" = 0.8),
    total!("lmtd", |x| coil::lmtd(x[0], x[1], x[2], x[3]), "th_in" = 36.0, "th_out" = 24.0, "tc_in" = 18.0, "tc_out" = 26.0),
    total!("coil_ua_counterflow", |x| coil::coil_ua_counterflow(x[0], x[1], x[2], x[3], x[4]), "q_kw" = 420.0, "th_in" = 36.0, "th_out" = 24.0, "tc_in" = 18.0, "tc_out" = 26.0),
    total!("coil_air_effectiveness", |x| coil::coil_air_effectiveness(x[0], x[1], x[2]), "ta_in" = 36.0, "ta_out" = 24.0, "tw_in" = 18.0),
    total!("fan_affinity", |x| fan::fan_affinity(FanPoint { q: x[0], dp: x[1], p: x[2] }, x[3], x[4]).map(|got| got.q + got.dp + got.p), "q1" = 42.8, "dp1" = 150.0, "p1" = 14.0, "n1" = 1000.0, "n2" = 1250.0),
    total!("three_phase_kw", |x| three_phase::three_phase_kw(x[0], x[1], x[2]), "v_ll" = 415.0, "i_a" = 180.0, "pf" = 0.98),
    total!("three_phase_kw_per_phase", |x| three_phase::three_phase_kw_per_phase(&x[..1], &x[1..2], &x[2..]), "v_ln" = 239.0, "i_a" = 100.0, "pf" = 0.98),
    total!("unbalance_nema", three_phase::unbalance_nema, "v" = 462.0, "v" = 463.0, "v" = 455.0),
    total!("unbalance_iec_u2", three_phase::unbalance_iec_u2, "v_ll" = 403.0, "v_ll" = 400.0, "v_ll" = 391.0),
    total!("neutral_current", three_phase::neutral_current, "i" = 10.0, "i" = 15.0, "i" = 20.0),
    total!("min_ocpd_a", |x| three_phase::min_ocpd_a(x[0], x[1]), "continuous_a" = 160.0, "noncontinuous_a" = 20.0),
    total!("failover_utilisation", |x| failover::failover_utilisation(&x[..2], &x[2..4], x[4], x[5]).map(|got| got.max_frac), "a" = 80.0, "a" = 85.0, "b" = 82.0, "b" = 90.0, "rating_a" = 250.0, "limit_frac" = 0.8),
    total!("peukert_h", |x| battery::peukert_h(x[0], x[1], x[2], x[3]), "c_ah" = 100.0, "h" = 20.0, "i_a" = 10.0, "k" = 1.2),
    total!("runtime_const_power_min", |x| battery::runtime_const_power_min(x[0], &[(x[1], x[2]), (x[3], x[4])]).map(|got| got.minutes), "kw" = 6.0, "table_kw_min" = 4.0, "table_kw_min" = 22.0, "table_kw_min" = 16.0, "table_kw_min" = 3.8),
    total!("battery_life_factor", |x| battery::battery_life_factor(x[0]), "t_c" = 35.0),
    total!("pue", |x| efficiency::pue(&x[..2], &x[2..]), "e_total_kwh" = 52.0, "e_total_kwh" = 47.0, "e_it_kwh" = 40.0, "e_it_kwh" = 38.0),
    total!("ppue", |x| efficiency::ppue(x[0], x[1]), "e_it_kwh" = 400.0, "e_sub_overhead_kwh" = 22.0),
    total!("wue", |x| efficiency::wue(&x[..1], &x[1..]), "water_l" = 1800.0, "e_it_kwh" = 40_000.0),
    total!("ashrae_roc_ok", |x| envelope::ashrae_roc_ok(envelope::Equipment::Tape, &x[..2], &x[2..]).map(|got| got.d60), "t_min" = 0.0, "t_min" = 5.0, "inlet_c" = 22.0, "inlet_c" = 23.0),
    total!("air_only_rate", |x| ride_through::air_only_rate(x[0], x[1], x[2], x[3]), "q_kw" = 420.0, "volume_m3" = 120.0, "rho" = 1.16, "cp" = 1.007),
    total!("loop_rate", |x| ride_through::loop_rate(x[0], x[1], x[2], x[3]), "q_kw" = 420.0, "loop_m3" = 5.0, "rho" = 998.0, "cp" = 4.186),
    total!("two_node_time_to_rise", |x| ride_through::two_node_time_to_rise(x[0], x[1], x[2], x[3], x[4]), "q_kw" = 420.0, "c_air" = 140.0, "c_mass" = 7650.0, "ha_kw_k" = 25.5, "dt_k" = 20.0),
    total!("least_squares", |x| forecast::least_squares(&x[..3], &x[3..]).map(|line| line.slope + line.standard_error), "t_s" = 0.0, "t_s" = 1.0, "t_s" = 2.5, "y" = 25.0, "y" = 25.4, "y" = 25.9),
    total!("theil_sen", |x| forecast::theil_sen(&x[..3], &x[3..], &mut [0.0; 3]), "t_s" = 0.0, "t_s" = 1.0, "t_s" = 2.5, "y" = 25.0, "y" = 25.4, "y" = 25.9),
    total!("slope_sd", |x| forecast::slope_sd(x[0], x[1], x[2]), "sigma" = 0.1, "n" = 10.0, "dt_s" = 1.0),
    total!("time_to_limit", |x| forecast::time_to_limit(x[0], x[1], x[2]), "x_now" = 29.0, "slope" = 0.4, "limit" = 45.0),
    total!("ne43_class", |x| signal::ne43_class(x[0]).map(|_| 0.0), "ma" = 12.0),
    total!("scale_4_20", |x| signal::scale_4_20(x[0], x[1], x[2]), "ma" = 12.8, "lo" = 0.0, "hi" = 100.0),
    total!("vote_2oo3_median", |x| signal::vote_2oo3_median([Some(x[0]), Some(x[1]), Some(x[2])], x[3]).map(|vote| vote.value), "v" = 24.9, "v" = 25.1, "v" = 31.0, "tolerance" = 1.0),
    total!("rtu_t35_us", |x| serial_line::rtu_t35_us(x[0], x[1]), "baud" = 9600.0, "bits_per_char" = 11.0),
    total!("rtu_poll_ms", |x| serial_line::rtu_poll_ms(x[0], x[1], x[2]), "baud" = 9600.0, "bits_per_char" = 11.0, "regs" = 125.0),
];

#[test]
fn what_is_no_number_is_refused_by_its_name() {
    let mut wrong = Vec::new();
    for function in FUNCTIONS {
        let whole = (function.run)(function.sound).unwrap_or_else(|none| panic!("{}: {none}", function.name));
        assert!(whole.is_finite(), "{}: {whole}", function.name);
        for (at, input) in function.inputs.iter().enumerate() {
            for strange in [f64::NAN, -f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
                let mut given = function.sound.to_vec();
                given[at] = strange;
                let got = (function.run)(&given);
                if !matches!(got, Err(NoNumber::DomainError { input: named, .. }) if named == *input) {
                    wrong.push(format!("{} with {input} {strange}: {got:?}", function.name));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// Any number there is, those of the field more often.
fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => -50.0..150.0_f64,
        2 => 0.0..=1.0_f64,
        2 => 0.0..2.0e5_f64,
        1 => (0_u32..130).prop_map(f64::from),
        2 => any::<u64>().prop_map(f64::from_bits),
        1 => prop::sample::select(vec![0.0, -0.0, f64::MAX, f64::MIN, f64::MIN_POSITIVE, 5e-324, -273.15, 1e-300, 1e300]),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn any_input_gives_a_number_or_a_named_refusal(numbers in prop::collection::vec(number(), 6), keep in any::<u8>()) {
        for function in FUNCTIONS {
            // Some inputs stay sound, or hardly any would ever get past the first check.
            let given = function.sound.iter().zip(&numbers).enumerate();
            let given: Vec<f64> = given.map(|(at, (sound, any))| if keep >> at & 1 == 1 { *sound } else { *any }).collect();
            let strange: Vec<&str> =
                function.inputs.iter().zip(&given).filter(|(_, x)| !x.is_finite()).map(|(name, _)| *name).collect();
            match (function.run)(&given) {
                Ok(number) => {
                    prop_assert!(number.is_finite(), "{} {given:?}: {number}", function.name);
                    prop_assert!(strange.is_empty(), "{} answers {number} to {given:?}", function.name);
                }
                Err(none) => {
                    prop_assert!(!none.to_string().is_empty() && !none.word().is_empty());
                    if let Some(input) = none.input() {
                        prop_assert!(function.inputs.contains(&input), "{}: '{input}' is none of its inputs", function.name);
                    }
                }
            }
        }
    }
}
