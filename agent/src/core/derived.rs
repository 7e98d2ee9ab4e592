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

use crate::compute::{self, Function};
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
                if derived.from.iter().any(|(_, point)| renewed.contains(point)) {
                    hanging.insert(index);
                    renewed.insert(derived.point);
                }
            }
        }
        Self {
            by_transaction: hang.into_iter().map(|set| set.into_iter().collect()).collect(),
            functions: plan.derived.iter().map(|derived| compute::function(&derived.compute)).collect(),
            constants: plan.derived.iter().map(|derived| derived.with.iter().map(|(name, c)| (name.clone(), constant(c))).collect()).collect(),
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
        let mut inputs = self.constants.get(index)?.clone();
        let (mut status, mut oldest) = (Status::GOOD, Millis(u64::MAX));
        for (name, point) in &derived.from {
            let reading = engine.reading(*point);
            let from = plan.points.get(usize::try_from(*point).ok()?)?.exponent;
            status = status.worst(reading.status);
            oldest = oldest.min(reading.at);
            inputs.insert(name.clone(), Decimal::new(reading.value, from).to_f64().into());
        }
        if status.is_bad() {
            return Some((derived.point, 0, status, oldest));
        }
        let (value, status) = match self.functions.get(index).copied().flatten().map(|function| function.answer(&inputs)) {
            Some(Ok(Value::Number(number))) => match Decimal::quantise(number.as_f64().unwrap_or(f64::NAN), exponent) {
                Ok(decimal) => (decimal.mantissa, status),
                Err(_) => (0, Status::BAD_OUT_OF_RANGE),
            },
            Some(Ok(_)) | None => (0, Status::BAD_CONFIGURATION_ERROR),
            Some(Err(_)) => (0, Status::BAD_OUT_OF_RANGE),
        };
        Some((derived.point, value, status, oldest))
    }
}

fn constant(constant: &Constant) -> Value {
    match constant {
        Constant::Number(number) => (*number).into(),
        Constant::Word(word) => word.clone().into(),
    }
}
