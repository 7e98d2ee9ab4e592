//! What comes of what was judged, as the loop in `core::run` does it: rules, incidents, urgency, acknowledgement elsewhere.
//!
//! Never panics.

use lapwing_engine::spec::Millis;
use lapwing_engine::{Cause, Operation, Process, Transition};

use super::{Player, wall};
use crate::core::incidents::{now_follows, urgency};
use crate::core::judge::seconds_left;
use crate::core::rules::{RuleState, Turn};
use crate::plan::Acknowledge;
use crate::replay::lives::Moved;

impl Player<'_> {
    pub(super) fn moved(&mut self) {
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

    pub(super) fn transition(&mut self, t: &Transition) {
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
            priority: kept.priority.unwrap_or(alarm.priority),
            first_out: kept.first_out,
            follows: kept.follows.clone(),
        });
        self.note_saved(index);
        if let Some(effect) = decided.place.and_then(|place| place.explains) {
            for index in now_follows(plan, &mut self.kept, effect, &alarm.id) {
                self.note_saved(index);
            }
        }
    }

    pub(super) fn note_saved(&mut self, index: usize) {
        let at = self.judge.judged_at();
        self.saved[index] = (at, wall(at, self.offset));
    }

    pub(super) fn acknowledge_elsewhere(&mut self, t: &Transition) {
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

    pub(super) fn look_at_rules(&mut self) {
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

    pub(super) fn start_rule(&mut self, at: usize, until: Millis) {
        let for_ms = u32::try_from(until.since(self.judge.judged_at())).unwrap_or(u32::MAX);
        self.rule_operation(at, |rule| Operation::Suppress { rule, for_ms });
        self.rules[at].holds_until(until);
    }

    pub(super) fn end_rule(&mut self, at: usize) {
        self.rule_operation(at, |rule| Operation::Release { rule });
        self.rules[at] = RuleState::default();
    }

    pub(super) fn rule_operation(&mut self, at: usize, operation: impl Fn(u16) -> Operation) {
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

    pub(super) fn mode_due(&mut self, now: Millis) {
        if self.mode_until.is_some_and(|until| until <= now) {
            (self.mode, self.mode_until) = (self.mode_of_start, None);
        }
    }
}
