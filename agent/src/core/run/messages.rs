//! What the core does with each message: readings to the engine, states of links and devices, notices of the publisher.
//!
//! Part of the loop in `run`; waits only for first contact with the broker, at the start. Never panics.

use super::*;
use crate::core::judge::Taken;
use crate::core::{lacking, marks};
use crate::field::Lacking;
use crate::field::why::Why;
use crate::plan::Language;
use crate::store::history::OWN;
use crate::words::{Words, filled};

impl Core<'_> {
    /// Waits for what the broker remembers, so that no number is given twice. What else arrives is kept for later.
    pub(super) fn first_contact(&mut self) -> Vec<Message> {
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
                other @ (Message::Field(_)
                | Message::Broker(_)
                | Message::Operator(_)
                | Message::Recipient { .. }
                | Message::Unproved(_)
                | Message::Fault
                | Message::Apply(_)
                | Message::Refused { .. }) => early.push(other),
            }
        }
        early
    }

    /// A higher number at the broker for this log means that the store is an older copy: its numbers were given before.
    pub(super) fn remembered(&mut self, payload: Option<&[u8]>) {
        let last = payload.and_then(|bytes| serde_json::from_slice::<EventLast>(bytes).ok());
        self.compare_with_broker(last.as_ref());
        self.released = true;
        self.publisher.release();
    }

    /// Takes this message and those behind it, up to a burst. Returns how to go on.
    pub(super) fn take_burst(&mut self, first: Message) -> Flow {
        let mut next = Some(first);
        for _ in 0..=BURST {
            let Some(message) = next else { return Flow::On };
            let flow = self.step(message);
            if !matches!(flow, Flow::On) {
                return flow;
            }
            next = self.receiver.try_recv();
        }
        match next {
            Some(message) => self.step(message),
            None => Flow::On,
        }
    }

    /// Takes one message. Returns how to go on.
    pub(super) fn step(&mut self, message: Message) -> Flow {
        match message {
            Message::Stop => Flow::Stop,
            Message::Apply(next) => Flow::Apply(next),
            other @ (Message::Field(_)
            | Message::Broker(_)
            | Message::Operator(_)
            | Message::Recipient { .. }
            | Message::Unproved(_)
            | Message::Fault
            | Message::Refused { .. }) => {
                self.take(other);
                Flow::On
            }
        }
    }

    pub(super) fn take(&mut self, message: Message) {
        match message {
            Message::Field(message) => self.field(message),
            Message::Broker(notice) => self.broker(notice),
            Message::Operator(request) => self.operator(*request),
            Message::Unproved(what) => {
                let text = filled(&self.words().agent.commands_unproved, &[("what", &what)]);
                let detail = AgentChange { change: "commands refused".into(), version: None, reason: Some(what) };
                self.event(text, Detail::Agent(detail), None);
            }
            Message::Recipient { recipient, reached, why } => self.recipient(recipient, reached, why),
            Message::Fault => {
                self.fault_at = Some(self.clock.now());
                self.tell(Told::Fault);
            }
            Message::Refused { hash, why } => self.refused_configuration(hash, why),
            // What ends the loop or its plan is not taken here.
            Message::Stop | Message::Apply(_) => {}
        }
        self.moved();
        self.close();
        self.keep_at_once();
    }

    /// What led to an alarm is durable as soon as the disk can.
    pub(super) fn keep_at_once(&mut self) {
        if let Some(keeping) = self.keeping.as_mut().filter(|keeping| keeping.has_raised()) {
            keeping.submit();
        }
    }

    pub(super) fn field(&mut self, message: FieldMessage) {
        let now = self.clock.now();
        match message {
            FieldMessage::Batch(batch) => {
                let at = self.clock.at(batch.at).min(now);
                let (due, good) = self.judge.batch(now, at, batch.transaction, &batch.raws);
                self.figures.batch(due, good, now.since(at));
                self.publish_readings(now, batch.transaction);
            }
            FieldMessage::LinkState { link, up, why, at } => self.link_state(now, link, up, &why, at),
            FieldMessage::DeviceState { device, up, why, at } => self.device_state(now, device, up, &why, at),
            FieldMessage::Identity { device, fits, why, at } => self.identity(now, device, fits, &why, at),
            FieldMessage::Shown { device, feature, mark } => {
                let about = usize::try_from(device).ok().and_then(|d| self.plan.devices.get(d));
                if let Some(about) = about {
                    self.ledger.keep(marks::saved(about, feature, &mark));
                }
            }
            FieldMessage::Masters { link, another, why, at } => self.masters(now, link, another, &why, at),
            FieldMessage::Counts { link, counts } => {
                self.watched.counted(link, counts);
                let plan = self.plan;
                let first = usize::try_from(link).ok().and_then(|l| plan.links.get(l)).and_then(|l| l.count_points);
                for (point, count) in first.into_iter().flat_map(|first| first..).zip(counts) {
                    self.judge.own(now, point, i64::try_from(count).unwrap_or(i64::MAX));
                    self.publish_readings(now, OWN);
                    self.moved();
                }
            }
            FieldMessage::Lacks { device, lacking, why, at: _ } => self.lacks(now, device, &lacking, why.as_ref()),
            FieldMessage::Restarted { device, up_s, at: _ } => self.restarted(device, up_s),
            FieldMessage::Notice { device, what, at: _ } => self.notice(device, &what),
            FieldMessage::Late { transaction, skipped } => {
                let points = usize::try_from(transaction)
                    .ok()
                    .and_then(|t| self.plan.transactions.get(t))
                    .map_or(0, |t| t.points.count);
                self.figures.skipped(u64::from(skipped), u64::from(skipped) * u64::from(points));
            }
        }
    }

    pub(super) fn link_state(&mut self, now: Millis, link: u32, up: bool, why: &Why, _at: Instant) {
        let Some(about) = usize::try_from(link).ok().and_then(|l| self.plan.links.get(l)) else { return };
        if !self.changed(about.state_point, up) {
            return;
        }
        let words = self.words();
        let sentence = if up { &words.field.link_works } else { &words.field.link_failed };
        let text = filled(sentence, &[("link", &about.name), ("why", &why.said(words))]);
        let detail = LinkChange { link: about.name.clone(), up, reason: Some(why.to_string()) };
        self.event(text, Detail::Link(detail), None);
        self.set_own(now, about.state_point, up);
    }

    pub(super) fn device_state(&mut self, now: Millis, device: u32, up: bool, why: &Why, _at: Instant) {
        let Some(about) = usize::try_from(device).ok().and_then(|d| self.plan.devices.get(d)) else { return };
        if !self.changed(about.state_point, up) {
            return;
        }
        let link = usize::try_from(about.link)
            .ok()
            .and_then(|l| self.plan.links.get(l))
            .map_or_else(String::new, |link| link.name.clone());
        let words = self.words();
        let sentence = if up { &words.field.device_answers } else { &words.field.device_silent };
        let text = filled(sentence, &[("device", &about.name), ("link", &link), ("why", &why.said(words))]);
        let detail = DeviceChange { device: about.name.clone(), link, up, reason: Some(why.to_string()) };
        self.event(text, Detail::Device(detail), None);
        self.set_own(now, about.state_point, up);
    }

    /// What becomes of messages to a recipient: an event at each change; its alarm has a delay of its own.
    fn recipient(&mut self, recipient: usize, reached: bool, why: String) {
        let plan = self.plan;
        let Some(about) = plan.recipients.get(recipient) else { return };
        if !self.changed(about.state_point, reached) {
            return;
        }
        let words = &self.words().change;
        let (sentence, change) = if reached {
            (&words.recipient_reached, "recipient reached")
        } else {
            (&words.recipient_not_reached, "recipient not reached")
        };
        let text = filled(sentence, &[("recipient", &about.name), ("why", &why)]);
        let detail = AgentChange { change: change.into(), version: None, reason: (!why.is_empty()).then_some(why) };
        self.event(text, Detail::Agent(detail), None);
        let now = self.clock.now();
        self.set_own(now, about.state_point, reached);
    }

    pub(super) fn identity(&mut self, now: Millis, device: u32, fits: bool, why: &Why, _at: Instant) {
        let plan = self.plan;
        let Some(about) = usize::try_from(device).ok().and_then(|d| plan.devices.get(d)) else { return };
        let Some(point) = about.identity.point else { return };
        self.judge.doubt(device, !fits);
        if !self.changed(point, fits) {
            return;
        }
        let link = usize::try_from(about.link).ok().and_then(|l| plan.links.get(l)).map_or("", |link| &link.name);
        let words = self.words();
        let sentence = if fits { &words.field.identity_fits } else { &words.field.identity_differs };
        let text = filled(sentence, &[("device", &about.name), ("link", link), ("why", &why.said(words))]);
        let reason = Some(if fits { why.to_string() } else { format!("replaced or re-configured: {why}") });
        let detail = DeviceChange { device: about.name.clone(), link: link.to_owned(), up: true, reason };
        self.event(text, Detail::Device(detail), None);
        self.set_own(now, point, fits);
    }

    pub(super) fn masters(&mut self, now: Millis, link: u32, another: bool, why: &Why, _at: Instant) {
        let plan = self.plan;
        let Some(about) = usize::try_from(link).ok().and_then(|l| plan.links.get(l)) else { return };
        let Some(point) = about.masters_point else { return };
        if !self.changed(point, !another) {
            return;
        }
        let words = self.words();
        let sentence = if another { &words.field.another_master } else { &words.field.one_master };
        let text = filled(sentence, &[("link", &about.name), ("why", &why.said(words))]);
        let up =
            !self.judge.reading(about.state_point).status.is_bad() && self.judge.reading(about.state_point).value == 0;
        let reason = Some(if another { format!("another master: {why}") } else { why.to_string() });
        self.event(text, Detail::Link(LinkChange { link: about.name.clone(), up, reason }), None);
        self.set_own(now, point, !another);
    }

    /// A device gives other points than before, or not all of them from the start.
    fn lacks(&mut self, now: Millis, device: u32, missing: &[Lacking], why: Option<&Why>) {
        let plan = self.plan;
        let Some(about) = usize::try_from(device).ok().and_then(|d| plan.devices.get(d)) else { return };
        let Some(point) = about.map_point else { return };
        let fits = missing.is_empty();
        // That it gives all is news only after it did not.
        if fits && !self.changed(point, true) {
            return;
        }
        let link = usize::try_from(about.link).ok().and_then(|l| plan.links.get(l)).map_or("", |link| &link.name);
        let words = self.words();
        let say = &words.field;
        let points = lacking::named(say, plan, about.transactions, missing).short;
        let because = why.map(|why| filled(&say.lacks_because, &[("why", &why.said(words))])).unwrap_or_default();
        let gaps = [("device", about.name.as_str()), ("link", link), ("points", &points), ("because", &because)];
        let text = filled(if fits { &say.gives_all } else { &say.lacks }, &gaps);
        let reason = if fits {
            "gives all its points".to_owned()
        } else {
            let say = &Words::of(Language::English).field;
            format!("does not give {}", lacking::named(say, plan, about.transactions, missing).whole)
        };
        let up =
            !self.judge.reading(about.state_point).status.is_bad() && self.judge.reading(about.state_point).value == 0;
        let detail = DeviceChange { device: about.name.clone(), link: link.to_owned(), up, reason: Some(reason) };
        let seq = self.event(text, Detail::Device(detail), None);
        self.which.insert(point, points);
        self.set_own(now, point, fits);
        if !fits {
            self.says_anew(point, seq);
        }
    }

    /// What the device counts begins anew: a slope over the break would be none.
    fn restarted(&mut self, device: u32, up_s: u64) {
        let points = (0u32..).zip(&self.plan.points).zip(&self.plan.engine.points);
        let counters = points.filter(|((_, point), spec)| {
            point.device == Some(device) && spec.decode.layout == lapwing_engine::spec::Layout::Counter
        });
        for point in counters.map(|((index, _), _)| index).collect::<Vec<_>>() {
            self.judge.rebase(point);
            let id = usize::try_from(point).ok().and_then(|point| self.ids.get(point));
            if let (Some(keeping), Some(id)) = (&mut self.keeping, id) {
                keeping.rebased(&self.clock, *id);
            }
        }
        self.notice(Some(device), &Why::Restarted { up_s });
    }

    /// Makes an event of what changes no state.
    fn notice(&mut self, device: Option<u32>, what: &Why) {
        let words = self.words();
        let said = what.said(words);
        let reason = Some(what.to_string());
        let about = device.and_then(|d| usize::try_from(d).ok()).and_then(|d| self.plan.devices.get(d));
        let Some(about) = about else {
            let detail = AgentChange { change: "field notice".into(), version: None, reason };
            self.event(filled(&words.field.of_none, &[("what", &said)]), Detail::Agent(detail), None);
            return;
        };
        let link = usize::try_from(about.link).ok().and_then(|l| self.plan.links.get(l));
        let link = link.map_or_else(String::new, |link| link.name.clone());
        let text = filled(&words.field.of_device, &[("device", &about.name), ("link", &link), ("what", &said)]);
        let up = self.judge.reading(about.state_point).value == 0;
        let detail = DeviceChange { device: about.name.clone(), link, up, reason };
        self.event(text, Detail::Device(detail), None);
    }

    /// Whether a link's or device's state is worth an event; that it works from the start is not. Notes the state if so.
    pub(super) fn changed(&mut self, state_point: u32, up: bool) -> bool {
        let now = self.clock.now();
        if self.judge.reading(state_point).status.is_bad() && up {
            self.set_own(now, state_point, up);
            return false;
        }
        self.judge.is_news(now, state_point, up)
    }

    pub(super) fn set_own(&mut self, now: Millis, state_point: u32, up: bool) {
        self.judge.own(now, state_point, i64::from(!up));
        self.publish_readings(now, OWN);
        self.board.happened(Happened::Field);
    }

    pub(super) fn broker(&mut self, notice: Notice) {
        let words = &self.words().agent;
        match notice {
            Notice::Remembered(payload) => self.remembered(payload.as_deref()),
            Notice::Connected => {
                self.board.set_head(|head| head.broker_down = false);
                if std::mem::take(&mut self.broker_down) {
                    let detail = AgentChange { change: "broker reached".into(), version: None, reason: None };
                    self.event(words.broker_reached.clone(), Detail::Agent(detail), None);
                }
            }
            Notice::Down(why) => {
                self.broker_down = true;
                self.board.set_head(|head| head.broker_down = true);
                let text = filled(&words.broker_lost, &[("why", &why)]);
                let detail = AgentChange { change: "broker lost".into(), version: None, reason: Some(why) };
                self.event(text, Detail::Agent(detail), None);
            }
            Notice::Unheard(filter) => {
                let text = filled(&words.commands_unheard, &[("filter", &filter)]);
                let detail = AgentChange { change: "commands not heard".into(), version: None, reason: Some(filter) };
                self.event(text, Detail::Agent(detail), None);
            }
            Notice::SetAside { what, why } if self.refusals.iter().any(|seq| what == format!("event {seq}")) => {
                // To tell of it again would be refused again, and so on.
                tracing::error!("the broker refuses even to be told of what it refuses: {what}: {why}");
            }
            Notice::SetAside { what, why } => {
                let text = filled(&words.packet_refused, &[("what", &what), ("why", &why)]);
                let reason = Some(format!("{what}: {why}"));
                let detail = AgentChange { change: "packet refused".into(), version: None, reason };
                let seq = self.event(text, Detail::Agent(detail), None);
                self.refusals.truncate(REFUSALS_KNOWN - 1);
                self.refusals.push_front(seq);
            }
        }
    }

    /// Publishes and keeps what the last step has read.
    pub(super) fn publish_readings(&mut self, now: Millis, source: u32) {
        if let Some(keeping) = &mut self.keeping {
            keeping.step(&self.clock, &self.judge, self.ids, source);
        }
        for &Taken { point, .. } in self.judge.read() {
            let Ok(index) = usize::try_from(point) else { continue };
            let Some(&id) = self.ids.get(index) else { continue };
            let reading = self.judge.reading(point);
            let value = (!reading.status.is_bad()).then_some(reading.value);
            let t = self.clock.wall(reading.at);
            self.frames.push(id, t, value, reading.status);
            self.board.reading(index, t, value, reading.status);
            single(self.plan, self.mode, &self.publisher, &mut self.singles, index, (t, value, reading.status), now);
        }
    }

    /// Publishes the changes of single points that had to wait for their second to be over.
    pub(super) fn publish_waiting(&mut self, now: Millis) {
        for index in self.singles.waiting(now) {
            let reading = self.judge.reading(u32::try_from(index).unwrap_or(u32::MAX));
            let value = (!reading.status.is_bad()).then_some(reading.value);
            let said = (self.clock.wall(reading.at), value, reading.status);
            single(self.plan, self.mode, &self.publisher, &mut self.singles, index, said, now);
        }
    }
}

/// Publishes one point by itself, if it was chosen and it is time.
fn single(
    plan: &Plan,
    mode: Mode,
    publisher: &Publisher,
    singles: &mut Singles,
    index: usize,
    (t, value, status): (i64, Option<i64>, Status),
    now: Millis,
) {
    if singles.due(index, value, status, now)
        && let Some(said) = point_value(plan, index, t, value, status, mode)
        && let Ok(payload) = serde_json::to_vec(&said)
    {
        refused(publisher.point(format!("point/{}", plan.points[index].path), payload));
    }
}
