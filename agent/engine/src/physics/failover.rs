//! Two power sides: whether the other side can carry both loads if one is lost.
//!
//! Per phase and per tier, the currents of both sides are added and compared with the allowed part of the rating: sums,
//! not twice the larger, because power supplies seldom share evenly. What part is allowed is configuration: 0.80 for a
//! standard-rated breaker under continuous load (NEC 210.20(A), 215.3), 1.00 for a fully rated one or under
//! IEC 60364-4-43. Single-corded loads do not transfer; leave them out. Currents and rating in A. Never panics.

use super::{NoNumber, finite, not_negative, outside, positive};

/// What one side would carry alone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Failover {
    /// The worst phase's sum as a part of the rating.
    pub max_frac: f64,
    /// Whether it stays within the allowed part.
    pub pass: bool,
}

/// The worst phase after the loss of a side.
///
/// # Errors
/// `DomainError` for no phases, unequal numbers of them, negative or too large currents, or a rating or part that is not positive.
pub fn failover_utilisation(a: &[f64], b: &[f64], rating_a: f64, limit_frac: f64) -> Result<Failover, NoNumber> {
    let rating_a = positive("rating_a", rating_a)?;
    let limit_frac = positive("limit_frac", limit_frac)?;
    if a.is_empty() || a.len() != b.len() {
        return Err(outside("b", "as many phases as a, at least one"));
    }
    let mut max_frac = 0.0_f64;
    for (a, b) in a.iter().zip(b) {
        max_frac = max_frac.max((not_negative("a", *a)? + not_negative("b", *b)?) / rating_a);
    }
    let max_frac = finite("a", max_frac)?;
    Ok(Failover { max_frac, pass: max_frac <= limit_frac })
}

#[cfg(test)]
mod tests {
    use super::super::checks::relative;
    use super::*;

    #[test]
    fn published_rows() {
        // O060 to O062, closed form per phase.
        let rows = [
            ("O060", [80.0, 85.0, 78.0], [82.0, 90.0, 80.0], 0.8, 0.7, true),
            ("O061", [95.0, 98.0, 90.0], [96.0, 105.0, 92.0], 0.8, 0.812, false),
            ("O062", [100.0; 3], [100.0; 3], 1.0, 0.8, true),
        ];
        for (row, a, b, limit_frac, max_frac, pass) in rows {
            let got = failover_utilisation(&a, &b, 250.0, limit_frac).expect("sound");
            relative(row, Ok(got.max_frac), max_frac, 1e-4);
            assert_eq!(got.pass, pass, "{row}");
        }
    }

    #[test]
    fn unsound_inputs() {
        let cases: [(&[f64], &[f64], f64, f64); 6] = [
            (&[], &[], 250.0, 0.8),
            (&[1.0], &[1.0, 2.0], 250.0, 0.8),
            (&[-1.0], &[1.0], 250.0, 0.8),
            (&[1.0], &[f64::NAN], 250.0, 0.8),
            (&[1.0], &[1.0], 0.0, 0.8),
            (&[1.0], &[1.0], 250.0, f64::NAN),
        ];
        for (a, b, rating, limit) in cases {
            assert_eq!(failover_utilisation(a, b, rating, limit).map_err(NoNumber::word), Err("domain_error"));
        }
    }
}
