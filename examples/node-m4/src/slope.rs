//! Slopes of samples given one by one, through the engine's trend window as the agent does it.
//!
//! The window counts in whole steps: times and values are brought to the finest powers of ten it can hold. What it does
//! not keep goes through the engine's plain formula. Times s. Never panics.

use lapwing_engine::physics::NoNumber;
use lapwing_engine::physics::forecast::{self, Line};
use lapwing_engine::spec::{Millis, WindowSpec};
use lapwing_engine::trend::slope::{CAPACITY, Window};
use lapwing_protocol::Decimal;

/// Most steps between two samples: offsets in the window are i32.
const MOST_STEPS: f64 = 1e9;

/// The line through all samples.
pub fn line(t_s: &[f64], y: &[f64]) -> Result<Line, NoNumber> {
    match through_window(t_s, y) {
        Some(line) => Ok(line),
        None => forecast::least_squares(t_s, y),
    }
}

fn through_window(t_s: &[f64], y: &[f64]) -> Option<Line> {
    if t_s.len() != y.len() || t_s.len() > CAPACITY || t_s.windows(2).any(|pair| pair[1] <= pair[0]) {
        return None;
    }
    let (start, end) = (t_s.first()?, t_s.last()?);
    let least = y.iter().copied().fold(f64::INFINITY, f64::min);
    let most = y.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let (tick, step) = (finest(end - start)?, finest(most - least)?);
    let steps = |value: f64, exponent| Decimal::quantise(value, exponent).ok().map(|decimal| decimal.mantissa);
    let at = |t: f64| steps(t - start, tick).and_then(|ticks| u32::try_from(ticks).ok());
    let over = at(*end)?;
    let spec = WindowSpec { over_ms: over, spacing_ms: over };
    let mut window = Window::default();
    for (t, value) in t_s.iter().zip(y) {
        window.push(&spec, Millis(u64::from(at(*t)?)), steps(value - least, step)?);
    }
    if window.len() != t_s.len() {
        return None;
    }
    // A tick stands where the window has a millisecond.
    let factor = power(step) / power(tick) / 1000.0;
    let (slope, error) = (window.slope(&spec)?.per_second(), window.standard_error(&spec)?);
    Some(Line { slope: slope * factor, standard_error: error * factor })
}

fn finest(span: f64) -> Option<i8> {
    (-18..=18).find(|exponent| span / power(*exponent) <= MOST_STEPS)
}

fn power(exponent: i8) -> f64 {
    Decimal::new(1, exponent).to_f64()
}
