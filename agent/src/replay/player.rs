//! Plays steps of the history through the judging and notes what moves.
//!
//! Does what the loop in `core::run` does with a reading, an end of a delay, a person's act and a start of the agent, but
//! for words, numbers of events, disk and wire. Moments of the engine are axis milliseconds; what is noted carries wall
//! milliseconds as the agent stamped then. Never panics.

mod acts;
mod begin;
mod moves;

use std::collections::HashMap;
use std::ops::ControlFlow;

use lapwing_engine::spec::Millis;
use lapwing_engine::{AlarmState, Engine, PointState, Window};
use lapwing_protocol::{Decimal, Mode};

use super::ReplayError;
use super::changes;
use super::lives::Moved;
use super::log::Log;
use super::then::Thens;
use crate::core::incidents::Incidents;
use crate::core::judge::{Again, Judge};
use crate::core::rules::RuleState;
use crate::core::saved::Kept;
use crate::core::urgency::UrgentByPoint;
use crate::plan::Plan;
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
    /// Wall moment before which nothing is played.
    pub(super) begin: i64,
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
            let step = player.dated(step, thens);
            player.step(&step, entries, thens);
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
    /// The start in force before this step.
    before: Option<u64>,
    offset: i64,
    /// Axis moment of the last step.
    at: i64,
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
            before: None,
            offset: 0,
            at: 0,
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

    /// The step with a moment of its own: what is no reading has that of the reading before, which another piece of the
    /// slot may hold.
    fn dated(&mut self, step: &Step, thens: &Thens) -> Step {
        let at = match step.what {
            Happening::Start { number } => thens.begun(number).unwrap_or(self.at),
            Happening::Passed { at } => at,
            Happening::Readings { .. } => step.at,
            Happening::Frames { .. } | Happening::Rebase { .. } | Happening::Dropped { .. } => self.at,
        };
        self.at = at;
        Step { at, ..*step }
    }

    fn step(&mut self, step: &Step, entries: &[Entry], thens: &mut Thens) {
        self.before = self.start;
        if let Happening::Start { number } = step.what {
            self.start = Some(number);
        }
        let undated = match step.what {
            Happening::Frames { .. } | Happening::Rebase { .. } | Happening::Dropped { .. } => true,
            Happening::Start { .. } | Happening::Passed { .. } | Happening::Readings { .. } => false,
        };
        if step.t() < self.film.begin || self.hole && undated {
            return;
        }
        // Between an end of the agent and its next start nothing is missing.
        let start = matches!(step.what, Happening::Start { .. });
        if std::mem::take(&mut self.hole) && (!start || self.played.stretches.is_empty()) {
            self.begin(step, thens);
        }
        match step.what {
            Happening::Start { number } => self.started(step, number, thens),
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

    fn readings(&mut self, step: &Step, source: u32, entries: &[Entry]) {
        self.entered.clear();
        self.touched.clear();
        for entry in entries {
            let Some(known) = self.known_of(entry.id) else { continue };
            self.played.readings += 1;
            let Ok(index) = usize::try_from(known.point) else { continue };
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
        for taken in self.judge.read() {
            if let Some(seen) = usize::try_from(taken.point).ok().and_then(|point| self.played.seen.get_mut(point)) {
                *seen = true;
            }
        }
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
}

fn millis(at: i64) -> Millis {
    Millis(u64::try_from(at).unwrap_or(0))
}

fn wall(at: Millis, offset: i64) -> i64 {
    i64::try_from(at.0).unwrap_or(i64::MAX).saturating_add(offset)
}
