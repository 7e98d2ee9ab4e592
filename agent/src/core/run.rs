//! The loop: takes messages, lets the engine judge, numbers what moved, hands it to store and publisher.
//!
//! One step is one message (or a due moment): its readings, transitions, events and saved states belong together and are
//! committed together. Nothing here waits for disk or network. Wall time only stamps. Never panics.

use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender};
use std::time::{Duration, Instant};

use lapwing_engine::spec::Millis;
use lapwing_engine::{AlarmState, Cause, Engine, PointState, SetupError, Transition, Window};
use lapwing_protocol::event::Detail;
use lapwing_protocol::{AgentChange, ClockChange, DeviceChange, Event, EventLast, LinkChange, Status, StoreChange};

use super::clock::Clock;
use super::figures::{Figures, Summary};
use super::frames::{Frames, Singles, encoding, point_value};
use super::judge::{Judge, rate_per_min};
use super::ledger::{Head, Ledger, When};
use super::saved::{Kept, Saved};
use super::tell::{self, Circumstance, Standing, Subject};
use super::{Door, Message};
use crate::field::FieldMessage;
use crate::plan::Plan;
use crate::publish::{Notice, Publisher};
use crate::store::{Opened, SavedAlarm, Writer};

/// Longest wait between two looks at clock, watchdog and store.
const LOOK: Duration = Duration::from_secs(1);
/// First contact with the broker is waited for this long, so that a restored store is noticed before a number is given.
const CONTACT: Duration = Duration::from_secs(2);
/// Messages taken in one go before what is due is looked at again.
const BURST: usize = 256;

/// What a listener beside the publisher hears; dropped when it does not keep up.
#[derive(Clone, Debug)]
pub enum Told {
    /// An event, and its payload as published.
    Event {
        /// The event.
        event: Box<Event>,
        /// Its payload.
        payload: Vec<u8>,
    },
    /// How things stand, for people.
    State(String),
    /// The simulator has applied a fault: times to announcement count from here.
    Fault,
}

/// Why the core could not start.
#[derive(Debug, thiserror::Error)]
pub enum CoreError {
    /// The plan's tables do not fit the engine.
    #[error("the plan does not fit the engine: {0}; please report this")]
    Setup(#[from] SetupError),
}

/// Everything the loop is given.
#[derive(Debug)]
pub struct Inputs<'a> {
    /// The plan.
    pub plan: &'a Plan,
    /// Numbers of the plan's points.
    pub ids: &'a [u32],
    /// Hash of the catalogue.
    pub catalogue: &'a str,
    /// What the store held.
    pub opened: Opened,
    /// The store.
    pub writer: Writer,
    /// The publisher.
    pub publisher: Publisher,
    /// Messages.
    pub receiver: Receiver<Message>,
    /// The door they come through, for its count of dropped ones.
    pub door: Door,
    /// Who listens beside the publisher.
    pub told: SyncSender<Told>,
    /// Called when the agent judges, and at each look: systemd's READY and WATCHDOG.
    pub alive: fn(Alive),
}

/// What the service manager is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Alive {
    /// Judging has begun.
    Ready,
    /// The loop makes progress.
    Progress,
}

/// Runs until told to stop.
///
/// # Errors
/// When plan and engine do not fit together.
pub fn run(inputs: Inputs<'_>) -> Result<Summary, CoreError> {
    let plan = inputs.plan;
    let mut points = vec![PointState::default(); plan.engine.points.len()];
    let mut alarms = vec![AlarmState::default(); plan.engine.alarms.len()];
    let mut windows = vec![Window::default(); plan.engine.windows.len()];
    let engine = Engine::new(plan.engine.tables(), &mut points, &mut alarms, &mut windows)?;
    Ok(Core::new(inputs, Judge::new(plan, engine)).run())
}

struct Core<'a> {
    plan: &'a Plan,
    ids: &'a [u32],
    judge: Judge<'a>,
    ledger: Ledger,
    frames: Frames,
    singles: Singles,
    kept: Vec<Kept>,
    clock: Clock,
    figures: Figures,
    fault_at: Option<Millis>,
    restored_from: u64,
    publisher: Publisher,
    receiver: Receiver<Message>,
    door: Door,
    told: SyncSender<Told>,
    alive: fn(Alive),
    next_frame: Instant,
    next_look: Instant,
    store_failing: bool,
    broker_down: bool,
    saved: Vec<SavedAlarm>,
}

impl<'a> Core<'a> {
    fn new(inputs: Inputs<'a>, judge: Judge<'a>) -> Self {
        let plan = inputs.plan;
        let head = Head {
            log: inputs.opened.log.clone(),
            boot: inputs.opened.boot,
            mode: plan.module.mode,
            site: plan.module.site.clone(),
            module: plan.module.name.clone(),
        };
        let chosen = globs(&plan.mqtt.points);
        Self {
            plan,
            ids: inputs.ids,
            judge,
            frames: Frames::new(&head.log, head.boot, inputs.catalogue),
            ledger: Ledger::new(head, inputs.opened.last_seq, inputs.writer),
            singles: Singles::new(plan, &chosen),
            kept: vec![Kept::default(); plan.alarms.len()],
            clock: Clock::start(),
            figures: Figures::default(),
            fault_at: None,
            restored_from: inputs.opened.last_seq,
            publisher: inputs.publisher,
            receiver: inputs.receiver,
            door: inputs.door,
            told: inputs.told,
            alive: inputs.alive,
            next_frame: Instant::now() + plan.mqtt.frame_period,
            next_look: Instant::now() + LOOK,
            store_failing: false,
            broker_down: false,
            saved: inputs.opened.alarms,
        }
    }

    fn run(mut self) -> Summary {
        let early = self.first_contact();
        self.begin();
        for message in early {
            self.take(message);
        }
        (self.alive)(Alive::Ready);
        loop {
            let wait = self.next_due().saturating_duration_since(Instant::now());
            match self.receiver.recv_timeout(wait) {
                Ok(message) => {
                    if !self.take_burst(message) {
                        break;
                    }
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break,
            }
            self.due();
        }
        self.end()
    }

    /// Waits for what the broker remembers, so that no number is given twice. What else arrives is kept for later.
    fn first_contact(&mut self) -> Vec<Message> {
        let (until, mut early) = (Instant::now() + CONTACT, Vec::new());
        while let Ok(message) = self.receiver.recv_timeout(until.saturating_duration_since(Instant::now())) {
            match message {
                Message::Broker(Notice::Remembered(payload)) => {
                    self.remembered(payload.as_deref());
                    break;
                }
                Message::Broker(Notice::Down(why)) => {
                    early.push(Message::Broker(Notice::Down(why)));
                    break;
                }
                Message::Stop => {
                    early.push(Message::Stop);
                    break;
                }
                other @ (Message::Field(_) | Message::Broker(_) | Message::Fault) => early.push(other),
            }
        }
        early
    }

    /// A higher number at the broker for this log means that the store is an older copy: its numbers were given before.
    fn remembered(&mut self, payload: Option<&[u8]>) {
        let last = payload.and_then(|bytes| serde_json::from_slice::<EventLast>(bytes).ok());
        let ahead =
            last.as_ref().is_some_and(|last| last.log == self.ledger.head().log && last.seq > self.restored_from);
        if ahead {
            let before = self.ledger.head().log.clone();
            match self.ledger.move_to_new_log(self.restored_from) {
                Ok(()) => {
                    self.frames.move_to(&self.ledger.head().log);
                    let text = "The store is an older copy than what was already published: a new event log has begun."
                        .to_owned();
                    let detail = StoreChange {
                        change: "new log".into(),
                        log_before: Some(before),
                        reason: Some("older copy restored".into()),
                    };
                    self.event(text, Detail::Store(detail), None);
                    self.publish_all_alarms();
                }
                Err(error) => {
                    tracing::error!(%error, "a new event log could not be made; the broker's subscribers may take events for old ones")
                }
            }
        }
        self.publisher.release();
    }

    /// Restores alarm states, says that the agent has started, publishes all alarms.
    fn begin(&mut self) {
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
                (None, _) => self.removed(&row),
            }
        }
        let version = env!("CARGO_PKG_VERSION");
        let text = format!(
            "The agent has started: {} points on {} links, {} alarms.",
            self.plan.points.len(),
            self.plan.links.len(),
            self.plan.alarms.iter().filter(|alarm| !alarm.own).count()
        );
        let detail = AgentChange { change: "started".into(), version: Some(version.into()), reason: None };
        self.event(text, Detail::Agent(detail), None);
        self.ledger.close();
        self.publish_all_alarms();
    }

    /// An alarm that is no longer configured: closed with an event if anything of it stood.
    fn removed(&mut self, row: &SavedAlarm) {
        self.ledger.forget(row.id.clone());
        let text = format!("The alarm {} is no longer configured; its last state is closed.", row.id);
        let detail = AgentChange { change: "alarm removed".into(), version: None, reason: Some(row.id.clone()) };
        self.event(text, Detail::Agent(detail), None);
    }

    fn next_due(&self) -> Instant {
        let judged = self.judge.poll_at().map_or(self.next_look, |at| self.clock.instant(at));
        self.next_frame.min(self.next_look).min(judged)
    }

    /// Takes this message and those behind it, up to a burst. Returns whether to go on.
    fn take_burst(&mut self, first: Message) -> bool {
        let mut next = Some(first);
        for _ in 0..BURST {
            let Some(message) = next else { return true };
            if matches!(message, Message::Stop) {
                return false;
            }
            self.take(message);
            next = self.receiver.try_recv().ok();
        }
        match next {
            Some(Message::Stop) => false,
            Some(message) => {
                self.take(message);
                true
            }
            None => true,
        }
    }

    fn take(&mut self, message: Message) {
        match message {
            Message::Field(message) => self.field(message),
            Message::Broker(notice) => self.broker(notice),
            Message::Fault => {
                self.fault_at = Some(self.clock.now());
                self.tell(Told::Fault);
            }
            Message::Stop => {}
        }
        self.moved();
        self.ledger.close();
    }

    fn field(&mut self, message: FieldMessage) {
        let now = self.clock.now();
        match message {
            FieldMessage::Batch(batch) => {
                let at = self.clock.at(batch.at).min(now);
                let (due, good) = self.judge.batch(now, at, batch.transaction, &batch.raws);
                self.figures.batch(due, good, now.since(at));
                self.publish_readings(now);
            }
            FieldMessage::LinkState { link, up, why, at } => self.link_state(now, link, up, why, at),
            FieldMessage::DeviceState { device, up, why, at } => self.device_state(now, device, up, why, at),
            FieldMessage::Late { transaction, skipped } => {
                let points = usize::try_from(transaction)
                    .ok()
                    .and_then(|t| self.plan.transactions.get(t))
                    .map_or(0, |t| t.points.count);
                self.figures.skipped(u64::from(skipped), u64::from(skipped) * u64::from(points));
            }
        }
    }

    fn link_state(&mut self, now: Millis, link: u32, up: bool, why: String, _at: Instant) {
        let Some(about) = usize::try_from(link).ok().and_then(|l| self.plan.links.get(l)) else { return };
        if !self.changed(about.state_point, up) {
            return;
        }
        let text = if up {
            format!("The link {} works.", about.name)
        } else {
            format!("The link {} has failed: {why}.", about.name)
        };
        let detail = LinkChange { link: about.name.clone(), up, reason: (!why.is_empty()).then_some(why) };
        self.event(text, Detail::Link(detail), None);
        self.set_own(now, about.state_point, up);
    }

    fn device_state(&mut self, now: Millis, device: u32, up: bool, why: String, _at: Instant) {
        let Some(about) = usize::try_from(device).ok().and_then(|d| self.plan.devices.get(d)) else { return };
        if !self.changed(about.state_point, up) {
            return;
        }
        let link = usize::try_from(about.link)
            .ok()
            .and_then(|l| self.plan.links.get(l))
            .map_or_else(String::new, |link| link.name.clone());
        let text = if up {
            format!("The device {} on the link {link} answers.", about.name)
        } else {
            format!("The device {} on the link {link} does not answer: {why}.", about.name)
        };
        let detail = DeviceChange { device: about.name.clone(), link, up, reason: (!why.is_empty()).then_some(why) };
        self.event(text, Detail::Device(detail), None);
        self.set_own(now, about.state_point, up);
    }

    /// Whether a link's or device's state is worth an event; that it works from the start is not. Notes the state if so.
    fn changed(&mut self, state_point: u32, up: bool) -> bool {
        let reading = self.judge.reading(state_point);
        if reading.status.is_bad() && up {
            self.set_own(self.clock.now(), state_point, up);
            return false;
        }
        reading.status.is_bad() || reading.value != i64::from(!up)
    }

    fn set_own(&mut self, now: Millis, state_point: u32, up: bool) {
        self.judge.own(now, state_point, i64::from(!up));
        self.publish_readings(now);
    }

    fn broker(&mut self, notice: Notice) {
        match notice {
            Notice::Remembered(payload) => self.remembered(payload.as_deref()),
            Notice::Connected => {
                if std::mem::take(&mut self.broker_down) {
                    let detail = AgentChange { change: "broker reached".into(), version: None, reason: None };
                    self.event(
                        "The broker is reached again; what waited is being sent.".into(),
                        Detail::Agent(detail),
                        None,
                    );
                }
            }
            Notice::Down(why) => {
                self.broker_down = true;
                let detail = AgentChange { change: "broker lost".into(), version: None, reason: Some(why.clone()) };
                self.event(
                    format!("The broker is not reached: {why}. Events wait on disk."),
                    Detail::Agent(detail),
                    None,
                );
            }
            Notice::SetAside { what, why } => {
                let detail = AgentChange {
                    change: "packet refused".into(),
                    version: None,
                    reason: Some(format!("{what}: {why}")),
                };
                self.event(format!("A packet was set aside: {what}: {why}."), Detail::Agent(detail), None);
            }
        }
    }

    /// Publishes what the last step has read.
    fn publish_readings(&mut self, now: Millis) {
        for &point in self.judge.read() {
            let Ok(index) = usize::try_from(point) else { continue };
            let Some(&id) = self.ids.get(index) else { continue };
            let reading = self.judge.reading(point);
            let value = (!reading.status.is_bad()).then_some(reading.value);
            let t = self.clock.wall(reading.at);
            self.frames.push(id, t, value, reading.status);
            if self.singles.due(index, value, reading.status, now)
                && let Some(said) = point_value(self.plan, index, t, value, reading.status, self.plan.module.mode)
                && let Ok(payload) = serde_json::to_vec(&said)
            {
                refused(self.publisher.point(format!("point/{}", self.plan.points[index].path), payload));
            }
        }
    }

    /// Tells what the engine has moved.
    fn moved(&mut self) {
        for transition in self.judge.take_transitions() {
            self.transition(&transition);
        }
    }

    fn transition(&mut self, t: &Transition) {
        let Some(subject) = Subject::of(self.plan, t.alarm) else { return };
        let Ok(index) = usize::try_from(t.alarm) else { return };
        if t.cause == Cause::Raised {
            self.kept[index].incident = Some(self.ledger.next_seq());
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
        let text = tell::text(subject, t, rate_per_min, None);
        let detail = tell::change(subject, t, &with);
        let announce = t.annunciate.then(|| {
            (format!("announce/{}", subject.alarm.priority.word()), tell::announcement(self.plan, subject, &text))
        });
        let at = self.clock.wall(t.at);
        let standing = if t.active { text.clone() } else { tell::title(subject) };
        let seq = self.event_at(at, text, Detail::from(detail), announce);
        self.kept[index] = Kept {
            seq: Some(seq),
            t: at,
            incident: self.kept[index].incident,
            value: (!t.status.is_bad()).then_some(t.value),
            quality: t.status.number(),
            text: standing,
        };
        self.save(index);
        self.publish_alarm(index);
    }

    /// Saves an alarm's state with this step's events.
    fn save(&mut self, index: usize) {
        let Ok(number) = u32::try_from(index) else { return };
        let Some(state) = self.judge.engine().alarm(number) else { return };
        let saved = Saved::of(state, self.kept[index].clone(), &self.clock, self.clock.now());
        let alarm = &self.plan.alarms[index];
        self.ledger.save(SavedAlarm { id: alarm.id.clone(), digest: alarm.digest, state: saved.to_bytes() });
    }

    /// Publishes the retained record of an alarm. An instrument alarm that never stood is not worth a topic.
    fn publish_alarm(&self, index: usize) {
        let Ok(number) = u32::try_from(index) else { return };
        let (Some(subject), Some(state)) = (Subject::of(self.plan, number), self.judge.engine().alarm(number)) else {
            return;
        };
        let kept = &self.kept[index];
        if subject.alarm.own && kept.seq.is_none() {
            return;
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
            text: if kept.text.is_empty() { tell::title(subject) } else { kept.text.clone() },
        };
        let record = tell::record(self.plan, subject, &standing);
        refused(self.publisher.retained(format!("alarm/{}", subject.alarm.id), record.to_bytes()));
    }

    fn publish_all_alarms(&self) {
        for index in 0..self.plan.alarms.len() {
            self.publish_alarm(index);
        }
    }

    fn event(&mut self, text: String, detail: Detail, announce: Option<(String, String)>) -> u64 {
        self.event_at(self.clock.wall(self.clock.now()), text, detail, announce)
    }

    fn event_at(&mut self, t: i64, text: String, detail: Detail, announce: Option<(String, String)>) -> u64 {
        let when = When { t, synced: self.clock.synced() };
        let (event, payload) = self.ledger.enter(when, text, detail, announce);
        self.figures.event();
        let seq = event.seq;
        self.tell(Told::Event { event: Box::new(event), payload });
        seq
    }

    /// Does what is due by itself: delays, a frame, a look at clock and store.
    fn due(&mut self) {
        let instant = Instant::now();
        let now = self.clock.now();
        self.judge.poll(now);
        self.moved();
        if instant >= self.next_frame {
            self.next_frame = instant.max(self.next_frame + self.plan.mqtt.frame_period);
            self.publish_frames();
        }
        if instant >= self.next_look {
            self.next_look = instant + LOOK;
            self.look();
        }
        self.ledger.close();
    }

    fn publish_frames(&mut self) {
        for frame in self.frames.close() {
            match encoding(self.plan).to_vec(&frame) {
                Ok(payload) => refused(self.publisher.frame("frame".into(), payload)),
                Err(error) => tracing::error!(%error, "a frame could not be encoded; please report this"),
            }
        }
    }

    fn look(&mut self) {
        if let Some(step) = self.clock.look() {
            let direction = if step.by_ms > 0 { "forward" } else { "back" };
            let text = format!(
                "The wall clock was set {direction} by {:.1} s; delays and rates are not affected.",
                seconds(step.by_ms.unsigned_abs())
            );
            self.event(
                text,
                Detail::Clock(ClockChange { step_ms: Some(step.by_ms), synced: self.clock.synced() }),
                None,
            );
        }
        let state = self.ledger.writer().state();
        let failing = state.failing.is_some();
        if failing != self.store_failing {
            self.store_failing = failing;
            let (text, change, reason) = match state.failing {
                Some((_, why)) => {
                    (format!("The event store cannot write: {why}. Events wait in memory."), "failing", Some(why))
                }
                None => ("The event store writes again.".to_owned(), "working again", None),
            };
            let detail = StoreChange { change: change.into(), log_before: None, reason };
            self.event(text, Detail::Store(detail), None);
        }
        (self.alive)(Alive::Progress);
    }

    /// Ends in order: a last frame, a last event, everything handed to the store.
    fn end(mut self) -> Summary {
        let now = self.clock.now();
        self.judge.poll(now);
        self.moved();
        self.publish_frames();
        let detail = AgentChange { change: "stopping".into(), version: None, reason: None };
        self.event("The agent stops as asked.".into(), Detail::Agent(detail), None);
        let until = Instant::now() + Duration::from_secs(5);
        while self.ledger.close() && Instant::now() < until {
            std::thread::sleep(Duration::from_millis(10)); // the store's queue is full; it frees up commit by commit
        }
        let dropped = self.door.dropped();
        if dropped > 0 {
            tracing::warn!(dropped, "messages from the field were dropped because the core did not keep up");
        }
        self.figures.summary(0, 0.0)
    }

    fn tell(&self, told: Told) {
        // A listener that does not keep up misses lines; the event log has them.
        let _full = self.told.try_send(told);
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
