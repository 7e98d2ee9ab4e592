//! Straight lines: least squares, a slope that spikes cannot bend, how well a slope is known, and when a limit is met.
//!
//! The running slope of a point is `trend::slope`'s, in exact integers; here are samples given all at once. For a room that warms ever more slowly a line
//! runs ahead, which is the safe side. Times s, slopes by second. Never panics.
#![doc = ""]
#![doc = include_str!("trend.md")]

use super::{NoNumber, finite, not_negative, outside, positive, within};

/// A least-squares line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Its slope.
    pub slope: f64,
    /// Standard error of the slope, √(SSE/(N − 2)/Sxx).
    pub standard_error: f64,
}

/// Least-squares line through samples of any spacing and order, in centred sums.
///
/// # Errors
/// `DomainError` for unequal numbers, NaN and infinities or too large numbers; `Undefined` with fewer than three samples
/// or all at one time.
pub fn least_squares(t_s: &[f64], y: &[f64]) -> Result<Line, NoNumber> {
    if t_s.len() != y.len() {
        return Err(outside("y", "as many as t_s"));
    }
    if t_s.len() < 3 {
        return Err(NoNumber::Undefined("a slope needs at least 3 samples"));
    }
    #[allow(clippy::cast_precision_loss)] // no slice has 2^53 samples
    let n = t_s.len() as f64;
    let mean = |input, values: &[f64]| values.iter().try_fold(0.0, |mean, value| Ok(mean + finite(input, *value)? / n));
    let (t_mean, y_mean) = (mean("t_s", t_s)?, mean("y", y)?);
    let off = || t_s.iter().zip(y).map(|(t, v)| (t - t_mean, v - y_mean));
    let (sxx, sxy) = off().fold((0.0, 0.0), |(sxx, sxy), (t, v)| (sxx + t * t, sxy + t * v));
    if t_s.iter().all(|t| t == &t_s[0]) || sxx == 0.0 {
        return Err(NoNumber::Undefined("all samples are at one time"));
    }
    let slope = finite("y", sxy / sxx)?;
    let sse: f64 = off().map(|(t, v)| (v - slope * t) * (v - slope * t)).sum();
    Ok(Line { slope, standard_error: finite("y", libm::sqrt(sse / (n - 2.0) / sxx))? })
}

/// Pairs of `n` samples: what `theil_sen` needs room for.
#[must_use]
pub const fn pairs(n: usize) -> usize {
    n * n.saturating_sub(1) / 2
}

/// Theil–Sen slope: the median of the slopes of all pairs of samples; as many as 29 % of the samples may be wrong
/// (breakdown point). Pairs at one time have no slope and are left out. `room` holds the slopes: `pairs(n)` of them.
///
/// # Errors
/// `DomainError` for unequal numbers, NaN and infinities, or too little room; `Undefined` without two different times.
pub fn theil_sen(t_s: &[f64], y: &[f64], room: &mut [f64]) -> Result<f64, NoNumber> {
    if t_s.len() != y.len() {
        return Err(outside("y", "as many as t_s"));
    }
    for (t, v) in t_s.iter().zip(y) {
        finite("t_s", *t)?;
        finite("y", *v)?;
    }
    let mut count = 0;
    for (first, (t, v)) in t_s.iter().zip(y).enumerate() {
        for (later, value) in t_s[first + 1..].iter().zip(&y[first + 1..]) {
            if later != t {
                let place = room.get_mut(count).ok_or(outside("t_s", "fewer: there is no room for their slopes"))?;
                *place = finite("y", (value - v) / (later - t))?;
                count += 1;
            }
        }
    }
    let slopes = room.get_mut(..count).unwrap_or_default();
    slopes.sort_unstable_by(f64::total_cmp);
    let (Some(low), Some(high)) = (slopes.get(count.saturating_sub(1) / 2), slopes.get(count / 2)) else {
        return Err(NoNumber::Undefined("there are no two samples at different times"));
    };
    Ok(low / 2.0 + high / 2.0)
}

/// Standard deviation of a least-squares slope of `n` equally spaced samples, σ √(12/(N (N² − 1))) / Δt.
///
/// # Errors
/// `DomainError` for a negative σ, fewer than two samples or a fraction of one, or a spacing that is not positive.
pub fn slope_sd(sigma: f64, n: f64, dt_s: f64) -> Result<f64, NoNumber> {
    let (sigma, dt_s) = (not_negative("sigma", sigma)?, positive("dt_s", dt_s)?);
    let n = within("n", n, 2.0, 1e6)?;
    if libm::rint(n) != n {
        return Err(outside("n", "a whole number"));
    }
    finite("sigma", sigma * libm::sqrt(12.0 / (n * (n * n - 1.0))) / dt_s)
}

/// Seconds until a line through the present value meets a limit; 0 at the limit.
///
/// # Errors
/// `DomainError` for NaN and infinities; `None` when the line runs away from the limit or along it.
pub fn time_to_limit(x_now: f64, slope: f64, limit: f64) -> Result<f64, NoNumber> {
    let (x, slope, limit) = (finite("x_now", x_now)?, finite("slope", slope)?, finite("limit", limit)?);
    if x == limit {
        return Ok(0.0);
    }
    let seconds = (limit - x) / slope;
    if slope == 0.0 || seconds < 0.0 {
        return Err(NoNumber::None("it does not move towards the limit"));
    }
    if seconds.is_finite() { Ok(seconds) } else { Err(NoNumber::None("it moves too slowly to get there")) }
}

/// When a line is met, with how sure that is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Met {
    /// Seconds by the slope itself.
    pub seconds: f64,
    /// Seconds by the steepest slope that is still believable: two standard errors more (about 95 %).
    pub earliest: f64,
}

/// Seconds until a limit is met by a slope with a standard error. Both are 0 at the limit; a slope within two standard
/// errors of none tells nothing.
///
/// # Errors
/// As `time_to_limit`; `DomainError` for a negative error; `None` when the slope is not significant.
pub fn time_to_limit_bounds(x_now: f64, slope: f64, standard_error: f64, limit: f64) -> Result<Met, NoNumber> {
    let error = not_negative("standard_error", standard_error)?;
    let seconds = time_to_limit(x_now, slope, limit)?;
    if seconds == 0.0 {
        return Ok(Met { seconds, earliest: 0.0 });
    }
    if libm::fabs(slope) <= 2.0 * error {
        return Err(NoNumber::None("it does not move more than its noise does"));
    }
    let steepest = slope + libm::copysign(2.0 * error, slope);
    Ok(Met { seconds, earliest: time_to_limit(x_now, steepest, limit)? })
}

#[cfg(test)]
mod tests {
    use super::super::checks::{absolute, relative};
    use super::*;

    const T: [f64; 8] = [0.0, 1.0, 2.5, 3.1, 5.0, 6.2, 8.0, 10.0];

    #[test]
    fn published_line() {
        let y = [25.0, 25.42, 25.95, 26.31, 26.98, 27.49, 28.25, 29.02];
        let line = least_squares(&T, &y).expect("sound");
        relative("O091", Ok(line.slope), 0.402_693_382_484_1, 1e-9);
        relative("O092", Ok(line.standard_error), 0.004_302_407_447_779_3, 1e-9);
        // The same line an epoch later: centred sums do not care.
        let later = T.map(|t| t + 1.76e9);
        relative("epoch seconds", least_squares(&later, &y).map(|line| line.slope), 0.402_693_382_484_1, 1e-6);
        assert_eq!(least_squares(&[5.0; 3], &[1.0, 2.0, 3.0]).map_err(NoNumber::word), Err("undefined"), "O094");
        assert_eq!(least_squares(&[1.0, 2.0], &[1.0, 2.0]).map_err(NoNumber::word), Err("undefined"));
        for (t, y) in [
            ([0.0, 1.0, f64::NAN], [0.0; 3]),
            ([0.0, 1.0, 2.0], [f64::INFINITY; 3]),
            ([0.0, 1.0, 2.0], [f64::MAX, f64::MIN, f64::MAX]),
        ] {
            assert_eq!(least_squares(&t, &y).map_err(NoNumber::word), Err("domain_error"), "{t:?} {y:?}");
        }
    }

    #[test]
    fn published_rows() {
        let y = [25.0, 25.42, 25.95, 40.0, 26.98, 27.49, 28.25, 29.02];
        let mut room = [0.0; pairs(8)];
        relative("O093", theil_sen(&T, &y, &mut room), 0.403_458_646_616_54, 1e-9);
        relative("O095", slope_sd(0.1, 10.0, 1.0), 0.011_009_637_651_264, 1e-9);
        relative("30 samples", slope_sd(0.1, 30.0, 1.0), 0.0021, 0.01);
        relative("O096", time_to_limit(29.0, 0.4, 45.0), 40.0, 1e-12);
        assert_eq!(time_to_limit(29.0, -0.1, 45.0).map_err(NoNumber::word), Err("none"), "O097");
    }

    #[test]
    fn the_earliest_is_two_errors_sooner() {
        assert_eq!(time_to_limit_bounds(29.0, 0.4, 0.05, 45.0), Ok(Met { seconds: 40.0, earliest: 32.0 }));
        assert_eq!(time_to_limit_bounds(29.0, 0.4, 0.2, 45.0).map_err(NoNumber::word), Err("none"));
        assert_eq!(time_to_limit_bounds(45.0, 0.0, 0.2, 45.0), Ok(Met { seconds: 0.0, earliest: 0.0 }));
        assert_eq!(time_to_limit_bounds(20.0, -0.5, 0.125, 10.0), Ok(Met { seconds: 20.0, earliest: 40.0 / 3.0 }));
        assert!(time_to_limit_bounds(29.0, 0.4, f64::NAN, 45.0).is_err());
    }

    #[test]
    fn medians_of_odd_and_even_numbers_of_pairs() {
        let mut room = [0.0; 3];
        absolute("one pair", theil_sen(&[0.0, 2.0], &[0.0, 1.0], &mut room), 0.5, 0.0);
        absolute("three pairs", theil_sen(&[0.0, 1.0, 2.0], &[0.0, 1.0, 9.0], &mut room), 4.5, 0.0);
        absolute("two pairs", theil_sen(&[0.0, 0.0, 2.0], &[0.0, 1.0, 3.0], &mut room), 1.25, 0.0);
    }

    #[test]
    fn edges() {
        let mut room = [0.0; 3];
        assert_eq!(theil_sen(&[5.0; 3], &[1.0, 2.0, 3.0], &mut room).map_err(NoNumber::word), Err("undefined"));
        assert_eq!(theil_sen(&[], &[], &mut room).map_err(NoNumber::word), Err("undefined"));
        assert_eq!(theil_sen(&[0.0, 1.0, 2.0, 3.0], &[1.0; 4], &mut room).map_err(NoNumber::word), Err("domain_error"));
        assert_eq!(theil_sen(&[0.0, f64::NAN], &[1.0; 2], &mut room).map_err(NoNumber::word), Err("domain_error"));
        assert!(
            slope_sd(0.1, 1.0, 1.0).is_err() && slope_sd(0.1, 2.5, 1.0).is_err() && slope_sd(0.1, 5.0, 0.0).is_err()
        );
        assert_eq!(time_to_limit(45.0, 0.0, 45.0), Ok(0.0));
        assert_eq!(time_to_limit(29.0, 0.0, 45.0).map_err(NoNumber::word), Err("none"));
        assert_eq!(time_to_limit(29.0, 1e-310, 45.0).map_err(NoNumber::word), Err("none"));
        assert_eq!(time_to_limit(29.0, f64::NAN, 45.0).map_err(NoNumber::word), Err("domain_error"));
    }
}
