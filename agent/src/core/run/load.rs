//! What the alarm system asks of people, watched: floods and chattering alarms are events, the figures points and part of
//! the summary.
//!
//! Part of the loop in `run`; what counts as what is `engine::alarm::load`'s. Never panics.

use lapwing_engine::alarm::load::{FloodChange, STALE_MS};

use super::*;
use crate::store::history::OWN;
use crate::words::lasting;

/// Figures change slowly: this often, ms.
const EVERY_MS: u64 = 10_000;

impl Core<'_> {
    /// A person was told of an alarm.
    pub(super) fn count_announced(&mut self, at: Millis) {
        let change = self.lasting.load.announced(at);
        self.say_flood(change);
    }

    /// An alarm was raised or has cleared.
    pub(super) fn count_conduct(&mut self, index: usize, t: &Transition) {
        let id = &self.plan.alarms[index].id;
        match t.cause {
            Cause::Raised => {
                if self.conduct[index].raised(t.at) {
                    let words = self.words();
                    let text = filled(&words.change.chatters, &[("alarm", id)]);
                    let detail =
                        AgentChange { change: "alarm chatters".into(), version: None, reason: Some(id.clone()) };
                    self.event(text, Detail::Agent(detail), None);
                }
            }
            Cause::Cleared => {
                let fleeting = t.raised_at.is_some_and(|raised| self.conduct[index].cleared(raised, t.at));
                if fleeting {
                    self.lasting.figures.fleeting(id);
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
        let now = self.lasting.clock.now();
        let change = self.lasting.load.look(now);
        self.say_flood(change);
        if self.lasting.load_said.is_some_and(|said| now.since(said) < EVERY_MS) {
            return;
        }
        self.lasting.load_said = Some(now);
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
        let asked = self.lasting.figures.asked(&self.lasting.load, now, counts);
        let within = |minutes| i64::from(self.lasting.load.within_minutes(minutes));
        // In the order of `config::assemble::own::load`.
        let values = [
            within(10),
            within(60),
            within(1440),
            i64::from(standing),
            i64::from(stale),
            i64::try_from(chattering).unwrap_or(i64::MAX),
            i64::from(self.lasting.load.is_flood()),
            i64::try_from(asked.announced).unwrap_or(i64::MAX),
            i64::from(asked.most_in_10_min),
            i64::from(asked.fleeting),
            permille(asked.share_critical),
            permille(asked.share_high),
            permille(asked.share_medium),
            permille(asked.share_low),
            permille(asked.in_flood_share),
        ];
        self.lasting.board.set_asked(asked);
        for (point, value) in (first..).zip(values) {
            self.judge.own(now, point, value);
            self.publish_readings(now, OWN);
            self.moved();
        }
    }

    fn say_flood(&mut self, change: Option<FloodChange>) {
        let words = &self.words().change;
        let (change, text) = match change {
            None => return,
            Some(FloodChange::Begun) => ("alarm flood begun", words.flood_begun.clone()),
            Some(FloodChange::Ended { lasted_ms }) => {
                let time = lasting((lasted_ms + 500) / 1000);
                ("alarm flood ended", filled(&words.flood_ended, &[("time", &time)]))
            }
        };
        let detail = AgentChange { change: change.into(), version: None, reason: None };
        self.event(text, Detail::Agent(detail), None);
    }
}

/// Tenths of a percent of a share that has no finer steps.
#[allow(clippy::cast_possible_truncation)] // 0 to 1000
fn permille(percent: f64) -> i64 {
    (percent * 10.0).round() as i64
}
