//! Rules of suppression across a change of plan: known by their names, they go on hiding what they hid.
//!
//! Part of the loop in `run`. Never panics.

use super::*;

impl Core<'_> {
    /// Rules that are gone, or that an alarm does not belong to any more, let go while their words are known.
    pub(super) fn let_go_of_rules(&mut self, next: &Plan) {
        let plan = self.plan;
        for (rule, about) in (0_u16..).zip(&plan.suppress) {
            let stays = next.suppress.iter().find(|new| new.name == about.name);
            for number in about.alarms.iter().copied() {
                let id = usize::try_from(number).ok().and_then(|index| plan.alarms.get(index)).map(|alarm| &alarm.id);
                let member = |alarm: &u32| {
                    let alarm = usize::try_from(*alarm).ok().and_then(|index| next.alarms.get(index));
                    alarm.map(|alarm| &alarm.id) == id
                };
                if !stays.is_some_and(|rule| rule.alarms.iter().any(member)) {
                    self.rule_moves(number, Operation::Release { rule });
                }
            }
        }
    }

    /// Alarms that are new to a rule in force are hidden by it too.
    pub(super) fn take_up_rules(&mut self) {
        let plan = self.plan;
        let now = self.lasting.clock.now();
        for (at, rule) in plan.suppress.iter().enumerate() {
            let (Some(until), Ok(number)) = (self.rules[at].until, u16::try_from(at)) else { continue };
            let for_ms = u32::try_from(until.since(now)).unwrap_or(u32::MAX);
            for alarm in &rule.alarms {
                let hides = self.judge.engine().alarm(*alarm).is_some_and(|state| {
                    state.cover().rules().any(|held| held == number) // it stays hidden
                });
                if !hides && for_ms > 0 {
                    self.rule_moves(*alarm, Operation::Suppress { rule: number, for_ms });
                }
            }
        }
    }

    fn rule_moves(&mut self, alarm: u32, operation: Operation) {
        let now = self.lasting.clock.now();
        // Refused: it is so already.
        if self.judge.operate(now, alarm, operation).is_ok() {
            for transition in self.judge.take_transitions_of(alarm) {
                self.transition(&transition, Hand::default());
            }
        }
    }
}
