//! Moves alarms and tells each step: raise and clear, the end of what hid them, judgement as if new on release.
//!
//! The rules are `alarm`'s; here they are applied to the state the engine holds. Times are the caller's monotonic
//! milliseconds. Never panics.

use lapwing_protocol::ShownState;

use super::{Engine, number};
use crate::alarm::life::AlarmState;
use crate::alarm::process::{Event, Process, Refusal};
use crate::effect::{Cause, Effect, Transition};
use crate::spec::{AlarmSpec, Millis};

impl Engine<'_> {
    /// A delay has passed: the process moves. Never refused.
    pub(super) fn condition_event(
        &mut self,
        alarm: usize,
        spec: &AlarmSpec,
        event: Event,
        at: Millis,
        out: &mut impl FnMut(Effect),
    ) {
        let state = &mut self.alarms[alarm];
        let before = Before::of(state);
        let Ok(process) = state.process.after(event, spec.latching) else { return };
        state.process = process;
        let raised = process.is_active();
        if raised {
            state.raise(at);
        }
        self.tell(alarm, spec, before, if raised { Cause::Raised } else { Cause::Cleared }, at, out);
        if !raised {
            let state = &mut self.alarms[alarm];
            state.cleared();
            if state.cover.one_shot() {
                self.end_shelf(alarm, spec, at, out);
            }
        }
        self.arm(alarm, spec);
    }

    pub(super) fn end_shelf(&mut self, alarm: usize, spec: &AlarmSpec, at: Millis, out: &mut impl FnMut(Effect)) {
        let before = Before::of(&self.alarms[alarm]);
        if self.alarms[alarm].cover.unshelve().is_ok() {
            self.finish(alarm, spec, before, Cause::ShelfEnded, at, out);
        }
    }

    /// After an operation or the end of something that hid: judged as if new when nothing hides it any more; told.
    pub(super) fn finish(
        &mut self,
        alarm: usize,
        spec: &AlarmSpec,
        before: Before,
        cause: Cause,
        at: Millis,
        out: &mut impl FnMut(Effect),
    ) {
        let state = &mut self.alarms[alarm];
        if before.hidden && !state.hidden().any() {
            state.process = state.process.released();
        }
        self.tell(alarm, spec, before, cause, at, out);
    }

    pub(super) fn tell(
        &self,
        alarm: usize,
        spec: &AlarmSpec,
        before: Before,
        cause: Cause,
        at: Millis,
        out: &mut impl FnMut(Effect),
    ) {
        let state = &self.alarms[alarm];
        let point = spec.point as usize;
        let to = state.shown();
        out(Effect::Alarm(Transition {
            alarm: number(alarm),
            from: before.shown,
            to,
            process_from: before.process,
            process_to: state.process,
            active: state.is_active(),
            hidden: state.hidden(),
            cause,
            annunciate: to == ShownState::Unacknowledged && before.shown != to,
            at,
            value: self.points[point].value(),
            status: self.points[point].status(),
            slope: self.slope_of(point, &self.tables.points[point]),
            true_since: state.true_since(),
            raised_at: state.raised_at(),
            occurrence: state.occurrence(),
        }));
    }
}

/// What of an alarm's state is told as "before".
#[derive(Clone, Copy)]
pub(super) struct Before {
    shown: ShownState,
    process: Process,
    hidden: bool,
}

impl Before {
    pub(super) fn of(state: &AlarmState) -> Self {
        Self { shown: state.shown(), process: state.process, hidden: state.hidden().any() }
    }
}

/// A person's event, or the re-alarm timer's: only on what is shown.
pub(super) fn by_hand(state: &mut AlarmState, event: Event, spec: &AlarmSpec) -> Result<(), Refusal> {
    if state.hidden().any() {
        return Err(Refusal::Hidden);
    }
    state.process = state.process.after(event, spec.latching)?;
    Ok(())
}
