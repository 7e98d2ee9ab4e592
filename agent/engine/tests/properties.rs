//! What physics promises for every input of the working range: directions, bounds, signs.

use lapwing_engine::physics::coil::Arrangement::{Counterflow, CrossflowUnmixed};
use lapwing_engine::physics::glycol::Glycol::{Ethylene, Propylene};
use lapwing_engine::physics::water::Meter::{Return, Supply};
use lapwing_engine::physics::{
    NoNumber, air, battery, coil, efficiency, failover, forecast, glycol, moist_air, ride_through, three_phase, water,
};
use proptest::prelude::*;

/// Of inputs inside the working range.
fn sound(got: Result<f64, NoNumber>) -> f64 {
    got.unwrap_or_else(|none| panic!("inside the working range, and yet: {none}"))
}

/// Where ice and liquid meet, the two branches differ by parts in 10⁵; what rises may stand still there.
const BRANCHES: f64 = 1e-3;

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn the_dew_point_gives_the_vapour_pressure_back(t in -40.0..90.0_f64, rh in 0.01..=1.0_f64) {
        let vapour = rh * sound(air::sat_vap_pres(t));
        let back = sound(air::sat_vap_pres(sound(air::dew_point(t, rh))));
        prop_assert!((back / vapour - 1.0).abs() < 1e-4, "{back} {vapour}");
    }

    #[test]
    fn dew_point_wet_bulb_dry_bulb(t in -30.0..70.0_f64, rh in 0.02..=1.0_f64, p in 60_000.0..108_000.0_f64) {
        let (dew, wet) = (sound(air::dew_point(t, rh)), sound(moist_air::wet_bulb(t, rh, p)));
        prop_assert!(dew <= wet + BRANCHES && wet <= t + BRANCHES, "{dew} {wet} {t}");
    }

    #[test]
    fn what_rises_with_temperature(t in -60.0..100.0_f64, by in 0.01..20.0_f64, rh in 0.05..=0.95_f64) {
        prop_assert!(sound(air::sat_vap_pres(t + by)) > sound(air::sat_vap_pres(t)));
        prop_assert!(sound(air::dew_point(t + by, rh)) > sound(air::dew_point(t, rh)) - BRANCHES);
        prop_assert!(sound(moist_air::enthalpy(t + by, 0.01)) > sound(moist_air::enthalpy(t, 0.01)));
        prop_assert!(sound(moist_air::density_moist(t + by, 0.01, 1e5)) < sound(moist_air::density_moist(t, 0.01, 1e5)));
    }

    #[test]
    fn what_rises_with_humidity(t in -20.0..60.0_f64, rh in 0.02..0.9_f64, more in 0.01..0.09_f64, p in 70_000.0..108_000.0_f64) {
        prop_assert!(sound(air::dew_point(t, rh + more)) > sound(air::dew_point(t, rh)) - BRANCHES);
        prop_assert!(sound(moist_air::hum_ratio(t, rh + more, p)) > sound(moist_air::hum_ratio(t, rh, p)));
        prop_assert!(sound(moist_air::hum_ratio(t, rh, p + 1000.0)) < sound(moist_air::hum_ratio(t, rh, p)));
        // Water is lighter than air.
        prop_assert!(sound(moist_air::density_moist_rh(t, rh + more, p)) < sound(moist_air::density_moist_rh(t, rh, p)));
        prop_assert!(sound(moist_air::wet_bulb(t, rh + more, p)) >= sound(moist_air::wet_bulb(t, rh, p)) - 1e-9);
        let (surface, margin) = (10.0, |rh| sound(air::condensation_margin(10.0, t, rh)));
        prop_assert!(margin(rh + more) < margin(rh) + BRANCHES && margin(rh) == surface - sound(air::dew_point(t, rh)));
    }

    #[test]
    fn pressure_falls_with_height(z in -500.0..10_000.0_f64, by in 1.0..1000.0_f64) {
        prop_assert!(sound(air::std_pressure(z + by)) < sound(air::std_pressure(z)));
    }

    #[test]
    fn heat_has_the_sign_of_its_difference(
        flow in 0.01..300.0_f64, supply in 1.0..60.0_f64, back in 1.0..60.0_f64, p in 1.5e5..1.6e6_f64, rh in 0.0..0.9_f64,
    ) {
        for meter in [Supply, Return] {
            let heat = sound(water::water_heat_kw(flow, supply, back, p, meter));
            prop_assert_eq!(heat > 0.0, back > supply);
            prop_assert_eq!(heat < 0.0, back < supply);
            prop_assert_eq!(sound(water::water_heat_kw(0.0, supply, back, p, meter)), 0.0);
            // The other way round is the other sign, from the same meter's water.
            let other = if meter == Supply { Return } else { Supply };
            let reversed = sound(water::water_heat_kw(flow, back, supply, p, other));
            prop_assert!((heat + reversed).abs() <= 1e-9 * heat.abs(), "{heat} {reversed}");
        }
        let air_heat = sound(moist_air::air_sensible_kw(flow, supply, back, rh, 101_325.0));
        prop_assert!(air_heat.signum() == (supply - back).signum() || supply == back);
    }

    #[test]
    fn water_by_temperature_and_pressure(t in 4.5..90.0_f64, by in 0.1..5.0_f64, p in 1.5e5..1.6e6_f64) {
        prop_assert!(sound(water::water_density(t + by, p)) < sound(water::water_density(t, p)), "it is densest at 4 °C");
        prop_assert!(sound(water::water_density(t, p + 1e5)) > sound(water::water_density(t, p)));
        prop_assert!(sound(water::water_enthalpy(t + by, p)) > sound(water::water_enthalpy(t, p)));
    }

    #[test]
    fn more_glycol_is_denser_freezes_later_and_holds_less(x in 0.02..0.55_f64, more in 0.02..0.05_f64, t in 5.0..60.0_f64) {
        for kind in [Propylene, Ethylene] {
            prop_assert!(sound(glycol::glycol_density(kind, x + more, t)) > sound(glycol::glycol_density(kind, x, t)));
            prop_assert!(sound(glycol::glycol_cp(kind, x + more, t)) < sound(glycol::glycol_cp(kind, x, t)));
            prop_assert!(sound(glycol::glycol_freezing(kind, x + more)) < sound(glycol::glycol_freezing(kind, x)));
        }
    }

    #[test]
    fn the_coil(ntu in 0.01..20.0_f64, more in 0.01..5.0_f64, cr in 0.0..0.95_f64, apart in 0.01..0.05_f64) {
        for how in [Counterflow, CrossflowUnmixed] {
            let at = |ntu, cr| sound(coil::eff_from_ntu(ntu, cr, how));
            prop_assert!(at(ntu + more, cr) >= at(ntu, cr) - 1e-12, "more surface, more heat");
            prop_assert!(at(ntu, cr + apart) <= at(ntu, cr) + 1e-12);
            prop_assert!((0.0..=1.0).contains(&at(ntu, cr)) && at(ntu, cr) <= ntu);
        }
    }

    #[test]
    fn the_mean_difference_lies_between_the_ends(one in 0.1..40.0_f64, other in 0.1..40.0_f64, tc in 5.0..20.0_f64, rise in 0.0..15.0_f64) {
        let mean = sound(coil::lmtd(tc + rise + one, tc + other, tc, tc + rise));
        // Of its kind it is below the arithmetic and above the geometric mean.
        let slack = 1e-9 * (one + other);
        prop_assert!(mean <= (one + other) / 2.0 + slack && mean >= (one * other).sqrt() - slack, "{mean} {one} {other}");
    }

    #[test]
    fn a_lost_side_never_lightens_the_other(
        pairs in prop::collection::vec((0.0..400.0_f64, 0.0..400.0_f64), 1..4), rating in 16.0..1250.0_f64, limit in 0.5..1.0_f64,
    ) {
        let (a, b): (Vec<f64>, Vec<f64>) = pairs.iter().copied().unzip();
        let got = failover::failover_utilisation(&a, &b, rating, limit).expect("sound");
        for present in a.iter().chain(&b) {
            prop_assert!(got.max_frac >= present / rating);
        }
        prop_assert_eq!(got, failover::failover_utilisation(&b, &a, rating, limit).expect("sound"));
        prop_assert_eq!(got.pass, got.max_frac <= limit);
    }

    #[test]
    fn three_phases(i in prop::array::uniform3(0.0..1000.0_f64), v in 380.0..420.0_f64, pf in 0.5..1.0_f64, turn in 0_usize..3) {
        let neutral = sound(three_phase::neutral_current(&i));
        let most = i.iter().copied().fold(0.0, f64::max);
        prop_assert!(neutral <= most * (1.0 + 1e-12), "without harmonics never above the largest phase");
        let mut turned = i;
        turned.rotate_left(turn);
        prop_assert!((neutral - sound(three_phase::neutral_current(&turned))).abs() <= 1e-9 * most);
        let ln = v / 3.0_f64.sqrt();
        let sum = sound(three_phase::three_phase_kw_per_phase(&[ln; 3], &i, &[pf; 3]));
        let mean = sound(three_phase::three_phase_kw(v, (i[0] + i[1] + i[2]) / 3.0, pf));
        prop_assert!((sum - mean).abs() <= 1e-9 * mean.max(1e-9), "equal voltages: sums and mean agree");
    }

    #[test]
    fn unbalance_is_nothing_exactly_when_equal(v in 100.0..500.0_f64, off in 0.1..20.0_f64) {
        prop_assert!(sound(three_phase::unbalance_iec_u2(&[v, v, v])) < 1e-6 && sound(three_phase::unbalance_nema(&[v, v, v])) < 1e-12);
        prop_assert!(sound(three_phase::unbalance_iec_u2(&[v, v, v + off])) > 0.0);
    }

    #[test]
    fn batteries(kw in 4.0..15.0_f64, more in 0.01..1.0_f64, k in 1.05..1.3_f64, t in -10.0..60.0_f64) {
        let table = [(4.0, 22.0), (8.0, 9.5), (12.0, 5.6), (16.0, 3.8)];
        let minutes = |kw| battery::runtime_const_power_min(kw, &table).expect("inside").minutes;
        prop_assert!(minutes(kw + more) < minutes(kw) && minutes(kw) <= 22.0 + 1e-9);
        prop_assert!(sound(battery::peukert_h(100.0, 20.0, kw + more, k)) < sound(battery::peukert_h(100.0, 20.0, kw, k)));
        prop_assert!(sound(battery::battery_life_factor(t + more)) < sound(battery::battery_life_factor(t)));
    }

    #[test]
    fn ride_through_lies_between_its_bounds(
        q in 20.0..800.0_f64, air in 50.0..500.0_f64, mass in 500.0..20_000.0_f64, ha in 1.0..200.0_f64, rise in 0.5..30.0_f64,
    ) {
        let time = |q, rise| sound(ride_through::two_node_time_to_rise(q, air, mass, ha, rise));
        let slack = 1.0 + 1e-9;
        prop_assert!(time(q, rise) * slack >= rise * air / q, "never faster than the air alone");
        prop_assert!(time(q, rise) <= rise * (air + mass) / q * slack, "never slower than all together");
        prop_assert!(time(q * 1.1, rise) < time(q, rise) && time(q, rise + 0.1) > time(q, rise));
        let more = sound(ride_through::two_node_time_to_rise(q, air, mass, ha * 1.1, rise));
        prop_assert!(more * slack >= time(q, rise), "a better coupled mass only helps");
    }

    #[test]
    fn energies(it in 1.0..1e6_f64, over in 0.0..1e6_f64, part in 0.1..0.9_f64) {
        let partial = sound(efficiency::ppue(it, over));
        prop_assert!(partial >= 1.0);
        // Sums of parts are the whole, however it is parted.
        let whole = sound(efficiency::pue(&[(it + over) * part, (it + over) * (1.0 - part)], &[it * part, it * (1.0 - part)]));
        prop_assert!((whole / partial - 1.0).abs() < 1e-9);
    }

    #[test]
    fn slopes_do_not_depend_on_where_they_start(
        y in prop::collection::vec(-50.0..50.0_f64, 3..30), shift in -1e6..1e6_f64, lift in -1e3..1e3_f64,
    ) {
        let t: Vec<f64> = (0..y.len()).map(|at| at as f64).collect();
        let slope = |t: &[f64], y: &[f64]| forecast::least_squares(t, y).expect("sound").slope;
        let moved: Vec<f64> = t.iter().map(|t| t + shift.round()).collect();
        let lifted: Vec<f64> = y.iter().map(|y| y + lift).collect();
        prop_assert!((slope(&t, &y) - slope(&moved, &lifted)).abs() < 1e-6);
        // A mirrored line has the mirrored slope, and both estimators find a straight one.
        let mirrored: Vec<f64> = y.iter().map(|y| -y).collect();
        prop_assert!((slope(&t, &y) + slope(&t, &mirrored)).abs() < 1e-9);
        let straight: Vec<f64> = t.iter().map(|t| lift * t).collect();
        let mut room = vec![0.0; forecast::pairs(t.len())];
        prop_assert!((forecast::theil_sen(&t, &straight, &mut room).expect("sound") - lift).abs() <= 1e-9 * lift.abs().max(1.0));
    }

    #[test]
    fn a_limit_is_met_when_the_line_goes_there(x in -50.0..50.0_f64, slope in -2.0..2.0_f64, limit in -50.0..50.0_f64) {
        match forecast::time_to_limit(x, slope, limit) {
            Ok(seconds) => prop_assert!(seconds >= 0.0 && (x + slope * seconds - limit).abs() < 1e-9),
            Err(none) => prop_assert!(none.word() == "none" && (slope == 0.0 || (limit - x) * slope < 0.0)),
        }
    }
}
