//! Feeds the engine: raw values of a transaction in, readings and transitions out.
//!
//! Owns the engine and the derived points that hang on each transaction; knows no numbers of events and no topics.
//! Times are the core's monotonic milliseconds. Never panics: a transaction the plan does not have is ignored.

use lapwing_engine::spec::{Condition, Millis, Raw};
use lapwing_engine::{Effect, Engine, Operation, Reading, Refusal, Slope, Transition};
use lapwing_protocol::{Decimal, Status};

use super::carry::Common;
use super::compare::Comparer;
use super::derived::{Derivation, Remembered};
use crate::plan::Plan;

/// The engine with what it needs around it.
#[derive(Debug)]
pub struct Judge<'a> {
    plan: &'a Plan,
    engine: Engine<'a>,
    derivation: Derivation,
    comparer: Comparer,
    transitions: Vec<Transition>,
    /// Devices that are perhaps not those that were set up.
    doubted: Vec<bool>,
    /// Points read or derived by the last call, in scan order.
    read: Vec<Taken>,
    /// What was judged last belongs to this moment.
    judged_at: Millis,
    /// No reading is newer than this.
    newest: Millis,
}

/// One reading that entered before, as history kept it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Again {
    /// Index of the point.
    pub point: u32,
    /// What entered: a number with its status, or a fault.
    pub entered: Result<(i64, Status), Status>,
    /// Its moment.
    pub at: Millis,
}

/// What outlives a plan, beside the engine's states.
#[derive(Debug)]
pub struct Before {
    pub(super) derivation: Derivation,
    doubted: Vec<bool>,
    newest: Millis,
}

/// A point that the last call has read or derived.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Taken {
    /// Index of the point.
    pub point: u32,
    /// What entered the engine: a number with its status, or a fault.
    pub entered: Result<(i64, Status), Status>,
}

impl<'a> Judge<'a> {
    /// Around an engine that stands on this plan's tables.
    #[must_use]
    pub fn new(plan: &'a Plan, engine: Engine<'a>) -> Self {
        Self {
            plan,
            engine,
            derivation: Derivation::new(plan),
            comparer: Comparer::new(plan),
            transitions: Vec::new(),
            doubted: vec![false; plan.devices.len()],
            read: Vec::new(),
            judged_at: Millis(0),
            newest: Millis(0),
        }
    }

    /// Around an engine that stands on this plan's tables and goes on from another plan's.
    #[must_use]
    pub fn following(plan: &'a Plan, engine: Engine<'a>, mut before: Before, common: &Common) -> Self {
        let mut judge = Self::new(plan, engine);
        judge.derivation.take_over(&mut before.derivation, &common.derived);
        judge.newest = before.newest;
        for (doubted, old) in judge.doubted.iter_mut().zip(&common.devices) {
            let old = old.and_then(|old| usize::try_from(old).ok()).and_then(|old| before.doubted.get(old));
            *doubted = old.copied().unwrap_or(false);
        }
        judge
    }

    /// What the next plan's judge goes on with.
    #[must_use]
    pub fn end(self) -> Before {
        Before { derivation: self.derivation, doubted: self.doubted, newest: self.newest }
    }

    /// Says whether a device may be another one than was set up: its readings are uncertain from now on, or no longer.
    pub fn doubt(&mut self, device: u32, doubted: bool) {
        if let Some(known) = usize::try_from(device).ok().and_then(|d| self.doubted.get_mut(d)) {
            *known = doubted;
        }
    }

    /// Takes one transaction. Returns how many readings it brought and how many are good.
    pub fn batch(&mut self, now: Millis, at: Millis, transaction: u32, raws: &[Raw]) -> (u64, u64) {
        self.read.clear();
        let Some(about) = usize::try_from(transaction).ok().and_then(|t| self.plan.transactions.get(t)) else {
            return (0, 0);
        };
        let span = about.points;
        let doubted = usize::try_from(about.device).ok().and_then(|d| self.doubted.get(d)).is_some_and(|d| *d);
        // Of another ratio, range or place: known to be inaccurate.
        let best = if doubted { Status::UNCERTAIN_SENSOR_NOT_ACCURATE } else { Status::GOOD };
        let moved = &mut self.transitions;
        let mut keep = |effect| keep(moved, effect);
        self.judged_at = at.min(now);
        self.newest = self.newest.max(at);
        self.engine.poll(self.judged_at, &mut keep);
        let mut good = 0;
        for (point, raw) in (span.first..span.first.saturating_add(span.count)).zip(raws) {
            let entered = self.engine.read_at_best(now, point, raw, best, at, &mut keep);
            good += u64::from(self.engine.present(point).status.is_good());
            self.read.push(Taken { point, entered });
        }
        let mut from = 0;
        while let Some(computed) = self.derivation.next(self.newest, transaction, &mut from, &self.engine) {
            self.engine.put(now, computed.point, computed.value, computed.status, computed.oldest, &mut keep);
            self.read.push(Taken { point: computed.point, entered: Ok((computed.value, computed.status)) });
        }
        for n in 0..self.comparer.hanging_on(transaction) {
            let Some(made) = self.comparer.make(self.plan, transaction, n, &self.engine) else { continue };
            self.engine.put(now, made.point, made.value, made.status, made.at, &mut keep);
            self.read.push(Taken { point: made.point, entered: Ok((made.value, made.status)) });
        }
        (u64::from(span.count), good)
    }

    /// Takes again what entered together at a moment. `transactions` are those of the plan that brought it, none for the
    /// agent's own points: what hangs on them is computed if [`Judge::compute_only`] left it in.
    pub fn again(&mut self, at: Millis, transactions: &[u32], entered: &[Again]) {
        self.read.clear();
        self.judged_at = at;
        let moved = &mut self.transitions;
        let mut keep = |effect| keep(moved, effect);
        if !transactions.is_empty() {
            self.engine.poll(at, &mut keep);
        }
        for again in entered {
            self.newest = self.newest.max(again.at);
            self.engine.enter(at, again.point, again.entered, again.at, &mut keep);
            self.read.push(Taken { point: again.point, entered: again.entered });
        }
        for transaction in transactions {
            let mut from = 0;
            while let Some(computed) = self.derivation.next(self.newest, *transaction, &mut from, &self.engine) {
                self.engine.put(at, computed.point, computed.value, computed.status, computed.oldest, &mut keep);
                self.read.push(Taken { point: computed.point, entered: Ok((computed.value, computed.status)) });
            }
        }
        for transaction in transactions {
            for n in 0..self.comparer.hanging_on(*transaction) {
                let Some(made) = self.comparer.make(self.plan, *transaction, n, &self.engine) else { continue };
                self.engine.put(at, made.point, made.value, made.status, made.at, &mut keep);
                self.read.push(Taken { point: made.point, entered: Ok((made.value, made.status)) });
            }
        }
    }

    /// Derived points are no longer computed but for these; the others enter again as they were.
    pub fn compute_only(&mut self, wanted: impl Fn(u32) -> bool) {
        self.derivation.keep_only(wanted);
    }

    /// Forgets every reading and every alarm, as a start of the agent does.
    pub fn begin_anew(&mut self) {
        self.engine.begin_anew();
        self.derivation.begin_anew();
        self.newest = Millis(0);
        self.transitions.clear();
        self.doubted.fill(false);
        self.read.clear();
    }

    /// Sets one of the agent's own points.
    pub fn own(&mut self, now: Millis, point: u32, value: i64) {
        self.of_own(now, point, Ok((value, Status::GOOD)));
    }

    /// One of the agent's own points could not be told.
    pub fn own_fault(&mut self, now: Millis, point: u32, fault: Status) {
        self.of_own(now, point, Err(fault));
    }

    fn of_own(&mut self, now: Millis, point: u32, entered: Result<(i64, Status), Status>) {
        self.read.clear();
        (self.judged_at, self.newest) = (now, self.newest.max(now));
        let moved = &mut self.transitions;
        self.engine.enter(now, point, entered, now, &mut |effect| keep(moved, effect));
        self.read.push(Taken { point, entered });
    }

    /// Whether one of the agent's own states, 0 while it is well, is news; that it is well from the start is not, and is
    /// only noted.
    pub fn is_news(&mut self, now: Millis, state_point: u32, well: bool) -> bool {
        let reading = self.reading(state_point);
        if reading.status.is_bad() && well {
            self.own(now, state_point, 0);
            return false;
        }
        reading.status.is_bad() || reading.value != i64::from(!well)
    }

    /// A counter begins anew: what was counted before belongs to no rate.
    pub fn rebase(&mut self, point: u32) {
        self.engine.rebase(point);
    }

    /// Makes happen what is due. Returns whether anything was: then this moment counts for what comes of it.
    pub fn poll(&mut self, now: Millis) -> bool {
        let (moved, mut any) = (&mut self.transitions, false);
        self.engine.poll(now, &mut |effect| {
            any = true;
            keep(moved, effect);
        });
        if any {
            self.judged_at = now;
        }
        any
    }

    /// A person acts now: what is due is done before, and this moment counts for what comes of it.
    pub fn poll_by_hand(&mut self, now: Millis) {
        self.poll(now);
        self.judged_at = now;
    }

    /// The moment that what was judged last belongs to. It depends on the readings and not on how late they were judged:
    /// what hangs on it happens again at the same moment when they are replayed.
    #[must_use]
    pub const fn judged_at(&self) -> Millis {
        self.judged_at
    }

    /// When something is due next.
    #[must_use]
    pub fn poll_at(&self) -> Option<Millis> {
        self.engine.poll_at()
    }

    /// A person's operation on an alarm.
    ///
    /// # Errors
    /// Refused by name; nothing has changed then.
    pub fn operate(&mut self, now: Millis, alarm: u32, operation: Operation) -> Result<(), Refusal> {
        let moved = &mut self.transitions;
        self.engine.operate(now, alarm, operation, &mut |effect| keep(moved, effect))
    }

    /// Takes the transitions made since the last call, in order.
    pub fn take_transitions(&mut self) -> Vec<Transition> {
        std::mem::take(&mut self.transitions)
    }

    /// Takes the transitions of one alarm, in order; those of others stay.
    pub fn take_transitions_of(&mut self, alarm: u32) -> Vec<Transition> {
        self.transitions.extract_if(.., |transition| transition.alarm == alarm).collect()
    }

    /// Points read or derived by the last call.
    #[must_use]
    pub fn read(&self) -> &[Taken] {
        &self.read
    }

    /// A point's reading.
    #[must_use]
    pub fn reading(&self, point: u32) -> Reading {
        self.engine.reading(point)
    }

    /// The engine.
    #[must_use]
    pub const fn engine(&self) -> &Engine<'a> {
        &self.engine
    }

    /// What derived points remember that is to be kept over a restart.
    pub fn remembered(&self) -> impl Iterator<Item = Remembered> {
        self.derivation.remembered(self.plan)
    }

    /// Gives a derived point what an earlier start has remembered for it; `false` if it is computed in another way now.
    pub fn recall(&mut self, remembered: Remembered, away_ms: Option<u64>) -> bool {
        self.derivation.recall(self.plan, remembered, away_ms)
    }

    /// The engine, to restore saved states.
    pub const fn engine_mut(&mut self) -> &mut Engine<'a> {
        &mut self.engine
    }
}

/// A transition's rate of change in its point's unit a minute, with one digit more than the point has.
#[must_use]
pub fn rate_per_min(plan: &Plan, transition: &Transition) -> Option<Decimal> {
    let slope = transition.slope?;
    let spec = plan.engine.alarms.get(usize::try_from(transition.alarm).ok()?)?;
    let exponent = plan.points.get(usize::try_from(spec.point).ok()?)?.exponent;
    let per_min = slope.per_second() * 60.0 * libm_pow10(exponent);
    Decimal::quantise(per_min, exponent.saturating_sub(1).max(-18)).ok()
}

/// Time left, in seconds, until a value is at what counts as too late for its alarm, at a rate of change. `None` when
/// the alarm has no such value, the rate is not known or leads away.
#[must_use]
pub fn seconds_left(plan: &Plan, alarm: u32, value: i64, slope: Option<Slope>) -> Option<u32> {
    let index = usize::try_from(alarm).ok()?;
    let left_to = plan.alarms.get(index)?.left_to?;
    let rising = match plan.engine.alarms.get(index)?.condition {
        Condition::High { .. } | Condition::Rise { .. } | Condition::TimeToLimit { rising: true, .. } => true,
        Condition::Low { .. } | Condition::Fall { .. } | Condition::TimeToLimit { rising: false, .. } => false,
        Condition::State { .. }
        | Condition::BadMeasurement
        | Condition::Beyond { .. }
        | Condition::Frozen
        | Condition::NotIn { .. } => return None,
    };
    let ahead = if rising { left_to.saturating_sub(value) } else { value.saturating_sub(left_to) };
    if ahead <= 0 {
        return Some(0);
    }
    let steep = slope?.per_second();
    let speed = if rising { steep } else { -steep };
    #[allow(clippy::cast_precision_loss)] // far below 2^52, or far away
    let seconds = ahead as f64 / speed;
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // checked: positive and below 2^32
    (speed > 0.0 && seconds < 86_400.0).then_some(seconds as u32)
}

fn libm_pow10(exponent: i8) -> f64 {
    Decimal::new(1, exponent).to_f64()
}

/// Status changes need no event of their own: what a person must know comes as the point's instrument alarm.
fn keep(moved: &mut Vec<Transition>, effect: Effect) {
    match effect {
        Effect::Alarm(transition) => moved.push(transition),
        Effect::Quality { .. } => {}
    }
}
