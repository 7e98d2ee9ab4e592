//! Computes derived points when the transactions that bring their inputs have come.
//!
//! Quality is the worst of the inputs', time the oldest of them; where a function takes only believed inputs, bad ones are
//! left out and the answer is uncertain. A function that gives no number (outside its domain, undefined) makes the point
//! bad. Values are quantised to the point's exponent.
//!
//! A point of one transaction is computed with each. A point of several is computed once a round: when all transactions
//! of its shortest period have come, so that it does not mix the old current of one meter with the new one of another;
//! or when one of them comes a second time, because another is late or silent. What comes less often is taken as it stands.
//!
//! Within a round transactions still come one after the other. Where a function adds up a load that can move from one input
//! to another ([`smallest_step`](crate::compute::Function::smallest_step)), a step that may lie within the round is waited out: the last value before it
//! stands, uncertain, until a round brings no further movement; after three such rounds the new value is taken, uncertain.
//!
//! Names are resolved at the start; a computation allocates nothing. The functions are `compute`'s; this only brings
//! inputs to them. Read `recipe` for one point, `settling` for the waiting. Times are the core's monotonic ones. Never panics.

mod recipe;
mod settling;

use std::time::Duration;

use lapwing_engine::Engine;
use lapwing_engine::spec::Millis;
use lapwing_protocol::Status;

use crate::compute::{Memory, Recalled};
use crate::core::renewal::Renewal;
use crate::plan::Plan;

use recipe::{Recipe, Scales, digest};

/// A reading of a derived point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Computed {
    /// Index of the point.
    pub point: u32,
    /// Its integer.
    pub value: i64,
    /// How far it may be believed.
    pub status: Status,
    /// Time of its oldest input.
    pub oldest: Millis,
}

/// Which derived points hang on which transaction, and how each is computed.
#[derive(Debug)]
pub struct Derivation {
    /// By transaction: what hangs on it, in the plan's order.
    by_transaction: Vec<Vec<Hanging>>,
    /// By derived point.
    recipes: Vec<Recipe>,
    scales: Scales,
    /// By derived point: apart from the recipes, because most transactions that come complete nothing.
    rounds: Vec<Round>,
}

/// A derived point that hangs on a transaction which belongs to its round.
#[derive(Clone, Copy, Debug)]
struct Hanging {
    recipe: u32,
    /// Its place in the point's round.
    place: u32,
    /// The last round that the transaction has come in.
    came_in: u32,
}

/// A round: since the last computation.
#[derive(Clone, Copy, Debug)]
struct Round {
    /// Counts on, so that nothing must be cleared for the next one.
    number: u32,
    /// How many transactions belong to it.
    size: u32,
    /// How many of them have not come.
    missing: u32,
    /// The point rests so long: no reading can bring it before.
    rests_until: Millis,
}

/// What is remembered for one derived point.
#[derive(Clone, Debug, PartialEq)]
pub struct Remembered {
    /// Index of the point.
    pub point: u32,
    /// What it belongs to: another function, other inputs or constants begin anew.
    pub digest: u64,
    /// As numbers.
    pub numbers: Vec<f64>,
}

impl Derivation {
    /// Finds out what hangs on what, through derived points of derived points too.
    #[must_use]
    pub fn new(plan: &Plan) -> Self {
        let renewal = Renewal::of(plan);
        let mut by_transaction: Vec<Vec<Hanging>> = vec![Vec::new(); plan.transactions.len()];
        let mut recipes = Vec::with_capacity(plan.derived.len());
        let mut rounds = Vec::with_capacity(plan.derived.len());
        let mut scales = Scales::default();
        for (recipe, derived) in (0..).zip(&plan.derived) {
            let by = renewal.of_any(derived.from.iter().map(|input| input.point));
            let period = |number: u32| plan.transactions.get(at(number)).map_or(Duration::MAX, |t| t.period);
            let shortest = by.iter().map(|number| period(*number)).min().unwrap_or_default();
            let mut round = 0;
            // One that comes less often brings no computation.
            for number in by.iter().filter(|number| period(**number) == shortest) {
                if let Some(hanging) = by_transaction.get_mut(at(*number)) {
                    hanging.push(Hanging { recipe, place: round, came_in: 0 });
                }
                round += 1;
            }
            recipes.push(Recipe::new(plan, derived, shortest, &mut scales));
            rounds.push(Round { number: 1, size: round, missing: round, rests_until: Millis(0) });
        }
        Self { by_transaction, recipes, scales, rounds }
    }

    /// What the functions remember under another plan's derivation holds here too, where they compute the same.
    /// `before`: by derived point, the same one there.
    pub fn take_over(&mut self, other: &mut Self, before: &[Option<u32>]) {
        let begun = other.came();
        let mut came = vec![None; self.recipes.len()];
        for (((recipe, round), came), old) in self.recipes.iter_mut().zip(&mut self.rounds).zip(&mut came).zip(before) {
            let Some(old) = old.map(at) else { continue };
            let Some(before) = other.recipes.get_mut(old) else { continue };
            recipe.memory = std::mem::take(&mut before.memory);
            recipe.last_at = before.last_at;
            round.rests_until = recipe.rests_until();
            *came = begun.get(old).filter(|begun| begun.len() == at(round.size));
        }
        for hanging in self.by_transaction.iter_mut().flatten() {
            let Some(Some(came)) = came.get(at(hanging.recipe)) else { continue };
            if came.get(at(hanging.place)) == Some(&true)
                && let Some(round) = self.rounds.get_mut(at(hanging.recipe))
            {
                hanging.came_in = round.number;
                round.missing -= 1;
            }
        }
    }

    /// By derived point: which transactions of the present round have come, by their places in it.
    fn came(&self) -> Vec<Vec<bool>> {
        let mut all: Vec<Vec<bool>> = self.rounds.iter().map(|round| vec![false; at(round.size)]).collect();
        for hanging in self.by_transaction.iter().flatten() {
            let number = self.rounds.get(at(hanging.recipe)).map(|round| round.number);
            let came = all.get_mut(at(hanging.recipe)).and_then(|came| came.get_mut(at(hanging.place)));
            if let Some(came) = came {
                *came = number == Some(hanging.came_in);
            }
        }
        all
    }

    /// Only these points are computed from now on.
    pub fn keep_only(&mut self, wanted: impl Fn(u32) -> bool) {
        let recipes = &self.recipes;
        for hanging in &mut self.by_transaction {
            hanging.retain(|hanging| recipes.get(at(hanging.recipe)).is_some_and(|recipe| wanted(recipe.point)));
        }
    }

    /// Forgets what was computed before.
    pub fn begin_anew(&mut self) {
        for recipe in &mut self.recipes {
            (recipe.memory, recipe.last_at, recipe.known) = (Memory::default(), None, None);
        }
        for round in &mut self.rounds {
            round.begin();
            round.rests_until = Millis(0);
        }
    }

    /// What is to be kept over a restart.
    pub fn remembered<'a>(&'a self, plan: &'a Plan) -> impl Iterator<Item = Remembered> + 'a {
        self.recipes.iter().zip(&plan.derived).filter_map(|(recipe, derived)| {
            let numbers = recipe.memory.numbers()?;
            Some(Remembered { point: recipe.point, digest: digest(plan, derived), numbers })
        })
    }

    /// Gives a point what an earlier start has remembered for it; `false` if it is computed in another way now.
    pub fn recall(&mut self, plan: &Plan, remembered: Remembered, away_ms: Option<u64>) -> bool {
        let known = self.recipes.iter_mut().zip(&plan.derived).find(|(recipe, _)| recipe.point == remembered.point);
        let Some((recipe, _)) = known.filter(|(_, derived)| digest(plan, derived) == remembered.digest) else {
            return false;
        };
        recipe.memory.recall(Recalled { numbers: remembered.numbers, away_ms });
        true
    }

    /// The reading of the next point that hangs on a transaction which has just come; `None` at the end. `from` counts on,
    /// from 0: those that wait for other transactions are passed over. `newest`: no reading of the engine's is newer.
    pub fn next(
        &mut self,
        newest: Millis,
        transaction: u32,
        from: &mut usize,
        engine: &Engine<'_>,
    ) -> Option<Computed> {
        for hanging in self.by_transaction.get_mut(at(transaction))?.get_mut(*from..)? {
            *from += 1;
            let Some(round) = self.rounds.get_mut(at(hanging.recipe)) else { continue };
            if !hanging.is_due(round) || newest < round.rests_until {
                continue;
            }
            let Some(recipe) = self.recipes.get_mut(at(hanging.recipe)) else { continue };
            let computed = recipe.compute(engine, &self.scales);
            round.rests_until = recipe.rests_until();
            if computed.is_some() {
                return computed;
            }
        }
        None
    }
}

impl Hanging {
    /// Notes that the transaction has come; whether the round is full now, or would be if another were not silent.
    fn is_due(&mut self, round: &mut Round) -> bool {
        let again = self.came_in == round.number;
        self.came_in = round.number;
        round.missing -= u32::from(!again);
        let due = again || round.missing == 0;
        if due {
            round.begin();
            // It has come anew already in the round that begins.
            if again {
                self.came_in = round.number;
                round.missing -= 1;
            }
        }
        due
    }
}

impl Round {
    fn begin(&mut self) {
        self.number = self.number.wrapping_add(1);
        self.missing = self.size;
    }
}

fn at(index: u32) -> usize {
    usize::try_from(index).unwrap_or(usize::MAX)
}

#[cfg(test)]
mod tests;
