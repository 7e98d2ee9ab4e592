//! Computes derived points whenever a transaction has renewed one of their inputs.
//!
//! Quality is the worst of the inputs', time the oldest of them. A function that gives no number (outside its domain,
//! undefined) makes the point bad, with the reason as its status. Values are quantised to the point's exponent. The
//! functions are `compute`'s; this only brings inputs to them. Never panics.

use std::collections::BTreeSet;

use lapwing_engine::Engine;
use lapwing_engine::spec::Millis;
use lapwing_protocol::{Decimal, Status};
use serde_json::{Map, Value};

use crate::compute::{Answer, Function, Takes};
use crate::plan::{Constant, Plan};

/// Which derived points hang on which transaction.
#[derive(Debug)]
pub struct Derivation {
    /// By transaction: indexes into `Plan::derived`, in the plan's order.
    by_transaction: Vec<Vec<usize>>,
    /// By derived point.
    functions: Vec<Option<&'static Function>>,
    /// Constant inputs, ready to be completed, by derived point.
    constants: Vec<Map<String, Value>>,
}

impl Derivation {
    /// Finds out what hangs on what, through derived points of derived points too.
    #[must_use]
    pub fn new(plan: &Plan) -> Self {
        let mut hang: Vec<BTreeSet<usize>> = vec![BTreeSet::new(); plan.transactions.len()];
        for (transaction, hanging) in plan.transactions.iter().zip(&mut hang) {
            let span = transaction.points;
            let mut renewed: BTreeSet<u32> = (span.first..span.first.saturating_add(span.count)).collect();
            for (index, derived) in plan.derived.iter().enumerate() {
                if derived.from.iter().any(|input| renewed.contains(&input.point)) {
                    hanging.insert(index);
                    renewed.insert(derived.point);
                }
            }
        }
        Self {
            by_transaction: hang.into_iter().map(|set| set.into_iter().collect()).collect(),
            functions: plan.derived.iter().map(|derived| Function::named(&derived.compute)).collect(),
            constants: plan
                .derived
                .iter()
                .map(|derived| derived.with.iter().map(|(name, c)| (name.clone(), constant(c))).collect())
                .collect(),
        }
    }

    /// The derived points a transaction renews.
    #[must_use]
    pub fn hanging_on(&self, transaction: u32) -> &[usize] {
        usize::try_from(transaction).ok().and_then(|t| self.by_transaction.get(t)).map_or(&[], Vec::as_slice)
    }

    /// Point, integer, status and time of one derived point now; `None` if the plan has no such one.
    #[must_use]
    pub fn compute(&self, plan: &Plan, index: usize, engine: &Engine<'_>) -> Option<(u32, i64, Status, Millis)> {
        let derived = plan.derived.get(index)?;
        let exponent = plan.points.get(usize::try_from(derived.point).ok()?)?.exponent;
        let function = self.functions.get(index).copied().flatten();
        let mut inputs = self.constants.get(index)?.clone();
        let (mut status, mut oldest) = (Status::GOOD, Millis(u64::MAX));
        for input in &derived.from {
            let reading = engine.reading(input.point);
            let from = plan.points.get(usize::try_from(input.point).ok()?)?.exponent;
            status = status.worst(reading.status);
            oldest = oldest.min(reading.at);
            let number = Decimal::new(reading.value, from).to_f64() * input.factor + input.offset;
            let listed = function.is_some_and(|f| {
                f.arguments.iter().any(|a| a.name == input.argument && matches!(a.takes, Takes::List { .. }))
            });
            match (inputs.get_mut(&input.argument), listed) {
                (Some(Value::Array(list)), true) => list.push(number.into()),
                (_, true) => drop(inputs.insert(input.argument.clone(), Value::Array(vec![number.into()]))),
                (_, false) => drop(inputs.insert(input.argument.clone(), number.into())),
            }
        }
        if status.is_bad() {
            return Some((derived.point, 0, status, oldest));
        }
        let (value, status) = match function.map(|function| function.answer(&inputs)) {
            Some(Ok(Answer::Value { number, doubt, .. })) => {
                match number.map(|number| Decimal::quantise(number, exponent)) {
                    Some(Ok(decimal)) => (
                        decimal.mantissa,
                        if doubt.is_some() { status.worst(Status::UNCERTAIN_UNITS_EXCEEDED) } else { status },
                    ),
                    Some(Err(_)) => (0, Status::BAD_OUT_OF_RANGE),
                    None => (0, Status::BAD_CONFIGURATION_ERROR), // no number for a point; functions always have one
                }
            }
            Some(Ok(Answer::NoNumber { .. })) => (0, Status::BAD_OUT_OF_RANGE),
            Some(Err(_)) | None => (0, Status::BAD_CONFIGURATION_ERROR),
        };
        Some((derived.point, value, status, oldest))
    }
}

fn constant(constant: &Constant) -> Value {
    match constant {
        Constant::Number(number) => (*number).into(),
        Constant::Word(word) => word.clone().into(),
        Constant::Pairs(rows) => rows.iter().map(|(first, second)| Value::from(vec![*first, *second])).collect(),
    }
}
