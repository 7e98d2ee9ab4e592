//! Functions of thermal envelopes and of moving windows: classes, changes, steady state, time to a limit. Never panics.

use lapwing_engine::Window;
use lapwing_engine::physics::air_class::{self, AirClass, Edition, Envelope, Place};
use lapwing_engine::physics::forecast;
use lapwing_engine::spec::{Millis, WindowSpec};
use lapwing_engine::trend::extremes::Extremes;
use lapwing_protocol::Quantity;

use super::super::{Argument, Computed, Function, Given, NoNumber, Takes};
use super::{believed, domain, largest, list, number, number_or, plain, smallest};

const WINDOW: Argument = number("window_min", "min", "length of the moving window");
const CLASS: Argument = Argument {
    name: "class",
    takes: Takes::Word(&["A1", "A2", "A3", "A4", "H1"]),
    meaning: "class of the equipment's environment",
};
const EDITION: Argument = Argument {
    name: "edition",
    takes: Takes::Word(&["fourth", "fifth"]),
    meaning: "edition of the guidelines: fourth of 2015, fifth of 2021",
};
const ENVELOPE: Argument = Argument {
    name: "envelope",
    takes: Takes::Word(&["recommended", "allowable"]),
    meaning: "which envelope of the class",
};
const CORROSION: Argument = Argument {
    name: "corrosion",
    takes: Takes::Word(&["low", "unknown"]),
    meaning: "what copper and silver coupons show; low allows more humidity",
};

fn place(given: &Given<'_>) -> Place {
    Place {
        class: match given.word("class") {
            "A2" => AirClass::A2,
            "A3" => AirClass::A3,
            "A4" => AirClass::A4,
            "H1" => AirClass::H1,
            _ => AirClass::A1, // the words are those five
        },
        edition: if given.word("edition") == "fourth" { Edition::Fourth } else { Edition::Fifth },
        envelope: if given.word("envelope") == "recommended" { Envelope::Recommended } else { Envelope::Allowable },
        is_clean: given.word("corrosion") == "low",
        alt_m: given.number("alt_m"),
    }
}

/// The window's length, ms.
fn window_ms(given: &Given<'_>) -> Result<u64, NoNumber> {
    let minutes = given.number("window_min");
    if !(minutes > 0.0 && minutes <= 10_080.0) {
        return Err(domain("window_min must be above 0 and at most a week"));
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // checked to be at most a week
    Ok((minutes * 60_000.0) as u64)
}

pub(super) const FUNCTIONS: &[Function] = &[
    Function {
        name: "envelope_margin",
        arguments: &[
            believed("t_c", "Cel", "inlet temperatures"),
            believed("t_dew_c", "Cel", "dew points of the air"),
            CLASS,
            EDITION,
            ENVELOPE,
            CORROSION,
            number("alt_m", "m", "height above sea level"),
        ],
        quantity: Quantity::TemperatureDifference,
        unit: "K",
        run: |given| {
            let place = place(given);
            // Every limit of humidity rises with the temperature as a dew point: of all pairs the coldest air with the
            // highest dew point and the warmest with the lowest have the least margins.
            let (t, dew) = (given.list("t_c"), given.list("t_dew_c"));
            let coldest = air_class::inside(&place, smallest(t), largest(dew))?;
            let warmest = air_class::inside(&place, largest(t), smallest(dew))?;
            Ok(coldest.margin_k.min(warmest.margin_k).into())
        },
    },
    Function {
        name: "facility_water_margin",
        arguments: &[
            number("t_supply_c", "Cel", "supply water temperature"),
            number("highest_c", "Cel", "highest temperature of the class: 17 of W17, 27, 32, 40 or 45"),
        ],
        quantity: Quantity::TemperatureDifference,
        unit: "K",
        run: |given| plain(air_class::water_inside(given.number("highest_c"), given.number("t_supply_c"))),
    },
    Function {
        name: "change_within",
        arguments: &[number("t_c", "Cel", "the temperature"), WINDOW],
        quantity: Quantity::TemperatureDifference,
        unit: "K",
        run: |given| {
            let (window_ms, t, at_ms) = (window_ms(given)?, given.number("t_c"), given.at_ms());
            if !t.is_finite() {
                return Err(domain("t_c must be finite"));
            }
            let kept = given.memory::<Extremes>();
            kept.push(window_ms, at_ms, t);
            Ok(kept.change().into())
        },
    },
    Function {
        name: "steady_state",
        arguments: &[
            list("t_c", "Cel", "temperatures that must stand still"),
            WINDOW,
            number("within_k", "K", "change within the window that still counts as still"),
        ],
        quantity: Quantity::State,
        unit: "1",
        run: steady_state,
    },
    Function {
        name: "earliest_to_limit",
        arguments: &[
            believed("t_c", "Cel", "temperatures; the warmest counts"),
            number("limit_c", "Cel", "the limit"),
            number("over_s", "s", "window of the slope"),
            number_or("at_most_s", "s", 3600.0, "answer when it is further away, or does not come nearer"),
        ],
        quantity: Quantity::Time,
        unit: "s",
        run: earliest_to_limit,
    },
];

fn steady_state(given: &mut Given<'_>) -> Result<Computed, NoNumber> {
    let (window_ms, within, at_ms) = (window_ms(given)?, given.number("within_k"), given.at_ms());
    let list = given.list("t_c");
    if list.is_empty() || !list.iter().all(|t| t.is_finite()) || !(within >= 0.0 && within.is_finite()) {
        return Err(domain("t_c must have at least one temperature, and within_k must be zero or positive"));
    }
    let kept = given.memory::<Vec<Extremes>>();
    kept.resize_with(list.len(), Extremes::default);
    let mut steady = true;
    for (window, t) in kept.iter_mut().zip(list) {
        window.push(window_ms, at_ms, *t);
        // A tenth of the window may lack: a slot is a sixtieth, and points do not come evenly.
        steady &= window.change() <= within && window.covered_ms(window_ms) >= window_ms / 10 * 9;
    }
    Ok(f64::from(u8::from(steady)).into())
}

fn earliest_to_limit(given: &mut Given<'_>) -> Result<Computed, NoNumber> {
    let (limit, over_s, most) = (given.number("limit_c"), given.number("over_s"), given.number("at_most_s"));
    let now = largest(given.list("t_c"));
    if !((1.0..=86_400.0).contains(&over_s) && most > 0.0 && most.is_finite()) {
        return Err(domain("over_s must be from 1 to a day, at_most_s positive"));
    }
    if !(now.abs() <= 1e6 && limit.abs() <= 1e6) {
        return Err(domain("t_c and limit_c must be temperatures"));
    }
    if now >= limit {
        return Ok(0.0.into());
    }
    let at = Millis(given.at_ms());
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // checked above: a day, a million kelvins
    let (over_ms, steps) = ((over_s * 1000.0) as u32, (now * 1000.0).round() as i64);
    let spec = WindowSpec { over_ms, spacing_ms: 0 };
    let window = given.memory::<Window>();
    window.push(&spec, at, steps);
    let (Some(slope), Some(error)) = (window.slope(&spec), window.standard_error(&spec)) else {
        return Ok(most.into());
    };
    match forecast::time_to_limit_bounds(now, slope.per_second() / 1000.0, error / 1000.0, limit) {
        Ok(met) => Ok(met.earliest.min(most).into()),
        Err(_) => Ok(most.into()), // it does not come nearer, or no more than its noise does
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::super::super::{Answer, answer};

    #[test]
    fn two_corners_hold_the_least_margin_of_all_pairs() {
        let margin = |t: &[f64], dew: &[f64], envelope: &str| {
            let inputs = json!({"t_c": t, "t_dew_c": dew, "class": "A1", "edition": "fifth", "envelope": envelope,
                "corrosion": "low", "alt_m": 9.0});
            match answer("envelope_margin", inputs.as_object().expect("an object")) {
                Ok(Answer::Value { number: Some(number), .. }) => number,
                other => panic!("{other:?}"),
            }
        };
        // Each limit is the nearest one of some of them.
        let airs = [[16.0, 21.0, 24.5], [22.0, 22.5, 31.9], [17.0, 19.0, 18.5], [23.0, 24.0, 25.0], [8.0, 20.0, 40.0]];
        let dews = [[9.0, 9.5], [-11.5, 9.0], [14.0, 16.5], [-20.0, 30.0]];
        for (t, dew) in airs.iter().flat_map(|t| dews.iter().map(move |dew| (t, dew))) {
            for envelope in ["allowable", "recommended"] {
                let pairs = t.iter().flat_map(|t| dew.iter().map(move |dew| (*t, *dew)));
                let least = pairs.map(|(t, dew)| margin(&[t], &[dew], envelope)).fold(f64::INFINITY, f64::min);
                assert!((margin(t, dew, envelope) - least).abs() < 1e-9, "{t:?} {dew:?} {envelope}");
            }
        }
    }
}
