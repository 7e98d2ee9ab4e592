//! Alarms that have become urgent while they stand are told again. Which they are is `core::urgency`'s.
//!
//! Part of the loop in `run`. Never panics.

use super::operator::Hand;
use super::*;

impl Core<'_> {
    /// Looks at every alarm whose point was read last.
    pub(super) fn look_at_urgency(&mut self) {
        let plan = self.plan;
        for urgent in self.urgent.look(plan, &self.judge, &self.kept) {
            let Some(kept) = usize::try_from(urgent.alarm).ok().and_then(|index| self.kept.get_mut(index)) else {
                continue;
            };
            kept.priority = Some(urgent.priority);
            let (told, moved) = urgent.ask_again(plan, &mut self.judge);
            let hand = Hand { by: None, reason: (!moved).then_some("little time is left") };
            for transition in told {
                self.transition(&transition, hand);
            }
        }
    }
}
