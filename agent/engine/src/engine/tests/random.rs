//! Random sequences against a plain model that keeps flags and moments and thinks in whole milliseconds.
//!
//! The model knows nothing of timer lists, bounds and states: at each millisecond it looks at everything. What the
//! engine shows must be what the model shows, and the promises must hold in every sequence: an active alarm is never
//! shown as normal unless hidden, a shelf always ends, bad neither clears nor raises.

use proptest::prelude::*;

use super::*;

#[derive(Clone, Debug)]
enum Step {
    Read(i64),
    Fault(bool),
    Wait(u64),
    Operate(Operation),
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let operation = prop_oneof![
        4 => Just(Operation::Acknowledge),
        2 => Just(Operation::Reset),
        1 => Just(Operation::ReAlarm),
        2 => (0_u32..40).prop_map(|for_ms| Operation::Shelve { for_ms }),
        1 => Just(Operation::ShelveOneShot),
        1 => Just(Operation::Unshelve),
        2 => (0_u16..6, 0_u32..40).prop_map(|(rule, for_ms)| Operation::Suppress { rule, for_ms }),
        2 => (0_u16..6).prop_map(|rule| Operation::Release { rule }),
        1 => Just(Operation::RemoveFromService),
        2 => Just(Operation::ReturnToService),
    ];
    let step = prop_oneof![
        6 => (285_i64..315).prop_map(Step::Read),
        1 => any::<bool>().prop_map(Step::Fault),
        6 => (0_u64..12).prop_map(Step::Wait),
        3 => operation.prop_map(Step::Operate),
    ];
    prop::collection::vec(step, 1..120)
}

const MAX_SHELF: u64 = 30;

/// The rules of the life-cycle said in another way: flags and moments instead of states.
#[derive(Default)]
struct Model {
    active: bool,
    unacknowledged: bool,
    held: bool,
    usable: bool,
    age_from: u64,
    true_from: Option<u64>,
    false_from: Option<u64>,
    last: Option<bool>,
    shelf: Option<(u64, bool)>,
    rules: Vec<u16>,
    rules_until: u64,
    removed: bool,
    occurrence: u32,
}

impl Model {
    fn hidden(&self) -> bool {
        self.shelf.is_some() || !self.rules.is_empty() || self.removed
    }

    fn shown(&self) -> ShownState {
        if self.removed {
            ShownState::OutOfService
        } else if !self.rules.is_empty() {
            ShownState::Suppressed
        } else if self.shelf.is_some() {
            ShownState::Shelved
        } else {
            match (self.active, self.held, self.unacknowledged) {
                (true, _, true) => ShownState::Unacknowledged,
                (true, _, false) => ShownState::Acknowledged,
                (false, true, true) => ShownState::LatchedUnacknowledged,
                (false, true, false) => ShownState::LatchedAcknowledged,
                (false, false, true) => ShownState::ReturnedUnacknowledged,
                (false, false, false) => ShownState::Normal,
            }
        }
    }

    fn release(&mut self, was_hidden: bool) {
        if was_hidden && !self.hidden() {
            self.held = false;
            self.unacknowledged = self.active;
        }
    }

    fn sample(&mut self, spec: &AlarmSpec, value: Option<i64>, now: u64) {
        self.usable = value.is_some();
        self.age_from = now;
        let above = if self.active { 289 } else { 300 };
        self.last = value.map(|value| value > above);
        match self.last {
            Some(true) => {
                self.true_from = self.true_from.or(Some(now));
                self.false_from = None;
            }
            Some(false) => {
                self.false_from = self.false_from.or(Some(now));
                self.true_from = if self.active { self.true_from } else { None };
            }
            None => self.false_from = None,
        }
        self.delays(spec, now);
    }

    fn delays(&mut self, spec: &AlarmSpec, now: u64) {
        let passed = |from: Option<u64>, delay: u32| from.is_some_and(|from| now >= from + u64::from(delay));
        if !self.active && self.last == Some(true) && passed(self.true_from, spec.on_delay_ms) {
            (self.active, self.unacknowledged, self.held) = (true, true, false);
            self.occurrence += 1;
            self.false_from = None;
        } else if self.active && self.last == Some(false) && passed(self.false_from, spec.off_delay_ms) {
            self.active = false;
            self.held = spec.latching;
            self.true_from = None;
            if self.shelf.is_some_and(|(_, one_shot)| one_shot) {
                let hidden = self.hidden();
                self.shelf = None;
                self.release(hidden);
            }
        }
    }

    /// One millisecond has come: delays, then what hides, then age.
    fn tick(&mut self, spec: &AlarmSpec, now: u64) {
        self.delays(spec, now);
        let hidden = self.hidden();
        if self.shelf.is_some_and(|(until, _)| until <= now) {
            self.shelf = None;
            self.release(hidden);
        }
        let hidden = self.hidden();
        if !self.rules.is_empty() && self.rules_until <= now {
            self.rules.clear();
            self.release(hidden);
        }
        if self.usable && now >= self.age_from + 20 {
            (self.usable, self.last, self.false_from) = (false, None, None);
        }
    }

    fn operate(&mut self, operation: Operation, now: u64) -> bool {
        let hidden = self.hidden();
        let allowed = match operation {
            Operation::Acknowledge => !hidden && self.unacknowledged,
            Operation::Reset => !hidden && !self.active && self.held && !self.unacknowledged,
            Operation::ReAlarm => !hidden && self.active && !self.unacknowledged,
            Operation::Shelve { for_ms } => !hidden && for_ms > 0 && u64::from(for_ms) <= MAX_SHELF,
            Operation::ShelveOneShot => !hidden,
            Operation::Unshelve => self.shelf.is_some(),
            Operation::Suppress { rule, for_ms } => for_ms > 0 && !self.rules.contains(&rule) && self.rules.len() < 4,
            Operation::Release { rule } => self.rules.contains(&rule),
            Operation::RemoveFromService => !self.removed,
            Operation::ReturnToService => self.removed,
        };
        if !allowed {
            return false;
        }
        match operation {
            Operation::Acknowledge => self.unacknowledged = false,
            Operation::Reset => self.held = false,
            Operation::ReAlarm => self.unacknowledged = true,
            Operation::Shelve { for_ms } => self.shelf = Some((now + u64::from(for_ms), false)),
            Operation::ShelveOneShot => self.shelf = Some((now + MAX_SHELF, true)),
            Operation::Unshelve => self.shelf = None,
            Operation::Suppress { rule, for_ms } => {
                let until = now + u64::from(for_ms);
                self.rules_until = if self.rules.is_empty() { until } else { self.rules_until.min(until) };
                self.rules.push(rule);
            }
            Operation::Release { rule } => self.rules.retain(|held| *held != rule),
            Operation::RemoveFromService => self.removed = true,
            Operation::ReturnToService => self.removed = false,
        }
        self.release(hidden);
        true
    }
}

fn check(steps: &[Step], spec: AlarmSpec, poll_late: bool) -> Result<(), TestCaseError> {
    let mut plant = Plant::new(&[spec]);
    plant.points[0].max_age_ms = 20;
    let mut engine = plant.engine();
    let mut model = Model::default();
    let mut now = 0_u64;
    let mut quiet = |_: Effect| ();
    for step in steps {
        match step {
            Step::Wait(ms) => {
                for _ in 0..*ms {
                    now += 1;
                    model.tick(&spec, now);
                    if !poll_late {
                        engine.poll(Millis(now), &mut quiet);
                    }
                }
                engine.poll(Millis(now), &mut quiet);
                // An end set in the present millisecond by the model's last steps is due only at the next tick.
                model.tick(&spec, now);
                if let Some(at) = engine.poll_at() {
                    prop_assert!(at > Millis(now), "{:?} at {}", at, now);
                }
            }
            Step::Read(value) => {
                let before = engine.alarm(0).expect("there").is_active();
                engine.put(Millis(now), 0, *value, Status::GOOD, Millis(now), &mut quiet);
                model.sample(&spec, Some(*value), now);
                let after = engine.alarm(0).expect("there").is_active();
                prop_assert!(before || !after || *value > 300, "raised by {}", value);
                prop_assert!(!before || after || *value < 290, "cleared by {}", value);
            }
            Step::Fault(silent) => {
                let status = if *silent { Status::BAD_NO_COMMUNICATION } else { Status::BAD_SENSOR_FAILURE };
                let mut moved = 0;
                let mut count = |effect| moved += u32::from(matches!(effect, Effect::Alarm(_)));
                engine.put(Millis(now), 0, 0, status, Millis(now), &mut count);
                model.sample(&spec, None, now);
                prop_assert_eq!(moved, 0, "bad neither clears nor raises");
            }
            Step::Operate(operation) => {
                let done = engine.operate(Millis(now), 0, *operation, &mut quiet).is_ok();
                prop_assert_eq!(done, model.operate(*operation, now), "{:?}", operation);
            }
        }
        let state = engine.alarm(0).expect("there");
        prop_assert_eq!(state.shown(), model.shown(), "at {} after {:?}", now, step);
        prop_assert_eq!((state.is_active(), state.occurrence()), (model.active, model.occurrence));
        prop_assert!(!state.is_active() || state.hidden().any() || state.shown() != ShownState::Normal);
    }
    // Nothing that has an end stays.
    engine.poll(Millis(now + 1_000_000), &mut quiet);
    let hidden = engine.alarm(0).expect("there").hidden();
    prop_assert!(!hidden.shelved && !hidden.suppressed);
    prop_assert_eq!(engine.poll_at(), None);
    Ok(())
}

/// Runs a sequence, every effect to `follow`; ends at the moment returned.
fn run(engine: &mut Engine<'_>, steps: &[Step], follow: &mut impl FnMut(Effect)) -> Millis {
    let mut now = Millis(0);
    for step in steps {
        match step {
            Step::Wait(ms) => {
                now = now.plus(*ms);
                engine.poll(now, follow);
            }
            Step::Read(value) => engine.put(now, 0, *value, Status::GOOD, now, follow),
            Step::Fault(_) => engine.put(now, 0, 0, Status::BAD_SENSOR_FAILURE, now, follow),
            Step::Operate(operation) => {
                let _ = engine.operate(now, 0, *operation, follow);
            }
        }
    }
    now
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 512, ..ProptestConfig::default() })]

    #[test]
    fn the_engine_shows_what_the_model_shows(
        steps in steps(),
        on_delay_ms in 0_u32..12,
        off_delay_ms in 0_u32..12,
        latching: bool,
        poll_late: bool,
    ) {
        let max_shelf_ms = u32::try_from(MAX_SHELF).expect("small");
        let spec = AlarmSpec { on_delay_ms, off_delay_ms, latching, max_shelf_ms, ..HIGH };
        check(&steps, spec, poll_late)?;
    }

    #[test]
    fn what_is_told_adds_up_to_what_is_shown(steps in steps(), on_delay_ms in 0_u32..12, off_delay_ms in 0_u32..12, latching: bool) {
        let spec = AlarmSpec { on_delay_ms, off_delay_ms, latching, max_shelf_ms: 30, ..HIGH };
        let mut plant = Plant::new(&[spec]);
        let mut engine = plant.engine();
        let (mut shown, mut process, mut occurrence, mut at) = (ShownState::Normal, Process::Normal, 0, Millis(0));
        let mut wrong = None;
        run(&mut engine, &steps, &mut |effect| {
            let Effect::Alarm(told) = effect else { return };
            let fits = (told.from, told.process_from) == (shown, process)
                && told.at >= at
                && told.to == told.hidden.shown(told.process_to)
                && told.active == told.process_to.is_active()
                && (told.cause == Cause::Raised) == (told.occurrence == occurrence + 1)
                && told.annunciate == (told.to == ShownState::Unacknowledged);
            if !fits && wrong.is_none() {
                wrong = Some(told);
            }
            (shown, process, occurrence, at) = (told.to, told.process_to, told.occurrence, told.at);
        });
        prop_assert_eq!(wrong, None);
        let state = engine.alarm(0).expect("there");
        prop_assert_eq!((state.shown(), state.process()), (shown, process));
    }

    /// Alarms of one point do not disturb each other: each moves as it would alone.
    #[test]
    fn alarms_of_one_point_move_as_if_alone(steps in steps(), limits in prop::collection::vec((0_u8..7, 285_i64..315, 0_u32..8), 2..6)) {
        let specs: Vec<AlarmSpec> = limits.iter().map(|(kind, limit, delay)| {
            let condition = match kind {
                0 | 1 => Condition::High { limit: *limit, deadband: 4 },
                2 | 3 => Condition::Low { limit: *limit, deadband: 4 },
                4 => Condition::BadMeasurement,
                5 => Condition::Rise { per_min: (limit - 284) * 4000, deadband: 500 },
                _ => Condition::State { states: 1 << (limit - 270) },
            };
            AlarmSpec { condition, on_delay_ms: *delay, off_delay_ms: *delay / 2, max_shelf_ms: 30, ..HIGH }
        }).collect();
        let moves = |specs: &[AlarmSpec]| {
            let mut told = Vec::new();
            let mut plant = Plant::new(specs).with_window(40);
            plant.windows[0].spacing_ms = 8;
            let mut engine = plant.engine();
            run(&mut engine, &steps, &mut |effect| {
                if let Effect::Alarm(step) = effect && step.alarm == 0 {
                    told.push(step);
                }
            });
            told
        };
        for (index, spec) in specs.iter().enumerate() {
            // Operations go to the first alarm, so each takes its turn there.
            let mut order = specs.clone();
            order.swap(0, index);
            prop_assert_eq!(moves(&order), moves(&[*spec]));
        }
    }

    /// Whatever is saved at any moment and put back into a new engine on another clock is the same alarm.
    #[test]
    fn saved_and_restored_is_the_same(steps in steps(), latching: bool, jump in 0_u64..1 << 40) {
        let spec = AlarmSpec { on_delay_ms: 0, off_delay_ms: 0, latching, max_shelf_ms: 30, ..HIGH };
        let mut plant = Plant::new(&[spec]);
        let mut engine = plant.engine();
        let now = run(&mut engine, &steps, &mut |_| ());
        let saved = engine.save(0).expect("there");
        let there = now.plus(jump);
        let mut other = Plant::new(&[spec]);
        let mut other = other.engine();
        other.restore(there, 0, &saved.moved(now, there));
        prop_assert_eq!(other.save(0).map(|kept| kept.moved(there, now)), Some(saved));
        prop_assert_eq!(other.alarm(0).map(AlarmState::shown), engine.alarm(0).map(AlarmState::shown));
    }

    #[test]
    fn any_moments_in_any_order_are_taken(calls in prop::collection::vec((any::<u64>(), any::<u64>(), any::<i64>(), 0_u8..4), 1..60)) {
        let rise = AlarmSpec { condition: Condition::Rise { per_min: 5, deadband: 9 }, ..HIGH };
        let mut plant = Plant::new(&[HIGH, rise]).with_window(5000);
        plant.points[0].valid = None;
        plant.points[0].rate_max = Some(i64::MIN);
        let mut engine = plant.engine();
        for (now, at, value, kind) in calls {
            let now = Millis(now);
            match kind {
                0 => engine.put(now, 0, value, Status::GOOD, Millis(at), &mut |_| ()),
                1 => engine.poll(now, &mut |_| ()),
                2 => { let _ = engine.operate(now, 0, Operation::ShelveOneShot, &mut |_| ()); }
                _ => { let _ = engine.operate(now, 0, Operation::Suppress { rule: 1, for_ms: u32::MAX }, &mut |_| ()); }
            }
            let _ = engine.poll_at();
        }
    }
}
