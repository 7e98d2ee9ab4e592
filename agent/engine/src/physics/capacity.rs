//! Capacity: how many kW more still fit, by what each breaker, source and the cooling may carry, and which of them binds.
//!
//! A new load is taken as balanced over the phases, so the heaviest phase decides. What a breaker may carry is its rating
//! times the part allowed for hours (configuration: NEC 210.20(A) or IEC 60364-4-43); the load that counts is that after
//! the loss of the other side where there are two. Figures for planning: local codes, the makers' documents and licensed
//! practice decide. Currents A, voltages V to neutral, powers kW. Never panics.

use super::{NoNumber, finite, not_negative, outside, positive, within};

/// What still fits behind a breaker, kW: the least headroom of its phases on all of them. Negative if one is beyond.
///
/// # Errors
/// `DomainError` for no phase, negative currents, a rating, part or voltage that is not positive, a power factor outside
/// 0…1.
pub fn headroom_kw(i_a: &[f64], rating_a: f64, limit_frac: f64, v_ln: f64, pf: f64) -> Result<f64, NoNumber> {
    let allowed = positive("rating_a", rating_a)? * positive("limit_frac", limit_frac)?;
    let (v, pf) = (positive("v_ln", v_ln)?, within("pf", pf, 0.0, 1.0)?);
    let mut least: Option<f64> = None;
    let mut phases = 0.0;
    for i in i_a {
        let left = allowed - not_negative("i_a", *i)?;
        least = Some(least.map_or(left, |least| least.min(left)));
        phases += 1.0;
    }
    let least = least.ok_or(outside("i_a", "at least one phase"))?;
    finite("i_a", least * phases * v * pf / 1000.0)
}

/// What is left of a limit, kW, by the sum of the loads; negative if they are beyond it.
///
/// # Errors
/// `DomainError` for a limit that is not positive, no load, or loads that are not finite.
pub fn left_kw(limit_kw: f64, loads_kw: &[f64]) -> Result<f64, NoNumber> {
    let limit = positive("limit_kw", limit_kw)?;
    if loads_kw.is_empty() {
        return Err(outside("loads_kw", "at least one"));
    }
    finite("loads_kw", limit - loads_kw.iter().sum::<f64>())
}

/// The load in the racks that a headroom is enough for, kW: at a meter above them each kW of it draws more, for the losses
/// between and for what cools it.
///
/// # Errors
/// `DomainError` for a headroom that is not finite, or a draw of less than 1 kW or more than 10 kW for each.
pub fn added_kw(headroom_kw: f64, draws_per_kw: f64) -> Result<f64, NoNumber> {
    finite("headroom_kw", finite("headroom_kw", headroom_kw)? / within("draws_per_kw", draws_per_kw, 1.0, 10.0)?)
}

/// The least of several headrooms and its place; of equals the first.
///
/// # Errors
/// `DomainError` for none, or one that is not finite.
pub fn least(kw: &[f64]) -> Result<(usize, f64), NoNumber> {
    let mut least: Option<(usize, f64)> = None;
    for (at, kw) in kw.iter().enumerate() {
        let kw = finite("kw", *kw)?;
        if least.is_none_or(|(_, known)| kw < known) {
            least = Some((at, kw));
        }
    }
    least.ok_or(outside("kw", "at least one"))
}

/// The sum of what fits in several places, kW: a place that is beyond its limit takes nothing from the others.
///
/// # Errors
/// `DomainError` for none, or one that is not finite.
pub fn together_kw(kw: &[f64]) -> Result<f64, NoNumber> {
    if kw.is_empty() {
        return Err(outside("kw", "at least one"));
    }
    let mut sum = 0.0;
    for kw in kw {
        sum += finite("kw", *kw)?.max(0.0);
    }
    finite("kw", sum)
}

/// The sum of powers, kW.
///
/// # Errors
/// `DomainError` for none, or a sum that is not finite.
pub fn sum_kw(kw: &[f64]) -> Result<f64, NoNumber> {
    if kw.is_empty() {
        return Err(outside("kw", "at least one"));
    }
    finite("kw", kw.iter().sum())
}

#[cfg(test)]
mod tests {
    use super::super::checks::{absolute, relative};
    use super::*;

    #[test]
    fn by_hand() {
        // 250 A at 0.8 is 200 A; the heaviest phase carries 150 A: 50 A on three phases of 230 V at 0.95.
        relative("busway", headroom_kw(&[140.0, 150.0, 145.0], 250.0, 0.8, 230.0, 0.95), 32.775, 1e-12);
        // A whole 250 A at 400 V is 173.2 kVA.
        relative("empty", headroom_kw(&[0.0; 3], 250.0, 1.0, 400.0 / 3.0_f64.sqrt(), 1.0), 173.205_080_756_9, 1e-9);
        relative("beyond", headroom_kw(&[210.0; 3], 250.0, 0.8, 230.0, 1.0), -6.9, 1e-12);
        relative("cooling", left_kw(450.0, &[400.0, 18.0]), 32.0, 1e-12);
        relative("with losses and cooling", added_kw(130.0, 1.3), 100.0, 1e-12);
        relative("behind no losses", added_kw(-5.0, 1.0), -5.0, 1e-12);
        assert_eq!(least(&[30.0, 12.5, 12.5]), Ok((1, 12.5)));
        relative("sum", sum_kw(&[22.0, 24.5, 20.5]), 67.0, 1e-12);
        absolute("together", together_kw(&[10.0, -3.0, 5.0]), 15.0, 1e-12);
    }

    #[test]
    fn unsound_inputs() {
        for (i, rating, part, v, pf) in [
            (&[][..], 250.0, 0.8, 230.0, 1.0),
            (&[-1.0], 250.0, 0.8, 230.0, 1.0),
            (&[1.0], 0.0, 0.8, 230.0, 1.0),
            (&[1.0], 250.0, f64::NAN, 230.0, 1.0),
            (&[1.0], 250.0, 0.8, 0.0, 1.0),
            (&[1.0], 250.0, 0.8, 230.0, 1.1),
        ] {
            assert_eq!(headroom_kw(i, rating, part, v, pf).map_err(NoNumber::word), Err("domain_error"));
        }
        assert!(left_kw(0.0, &[1.0]).is_err() && left_kw(1.0, &[]).is_err() && left_kw(1.0, &[f64::NAN]).is_err());
        assert!(added_kw(1.0, 0.99).is_err() && added_kw(1.0, f64::NAN).is_err() && added_kw(f64::NAN, 1.0).is_err());
        assert!(least(&[]).is_err() && least(&[f64::INFINITY]).is_err());
        assert!(sum_kw(&[]).is_err() && sum_kw(&[1.0, f64::NAN]).is_err() && sum_kw(&[f64::MAX; 2]).is_err());
        assert!(together_kw(&[]).is_err() && together_kw(&[f64::MAX, f64::MAX]).is_err());
    }

    proptest::proptest! {
        #[test]
        fn what_fits_just_fits(i in proptest::collection::vec(0.0_f64..250.0, 3), rating in 100.0_f64..400.0) {
            // Adding the answer as a balanced load brings the heaviest phase to what it may carry.
            let kw = headroom_kw(&i, rating, 0.8, 230.0, 0.95).expect("sound");
            let most = i.iter().copied().fold(0.0, f64::max);
            let after = most + kw * 1000.0 / (3.0 * 230.0 * 0.95);
            proptest::prop_assert!((after - 0.8 * rating).abs() < 1e-9 * rating);
        }
    }
}
