//! Suppression by declared rules, carried out and told: those that hold by themselves while a point says so, and those a
//! person starts. When they do is `core::rules`'.
//!
//! Part of the loop in `run`. Never panics.

use lapwing_engine::{Operation, Refusal};

use super::operator::Hand;
use super::*;
use crate::core::rules::Turn;

impl Core<'_> {
    /// Looks at every rule: starts and ends those that hold by themselves, forgets those whose limit has passed.
    pub(super) fn look_at_rules(&mut self) {
        let plan = self.plan;
        let now = self.judge.judged_at();
        let words = &self.words().change;
        for (at, rule) in plan.suppress.iter().enumerate() {
            if self.rules[at].limit(rule.when.is_some(), now).is_some() {
                self.show_rules();
                self.say_rule(at, "suppression limit", &words.rule_limit);
            }
            match self.rules[at].turn(plan, at, &self.judge) {
                Some(Turn::Start { until }) => {
                    self.say_rule(at, "suppression started", &words.rule_started);
                    self.start_rule(&rule.name, until, Hand::default());
                }
                Some(Turn::End) => {
                    self.say_rule(at, "suppression ended", &words.rule_ended);
                    self.end_rule(&rule.name, Hand::default());
                }
                Some(Turn::Limit) | None => {}
            }
        }
    }

    /// Hides the alarms of a rule until then.
    pub(super) fn start_rule(&mut self, name: &str, until: Millis, hand: Hand<'_>) {
        let now = self.judge.judged_at();
        let for_ms = u32::try_from(until.since(now)).unwrap_or(u32::MAX);
        self.rule_operation(name, hand, |rule| Operation::Suppress { rule, for_ms });
        if let Some(at) = self.rule_index(name) {
            self.rules[at].holds_until(until);
        }
        self.show_rules();
    }

    /// Lets the alarms of a rule go.
    pub(super) fn end_rule(&mut self, name: &str, hand: Hand<'_>) {
        self.rule_operation(name, hand, |rule| Operation::Release { rule });
        if let Some(at) = self.rule_index(name) {
            self.rules[at] = RuleState::default();
        }
        self.show_rules();
    }

    /// Whoever looks on sees which rules are in force.
    pub(super) fn show_rules(&self) {
        let until = self.rules.iter().map(|rule| rule.until.map(|until| self.lasting.clock.wall(until)));
        self.lasting.board.set_rules(until.collect());
    }

    /// Puts back which rules were in force: those that hide an alarm that was restored.
    pub(super) fn restore_rules(&mut self) {
        for number in 0..u32::try_from(self.plan.alarms.len()).unwrap_or(0) {
            let Some(state) = self.judge.engine().alarm(number) else { continue };
            let Some(until) = state.cover().suppressed_until() else { continue };
            for rule in state.cover().rules() {
                if let Some(state) = self.rules.get_mut(usize::from(rule)) {
                    state.holds_until(state.until.map_or(until, |before| before.max(until)));
                }
            }
        }
        self.show_rules();
    }

    fn rule_operation(&mut self, name: &str, hand: Hand<'_>, operation: impl Fn(u16) -> Operation) {
        let plan = self.plan;
        let Some(at) = self.rule_index(name) else { return };
        let Ok(number) = u16::try_from(at) else { return };
        let now = self.judge.judged_at();
        for alarm in &plan.suppress[at].alarms {
            match self.judge.operate(now, *alarm, operation(number)) {
                Ok(()) => {
                    for transition in self.judge.take_transitions_of(*alarm) {
                        self.transition(&transition, hand);
                    }
                }
                // Released by its limit before, or hidden by this very rule: as wanted.
                Err(Refusal::NotHidden | Refusal::AlreadyHidden) => {}
                Err(error) => {
                    let id = plan.alarms.get(usize::try_from(*alarm).unwrap_or(usize::MAX)).map(|alarm| &alarm.id);
                    tracing::warn!(rule = name, alarm = id, %error, "the alarm stays shown");
                }
            }
        }
    }

    fn rule_index(&self, name: &str) -> Option<usize> {
        self.plan.suppress.iter().position(|rule| rule.name == name)
    }

    fn say_rule(&mut self, at: usize, change: &str, sentence: &str) {
        let rule = &self.plan.suppress[at];
        let text = filled(sentence, &[("about", rule.text.trim_end_matches('.')), ("rule", &rule.name)]);
        let detail = AgentChange { change: change.into(), version: None, reason: Some(rule.name.clone()) };
        self.event(text, Detail::Agent(detail), None);
    }
}
