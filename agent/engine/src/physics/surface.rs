//! The coil's surface: transfer units, conductance and what they are against a clean coil at the same flows.
//!
//! NTU by inverting the effectiveness: counterflow in closed form (textbook), cross-flow by bisection of the exact
//! series. Conductance at equal flows by the resistances in line, 1/UA = R_wall + a V_air^−0.65 + b V_water^−0.8 (Wilson
//! plot), written with their shares of the clean coil's resistance. A surface below the dew point takes up latent heat
//! too and its conductance means nothing; such a coil, one with a small temperature difference or a small load, has no
//! answer. Temperatures °C, conductance kW/K, air m³/s, water m³/h. Never panics.

use super::air::temperature;
use super::coil::{Arrangement, eff_from_ntu};
use super::{NoNumber, finite, outside, positive, within};

/// Least temperature difference of the water from which a conductance is made, K.
const LEAST_WATER_K: f64 = 3.0;

/// Number of transfer units from the effectiveness.
///
/// # Errors
/// `DomainError` for an effectiveness outside 0…1 or one that no coil of this arrangement reaches with fewer than 100
/// units; a ratio outside 0…1.
pub fn ntu_from_eff(eff: f64, cr: f64, arrangement: Arrangement) -> Result<f64, NoNumber> {
    let (eff, cr) = (within("eff", eff, 0.0, 1.0)?, within("cr", cr, 0.0, 1.0)?);
    let most = eff_from_ntu(100.0, cr, arrangement)?;
    if eff > most {
        return Err(outside("eff", "within what such a coil can reach"));
    }
    if arrangement == Arrangement::Counterflow && eff < 1.0 {
        let ntu =
            if 1.0 - cr < 1e-9 { eff / (1.0 - eff) } else { libm::log((1.0 - eff * cr) / (1.0 - eff)) / (1.0 - cr) };
        return Ok(ntu.clamp(0.0, 100.0));
    }
    let (mut low, mut high) = (0.0, 100.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if eff_from_ntu(middle, cr, arrangement)? < eff { low = middle } else { high = middle }
    }
    Ok(0.5 * (low + high))
}

/// Approach: air leaving the coil less water entering it, K.
///
/// # Errors
/// `DomainError` for temperatures outside −100…200 °C.
pub fn coil_approach(ta_out: f64, tw_in: f64) -> Result<f64, NoNumber> {
    Ok(temperature("ta_out", ta_out)? - temperature("tw_in", tw_in)?)
}

/// A clean coil at the flows it was measured at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CleanCoil {
    /// Conductance, kW/K.
    pub ua_kw_k: f64,
    /// Air flow, m³/s.
    pub air_m3s: f64,
    /// Water flow, m³/h.
    pub water_m3h: f64,
    /// The wall's share of the resistance.
    pub wall_share: f64,
    /// The air side's share; the rest is the water side's.
    pub air_share: f64,
}

/// Conductance as a share of a clean coil's at these flows: 1 is clean; investigate below 0.90, clean below 0.85
/// (common practice, no source).
///
/// # Errors
/// `DomainError` for anything that is not positive or for shares outside 0…1.
pub fn ua_against_clean(ua_kw_k: f64, air_m3s: f64, water_m3h: f64, clean: &CleanCoil) -> Result<f64, NoNumber> {
    let ua = positive("ua_kw_k", ua_kw_k)?;
    let air = positive("air_m3s", air_m3s)? / positive("ref_air_m3s", clean.air_m3s)?;
    let water = positive("water_m3h", water_m3h)? / positive("ref_water_m3h", clean.water_m3h)?;
    let wall = within("wall_share", clean.wall_share, 0.0, 1.0)?;
    let air_share = within("air_share", clean.air_share, 0.0, 1.0)?;
    if wall + air_share > 1.0 {
        return Err(outside("air_share", "with wall_share at most 1"));
    }
    let resistance = wall + air_share * libm::pow(air, -0.65) + (1.0 - wall - air_share) * libm::pow(water, -0.8);
    finite("ua_kw_k", ua / positive("ref_ua_kw_k", clean.ua_kw_k)? * resistance)
}

/// Refuses a coil whose conductance means nothing.
///
/// # Errors
/// `Undefined` where the water is at or below the dew point (the coil may be wet), or warms by less than 3 K;
/// `DomainError` for temperatures outside −100…200 °C.
pub fn dry_and_loaded(t_supply_c: f64, t_return_c: f64, t_dew_c: f64) -> Result<(), NoNumber> {
    let (supply, back) = (temperature("t_supply_c", t_supply_c)?, temperature("t_return_c", t_return_c)?);
    if supply <= temperature("t_dew_c", t_dew_c)? {
        return Err(NoNumber::Undefined("the coil may be wet: its water is not above the dew point"));
    }
    if back - supply < LEAST_WATER_K {
        return Err(NoNumber::Undefined("the water warms by less than 3 K: too little to judge the coil by"));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::super::checks::{absolute, relative};
    use super::*;
    use Arrangement::{Counterflow, CrossflowUnmixed};

    #[test]
    fn units_give_the_effectiveness_back() {
        for cr in [0.0, 0.3, 0.8, 1.0] {
            for ntu in [0.1, 1.5, 4.0] {
                for arrangement in [Counterflow, CrossflowUnmixed] {
                    let eff = eff_from_ntu(ntu, cr, arrangement).expect("in range");
                    relative("there and back", ntu_from_eff(eff, cr, arrangement), ntu, 1e-9);
                }
            }
        }
        // O044 and O045 the other way round.
        relative("O045", ntu_from_eff(0.636_270_262_030_21, 0.8, Counterflow), 1.5, 1e-9);
        relative("O044", ntu_from_eff(0.597_885_586_942_29, 0.8, CrossflowUnmixed), 1.5, 1e-6);
        assert_eq!(ntu_from_eff(0.0, 0.5, Counterflow), Ok(0.0));
        assert_eq!(ntu_from_eff(1.1, 0.5, Counterflow).map_err(NoNumber::input), Err(Some("eff")));
        assert!(ntu_from_eff(1.0, 1.0, Counterflow).is_err(), "no coil does that");
    }

    const CLEAN: CleanCoil =
        CleanCoil { ua_kw_k: 66.0, air_m3s: 30.0, water_m3h: 36.0, wall_share: 0.13, air_share: 0.6 };

    #[test]
    fn a_clean_coil_is_clean_at_any_flow() {
        absolute("reference", ua_against_clean(66.0, 30.0, 36.0, &CLEAN), 1.0, 1e-12);
        // Half the air: 1/UA = (0.13 + 0.6·2^0.65 + 0.27)/66.
        let half = 66.0 / (0.13 + 0.6 * libm::pow(2.0, 0.65) + 0.27);
        absolute("half the air", ua_against_clean(half, 15.0, 36.0, &CLEAN), 1.0, 1e-12);
        absolute("fouled", ua_against_clean(56.1, 30.0, 36.0, &CLEAN), 0.85, 1e-12);
        assert_eq!(ua_against_clean(66.0, 0.0, 36.0, &CLEAN).map_err(NoNumber::input), Err(Some("air_m3s")));
        let odd = CleanCoil { wall_share: 0.5, ..CLEAN };
        assert_eq!(ua_against_clean(66.0, 30.0, 36.0, &odd).map_err(NoNumber::input), Err(Some("air_share")));
    }

    #[test]
    fn a_wet_or_idle_coil_is_not_judged() {
        assert_eq!(dry_and_loaded(17.0, 27.0, 9.5), Ok(()));
        assert_eq!(dry_and_loaded(17.0, 27.0, 17.0).map_err(NoNumber::word), Err("undefined"));
        assert_eq!(dry_and_loaded(17.0, 19.9, 9.5).map_err(NoNumber::word), Err("undefined"));
        assert_eq!(coil_approach(23.0, 17.0), Ok(6.0));
    }
}
