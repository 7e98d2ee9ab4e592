//! Functions of the heat a module stores: how much at most, and whether that is little enough to call it steady. Never panics.

use lapwing_engine::Window;
use lapwing_engine::physics::storage::{self, LaggedLoad};
use lapwing_engine::spec::{Millis, WindowSpec};
use lapwing_protocol::Quantity;

use super::super::{Argument, Function, Given, NoNumber};
use super::{domain, list, number, number_or};

const AIR: Argument = list("air_c", "Cel", "air temperatures before and behind the equipment; it follows them");
const WATER: Argument = list("water_c", "Cel", "water temperatures of the loop");
const LOAD: Argument = list("q_kw", "kW", "heat put in; its sum counts");
const MASS: Argument = number("c_mass", "kJ/K", "heat capacity of the equipment");
const TRANSFER: Argument = number_or(
    "ha_kw_k",
    "kW/K",
    0.0,
    "heat transfer between equipment and air as fitted; 0: not fitted, the safe side",
);
const LOOP: Argument = number("c_loop", "kJ/K", "heat capacity of the loop's water");
const WINDOW: Argument = number("window_min", "min", "length of the window of the slopes");

/// Longest window, min: an hour sees any module come to rest.
const LONGEST_MIN: f64 = 60.0;
/// Standard errors by which a slope may be steeper than it looks.
const BELIEVABLE: f64 = 2.0;
/// A module that was steady stays so up to this multiple of the limit, so that the answer does not flicker at it.
const STAYS: f64 = 1.25;
/// Temperatures count in thousandths of a kelvin.
const STEPS_A_K: f64 = 1000.0;

pub(super) const FUNCTIONS: &[Function] = &[
    Function {
        name: "heat_stored",
        arguments: &[AIR, WATER, LOAD, MASS, TRANSFER, LOOP, WINDOW],
        quantity: Quantity::Power,
        unit: "kW",
        run: |given| match stored_kw(given)? {
            Some(kw) => Ok(kw.into()),
            None => Err(NoNumber { word: "not_available", why: "a whole window has not been read yet".into() }),
        },
    },
    Function {
        name: "heat_steady",
        arguments: &[
            AIR,
            WATER,
            LOAD,
            MASS,
            TRANSFER,
            LOOP,
            WINDOW,
            number("within_kw", "kW", "heat being stored that still counts as steady"),
        ],
        quantity: Quantity::State,
        unit: "1",
        run: |given| {
            let within = given.number("within_kw");
            if !(within > 0.0 && within.is_finite()) {
                return Err(domain("within_kw must be positive"));
            }
            let stored = stored_kw(given)?;
            let steady = &mut given.memory::<Seen>().steady;
            *steady = stored.is_some_and(|kw| kw <= if *steady { STAYS * within } else { within });
            Ok(f64::from(u8::from(*steady)).into())
        },
    },
];

/// What is remembered of a module.
#[derive(Default)]
struct Seen {
    /// By temperature, air before water.
    windows: Vec<Window>,
    load: LaggedLoad,
    steady: bool,
}

/// The largest of the bounds; `None` before a whole window was read.
fn stored_kw(given: &mut Given<'_>) -> Result<Option<f64>, NoNumber> {
    let (c_mass, c_loop) = (given.number("c_mass"), given.number("c_loop"));
    let tau_s = storage::time_constant_s(c_mass, given.number("ha_kw_k"))?;
    let minutes = given.number("window_min");
    if !(minutes > 0.0 && minutes <= LONGEST_MIN) {
        return Err(domain("window_min must be above 0 and at most an hour"));
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // checked above: an hour
    let spec = WindowSpec { over_ms: (minutes * 60_000.0) as u32, spacing_ms: 0 };
    let over_ms = u64::from(spec.over_ms);
    let (air, water, at_ms) = (given.list("air_c"), given.list("water_c"), given.at_ms());
    if !air.iter().chain(water).all(|t| t.abs() <= 1e6) {
        return Err(domain("air_c and water_c must be temperatures"));
    }
    let q_kw = given.list("q_kw").iter().sum();
    let seen = given.memory::<Seen>();
    // The gap after which the windows begin anew too.
    let mut most = seen.load.push(at_ms, q_kw, tau_s, over_ms / 2)?;
    seen.windows.resize_with(air.len() + water.len(), Window::default);
    let nodes = air.iter().map(|t| (c_mass, t)).chain(water.iter().map(|t| (c_loop, t)));
    let mut known = seen.load.read_for_ms() >= over_ms / 10 * 9;
    for (window, (capacity, t)) in seen.windows.iter_mut().zip(nodes) {
        #[allow(clippy::cast_possible_truncation)] // checked above: a million kelvins
        window.push(&spec, Millis(at_ms), (t * STEPS_A_K).round() as i64);
        let (slope, error) = (window.slope(&spec), window.standard_error(&spec));
        let steepest = slope.zip(error).map(|(slope, error)| slope.per_second().abs() + BELIEVABLE * error);
        most = most.max(storage::by_slope(capacity, steepest.unwrap_or(0.0) / STEPS_A_K)?);
        known &= steepest.is_some();
    }
    Ok(known.then_some(most))
}
