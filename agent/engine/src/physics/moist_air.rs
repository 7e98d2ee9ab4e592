//! Moist air as a mixture: humidity ratio, wet bulb, enthalpy, density, and the heat an air flow carries.
//!
//! ASHRAE Handbook Fundamentals (2017) chapter 1, ideal gas: W = 0.621945 e/(p − e) (eq. 20), v = 287.042 T (1 +
//! 1.607858 W)/p (eq. 26), h = 1.006 t + W (2501 + 1.86 t) (eq. 30), wet bulb by eqs. 33 and 35; equation numbers from
//! memory. A real gas holds 0.45–0.5 % more water. Temperatures °C, absolute pressures Pa, relative humidity as a
//! fraction 0–1, W kg of water for a kg of dry air, h kJ for a kg of dry air, densities kg of moist air a m³, flow
//! m³/s, heat kW with its sign kept. Never panics.

use super::air::{SATURATED_TO, sat_vap_pres, temperature};
use super::{KELVIN, NoNumber, finite, not_negative, outside, positive, within};

/// Gas constant of dry air, J/(kg K).
const R_DRY: f64 = 287.042;
/// Molar masses of water and dry air.
const MASS_RATIO: f64 = 0.621_945;
/// Dry air weighed by water: 1/0.621945.
const VOLUME_RATIO: f64 = 1.607_858;

/// Humidity ratio.
///
/// # Errors
/// `DomainError` outside −100…200 °C or 0…1.05 (above 1 counts as 1), for a pressure that is not positive, or where the vapour pressure reaches
/// it (boiling).
pub fn hum_ratio(t_c: f64, rh: f64, p_pa: f64) -> Result<f64, NoNumber> {
    let vapour = sat_vap_pres(t_c)? * within("rh", rh, 0.0, SATURATED_TO)?.min(1.0);
    let p_pa = positive("p_pa", p_pa)?;
    if vapour < p_pa {
        Ok(MASS_RATIO * vapour / (p_pa - vapour))
    } else {
        Err(outside("p_pa", "above the vapour pressure"))
    }
}

/// Humidity ratio of saturated air.
///
/// # Errors
/// As `hum_ratio`.
pub fn hum_ratio_sat(t_c: f64, p_pa: f64) -> Result<f64, NoNumber> {
    hum_ratio(t_c, 1.0, p_pa)
}

/// Humidity ratio from dry-bulb and wet-bulb temperatures.
///
/// # Errors
/// As `hum_ratio`; `DomainError` for a wet bulb above the dry bulb, or so far below that no air is dry enough.
pub fn hum_ratio_from_wb(t_c: f64, twb_c: f64, p_pa: f64) -> Result<f64, NoNumber> {
    let t_c = temperature("t_c", t_c)?;
    let too_far = outside("twb_c", "nearer to the dry bulb: no air is so dry");
    let twb_c = within("twb_c", twb_c, -100.0, t_c)?;
    let w = at_wet_bulb(t_c, twb_c, hum_ratio_sat(twb_c, p_pa)?);
    if w < 0.0 { Err(too_far) } else { Ok(w) }
}

/// Wet-bulb temperature, °C.
///
/// Within 0.9 K of 0 °C the equations have two answers, a wet bulb above and an iced one below (water that freezes gives
/// off heat): there the bulb is taken as wet.
///
/// # Errors
/// As `hum_ratio`; `DomainError` where the wet bulb lies below −100 °C.
pub fn wet_bulb(t_c: f64, rh: f64, p_pa: f64) -> Result<f64, NoNumber> {
    let w = hum_ratio(t_c, rh, p_pa)?;
    // A bulb so warm that water boils off it is warmer than the wet bulb.
    let at = |twb_c: f64| hum_ratio_sat(twb_c, p_pa).map_or(f64::INFINITY, |ws| at_wet_bulb(t_c, twb_c, ws));
    let (mut low, mut high) =
        if t_c >= 0.0 && w >= at(0.0) { (0.0, t_c) } else { (-100.0, t_c.min(-f64::MIN_POSITIVE)) };
    if w < at(low) {
        return Err(outside("t_c", "warmer: the wet bulb lies below −100 °C"));
    }
    // 200 K halved 60 times is below the resolution of f64; both branches rise with the wet bulb.
    for _ in 0..60 {
        let middle = low + (high - low) / 2.0;
        if at(middle) > w { high = middle } else { low = middle }
    }
    Ok(high)
}

/// Enthalpy of a kg of dry air and its water, kJ, zero for dry air at 0 °C.
///
/// # Errors
/// `DomainError` outside −100…200 °C or for a humidity ratio outside 0…1.
pub fn enthalpy(t_c: f64, w: f64) -> Result<f64, NoNumber> {
    let (t_c, w) = (temperature("t_c", t_c)?, ratio(w)?);
    Ok(1.006 * t_c + w * (2501.0 + 1.86 * t_c))
}

/// Enthalpy from dry-bulb and wet-bulb temperatures.
///
/// # Errors
/// As `hum_ratio_from_wb`.
pub fn enthalpy_from_wb(t_c: f64, twb_c: f64, p_pa: f64) -> Result<f64, NoNumber> {
    enthalpy(t_c, hum_ratio_from_wb(t_c, twb_c, p_pa)?).map_err(mostly_water)
}

/// Density of moist air, (1 + W)/v.
///
/// # Errors
/// `DomainError` outside −100…200 °C, for a humidity ratio outside 0…1, or a pressure that is not positive or too large.
pub fn density_moist(t_c: f64, w: f64, p_pa: f64) -> Result<f64, NoNumber> {
    finite("p_pa", (1.0 + ratio(w)?) / volume(t_c, w, p_pa)?)
}

/// The same from relative humidity.
///
/// # Errors
/// As `hum_ratio`.
pub fn density_moist_rh(t_c: f64, rh: f64, p_pa: f64) -> Result<f64, NoNumber> {
    density_moist(t_c, hum_ratio(t_c, rh, p_pa)?, p_pa).map_err(mostly_water)
}

/// Sensible heat given off by an air flow, kW: (V/v)(1.006 + 1.86 W)(t in − t out). Flow and density at the inlet.
/// Negative when the air is warmed.
///
/// # Errors
/// As `hum_ratio` at the inlet; `DomainError` for a negative or too large flow, or an outlet outside −100…200 °C.
pub fn air_sensible_kw(flow_m3s: f64, t_in_c: f64, t_out_c: f64, rh_in: f64, p_pa: f64) -> Result<f64, NoNumber> {
    let flow = not_negative("flow_m3s", flow_m3s)?;
    let (t_in, t_out) = (temperature("t_in_c", t_in_c)?, temperature("t_out_c", t_out_c)?);
    let w = hum_ratio(t_in, within("rh_in", rh_in, 0.0, SATURATED_TO)?, p_pa)?;
    finite("flow_m3s", flow / volume(t_in, w, p_pa)? * (1.006 + 1.86 * w) * (t_in - t_out))
}

/// Air flow for a heat by the rule 1.08 · CFM · ΔT(°F) = BTU/h (0.075 lb/ft³ · 0.24 · 60; standard air at sea level),
/// ft³/min. 1 kW is 3412.142 BTU/h. Common practice, no source.
///
/// # Errors
/// `DomainError` for negative heat or difference, `Undefined` without a difference.
pub fn cfm_for_kw(kw: f64, dt_f: f64) -> Result<f64, NoNumber> {
    let (kw, dt_f) = (not_negative("kw", kw)?, not_negative("dt_f", dt_f)?);
    if dt_f == 0.0 {
        return Err(NoNumber::Undefined("without a temperature difference no flow carries heat"));
    }
    finite("kw", kw * 3_412.142 / (1.08 * dt_f))
}

/// A humidity ratio that the caller did not give: the pressure is so near the vapour's that there is more water than air.
fn mostly_water(none: NoNumber) -> NoNumber {
    if none.input() == Some("w") { outside("p_pa", "well above the vapour pressure") } else { none }
}

/// Where there is more water than air, the air of a module it is not.
fn ratio(w: f64) -> Result<f64, NoNumber> {
    within("w", w, 0.0, 1.0)
}

/// Volume of moist air for a kg of dry air, m³.
fn volume(t_c: f64, w: f64, p_pa: f64) -> Result<f64, NoNumber> {
    Ok(R_DRY * (temperature("t_c", t_c)? + KELVIN) * (1.0 + VOLUME_RATIO * w) / positive("p_pa", p_pa)?)
}

/// Humidity ratio of air whose wet bulb is at a temperature with this saturated ratio; may come out negative.
fn at_wet_bulb(t_c: f64, twb_c: f64, saturated: f64) -> f64 {
    if twb_c >= 0.0 {
        ((2501.0 - 2.326 * twb_c) * saturated - 1.006 * (t_c - twb_c)) / (2501.0 + 1.86 * t_c - 4.186 * twb_c)
    } else {
        ((2830.0 - 0.24 * twb_c) * saturated - 1.006 * (t_c - twb_c)) / (2830.0 + 1.86 * t_c - 2.1 * twb_c)
    }
}

#[cfg(test)]
mod tests {
    use super::super::checks::{absolute, relative};
    use super::*;

    const SEA: f64 = 101_325.0;

    #[test]
    fn worked_example_of_the_handbook() {
        // ASHRAE Fundamentals 2017 ch. 1 example 1: 40 °C dry bulb, 20 °C wet bulb, sea level.
        absolute("W", hum_ratio_from_wb(40.0, 20.0, SEA), 0.0065, 1e-4);
        absolute("h", enthalpy_from_wb(40.0, 20.0, SEA), 56.7, 0.2);
        let w = hum_ratio_from_wb(40.0, 20.0, SEA).expect("in range");
        absolute("v", volume(40.0, w, SEA), 0.896, 1e-3);
    }

    #[test]
    fn published_mixtures() {
        relative("O018 table 2", hum_ratio_sat(25.0, SEA), 0.020_173, 6e-3);
        relative("O017", hum_ratio(25.0, 0.5, SEA), 0.009_881_043_690_749_6, 1e-6);
        relative("O019", enthalpy(30.0, 0.02), 81.316, 5e-4);
        relative("O020", density_moist(30.0, 0.02, 95_461.0), 1.084_12, 1e-3);
        relative("O021", density_moist_rh(35.0, 0.2, SEA), 1.140_725_869_115_3, 1e-6);
    }

    #[test]
    fn published_wet_bulbs() {
        absolute("O012", wet_bulb(25.0, 0.5, SEA), 17.889_432_148_553, 0.01);
        absolute("O013", wet_bulb(30.0, 0.3, 83_527.0), 17.193_894_797_846, 0.01);
        absolute("O014", wet_bulb(7.0, 0.61, 100_000.0), 3.9267, 0.01);
        absolute("saturated", wet_bulb(25.0, 1.0, SEA), 25.0, 1e-9);
        absolute("saturated ice", wet_bulb(-10.0, 1.0, SEA), -10.0, 1e-9);
    }

    #[test]
    fn published_heat() {
        relative("O039", air_sensible_kw(42.8, 37.0, 25.0, 0.2, SEA), 589.153_996_018_15, 1e-6);
        relative("O040", air_sensible_kw(42.8, 37.0, 25.0, 0.2, 83_527.0), 485.859_551_302_68, 1e-6);
        relative("O041", air_sensible_kw(10.0, 24.0, 26.0, 0.45, SEA), -23.948_908_602_71, 1e-6);
        relative("O042", cfm_for_kw(25.0, 25.0), 3_159.390_740_740_7, 1e-9);
    }

    #[test]
    fn what_no_air_is() {
        for (t, rh, p) in [
            (101.0, 1.0, SEA),
            (25.0, 1.1, SEA),
            (25.0, -0.1, SEA),
            (25.0, 0.5, 0.0),
            (f64::NAN, 0.5, SEA),
            (25.0, 0.5, f64::INFINITY),
        ] {
            assert_eq!(hum_ratio(t, rh, p).map_err(NoNumber::word), Err("domain_error"), "{t} {rh} {p}");
            assert_eq!(wet_bulb(t, rh, p).map_err(NoNumber::word), Err("domain_error"), "{t} {rh} {p}");
        }
        assert_eq!(hum_ratio_from_wb(20.0, 21.0, SEA).map_err(NoNumber::input), Err(Some("twb_c")));
        assert_eq!(hum_ratio_from_wb(60.0, 5.0, SEA).map_err(NoNumber::input), Err(Some("twb_c")));
        assert_eq!(cfm_for_kw(25.0, 0.0).map_err(NoNumber::word), Err("undefined"));
    }

    proptest::proptest! {
        #[test]
        fn the_wet_bulb_is_the_inverse(t_c in -40.0_f64..90.0, rh in 0.0_f64..=1.0, p in 60_000.0_f64..110_000.0) {
            if let Ok(w) = hum_ratio(t_c, rh, p) {
                let twb = wet_bulb(t_c, rh, p).expect("air that exists has a wet bulb");
                let back = hum_ratio_from_wb(t_c, twb, p).or_else(|_| hum_ratio_from_wb(t_c, twb + 1e-9, p)).expect("inverse");
                proptest::prop_assert!((back - w).abs() < 1e-9, "{} {} {}", twb, back, w);
                proptest::prop_assert!(twb <= t_c + 1e-9);
            }
        }
    }
}
