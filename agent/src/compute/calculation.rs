//! Calculations for `lapwing calc` alone: what they take or answer is no point's number.
//!
//! Registers, stamps, sequences of samples, words, units that no point has. Inputs are typed: each calculation declares
//! what it takes as a struct, and anything missing, unknown or of another type is refused by name. Wherever the agent
//! has the code in use (decoding, trend window, alarm life-cycle, read planner, CRC), that code answers. Never panics.

mod alarms;
mod fit;
mod number;
mod registers;
mod stamp;
mod trend;
mod ups;

use serde::de::DeserializeOwned;
use serde_json::{Map, Value};

use super::{Answer, NoNumber, NotTried};

/// One calculation.
#[derive(Clone, Copy, Debug)]
pub struct Calculation {
    /// Name, as in `lapwing calc`.
    pub name: &'static str,
    /// What it takes, for people.
    pub takes: &'static str,
    /// UCUM unit of the answer; of an answer of several parts, theirs with commas; empty where it has none.
    pub unit: &'static str,
    /// How it is computed; says what is wrong with the inputs.
    run: fn(&Map<String, Value>) -> Outcome,
}

/// An answer or why there is no number; or what is wrong with the inputs.
type Outcome = Result<Result<Found, NoNumber>, String>;

/// An answer before it has its unit.
struct Found {
    value: Value,
    /// Only where it depends on the inputs.
    unit: Option<&'static str>,
    doubt: Option<&'static str>,
}

impl<T: Into<Value>> From<T> for Found {
    fn from(value: T) -> Self {
        Self { value: value.into(), unit: None, doubt: None }
    }
}

impl Calculation {
    /// Every calculation.
    #[must_use]
    pub const fn all() -> &'static [Self] {
        &CALCULATIONS
    }

    /// Computes.
    ///
    /// # Errors
    /// When an input is missing, unknown or of another type.
    pub fn answer(&self, inputs: &Map<String, Value>) -> Result<Answer, NotTried> {
        match (self.run)(inputs) {
            Ok(Ok(Found { value, unit, doubt })) => {
                Ok(Answer::Value { value, unit: unit.unwrap_or(self.unit), number: None, doubt })
            }
            Ok(Err(NoNumber { word, why })) => Ok(Answer::NoNumber { word, why }),
            Err(why) => Err(NotTried::Unfit { name: self.name, why, takes: self.takes }),
        }
    }
}

const FAMILIES: [&[Calculation]; 7] = [
    number::CALCULATIONS,
    trend::CALCULATIONS,
    alarms::CALCULATIONS,
    registers::CALCULATIONS,
    ups::CALCULATIONS,
    stamp::CALCULATIONS,
    fit::CALCULATIONS,
];

static CALCULATIONS: [Calculation; COUNT] = joined();

const COUNT: usize = {
    let (mut count, mut family) = (0, 0);
    while family < FAMILIES.len() {
        (count, family) = (count + FAMILIES[family].len(), family + 1);
    }
    count
};

const fn joined() -> [Calculation; COUNT] {
    let mut all = [FAMILIES[0][0]; COUNT];
    let (mut at, mut family) = (0, 0);
    while family < FAMILIES.len() {
        let mut member = 0;
        while member < FAMILIES[family].len() {
            all[at] = FAMILIES[family][member];
            (at, member) = (at + 1, member + 1);
        }
        family += 1;
    }
    all
}

/// Brings inputs into the struct a calculation declares, and computes.
fn typed<T: DeserializeOwned>(inputs: &Map<String, Value>, run: fn(T) -> Result<Found, NoNumber>) -> Outcome {
    T::deserialize(Value::Object(inputs.clone())).map(run).map_err(|error| error.to_string())
}

fn domain(why: impl Into<String>) -> NoNumber {
    NoNumber { word: "domain_error", why: why.into() }
}
