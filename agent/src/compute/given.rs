//! Inputs of a function as they come from a command line or from points: numbers, lists and words by name.
//!
//! Every input must be there, be of the right form and be finite; what the function does not take is refused by name.
//! Knows no physics. Never panics.

use serde_json::{Map, Value};

use super::{Argument, Function, NotTried, Takes};

/// Inputs that have been checked against a function's arguments.
#[derive(Debug)]
pub struct Given<'a>(&'a Map<String, Value>);

impl<'a> Given<'a> {
    /// Checks inputs against what a function takes.
    ///
    /// # Errors
    /// The first input that is missing, unknown or of the wrong form.
    pub fn check(function: &Function, inputs: &'a Map<String, Value>) -> Result<Self, NotTried> {
        for argument in function.arguments {
            let Some(value) = inputs.get(argument.name) else {
                return Err(NotTried::Missing {
                    function: function.name,
                    argument: argument.name,
                    form: argument.form(),
                });
            };
            if !fits(argument, value) {
                return Err(NotTried::WrongForm {
                    argument: argument.name,
                    form: argument.form(),
                    found: value.to_string(),
                });
            }
        }
        match inputs.keys().find(|name| !function.arguments.iter().any(|argument| argument.name == name.as_str())) {
            Some(name) => {
                Err(NotTried::Unknown { function: function.name, argument: name.clone(), takes: names(function) })
            }
            None => Ok(Self(inputs)),
        }
    }

    /// A number; checked to be there.
    #[must_use]
    pub fn number(&self, name: &str) -> f64 {
        self.0.get(name).and_then(Value::as_f64).unwrap_or(f64::NAN)
    }

    /// A list of numbers; checked to be there.
    #[must_use]
    pub fn list(&self, name: &str) -> Vec<f64> {
        self.0
            .get(name)
            .and_then(Value::as_array)
            .map_or_else(Vec::new, |list| list.iter().filter_map(Value::as_f64).collect())
    }

    /// A list of pairs; checked to be there.
    #[must_use]
    pub fn pairs(&self, name: &str) -> Vec<(f64, f64)> {
        let pair = |row: &Value| Some((row.get(0)?.as_f64()?, row.get(1)?.as_f64()?));
        self.0.get(name).and_then(Value::as_array).map_or_else(Vec::new, |rows| rows.iter().filter_map(pair).collect())
    }

    /// A word; checked to be one of the function's.
    #[must_use]
    pub fn word(&self, name: &str) -> &'a str {
        self.0.get(name).and_then(Value::as_str).unwrap_or_default()
    }
}

fn fits(argument: &Argument, value: &Value) -> bool {
    match argument.takes {
        Takes::Number { .. } => value.is_number(),
        Takes::List { .. } => value.as_array().is_some_and(|list| list.iter().all(Value::is_number)),
        Takes::Pairs { .. } => value.as_array().is_some_and(|rows| {
            rows.iter().all(|row| row.as_array().is_some_and(|row| row.len() == 2 && row.iter().all(Value::is_number)))
        }),
        Takes::Word(words) => value.as_str().is_some_and(|word| words.contains(&word)),
    }
}

fn names(function: &Function) -> String {
    function.arguments.iter().map(|argument| argument.name).collect::<Vec<_>>().join(", ")
}
