//! Fans: what a change of speed does.
//!
//! Fan laws (AMCA 201, ASHRAE Systems and Equipment; from memory): Q ~ N, Δp ~ N², P ~ N³, for one fan on its own
//! system of fixed resistance and unchanged air density. They do not tell what happens when one of several fans before a
//! common coil stops: there Δp stays and the fan's own curve decides. Flow m³/s, pressure difference Pa, power kW, speed
//! in any unit. Never panics.
#![doc = ""]
#![doc = include_str!("fan.md")]

use super::{NoNumber, finite, not_negative, positive};

/// A fan's working point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FanPoint {
    /// Flow, m³/s.
    pub q: f64,
    /// Pressure difference, Pa.
    pub dp: f64,
    /// Shaft power, kW.
    pub p: f64,
}

/// The working point at speed `n2` of a fan that was at `from` with speed `n1`.
///
/// # Errors
/// `DomainError` for negative numbers, for a speed that is not positive, or where the answer is too large for f64.
pub fn fan_affinity(from: FanPoint, n1: f64, n2: f64) -> Result<FanPoint, NoNumber> {
    let ratio = not_negative("n2", n2)? / positive("n1", n1)?;
    let (q, dp, p) = (not_negative("q1", from.q)?, not_negative("dp1", from.dp)?, not_negative("p1", from.p)?);
    let large = |value| finite("n2", value);
    Ok(FanPoint { q: large(q * ratio)?, dp: large(dp * ratio * ratio)?, p: large(p * ratio * ratio * ratio)? })
}

#[cfg(test)]
mod tests {
    use super::super::checks::relative;
    use super::*;

    #[test]
    fn published_row() {
        let got = fan_affinity(FanPoint { q: 42.8, dp: 150.0, p: 14.0 }, 1000.0, 1250.0).expect("sound");
        relative("O043 q", Ok(got.q), 53.5, 1e-12);
        relative("O043 dp", Ok(got.dp), 234.375, 1e-12);
        relative("O043 p", Ok(got.p), 27.343_75, 1e-12);
    }

    #[test]
    fn unsound_inputs() {
        let from = FanPoint { q: 1.0, dp: 1.0, p: 1.0 };
        assert_eq!(fan_affinity(from, 0.0, 1.0).map_err(NoNumber::input), Err(Some("n1")));
        assert_eq!(fan_affinity(from, 1.0, -1.0).map_err(NoNumber::input), Err(Some("n2")));
        assert_eq!(fan_affinity(from, 1e-200, 1e200).map_err(NoNumber::input), Err(Some("n2")));
        assert_eq!(
            fan_affinity(FanPoint { dp: f64::NAN, ..from }, 1.0, 1.0).map_err(NoNumber::input),
            Err(Some("dp1"))
        );
    }
}
