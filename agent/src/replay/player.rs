//! Plays steps of the history through the judging and notes what moves.
//!
//! Does what the loop in `core::run` does with a reading, an end of a delay, a person's act and a start of the agent, but
//! for words, numbers of events, disk and wire. Moments of the engine are axis milliseconds; what is noted carries wall
//! milliseconds as the agent stamped then. Never panics.

use std::collections::HashMap;
use std::ops::ControlFlow;

use lapwing_engine::alarm::life::{SavedAlarm, SavedShelf, SavedSuppression};
use lapwing_engine::spec::Millis;
use lapwing_engine::{AlarmState, Cause, Engine, Operation, PointState, Process, Transition, Window};
use lapwing_protocol::{Decimal, Hiding, Mode, ShownState};

use super::ReplayError;
use super::changes;
use super::lives::Moved;
use super::log::{Act, Changed, Log};
use super::then::Thens;
use crate::core::incidents::{Incidents, now_follows, urgency};
use crate::core::judge::{Again, Judge, seconds_left};
use crate::core::rules::{RuleState, Turn};
use crate::core::saved::Kept;
use crate::core::urgency::UrgentByPoint;
use crate::plan::{Acknowledge, Plan};
use crate::store::history::{Entry, Happening, OWN, Place, Reader, SLOT_MS, SlotPlace, Step};

/// An act of a person is done at its mark; in a history without marks before readings so much later, ms.
const ACT_LATE_MS: i64 = 1000;

/// What is played.
#[derive(Debug)]
pub(super) struct Film<'f> {
    pub(super) reader: &'f Reader,
    /// In order.
    pub(super) slots: &'f [SlotPlace],
    pub(super) log: &'f Log,
    /// Wall moments that are wanted, the later one not included.
    pub(super) range: (i64, i64),
}

/// What came of it.
#[derive(Debug, Default)]
pub(super) struct Played {
    moved: Vec<Moved>,
    /// First and last moment of each stretch without a hole.
    pub(super) stretches: Vec<(i64, i64)>,
    /// First and last moment within the range.
    pub(super) judged: Option<(i64, i64)>,
    pub(super) from_begin: bool,
    pub(super) warm_from: i64,
    pub(super) readings: u64,
    pub(super) points: usize,
    pub(super) seen: Vec<bool>,
    pub(super) starts: usize,
    pub(super) holes: usize,
    pub(super) dropped: u64,
    pub(super) refused: u64,
    pub(super) span_ms: u64,
}

impl Played {
    /// What moved within a range.
    pub(super) fn within(&self, range: (i64, i64)) -> Vec<Moved> {
        self.moved.iter().filter(|moved| moved.t >= range.0 && moved.t < range.1).cloned().collect()
    }
}

/// Plays all of it.
pub(super) fn play(
    plan: &Plan,
    film: &Film<'_>,
    thens: &mut Thens,
    tell: &mut dyn FnMut(usize, usize),
) -> Result<Played, ReplayError> {
    let mut points = vec![PointState::default(); plan.engine.points.len()];
    let mut alarms = vec![AlarmState::default(); plan.engine.alarms.len()];
    let mut windows = vec![Window::default(); plan.engine.windows.len()];
    let engine = Engine::new(plan.engine.tables(), &mut points, &mut alarms, &mut windows)?;
    let mut player = Player::new(plan, Judge::new(plan, engine), film);
    let mut before: Option<i64> = None;
    for (n, place) in film.slots.iter().enumerate() {
        tell(n, film.slots.len());
        player.names(film.reader, place.place)?;
        if before.is_none_or(|before| place.slot != before + 1) {
            player.hole = true;
            player.start = thens.start_at(place.slot * SLOT_MS);
        }
        before = Some(place.slot);
        film.reader.steps(*place, |step, entries| {
            player.step(step, entries, thens);
            if step.t() >= film.range.1 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        })?;
    }
    Ok(player.end())
}

/// Where a number of the history belongs.
#[derive(Clone, Copy, Debug)]
struct Known {
    /// Index of the point in the plan.
    point: u32,
    /// Power of ten of the history's integer, if the plan has another.
    exponent: Option<(i8, i8)>,
    /// It is computed anew.
    computed: bool,
}

struct Player<'a> {
    plan: &'a Plan,
    film: &'a Film<'a>,
    judge: Judge<'a>,
    incidents: Incidents<'a>,
    urgent: UrgentByPoint,
    kept: Vec<Kept>,
    rules: Vec<RuleState>,
    mode: Mode,
    mode_until: Option<Millis>,
    /// The mode the start ran in.
    mode_of_start: Mode,
    /// Numbers incidents.
    events: u64,
    /// By alarm: when it was saved last, axis moment and wall.
    saved: Vec<(Millis, i64)>,
    /// By number of the history.
    known: Vec<Option<Known>>,
    /// By point: its transaction.
    transaction: Vec<Option<u32>>,
    computes: Computes,
    /// The next act of a person.
    acts: usize,
    /// Before the next step readings are missing.
    hole: bool,
    /// The agent has started, its alarms are not put back yet.
    starting: bool,
    start: Option<u64>,
    offset: i64,
    entered: Vec<Again>,
    touched: Vec<u32>,
    played: Played,
}

/// Which derived points are computed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
enum Computes {
    /// Not decided yet.
    #[default]
    Open,
    /// These.
    These(Vec<u32>),
}

impl<'a> Player<'a> {
    fn new(plan: &'a Plan, judge: Judge<'a>, film: &'a Film<'a>) -> Self {
        let mut transaction = vec![None; plan.points.len()];
        for (number, about) in (0_u32..).zip(&plan.transactions) {
            let first = usize::try_from(about.points.first).unwrap_or(usize::MAX);
            let count = usize::try_from(about.points.count).unwrap_or(0);
            for place in transaction.iter_mut().skip(first).take(count) {
                *place = Some(number);
            }
        }
        Self {
            plan,
            film,
            judge,
            incidents: Incidents::new(plan),
            urgent: UrgentByPoint::new(plan),
            kept: vec![Kept::default(); plan.alarms.len()],
            rules: vec![RuleState::default(); plan.suppress.len()],
            mode: plan.module.mode,
            mode_until: None,
            mode_of_start: plan.module.mode,
            events: 0,
            saved: vec![(Millis(0), 0); plan.alarms.len()],
            known: Vec::new(),
            transaction,
            computes: Computes::Open,
            acts: 0,
            hole: true,
            starting: false,
            start: None,
            offset: 0,
            entered: Vec::new(),
            touched: Vec::new(),
            played: Played { seen: vec![false; plan.points.len()], ..Played::default() },
        }
    }

    fn end(mut self) -> Played {
        self.played.points = self.played.seen.iter().filter(|seen| **seen).count();
        self.played.span_ms =
            self.played.stretches.iter().map(|(first, last)| last.saturating_sub(*first).unsigned_abs()).sum();
        self.played
    }

    /// Learns the numbers of a place.
    fn names(&mut self, reader: &Reader, place: Place) -> Result<(), ReplayError> {
        let by_path: HashMap<&str, usize> =
            self.plan.points.iter().enumerate().map(|(index, point)| (point.path.as_str(), index)).collect();
        let compared: std::collections::HashSet<u32> = self.plan.compared.iter().map(|made| made.point).collect();
        self.known.clear();
        for (id, key) in reader.points_at(place)? {
            let Some(index) = by_path.get(key.path.as_str()).copied() else { continue };
            let (Ok(id), Ok(point)) = (usize::try_from(id), u32::try_from(index)) else { continue };
            let about = &self.plan.points[index];
            // A value in another unit is another value; differences and counts are made anew from what they are made of.
            if about.unit != key.unit || compared.contains(&point) {
                continue;
            }
            if self.known.len() <= id {
                self.known.resize(id + 1, None);
            }
            let exponent = (about.exponent != key.exponent).then_some((key.exponent, about.exponent));
            self.known[id] = Some(Known { point, exponent, computed: false });
        }
        self.note_computed();
        Ok(())
    }

    fn note_computed(&mut self) {
        if let Computes::These(these) = &self.computes {
            for known in self.known.iter_mut().flatten() {
                known.computed = these.contains(&known.point);
            }
        }
    }

    /// Derived points that are not made as they were then are computed; what the history does not have too.
    fn settle_computed(&mut self, thens: &mut Thens) {
        let then = self.start.and_then(|start| thens.plan(start));
        let has: std::collections::HashSet<u32> = self.known.iter().flatten().map(|known| known.point).collect();
        let these: Vec<u32> = self
            .plan
            .derived
            .iter()
            .filter(|derived| {
                let same = then.is_none_or(|then| changes::same_derived(then, self.plan, derived));
                !same || !has.contains(&derived.point)
            })
            .map(|derived| derived.point)
            .collect();
        if self.computes == Computes::Open {
            self.judge.compute_only(|point| these.contains(&point));
            self.computes = Computes::These(these);
        }
        self.note_computed();
    }

    fn step(&mut self, step: &Step, entries: &[Entry], thens: &mut Thens) {
        if let Happening::Start { number } = step.what {
            self.start = Some(number);
        }
        if std::mem::take(&mut self.hole) {
            self.begin(step, thens);
        }
        match step.what {
            Happening::Start { number } => {
                self.played.starts += 1;
                self.started(step, number, thens);
            }
            Happening::Readings { source } => {
                self.offset = step.offset;
                if self.starting {
                    self.put_back(millis(step.at));
                }
                self.act_before(step.t().saturating_sub(ACT_LATE_MS));
                self.readings(step, source, entries);
            }
            Happening::Passed { at } => {
                self.offset = step.offset;
                let now = millis(at);
                if self.starting {
                    self.put_back(now);
                }
                self.judge.poll_by_hand(now);
                self.mode_due(now);
                self.moved();
                self.act_before(at.saturating_add(step.offset));
                self.seen_until(at.saturating_add(step.offset));
            }
            Happening::Rebase { id } => {
                if let Some(known) = self.known_of(id) {
                    self.judge.rebase(known.point);
                }
            }
            Happening::Dropped { readings } => self.played.dropped += readings,
            Happening::Frames { .. } => {}
        }
    }

    /// Begins where nothing is known of what was before, but what the event log says.
    fn begin(&mut self, step: &Step, thens: &mut Thens) {
        let t = step.t();
        if self.played.stretches.is_empty() {
            self.played.warm_from = t;
            self.played.from_begin = matches!(step.what, Happening::Start { .. }) && !self.film.log.stood_any(t);
        } else {
            self.played.holes += 1;
        }
        self.played.stretches.push((t, t));
        self.offset = step.offset;
        self.judge.begin_anew();
        self.settle_computed(thens);
        self.mode_of_start = self.start.and_then(|start| thens.mode(start)).unwrap_or(self.plan.module.mode);
        (self.mode, self.mode_until) = (self.mode_of_start, None);
        let mut modes = self.film.log.acts.iter().filter(|act| act.t < t && act.action.action == "set mode");
        if let Some((mode, until)) =
            modes.next_back().and_then(|act| act.action.to_mode.as_ref()?.known().zip(act.action.until))
            && until > t
        {
            (self.mode, self.mode_until) = (mode, Some(millis(until.saturating_sub(step.offset))));
        }
        self.acts = self.film.log.acts.partition_point(|act| act.t < t);
        let now = millis(step.at);
        let then = self.start.and_then(|start| thens.plan(start));
        for changed in self.film.log.stood(t) {
            self.stood(now, changed, then);
        }
        self.after_restore();
    }

    /// Puts back one alarm as the event log left it.
    fn stood(&mut self, now: Millis, changed: &Changed, then: Option<&Plan>) {
        let change = &changed.change;
        let Some(index) = self.plan.alarms.iter().position(|alarm| alarm.id == change.alarm) else { return };
        let Ok(number) = u32::try_from(index) else { return };
        let alarm = &self.plan.alarms[index];
        let digest = then.and_then(|then| then.alarms.iter().find(|other| other.id == alarm.id)).map(|a| a.digest);
        let moment = |t: i64| millis(t.saturating_sub(self.offset));
        let hidden = |by: Hiding| change.hidden_by.iter().any(|hiding| *hiding == by);
        let until = change.until.map_or(Millis::NEVER, moment);
        let mut rules = [u16::MAX; lapwing_engine::alarm::hide::RULES];
        let of_alarm = (0_u16..).zip(&self.plan.suppress).filter(|(_, rule)| rule.alarms.contains(&number));
        for (place, (rule, _)) in rules.iter_mut().zip(of_alarm) {
            *place = rule;
        }
        let suppressed = hidden(Hiding::Suppressed) && rules[0] != u16::MAX;
        let saved = SavedAlarm {
            process: process(change.to.known(), change.active, change.acknowledged),
            occurrence: change.occurrence,
            true_since: change.true_since.map(moment),
            raised_at: change.raised_at.map(moment),
            shelf: hidden(Hiding::Shelved).then_some(SavedShelf { until, one_shot: false }),
            suppression: suppressed.then_some(SavedSuppression { until, rules }),
            out_of_service: hidden(Hiding::OutOfService),
            judge_anew: digest.is_some_and(|digest| digest != alarm.digest),
        };
        self.judge.engine_mut().restore(now, number, &saved);
        self.saved[index] = (moment(changed.t), changed.t);
        self.kept[index] = Kept {
            seq: None,
            t: changed.t,
            incident: change.incident,
            priority: change.priority.known(),
            first_out: change.first_out,
            follows: change.follows.clone(),
            tie: change.tie,
            ..Kept::default()
        };
        self.events = self.events.max(change.incident.unwrap_or(0));
    }

    fn after_restore(&mut self) {
        self.rules.fill(RuleState::default());
        for number in 0..u32::try_from(self.plan.alarms.len()).unwrap_or(0) {
            let Some(state) = self.judge.engine().alarm(number) else { continue };
            let Some(until) = state.cover().suppressed_until() else { continue };
            for rule in state.cover().rules() {
                if let Some(state) = self.rules.get_mut(usize::from(rule)) {
                    state.holds_until(state.until.map_or(until, |before| before.max(until)));
                }
            }
        }
        self.incidents = Incidents::new(self.plan);
        self.incidents.restore_standing(&self.kept, self.judge.engine());
    }

    /// The agent started: what was read before is forgotten, alarms come back as they were saved.
    fn started(&mut self, step: &Step, number: u64, thens: &mut Thens) {
        self.offset = step.offset;
        self.starting = true;
        self.mode_of_start = thens.mode(number).unwrap_or(self.plan.module.mode);
        // A mode set by hand goes on over a restart.
        if self.mode_until.is_none() {
            self.mode = self.mode_of_start;
        }
        // Said as settings of then.
        let _known = thens.plan(number);
        self.seen_until(step.t());
    }

    /// Puts back what was saved, at the moment the agent did.
    fn put_back(&mut self, now: Millis) {
        self.starting = false;
        let saved: Vec<Option<SavedAlarm>> =
            (0..u32::try_from(self.plan.alarms.len()).unwrap_or(0)).map(|n| self.judge.engine().save(n)).collect();
        self.judge.begin_anew();
        let synced_now = self.film.log.synced(wall(now, self.offset));
        for (index, (saved, (saved_at, saved_t))) in saved.into_iter().zip(self.saved.clone()).enumerate() {
            let (Some(saved), Ok(number)) = (saved, u32::try_from(index)) else { continue };
            if saved == SavedAlarm::default() {
                continue;
            }
            // The same wall times on the axis of this start.
            let to = millis(saved_t.saturating_sub(self.offset));
            let passed = if synced_now && self.film.log.synced(saved_t) { now.since(to) } else { 0 };
            let left = |until: Millis| now.plus(until.since(saved_at).saturating_sub(passed));
            let moved = SavedAlarm {
                shelf: saved.shelf.map(|shelf| SavedShelf { until: left(shelf.until), ..shelf }),
                suppression: saved.suppression.map(|held| SavedSuppression { until: left(held.until), ..held }),
                ..saved.moved(saved_at, to)
            };
            self.judge.engine_mut().restore(now, number, &moved);
        }
        self.judge.poll_by_hand(now);
        self.after_restore();
    }

    fn readings(&mut self, step: &Step, source: u32, entries: &[Entry]) {
        self.entered.clear();
        self.touched.clear();
        for entry in entries {
            let Some(known) = self.known_of(entry.id) else { continue };
            self.played.readings += 1;
            let Ok(index) = usize::try_from(known.point) else { continue };
            if let Some(seen) = self.played.seen.get_mut(index) {
                *seen = true;
            }
            if source != OWN
                && let Some(transaction) = self.transaction.get(index).copied().flatten()
                && !self.touched.contains(&transaction)
            {
                self.touched.push(transaction);
            }
            if known.computed {
                continue;
            }
            let entered = match (entry.value, known.exponent) {
                (None, _) => Err(entry.status),
                (Some(value), None) => Ok((value, entry.status)),
                (Some(value), Some((from, to))) => match Decimal::quantise(Decimal::new(value, from).to_f64(), to) {
                    Ok(value) => Ok((value.mantissa, entry.status)),
                    Err(_) => Err(lapwing_protocol::Status::BAD_OUT_OF_RANGE),
                },
            };
            self.entered.push(Again { point: known.point, entered, at: millis(entry.at(step.at)) });
        }
        if self.entered.is_empty() && self.touched.is_empty() {
            return;
        }
        self.judge.again(millis(step.at), &self.touched, &self.entered);
        self.mode_due(millis(step.at));
        self.moved();
        self.seen_until(step.t());
    }

    fn known_of(&self, id: u32) -> Option<Known> {
        usize::try_from(id).ok().and_then(|id| self.known.get(id)).copied().flatten()
    }

    fn seen_until(&mut self, t: i64) {
        if let Some(stretch) = self.played.stretches.last_mut() {
            stretch.1 = stretch.1.max(t);
        }
        if t >= self.film.range.0 && t < self.film.range.1 {
            let judged = self.played.judged.get_or_insert((t, t));
            judged.1 = judged.1.max(t);
        }
    }

    // ---- as the loop in `core::run` does

    fn moved(&mut self) {
        self.look_at_rules();
        for transition in self.judge.take_transitions() {
            self.transition(&transition);
            self.acknowledge_elsewhere(&transition);
        }
        for urgent in self.urgent.look(self.plan, &self.judge, &self.kept) {
            let Some(kept) = usize::try_from(urgent.alarm).ok().and_then(|index| self.kept.get_mut(index)) else {
                continue;
            };
            kept.priority = Some(urgent.priority);
            for transition in urgent.ask_again(self.plan, &mut self.judge).0 {
                self.transition(&transition);
            }
        }
    }

    fn transition(&mut self, t: &Transition) {
        let plan = self.plan;
        let Ok(index) = usize::try_from(t.alarm) else { return };
        let Some(alarm) = plan.alarms.get(index) else { return };
        let left = (!t.status.is_bad()).then(|| seconds_left(plan, t.alarm, t.value, t.slope)).flatten();
        let heard = plan.module.announce_in.contains(&self.mode);
        self.events += 1;
        let urgency = urgency(alarm, left);
        let decided = self.incidents.decide(t, &mut self.kept[index], urgency, self.events, heard, self.judge.engine());
        let kept = &self.kept[index];
        self.played.moved.push(Moved {
            t: wall(t.at, self.offset),
            alarm: alarm.id.clone(),
            occurrence: t.occurrence,
            from: t.from,
            to: t.to,
            active: t.active,
            told: decided.told,
            first_out: kept.first_out,
            follows: kept.follows.clone(),
            raised: t.cause == Cause::Raised,
        });
        self.note_saved(index);
        if let Some(effect) = decided.place.and_then(|place| place.explains) {
            for index in now_follows(plan, &mut self.kept, effect, &alarm.id) {
                self.note_saved(index);
            }
        }
    }

    fn note_saved(&mut self, index: usize) {
        let at = self.judge.judged_at();
        self.saved[index] = (at, wall(at, self.offset));
    }

    fn acknowledge_elsewhere(&mut self, t: &Transition) {
        let waits = t.cause == Cause::Cleared
            && matches!(t.process_to, Process::ReturnedUnacknowledged | Process::LatchedUnacknowledged)
            && !t.hidden.any();
        if waits
            && self.plan.module.acknowledge != Acknowledge::Here
            && self.judge.operate(t.at, t.alarm, Operation::Acknowledge).is_ok()
        {
            for transition in self.judge.take_transitions_of(t.alarm) {
                self.transition(&transition);
            }
        }
    }

    fn look_at_rules(&mut self) {
        let (plan, now) = (self.plan, self.judge.judged_at());
        for (at, rule) in plan.suppress.iter().enumerate() {
            let _limit = self.rules[at].limit(rule.when.is_some(), now);
            match self.rules[at].turn(plan, at, &self.judge) {
                Some(Turn::Start { until }) => self.start_rule(at, until),
                Some(Turn::End) => self.end_rule(at),
                Some(Turn::Limit) | None => {}
            }
        }
    }

    fn start_rule(&mut self, at: usize, until: Millis) {
        let for_ms = u32::try_from(until.since(self.judge.judged_at())).unwrap_or(u32::MAX);
        self.rule_operation(at, |rule| Operation::Suppress { rule, for_ms });
        self.rules[at].holds_until(until);
    }

    fn end_rule(&mut self, at: usize) {
        self.rule_operation(at, |rule| Operation::Release { rule });
        self.rules[at] = RuleState::default();
    }

    fn rule_operation(&mut self, at: usize, operation: impl Fn(u16) -> Operation) {
        let Ok(number) = u16::try_from(at) else { return };
        let now = self.judge.judged_at();
        for alarm in &self.plan.suppress[at].alarms {
            if self.judge.operate(now, *alarm, operation(number)).is_ok() {
                for transition in self.judge.take_transitions_of(*alarm) {
                    self.transition(&transition);
                }
            }
        }
    }

    fn mode_due(&mut self, now: Millis) {
        if self.mode_until.is_some_and(|until| until <= now) {
            (self.mode, self.mode_until) = (self.mode_of_start, None);
        }
    }

    // ---- what people did

    /// Does again what people did up to a wall moment.
    fn act_before(&mut self, t: i64) {
        while let Some(act) = self.film.log.acts.get(self.acts).filter(|act| act.t <= t) {
            self.acts += 1;
            if !self.act(act) {
                self.played.refused += 1;
            }
            self.moved();
        }
    }

    /// Whether it could be done.
    fn act(&mut self, act: &Act) -> bool {
        let now = self.judge.judged_at();
        let until = act.action.until.map(|t| millis(t.saturating_sub(self.offset)));
        let for_ms = until.map_or(0, |until| u32::try_from(until.since(now)).unwrap_or(u32::MAX));
        let rule = || {
            let name = act.action.rule.as_deref()?;
            self.plan.suppress.iter().position(|rule| rule.name == name)
        };
        let operation = match act.action.action.as_str() {
            "acknowledge" => return self.acknowledge(act),
            "reset" => Operation::Reset,
            "shelve" => Operation::Shelve { for_ms },
            "shelve once" => Operation::ShelveOneShot,
            "unshelve" => Operation::Unshelve,
            "remove from service" => Operation::RemoveFromService,
            "return to service" => Operation::ReturnToService,
            "suppress" => {
                let Some((at, until)) = rule().zip(until) else { return false };
                self.start_rule(at, until);
                return true;
            }
            "release" => {
                let Some(at) = rule() else { return false };
                self.end_rule(at);
                return true;
            }
            "set mode" => {
                self.mode = act.action.to_mode.as_ref().and_then(lapwing_protocol::Word::known).unwrap_or(self.mode);
                self.mode_until = until;
                return true;
            }
            // Notes, sign-ins: nothing moves.
            _ => return true,
        };
        let Some(alarm) = self.numbered(act.action.alarm.as_deref()) else { return false };
        self.judge.operate(now, alarm, operation).is_ok() && self.tell_of(alarm)
    }

    /// One alarm or all of its incident: the log does not say which was asked for, but which moved.
    fn acknowledge(&mut self, act: &Act) -> bool {
        let now = self.judge.judged_at();
        let mut any = false;
        let by_this =
            |changed: &&Changed| changed.t == act.t && changed.change.by.as_deref() == Some(act.action.by.as_str());
        let moved = self.film.log.changes.iter().filter(by_this);
        let mut alarms: Vec<u32> = moved.filter_map(|changed| self.numbered(Some(&changed.change.alarm))).collect();
        if let Some(named) = self.numbered(act.action.alarm.as_deref())
            && !alarms.contains(&named)
        {
            alarms.insert(0, named);
        }
        // In the order of the core: judged first, then told.
        alarms.retain(|alarm| self.judge.operate(now, *alarm, Operation::Acknowledge).is_ok());
        for alarm in alarms {
            any |= self.tell_of(alarm);
        }
        any
    }

    fn tell_of(&mut self, alarm: u32) -> bool {
        for transition in self.judge.take_transitions_of(alarm) {
            self.transition(&transition);
        }
        true
    }

    fn numbered(&self, id: Option<&str>) -> Option<u32> {
        let id = id?;
        self.plan.alarms.iter().position(|alarm| alarm.id == id).and_then(|index| u32::try_from(index).ok())
    }
}

/// The process under what is shown.
fn process(shown: Option<ShownState>, active: bool, acknowledged: bool) -> Process {
    match (shown, active, acknowledged) {
        (Some(ShownState::LatchedUnacknowledged), ..) => Process::LatchedUnacknowledged,
        (Some(ShownState::LatchedAcknowledged), ..) => Process::LatchedAcknowledged,
        (_, true, true) => Process::Acknowledged,
        (_, true, false) => Process::Unacknowledged,
        (_, false, true) => Process::Normal,
        (_, false, false) => Process::ReturnedUnacknowledged,
    }
}

fn millis(at: i64) -> Millis {
    Millis(u64::try_from(at).unwrap_or(0))
}

fn wall(at: Millis, offset: i64) -> i64 {
    i64::try_from(at.0).unwrap_or(i64::MAX).saturating_add(offset)
}
