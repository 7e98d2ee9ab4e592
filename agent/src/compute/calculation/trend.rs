//! Slopes of samples given one by one: least squares through the engine's own trend window, Theil–Sen, and their spread.
//!
//! The window counts in whole steps: times and values are brought to the finest powers of ten it can hold over their
//! whole span (at least one part in 10⁸), so that the answer is the shipped code's and exact to that. It holds 64
//! samples; more are refused. Times s, values °C. Never panics.

use lapwing_engine::physics::forecast;
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
        run: |inputs| typed(inputs, |samples: Samples| {
            let (window, spec, step) = fill(&samples)?;
            let slope = window.slope(&spec).ok_or_else(too_few)?;
            Ok((slope.per_second() * step).into())
        }),
    },
    Calculation {
        name: "ls_slope_se",
        takes: "t_s [list of s], y [list of Cel]",
        unit: "K/s",
        run: |inputs| typed(inputs, |samples: Samples| {
            let (window, spec, step) = fill(&samples)?;
            Ok((window.standard_error(&spec).ok_or_else(too_few)? * step).into())
        }),
    },
    Calculation {
        name: "theil_sen",
        takes: "t_s [list of s], y [list of Cel]",
        unit: "K/s",
        run: |inputs| typed(inputs, |Samples { t_s, y }| {
            if t_s.len() > MOST_SAMPLES {
                return Err(domain(format!("{} samples; at most {MOST_SAMPLES}", t_s.len())));
            }
            let mut room = vec![0.0; forecast::pairs(t_s.len())];
            Ok(forecast::theil_sen(&t_s, &y, &mut room)?.into())
        }),
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

/// A window with all samples in it, and what one of its steps a second is in °C/s.
fn fill(samples: &Samples) -> Result<(Window, WindowSpec, f64), NoNumber> {
    let Samples { t_s, y } = samples;
    if t_s.len() != y.len() {
        return Err(domain(format!("{} times for {} values", t_s.len(), y.len())));
    }
    if t_s.len() > CAPACITY {
        return Err(domain(format!("{} samples; a trend window holds {CAPACITY}", t_s.len())));
    }
    if t_s.windows(2).any(|pair| pair[1] < pair[0]) {
        return Err(domain("times must rise"));
    }
    if t_s.windows(2).any(|pair| pair[1] == pair[0]) {
        return Err(NoNumber { word: "undefined", why: "two samples at one time".into() });
    }
    let (Some(start), Some(end)) = (t_s.first(), t_s.last()) else { return Err(too_few()) };
    let least = y.iter().copied().fold(f64::INFINITY, f64::min);
    let most = y.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let (tick, step) = (finest(end - start)?, finest(most - least)?);
    let mut window = Window::default();
    let steps = |value: f64, exponent| Decimal::quantise(value, exponent).map(|d| d.mantissa).map_err(|e| domain(e.to_string()));
    let ticks = t_s.iter().map(|t| steps(t - start, tick)).collect::<Result<Vec<_>, _>>()?;
    let whole = |ticks: i64| u32::try_from(ticks).map_err(|_| domain("times too far apart"));
    let over = whole(ticks.last().copied().unwrap_or(0))?;
    // No gap inside the samples starts the window anew.
    let spec = WindowSpec { over_ms: over, spacing_ms: over };
    for (at, value) in ticks.iter().zip(y) {
        window.push(&spec, Millis(u64::from(whole(*at)?)), steps(value - least, step)?);
    }
    if window.len() != t_s.len() {
        return Err(domain("samples too unevenly spaced for a trend window"));
    }
    // A tick stands where the window has a millisecond.
    Ok((window, spec, power(step) / power(tick) / 1000.0))
}

/// The finest power of ten that leaves a span at most `MOST_STEPS` steps.
fn finest(span: f64) -> Result<i8, NoNumber> {
    (-18..=18).find(|exponent| span / power(*exponent) <= MOST_STEPS).ok_or_else(|| domain("numbers too far apart"))
}

fn power(exponent: i8) -> f64 {
    Decimal::new(1, exponent).to_f64()
}

fn too_few() -> NoNumber {
    NoNumber { word: "undefined", why: "a slope needs at least 3 samples".into() }
}
