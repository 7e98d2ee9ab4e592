//! From one plan to the next without a stop: what the core hands over, takes up, and says.
//!
//! Numbers of events and frames, clocks, counts, mode and connection go on. What did not change keeps its state to the
//! millisecond (`core::carry`); an alarm that was edited keeps occurrence and acknowledgement and is judged anew in it, as
//! after a restart; one that is gone is closed with an event. Rules of suppression are known by their names. Everything the
//! old plan still has to say is said under it, before the next is in force. Part of the loop in `run`. Never panics.

mod rules;

use std::collections::HashMap;

use lapwing_engine::Operation;
use lapwing_protocol::{Changes, ConfigChange};

use super::lasting::certificates;
use super::operator::Hand;
use super::*;
use crate::core::carry::{Common, links_changed};
use crate::core::judge::Before;

/// How the loop under one plan ended.
pub(super) enum Ended {
    Stopped(Summary),
    Applied(Box<Next>),
}

/// The next plan, and what goes on under it.
pub(super) struct Next {
    pub(super) plan: Arc<Plan>,
    pub(super) ids: Vec<u32>,
    pub(super) common: Common,
    pub(super) lasting: Lasting,
}

/// How the loop goes on after a message.
pub(super) enum Flow {
    On,
    Stop,
    Apply(Box<Applied>),
}

/// What another plan has left.
pub(super) struct Following {
    /// Taken when the judge is made.
    pub(super) judge: Option<Before>,
    pub(super) common: Common,
    /// By alarm's id.
    pub(super) alarms: HashMap<String, (Kept, Conduct)>,
    /// By rule's name.
    pub(super) rules: HashMap<String, RuleState>,
    configured: Mode,
    catalogue_changed: bool,
    points: Changes,
    alarms_changed: Changes,
    links: Changes,
    gone: Vec<String>,
    in_force: Option<std::sync::mpsc::SyncSender<()>>,
}

impl Core<'_> {
    /// Ends under this plan.
    pub(super) fn hand_over(mut self, next: Applied) -> Next {
        let Applied { plan, ids, catalogue, board, renew, account, links, gone, in_force } = next;
        let now = self.lasting.clock.now();
        self.judge.poll(now);
        self.moved();
        self.let_go_of_rules(&plan);
        self.publish_frames();
        self.save_memories();
        self.close();
        let common = Common::between(self.plan, &plan);
        let saved = (0_u32..).zip(&self.plan.alarms).zip(&self.kept).filter_map(|((number, alarm), kept)| {
            let state = self.judge.engine().alarm(number)?;
            let saved = Saved::of(state, kept.clone(), &self.plan.suppress, &self.lasting.clock, now);
            (kept.seq.is_some() || saved.stood()).then(|| SavedAlarm {
                id: alarm.id.clone(),
                digest: alarm.digest,
                state: saved.to_bytes(),
            })
        });
        let saved = saved.collect();
        let kept = std::mem::take(&mut self.kept).into_iter().zip(std::mem::take(&mut self.conduct));
        let alarms = self.plan.alarms.iter().map(|alarm| alarm.id.clone()).zip(kept).collect();
        let rules = self.plan.suppress.iter().map(|rule| rule.name.clone()).zip(self.rules.iter().copied()).collect();
        let following = Following {
            judge: Some(self.judge.end()),
            alarms,
            rules,
            configured: self.plan.module.mode,
            catalogue_changed: self.lasting.frames.catalogue() != catalogue,
            points: common.points_changed(self.plan, &plan),
            alarms_changed: common.alarms_changed(self.plan, &plan),
            links: links_changed(self.plan, &plan, &links),
            gone,
            in_force,
            common: common.clone(),
        };
        self.lasting.frames.under(&catalogue);
        if let (Some(keeping), Some(account)) = (&mut self.lasting.keeping, account) {
            keeping.follow(&self.lasting.clock, account, self.lasting.frames.next_seq());
        }
        self.lasting.watched.follow(&links);
        self.lasting.watched.host.watch_certificates(certificates(&plan));
        let which = (0_u32..).zip(&common.points);
        let which = which.filter_map(|(new, old)| Some((new, self.lasting.which.get(&(*old)?)?.clone()))).collect();
        let lasting = Lasting { renew, board, saved, which, following: Some(Box::new(following)), ..self.lasting };
        Next { plan, ids, common, lasting }
    }

    /// Begins under this plan, after another.
    pub(super) fn follow(&mut self, following: Following) {
        let now = self.lasting.clock.now();
        let saved = std::mem::take(&mut self.lasting.saved);
        for row in saved {
            let Some(index) = self.plan.alarms.iter().position(|alarm| alarm.id == row.id) else {
                let stood = Saved::from_bytes(&row.state).is_ok_and(|state| state.stood());
                self.removed(&row, stood);
                continue;
            };
            if following.common.alarms.get(index).copied().flatten().is_some() {
                continue; // its state was carried over
            }
            // What was written a moment ago can be read.
            if let (Ok(state), Ok(number)) = (Saved::from_bytes(&row.state), u32::try_from(index)) {
                let state = state.on(&self.plan.suppress, &self.lasting.clock, now, true);
                self.judge.engine_mut().restore(now, number, &state);
                self.save(index);
            }
        }
        self.restore_incidents();
        let mode = self.follow_mode(following.configured);
        let text = self.read_anew(&following, mode);
        let detail = ConfigChange {
            accepted: true,
            hash: hex(&self.plan.digest),
            catalogue: Some(self.lasting.frames.catalogue().to_owned()),
            reason: None,
            points: Some(following.points),
            alarms: Some(following.alarms_changed),
            links: Some(following.links),
        };
        let seq = self.event(text, Detail::Config(detail), None);
        self.take_up_rules();
        self.show_rules();
        self.put_up_readings();
        // Records of alarms go after the events they speak of.
        let at_once = self.lasting.ledger.is_volatile() && !self.lasting.memory_only;
        for index in 0..self.plan.alarms.len() {
            match self.alarm_record(index) {
                Some((topic, payload)) if at_once => self.put_up(index, topic, payload),
                Some((topic, payload)) => self.lasting.ways.held.push(seq, topic, payload),
                None => {}
            }
        }
        for topic in following.gone {
            if at_once {
                self.clear(&topic);
            } else {
                self.lasting.ways.held.push(seq, topic, Vec::new());
            }
        }
        if following.catalogue_changed || mode {
            (self.lasting.renew)(&self.lasting.ledger.head().log, self.lasting.mode, true);
        }
        self.moved();
        self.close();
        // Who asked may have given up waiting.
        let _gone = following.in_force.is_some_and(|sender| sender.try_send(()).is_err());
    }

    /// A changed configuration was refused: the one before goes on.
    pub(super) fn refused_configuration(&mut self, hash: String, why: String) {
        let text = filled(&self.words().config.refused, &[("why", &why)]);
        let detail = ConfigChange {
            accepted: false,
            hash,
            catalogue: None,
            reason: Some(why),
            points: None,
            alarms: None,
            links: None,
        };
        self.event(text, Detail::Config(detail), None);
    }

    fn read_anew(&self, following: &Following, mode: bool) -> String {
        let words = self.words();
        let say = &words.config;
        let told = |what: &str, changes: Changes| {
            let Changes { added, removed, changed } = changes;
            let parts = [(added, &say.count_added), (removed, &say.count_removed), (changed, &say.count_changed)];
            let parts: Vec<String> = parts
                .iter()
                .filter(|(n, _)| *n > 0)
                .map(|(n, sentence)| filled(sentence, &[("count", &n.to_string())]))
                .collect();
            (!parts.is_empty()).then(|| filled(what, &[("counts", &parts.join(", "))]))
        };
        let all = [
            told(&say.points, following.points),
            told(&say.alarms, following.alarms_changed),
            told(&say.links, following.links),
            mode.then(|| filled(&say.mode, &[("mode", words.mode(self.lasting.mode))])),
        ];
        let all: Vec<String> = all.into_iter().flatten().collect();
        if all.is_empty() {
            return say.same.clone();
        }
        filled(&say.changed, &[("what", &all.join("; "))])
    }

    /// The configured mode holds, unless a person has set another for a time. Whether it has changed.
    fn follow_mode(&mut self, before: Mode) -> bool {
        let configured = self.plan.module.mode;
        if self.lasting.mode_until.is_some() && self.lasting.mode != configured {
            return false;
        }
        if self.lasting.mode_until.take().is_some() {
            self.lasting.ledger.forget(mode::MODE_ROW.into());
        }
        if configured == before && self.lasting.mode == configured {
            return false;
        }
        self.lasting.mode = configured;
        self.lasting.ledger.set_mode(configured);
        self.show_mode();
        true
    }

    /// What was read under the plan before stands on the new board.
    fn put_up_readings(&self) {
        for (index, _) in self.plan.points.iter().enumerate() {
            let reading = self.judge.reading(u32::try_from(index).unwrap_or(u32::MAX));
            if reading.status == Status::BAD_WAITING {
                continue;
            }
            let value = (!reading.status.is_bad()).then_some(reading.value);
            self.lasting.board.reading(index, self.lasting.clock.wall(reading.at), value, reading.status);
        }
    }

    /// Says at once how topics stand whose records waited for events that have other numbers now.
    pub(super) fn say_anew(&self, topics: Vec<String>) {
        for topic in topics {
            let id = topic.strip_prefix("alarm/");
            let index = id.and_then(|id| self.plan.alarms.iter().position(|alarm| alarm.id == id));
            match index.and_then(|index| Some((index, self.alarm_record(index)?))) {
                Some((index, (topic, payload))) => self.put_up(index, topic, payload),
                None => self.clear(&topic),
            }
        }
    }

    fn clear(&self, topic: &str) {
        if let Some(id) = topic.strip_prefix("alarm/") {
            self.lasting.board.alarm(id, Arc::default());
        }
        refused(self.lasting.ways.publisher.clear(topic.to_owned()));
    }
}

fn hex(digest: &[u8]) -> String {
    digest.iter().map(|byte| format!("{byte:02x}")).collect()
}
