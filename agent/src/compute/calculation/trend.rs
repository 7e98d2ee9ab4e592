//! Slopes of samples given one by one: least squares through the engine's own trend window, Theil–Sen, and their spread.
//!
//! The window counts in whole steps: times and values are brought to the finest powers of ten it can hold over their
//! whole span (at least one part in 10⁸). What a window does not keep (more than 64 samples, very uneven spacing, times
//! that do not rise) goes through the engine's plain formula instead; a test holds both together. Times s, values °C.
//! Never panics.

use lapwing_engine::physics::forecast::{self, Line};
use lapwing_engine::spec::{Millis, WindowSpec};
use lapwing_engine::trend::slope::{CAPACITY, Window};
use lapwing_protocol::Decimal;
use serde::Deserialize;

use super::super::NoNumber;
use super::{Calculation, domain, typed};

pub(super) const CALCULATIONS: &[Calculation] = &[
    Calculation {
        name: "ls_slope",
        takes: "t_s [list of s], y [list of Cel]",
        unit: "K/s",
        run: |inputs| typed(inputs, |Samples { t_s, y }| Ok(line(&t_s, &y)?.slope.into())),
    },
    Calculation {
        name: "ls_slope_se",
        takes: "t_s [list of s], y [list of Cel]",
        unit: "K/s",
        run: |inputs| typed(inputs, |Samples { t_s, y }| Ok(line(&t_s, &y)?.standard_error.into())),
    },
    Calculation {
        name: "theil_sen",
        takes: "t_s [list of s], y [list of Cel]",
        unit: "K/s",
        run: |inputs| {
            typed(inputs, |Samples { t_s, y }| {
                if t_s.len() > MOST_SAMPLES {
                    return Err(domain(format!("{} samples; at most {MOST_SAMPLES}", t_s.len())));
                }
                let mut room = vec![0.0; forecast::pairs(t_s.len())];
                Ok(forecast::theil_sen(&t_s, &y, &mut room)?.into())
            })
        },
    },
    Calculation {
        name: "slope_sd",
        takes: "sigma [K], n, dt_s [s]",
        unit: "K/s",
        run: |inputs| typed(inputs, |Spread { sigma, n, dt_s }| Ok(forecast::slope_sd(sigma, n, dt_s)?.into())),
    },
];

/// The pairs of more samples would not fit into memory at leisure.
const MOST_SAMPLES: usize = 2_000;

/// Most steps between two samples: offsets in the window are i32.
const MOST_STEPS: f64 = 1e9;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Samples {
    t_s: Vec<f64>,
    y: Vec<f64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Spread {
    sigma: f64,
    n: f64,
    dt_s: f64,
}

fn line(t_s: &[f64], y: &[f64]) -> Result<Line, NoNumber> {
    match through_window(t_s, y) {
        Some(line) => Ok(line),
        None => Ok(forecast::least_squares(t_s, y)?),
    }
}

/// The line of a trend window that keeps all samples; `None` if it does not.
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
    // No gap inside the samples starts the window anew.
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

/// The finest power of ten that leaves a span at most `MOST_STEPS` steps.
fn finest(span: f64) -> Option<i8> {
    (-18..=18).find(|exponent| span / power(*exponent) <= MOST_STEPS)
}

fn power(exponent: i8) -> f64 {
    Decimal::new(1, exponent).to_f64()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_published_samples_go_through_the_window() {
        let t = [0.0, 1.0, 2.5, 3.1, 5.0, 6.2, 8.0, 10.0];
        let y = [25.0, 25.42, 25.95, 26.31, 26.98, 27.49, 28.25, 29.02];
        let line = through_window(&t, &y).expect("kept");
        assert!((line.slope - 0.402_693_382_484_1).abs() < 1e-9, "{line:?}");
        assert!(through_window(&[0.0, 1e-9, 1.0], &[0.0; 3]).is_none(), "thinned");
        assert!(through_window(&[0.0, 2.0, 1.0], &[0.0; 3]).is_none(), "unordered");
    }

    proptest::proptest! {
        #[test]
        fn window_and_formula_agree(steps in proptest::collection::vec((900_u32..1100, -500_i32..500), 3..64)) {
            let (mut t, mut at) = (Vec::new(), 0.0);
            for (gap, _) in &steps {
                at += f64::from(*gap) / 1000.0;
                t.push(at);
            }
            let y: Vec<f64> = steps.iter().map(|(_, value)| f64::from(*value) / 100.0).collect();
            // A window of 63 samples keeps them if none is nearer than 1/63 of its length to the last.
            if let Some(window) = through_window(&t, &y) {
                let formula = forecast::least_squares(&t, &y).expect("sound");
                let size = formula.standard_error.abs().max(1e-6);
                proptest::prop_assert!((window.slope - formula.slope).abs() < 1e-6 * size, "{:?} {:?}", window, formula);
                proptest::prop_assert!((window.standard_error - formula.standard_error).abs() < 1e-6 * size);
            } else {
                proptest::prop_assert!(steps.len() > 32);
            }
        }
    }
}
