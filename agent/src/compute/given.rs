//! Inputs of a function, each in the slot of its argument: numbers, lists, pairs and words.
//!
//! Slots are filled by position, from points in the core or from JSON on a command line; a function asks by name. From
//! JSON, every input must be there, be of the right form and be finite; what the function does not take is refused by
//! name. Knows no physics. Never panics: an input that is not there is NaN or empty, which every function refuses.

use serde_json::{Map, Value};

use super::memory::{Keep, Memory};
use super::{Argument, Function, NotTried, Takes};
use crate::plan::Constant;

/// One input.
#[derive(Clone, Debug, PartialEq)]
pub enum Slot {
    /// A number.
    Number(f64),
    /// Several numbers.
    List(Vec<f64>),
    /// Rows of two numbers.
    Pairs(Vec<(f64, f64)>),
    /// A word of the argument's.
    Word(&'static str),
}

/// What a function computes with: its inputs, when they were read, and what it remembers.
#[derive(Debug)]
pub struct Given<'a> {
    arguments: &'static [Argument],
    slots: &'a [Slot],
    at_ms: u64,
    memory: &'a mut Memory,
}

impl<'a> Given<'a> {
    /// Inputs in the order of the arguments; `at_ms`, on any clock that never goes back, is when the newest was read.
    pub const fn new(arguments: &'static [Argument], slots: &'a [Slot], at_ms: u64, memory: &'a mut Memory) -> Self {
        Self { arguments, slots, at_ms, memory }
    }

    fn slot(&self, name: &str) -> Option<&'a Slot> {
        // The name asked for is mostly the very text of the table.
        let is_named = |argument: &Argument| std::ptr::eq(argument.name, name) || argument.name == name;
        self.arguments.iter().zip(self.slots).find(|(argument, _)| is_named(argument)).map(|(_, slot)| slot)
    }

    /// A number.
    #[must_use]
    pub fn number(&self, name: &str) -> f64 {
        match self.slot(name) {
            Some(Slot::Number(number)) => *number,
            Some(Slot::List(_) | Slot::Pairs(_) | Slot::Word(_)) | None => f64::NAN,
        }
    }

    /// Several numbers.
    #[must_use]
    pub fn list(&self, name: &str) -> &'a [f64] {
        match self.slot(name) {
            Some(Slot::List(list)) => list,
            Some(Slot::Number(_) | Slot::Pairs(_) | Slot::Word(_)) | None => &[],
        }
    }

    /// Rows of two numbers.
    #[must_use]
    pub fn pairs(&self, name: &str) -> &'a [(f64, f64)] {
        match self.slot(name) {
            Some(Slot::Pairs(pairs)) => pairs,
            Some(Slot::Number(_) | Slot::List(_) | Slot::Word(_)) | None => &[],
        }
    }

    /// A word of the argument's.
    #[must_use]
    pub fn word(&self, name: &str) -> &'static str {
        match self.slot(name) {
            Some(Slot::Word(word)) => word,
            Some(Slot::Number(_) | Slot::List(_) | Slot::Pairs(_)) | None => "",
        }
    }

    /// The first argument of many numbers that has none.
    #[must_use]
    pub fn empty_list(&self) -> Option<&'static Argument> {
        let is_empty = |slot: &Slot| matches!(slot, Slot::List(list) if list.is_empty());
        self.arguments.iter().zip(self.slots).find(|(_, slot)| is_empty(slot)).map(|(argument, _)| argument)
    }

    /// When the newest input was read, milliseconds on a clock that never goes back; 0 in a single calculation.
    #[must_use]
    pub const fn at_ms(&mut self) -> u64 {
        self.memory.ask();
        self.at_ms
    }

    /// What this function remembers for this point and keeps over a restart; begun anew in each single calculation.
    pub fn kept<T: Keep>(&mut self) -> &mut T {
        self.memory.kept()
    }

    /// What this function remembers for this point; begun anew at each start and in each single calculation.
    pub fn memory<T: Default + std::any::Any + Send>(&mut self) -> &mut T {
        self.memory.of()
    }
}

impl Slot {
    /// A slot as a point fills it: the constant, what holds without an input, or empty.
    #[must_use]
    pub fn ready(argument: &Argument, constant: Option<&Constant>) -> Self {
        match (&argument.takes, constant) {
            (_, Some(Constant::Number(number))) => Self::Number(*number),
            (_, Some(Constant::Numbers(list))) => Self::List(list.clone()),
            (_, Some(Constant::Pairs(rows))) => Self::Pairs(rows.clone()),
            (Takes::Word(words), Some(Constant::Word(written))) => {
                Self::Word(words.iter().find(|word| *word == written).copied().unwrap_or_default())
            }
            (Takes::NumberOr { otherwise, .. }, _) => Self::Number(*otherwise),
            (Takes::List { .. } | Takes::Believed { .. }, _) => Self::List(Vec::new()),
            (Takes::Pairs { .. }, _) => Self::Pairs(Vec::new()),
            (Takes::Number { .. } | Takes::Word(_), _) => Self::Number(f64::NAN),
        }
    }

    /// Every slot of a function from JSON.
    ///
    /// # Errors
    /// The first input that is missing, unknown or of the wrong form.
    pub fn all(function: &Function, inputs: &Map<String, Value>) -> Result<Vec<Self>, NotTried> {
        let mut slots = Vec::with_capacity(function.arguments.len());
        for argument in function.arguments {
            slots.push(match (inputs.get(argument.name), &argument.takes) {
                (None, Takes::NumberOr { otherwise, .. }) => Self::Number(*otherwise),
                (None, _) => {
                    return Err(NotTried::Missing {
                        function: function.name,
                        argument: argument.name,
                        form: argument.form(),
                    });
                }
                (Some(value), _) => Self::read(argument, value).ok_or_else(|| NotTried::WrongForm {
                    argument: argument.name,
                    form: argument.form(),
                    found: found(argument, value),
                })?,
            });
        }
        match inputs.keys().find(|name| !function.arguments.iter().any(|argument| argument.name == name.as_str())) {
            Some(name) => {
                Err(NotTried::Unknown { function: function.name, argument: name.clone(), takes: names(function) })
            }
            None => Ok(slots),
        }
    }

    fn read(argument: &Argument, value: &Value) -> Option<Self> {
        let pair = |row: &Value| match row.as_array()?.as_slice() {
            [first, second] => Some((first.as_f64()?, second.as_f64()?)),
            _ => None,
        };
        Some(match argument.takes {
            Takes::Number { .. } | Takes::NumberOr { .. } => Self::Number(value.as_f64()?),
            Takes::List { .. } | Takes::Believed { .. } => {
                Self::List(value.as_array()?.iter().map(Value::as_f64).collect::<Option<_>>()?)
            }
            Takes::Pairs { .. } => Self::Pairs(value.as_array()?.iter().map(pair).collect::<Option<_>>()?),
            Takes::Word(words) => {
                let written = value.as_str()?;
                Self::Word(words.iter().find(|word| **word == written)?)
            }
        })
    }
}

/// What was given instead; where a number has its unit with it, or is none, what to write.
fn found(argument: &Argument, value: &Value) -> String {
    let hint = match argument.takes {
        Takes::Number { .. } | Takes::NumberOr { .. } if value.is_string() => {
            ": write the finite number alone, in that unit"
        }
        Takes::Number { .. }
        | Takes::NumberOr { .. }
        | Takes::List { .. }
        | Takes::Believed { .. }
        | Takes::Pairs { .. }
        | Takes::Word(_) => "",
    };
    format!("{value}{hint}")
}

fn names(function: &Function) -> String {
    function.arguments.iter().map(|argument| argument.name).collect::<Vec<_>>().join(", ")
}
