//! Alarms that become urgent while they stand: with little time left they have their other priority and are told again.
//!
//! Looked at once a second, of alarms that stand and have both priorities. What was acknowledged asks for attention
//! anew. An alarm does not become less urgent before it clears: a person has been sent by then. Part of the loop in
//! `run`. Never panics.

use lapwing_engine::Operation;
use lapwing_protocol::ShownState;

use super::operator::Hand;
use super::*;
use crate::core::incidents::urgency;
use crate::core::judge::seconds_left;

impl Core<'_> {
    /// Looks at every alarm that may become urgent.
    pub(super) fn look_at_urgency(&mut self) {
        let plan = self.plan;
        let now = self.clock.now();
        for (number, alarm) in (0_u32..).zip(&plan.alarms).filter(|(_, alarm)| alarm.urgent.is_some()) {
            let Ok(index) = usize::try_from(number) else { continue };
            let Some(state) = self.judge.engine().alarm(number) else { continue };
            if !state.is_active() || state.hidden().any() {
                continue;
            }
            let reading = self.judge.reading(alarm.point);
            let slope = self.judge.engine().slope(alarm.point);
            let left = seconds_left(plan, number, reading.value, slope).filter(|_| !reading.status.is_bad());
            let urgent = urgency(alarm, left);
            if urgent <= self.kept[index].priority.unwrap_or(alarm.priority) {
                continue;
            }
            let (process, hidden, occurrence) = (state.process(), state.hidden(), state.occurrence());
            let (true_since, raised_at) = (state.true_since(), state.raised_at());
            self.kept[index].priority = Some(urgent);
            if self.judge.operate(now, number, Operation::ReAlarm).is_ok() {
                continue; // its transition is told with the others
            }
            // Not acknowledged yet: its state stays, people hear of the new priority.
            let shown = ShownState::Unacknowledged;
            let transition = Transition {
                alarm: number,
                from: shown,
                to: shown,
                process_from: process,
                process_to: process,
                active: true,
                hidden,
                cause: Cause::ReAlarmed,
                annunciate: true,
                at: now,
                value: reading.value,
                status: reading.status,
                slope,
                true_since,
                raised_at,
                occurrence,
            };
            self.transition(&transition, Hand { by: None, reason: Some("little time is left") });
        }
    }
}
