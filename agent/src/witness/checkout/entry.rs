//! What a person types at a point, and whether it agrees with what is read.
//!
//! A value may be a number in the point's unit or the name of a state. How far a number may be off without being a
//! disagreement is assumed, not taken from a standard: reference thermometers and hand-held meters are no better. Pure.
//! Never panics.

use lapwing_protocol::Decimal;

use crate::plan::Point;

/// What a person wants.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Entry {
    /// The sensor should read this.
    Expect {
        /// Number or state, as typed.
        value: String,
        /// Who says so, if said.
        initials: Option<String>,
    },
    /// What is read is what is there.
    AsRead {
        /// Who says so, if said.
        initials: Option<String>,
    },
    /// Wait until it reads this: somebody is at the sensor.
    WaitFor {
        /// Number or state, as typed.
        value: String,
        /// Who says so, if said.
        initials: Option<String>,
    },
    /// It is wrong, whatever it reads.
    Differs {
        /// Why.
        note: String,
    },
    /// Later.
    Skip {
        /// Why.
        note: String,
    },
    /// Go back to the point before.
    Back,
    /// From now on these are the initials.
    Initials(String),
    /// Show it again.
    Again,
    /// What can be typed.
    Help,
    /// Stop; what is recorded stays.
    Quit,
    /// Not understood, and why.
    Unclear(String),
}

/// What can be typed.
pub const HELP: &str =
    "  20.7 [AB]     the sensor should read 20.7 (or a state's name); AB are the initials of who says so
  = [AB]        what is read is what is there
  w 20.7 [AB]   wait until it reads 20.7: somebody is at the sensor
  d [note]      it differs, whatever it reads
  s [note]      skip it for now: not decided
  i AB          initials from now on
  b             back to the point before
  Enter         show it again
  q             stop; go on later with the same command";

impl Entry {
    /// Reads a line.
    #[must_use]
    pub fn parse(line: &str) -> Self {
        let line = line.trim();
        let (word, rest) = line.split_once(char::is_whitespace).map_or((line, ""), |(word, rest)| (word, rest.trim()));
        let note = rest.to_owned();
        match word {
            "" => Self::Again,
            "?" | "h" | "help" => Self::Help,
            "q" | "quit" => Self::Quit,
            "b" | "back" => Self::Back,
            "d" | "differs" => Self::Differs { note },
            "s" | "skip" => Self::Skip { note },
            "=" => match initials(rest) {
                Ok(initials) => Self::AsRead { initials },
                Err(why) => Self::Unclear(why),
            },
            "i" => match initials(rest) {
                Ok(Some(initials)) => Self::Initials(initials),
                Ok(None) => Self::Unclear("whose initials? Type for example: i AB".into()),
                Err(why) => Self::Unclear(why),
            },
            "w" | "wait" => match value(rest) {
                Ok(Some((value, initials))) => Self::WaitFor { value, initials },
                Ok(None) => Self::Unclear("wait for which value? Type for example: w 20.7".into()),
                Err(why) => Self::Unclear(why),
            },
            _ => match value(line) {
                Ok(Some((value, initials))) => Self::Expect { value, initials },
                Ok(None) => Self::Again,
                Err(why) => Self::Unclear(why),
            },
        }
    }
}

fn value(text: &str) -> Result<Option<(String, Option<String>)>, String> {
    let (value, rest) = text.split_once(char::is_whitespace).map_or((text, ""), |(value, rest)| (value, rest.trim()));
    if value.is_empty() {
        return Ok(None);
    }
    Ok(Some((value.to_owned(), initials(rest)?)))
}

fn initials(text: &str) -> Result<Option<String>, String> {
    let fits = |text: &str| text.chars().count() <= 5 && text.chars().all(char::is_alphabetic);
    match text {
        "" => Ok(None),
        text if fits(text) => Ok(Some(text.to_uppercase())),
        text => Err(format!("`{text}` are no initials: one to five letters")),
    }
}

/// Whether a reading is what was expected.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Comparison {
    /// A number, so far off.
    Number {
        /// Expected.
        expected: f64,
        /// Read minus expected.
        off: f64,
        /// How far off it may be.
        tolerance: f64,
    },
    /// A state: the same or another.
    State {
        /// Expected.
        expected: i64,
        /// Whether it is the one.
        same: bool,
    },
}

impl Comparison {
    /// Whether it agrees.
    #[must_use]
    pub fn agrees(&self) -> bool {
        match self {
            Self::Number { off, tolerance, .. } => off.abs() <= *tolerance,
            Self::State { same, .. } => *same,
        }
    }
}

/// Compares what was typed with what is read.
///
/// # Errors
/// What was typed is neither a number nor a state of the point.
pub fn compare(point: &Point, typed: &str, read: i64) -> Result<Comparison, String> {
    let state = point.states.iter().find(|(_, name)| name.eq_ignore_ascii_case(typed)).map(|(value, _)| *value);
    let number = Decimal::parse(&typed.replacen(',', ".", 1)).ok();
    match (state, number) {
        (Some(expected), _) => Ok(Comparison::State { expected, same: expected == read }),
        // A state is itself or another, whether the map names it or not.
        (None, Some(number)) if !point.states.is_empty() || point.quantity == "state" => {
            let expected = number.rescale(0).map_err(|_| no_value(point, typed))?.mantissa;
            Ok(Comparison::State { expected, same: expected == read })
        }
        (None, Some(number)) => {
            let expected = number.to_f64();
            let off = Decimal::new(read, point.exponent).to_f64() - expected;
            Ok(Comparison::Number { expected, off, tolerance: tolerance(point, expected) })
        }
        (None, None) => Err(no_value(point, typed)),
    }
}

fn no_value(point: &Point, typed: &str) -> String {
    if point.states.is_empty() {
        return format!("`{typed}` is no number; type ? for help");
    }
    let names: Vec<&str> = point.states.iter().map(|(_, name)| name.as_str()).collect();
    format!("`{typed}` is none of its states: {}", names.join(", "))
}

/// How far a reading may be off: two of its steps, and by quantity what a hand-held reference is worth (assumed): 1 K,
/// 3 points of relative humidity, else 2 %.
#[must_use]
pub fn tolerance(point: &Point, expected: f64) -> f64 {
    let steps = 2.0 * Decimal::new(1, point.exponent).to_f64();
    // Half a step of rounding on the way must not turn the balance.
    let slack = 1e-9 * expected.abs().max(1.0);
    let worth = match (point.quantity.as_str(), point.unit.as_str()) {
        ("temperature" | "temperature_difference", "Cel" | "K") => 1.0,
        ("temperature" | "temperature_difference", _) => 1.8,
        ("relative_humidity", "%") => 3.0,
        ("relative_humidity", _) => 0.03,
        _ => 0.02 * expected.abs(),
    };
    steps.max(worth) + slack
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(quantity: &str, unit: &str, exponent: i8) -> Point {
        Point { quantity: quantity.into(), unit: unit.into(), exponent, ..Point::default() }
    }

    #[test]
    fn lines_are_understood() {
        let expect = |value: &str, initials: Option<&str>| Entry::Expect {
            value: value.into(),
            initials: initials.map(str::to_owned),
        };
        assert_eq!(Entry::parse(" 20.7 ab "), expect("20.7", Some("AB")));
        assert_eq!(Entry::parse("-3"), expect("-3", None));
        assert_eq!(Entry::parse("open"), expect("open", None));
        assert_eq!(Entry::parse("="), Entry::AsRead { initials: None });
        assert_eq!(Entry::parse("w 25 CD"), Entry::WaitFor { value: "25".into(), initials: Some("CD".into()) });
        assert_eq!(Entry::parse("d no such sensor"), Entry::Differs { note: "no such sensor".into() });
        assert_eq!(Entry::parse("s"), Entry::Skip { note: String::new() });
        assert_eq!(Entry::parse("i xy"), Entry::Initials("XY".into()));
        assert_eq!(Entry::parse("\n"), Entry::Again);
        assert!(matches!(Entry::parse("20.7 12"), Entry::Unclear(_)));
        assert!(matches!(Entry::parse("w"), Entry::Unclear(_)));
        assert!(matches!(Entry::parse("i"), Entry::Unclear(_)));
    }

    #[test]
    fn numbers_agree_within_what_a_reference_is_worth() {
        let temperature = point("temperature", "Cel", -1);
        let agrees = |point: &Point, typed: &str, read| compare(point, typed, read).map(|c| c.agrees());
        assert_eq!(agrees(&temperature, "20.7", 207), Ok(true));
        assert_eq!(agrees(&temperature, "20,7", 217), Ok(true), "1 K off, decimal comma");
        assert_eq!(agrees(&temperature, "20.7", 218), Ok(false), "1.1 K off");
        let power = point("power", "kW", -1);
        assert_eq!(agrees(&power, "100", 1020), Ok(true), "2 %");
        assert_eq!(agrees(&power, "100", 1021), Ok(false));
        assert_eq!(agrees(&power, "0", 2), Ok(true), "two steps");
        assert!(agrees(&power, "open", 2).is_err());
    }

    #[test]
    fn states_agree_by_name_or_number() {
        let contact = Point { states: vec![(0, "closed".into()), (1, "open".into())], ..point("state", "1", 0) };
        assert_eq!(compare(&contact, "Open", 1).map(|c| c.agrees()), Ok(true));
        assert_eq!(compare(&contact, "0", 1).map(|c| c.agrees()), Ok(false));
        assert!(compare(&contact, "ajar", 1).expect_err("no such state").contains("closed, open"));
        let unnamed = point("state", "1", 0);
        assert_eq!(compare(&unnamed, "1", 1).map(|c| c.agrees()), Ok(true));
        assert_eq!(compare(&unnamed, "1", 0).map(|c| c.agrees()), Ok(false));
    }
}
