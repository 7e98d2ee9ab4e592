//! Thermal envelope of IT equipment: how fast its inlet air may change.
//!
//! ASHRAE TC 9.9 Thermal Guidelines, 5th edition 2021 (from memory): where there is tape, at most 5 K within any 60
//! minutes; otherwise at most 20 K within any 60 minutes and 5 K within any 15. It is the largest minus the smallest
//! value inside a moving window that includes both its ends, not a slope. Temperatures °C, times minutes. Never panics.
#![doc = ""]
#![doc = include_str!("envelope.md")]

use super::{NoNumber, finite, outside, within};

/// What stands in the rack.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Equipment {
    /// Tape drives or libraries.
    Tape,
    /// All else.
    SolidState,
}

/// The largest changes found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change {
    /// Within any 15 minutes, K.
    pub d15: f64,
    /// Within any 60 minutes, K.
    pub d60: f64,
    /// Whether they stay within what the equipment may see.
    pub pass: bool,
    /// Two samples lie more than 15 minutes apart: what happened between them is not known.
    pub has_gap: bool,
}

/// Largest changes of an inlet temperature, from samples in order of time.
///
/// # Errors
/// `DomainError` for no or unequal numbers of samples, times that fall, or temperatures outside −100…200 °C.
pub fn ashrae_roc_ok(equipment: Equipment, t_min: &[f64], inlet_c: &[f64]) -> Result<Change, NoNumber> {
    if t_min.is_empty() || t_min.len() != inlet_c.len() {
        return Err(outside("inlet_c", "as many as t_min, at least one"));
    }
    for value in inlet_c {
        within("inlet_c", *value, -100.0, 200.0)?;
    }
    for value in t_min {
        finite("t_min", *value)?;
    }
    if t_min.windows(2).any(|pair| pair[1] < pair[0]) {
        return Err(outside("t_min", "in order of time"));
    }
    let (d15, d60) = (largest(t_min, inlet_c, 15.0), largest(t_min, inlet_c, 60.0));
    let pass = match equipment {
        Equipment::Tape => d60 <= 5.0,
        Equipment::SolidState => d60 <= 20.0 && d15 <= 5.0,
    };
    Ok(Change { d15, d60, pass, has_gap: t_min.windows(2).any(|pair| pair[1] - pair[0] > 15.0) })
}

/// Largest minus smallest within any window of this length. The largest change has both its samples in one window, so
/// every pair is enough.
fn largest(t_min: &[f64], inlet_c: &[f64], window: f64) -> f64 {
    let mut most = 0.0_f64;
    for (first, (start, from)) in t_min.iter().zip(inlet_c).enumerate() {
        let later = t_min[first..].iter().zip(&inlet_c[first..]).take_while(|(t, _)| *t - start <= window);
        most = later.fold(most, |most, (_, to)| most.max(libm::fabs(to - from)));
    }
    most
}

#[cfg(test)]
mod tests {
    use super::super::checks::absolute;
    use super::*;

    const T: [f64; 9] = [0.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 60.0];

    #[test]
    fn published_rows() {
        let got = ashrae_roc_ok(Equipment::SolidState, &T, &[22.0, 23.0, 25.5, 26.8, 27.2, 30.0, 32.0, 34.0, 36.0])
            .expect("sound");
        absolute("O073", Ok(got.d15), 4.8, 1e-9);
        absolute("O073", Ok(got.d60), 14.0, 1e-9);
        assert!(got.pass && !got.has_gap);
        let got =
            ashrae_roc_ok(Equipment::Tape, &T, &[22.0, 23.0, 25.5, 26.8, 27.2, 27.4, 27.6, 27.3, 27.0]).expect("sound");
        absolute("O074", Ok(got.d60), 5.6, 1e-9);
        assert!(!got.pass);
    }

    #[test]
    fn windows_have_both_their_ends_and_no_more() {
        let change = |t: &[f64], inlet: &[f64]| ashrae_roc_ok(Equipment::SolidState, t, inlet).expect("sound");
        assert_eq!(change(&[0.0, 15.0], &[20.0, 26.0]).d15, 6.0);
        let later = change(&[0.0, 15.1], &[20.0, 26.0]);
        assert_eq!((later.d15, later.d60, later.has_gap), (0.0, 6.0, true));
        // A fall after a rise counts from the top.
        assert_eq!(change(&[0.0, 5.0, 10.0], &[20.0, 24.0, 18.0]).d15, 6.0);
    }

    #[test]
    fn unsound_inputs() {
        for (t, inlet) in [
            (&[][..], &[][..]),
            (&[0.0], &[20.0, 21.0]),
            (&[1.0, 0.0], &[20.0, 21.0]),
            (&[0.0], &[300.0]),
            (&[f64::NAN], &[20.0]),
        ] {
            assert_eq!(ashrae_roc_ok(Equipment::Tape, t, inlet).map_err(NoNumber::word), Err("domain_error"));
        }
    }
}
