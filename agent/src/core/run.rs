//! The loop: takes messages, lets the engine judge, numbers what moved, hands it to store and publisher.
//!
//! One step is one message (or a due moment): its readings, transitions, events and saved states belong together and are
//! committed together. Nothing here waits for disk or network. Wall time only stamps. Never panics.

mod ageing;
mod alarms;
mod broker;
mod end;
mod field;
mod follow;
mod health;
mod lasting;
mod load;
mod memories;
mod messages;
mod mode;
mod operator;
mod rules;
mod storage;
mod urgency;

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use std::time::{Duration, Instant};

pub use flume::{Receiver, Sender};

use flume::RecvTimeoutError;
use lapwing_engine::alarm::load::{Conduct, Load};
use lapwing_engine::spec::Millis;
use lapwing_engine::{Cause, Engine, SetupError, Transition};
use lapwing_protocol::event::Detail;
use lapwing_protocol::{AgentChange, ClockChange, DeviceChange, EventLast, LinkChange, Mode, Status, StoreChange};

use self::follow::{Ended, Flow};
use self::lasting::Lasting;
use super::board::{Board, Happened};
use super::carry::States;
use super::clock::Clock;
use super::figures::{Figures, Summary};
use super::frames::{Frames, Singles, encoding, point_value};
use super::gap::Gap;
use super::held::Held;
use super::incidents::Incidents;
use super::judge::{Judge, rate_per_min};
use super::keeping::Keeping;
use super::ledger::{Announcement, Ledger, When};
use super::once::Seen;
use super::rules::RuleState;
use super::saved::{Kept, Saved};
use super::tell::{self, Circumstance, Standing, Subject};
use super::urgency::UrgentByPoint;
use super::{Applied, Door, Inlet, Message};
use crate::field::FieldMessage;
use crate::plan::Plan;
use crate::publish::{Connection, FrameId, Notice, Publisher};
use crate::store::history::{Found, Recorder};
use crate::store::{Opened, SavedAlarm, TellingRow, Writer};
use crate::words::{Words, filled};

/// Longest wait between two looks at clock, watchdog and store.
const LOOK: Duration = Duration::from_secs(1);
/// First contact with the broker is waited for this long, so that a restored store is noticed before a number is given.
const CONTACT: Duration = Duration::from_secs(2);
/// A connection this old without a notice of first contact will not bring one.
const RELEASE: Duration = Duration::from_secs(10);
/// Events about refused packets that are known as such.
const REFUSALS_KNOWN: usize = 16;
/// Messages taken in one go before what is due is looked at again.
const BURST: usize = 256;

/// Lets presence and will name this log and mode: with a new connection, or only with the next one.
pub type Renew = Box<dyn Fn(&str, Mode, bool) + Send>;

/// Takes who is to be told directly.
pub type TellDirectly = Box<dyn Fn(Vec<TellingRow>) + Send>;

/// What a listener beside the publisher hears; dropped when it does not keep up.
#[derive(Clone, Debug)]
pub enum Told {
    /// The payload of an event as published; told once it is on disk.
    Event(Vec<u8>),
    /// How things stand, for people.
    State(String),
    /// The simulator has applied a fault: times to announcement count from here.
    Fault,
}

/// A way for what is told, and where it is heard; what has no room is not waited for.
#[must_use]
pub fn telling(most: usize) -> (Sender<Told>, Receiver<Told>) {
    flume::bounded(most)
}

/// Why the core could not start.
#[derive(Debug, thiserror::Error)]
pub enum CoreError {
    /// The plan's tables do not fit the engine.
    #[error("the plan does not fit the engine: {0}; please report this")]
    Setup(#[from] SetupError),
}

/// Everything the loop is given.
#[allow(missing_debug_implementations)] // holds functions
pub struct Inputs {
    /// The plan, with what belongs to it.
    pub applied: Applied,
    /// What the store held.
    pub opened: Opened,
    /// What the host gives.
    pub host: Arc<super::health::Host>,
    /// The store.
    pub writer: Writer,
    /// The ways in and out.
    pub ways: Ways,
    /// History, if it is kept, and what it held.
    pub history: Option<(Recorder, Found)>,
    /// Why there is none although there should be.
    pub no_history: Option<crate::cause::Cause>,
}

/// The ways in and out of the loop; they outlive a plan.
#[allow(missing_debug_implementations)] // holds functions
pub struct Ways {
    /// The publisher.
    pub publisher: Publisher,
    /// Messages.
    pub receiver: Inlet,
    /// The door they come through, for its count of dropped ones.
    pub door: Door,
    /// Who listens beside the publisher.
    pub told: Sender<Told>,
    /// Called when the agent judges, and at each look: systemd's READY and WATCHDOG.
    pub alive: fn(Alive),
    /// Records that wait for their events; the store's writer lets them go.
    pub held: Arc<Held>,
    /// Called when a person has confirmed a device, with its index: what it shows now counts from now on.
    pub confirm: Box<dyn Fn(u32) + Send>,
    /// Takes who is to be told directly of events that are in no store yet.
    pub tell_directly: TellDirectly,
    /// Called when the agent should end and start anew: the disk that was missing is there.
    pub anew: Box<dyn Fn() + Send>,
}

/// What the service manager is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Alive {
    /// Judging has begun.
    Ready,
    /// The loop makes progress.
    Progress,
}

/// Runs until told to stop, under one plan after another.
///
/// # Errors
/// When plan and engine do not fit together.
pub fn run(inputs: Inputs) -> Result<Summary, CoreError> {
    let (mut plan, mut ids, mut lasting) = Lasting::begin(inputs);
    let mut states = States::new(&plan);
    loop {
        let engine = Engine::new(plan.engine.tables(), &mut states.points, &mut states.alarms, &mut states.windows)?;
        match Core::new(&plan, &ids, lasting, engine).run() {
            Ended::Stopped(summary) => return Ok(summary),
            Ended::Applied(next) => {
                states = states.carried(&next.common, &plan, &next.plan);
                (plan, ids, lasting) = (next.plan, next.ids, next.lasting);
            }
        }
    }
}

/// Whether the engine takes a plan: to be asked before one is applied.
///
/// # Errors
/// When it does not.
pub fn takes(plan: &Plan) -> Result<(), CoreError> {
    let mut states = States::new(plan);
    Engine::new(plan.engine.tables(), &mut states.points, &mut states.alarms, &mut states.windows)?;
    Ok(())
}

struct Core<'a> {
    plan: &'a Plan,
    ids: &'a [u32],
    judge: Judge<'a>,
    singles: Singles,
    kept: Vec<Kept>,
    incidents: Incidents<'a>,
    conduct: Vec<Conduct>,
    /// By point: alarms that may become urgent while they stand.
    urgent: UrgentByPoint,
    /// What was so already at the first reading after the start.
    gap: Gap,
    /// By rule of suppression.
    rules: Vec<RuleState>,
    memories: memories::Memories,
    /// What goes on under the next plan.
    lasting: Lasting,
}

impl<'a> Core<'a> {
    fn new(plan: &'a Plan, ids: &'a [u32], mut lasting: Lasting, engine: Engine<'a>) -> Self {
        let following = lasting.following.as_mut();
        let judge = match following.and_then(|following| following.judge.take().zip(Some(&following.common))) {
            Some((before, common)) => Judge::following(plan, engine, before, common),
            None => Judge::new(plan, engine),
        };
        let mut kept = vec![Kept::default(); plan.alarms.len()];
        let mut conduct = vec![Conduct::default(); plan.alarms.len()];
        let mut rules = vec![RuleState::default(); plan.suppress.len()];
        if let Some(following) = &mut lasting.following {
            for (index, alarm) in plan.alarms.iter().enumerate() {
                if let Some(before) = following.alarms.remove(&alarm.id) {
                    (kept[index], conduct[index]) = before;
                }
            }
            for (state, rule) in rules.iter_mut().zip(&plan.suppress) {
                *state = following.rules.get(&rule.name).copied().unwrap_or_default();
            }
        }
        Self {
            plan,
            ids,
            judge,
            singles: Singles::new(plan, &globs(&plan.mqtt.points)),
            kept,
            incidents: Incidents::new(plan),
            conduct,
            urgent: UrgentByPoint::new(plan),
            // A plan that is taken up leaves no gap.
            gap: Gap::new(plan, lasting.following.is_none() && lasting.restored_from > 0),
            rules,
            memories: memories::Memories::default(),
            lasting,
        }
    }

    fn run(mut self) -> Ended {
        match self.lasting.following.take() {
            None => {
                self.lasting.early = self.first_contact().into();
                self.begin();
                (self.lasting.ways.alive)(Alive::Ready);
            }
            Some(following) => self.follow(*following),
        }
        let mut flow = Flow::On;
        loop {
            match flow {
                Flow::On => {}
                Flow::Stop => return Ended::Stopped(self.end()),
                Flow::Apply(next) => return Ended::Applied(Box::new(self.hand_over(*next))),
            }
            // What came before first contact comes before what is due.
            if let Some(message) = self.lasting.early.pop_front() {
                flow = self.step(message);
                continue;
            }
            self.due();
            self.watch_store();
            let wait = self.next_due().saturating_duration_since(Instant::now());
            flow = match self.lasting.ways.receiver.recv_timeout(wait) {
                Ok(message) => self.take_burst(message),
                Err(RecvTimeoutError::Timeout) => Flow::On,
                Err(RecvTimeoutError::Disconnected) => Flow::Stop,
            };
        }
    }

    fn next_due(&self) -> Instant {
        let judged = self.judge.poll_at().map_or(self.lasting.next_look, |at| self.lasting.clock.instant(at));
        let store = self.lasting.ledger.writer().trouble_at();
        store.into_iter().fold(self.lasting.next_frame.min(self.lasting.next_look).min(judged), Instant::min)
    }

    /// In which words people are told.
    fn words(&self) -> &'static Words {
        Words::of(self.plan.module.language)
    }

    fn event(&mut self, text: String, detail: Detail, announce: Option<Announcement>) -> u64 {
        self.event_at(self.lasting.clock.wall(self.lasting.clock.now()), text, detail, announce)
    }

    fn event_at(&mut self, t: i64, text: String, detail: Detail, announce: Option<Announcement>) -> u64 {
        let when = When { t, synced: self.lasting.clock.synced() };
        let seq = self.lasting.ledger.enter(when, text, detail, announce);
        self.lasting.figures.event();
        seq
    }

    /// Does what is due by itself: delays, a frame, a look at clock and store.
    fn due(&mut self) {
        let instant = Instant::now();
        let now = self.lasting.clock.now();
        self.pass(now);
        self.mode_due(now);
        self.moved();
        if instant >= self.lasting.next_frame {
            self.lasting.next_frame = instant.max(self.lasting.next_frame + self.plan.mqtt.frame_period);
            self.publish_frames();
            self.publish_waiting(now);
        }
        if instant >= self.lasting.next_look {
            self.lasting.next_look = instant + LOOK;
            self.look();
        }
        self.close();
        self.keep_at_once();
    }

    /// Makes happen what time alone brings by now; history notes where between the readings it did.
    fn pass(&mut self, now: Millis) {
        if self.judge.poll(now)
            && let Some(keeping) = &mut self.lasting.keeping
        {
            keeping.passed(&self.lasting.clock, now);
        }
    }

    fn publish_frames(&mut self) {
        let first = self.lasting.frames.next_seq();
        let frames = self.lasting.frames.close();
        if let Some(keeping) = &mut self.lasting.keeping {
            keeping.frames(&self.lasting.clock, first, self.lasting.frames.next_seq());
        }
        for frame in frames {
            let start = self.lasting.keeping.as_ref().map_or(0, Keeping::start);
            let id = FrameId { start, number: frame.seq(), late: false };
            match encoding(self.plan).to_vec(&frame) {
                Ok(payload) => refused(self.lasting.ways.publisher.frame("frame".into(), payload, id)),
                Err(error) => tracing::error!(%error, "a frame could not be encoded; please report this"),
            }
        }
    }

    fn look(&mut self) {
        let synced = self.lasting.clock.synced();
        self.lasting.board.set_head(|head| head.clock_synced = synced);
        if let Some(step) = self.lasting.clock.look() {
            self.lasting.ageing.stepped(self.lasting.clock.now(), step.by_ms);
            let words = &self.words().agent;
            let sentence = if step.by_ms > 0 { &words.clock_forward } else { &words.clock_back };
            let by = self.words().number(&format!("{:.1}", seconds(step.by_ms.unsigned_abs())));
            let text = filled(sentence, &[("seconds", &by)]);
            self.event(
                text,
                Detail::Clock(ClockChange { step_ms: Some(step.by_ms), synced: self.lasting.clock.synced() }),
                None,
            );
        }
        self.health(Instant::now());
        self.look_at_load();
        self.moved();
        self.look_at_history();
        self.look_at_memories();
        self.forget_old_events();
        self.look_for_the_store();
        self.release_at_last();
        self.lasting.board.progress();
        (self.lasting.ways.alive)(Alive::Progress);
    }

    fn tell(&self, told: Told) {
        // A listener that does not keep up misses lines; the event log has them.
        let _full = self.lasting.ways.told.try_send(told);
    }
}

/// What was made to fit and is still refused is a mistake of ours: say so, go on.
fn refused(outcome: Result<(), crate::publish::HandInError>) {
    if let Err(error) = outcome {
        tracing::error!(%error, "a message was not taken by the publisher; please report this");
    }
}

#[allow(clippy::cast_precision_loss)] // durations of years still have milliseconds
fn seconds(ms: u64) -> f64 {
    ms as f64 / 1000.0
}

/// The set of chosen points; patterns were checked with the plan, one that is not valid chooses nothing.
fn globs(patterns: &[String]) -> globset::GlobSet {
    let mut builder = globset::GlobSetBuilder::new();
    for glob in
        patterns.iter().filter_map(|pattern| globset::GlobBuilder::new(pattern).literal_separator(true).build().ok())
    {
        builder.add(glob);
    }
    builder.build().unwrap_or_default()
}
