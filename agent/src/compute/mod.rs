//! The engineering functions by name: what each takes, in which units, and how it is computed.
//!
//! A [`Function`] can make a derived point: its table serves `lapwing calc`, derived points and the check of their
//! configuration. A [`Calculation`] is for `lapwing calc` alone, because what it takes or answers is no point. The physics
//! is the engine's; this only brings inputs to it and its answer back. Units are UCUM codes. An input outside a
//! function's domain is no number, said by a word: `domain_error`, `undefined`, `none` or `not_available`. Never panics.

mod calculation;
mod given;
mod memory;
pub mod pages;
mod table;

use std::time::Duration;

use lapwing_protocol::Quantity;
use serde_json::{Map, Value};

pub use calculation::Calculation;
pub use given::{Given, Slot};
pub use memory::{Keep, Memory, Recalled};

use crate::plan::Constant;

/// One function.
#[derive(Clone, Copy, Debug)]
pub struct Function {
    /// Name, as in `lapwing calc`.
    pub name: &'static str,
    /// What it takes; required unless it says what holds otherwise.
    pub arguments: &'static [Argument],
    /// What it answers.
    pub quantity: Quantity,
    /// UCUM unit of the answer; of an answer of several parts, that of the part a point takes.
    pub unit: &'static str,
    /// How it is computed.
    run: fn(&mut Given<'_>) -> Result<Computed, NoNumber>,
}

/// An answer before it has its unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Computed {
    /// The value.
    value: Value,
    /// The number a point takes.
    number: f64,
    /// Why it is doubtful, if it is.
    doubt: Option<&'static str>,
}

impl From<f64> for Computed {
    fn from(number: f64) -> Self {
        Self { value: number.into(), number, doubt: None }
    }
}

/// One argument.
#[derive(Debug)]
pub struct Argument {
    /// Name.
    pub name: &'static str,
    /// Its form.
    pub takes: Takes,
    /// What it means.
    pub meaning: &'static str,
}

/// Form of an argument.
#[derive(Debug, PartialEq)]
pub enum Takes {
    /// One number, from a point or constant.
    Number {
        /// UCUM unit the function wants.
        unit: &'static str,
    },
    /// One number that may be left out.
    NumberOr {
        /// UCUM unit the function wants.
        unit: &'static str,
        /// What holds then.
        otherwise: f64,
    },
    /// Several numbers, from points or constants.
    List {
        /// UCUM unit the function wants.
        unit: &'static str,
    },
    /// Several numbers of points, of which bad ones are left out: the answer is uncertain then. At least one must be
    /// believed.
    Believed {
        /// UCUM unit the function wants.
        unit: &'static str,
    },
    /// Rows of two numbers, constant.
    Pairs {
        /// UCUM units of the two, with a comma.
        units: &'static str,
    },
    /// One of these words, constant.
    Word(&'static [&'static str]),
}

/// Why there is no number.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NoNumber {
    /// `domain_error`, `undefined`, `none` or `not_available`.
    pub word: &'static str,
    /// Why.
    pub why: String,
}

impl From<lapwing_engine::physics::NoNumber> for NoNumber {
    fn from(none: lapwing_engine::physics::NoNumber) -> Self {
        Self { word: none.word(), why: none.to_string() }
    }
}

/// What a function answered.
#[derive(Clone, Debug, PartialEq)]
pub enum Answer {
    /// A number, object, list or word.
    Value {
        /// The value.
        value: Value,
        /// Its unit; empty where it has none.
        unit: &'static str,
        /// The number a point takes, of an answer of several parts too; `None` if a point can take none.
        number: Option<f64>,
        /// Why it is doubtful, if it is: a point's quality is uncertain then.
        doubt: Option<&'static str>,
    },
    /// No number, and why.
    NoNumber {
        /// `domain_error`, `undefined`, `none` or `not_available`.
        word: &'static str,
        /// Why.
        why: String,
    },
}

/// Why a function could not be tried.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotTried {
    /// No such function.
    #[error("there is no function '{name}'{}; `lapwing calc` without a name lists all", nearest.map(|n| format!(": did you mean '{n}'?")).unwrap_or_default())]
    NoFunction {
        /// The name asked for.
        name: String,
        /// The most similar name.
        nearest: Option<&'static str>,
    },
    /// An input is missing.
    #[error("{function} needs {argument} [{form}]")]
    Missing {
        /// Function.
        function: &'static str,
        /// Argument.
        argument: &'static str,
        /// What it takes.
        form: String,
    },
    /// An input the function does not take.
    #[error("{function} does not take '{argument}'; it takes {takes}")]
    Unknown {
        /// Function.
        function: &'static str,
        /// The input.
        argument: String,
        /// What it takes.
        takes: String,
    },
    /// An input of the wrong form.
    #[error("{argument} must be [{form}], not {found}")]
    WrongForm {
        /// Argument.
        argument: &'static str,
        /// What it takes.
        form: String,
        /// What was given.
        found: String,
    },
    /// Inputs of a calculation that do not fit.
    #[error("{name}: {why}; it takes {takes}")]
    Unfit {
        /// Which calculation.
        name: &'static str,
        /// What does not fit.
        why: String,
        /// What it takes.
        takes: &'static str,
    },
    /// A line that is no request.
    #[error("not a request: {why}; write {{\"id\": …, \"function\": …, \"inputs\": {{…}}}}")]
    NotARequest {
        /// Why.
        why: String,
    },
}

/// So many rounds the answer of a function with a [`Function::smallest_step`] is held while its inputs move; then a load that
/// never stands still is told, as uncertain.
pub const HELD_ROUNDS: u8 = 3;

impl Function {
    /// Every function.
    #[must_use]
    pub const fn all() -> &'static [Self] {
        &table::FUNCTIONS
    }

    /// The function of a name.
    #[must_use]
    pub fn named(name: &str) -> Option<&'static Self> {
        Self::all().iter().find(|function| function.name == name)
    }

    /// Names of its states, by their numbers; none if it answers a quantity.
    #[must_use]
    pub fn states(&self) -> &'static [(i64, &'static str)] {
        table::states(self.name)
    }

    /// The smallest movement of its inputs, taken together, from which they may stand on two sides of a step; `None` if that
    /// does not matter to it.
    #[must_use]
    pub fn smallest_step(&self) -> Option<f64> {
        table::smallest_step(self.name)
    }

    /// How long it must see a change at most before its answer is that of the change alone, with these constants: the window
    /// of its slope.
    #[must_use]
    pub fn window(&self, with: &[(String, Constant)]) -> Duration {
        let constant = |name: &str| with.iter().find(|(known, _)| known == name).map(|(_, constant)| constant);
        let seconds = match (table::window(self.name), table::window(self.name).and_then(|(name, _)| constant(name))) {
            (Some((_, a_unit)), Some(Constant::Number(number))) => number * a_unit,
            (_, Some(Constant::Numbers(_) | Constant::Pairs(_) | Constant::Word(_)) | None) | (None, _) => 0.0,
        };
        Duration::try_from_secs_f64(seconds).unwrap_or_default()
    }

    /// Computes.
    ///
    /// # Errors
    /// When an input is missing, unknown or of the wrong form.
    pub fn answer(&self, inputs: &Map<String, Value>) -> Result<Answer, NotTried> {
        let slots = Slot::all(self, inputs)?;
        let mut memory = Memory::default();
        Ok(match self.computed(&mut Given::new(self.arguments, &slots, 0, &mut memory)) {
            Ok(Computed { value, number, doubt }) => {
                Answer::Value { value, unit: self.unit, number: Some(number), doubt }
            }
            Err(NoNumber { word, why }) => Answer::NoNumber { word, why },
        })
    }
}

/// The number a point takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Number {
    /// The number.
    pub value: f64,
    /// Why it is doubtful, if it is: the point's quality is uncertain then.
    pub doubt: Option<&'static str>,
}

impl Function {
    /// Computes a point's number from slots in the order of the arguments.
    ///
    /// # Errors
    /// When there is no number, and why.
    pub fn number(&self, slots: &[Slot], at_ms: u64, memory: &mut Memory) -> Result<Number, NoNumber> {
        let Computed { number, doubt, .. } = self.computed(&mut Given::new(self.arguments, slots, at_ms, memory))?;
        Ok(Number { value: number, doubt })
    }

    /// Without a number in a list there is no answer, rather than that of nothing. Inputs whose answer no f64 holds (sums of
    /// the largest numbers) have none.
    fn computed(&self, given: &mut Given<'_>) -> Result<Computed, NoNumber> {
        if let Some(argument) = given.empty_list() {
            return Err(match argument.takes {
                Takes::Believed { .. } => {
                    NoNumber { word: "not_available", why: format!("no number of {} is believed", argument.name) }
                }
                Takes::Number { .. }
                | Takes::NumberOr { .. }
                | Takes::List { .. }
                | Takes::Pairs { .. }
                | Takes::Word(_) => NoNumber {
                    word: "domain_error",
                    why: format!("{} must be a list of at least one number", argument.name),
                },
            });
        }
        let computed = (self.run)(given)?;
        if computed.number.is_finite() {
            return Ok(computed);
        }
        let why = format!("the inputs of {} are too large for an answer", self.name);
        Err(NoNumber { word: "domain_error", why })
    }
}

impl Argument {
    /// The UCUM unit of the points it takes; `None` if it takes constants only.
    #[must_use]
    pub const fn unit(&self) -> Option<&'static str> {
        match self.takes {
            Takes::Number { unit } | Takes::NumberOr { unit, .. } | Takes::List { unit } | Takes::Believed { unit } => {
                Some(unit)
            }
            Takes::Pairs { .. } | Takes::Word(_) => None,
        }
    }

    /// Whether it takes many points.
    #[must_use]
    pub const fn is_many(&self) -> bool {
        match self.takes {
            Takes::List { .. } | Takes::Believed { .. } => true,
            Takes::Number { .. } | Takes::NumberOr { .. } | Takes::Pairs { .. } | Takes::Word(_) => false,
        }
    }

    /// Whether it may be left out.
    #[must_use]
    pub const fn is_optional(&self) -> bool {
        matches!(self.takes, Takes::NumberOr { .. })
    }

    /// What it takes, for people.
    #[must_use]
    pub fn form(&self) -> String {
        match self.takes {
            Takes::Number { unit } => unit.to_owned(),
            Takes::NumberOr { unit, otherwise } => format!("{unit}, {otherwise} if left out"),
            Takes::List { unit } | Takes::Believed { unit } => format!("list of {unit}"),
            Takes::Pairs { units } => format!("list of pairs of {units}"),
            Takes::Word(words) => words.join(" or "),
        }
    }
}

/// Computes by name.
///
/// # Errors
/// When there is no such function or an input does not fit.
pub fn answer(name: &str, inputs: &Map<String, Value>) -> Result<Answer, NotTried> {
    if let Some(function) = Function::named(name) {
        return function.answer(inputs);
    }
    match Calculation::all().iter().find(|calculation| calculation.name == name) {
        Some(calculation) => calculation.answer(inputs),
        None => Err(NotTried::NoFunction { name: name.to_owned(), nearest: nearest(name) }),
    }
}

fn nearest(name: &str) -> Option<&'static str> {
    let functions = Function::all().iter().map(|function| function.name);
    let names = functions.chain(Calculation::all().iter().map(|calculation| calculation.name));
    let scored = names.map(|known| (strsim::jaro_winkler(name, known), known));
    scored.filter(|(score, _)| *score > 0.8).max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, name)| name)
}
