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

use super::operator::Hand;
use super::*;
use crate::core::carry::{Common, links_changed};
use crate::core::judge::Before;
use crate::core::ledger::Head;

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
    pub(super) rest: Rest,
}

/// How the loop goes on after a message.
pub(super) enum Flow {
    On,
    Stop,
    Apply(Box<Applied>),
}

/// Everything that outlives a plan; field by field as in `Core`.
pub(super) struct Rest {
    pub(super) ledger: Ledger,
    pub(super) frames: Frames,
    pub(super) load: Load,
    pub(super) load_said: Option<Millis>,
    pub(super) mode: Mode,
    pub(super) mode_until: Option<Millis>,
    pub(super) clock: Clock,
    pub(super) ageing: ageing::Ageing,
    pub(super) figures: Figures,
    pub(super) fault_at: Option<Millis>,
    pub(super) restored_from: u64,
    pub(super) publisher: Publisher,
    pub(super) receiver: Inlet,
    pub(super) door: Door,
    pub(super) told: SyncSender<Told>,
    pub(super) alive: fn(Alive),
    pub(super) renew: Renew,
    pub(super) tell_directly: TellDirectly,
    pub(super) held: Arc<Held>,
    pub(super) keeping: Option<Keeping>,
    pub(super) board: Arc<Board>,
    pub(super) confirm: Box<dyn Fn(u32) + Send>,
    pub(super) next_frame: Instant,
    pub(super) next_look: Instant,
    pub(super) memory_only: bool,
    pub(super) leaving: bool,
    pub(super) anew: Box<dyn Fn() + Send>,
    pub(super) opened_with: OpenedWith,
    pub(super) broker_down: bool,
    pub(super) refusals: VecDeque<u64>,
    pub(super) released: bool,
    pub(super) seen: Seen,
    pub(super) saved: Vec<SavedAlarm>,
    pub(super) which: BTreeMap<u32, String>,
    pub(super) watched: health::Watched,
    pub(super) early: VecDeque<Message>,
    pub(super) following: Option<Box<Following>>,
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
    in_force: Option<SyncSender<()>>,
}

/// What the store was like when it was opened, to be told once the agent has started.
#[derive(Debug, Default)]
pub(super) struct OpenedWith {
    pub(super) logs: Vec<String>,
    pub(super) damage: Vec<String>,
    pub(super) aside: Option<(std::path::PathBuf, String)>,
    pub(super) memory_only: Option<String>,
    pub(super) no_history: Option<String>,
}

impl Rest {
    /// At the start of the agent.
    pub(super) fn begin(inputs: Inputs) -> (Arc<Plan>, Vec<u32>, Self) {
        let Inputs {
            applied,
            opened,
            host,
            writer,
            publisher,
            receiver,
            door,
            told,
            alive,
            held,
            confirm,
            tell_directly,
            anew,
            history,
            no_history,
        } = inputs;
        let Applied { plan, ids, catalogue, board, renew, account: _, links: _, gone: _, in_force: _ } = applied;
        let head = Head {
            log: opened.log.clone(),
            boot: opened.boot,
            mode: plan.module.mode,
            site: plan.module.site.clone(),
            module: plan.module.name.clone(),
        };
        host.watch_certificates(certificates(&plan));
        let clock = Clock::start();
        let keeping = history.map(|(recorder, found)| Keeping::new(recorder, found, &clock));
        let frames = Frames::new(&head.log, head.boot, &catalogue);
        let mut ledger = Ledger::new(head, opened.last_seq, writer);
        if opened.memory_only.is_some() {
            ledger.never_durable();
        }
        let rest = Self {
            frames,
            ledger,
            load: Load::default(),
            load_said: None,
            mode: plan.module.mode,
            mode_until: None,
            ageing: ageing::Ageing::begin(&clock, clock.now(), opened.last_t_ms),
            clock,
            figures: Figures::default(),
            fault_at: None,
            restored_from: opened.last_seq,
            publisher,
            receiver,
            door,
            told,
            alive,
            renew,
            tell_directly,
            held,
            keeping,
            board,
            confirm,
            next_frame: Instant::now() + plan.mqtt.frame_period,
            next_look: Instant::now() + LOOK,
            memory_only: opened.memory_only.is_some(),
            leaving: false,
            anew,
            watched: health::Watched::new(host, opened.boot),
            opened_with: OpenedWith {
                logs: opened.logs,
                damage: opened.damage,
                aside: opened.aside,
                memory_only: opened.memory_only,
                no_history,
            },
            broker_down: false,
            refusals: VecDeque::new(),
            released: false,
            seen: Seen::new(opened.seen),
            saved: opened.alarms,
            which: BTreeMap::new(),
            early: VecDeque::new(),
            following: None,
        };
        (plan, ids, rest)
    }
}

impl Core<'_> {
    /// Ends under this plan.
    pub(super) fn hand_over(mut self, next: Applied) -> Next {
        let Applied { plan, ids, catalogue, board, renew, account, links, gone, in_force } = next;
        let now = self.clock.now();
        self.judge.poll(now);
        self.moved();
        self.let_go_of_rules(&plan);
        self.publish_frames();
        self.save_memories();
        self.close();
        let common = Common::between(self.plan, &plan);
        let saved = (0_u32..).zip(&self.plan.alarms).zip(&self.kept).filter_map(|((number, alarm), kept)| {
            let state = self.judge.engine().alarm(number)?;
            let saved = Saved::of(state, kept.clone(), &self.plan.suppress, &self.clock, now);
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
            catalogue_changed: self.frames.catalogue() != catalogue,
            points: common.points_changed(self.plan, &plan),
            alarms_changed: common.alarms_changed(self.plan, &plan),
            links: links_changed(self.plan, &plan, &links),
            gone,
            in_force,
            common: common.clone(),
        };
        self.frames.under(&catalogue);
        if let (Some(keeping), Some(account)) = (&mut self.keeping, account) {
            keeping.follow(&self.clock, account, self.frames.next_seq());
        }
        self.watched.follow(&links);
        self.watched.host.watch_certificates(certificates(&plan));
        let which = (0_u32..).zip(&common.points);
        let which = which.filter_map(|(new, old)| Some((new, self.which.get(&(*old)?)?.clone()))).collect();
        let rest = Rest {
            ledger: self.ledger,
            frames: self.frames,
            load: self.load,
            load_said: self.load_said,
            mode: self.mode,
            mode_until: self.mode_until,
            clock: self.clock,
            ageing: self.ageing,
            figures: self.figures,
            fault_at: self.fault_at,
            restored_from: self.restored_from,
            publisher: self.publisher,
            receiver: self.receiver,
            door: self.door,
            told: self.told,
            alive: self.alive,
            renew,
            tell_directly: self.tell_directly,
            held: self.held,
            keeping: self.keeping,
            board,
            confirm: self.confirm,
            next_frame: self.next_frame,
            next_look: self.next_look,
            memory_only: self.memory_only,
            leaving: self.leaving,
            anew: self.anew,
            opened_with: self.opened_with,
            broker_down: self.broker_down,
            refusals: self.refusals,
            released: self.released,
            seen: self.seen,
            saved,
            which,
            watched: self.watched,
            early: self.early,
            following: Some(Box::new(following)),
        };
        Next { plan, ids, common, rest }
    }

    /// Begins under this plan, after another.
    pub(super) fn follow(&mut self, following: Following) {
        let now = self.clock.now();
        let saved = std::mem::take(&mut self.saved);
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
                let state = state.on(&self.plan.suppress, &self.clock, now, true);
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
            catalogue: Some(self.frames.catalogue().to_owned()),
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
        let at_once = self.ledger.is_volatile() && !self.memory_only;
        for index in 0..self.plan.alarms.len() {
            match self.alarm_record(index) {
                Some((topic, payload)) if at_once => self.put_up(index, topic, payload),
                Some((topic, payload)) => self.held.push(seq, topic, payload),
                None => {}
            }
        }
        for topic in following.gone {
            if at_once {
                self.clear(&topic);
            } else {
                self.held.push(seq, topic, Vec::new());
            }
        }
        if following.catalogue_changed || mode {
            (self.renew)(&self.ledger.head().log, self.mode, true);
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
            mode.then(|| filled(&say.mode, &[("mode", words.mode(self.mode))])),
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
        if self.mode_until.is_some() && self.mode != configured {
            return false;
        }
        if self.mode_until.take().is_some() {
            self.ledger.forget(mode::MODE_ROW.into());
        }
        if configured == before && self.mode == configured {
            return false;
        }
        self.mode = configured;
        self.ledger.set_mode(configured);
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
            self.board.reading(index, self.clock.wall(reading.at), value, reading.status);
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
            self.board.alarm(id, &[]);
        }
        refused(self.publisher.clear(topic.to_owned()));
    }
}

fn certificates(plan: &Plan) -> &[crate::plan::Certificate] {
    plan.health.as_ref().map_or(&[], |health| &health.certificates)
}

fn hex(digest: &[u8]) -> String {
    digest.iter().map(|byte| format!("{byte:02x}")).collect()
}
