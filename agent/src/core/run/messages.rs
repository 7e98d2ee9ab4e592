//! What the core does with each message: hands it to whom it concerns, and publishes what a step has read.
//!
//! Part of the loop in `run`. Never panics.

use super::*;
use crate::core::judge::Taken;

impl Core<'_> {
    /// Takes this message and those behind it, up to a burst. Returns how to go on.
    pub(super) fn take_burst(&mut self, first: Message) -> Flow {
        let mut next = Some(first);
        for _ in 0..=BURST {
            let Some(message) = next else { return Flow::On };
            let flow = self.step(message);
            if !matches!(flow, Flow::On) {
                return flow;
            }
            next = self.lasting.ways.receiver.try_recv();
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
            Message::Recipient { recipient, reached, why } => self.recipient(recipient, reached, why.as_ref()),
            Message::Fault => {
                self.lasting.fault_at = Some(self.lasting.clock.now());
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
        if let Some(keeping) = self.lasting.keeping.as_mut().filter(|keeping| keeping.has_raised()) {
            keeping.submit();
        }
    }

    /// Publishes and keeps what the last step has read.
    pub(super) fn publish_readings(&mut self, now: Millis, source: u32) {
        if let Some(keeping) = &mut self.lasting.keeping {
            keeping.step(&self.lasting.clock, &self.judge, self.ids, source);
        }
        for &Taken { point, .. } in self.judge.read() {
            let Ok(index) = usize::try_from(point) else { continue };
            let Some(&id) = self.ids.get(index) else { continue };
            let reading = self.judge.reading(point);
            let value = (!reading.status.is_bad()).then_some(reading.value);
            let t = self.lasting.clock.wall(reading.at);
            self.lasting.frames.push(id, t, value, reading.status);
            self.lasting.board.reading(index, t, value, reading.status);
            single(
                self.plan,
                self.lasting.mode,
                &self.lasting.ways.publisher,
                &mut self.singles,
                index,
                (t, value, reading.status),
                now,
            );
        }
    }

    /// Publishes the changes of single points that had to wait for their second to be over.
    pub(super) fn publish_waiting(&mut self, now: Millis) {
        for index in self.singles.waiting(now) {
            let reading = self.judge.reading(u32::try_from(index).unwrap_or(u32::MAX));
            let value = (!reading.status.is_bad()).then_some(reading.value);
            let said = (self.lasting.clock.wall(reading.at), value, reading.status);
            single(self.plan, self.lasting.mode, &self.lasting.ways.publisher, &mut self.singles, index, said, now);
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
