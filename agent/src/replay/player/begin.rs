//! Puts alarms back: where nothing is known of what was before but what the event log says, and when the agent started.
//!
//! Moments are axis milliseconds on the engine's clock; saved ones keep their wall times. Never panics.

use lapwing_engine::Process;
use lapwing_engine::alarm::life::{SavedAlarm, SavedShelf, SavedSuppression};
use lapwing_engine::spec::Millis;
use lapwing_protocol::{Hiding, ShownState};

use super::super::changes;
use super::{Player, millis, wall};
use crate::core::incidents::Incidents;
use crate::core::rules::RuleState;
use crate::core::saved::Kept;
use crate::plan::Plan;
use crate::replay::log::Changed;
use crate::replay::then::Thens;
use crate::store::history::{Happening, Step};

impl Player<'_> {
    /// Begins where nothing is known of what was before, but what the event log says.
    pub(super) fn begin(&mut self, step: &Step, thens: &mut Thens) {
        let t = step.t();
        if self.played.stretches.is_empty() {
            self.played.warm_from = t;
            self.played.from_begin = matches!(step.what, Happening::Start { .. }) && !self.film.log.stood_any(t);
        } else {
            self.played.holes += 1;
        }
        self.played.stretches.push((t, t));
        self.offset = step.offset;
        self.judge.begin_anew();
        self.settle_computed(thens);
        self.mode_of_start = self.start.and_then(|start| thens.mode(start)).unwrap_or(self.plan.module.mode);
        (self.mode, self.mode_until) = (self.mode_of_start, None);
        let mut modes = self.film.log.acts.iter().filter(|act| act.t < t && act.action.action == "set mode");
        if let Some((mode, until)) =
            modes.next_back().and_then(|act| act.action.to_mode.as_ref()?.known().zip(act.action.until))
            && until > t
        {
            (self.mode, self.mode_until) = (mode, Some(millis(until.saturating_sub(step.offset))));
        }
        self.acts = self.film.log.acts.partition_point(|act| act.t < t);
        let now = millis(step.at);
        let then = self.start.and_then(|start| thens.played(start, t));
        for changed in self.film.log.stood(t) {
            self.stood(now, changed, then);
        }
        self.after_restore();
    }

    /// Puts back one alarm as the event log left it.
    pub(super) fn stood(&mut self, now: Millis, changed: &Changed, then: Option<&Plan>) {
        let change = &changed.change;
        let Some(index) = self.plan.alarms.iter().position(|alarm| alarm.id == change.alarm) else { return };
        let Ok(number) = u32::try_from(index) else { return };
        let alarm = &self.plan.alarms[index];
        let digest = then.and_then(|then| then.alarms.iter().find(|other| other.id == alarm.id)).map(|a| a.digest);
        let moment = |t: i64| millis(t.saturating_sub(self.offset));
        let hidden = |by: Hiding| change.hidden_by.iter().any(|hiding| *hiding == by);
        let until = change.until.map_or(Millis::NEVER, moment);
        let mut rules = [u16::MAX; lapwing_engine::alarm::hide::RULES];
        let of_alarm = (0_u16..).zip(&self.plan.suppress).filter(|(_, rule)| rule.alarms.contains(&number));
        for (place, (rule, _)) in rules.iter_mut().zip(of_alarm) {
            *place = rule;
        }
        let suppressed = hidden(Hiding::Suppressed) && rules[0] != u16::MAX;
        let saved = SavedAlarm {
            process: process(change.to.known(), change.active, change.acknowledged),
            occurrence: change.occurrence,
            true_since: change.true_since.map(moment),
            raised_at: change.raised_at.map(moment),
            shelf: hidden(Hiding::Shelved).then_some(SavedShelf { until, one_shot: false }),
            suppression: suppressed.then_some(SavedSuppression { until, rules }),
            out_of_service: hidden(Hiding::OutOfService),
            judge_anew: digest.is_some_and(|digest| digest != alarm.digest),
        };
        self.judge.engine_mut().restore(now, number, &saved);
        self.saved[index] = (moment(changed.t), changed.t);
        self.kept[index] = Kept {
            seq: None,
            t: changed.t,
            incident: change.incident,
            priority: change.priority.known(),
            first_out: change.first_out,
            follows: change.follows.clone(),
            tie: change.tie,
            ..Kept::default()
        };
        self.events = self.events.max(change.incident.unwrap_or(0));
    }

    pub(super) fn after_restore(&mut self) {
        self.rules.fill(RuleState::default());
        for number in 0..u32::try_from(self.plan.alarms.len()).unwrap_or(0) {
            let Some(state) = self.judge.engine().alarm(number) else { continue };
            let Some(until) = state.cover().suppressed_until() else { continue };
            for rule in state.cover().rules() {
                if let Some(state) = self.rules.get_mut(usize::from(rule)) {
                    state.holds_until(state.until.map_or(until, |before| before.max(until)));
                }
            }
        }
        self.incidents = Incidents::new(self.plan);
        self.incidents.restore_standing(&self.kept, self.judge.engine());
    }

    /// The agent started: what was read before is forgotten, alarms come back as they were saved.
    pub(super) fn started(&mut self, step: &Step, number: u64, thens: &mut Thens) {
        self.offset = step.offset;
        // Another configuration was put in force without a start: what was read and what stood goes on.
        self.starting = !thens.goes_on(self.before, number);
        self.played.starts += usize::from(self.starting);
        self.mode_of_start = thens.mode(number).unwrap_or(self.plan.module.mode);
        // A mode set by hand goes on over a restart.
        if self.mode_until.is_none() {
            self.mode = self.mode_of_start;
        }
        self.play_settings(step, number, thens);
        if self.starting {
            self.played.stretches.push((step.t(), step.t()));
        }
        self.seen_until(step.t());
    }

    /// Settings of then are in force. Where others take their place before the range begins, the alarms they set otherwise
    /// are put back as the event log left them: what the new settings would have made of the time before is not asked.
    fn play_settings(&mut self, step: &Step, number: u64, thens: &mut Thens) {
        let (t, plan) = (step.t(), self.plan);
        let changed = !self.starting && t < self.film.range.0;
        let before = self.before.filter(|_| changed).and_then(|before| thens.plan(before).cloned());
        let after = thens.played(number, t);
        let (Some(before), Some(after)) = (before, after) else { return };
        let set_otherwise: Vec<&str> = (plan.alarms.iter().map(|alarm| alarm.id.as_str()))
            .filter(|id| !changes::same_alarm(&before, after, id))
            .collect();
        let film = self.film;
        for changed in film.log.stood(t).filter(|changed| set_otherwise.contains(&changed.change.alarm.as_str())) {
            self.stood(millis(step.at), changed, Some(&before));
        }
        if !set_otherwise.is_empty() {
            self.after_restore();
        }
    }

    /// Puts back what was saved, at the moment the agent did.
    pub(super) fn put_back(&mut self, now: Millis) {
        self.starting = false;
        let saved: Vec<Option<SavedAlarm>> =
            (0..u32::try_from(self.plan.alarms.len()).unwrap_or(0)).map(|n| self.judge.engine().save(n)).collect();
        self.judge.begin_anew();
        let synced_now = self.film.log.synced(wall(now, self.offset));
        for (index, (saved, (saved_at, saved_t))) in saved.into_iter().zip(self.saved.clone()).enumerate() {
            let (Some(saved), Ok(number)) = (saved, u32::try_from(index)) else { continue };
            if saved == SavedAlarm::default() {
                continue;
            }
            // The same wall times on the axis of this start.
            let to = millis(saved_t.saturating_sub(self.offset));
            let passed = if synced_now && self.film.log.synced(saved_t) { now.since(to) } else { 0 };
            let left = |until: Millis| now.plus(until.since(saved_at).saturating_sub(passed));
            let moved = SavedAlarm {
                shelf: saved.shelf.map(|shelf| SavedShelf { until: left(shelf.until), ..shelf }),
                suppression: saved.suppression.map(|held| SavedSuppression { until: left(held.until), ..held }),
                ..saved.moved(saved_at, to)
            };
            self.judge.engine_mut().restore(now, number, &moved);
        }
        self.judge.poll_by_hand(now);
        self.after_restore();
    }
}

/// The process under what is shown.
fn process(shown: Option<ShownState>, active: bool, acknowledged: bool) -> Process {
    match (shown, active, acknowledged) {
        (Some(ShownState::LatchedUnacknowledged), ..) => Process::LatchedUnacknowledged,
        (Some(ShownState::LatchedAcknowledged), ..) => Process::LatchedAcknowledged,
        (_, true, true) => Process::Acknowledged,
        (_, true, false) => Process::Unacknowledged,
        (_, false, true) => Process::Normal,
        (_, false, false) => Process::ReturnedUnacknowledged,
    }
}
