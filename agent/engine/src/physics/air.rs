//! Moist air: saturation pressure, dew point, condensation margin, standard pressure.
//!
//! ASHRAE Handbook Fundamentals (2017) chapter 1: equations 5 and 6 (Hyland and Wexler) for the saturation pressure,
//! switched at the triple point 0.01 °C so that the curve does not jump; the dew point is their inverse. Below 0 °C the
//! relative humidity is over ice and the answer is the frost point, as ASHRAE has it; many meteorological sensors refer
//! to liquid water instead. Temperatures °C, pressures Pa, relative humidity as a fraction, heights m. Never panics.
#![doc = ""]
#![doc = include_str!("air.md")]

use super::{KELVIN, NoNumber, outside, within};

/// Triple point of water, °C.
const TRIPLE_C: f64 = 0.01;

/// A humidity up to here is that of a probe in saturated air, which may read a little high (probes are commonly specified
/// and checked up to 105 %; common practice, no source): it counts as 1, and is doubtful.
pub const SATURATED_TO: f64 = 1.05;

/// Saturation pressure of water vapour in Pa, −100 to 200 °C: over ice below the triple point, over liquid above.
///
/// # Errors
/// `DomainError` outside −100…200 °C.
pub fn sat_vap_pres(t_c: f64) -> Result<f64, NoNumber> {
    let t_c = temperature("t_c", t_c)?;
    Ok(libm::exp(Branch::at(t_c).ln_pressure(t_c + KELVIN)))
}

/// Dew point in °C (frost point below the triple point), from temperature and relative humidity; above 1 it counts as 1.
///
/// # Errors
/// `DomainError` for a humidity of 0 or less or above 1.05, a temperature outside −100…200 °C, or a dew point below
/// −100 °C.
pub fn dew_point(t_c: f64, rh: f64) -> Result<f64, NoNumber> {
    let t_c = temperature("t_c", t_c)?;
    // A sensor in dry air may show 0; there is no dew point then. Far above 1 it is faulty.
    if !(rh > 0.0 && rh <= SATURATED_TO) {
        return Err(outside("rh", "above 0 and at most 1.05"));
    }
    let rh = rh.min(1.0);
    let target = Branch::at(t_c).ln_pressure(t_c + KELVIN) + libm::log(rh);
    let branch = if target < Branch::Ice.ln_pressure(TRIPLE_C + KELVIN) { Branch::Ice } else { Branch::Liquid };
    // Magnus' form (over water) as a start, then Newton on ln p, which is nearly straight in 1/T.
    let start = libm::log(rh) + 17.625 * t_c / (243.04 + t_c);
    let mut t = (243.04 * start / (17.625 - start)).clamp(-100.0, 200.0) + KELVIN;
    for _ in 0..12 {
        let step = (branch.ln_pressure(t) - target) / branch.slope(t);
        t = (t - step).clamp(150.0, 480.0);
        // What is left is about step²/T, in K.
        if libm::fabs(step) < 1e-5 {
            break;
        }
    }
    let t_c = t - KELVIN;
    if t_c < -100.0 { Err(outside("rh", "higher: the dew point lies below −100 °C")) } else { Ok(t_c) }
}

/// Whether the dew point of air of this temperature and humidity (above 0) lies above one, without solving for it.
pub(super) fn is_dew_above(t_c: f64, rh: f64, t_dew_c: f64) -> bool {
    let pressure = |t_c: f64| Branch::at(t_c).ln_pressure(t_c + KELVIN);
    pressure(t_c) + libm::log(rh) > pressure(t_dew_c)
}

/// How far the coldest surface is above the dew point of the air, K; negative means that it is wet.
///
/// # Errors
/// As `dew_point`; `DomainError` for a surface outside −100…200 °C.
pub fn condensation_margin(t_surface_c: f64, t_air_c: f64, rh: f64) -> Result<f64, NoNumber> {
    Ok(temperature("t_surface_c", t_surface_c)?
        - dew_point(t_air_c, rh).map_err(|none| none.renamed("t_c", "t_air_c"))?)
}

/// Standard atmospheric pressure in Pa at a height (chapter 1, equation 3), −5000 to 11 000 m.
///
/// # Errors
/// `DomainError` outside that range.
pub fn std_pressure(alt_m: f64) -> Result<f64, NoNumber> {
    let alt_m = within("alt_m", alt_m, -5000.0, 11_000.0)?;
    Ok(101_325.0 * libm::pow(1.0 - 2.25577e-5 * alt_m, 5.2559))
}

/// A temperature within the range of the saturation curve.
pub(super) fn temperature(input: &'static str, t_c: f64) -> Result<f64, NoNumber> {
    within(input, t_c, -100.0, 200.0)
}

#[derive(Clone, Copy)]
enum Branch {
    Ice,
    Liquid,
}

impl Branch {
    fn at(t_c: f64) -> Self {
        if t_c < TRIPLE_C { Self::Ice } else { Self::Liquid }
    }

    /// ln of the pressure in Pa at T in K.
    fn ln_pressure(self, t: f64) -> f64 {
        match self {
            Self::Ice => {
                -5.674_535_9e3 / t
                    + 6.392_524_7
                    + t * (-9.677_843e-3 + t * (6.221_570_1e-7 + t * (2.074_782_5e-9 + t * -9.484_024e-13)))
                    + 4.163_501_9 * libm::log(t)
            }
            Self::Liquid => {
                -5.800_220_6e3 / t
                    + 1.391_499_3
                    + t * (-4.864_023_9e-2 + t * (4.176_476_8e-5 + t * -1.445_209_3e-8))
                    + 6.545_967_3 * libm::log(t)
            }
        }
    }

    /// Its derivative, per K.
    fn slope(self, t: f64) -> f64 {
        match self {
            Self::Ice => {
                5.674_535_9e3 / (t * t) - 9.677_843e-3
                    + t * (2.0 * 6.221_570_1e-7 + t * (3.0 * 2.074_782_5e-9 + t * 4.0 * -9.484_024e-13))
                    + 4.163_501_9 / t
            }
            Self::Liquid => {
                5.800_220_6e3 / (t * t) - 4.864_023_9e-2
                    + t * (2.0 * 4.176_476_8e-5 + t * 3.0 * -1.445_209_3e-8)
                    + 6.545_967_3 / t
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::checks::{absolute, relative};
    use super::*;

    #[test]
    fn published_saturation_pressures() {
        // ASHRAE Fundamentals 2017 ch. 1 Table 3; O005 is the triple point of IAPWS.
        let rows = [
            ("O001", 25.0, 3169.7),
            ("O002", 5.0, 872.6),
            ("O003", -20.0, 103.24),
            ("O004", 100.0, 101_418.0),
            ("O005", 0.01, 611.657),
        ];
        for (row, t_c, expected) in rows {
            relative(row, sat_vap_pres(t_c), expected, 5e-4);
        }
    }

    #[test]
    fn published_dew_points() {
        // Computed with a psychrometric library that follows the same equations.
        let rows = [
            ("O006", 25.0, 0.5, 13.863_973_265_965),
            ("O007", 35.0, 0.2, 8.706_690_674_788_8),
            ("O008", 24.0, 0.6, 15.762_943_083_021),
            ("O010", 2.0, 0.6, -4.380_131_237_730_8),
        ];
        for (row, t_c, rh, expected) in rows {
            absolute(row, dew_point(t_c, rh), expected, 0.05);
        }
        absolute("O009", dew_point(5.0, 1.0), 5.0, 1e-6);
        absolute("a probe in fog", dew_point(5.0, 1.03), 5.0, 1e-6);
        assert_eq!(dew_point(25.0, 0.0).map_err(NoNumber::word), Err("domain_error"), "O011");
    }

    #[test]
    fn published_margins_and_pressures() {
        absolute("O024", condensation_margin(18.0, 25.0, 0.5), 4.136_026_734_035_2, 0.05);
        absolute("O025", condensation_margin(12.0, 26.0, 0.55), -4.267_211_212_905_1, 0.05);
        absolute("O022", std_pressure(1000.0), 89_875.0, 5.0);
        absolute("O023", std_pressure(500.0), 95_461.0, 5.0);
        absolute("ch. 1 Table 1", std_pressure(4000.0), 61_640.0, 10.0);
    }

    #[test]
    fn what_has_no_dew_point() {
        for (t_c, rh) in [
            (f64::NAN, 0.5),
            (25.0, f64::NAN),
            (25.0, -0.1),
            (25.0, 1.051),
            (201.0, 0.5),
            (25.0, 1e-300),
            (-90.0, 0.01),
        ] {
            assert_eq!(dew_point(t_c, rh).map_err(NoNumber::word), Err("domain_error"), "{t_c} {rh}");
        }
        assert!(std_pressure(12_000.0).is_err() && condensation_margin(f64::INFINITY, 20.0, 0.5).is_err());
    }

    #[test]
    fn the_branches_meet_at_the_triple_point() {
        let (ice, liquid) = (Branch::Ice.ln_pressure(273.16), Branch::Liquid.ln_pressure(273.16));
        assert!((ice - liquid).abs() < 1e-4, "{ice} {liquid}");
    }

    proptest::proptest! {
        #[test]
        fn the_dew_point_is_the_inverse(t_c in -60.0_f64..150.0, rh in 0.01_f64..=1.0) {
            let dew = dew_point(t_c, rh);
            if let Ok(dew) = dew {
                let e = sat_vap_pres(t_c).expect("in range") * rh;
                let back = sat_vap_pres(dew).expect("in range");
                // Around the triple point the branches differ by parts in 10⁵.
                proptest::prop_assert!((back / e - 1.0).abs() < 1e-4, "{} {}", back, e);
                proptest::prop_assert!(dew <= t_c + 1e-3);
            } else {
                proptest::prop_assert!(sat_vap_pres(t_c).expect("in range") * rh < 1.41e-3);
            }
        }
    }
}
