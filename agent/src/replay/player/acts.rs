//! Does again what people did, as the event log tells it.
//!
//! Knows no roles: what was allowed then was judged then. Never panics.

use lapwing_engine::Operation;

use super::{Player, millis};
use crate::replay::log::{Act, Changed};

impl Player<'_> {
    /// Does again what people did up to a wall moment.
    pub(super) fn act_before(&mut self, t: i64) {
        while let Some(act) = self.film.log.acts.get(self.acts).filter(|act| act.t <= t) {
            self.acts += 1;
            if !self.act(act) {
                self.played.refused += 1;
            }
            self.moved();
        }
    }

    /// Whether it could be done.
    pub(super) fn act(&mut self, act: &Act) -> bool {
        let now = self.judge.judged_at();
        let until = act.action.until.map(|t| millis(t.saturating_sub(self.offset)));
        let for_ms = until.map_or(0, |until| u32::try_from(until.since(now)).unwrap_or(u32::MAX));
        let rule = || {
            let name = act.action.rule.as_deref()?;
            self.plan.suppress.iter().position(|rule| rule.name == name)
        };
        let operation = match act.action.action.as_str() {
            "acknowledge" => return self.acknowledge(act),
            "reset" => Operation::Reset,
            "shelve" => Operation::Shelve { for_ms },
            "shelve once" => Operation::ShelveOneShot,
            "unshelve" => Operation::Unshelve,
            "remove from service" => Operation::RemoveFromService,
            "return to service" => Operation::ReturnToService,
            "suppress" => {
                let Some((at, until)) = rule().zip(until) else { return false };
                self.start_rule(at, until);
                return true;
            }
            "release" => {
                let Some(at) = rule() else { return false };
                self.end_rule(at);
                return true;
            }
            "set mode" => {
                self.mode = act.action.to_mode.as_ref().and_then(lapwing_protocol::Word::known).unwrap_or(self.mode);
                self.mode_until = until;
                return true;
            }
            // Notes, sign-ins: nothing moves.
            _ => return true,
        };
        let Some(alarm) = self.numbered(act.action.alarm.as_deref()) else { return false };
        self.judge.operate(now, alarm, operation).is_ok() && self.tell_of(alarm)
    }

    /// One alarm or all of its incident: the log does not say which was asked for, but which moved.
    pub(super) fn acknowledge(&mut self, act: &Act) -> bool {
        let now = self.judge.judged_at();
        let mut any = false;
        let by_this =
            |changed: &&Changed| changed.t == act.t && changed.change.by.as_deref() == Some(act.action.by.as_str());
        let moved = self.film.log.changes.iter().filter(by_this);
        let mut alarms: Vec<u32> = moved.filter_map(|changed| self.numbered(Some(&changed.change.alarm))).collect();
        if let Some(named) = self.numbered(act.action.alarm.as_deref())
            && !alarms.contains(&named)
        {
            alarms.insert(0, named);
        }
        // In the order of the core: judged first, then told.
        alarms.retain(|alarm| self.judge.operate(now, *alarm, Operation::Acknowledge).is_ok());
        for alarm in alarms {
            any |= self.tell_of(alarm);
        }
        any
    }

    pub(super) fn tell_of(&mut self, alarm: u32) -> bool {
        for transition in self.judge.take_transitions_of(alarm) {
            self.transition(&transition);
        }
        true
    }

    pub(super) fn numbered(&self, id: Option<&str>) -> Option<u32> {
        let id = id?;
        self.plan.alarms.iter().position(|alarm| alarm.id == id).and_then(|index| u32::try_from(index).ok())
    }
}
