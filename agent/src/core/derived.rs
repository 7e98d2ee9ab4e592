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
//! to another ([`Function::smallest_step`]), a step that may lie within the round is waited out: the last value before it
//! stands, uncertain, until a round brings no further movement; after three such rounds the new value is taken, uncertain.
//!
//! Names are resolved at the start; a computation allocates nothing. The functions are `compute`'s; this only brings
//! inputs to them. Times are the core's monotonic ones. Never panics.

use std::time::Duration;

use lapwing_engine::physics::settled::is_step;
use lapwing_engine::spec::Millis;
use lapwing_engine::{Engine, Present};
use lapwing_protocol::{Decimal, Status};

use sha2::{Digest as _, Sha256};

use crate::compute::{Function, HELD_ROUNDS, Memory, Recalled, Slot, Takes};
use crate::plan::{Derived, Plan};

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
    /// By derived point: apart from the recipes, because most transactions that come complete nothing.
    rounds: Vec<Round>,
}

/// A derived point that hangs on a transaction.
#[derive(Clone, Copy, Debug)]
struct Hanging {
    recipe: usize,
    /// Its place in the point's round; `None` if it comes less often than the round.
    place: Option<usize>,
    /// The last round that the transaction has come in.
    came_in: u32,
}

/// A round: since the last computation.
#[derive(Clone, Copy, Debug)]
struct Round {
    /// Counts on, so that nothing must be cleared for the next one.
    number: u32,
    /// How many transactions belong to it.
    size: usize,
    /// How many of them have not come.
    missing: usize,
}

/// How one derived point is computed.
#[derive(Debug)]
struct Recipe {
    point: u32,
    exponent: i8,
    function: Option<&'static Function>,
    /// By argument; constants stay, the rest is filled anew.
    slots: Vec<Slot>,
    inputs: Vec<Source>,
    /// By input: its integer at the last computation, `None` if it was left out.
    seen: Vec<Option<i64>>,
    /// What came of them, if nothing but them can change it.
    known: Option<(i64, Status)>,
    /// The lists among the slots that are filled anew.
    lists: Vec<usize>,
    memory: Memory,
    /// What its memory belongs to: function, inputs and constants.
    digest: u64,
    settling: Option<Settling>,
    /// It rests so long after a computation, ms; a little less than `every`, because transactions come unevenly.
    rest_ms: u64,
    last_at: Option<Millis>,
}

/// Whether a round's inputs may stand on two sides of a step.
#[derive(Debug)]
struct Settling {
    /// Movement that cannot matter.
    smallest: f64,
    /// Inputs of the round before, empty if that had none to be compared with; and of this one.
    before: Vec<f64>,
    now: Vec<f64>,
    /// How many rounds in a row have moved.
    rounds: u8,
    /// The last integer of a round that stood still.
    last: Option<i64>,
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

/// Where one number comes from.
#[derive(Clone, Copy, Debug)]
struct Source {
    slot: usize,
    kind: Kind,
    point: u32,
    exponent: i8,
    factor: f64,
    offset: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    One,
    Element,
    Believed,
}

impl Derivation {
    /// Finds out what hangs on what, through derived points of derived points too.
    #[must_use]
    pub fn new(plan: &Plan) -> Self {
        // By point: the transactions that renew it.
        let mut renewed_by: Vec<Vec<u32>> = vec![Vec::new(); plan.points.len()];
        for (number, transaction) in (0..).zip(&plan.transactions) {
            let span = transaction.points;
            for point in span.first..span.first.saturating_add(span.count) {
                if let Some(by) = renewed_by.get_mut(at(point)) {
                    by.push(number);
                }
            }
        }
        let mut by_transaction: Vec<Vec<Hanging>> = vec![Vec::new(); plan.transactions.len()];
        let mut recipes = Vec::with_capacity(plan.derived.len());
        let mut rounds = Vec::with_capacity(plan.derived.len());
        for (index, derived) in plan.derived.iter().enumerate() {
            let mut by: Vec<u32> =
                derived.from.iter().filter_map(|input| renewed_by.get(at(input.point))).flatten().copied().collect();
            by.sort_unstable();
            by.dedup();
            let period = |number: u32| plan.transactions.get(at(number)).map_or(Duration::MAX, |t| t.period);
            let shortest = by.iter().map(|number| period(*number)).min().unwrap_or_default();
            let mut round = 0;
            for number in &by {
                let place = (period(*number) == shortest).then_some(round);
                round += usize::from(place.is_some());
                if let Some(hanging) = by_transaction.get_mut(at(*number)) {
                    hanging.push(Hanging { recipe: index, place, came_in: 0 });
                }
            }
            recipes.push(Recipe::new(plan, derived, shortest));
            rounds.push(Round { number: 1, size: round, missing: round });
            if let Some(known) = renewed_by.get_mut(at(derived.point)) {
                *known = by;
            }
        }
        Self { by_transaction, recipes, rounds }
    }

    /// What the functions remember under another plan's derivation holds here too, where they compute the same.
    /// `before`: by derived point, the same one there.
    pub fn take_over(&mut self, other: &mut Self, before: &[Option<u32>]) {
        let begun = other.came();
        let mut came = vec![None; self.recipes.len()];
        for (((recipe, round), came), old) in self.recipes.iter_mut().zip(&self.rounds).zip(&mut came).zip(before) {
            let Some(old) = old.map(at) else { continue };
            let Some(before) = other.recipes.get_mut(old) else { continue };
            recipe.memory = std::mem::take(&mut before.memory);
            recipe.last_at = before.last_at;
            *came = begun.get(old).filter(|begun| begun.len() == round.size);
        }
        for hanging in self.by_transaction.iter_mut().flatten() {
            let (Some(place), Some(Some(came))) = (hanging.place, came.get(hanging.recipe)) else { continue };
            if came.get(place) == Some(&true)
                && let Some(round) = self.rounds.get_mut(hanging.recipe)
            {
                hanging.came_in = round.number;
                round.missing -= 1;
            }
        }
    }

    /// By derived point: which transactions of the present round have come, by their places in it.
    fn came(&self) -> Vec<Vec<bool>> {
        let mut all: Vec<Vec<bool>> = self.rounds.iter().map(|round| vec![false; round.size]).collect();
        for hanging in self.by_transaction.iter().flatten() {
            let number = self.rounds.get(hanging.recipe).map(|round| round.number);
            let came = all.get_mut(hanging.recipe).zip(hanging.place).and_then(|(came, place)| came.get_mut(place));
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
            hanging.retain(|hanging| recipes.get(hanging.recipe).is_some_and(|recipe| wanted(recipe.point)));
        }
    }

    /// Forgets what was computed before.
    pub fn begin_anew(&mut self) {
        for recipe in &mut self.recipes {
            (recipe.memory, recipe.last_at, recipe.known) = (Memory::default(), None, None);
        }
        self.rounds.iter_mut().for_each(Round::begin);
    }

    /// What is to be kept over a restart.
    pub fn remembered(&self) -> impl Iterator<Item = Remembered> {
        self.recipes.iter().filter_map(|recipe| {
            let numbers = recipe.memory.numbers()?;
            Some(Remembered { point: recipe.point, digest: recipe.digest, numbers })
        })
    }

    /// Gives a point what an earlier start has remembered for it; `false` if it is computed in another way now.
    pub fn recall(&mut self, remembered: Remembered, away_ms: Option<u64>) -> bool {
        let known = self.recipes.iter_mut().find(|recipe| recipe.point == remembered.point);
        let Some(recipe) = known.filter(|recipe| recipe.digest == remembered.digest) else { return false };
        recipe.memory.recall(Recalled { numbers: remembered.numbers, away_ms });
        true
    }

    /// How many derived points hang on a transaction.
    #[must_use]
    pub fn hanging_on(&self, transaction: u32) -> usize {
        self.by_transaction.get(at(transaction)).map_or(0, Vec::len)
    }

    /// The reading of the n-th point that hangs on a transaction which has just come; `None` if it waits for others.
    pub fn compute(&mut self, transaction: u32, n: usize, engine: &Engine<'_>) -> Option<Computed> {
        let hanging = self.by_transaction.get_mut(at(transaction))?.get_mut(n)?;
        let recipe = hanging.recipe;
        let due = hanging.is_due(self.rounds.get_mut(recipe)?);
        if due { self.recipes.get_mut(recipe)?.compute(engine) } else { None }
    }
}

impl Hanging {
    /// Notes that the transaction has come; whether the round is full now, or would be if another were not silent.
    fn is_due(&mut self, round: &mut Round) -> bool {
        if self.place.is_none() {
            return false;
        }
        let again = self.came_in == round.number;
        self.came_in = round.number;
        round.missing -= usize::from(!again);
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

impl Recipe {
    fn new(plan: &Plan, derived: &Derived, shortest: Duration) -> Self {
        let function = Function::named(&derived.compute);
        let arguments = function.map_or(&[][..], |function| function.arguments);
        let constant = |name: &str| derived.with.iter().find(|(known, _)| known == name).map(|(_, constant)| constant);
        let exponent_of = |point: u32| plan.points.get(at(point)).map_or(0, |point| point.exponent);
        let source = |input: &crate::plan::Input| {
            let slot = arguments.iter().position(|argument| argument.name == input.argument)?;
            let kind = match arguments[slot].takes {
                Takes::List { .. } => Kind::Element,
                Takes::Believed { .. } => Kind::Believed,
                Takes::Number { .. } | Takes::NumberOr { .. } | Takes::Pairs { .. } | Takes::Word(_) => Kind::One,
            };
            let exponent = exponent_of(input.point);
            Some(Source { slot, kind, point: input.point, exponent, factor: input.factor, offset: input.offset })
        };
        let inputs: Vec<Source> = derived.from.iter().filter_map(source).collect();
        let mut lists: Vec<usize> =
            inputs.iter().filter(|input| input.kind != Kind::One).map(|input| input.slot).collect();
        lists.dedup();
        let rest = derived.every.saturating_sub(shortest / 2);
        Self {
            point: derived.point,
            exponent: exponent_of(derived.point),
            function,
            slots: arguments.iter().map(|argument| Slot::ready(argument, constant(argument.name))).collect(),
            seen: vec![None; inputs.len()],
            known: None,
            inputs,
            lists,
            memory: Memory::default(),
            digest: digest(plan, derived),
            settling: function.and_then(Function::smallest_step).map(|smallest| Settling {
                smallest,
                before: Vec::new(),
                now: Vec::new(),
                rounds: 0,
                last: None,
            }),
            rest_ms: u64::try_from(rest.as_millis()).unwrap_or(u64::MAX),
            last_at: None,
        }
    }

    fn compute(&mut self, engine: &Engine<'_>) -> Option<Computed> {
        if self.rest_ms > 0
            && let Some(before) = self.last_at
        {
            let newest = self.inputs.iter().map(|input| engine.present(input.point).at).max()?;
            if newest.since(before) < self.rest_ms {
                return None;
            }
        }
        let (status, oldest, newest) = self.fill(engine)?;
        self.last_at = Some(newest);
        let (value, status) = if status.is_bad() { (0, status) } else { self.settled(newest, status) };
        if status.is_bad()
            && let Some(settling) = &mut self.settling
        {
            settling.begin_anew();
        }
        Some(Computed { point: self.point, value, status, oldest })
    }

    /// The number, or the last one while the inputs may stand on two sides of a step.
    fn settled(&mut self, newest: Millis, status: Status) -> (i64, Status) {
        let Some(settling) = &mut self.settling else { return self.number(newest, status) };
        let moves = settling.moves();
        if moves
            && settling.rounds <= HELD_ROUNDS
            && let Some(last) = settling.last
        {
            return (last, status.worst(Status::UNCERTAIN_LAST_USABLE));
        }
        let (value, worth) = self.number(newest, status);
        match &mut self.settling {
            Some(settling) if !moves && !worth.is_bad() => settling.last = Some(value),
            Some(_) | None => {}
        }
        (value, if moves { worth.worst(Status::UNCERTAIN_SUB_NORMAL) } else { worth })
    }

    /// Looks at the inputs, and brings them into their slots where one has changed; their quality, oldest and newest time.
    /// `None` if there are none.
    fn fill(&mut self, engine: &Engine<'_>) -> Option<(Status, Millis, Millis)> {
        let mut newest = None;
        let (mut status, mut oldest) = (Status::GOOD, Millis(u64::MAX));
        let mut left_out: Option<(Status, Millis)> = None;
        let mut changed = false;
        for (input, seen) in self.inputs.iter().zip(&mut self.seen) {
            let Present { value, status: worth, at: read_at } = engine.present(input.point);
            newest = newest.max(Some(read_at));
            let value = if input.kind == Kind::Believed && worth.is_bad() {
                left_out.get_or_insert((worth, read_at));
                None
            } else {
                status = status.worst(worth);
                oldest = oldest.min(read_at);
                Some(value)
            };
            changed |= *seen != value;
            *seen = value;
        }
        if changed {
            self.known = None;
        }
        if self.known.is_none() {
            self.fill_slots();
        }
        if let Some(settling) = &mut self.settling {
            let numbers = self.inputs.iter().zip(&self.seen);
            settling.now.clear();
            settling.now.extend(numbers.filter_map(|(input, seen)| Some(input.number((*seen)?))));
        }
        if let Some((bad, at)) = left_out {
            let none_left = self.inputs.iter().any(|input| {
                input.kind == Kind::Believed
                    && matches!(self.slots.get(input.slot), Some(Slot::List(list)) if list.is_empty())
            });
            status = status.worst(if none_left { bad } else { Status::UNCERTAIN_SUB_NORMAL });
            oldest = oldest.min(if none_left { at } else { oldest });
        }
        Some((status, oldest, newest?))
    }

    fn fill_slots(&mut self) {
        for slot in &self.lists {
            if let Some(Slot::List(list)) = self.slots.get_mut(*slot) {
                list.clear();
            }
        }
        for (input, seen) in self.inputs.iter().zip(&self.seen) {
            let Some(number) = seen.map(|value| input.number(value)) else { continue };
            match self.slots.get_mut(input.slot) {
                Some(Slot::List(list)) => list.push(number),
                Some(slot) => *slot = Slot::Number(number),
                None => {}
            }
        }
    }

    /// The number for these inputs, whose own quality is `status`.
    fn number(&mut self, newest: Millis, status: Status) -> (i64, Status) {
        let (value, worth) = match self.known {
            Some(known) => known,
            None => self.computed(newest),
        };
        self.known = (!self.memory.is_asked()).then_some((value, worth));
        (value, if worth.is_bad() { worth } else { status.worst(worth) })
    }

    fn computed(&mut self, newest: Millis) -> (i64, Status) {
        let Some(function) = self.function else { return (0, Status::BAD_CONFIGURATION_ERROR) };
        match function.number(&self.slots, newest.0, &mut self.memory) {
            Ok(number) => match Decimal::quantise(number.value, self.exponent) {
                Ok(decimal) if number.doubt.is_some() => (decimal.mantissa, Status::UNCERTAIN_UNITS_EXCEEDED),
                Ok(decimal) => (decimal.mantissa, Status::GOOD),
                Err(_) => (0, Status::BAD_OUT_OF_RANGE),
            },
            Err(_) => (0, Status::BAD_OUT_OF_RANGE),
        }
    }
}

impl Source {
    fn number(&self, value: i64) -> f64 {
        Decimal::new(value, self.exponent).to_f64() * self.factor + self.offset
    }
}

impl Settling {
    /// Whether the inputs of this round moved against those of the round before.
    fn moves(&mut self) -> bool {
        let moves = is_step(&self.before, &self.now, self.smallest);
        std::mem::swap(&mut self.before, &mut self.now);
        self.rounds = if moves { self.rounds.saturating_add(1) } else { 0 };
        moves
    }

    /// What comes next is compared with nothing: no value stands before it.
    fn begin_anew(&mut self) {
        self.before.clear();
        (self.rounds, self.last) = (0, None);
    }
}

/// Digest of how a point is computed: with another one, what was remembered is not its own.
fn digest(plan: &Plan, derived: &Derived) -> u64 {
    let mut text = derived.compute.clone();
    for input in &derived.from {
        let path = plan.points.get(at(input.point)).map_or("", |point| point.path.as_str());
        text.push_str(&format!("\n{} {path} {} {}", input.argument, input.factor, input.offset));
    }
    for (name, constant) in &derived.with {
        text.push_str(&format!("\n{name} {constant:?}"));
    }
    let hash = Sha256::digest(text.as_bytes());
    hash.iter().take(8).fold(0, |number, byte| number << 8 | u64::from(*byte))
}

fn at(index: u32) -> usize {
    usize::try_from(index).unwrap_or(usize::MAX)
}

#[cfg(test)]
mod tests;
