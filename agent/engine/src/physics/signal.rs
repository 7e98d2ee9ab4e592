//! Analog signals: what a loop current means, and two votes out of three.
//!
//! NAMUR NE 43 (2003): 3.8–20.5 mA is measurement, ≤ 3.6 and ≥ 21.0 mA failure; between them nothing is promised. How
//! long a failure must last before it is believed is the caller's (4 s is common practice, no source). Never panics.
#![doc = ""]
#![doc = include_str!("signal.md")]

use super::{NoNumber, finite, not_negative, outside};

/// What a loop current says of itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ne43 {
    /// At most 3.6 mA: wire broken or transmitter failed low.
    FailureLow,
    /// 3.8 mA to below 4: a measurement below the range.
    GoodUnderrange,
    /// 4–20 mA.
    Good,
    /// Above 20 mA up to 20.5: a measurement above the range.
    GoodOverrange,
    /// Between measurement and failure.
    Uncertain,
    /// At least 21.0 mA: shorted or transmitter failed high.
    FailureHigh,
}

impl Ne43 {
    /// Its name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::FailureLow => "failure_low",
            Self::GoodUnderrange => "good_underrange",
            Self::Good => "good",
            Self::GoodOverrange => "good_overrange",
            Self::Uncertain => "uncertain",
            Self::FailureHigh => "failure_high",
        }
    }
}

/// The class of a loop current in mA.
///
/// # Errors
/// `DomainError` for NaN and infinities.
pub fn ne43_class(ma: f64) -> Result<Ne43, NoNumber> {
    let ma = finite("ma", ma)?;
    Ok(if ma <= 3.6 {
        Ne43::FailureLow
    } else if ma < 3.8 {
        Ne43::Uncertain
    } else if ma < 4.0 {
        Ne43::GoodUnderrange
    } else if ma <= 20.0 {
        Ne43::Good
    } else if ma <= 20.5 {
        Ne43::GoodOverrange
    } else if ma < 21.0 {
        Ne43::Uncertain
    } else {
        Ne43::FailureHigh
    })
}

/// The value of a loop current, lo + (mA − 4)/16 · (hi − lo); also a little outside the range, but never of a failure.
///
/// # Errors
/// `NotAvailable` when the current says that there is no measurement, `DomainError` for NaN, infinities or no span.
pub fn scale_4_20(ma: f64, lo: f64, hi: f64) -> Result<f64, NoNumber> {
    let (lo, hi) = (finite("lo", lo)?, finite("hi", hi)?);
    if lo == hi {
        return Err(outside("hi", "other than lo"));
    }
    match ne43_class(ma)? {
        Ne43::GoodUnderrange | Ne43::Good | Ne43::GoodOverrange | Ne43::Uncertain => {
            finite("hi", lo + (ma - 4.0) / 16.0 * (hi - lo))
        }
        Ne43::FailureLow => Err(NoNumber::NotAvailable("the loop current says failure, low")),
        Ne43::FailureHigh => Err(NoNumber::NotAvailable("the loop current says failure, high")),
    }
}

/// What three sensors of one quantity say together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Vote {
    /// The agreed value.
    pub value: f64,
    /// Only two sensors were there: their mean, without a majority.
    pub degraded: bool,
    /// Which sensor is further from the agreed value than the tolerance; the furthest if there are several.
    pub outlier: Option<usize>,
}

/// Two out of three: the median. With one sensor missing the mean of the two others.
///
/// # Errors
/// `DomainError` for NaN, infinities or a negative tolerance; `NotAvailable` with fewer than two sensors.
pub fn vote_2oo3_median(v: [Option<f64>; 3], tolerance: f64) -> Result<Vote, NoNumber> {
    let tolerance = not_negative("tolerance", tolerance)?;
    for value in v.into_iter().flatten() {
        finite("v", value)?;
    }
    let (value, degraded) = match v {
        [Some(a), Some(b), Some(c)] => (a.max(b).min(a.min(b).max(c)), false),
        [Some(a), Some(b), None] | [Some(a), None, Some(b)] | [None, Some(a), Some(b)] => (a / 2.0 + b / 2.0, true),
        [Some(_), None, None] | [None, Some(_), None] | [None, None, Some(_)] | [None, None, None] => {
            return Err(NoNumber::NotAvailable("fewer than two of three sensors are left"));
        }
    };
    let mut outlier = None;
    let mut most = tolerance;
    for (index, sensor) in v.into_iter().enumerate() {
        let distance = sensor.map_or(0.0, |sensor| libm::fabs(sensor - value));
        if distance > most {
            (outlier, most) = (Some(index), distance);
        }
    }
    Ok(Vote { value, degraded, outlier })
}

#[cfg(test)]
mod tests {
    use super::super::checks::absolute;
    use super::*;

    #[test]
    fn every_band_and_its_ends() {
        let rows = [
            (0.0, "failure_low"),
            (3.5, "failure_low"),
            (3.6, "failure_low"),
            (3.7, "uncertain"),
            (3.8, "good_underrange"),
            (3.9, "good_underrange"),
            (4.0, "good"),
            (20.0, "good"),
            (20.1, "good_overrange"),
            (20.5, "good_overrange"),
            (20.6, "uncertain"),
            (21.0, "failure_high"),
            (24.0, "failure_high"),
        ];
        for (ma, name) in rows {
            assert_eq!(ne43_class(ma).map(Ne43::name), Ok(name), "{ma}");
        }
        assert!(ne43_class(f64::NAN).is_err());
    }

    #[test]
    fn scaling() {
        absolute("O089", scale_4_20(12.8, 0.0, 100.0), 55.0, 1e-9);
        absolute("falling span", scale_4_20(4.0, 50.0, -10.0), 50.0, 0.0);
        assert_eq!(scale_4_20(3.5, 0.0, 100.0).map_err(NoNumber::word), Err("not_available"));
        assert_eq!(scale_4_20(22.0, 0.0, 100.0).map_err(NoNumber::word), Err("not_available"));
        assert_eq!(scale_4_20(12.0, 5.0, 5.0).map_err(NoNumber::input), Err(Some("hi")));
    }

    #[test]
    fn votes() {
        let all = vote_2oo3_median([Some(24.9), Some(25.1), Some(31.0)], 1.0);
        assert_eq!(all, Ok(Vote { value: 25.1, degraded: false, outlier: Some(2) }), "O090");
        for v in [[1.0, 2.0, 3.0], [1.0, 3.0, 2.0], [2.0, 1.0, 3.0], [2.0, 3.0, 1.0], [3.0, 1.0, 2.0], [3.0, 2.0, 1.0]]
        {
            assert_eq!(vote_2oo3_median(v.map(Some), 5.0), Ok(Vote { value: 2.0, degraded: false, outlier: None }));
        }
        assert_eq!(
            vote_2oo3_median([Some(24.0), None, Some(26.0)], 5.0),
            Ok(Vote { value: 25.0, degraded: true, outlier: None })
        );
        assert_eq!(vote_2oo3_median([None, None, Some(26.0)], 5.0).map_err(NoNumber::word), Err("not_available"));
        assert!(vote_2oo3_median([Some(f64::NAN), None, Some(26.0)], 5.0).is_err());
    }
}
