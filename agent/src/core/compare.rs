//! Differences and counts that alarms are judged on, as integers: renewed when one of the points they are made of is.
//!
//! A difference is renewed with its subject (and with the other point, if there is one); peers count as they stand. Its
//! quality is the worse of the two; of peers only those with a usable reading count, with fewer than two it is bad.
//! A count takes points without a usable reading for unknown: it is good news or bad news only when they cannot change
//! it, else it is bad, which neither raises nor clears. Times are the core's monotonic milliseconds. Never panics.

use lapwing_engine::Engine;
use lapwing_engine::spec::Millis;
use lapwing_protocol::{Decimal, Status};

use crate::core::renewal::Renewal;
use crate::plan::{Comparison, Plan};

#[cfg(test)]
mod tests;

/// What hangs on which transaction.
#[derive(Debug)]
pub struct Comparer {
    /// By transaction: indexes into `Plan::compared`.
    by_transaction: Vec<Vec<usize>>,
    /// Values of peers, kept to allocate nothing.
    peers: Vec<i64>,
}

/// A value to put into the engine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Made {
    /// Index of the point.
    pub point: u32,
    /// Its integer.
    pub value: i64,
    /// How far it may be believed.
    pub status: Status,
    /// Time of what renewed it.
    pub at: Millis,
}

impl Comparer {
    /// Finds out what hangs on what.
    #[must_use]
    pub fn new(plan: &Plan) -> Self {
        let renewal = Renewal::of(plan);
        let mut by_transaction = vec![Vec::new(); plan.transactions.len()];
        for (at, compared) in plan.compared.iter().enumerate() {
            let subject = compared.subject.into_iter();
            let by = match &compared.with {
                Comparison::Value(_) | Comparison::Median(_) => renewal.of_any(subject),
                Comparison::Point { point, .. } => renewal.of_any(subject.chain([*point])),
                Comparison::Count { members, .. } => renewal.of_any(members.iter().copied()),
            };
            for number in by {
                if let Some(hanging) = usize::try_from(number).ok().and_then(|n| by_transaction.get_mut(n)) {
                    hanging.push(at);
                }
            }
        }
        Self { by_transaction, peers: Vec::new() }
    }

    /// How many hang on a transaction.
    #[must_use]
    pub fn hanging_on(&self, transaction: u32) -> usize {
        usize::try_from(transaction).ok().and_then(|at| self.by_transaction.get(at)).map_or(0, Vec::len)
    }

    /// The `n`th of a transaction, as it is now.
    pub fn make(&mut self, plan: &Plan, transaction: u32, n: usize, engine: &Engine<'_>) -> Option<Made> {
        let at = *self.by_transaction.get(usize::try_from(transaction).ok()?)?.get(n)?;
        let compared = plan.compared.get(at)?;
        let (value, status, at) = match (&compared.with, compared.subject) {
            (Comparison::Count { members, test, needed }, _) => counted(members, |v| test.holds(v), *needed, engine),
            (with, Some(subject)) => self.difference(plan, subject, with, engine),
            (_, None) => return None,
        };
        Some(Made { point: compared.point, value, status, at })
    }

    fn difference(
        &mut self,
        plan: &Plan,
        subject: u32,
        with: &Comparison,
        engine: &Engine<'_>,
    ) -> (i64, Status, Millis) {
        let reading = engine.present(subject);
        let (expected, status, at) = match with {
            Comparison::Value(value) => (*value, Status::GOOD, reading.at),
            Comparison::Point { point, times } => {
                let other = engine.present(*point);
                let exponent =
                    |at: u32| usize::try_from(at).ok().and_then(|at| plan.points.get(at)).map_or(0, |p| p.exponent);
                let number = Decimal::new(other.value, exponent(*point)).to_f64() * times;
                match Decimal::quantise(number, exponent(subject)) {
                    Ok(expected) => (expected.mantissa, other.status, reading.at.max(other.at)),
                    Err(_) => (0, Status::BAD_OUT_OF_RANGE, reading.at),
                }
            }
            Comparison::Median(members) => match self.median(members, engine) {
                Some(median) => (median, Status::GOOD, reading.at),
                None => (0, Status::BAD_WAITING, reading.at),
            },
            Comparison::Count { .. } => (0, Status::BAD_CONFIGURATION_ERROR, reading.at),
        };
        let status = reading.status.worst(status);
        let value = if status.is_bad() { 0 } else { reading.value.saturating_sub(expected) };
        (value, status, at)
    }

    /// The median of the usable readings, of an even number the lower mean; at least two are needed.
    fn median(&mut self, members: &[u32], engine: &Engine<'_>) -> Option<i64> {
        self.peers.clear();
        let usable = members.iter().map(|at| engine.present(*at)).filter(|reading| !reading.status.is_bad());
        self.peers.extend(usable.map(|reading| reading.value));
        let count = self.peers.len();
        if count < 2 {
            return None;
        }
        let (below, middle, _) = self.peers.select_nth_unstable(count / 2);
        if count % 2 == 1 {
            return Some(*middle);
        }
        let lower = below.iter().copied().max().unwrap_or(*middle);
        i64::try_from((i128::from(lower) + i128::from(*middle)).div_euclid(2)).ok()
    }
}

/// How many pass, as far as that is decided.
fn counted(members: &[u32], passes: impl Fn(i64) -> bool, needed: i64, engine: &Engine<'_>) -> (i64, Status, Millis) {
    let (mut working, mut unknown, mut worst, mut at) = (0_i64, 0_i64, Status::GOOD, Millis(0));
    for reading in members.iter().map(|at| engine.present(*at)) {
        at = at.max(reading.at);
        worst = worst.worst(reading.status);
        if reading.status.is_bad() {
            unknown += 1;
        } else {
            working += i64::from(passes(reading.value));
        }
    }
    if unknown == 0 {
        (working, worst, at)
    } else if working >= needed {
        (working, Status::UNCERTAIN_SUB_NORMAL, at)
    } else if working + unknown < needed {
        // Even if all of them worked there would be too few.
        (working + unknown, Status::UNCERTAIN_SUB_NORMAL, at)
    } else {
        (0, worst, at)
    }
}
