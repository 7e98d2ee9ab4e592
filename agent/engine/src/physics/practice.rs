//! Facts of the trade as plausibility checks of the functions: common practice, no source.
//!
//! They prove nothing by themselves: they show that a wrong unit or a lost factor of ten would be seen. The demo is held
//! against the same facts in the tests of its derived points. Only tests; knows nothing of the agent.

use super::battery::runtime_const_power_min;
use super::countdown::ride_through_margin_s;
use super::efficiency::{cooling_load_factor, ppue, pue};
use super::moist_air::air_sensible_kw;

/// 420 kW of equipment; fans and pumps of a closely coupled module on warm water take about a twentieth of it.
const IT_KW: f64 = 420.0;

#[test]
fn closely_coupled_on_warm_water_is_about_1_05_and_a_chiller_plant_adds_about_0_2() {
    // Air for 14 K through coil and filter, 200 Pa at 55 % of the fans' efficiency; pumps 36 m³/h at 250 kPa and 50 %.
    let air_m3s = 25.7;
    let carried = air_sensible_kw(air_m3s, 38.0, 24.0, 0.2, 101_325.0).expect("sound");
    assert!((carried / IT_KW - 1.0).abs() < 0.1, "{carried} kW of heat");
    let (fans, pumps, controls) = (air_m3s * 0.2 / 0.55, 36.0 / 3600.0 * 250.0 / 0.5, 1.0);
    let close = ppue(IT_KW, fans + pumps + controls).expect("sound");
    assert!((1.03..1.07).contains(&close), "{close}");
    // A plant that gives five parts of cooling for one of power.
    let chiller = IT_KW / 5.0;
    let added = cooling_load_factor(chiller, IT_KW).expect("sound");
    assert!((0.15..0.25).contains(&added), "{added}");
    let whole = pue(&[IT_KW + fans + pumps + controls + chiller], &[IT_KW]).expect("sound");
    assert!((1.20..1.30).contains(&whole), "{whole}");
}

#[test]
fn rack_ups_units_bridge_about_four_minutes_to_the_generator() {
    let table = [(20.0, 25.0), (40.0, 10.5), (60.0, 6.0), (100.0, 2.9), (140.0, 1.8), (170.0, 1.4)];
    let minutes = runtime_const_power_min(75.0, &table).expect("in the table").minutes;
    assert!((3.5..5.0).contains(&minutes), "{minutes} min");
    let margin = ride_through_margin_s(&[minutes * 60.0], 10.0, 2.0, 30.0).expect("sound");
    assert!(margin > 150.0, "a generator of ten seconds comes long before the end: {margin} s");
}

#[test]
fn a_closely_coupled_cabinet_can_be_air_cooled_to_some_30_kw() {
    // Its perforated door, 0.6 m by 2 m and 65 % open, lets air through at up to some 2.5 m/s without much resistance.
    let air_m3s = 0.6 * 2.0 * 0.65 * 2.5;
    let kw = air_sensible_kw(air_m3s, 38.0, 24.0, 0.2, 101_325.0).expect("sound");
    assert!((25.0..38.0).contains(&kw), "{kw} kW");
}
