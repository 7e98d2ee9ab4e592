//! The coil: effectiveness, log mean temperature difference, and what they say of its surface.
//!
//! Heat-transfer textbook relations. NTU = UA/Cmin, Cr = Cmin/Cmax, ε = Q/(Cmin (warmest − coldest)). Cross-flow with
//! both sides unmixed is computed by the exact series (Mason 1955, from memory; it equals the numerical integral to nine
//! digits), not by the usual closed approximation, which is up to 0.9 % off. Temperatures °C, heat kW, UA kW/K.
//! Never panics.
#![doc = ""]
#![doc = include_str!("coil.md")]

use super::air::temperature;
use super::{NoNumber, finite, not_negative, positive, within};

/// How the two streams run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Arrangement {
    /// Against each other; coils of four rows and more come near it.
    Counterflow,
    /// Across each other, neither mixed along its way.
    CrossflowUnmixed,
}

/// Effectiveness from the number of transfer units and the ratio of the capacity flows.
///
/// # Errors
/// `DomainError` for NTU outside 0…100 or a ratio outside 0…1.
pub fn eff_from_ntu(ntu: f64, cr: f64, arrangement: Arrangement) -> Result<f64, NoNumber> {
    let (ntu, cr) = (within("ntu", ntu, 0.0, 100.0)?, within("cr", cr, 0.0, 1.0)?);
    // One stream does not change its temperature: the same for every arrangement, and 0/0 in the formulas.
    if ntu * cr == 0.0 {
        return Ok(-libm::expm1(-ntu));
    }
    Ok(match arrangement {
        Arrangement::Counterflow => counterflow(ntu, cr),
        Arrangement::CrossflowUnmixed => crossflow_unmixed(ntu, cr),
    })
}

/// Log mean temperature difference of a counterflow coil, K; with equal differences at both ends, that difference.
///
/// # Errors
/// `DomainError` for temperatures outside −100…200 °C, or where the warm stream is not warmer than the cold one at both
/// ends.
pub fn lmtd(th_in: f64, th_out: f64, tc_in: f64, tc_out: f64) -> Result<f64, NoNumber> {
    let one = temperature("th_in", th_in)? - temperature("tc_out", tc_out)?;
    let other = temperature("th_out", th_out)? - temperature("tc_in", tc_in)?;
    let (one, other) = (positive("th_in", one)?, positive("th_out", other)?);
    // x/ln(1 + x) by its series where the quotient would be 0/0.
    let x = one / other - 1.0;
    let mean = if libm::fabs(x) < 1e-6 { 1.0 + x / 2.0 } else { x / libm::log1p(x) };
    finite("th_out", other * mean)
}

/// Heat conductance of the surface, kW/K: Q/LMTD, counterflow (correction factor 1). A trend at equal flows only.
///
/// # Errors
/// As `lmtd`; `DomainError` for negative heat.
pub fn coil_ua_counterflow(q_kw: f64, th_in: f64, th_out: f64, tc_in: f64, tc_out: f64) -> Result<f64, NoNumber> {
    finite("q_kw", not_negative("q_kw", q_kw)? / lmtd(th_in, th_out, tc_in, tc_out)?)
}

/// Air-side effectiveness: how much of the way to the water's inlet temperature the air was cooled.
///
/// # Errors
/// `DomainError` for temperatures outside −100…200 °C, `Undefined` when air and water come in equally warm.
pub fn coil_air_effectiveness(ta_in: f64, ta_out: f64, tw_in: f64) -> Result<f64, NoNumber> {
    let (ta_in, ta_out, tw_in) =
        (temperature("ta_in", ta_in)?, temperature("ta_out", ta_out)?, temperature("tw_in", tw_in)?);
    if ta_in == tw_in {
        return Err(NoNumber::Undefined("air and water come in equally warm"));
    }
    finite("tw_in", (ta_in - ta_out) / (ta_in - tw_in))
}

fn counterflow(ntu: f64, cr: f64) -> f64 {
    // (1 − e)/(1 − Cr e) with e = exp(−NTU(1 − Cr)), written so that nothing cancels as Cr → 1.
    let part = -libm::expm1(-ntu * (1.0 - cr));
    if part == 0.0 { ntu / (1.0 + ntu) } else { part / (1.0 - cr + cr * part) }
}

/// ε = 1/b Σ P(N > n; a) P(N > n; b) over n ≥ 0, with the tails of Poisson distributions of means a = NTU, b = Cr NTU.
fn crossflow_unmixed(ntu: f64, cr: f64) -> f64 {
    let (a, b) = (ntu, ntu * cr);
    let (mut term_a, mut term_b) = (libm::exp(-a), libm::exp(-b));
    let (mut tail_a, mut tail_b) = (-libm::expm1(-a), -libm::expm1(-b));
    let (mut sum, mut n) = (0.0, 0.0);
    // With a mean of at most 100, the tail behind 400 is nothing.
    while n < 400.0 {
        let part = tail_a * tail_b;
        sum += part;
        n += 1.0;
        if n > b && part <= sum * 1e-17 {
            break;
        }
        (term_a, term_b) = (term_a * a / n, term_b * b / n);
        (tail_a, tail_b) = ((tail_a - term_a).max(0.0), (tail_b - term_b).max(0.0));
    }
    (sum / b).min(1.0)
}

#[cfg(test)]
mod tests {
    use super::super::checks::{absolute, relative};
    use super::*;
    use Arrangement::{Counterflow, CrossflowUnmixed};

    #[test]
    fn published_effectiveness() {
        // O044, O045: a heat-transfer library; the exact integral for two further cases.
        absolute("O044", eff_from_ntu(1.5, 0.8, CrossflowUnmixed), 0.597_885_586_942_29, 1e-9);
        absolute("integral", eff_from_ntu(2.2, 0.65, CrossflowUnmixed), 0.7158, 5e-5);
        absolute("O045", eff_from_ntu(1.5, 0.8, Counterflow), 0.636_270_262_030_21, 1e-12);
        absolute("O046", eff_from_ntu(1.5, 1.0, Counterflow), 0.6, 1e-12);
        absolute("O047", eff_from_ntu(1.5, 0.0, CrossflowUnmixed), 0.776_869_839_851_57, 1e-12);
    }

    #[test]
    fn the_special_cases_are_limits() {
        for ntu in [0.01, 1.5, 20.0] {
            for arrangement in [Counterflow, CrossflowUnmixed] {
                let at = |cr| eff_from_ntu(ntu, cr, arrangement).expect("in range");
                assert!((at(0.0) - at(1e-9)).abs() < 1e-8, "{ntu}");
                assert!((at(1.0) - at(1.0 - 1e-9)).abs() < 1e-8, "{ntu}");
            }
        }
        assert_eq!(eff_from_ntu(0.0, 0.5, Counterflow), Ok(0.0));
    }

    #[test]
    fn published_differences() {
        relative("O048", lmtd(36.0, 24.0, 18.0, 26.0), 7.830_460_755_884_9, 1e-12);
        relative("O049", coil_ua_counterflow(420.0, 36.0, 24.0, 18.0, 26.0), 53.636_690_495_429_3, 1e-12);
        relative("O050", coil_air_effectiveness(36.0, 24.0, 18.0), 2.0 / 3.0, 1e-12);
        absolute("equal ends", lmtd(36.0, 28.0, 18.0, 26.0), 10.0, 1e-12);
        absolute("nearly equal ends", lmtd(36.0, 28.0 + 1e-7, 18.0, 26.0), 10.0, 1e-6);
    }

    #[test]
    fn what_has_no_answer() {
        assert_eq!(lmtd(26.0, 24.0, 18.0, 26.0).map_err(NoNumber::input), Err(Some("th_in")));
        assert_eq!(lmtd(36.0, 17.0, 18.0, 26.0).map_err(NoNumber::input), Err(Some("th_out")));
        assert_eq!(coil_air_effectiveness(18.0, 18.0, 18.0).map_err(NoNumber::word), Err("undefined"));
        assert!(eff_from_ntu(1.0, 1.1, Counterflow).is_err() && eff_from_ntu(f64::NAN, 0.5, Counterflow).is_err());
        assert!(coil_ua_counterflow(f64::INFINITY, 36.0, 24.0, 18.0, 26.0).is_err());
    }

    proptest::proptest! {
        #[test]
        fn counterflow_is_best_and_both_stay_below_one(ntu in 0.0_f64..100.0, cr in 0.0_f64..=1.0) {
            let best = eff_from_ntu(ntu, cr, Counterflow).expect("in range");
            let across = eff_from_ntu(ntu, cr, CrossflowUnmixed).expect("in range");
            proptest::prop_assert!((0.0..=1.0).contains(&across) && across <= best + 1e-9 && best <= 1.0 + 1e-12, "{} {}", across, best);
        }
    }
}
