//! How one derived point is computed: which inputs go where, and what it answers.
//!
//! Names are resolved at the start; a computation allocates nothing. Times are the core's monotonic ones. Never panics.

use std::time::Duration;

use lapwing_engine::spec::Millis;
use lapwing_engine::{Engine, Present};
use lapwing_protocol::{Decimal, Status};
use sha2::{Digest as _, Sha256};

use super::settling::Settling;
use super::{Computed, at};
use crate::compute::{Function, HELD_ROUNDS, Memory, Slot, Takes};
use crate::plan::{Derived, Plan};

/// How one derived point is computed. A module has many, each looked at every second: what is seldom needed stands apart.
#[derive(Debug)]
pub(super) struct Recipe {
    pub(super) point: u32,
    exponent: i8,
    function: Option<&'static Function>,
    inputs: Box<[Input]>,
    /// By argument; constants stay, the rest is filled anew.
    slots: Box<[Slot]>,
    /// The lists among the slots that are filled anew.
    lists: Box<[usize]>,
    /// What came of the inputs, if nothing but them can change it.
    pub(super) known: Option<(i64, Status)>,
    pub(super) memory: Memory,
    settling: Option<Box<Settling>>,
    /// It rests so long after a computation, ms; a little less than `every`, because transactions come unevenly.
    rest_ms: u64,
    pub(super) last_at: Option<Millis>,
}

/// One number that goes in.
#[derive(Clone, Copy, Debug)]
struct Input {
    /// Its integer at the last computation, unless it was left out.
    seen: i64,
    point: u32,
    /// Which of the scales.
    scale: u32,
    slot: u32,
    kind: Kind,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    One,
    Element,
    /// Left out while it is not believed.
    Believed,
    /// The same, left out at the last computation.
    LeftOut,
}

/// How an integer becomes the number that a function takes.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Scale {
    exponent: i8,
    /// 10 to the power of the exponent's size.
    power: f64,
    factor: f64,
    offset: f64,
}

/// The scales of all recipes: few are different.
#[derive(Debug, Default)]
pub(super) struct Scales(Vec<Scale>);

impl Recipe {
    pub(super) fn new(plan: &Plan, derived: &Derived, shortest: Duration, scales: &mut Scales) -> Self {
        let function = Function::named(&derived.compute);
        let arguments = function.map_or(&[][..], |function| function.arguments);
        let constant = |name: &str| derived.with.iter().find(|(known, _)| known == name).map(|(_, constant)| constant);
        let exponent_of = |point: u32| plan.points.get(at(point)).map_or(0, |point| point.exponent);
        let mut source = |input: &crate::plan::Input| {
            let slot = arguments.iter().position(|argument| argument.name == input.argument)?;
            let kind = match arguments[slot].takes {
                Takes::List { .. } => Kind::Element,
                Takes::Believed { .. } => Kind::Believed,
                Takes::Number { .. } | Takes::NumberOr { .. } | Takes::Pairs { .. } | Takes::Word(_) => Kind::One,
            };
            let scale = Scale::new(exponent_of(input.point), input.factor, input.offset);
            let slot = u32::try_from(slot).ok()?;
            Some(Input { seen: 0, point: input.point, scale: scales.number(scale), slot, kind })
        };
        let inputs: Box<[Input]> = derived.from.iter().filter_map(&mut source).collect();
        let mut lists: Vec<usize> =
            inputs.iter().filter(|input| input.kind != Kind::One).map(|input| at(input.slot)).collect();
        lists.dedup();
        let rest = derived.every.saturating_sub(shortest / 2);
        Self {
            point: derived.point,
            exponent: exponent_of(derived.point),
            function,
            slots: arguments.iter().map(|argument| Slot::ready(argument, constant(argument.name))).collect(),
            known: None,
            inputs,
            lists: lists.into(),
            memory: Memory::default(),
            settling: function.and_then(Function::smallest_step).map(|smallest| {
                let (before, now) = (Vec::new(), Vec::new());
                Box::new(Settling { smallest, before, now, rounds: 0, last: None })
            }),
            rest_ms: u64::try_from(rest.as_millis()).unwrap_or(u64::MAX),
            last_at: None,
        }
    }

    /// No reading before this is computed with.
    pub(super) fn rests_until(&self) -> Millis {
        self.last_at.map_or(Millis(0), |before| before.plus(self.rest_ms))
    }

    pub(super) fn compute(&mut self, engine: &Engine<'_>, scales: &Scales) -> Option<Computed> {
        if self.rest_ms > 0 {
            let rests_until = self.rests_until();
            if self.inputs.iter().all(|input| engine.present(input.point).at < rests_until) {
                return None;
            }
        }
        let (status, oldest, newest) = self.fill(engine, scales)?;
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
    fn fill(&mut self, engine: &Engine<'_>, scales: &Scales) -> Option<(Status, Millis, Millis)> {
        let (mut status, mut oldest, mut newest) = (Status::GOOD, Millis(u64::MAX), Millis(0));
        let mut left_out: Option<(Status, Millis)> = None;
        let mut changed = false;
        for input in &mut self.inputs {
            let Present { value, status: worth, at: read_at } = engine.present(input.point);
            newest = newest.max(read_at);
            let was_left_out = input.kind == Kind::LeftOut;
            // Nearly all are good, and were before.
            if worth != Status::GOOD || was_left_out {
                if worth.is_bad() && matches!(input.kind, Kind::Believed | Kind::LeftOut) {
                    left_out.get_or_insert((worth, read_at));
                    input.kind = Kind::LeftOut;
                    changed |= !was_left_out;
                    continue;
                }
                if was_left_out {
                    (input.kind, changed) = (Kind::Believed, true);
                }
                status = status.worst(worth);
            }
            oldest = oldest.min(read_at);
            changed |= input.seen != value;
            input.seen = value;
        }
        if changed {
            self.known = None;
        }
        if self.known.is_none() {
            self.fill_slots(scales);
        }
        if let Some(settling) = &mut self.settling {
            settling.now.clear();
            settling.now.extend(self.inputs.iter().filter_map(|input| input.number(scales)));
        }
        if let Some((bad, left_at)) = left_out {
            let none_left = self.inputs.iter().any(|input| {
                matches!(input.kind, Kind::Believed | Kind::LeftOut)
                    && matches!(self.slots.get(at(input.slot)), Some(Slot::List(list)) if list.is_empty())
            });
            status = status.worst(if none_left { bad } else { Status::UNCERTAIN_SUB_NORMAL });
            oldest = oldest.min(if none_left { left_at } else { oldest });
        }
        (!self.inputs.is_empty()).then_some((status, oldest, newest))
    }

    fn fill_slots(&mut self, scales: &Scales) {
        for slot in &self.lists {
            if let Some(Slot::List(list)) = self.slots.get_mut(*slot) {
                list.clear();
            }
        }
        for input in &self.inputs {
            let Some(number) = input.number(scales) else { continue };
            match self.slots.get_mut(at(input.slot)) {
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

impl Input {
    /// What it was at the last look, for the function; `None` if it was left out.
    fn number(&self, scales: &Scales) -> Option<f64> {
        if self.kind == Kind::LeftOut {
            return None;
        }
        scales.0.get(at(self.scale)).map(|scale| scale.number(self.seen))
    }
}

impl Scale {
    fn new(exponent: i8, factor: f64, offset: f64) -> Self {
        let power = Decimal::new(1, exponent.saturating_abs()).to_f64();
        Self { exponent, power, factor, offset }
    }

    /// As `Decimal::to_f64` has it, in a module's usual case at once: integer and power are exact, one operation rounds.
    fn number(&self, value: i64) -> f64 {
        #[allow(clippy::cast_precision_loss)] // up to there it is exact
        let exact = (value.unsigned_abs() <= 1 << 53).then_some(value as f64);
        let number = match exact {
            Some(number) if self.exponent < 0 => number / self.power,
            Some(number) => number * self.power,
            None => Decimal::new(value, self.exponent).to_f64(),
        };
        number * self.factor + self.offset
    }
}

impl Scales {
    fn number(&mut self, scale: Scale) -> u32 {
        let known = self.0.iter().position(|known| *known == scale);
        let at = known.unwrap_or_else(|| {
            self.0.push(scale);
            self.0.len() - 1
        });
        u32::try_from(at).unwrap_or(u32::MAX)
    }
}

/// Digest of how a point is computed, function, inputs and constants: with another one, what was remembered is not its own.
pub(super) fn digest(plan: &Plan, derived: &Derived) -> u64 {
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
