//! Three-phase power: active power, unbalance of voltages, neutral current, breaker size.
//!
//! Power is summed phase by phase; the balanced formula is for balanced loads only and must never meet a lost phase.
//! Power factor is P/S as metered, not cos φ (IEEE 1459, from memory). Voltages V, currents A, power kW. Never panics.
#![doc = ""]
#![doc = include_str!("power.md")]

use super::{NoNumber, finite, not_negative, outside, positive, within};

/// Active power of a balanced load, kW: √3 · V line-to-line · I · PF.
///
/// # Errors
/// `DomainError` for negative voltage or current, a power factor outside −1…1, or too large an answer.
pub fn three_phase_kw(v_ll: f64, i_a: f64, pf: f64) -> Result<f64, NoNumber> {
    let (v, i, pf) = (not_negative("v_ll", v_ll)?, not_negative("i_a", i_a)?, within("pf", pf, -1.0, 1.0)?);
    finite("v_ll", libm::sqrt(3.0) * v * i * pf / 1000.0)
}

/// Active power, kW: the sum of V line-to-neutral · I · PF over the phases.
///
/// # Errors
/// `DomainError` for no phases, unequal numbers of them, negative voltages or currents, a power factor outside −1…1, or
/// too large an answer.
pub fn three_phase_kw_per_phase(v_ln: &[f64], i_a: &[f64], pf: &[f64]) -> Result<f64, NoNumber> {
    if v_ln.is_empty() || i_a.len() != v_ln.len() {
        return Err(outside("i_a", "as many as the voltages, at least one"));
    }
    if pf.len() != v_ln.len() {
        return Err(outside("pf", "as many as the voltages"));
    }
    let mut sum = 0.0;
    for ((v, i), pf) in v_ln.iter().zip(i_a).zip(pf) {
        sum += not_negative("v_ln", *v)? * not_negative("i_a", *i)? * within("pf", *pf, -1.0, 1.0)?;
    }
    finite("v_ln", sum / 1000.0)
}

/// Unbalance by NEMA MG 1 (12.45/14.36, from memory), %: the largest deviation from the mean over the mean. For voltages
/// give line-to-line ones; the same formula serves currents.
///
/// # Errors
/// `DomainError` for other than three values or negative ones, `Undefined` when all are zero.
pub fn unbalance_nema(v: &[f64]) -> Result<f64, NoNumber> {
    let v = three("v", v)?;
    let mean = finite("v", v[0] + v[1] + v[2])? / 3.0;
    if mean == 0.0 {
        return Err(NoNumber::Undefined("all three are zero"));
    }
    let deviation = v.iter().fold(0.0_f64, |most, v| most.max(libm::fabs(v - mean)));
    Ok(deviation / mean * 100.0)
}

/// Voltage unbalance by IEC 61000-4-30 §5.7.1 (β formula, from memory), %: negative over positive sequence, from the
/// magnitudes of the three line-to-line voltages.
///
/// # Errors
/// `DomainError` for other than three values, negative ones, or three that close no triangle (no such voltages exist);
/// `Undefined` when all are zero.
pub fn unbalance_iec_u2(v_ll: &[f64]) -> Result<f64, NoNumber> {
    let v = three("v_ll", v_ll)?;
    let most = v[0].max(v[1]).max(v[2]);
    if most == 0.0 {
        return Err(NoNumber::Undefined("all three are zero"));
    }
    // Scaled by the largest, so that fourth powers neither vanish nor overflow.
    let squares = v.map(|v| (v / most) * (v / most));
    let sum = squares[0] + squares[1] + squares[2];
    let beta = squares.iter().map(|s| s * s).sum::<f64>() / (sum * sum);
    // β is 1/3 when balanced and 1/2 for a flat triangle; beyond, the three do not close.
    let root = 3.0 - 6.0 * beta;
    if root < -1e-12 {
        return Err(outside("v_ll", "the sides of a triangle: no three phasors are this unequal"));
    }
    let root = libm::sqrt(root.clamp(0.0, 1.0));
    Ok(libm::sqrt((1.0 - root) / (1.0 + root)) * 100.0)
}

/// The three voltages between lines from three to neutral, V. Their angles are not measured: 120° is assumed, which holds
/// where a source (a UPS, a generator, a stiff supply) sets them, and hides what a displaced neutral does.
///
/// # Errors
/// `DomainError` for other than three values or negative ones.
pub fn line_voltages(v_ln: &[f64]) -> Result<[f64; 3], NoNumber> {
    let [a, b, c] = three("v_ln", v_ln)?;
    let between = |x: f64, y: f64| finite("v_ln", libm::sqrt(x * x + y * y + x * y));
    Ok([between(a, b)?, between(b, c)?, between(c, a)?])
}

/// Unbalance by NEMA MG 1, %, of three voltages to neutral, by way of those between lines.
///
/// # Errors
/// As `line_voltages` and `unbalance_nema`.
pub fn unbalance_nema_ln(v_ln: &[f64]) -> Result<f64, NoNumber> {
    unbalance_nema(&line_voltages(v_ln)?)
}

/// Unbalance by IEC 61000-4-30, %, of three voltages to neutral, by way of those between lines.
///
/// # Errors
/// As `line_voltages` and `unbalance_iec_u2`.
pub fn unbalance_iec_u2_ln(v_ln: &[f64]) -> Result<f64, NoNumber> {
    unbalance_iec_u2(&line_voltages(v_ln)?)
}

/// Unbalance of three currents as NEMA MG 1 has it for voltages, %; 0 where their mean is at most a tenth of the rating,
/// because there it says nothing (common practice, no source).
///
/// # Errors
/// `DomainError` for other than three currents, negative ones, or a rating that is not positive.
pub fn current_unbalance_pct(i_a: &[f64], rating_a: f64) -> Result<f64, NoNumber> {
    let i = three("i_a", i_a)?;
    let rating = positive("rating_a", rating_a)?;
    let mean = finite("i_a", i[0] + i[1] + i[2])? / 3.0;
    if mean <= 0.1 * rating { Ok(0.0) } else { unbalance_nema(i_a) }
}

/// Neutral current, A: equal power factors, 120° apart, fundamental only. Triplen harmonics add to it in full: measure
/// it where it matters.
///
/// # Errors
/// `DomainError` for other than three currents, negative ones, or too large an answer.
pub fn neutral_current(i: &[f64]) -> Result<f64, NoNumber> {
    let [a, b, c] = three("i", i)?;
    // As half the squares of the differences it cannot come out negative.
    let square = ((a - b) * (a - b) + (b - c) * (b - c) + (c - a) * (c - a)) / 2.0;
    finite("i", libm::sqrt(square))
}

/// Smallest rating of an overcurrent device, A: non-continuous load and 125 % of the continuous one (NEC 210.20(A),
/// 215.3). Three hours and more are continuous. Not the rule under IEC 60364-4-43, nor for devices rated for 100 %.
///
/// # Errors
/// `DomainError` for negative currents.
pub fn min_ocpd_a(continuous_a: f64, noncontinuous_a: f64) -> Result<f64, NoNumber> {
    let (continuous, other) =
        (not_negative("continuous_a", continuous_a)?, not_negative("noncontinuous_a", noncontinuous_a)?);
    finite("continuous_a", other + 1.25 * continuous)
}

fn three(input: &'static str, values: &[f64]) -> Result<[f64; 3], NoNumber> {
    let [a, b, c] = *values else { return Err(outside(input, "three values")) };
    Ok([not_negative(input, a)?, not_negative(input, b)?, not_negative(input, c)?])
}

#[cfg(test)]
mod tests {
    use super::super::checks::{absolute, relative};
    use super::*;

    #[test]
    fn published_power() {
        relative("O051", three_phase_kw(415.0, 180.0, 0.98), 126.796_511_418_89, 1e-9);
        relative(
            "O052",
            three_phase_kw_per_phase(&[239.0, 240.0, 241.0], &[100.0, 60.0, 0.0], &[0.98, 0.97, 0.0]),
            37.39,
            1e-9,
        );
        relative("250 A at 400 V", three_phase_kw(400.0, 250.0, 1.0), 173.2, 1e-4);
    }

    #[test]
    fn published_unbalance() {
        absolute("O053", unbalance_nema(&[460.0, 467.0, 450.0]), 1.960_784_313_725_5, 1e-9);
        absolute("O054", unbalance_nema(&[462.0, 463.0, 455.0]), 1.086_956_521_739_1, 1e-9);
        absolute("203/210/212", unbalance_nema(&[203.0, 210.0, 212.0]), 2.56, 0.005);
        assert_eq!(unbalance_nema(&[0.0; 3]).map_err(NoNumber::word), Err("undefined"), "O055");
        absolute("O056", unbalance_iec_u2(&[403.0, 400.0, 391.0]), 1.806_007_431_283_3, 1e-9);
        absolute("balanced", unbalance_iec_u2(&[400.0; 3]), 0.0, 1e-6);
        absolute("flat triangle", unbalance_iec_u2(&[200.0, 200.0, 400.0]), 100.0, 1e-6);
        assert_eq!(unbalance_iec_u2(&[100.0, 100.0, 400.0]).map_err(NoNumber::word), Err("domain_error"));
    }

    #[test]
    fn published_currents() {
        relative("O057", neutral_current(&[10.0, 15.0, 20.0]), 8.660_254_037_844_4, 1e-9);
        relative("O058", neutral_current(&[10.0, 8.0, 6.0]), 3.464_101_615_137_8, 1e-9);
        relative("one phase alone", neutral_current(&[10.0, 0.0, 0.0]), 10.0, 1e-12);
        relative("O059", min_ocpd_a(160.0, 20.0), 220.0, 1e-12);
    }

    #[test]
    fn line_voltages_from_those_to_neutral() {
        // 230 V to neutral is 398.4 V between lines.
        for v in line_voltages(&[230.0; 3]).expect("sound") {
            relative("230", Ok(v), 398.371_685_740_8, 1e-9);
        }
        // A dead phase leaves its neighbours at their voltage to neutral.
        assert_eq!(line_voltages(&[0.0, 230.0, 230.0]).map(|v| v.map(libm::round)), Ok([230.0, 398.0, 230.0]));
        assert!(line_voltages(&[230.0]).is_err() && line_voltages(&[f64::MAX; 3]).is_err());
    }

    #[test]
    fn unsound_inputs() {
        for v in [&[1.0, 2.0][..], &[1.0, 2.0, -3.0], &[1.0, 2.0, f64::NAN], &[1.0; 4]] {
            for f in [unbalance_nema, unbalance_iec_u2, neutral_current] {
                assert_eq!(f(v).map_err(NoNumber::word), Err("domain_error"), "{v:?}");
            }
        }
        assert!(
            three_phase_kw_per_phase(&[], &[], &[]).is_err()
                && three_phase_kw_per_phase(&[1.0], &[1.0], &[2.0]).is_err()
        );
        assert!(three_phase_kw(f64::MAX, f64::MAX, 1.0).is_err() && min_ocpd_a(f64::MAX, f64::MAX).is_err());
    }

    /// u2 by symmetrical components: the three line voltages as a closed triangle of phasors.
    fn by_phasors(v: [f64; 3]) -> f64 {
        let [a, b, c] = v;
        // a on the real axis; the corner where b and c meet.
        let x = (a * a + b * b - c * c) / (2.0 * a);
        let y = (b * b - x * x).max(0.0).sqrt();
        let phasors = [(a, 0.0), (-x, y), (x - a, -y)];
        let turned = |angle: f64| {
            let sum = phasors.iter().enumerate().fold((0.0, 0.0), |sum, (n, (re, im))| {
                let turn = angle * n as f64;
                (sum.0 + re * turn.cos() - im * turn.sin(), sum.1 + re * turn.sin() + im * turn.cos())
            });
            (sum.0 * sum.0 + sum.1 * sum.1).sqrt()
        };
        let third = 2.0 * core::f64::consts::PI / 3.0;
        let (one, other) = (turned(third), turned(-third));
        one.min(other) / one.max(other) * 100.0
    }

    proptest::proptest! {
        #[test]
        fn beta_agrees_with_phasors(a in 350.0_f64..450.0, b in 350.0_f64..450.0, c in 350.0_f64..450.0) {
            let got = unbalance_iec_u2(&[a, b, c]).expect("closes");
            proptest::prop_assert!((got - by_phasors([a, b, c])).abs() < 1e-4, "{}", got);
        }
    }
}
