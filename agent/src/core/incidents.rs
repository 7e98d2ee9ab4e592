//! Keeps which alarms belong to one incident, with the state the engine's groups need, and says of which transition
//! people are told.
//!
//! Owns that state and lends it to `engine::alarm::group`, which decides. Knows neither clock nor words: the loop in `run`
//! and whoever plays readings again ask it the same. Times are the core's monotonic milliseconds.
//! Never panics.

use lapwing_engine::alarm::group::{Groups, Place, Raise, RootState, StepState};
use lapwing_engine::spec::Millis;
use lapwing_engine::{Cause, Engine, Transition};
use lapwing_protocol::Priority;

use super::saved::Kept;
use crate::plan::Plan;

/// What becomes of a transition.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Decided {
    /// The place of what people see as a raise.
    pub place: Option<Place>,
    /// People are told.
    pub told: bool,
}

/// Incidents in the making.
#[derive(Debug)]
pub struct Incidents<'a> {
    plan: &'a Plan,
    steps: Vec<StepState>,
    roots: Vec<RootState>,
    rules: Vec<u64>,
}

impl<'a> Incidents<'a> {
    /// None yet.
    #[must_use]
    pub fn new(plan: &'a Plan) -> Self {
        let size = |count: u32| usize::try_from(count).unwrap_or(0);
        Self {
            plan,
            steps: vec![StepState::default(); size(plan.groups.steps)],
            roots: vec![RootState::default(); plan.alarms.len()],
            rules: vec![0; size(plan.groups.rules)],
        }
    }

    /// What becomes of a transition, noted in what is kept of its alarm. `urgency` is its priority now, see [`urgency`];
    /// `new` the number of an incident that begins; `heard`: in the present mode people are told.
    pub fn decide(
        &mut self,
        t: &Transition,
        kept: &mut Kept,
        urgency: Priority,
        new: u64,
        heard: bool,
        engine: &Engine<'_>,
    ) -> Decided {
        let about = usize::try_from(t.alarm).ok().and_then(|index| self.plan.alarms.get(index));
        if t.cause == Cause::Raised {
            // Hidden ones belong to an incident of their own, in case they are shown later.
            *kept = Kept { seq: kept.seq, t: kept.t, incident: Some(new), priority: Some(urgency), ..Kept::default() };
        }
        let priority = kept.priority.or(about.map(|alarm| alarm.priority)).unwrap_or(urgency);
        let place = self.place(t, priority, kept.incident.unwrap_or(new), engine);
        if let Some(place) = place {
            let follows = place.follows.and_then(|root| self.plan.alarms.get(usize::try_from(root).ok()?));
            (kept.incident, kept.first_out, kept.tie) = (Some(place.incident), place.first_out, place.tie);
            kept.follows = follows.map(|root| root.id.clone());
        }
        Decided { place, told: t.annunciate && place.is_none_or(|place| place.announce) && heard }
    }

    /// The place of a transition that people see as a raise; `incident` is the number of a new one. `None` for all
    /// other transitions.
    pub fn place(&mut self, t: &Transition, priority: Priority, incident: u64, engine: &Engine<'_>) -> Option<Place> {
        if !t.annunciate || t.cause == Cause::ReAlarmed {
            return None;
        }
        let raise =
            Raise { alarm: t.alarm, at: t.at, since: t.true_since.unwrap_or(t.at).min(t.at), priority, incident };
        let stands = |alarm| engine.alarm(alarm).is_some_and(|state| state.is_active() && !state.hidden().any());
        Some(self.groups().place(raise, stands))
    }

    /// Puts back what stood before a restart; what is kept of each alarm says to which incident it belongs.
    pub fn restore_standing(&mut self, kept: &[Kept], engine: &Engine<'_>) {
        let mut stood: Vec<(Millis, u32, u64)> = (0_u32..)
            .zip(kept)
            .filter_map(|(number, kept)| {
                let state = engine.alarm(number)?;
                let shown = state.is_active() && !state.hidden().any();
                shown.then_some((state.raised_at()?, number, kept.incident?))
            })
            .collect();
        stood.sort_unstable();
        let plan = self.plan;
        let numbered =
            |id: &str| plan.alarms.iter().position(|alarm| alarm.id == id).and_then(|index| u32::try_from(index).ok());
        for (at, number, incident) in stood {
            let Some((kept, alarm)) =
                usize::try_from(number).ok().and_then(|index| kept.get(index).zip(plan.alarms.get(index)))
            else {
                continue;
            };
            let since = engine.alarm(number).and_then(|state| state.true_since()).unwrap_or(at);
            let priority = kept.priority.unwrap_or(alarm.priority);
            let follows = kept.follows.as_deref().and_then(numbered);
            self.restore(number, at, since.min(at), priority, incident, follows.unwrap_or(number));
        }
    }

    /// Puts back an alarm that stood before a restart.
    pub fn restore(&mut self, alarm: u32, at: Millis, since: Millis, priority: Priority, incident: u64, root: u32) {
        self.groups().restore(Raise { alarm, at, since, priority, incident }, root);
    }

    /// Incidents have other numbers now: events that waited for the disk were numbered anew.
    pub fn renumber(&mut self, number: impl Fn(u64) -> Option<u64>) {
        self.groups().renumber(number);
    }

    fn groups(&mut self) -> Groups<'_> {
        Groups::new(self.plan.groups.tables(), &mut self.steps, &mut self.roots, &mut self.rules)
    }
}

/// Notes that an alarm which was taken for the first, and what followed from it, follows from its cause, which came later.
/// Returns the alarms whose record has changed.
pub fn now_follows(plan: &Plan, kept: &mut [Kept], alarm: u32, cause: &str) -> Vec<usize> {
    let Some(former) = usize::try_from(alarm).ok() else { return Vec::new() };
    let Some((incident, id)) =
        kept.get(former).and_then(|kept| kept.incident).zip(plan.alarms.get(former).map(|alarm| alarm.id.as_str()))
    else {
        return Vec::new();
    };
    let mut changed = Vec::new();
    for (index, (kept, about)) in kept.iter_mut().zip(&plan.alarms).enumerate() {
        let is_former = kept.first_out && about.id == id;
        let followed = kept.follows.as_deref() == Some(id);
        if kept.incident == Some(incident) && (is_former || followed) {
            (kept.first_out, kept.follows) = (false, Some(cause.to_owned()));
            changed.push(index);
        }
    }
    changed
}

/// How urgent an alarm is with so much time left.
#[must_use]
pub fn urgency(alarm: &crate::plan::Alarm, seconds_left: Option<u32>) -> Priority {
    match (alarm.urgent, seconds_left) {
        (Some((below, urgent)), Some(left)) if u64::from(left) <= below.as_secs() => urgent,
        _ => alarm.priority,
    }
}
