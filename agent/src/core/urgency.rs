//! Which alarms become urgent while they stand: with little time left they have their other priority and are told again.
//!
//! Looked at with each reading of an alarm's point, of alarms that stand and have both priorities. An alarm does not
//! become less urgent before it clears: a person has been sent by then. Knows neither words nor clock: the loop in `run`
//! and whoever plays readings again ask it the same. Never panics.

use std::collections::HashMap;

use lapwing_engine::spec::Millis;
use lapwing_engine::{Cause, Operation, Transition};
use lapwing_protocol::{Priority, ShownState};

use super::incidents::urgency;
use super::judge::{Judge, seconds_left};
use super::saved::Kept;
use crate::plan::Plan;

/// By point: alarms that have a priority for when little time is left.
#[derive(Debug)]
pub struct UrgentByPoint {
    /// By point: whether there are any; most have none.
    any: Vec<bool>,
    alarms: HashMap<u32, Vec<u32>>,
}

/// An alarm that has become urgent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Urgent {
    /// Its number.
    pub alarm: u32,
    /// Its priority from now on.
    pub priority: Priority,
    /// The moment of the reading that shows it.
    pub at: Millis,
}

impl UrgentByPoint {
    /// Of a plan.
    #[must_use]
    pub fn new(plan: &Plan) -> Self {
        let mut any = vec![false; plan.points.len()];
        let mut alarms: HashMap<u32, Vec<u32>> = HashMap::new();
        for (number, alarm) in (0_u32..).zip(&plan.alarms).filter(|(_, alarm)| alarm.urgent.is_some()) {
            alarms.entry(alarm.point).or_default().push(number);
            if let Some(any) = usize::try_from(alarm.point).ok().and_then(|point| any.get_mut(point)) {
                *any = true;
            }
        }
        Self { any, alarms }
    }

    /// What has become urgent with the readings of the last call.
    #[must_use]
    pub fn look(&self, plan: &Plan, judge: &Judge<'_>, kept: &[Kept]) -> Vec<Urgent> {
        if self.alarms.is_empty() {
            return Vec::new();
        }
        let marked = |point: u32| usize::try_from(point).ok().and_then(|point| self.any.get(point)) == Some(&true);
        let read = judge.read().iter().filter(|taken| marked(taken.point));
        let of_readings = read.filter_map(|taken| self.alarms.get(&taken.point)).flatten();
        of_readings
            .filter_map(|number| {
                let index = usize::try_from(*number).ok()?;
                let (alarm, kept) = plan.alarms.get(index).zip(kept.get(index))?;
                let state = judge.engine().alarm(*number)?;
                if !state.is_active() || state.hidden().any() {
                    return None;
                }
                let reading = judge.reading(alarm.point);
                let slope = judge.engine().slope(alarm.point);
                let left = seconds_left(plan, *number, reading.value, slope).filter(|_| !reading.status.is_bad());
                let priority = urgency(alarm, left);
                (priority > kept.priority.unwrap_or(alarm.priority)).then_some(Urgent {
                    alarm: *number,
                    priority,
                    at: reading.at,
                })
            })
            .collect()
    }
}

impl Urgent {
    /// Asks for attention again: what was acknowledged waits for it anew, what was not keeps its state and is told once
    /// more. Returns what is to be told, and whether a state has moved.
    #[must_use]
    pub fn ask_again(&self, plan: &Plan, judge: &mut Judge<'_>) -> (Vec<Transition>, bool) {
        if judge.operate(self.at, self.alarm, Operation::ReAlarm).is_ok() {
            return (judge.take_transitions_of(self.alarm), true);
        }
        let about = usize::try_from(self.alarm).ok().and_then(|index| plan.alarms.get(index));
        let Some((about, state)) = about.zip(judge.engine().alarm(self.alarm)) else { return (Vec::new(), false) };
        let reading = judge.reading(about.point);
        let shown = ShownState::Unacknowledged;
        let told = Transition {
            alarm: self.alarm,
            from: shown,
            to: shown,
            process_from: state.process(),
            process_to: state.process(),
            active: true,
            hidden: state.hidden(),
            cause: Cause::ReAlarmed,
            annunciate: true,
            at: self.at,
            value: reading.value,
            status: reading.status,
            slope: judge.engine().slope(about.point),
            true_since: state.true_since(),
            raised_at: state.raised_at(),
            occurrence: state.occurrence(),
        };
        (vec![told], false)
    }
}
