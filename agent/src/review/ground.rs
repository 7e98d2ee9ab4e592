//! What every family of the review asks about: the configured alarms with their points, how late each is, what is watched.
//!
//! Made once a review. Values are integers at their point's exponent unless a name says otherwise. Never panics.

use std::time::Duration;

use lapwing_engine::spec::{AlarmSpec, Condition, PointSpec, Test};
use lapwing_protocol::Decimal;

use crate::field::budget::{Lateness, lateness};
use crate::plan::{Alarm, Comparison, Plan, Point};

/// The ground the review stands on.
#[derive(Debug)]
pub(super) struct Ground<'p> {
    pub(super) plan: &'p Plan,
    /// The configured alarms.
    pub(super) alarms: Vec<Subject<'p>>,
    /// By point: an alarm rests on it, itself or through what is computed from it.
    pub(super) watched: Vec<bool>,
}

/// A configured alarm with what belongs to it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Subject<'p> {
    pub(super) index: usize,
    pub(super) alarm: &'p Alarm,
    pub(super) spec: &'p AlarmSpec,
    pub(super) point: &'p Point,
    pub(super) reading: &'p PointSpec,
    /// How late it may be, where a field point is behind it.
    pub(super) late: Option<Lateness>,
    /// The condition of use.
    pub(super) used: Option<(u32, Test)>,
}

impl<'p> Ground<'p> {
    pub(super) fn of(plan: &'p Plan) -> Self {
        let late = lateness(plan);
        let alarms = plan.alarms.iter().zip(&plan.engine.alarms).enumerate().filter(|(_, (alarm, _))| !alarm.own);
        let alarms = alarms.filter_map(|(index, (alarm, spec))| {
            let at = usize::try_from(alarm.point).ok()?;
            let used = spec.only_while.and_then(|number| plan.engine.uses.get(usize::try_from(number).ok()?));
            Some(Subject {
                index,
                alarm,
                spec,
                point: plan.points.get(at)?,
                reading: plan.engine.points.get(at)?,
                late: late.get(index).copied().flatten(),
                used: used.map(|used| (used.point, used.test)),
            })
        });
        let mut ground = Self { plan, alarms: alarms.collect(), watched: vec![false; plan.points.len()] };
        ground.watch();
        ground
    }

    /// Marks what alarms rest on; what is computed comes after what it is computed from.
    fn watch(&mut self) {
        let Self { plan, alarms, watched } = self;
        let mut mark = |at: u32| {
            if let Some(known) = usize::try_from(at).ok().and_then(|at| watched.get_mut(at)) {
                *known = true;
            }
        };
        for subject in alarms.iter() {
            mark(subject.alarm.point);
        }
        for compared in &plan.compared {
            if !alarms.iter().any(|subject| subject.alarm.point == compared.point) {
                continue;
            }
            compared.subject.into_iter().for_each(&mut mark);
            match &compared.with {
                Comparison::Value(_) => {}
                Comparison::Point { point, .. } => mark(*point),
                Comparison::Median(members) | Comparison::Count { members, .. } => {
                    members.iter().copied().for_each(&mut mark);
                }
            }
        }
        for derived in plan.derived.iter().rev() {
            if usize::try_from(derived.point).ok().and_then(|at| watched.get(at)) == Some(&true) {
                for input in &derived.from {
                    if let Some(known) = usize::try_from(input.point).ok().and_then(|at| watched.get_mut(at)) {
                        *known = true;
                    }
                }
            }
        }
    }

    /// Whether an alarm rests on the point with this index.
    pub(super) fn is_watched(&self, at: usize) -> bool {
        self.watched.get(at).copied().unwrap_or(false)
    }

    /// A point by its index.
    pub(super) fn point(&self, at: u32) -> Option<&'p Point> {
        self.plan.points.get(usize::try_from(at).ok()?)
    }

    /// The groups an alarm is in.
    pub(super) fn groups_of(&self, alarm: usize) -> impl Iterator<Item = u32> + '_ {
        let span = self.plan.groups.of_alarm.get(alarm).copied().unwrap_or_default();
        crate::plan::stretch(&self.plan.groups.members, span).iter().map(|member| member.group)
    }

    /// The believable range of what an alarm compares: of a difference, of what it is a difference of, in the
    /// difference's own steps.
    pub(super) fn range(&self, subject: &Subject<'_>) -> Option<(i64, i64)> {
        if let Some(valid) = subject.reading.valid {
            return Some(valid);
        }
        let compared = self.plan.compared.iter().find(|compared| compared.point == subject.alarm.point)?;
        let of = usize::try_from(compared.subject?).ok()?;
        let (of, reading) = (self.plan.points.get(of)?, self.plan.engine.points.get(of)?);
        let (low, high) = reading.valid?;
        let span = Decimal::new(high.saturating_sub(low), of.exponent).rescale(subject.point.exponent).ok()?.mantissa;
        Some((span.saturating_neg(), span))
    }
}

impl Subject<'_> {
    /// A number of the alarm's point as people write it, with its unit.
    pub(super) fn said(&self, steps: i64) -> String {
        with_unit(Decimal::new(steps, self.point.exponent), &self.point.unit)
    }

    /// Names of the states whose bits are set.
    pub(super) fn states(&self, bits: u64) -> String {
        let named = self.point.states.iter().filter(|(value, _)| (0..64).contains(value) && bits >> value & 1 == 1);
        named.map(|(_, name)| name.as_str()).collect::<Vec<_>>().join(", ")
    }

    /// Limit and deadband of a condition that has both.
    pub(super) const fn limit(&self) -> Option<(i64, i64)> {
        match self.spec.condition {
            Condition::High { limit, deadband }
            | Condition::Low { limit, deadband }
            | Condition::Beyond { limit, deadband } => Some((limit, deadband)),
            Condition::Rise { .. }
            | Condition::Fall { .. }
            | Condition::State { .. }
            | Condition::BadMeasurement
            | Condition::TimeToLimit { .. }
            | Condition::Frozen
            | Condition::NotIn { .. } => None,
        }
    }
}

/// A number with its unit as people write it.
pub(super) fn with_unit(value: Decimal, unit: &str) -> String {
    let spoken: &str = match lapwing_protocol::Unit::parse(unit) {
        Some(known) => known.text(),
        None => unit,
    };
    match spoken {
        "" | "1" => value.to_string(),
        text => format!("{value} {text}"),
    }
}

/// A duration in seconds.
pub(super) fn seconds(duration: Duration) -> f64 {
    duration.as_secs_f64()
}
