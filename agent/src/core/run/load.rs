//! What the alarm system asks of people, watched: floods and chattering alarms are events, the figures points and part of
//! the summary.
//!
//! Part of the loop in `run`; what counts as what is `engine::alarm::load`'s. Never panics.

use lapwing_engine::alarm::load::{FloodChange, STALE_MS};

use super::*;
use crate::store::history::OWN;

/// Figures change slowly: this often, ms.
const EVERY_MS: u64 = 10_000;

impl Core<'_> {
    /// A person was told of an alarm.
    pub(super) fn count_announced(&mut self, at: Millis) {
        let change = self.load.announced(at);
        self.say_flood(change);
    }

    /// An alarm was raised or has cleared.
    pub(super) fn count_conduct(&mut self, index: usize, t: &Transition) {
        let id = &self.plan.alarms[index].id;
        match t.cause {
            Cause::Raised => {
                if self.conduct[index].raised(t.at) {
                    let text = format!(
                        "The alarm {id} chatters: raised three times within a minute. Its deadband or delays are too small."
                    );
                    let detail =
                        AgentChange { change: "alarm chatters".into(), version: None, reason: Some(id.clone()) };
                    self.event(text, Detail::Agent(detail), None);
                }
            }
            Cause::Cleared => {
                let fleeting = t.raised_at.is_some_and(|raised| self.conduct[index].cleared(raised, t.at));
                if fleeting {
                    self.figures.fleeting(id);
                }
            }
            Cause::Acknowledged
            | Cause::Reset
            | Cause::ReAlarmed
            | Cause::Shelved
            | Cause::Unshelved
            | Cause::ShelfEnded
            | Cause::Suppressed { .. }
            | Cause::Released { .. }
            | Cause::SuppressionEnded
            | Cause::RemovedFromService
            | Cause::ReturnedToService => {}
        }
    }

    /// Publishes the figures now and then, and looks whether a flood is over.
    pub(super) fn look_at_load(&mut self) {
        let now = self.clock.now();
        let change = self.load.look(now);
        self.say_flood(change);
        if self.load_said.is_some_and(|said| now.since(said) < EVERY_MS) {
            return;
        }
        self.load_said = Some(now);
        let Some(first) = self.plan.load_points else { return };
        let mut standing = 0_u32;
        let mut stale = 0_u32;
        for number in 0..u32::try_from(self.plan.alarms.len()).unwrap_or(0) {
            let Some(state) = self.judge.engine().alarm(number).filter(|state| state.is_active()) else { continue };
            standing += u32::from(!state.hidden().any());
            stale += u32::from(state.raised_at().is_some_and(|at| now.since(at) > STALE_MS));
        }
        let chattering = self.conduct.iter().filter(|conduct| conduct.chatters(now)).count();
        let counts = [standing, stale, u32::try_from(chattering).unwrap_or(u32::MAX)];
        self.board.set_asked(self.figures.asked(&self.load, now, counts));
        let within = |minutes| i64::from(self.load.within_minutes(minutes));
        // In the order of `config::assemble::own::LOAD`.
        let values = [
            within(10),
            within(60),
            within(1440),
            i64::from(standing),
            i64::from(stale),
            i64::try_from(chattering).unwrap_or(i64::MAX),
            i64::from(self.load.is_flood()),
        ];
        for (point, value) in (first..).zip(values) {
            self.judge.own(now, point, value);
            self.publish_readings(now, OWN);
            self.moved();
        }
    }

    fn say_flood(&mut self, change: Option<FloodChange>) {
        let (change, text) = match change {
            None => return,
            Some(FloodChange::Begun) => (
                "alarm flood begun",
                "An alarm flood has begun: more than ten alarms were announced within ten minutes. Look at the first of each incident.".to_owned(),
            ),
            Some(FloodChange::Ended { lasted_ms }) => {
                ("alarm flood ended", format!("The alarm flood is over; it lasted {:.0} s.", seconds(lasted_ms)))
            }
        };
        let detail = AgentChange { change: change.into(), version: None, reason: None };
        self.event(text, Detail::Agent(detail), None);
    }
}
