//! What the core does with alarms: restores them at the start, tells and saves what the engine has moved, publishes records.
//!
//! Part of the loop in `run`. Never panics.

use lapwing_protocol::{Priority, ShownState};

use super::*;

impl Core<'_> {
    /// Restores alarm states, says that the agent has started, publishes all alarms.
    pub(super) fn begin(&mut self) {
        let now = self.clock.now();
        let saved = std::mem::take(&mut self.saved);
        for row in saved {
            let found = self.plan.alarms.iter().position(|alarm| alarm.id == row.id);
            let parsed = Saved::from_bytes(&row.state);
            match (found, parsed) {
                (Some(index), Ok(state)) => {
                    let anew = self.plan.alarms[index].digest != row.digest;
                    let number = u32::try_from(index).unwrap_or(u32::MAX);
                    self.judge.engine_mut().restore(now, number, &state.on(&self.clock, now, anew));
                    self.kept[index] = state.kept;
                }
                (Some(_), Err(error)) => {
                    tracing::warn!(alarm = row.id, %error, "its saved state could not be read; it is judged anew")
                }
                (None, state) => self.removed(&row, state.is_ok_and(|state| state.stood())),
            }
        }
        let version = env!("CARGO_PKG_VERSION");
        let mut text = self.started();
        if let Some(missing) = self.keeping.as_ref().and_then(Keeping::missing) {
            text.push(' ');
            text.push_str(&missing);
        }
        let detail = AgentChange { change: "started".into(), version: Some(version.into()), reason: None };
        self.event(text, Detail::Agent(detail), None);
        self.ledger.close();
        self.publish_all_alarms();
    }

    fn started(&self) -> String {
        let count = |n: usize, one: &str| if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") };
        let configured = self.plan.alarms.iter().filter(|alarm| !alarm.own).count();
        let mut text = format!(
            "The agent has started: {} on {}, {}.",
            count(self.plan.points.len(), "point"),
            count(self.plan.links.len(), "link"),
            count(configured, "alarm")
        );
        let standing = |(number, _): &(u32, &crate::plan::Alarm)| {
            self.judge.engine().alarm(*number).is_some_and(|state| state.shown() != ShownState::Normal)
        };
        let still: Vec<&str> =
            (0..).zip(&self.plan.alarms).filter(standing).map(|(_, alarm)| alarm.id.as_str()).collect();
        if let Some(first) = still.first() {
            let more = if still.len() > 1 { format!(" and {} more", still.len() - 1) } else { String::new() };
            text.push_str(&format!(" Not normal since before: {first}{more}."));
        }
        text
    }

    /// An alarm that is no longer configured: closed with an event if anything of it stood.
    pub(super) fn removed(&mut self, row: &SavedAlarm, stood: bool) {
        self.ledger.forget(row.id.clone());
        if !stood {
            return;
        }
        let text = format!("The alarm {} is no longer configured; its last state is closed.", row.id);
        let detail = AgentChange { change: "alarm removed".into(), version: None, reason: Some(row.id.clone()) };
        self.event(text, Detail::Agent(detail), None);
    }

    /// Tells what the engine has moved.
    pub(super) fn moved(&mut self) {
        for transition in self.judge.take_transitions() {
            self.transition(&transition);
        }
    }

    pub(super) fn transition(&mut self, t: &Transition) {
        let Some(subject) = Subject::of(self.plan, t.alarm) else { return };
        let Ok(index) = usize::try_from(t.alarm) else { return };
        if t.cause == Cause::Raised {
            self.kept[index].incident = Some(self.ledger.next_seq());
            if let Some(keeping) = &mut self.keeping {
                keeping.raised();
            }
            self.figures.raised(&subject.alarm.id, self.fault_at.map(|at| seconds(t.at.since(at))));
        }
        let rate_per_min = rate_per_min(self.plan, t);
        let clock = &self.clock;
        let wall = |at| clock.wall(at);
        let with = Circumstance {
            wall: &wall,
            incident: self.kept[index].incident,
            rate_per_min,
            by: None,
            reason: None,
            until: self.judge.engine().alarm(t.alarm).and_then(|state| state.cover().shelf_until()),
        };
        let text = tell::text(subject, t, rate_per_min, None, &self.kept[index].text);
        let detail = tell::change(subject, t, &with);
        let announce = t.annunciate.then(|| {
            (format!("announce/{}", subject.alarm.priority.word()), tell::announcement(self.plan, subject, &text))
        });
        let at = self.clock.wall(t.at);
        let stood = if t.cause == Cause::Raised { text.clone() } else { self.kept[index].text.clone() };
        let seq = self.event_at(at, text, Detail::from(detail), announce);
        self.kept[index] = Kept {
            seq: Some(seq),
            t: at,
            incident: self.kept[index].incident,
            value: (!t.status.is_bad()).then_some(t.value),
            quality: t.status.number(),
            text: stood,
        };
        self.save(index);
        if let Some((topic, payload)) = self.alarm_record(index) {
            self.held.push(seq, topic, payload);
        }
    }

    /// Saves an alarm's state with this step's events.
    pub(super) fn save(&mut self, index: usize) {
        let Ok(number) = u32::try_from(index) else { return };
        let Some(state) = self.judge.engine().alarm(number) else { return };
        let saved = Saved::of(state, self.kept[index].clone(), &self.clock, self.clock.now());
        let alarm = &self.plan.alarms[index];
        self.ledger.save(SavedAlarm { id: alarm.id.clone(), digest: alarm.digest, state: saved.to_bytes() });
    }

    /// The retained record of an alarm, topic and payload. An instrument alarm that never stood is not worth a topic.
    pub(super) fn alarm_record(&self, index: usize) -> Option<(String, Vec<u8>)> {
        let number = u32::try_from(index).ok()?;
        let subject = Subject::of(self.plan, number)?;
        let state = self.judge.engine().alarm(number)?;
        let kept = &self.kept[index];
        if subject.alarm.own && kept.seq.is_none() {
            return None;
        }
        let wall = |at| self.clock.wall(at);
        let hidden = state.hidden();
        let standing = Standing {
            log: &self.ledger.head().log,
            seq: kept.seq,
            t: if kept.seq.is_some() { kept.t } else { self.clock.wall(self.clock.now()) },
            shown: state.shown(),
            active: state.is_active(),
            acknowledged: tell::acknowledged(state.process()),
            hidden_by: tell::hidden_by(hidden),
            occurrence: state.occurrence(),
            incident: kept.incident,
            value: kept.value,
            quality: Status::from_number(kept.quality),
            true_since: state.true_since().map(wall),
            raised_at: state.raised_at().map(wall),
            until: state.cover().shelf_until().map(wall),
            text: if kept.text.is_empty() || state.shown() == ShownState::Normal {
                tell::title(subject)
            } else {
                kept.text.clone()
            },
        };
        let record = tell::record(self.plan, subject, &standing);
        Some((format!("alarm/{}", subject.alarm.id), record.to_bytes()))
    }

    /// Tells the history whether alarms stand, and people how the history is doing.
    pub(super) fn look_at_history(&mut self) {
        let Some(keeping) = &mut self.keeping else { return };
        let standing = |(number, alarm): &(u32, &crate::plan::Alarm)| {
            self.judge.engine().alarm(*number).is_some_and(|state| state.is_active() && !state.hidden().any())
                && !alarm.own
        };
        let (mut any, mut grave) = (false, false);
        for (_, alarm) in (0..).zip(&self.plan.alarms).filter(standing) {
            any = true;
            grave |= matches!(alarm.priority, Priority::Critical | Priority::High);
        }
        for (text, change, reason) in keeping.look(&self.clock, any, grave) {
            let detail = StoreChange { change: change.into(), log_before: None, reason: Some(reason) };
            self.event(text, Detail::Store(detail), None);
        }
    }

    pub(super) fn publish_all_alarms(&self) {
        for index in 0..self.plan.alarms.len() {
            if let Some((topic, payload)) = self.alarm_record(index) {
                refused(self.publisher.retained(topic, payload));
            }
        }
    }
}
