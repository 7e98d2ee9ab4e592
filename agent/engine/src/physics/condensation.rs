//! Condensation: how far the coldest wetted surface lies above the dew point of the wettest believed air, and how sure
//! that is.
//!
//! The dew point does not change when air mixes, the relative humidity does: so the wettest sensor counts wherever it
//! hangs, and none may be averaged away. Uncertainty by first-order propagation through the dew point's own slopes
//! (GUM, JCGM 100 §5.1.2, from memory), the slopes by differences: ±2 % of humidity at 25 °C and 50 % is about ±0.6 K of
//! dew point. Which sensors are believed is the caller's to decide. Temperatures °C, differences K, humidity as a
//! fraction. Never panics.

use super::air::{dew_point, temperature};
use super::{NoNumber, not_negative, outside};

/// A margin with the surface and the air it belongs to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Margin {
    /// Coldest surface less wettest dew point, K; negative means that it is wet.
    pub margin_k: f64,
    /// The coldest surface, °C.
    pub surface_c: f64,
    /// The highest dew point, °C.
    pub dew_point_c: f64,
}

/// Margin of the coldest of several surfaces against the highest of several dew points.
///
/// # Errors
/// `NotAvailable` without a surface or without a dew point; `DomainError` outside −100…200 °C.
pub fn margin_to_wettest(t_surface_c: &[f64], t_dew_c: &[f64]) -> Result<Margin, NoNumber> {
    let checked = |name: &'static str, list: &[f64], better: fn(f64, f64) -> f64| {
        let mut best = None;
        for value in list {
            let value = temperature(name, *value)?;
            best = Some(best.map_or(value, |best: f64| better(best, value)));
        }
        Ok(best)
    };
    let surface_c = checked("t_surface_c", t_surface_c, f64::min)?
        .ok_or(NoNumber::NotAvailable("no surface temperature is believed"))?;
    let dew_point_c =
        checked("t_dew_c", t_dew_c, f64::max)?.ok_or(NoNumber::NotAvailable("no humidity sensor is believed"))?;
    Ok(Margin { margin_k: surface_c - dew_point_c, surface_c, dew_point_c })
}

/// Uncertainty of a dew point, K, from those of temperature (K) and relative humidity (fraction).
///
/// # Errors
/// As `dew_point`; `DomainError` for negative uncertainties.
pub fn dew_point_uncertainty(t_c: f64, rh: f64, u_t_k: f64, u_rh: f64) -> Result<f64, NoNumber> {
    let (u_t, u_rh) = (not_negative("u_t_k", u_t_k)?, not_negative("u_rh", u_rh)?);
    if u_rh >= 1.0 {
        return Err(outside("u_rh", "below 1, as a fraction"));
    }
    dew_point(t_c, rh)?;
    let rh = rh.min(1.0);
    let slope = |low: (f64, f64), high: (f64, f64), step: f64| -> Result<f64, NoNumber> {
        Ok((dew_point(high.0, high.1)? - dew_point(low.0, low.1)?) / step)
    };
    // One-sided at the ends of the scale, where a step outward leaves it.
    let (t_low, t_high) = ((t_c - 0.05).max(-100.0), (t_c + 0.05).min(200.0));
    let (rh_low, rh_high) = (rh * 0.995, (rh * 1.005).min(1.0));
    let by_t = slope((t_low, rh), (t_high, rh), t_high - t_low)?;
    let by_rh = slope((t_c, rh_low), (t_c, rh_high), rh_high - rh_low)?;
    Ok(libm::hypot(by_t * u_t, by_rh * u_rh))
}

/// Uncertainty of a condensation margin, K: that of the dew point and that of the surface's sensor together.
///
/// # Errors
/// As `dew_point_uncertainty`.
pub fn margin_uncertainty(t_c: f64, rh: f64, u_t_k: f64, u_rh: f64, u_surface_k: f64) -> Result<f64, NoNumber> {
    let surface = not_negative("u_surface_k", u_surface_k)?;
    Ok(libm::hypot(dew_point_uncertainty(t_c, rh, u_t_k, u_rh)?, surface))
}

#[cfg(test)]
mod tests {
    use super::super::checks::absolute;
    use super::*;

    #[test]
    fn coldest_surface_against_wettest_air() {
        let got = margin_to_wettest(&[18.2, 17.1], &[9.5, 12.4, 11.0]).expect("sound");
        assert_eq!((got.surface_c, got.dew_point_c), (17.1, 12.4));
        absolute("margin", Ok(got.margin_k), 4.7, 1e-12);
        assert_eq!(margin_to_wettest(&[], &[9.5]).map_err(NoNumber::word), Err("not_available"));
        assert_eq!(margin_to_wettest(&[17.0], &[]).map_err(NoNumber::word), Err("not_available"));
        assert_eq!(margin_to_wettest(&[f64::NAN], &[9.5]).map_err(NoNumber::input), Err(Some("t_surface_c")));
    }

    #[test]
    fn two_percent_of_humidity_is_six_tenths_of_a_kelvin() {
        // Worked number of the standards' section on condensation: 25 °C, 50 %, ±2 %.
        absolute("dew point", dew_point_uncertainty(25.0, 0.5, 0.0, 0.02), 0.6, 0.05);
        let both = margin_uncertainty(25.0, 0.5, 0.2, 0.02, 0.19);
        absolute("with temperature and surface", both, libm::sqrt(0.6_f64 * 0.6 + 0.183 * 0.183 + 0.19 * 0.19), 0.05);
        assert_eq!(dew_point_uncertainty(25.0, 0.0, 0.1, 0.02).map_err(NoNumber::input), Err(Some("rh")));
        assert!(dew_point_uncertainty(25.0, 0.5, -0.1, 0.02).is_err());
        assert!(dew_point_uncertainty(200.0, 1.0, 0.1, 0.02).is_ok(), "one-sided at the ends");
        assert_eq!(dew_point_uncertainty(25.0, 1.04, 0.1, 0.02), dew_point_uncertainty(25.0, 1.0, 0.1, 0.02));
    }
}
