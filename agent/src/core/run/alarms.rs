//! What the core does with alarms: restores them at the start, tells and saves what the engine has moved, publishes records.
//!
//! Part of the loop in `run`. Never panics.

use lapwing_protocol::{Priority, ShownState};

use super::operator::{ELSEWHERE, Hand};
use super::*;
use crate::core::incidents::{now_follows, urgency};
use crate::core::judge::seconds_left;
use crate::plan::recipients;
use crate::store::Telling;

/// What programs read of a change that nobody saw happen.
const FOUND_SO: &str = "so already at the first reading after the start";

impl Core<'_> {
    /// Restores alarm states, says that the agent has started, publishes all alarms.
    pub(super) fn begin(&mut self) {
        let now = self.lasting.clock.now();
        if let Some(keeping) = &mut self.lasting.keeping {
            keeping.passed(&self.lasting.clock, now);
        }
        self.judge.poll_by_hand(now);
        let saved = std::mem::take(&mut self.lasting.saved);
        for row in saved {
            if row.id == mode::MODE_ROW {
                self.restore_mode(&row, now);
                continue;
            }
            if let Some(path) = row.id.strip_prefix(memories::ROWS) {
                self.restore_memory(path, &row, now);
                continue;
            }
            let found = self.plan.alarms.iter().position(|alarm| alarm.id == row.id);
            let parsed = Saved::from_bytes(&row.state);
            match (found, parsed) {
                (Some(index), Ok(state)) => {
                    let anew = self.plan.alarms[index].digest != row.digest;
                    let number = u32::try_from(index).unwrap_or(u32::MAX);
                    self.judge.engine_mut().restore(
                        now,
                        number,
                        &state.on(&self.plan.suppress, &self.lasting.clock, now, anew),
                    );
                    self.kept[index] = state.kept;
                }
                (Some(_), Err(error)) => {
                    tracing::warn!(alarm = row.id, %error, "its saved state could not be read; it is judged anew")
                }
                (None, state) => self.removed(&row, state.is_ok_and(|state| state.stood())),
            }
        }
        self.restore_rules();
        self.restore_incidents();
        let version = env!("CARGO_PKG_VERSION");
        let mut text = self.started();
        if let Some(time) = self.lasting.keeping.as_ref().and_then(Keeping::missing) {
            text.push(' ');
            text.push_str(&filled(&self.words().agent.not_ended, &[("time", &time)]));
        }
        let detail = AgentChange { change: "started".into(), version: Some(version.into()), reason: None };
        self.event(text, Detail::Agent(detail), None);
        self.tell_opened();
        self.close();
        self.publish_all_alarms();
    }

    /// What stood before the start goes on explaining what follows.
    pub(super) fn restore_incidents(&mut self) {
        self.incidents.restore_standing(&self.kept, self.judge.engine());
    }

    fn started(&self) -> String {
        let words = &self.words().agent;
        let count =
            |n: usize, one: &str, many: &str| filled(if n == 1 { one } else { many }, &[("count", &n.to_string())]);
        let configured = self.plan.alarms.iter().filter(|alarm| !alarm.own).count();
        let gaps = [
            ("points", count(self.plan.points.len(), &words.point, &words.points)),
            ("links", count(self.plan.links.len(), &words.link, &words.links)),
            ("alarms", count(configured, &words.alarm, &words.alarms)),
        ];
        let gaps = gaps.each_ref().map(|(gap, said)| (*gap, said.as_str()));
        let mut text = filled(&words.started, &gaps);
        let standing = |(number, _): &(u32, &crate::plan::Alarm)| {
            self.judge.engine().alarm(*number).is_some_and(|state| state.shown() != ShownState::Normal)
        };
        let still: Vec<&str> =
            (0..).zip(&self.plan.alarms).filter(standing).map(|(_, alarm)| alarm.id.as_str()).collect();
        if let Some(first) = still.first() {
            let sentence = if still.len() > 1 { &words.not_normal_more } else { &words.not_normal };
            text.push(' ');
            text.push_str(&filled(sentence, &[("first", first), ("count", &(still.len() - 1).to_string())]));
        }
        text
    }

    /// An alarm that is no longer configured: closed with an event if anything of it stood.
    pub(super) fn removed(&mut self, row: &SavedAlarm, stood: bool) {
        self.lasting.ledger.forget(row.id.clone());
        if !stood {
            return;
        }
        let text = filled(&self.words().agent.alarm_removed, &[("alarm", &row.id)]);
        let detail = AgentChange { change: "alarm removed".into(), version: None, reason: Some(row.id.clone()) };
        self.event(text, Detail::Agent(detail), None);
    }

    /// Tells what the engine has moved, after what the rules make of it.
    pub(super) fn moved(&mut self) {
        self.gap.read(&self.judge);
        self.look_at_rules();
        for transition in self.judge.take_transitions() {
            self.transition(&transition, Hand::default());
            self.acknowledge_elsewhere(&transition);
        }
        self.look_at_urgency();
    }

    pub(super) fn transition(&mut self, t: &Transition, hand: Hand<'_>) {
        let plan = self.plan;
        let Some(subject) = Subject::of(plan, t.alarm) else { return };
        let Ok(index) = usize::try_from(t.alarm) else { return };
        let seconds_left = (!t.status.is_bad()).then(|| seconds_left(plan, t.alarm, t.value, t.slope)).flatten();
        let (new, heard) = (self.lasting.ledger.next_seq(), self.announces());
        let urgency = urgency(subject.alarm, seconds_left);
        let decided = self.incidents.decide(t, &mut self.kept[index], urgency, new, heard, self.judge.engine());
        let place = decided.place;
        let rate_per_min = rate_per_min(plan, t);
        let which = self.lasting.which.get(&subject.alarm.point).map(String::as_str);
        let by = hand.by.map(|by| if by == ELSEWHERE { &subject.words.tell.elsewhere } else { by });
        let stood = tell::text(subject, t, rate_per_min, by, &self.kept[index].text, which);
        let explained = place.and_then(|place| place.explains);
        let text = match place {
            Some(place) => tell::with_place(
                subject.words,
                &stood,
                place.follows.map(|root| self.stood(root)).as_deref(),
                explained.map(|effect| self.stood(effect)).as_deref(),
                place.tie,
            ),
            None => stood.clone(),
        };
        let found_so = self.gap.found_so(plan, t);
        let text = if found_so { tell::found_so(subject.words, &text) } else { text };
        let told = decided.told;
        if told {
            let priority = self.kept[index].priority.unwrap_or(subject.alarm.priority);
            self.lasting.figures.announced(&subject.alarm.id, priority);
        }
        if t.cause == Cause::Raised {
            if let Some(keeping) = &mut self.lasting.keeping {
                keeping.raised();
            }
            self.lasting.figures.raised(&subject.alarm.id, self.lasting.fault_at.map(|at| seconds(t.at.since(at))));
        }
        let clock = &self.lasting.clock;
        let wall = |at| clock.wall(at);
        let cover = self.judge.engine().alarm(t.alarm).map(|state| *state.cover());
        let with = Circumstance {
            wall: &wall,
            kept: &self.kept[index],
            announced: told,
            rate_per_min,
            seconds_left,
            by: hand.by,
            reason: hand.reason.or_else(|| rule_text(plan, t.cause)).or(found_so.then_some(FOUND_SO)),
            until: cover.and_then(|cover| cover.shelf_until().or(cover.suppressed_until())),
        };
        let detail = tell::change(subject, t, &with);
        let priority = self.kept[index].priority.unwrap_or(subject.alarm.priority);
        let at = self.lasting.clock.wall(t.at);
        let announce = told.then(|| Announcement {
            topic: format!("announce/{}", priority.word()),
            sentence: tell::announcement(plan, self.lasting.mode, priority, subject, &text),
            tellings: tellings(plan, priority, at),
        });
        let seq = self.event_at(at, text, Detail::from(detail), announce);
        let kept = &mut self.kept[index];
        (kept.seq, kept.t) = (Some(seq), at);
        (kept.value, kept.quality) = ((!t.status.is_bad()).then_some(t.value), t.status.number());
        if t.cause == Cause::Raised {
            kept.text = stood;
        }
        self.keep(index, seq);
        if told {
            self.count_announced(t.at);
        }
        self.count_conduct(index, t);
        if let Some(effect) = explained {
            self.now_follows(effect, &subject.alarm.id, seq);
        }
    }

    /// An alarm that was taken for the first follows from its cause, which came later.
    fn now_follows(&mut self, alarm: u32, cause: &str, seq: u64) {
        for index in now_follows(self.plan, &mut self.kept, alarm, cause) {
            self.keep(index, seq);
        }
    }

    /// An own alarm that stands says which points it is about now.
    pub(super) fn says_anew(&mut self, point: u32, seq: u64) {
        let about = |(_, alarm): &(usize, &crate::plan::Alarm)| alarm.own && alarm.point == point;
        let Some((index, _)) = self.plan.alarms.iter().enumerate().find(about) else { return };
        let Ok(number) = u32::try_from(index) else { return };
        let stands = self.judge.engine().alarm(number).is_some_and(|state| state.is_active());
        let Some(subject) = Subject::of(self.plan, number).filter(|_| stands) else { return };
        let which = self.lasting.which.get(&point).map(String::as_str);
        let text = subject.sentence(Some(1), lapwing_protocol::Status::GOOD, None, which);
        if std::mem::replace(&mut self.kept[index].text, text.clone()) != text {
            self.keep(index, seq);
        }
    }

    /// Saves an alarm and lets its record leave after event `seq`.
    fn keep(&mut self, index: usize, seq: u64) {
        self.save(index);
        if let Some((topic, payload)) = self.alarm_record(index) {
            if self.lasting.ledger.is_volatile() && !self.lasting.memory_only {
                // It waits for no disk.
                self.put_up(index, topic, payload);
            } else {
                self.lasting.ways.held.push(seq, topic, payload);
            }
        }
    }

    /// What was said of an alarm when it was raised.
    fn stood(&self, alarm: u32) -> String {
        let Ok(index) = usize::try_from(alarm) else { return String::new() };
        let said = self.kept.get(index).map(|kept| kept.text.clone()).filter(|text| !text.is_empty());
        said.or_else(|| Subject::of(self.plan, alarm).map(tell::title)).unwrap_or_default()
    }

    /// Whether people are told in the present mode.
    fn announces(&self) -> bool {
        self.plan.module.announce_in.contains(&self.lasting.mode)
    }

    /// Saves an alarm's state with this step's events.
    pub(super) fn save(&mut self, index: usize) {
        let Ok(number) = u32::try_from(index) else { return };
        let Some(state) = self.judge.engine().alarm(number) else { return };
        let saved = Saved::of(
            state,
            self.kept[index].clone(),
            &self.plan.suppress,
            &self.lasting.clock,
            self.judge.judged_at(),
        );
        let alarm = &self.plan.alarms[index];
        self.lasting.ledger.save(SavedAlarm { id: alarm.id.clone(), digest: alarm.digest, state: saved.to_bytes() });
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
        let wall = |at| self.lasting.clock.wall(at);
        let hidden = state.hidden();
        let standing = Standing {
            log: &self.lasting.ledger.head().log,
            mode: self.lasting.mode,
            kept,
            t: if kept.seq.is_some() { kept.t } else { self.lasting.clock.wall(self.lasting.clock.now()) },
            shown: state.shown(),
            active: state.is_active(),
            acknowledged: tell::acknowledged(state.process()),
            hidden_by: tell::hidden_by(hidden),
            occurrence: state.occurrence(),
            true_since: state.true_since().map(wall),
            raised_at: state.raised_at().map(wall),
            until: state.cover().shelf_until().or(state.cover().suppressed_until()).map(wall),
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
        let words = self.words();
        let Some(keeping) = &mut self.lasting.keeping else { return };
        let standing = |(number, alarm): &(u32, &crate::plan::Alarm)| {
            self.judge.engine().alarm(*number).is_some_and(|state| state.is_active() && !state.hidden().any())
                && !alarm.own
        };
        let (mut any, mut grave) = (false, false);
        for (_, alarm) in (0..).zip(&self.plan.alarms).filter(standing) {
            any = true;
            grave |= matches!(alarm.priority, Priority::Critical | Priority::High);
        }
        for (text, change, reason) in keeping.look(&self.lasting.clock, words, any, grave) {
            let detail =
                StoreChange { change: change.into(), log_before: None, seq_before: None, reason: Some(reason) };
            self.event(text, Detail::Store(detail), None);
        }
    }

    /// Shows an alarm's record to whoever looks on, and publishes it.
    pub(super) fn put_up(&self, index: usize, topic: String, payload: Vec<u8>) {
        // One copy serves both for as long as the state lasts.
        let payload: Arc<[u8]> = payload.into();
        self.lasting.board.alarm(&self.plan.alarms[index].id, Arc::clone(&payload));
        refused(self.lasting.ways.publisher.retained(topic, payload));
    }

    pub(super) fn publish_all_alarms(&self) {
        for index in 0..self.plan.alarms.len() {
            if let Some((topic, payload)) = self.alarm_record(index) {
                self.put_up(index, topic, payload);
            }
        }
    }
}

/// Who is told directly of what is announced at a wall time.
fn tellings(plan: &Plan, priority: Priority, at: i64) -> Vec<Telling> {
    let told = recipients::told(&plan.recipients, &plan.module.time_zone, priority, at);
    let rows = told.into_iter().filter_map(|telling| {
        let after_ms = u64::try_from(telling.after.as_millis()).unwrap_or(u64::MAX);
        Some(Telling {
            recipient: plan.recipients.get(telling.recipient)?.name.clone(),
            due_ms: at.saturating_add_unsigned(after_ms),
            after_ms,
            further: telling.further,
        })
    });
    rows.collect()
}

/// Why a rule hides an alarm, in its own words.
fn rule_text(plan: &Plan, cause: Cause) -> Option<&str> {
    match cause {
        Cause::Suppressed { rule } | Cause::Released { rule } => {
            plan.suppress.get(usize::from(rule)).map(|rule| rule.text.as_str())
        }
        Cause::Raised
        | Cause::Cleared
        | Cause::Acknowledged
        | Cause::Reset
        | Cause::ReAlarmed
        | Cause::Shelved
        | Cause::Unshelved
        | Cause::ShelfEnded
        | Cause::SuppressionEnded
        | Cause::RemovedFromService
        | Cause::ReturnedToService => None,
    }
}
