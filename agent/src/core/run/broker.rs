//! What the core hears of the broker and of recipients: first contact, connection, refused packets, who is reached.
//!
//! Part of the loop in `run`; waits only for first contact with the broker, at the start. Never panics.

use super::*;
use crate::cause::Cause;

impl Core<'_> {
    /// Waits for what the broker remembers, so that no number is given twice. What else arrives is kept for later.
    pub(super) fn first_contact(&mut self) -> Vec<Message> {
        let (until, mut early) = (Instant::now() + CONTACT, Vec::new());
        while let Ok(message) = self.lasting.ways.receiver.recv_timeout(until.saturating_duration_since(Instant::now()))
        {
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
        self.lasting.released = true;
        self.lasting.ways.publisher.release();
    }

    pub(super) fn broker(&mut self, notice: Notice) {
        let words = &self.words().agent;
        match notice {
            Notice::Remembered(payload) => self.remembered(payload.as_deref()),
            Notice::Connected => {
                self.lasting.board.set_head(|head| head.broker_down = false);
                if std::mem::take(&mut self.lasting.broker_down) {
                    let detail = AgentChange { change: "broker reached".into(), version: None, reason: None };
                    self.event(words.broker_reached.clone(), Detail::Agent(detail), None);
                }
            }
            Notice::Down(why) => {
                self.lasting.broker_down = true;
                self.lasting.board.set_head(|head| head.broker_down = true);
                let text = filled(&words.broker_lost, &[("why", &why.said(self.words()))]);
                let reason = Some(why.to_string());
                let detail = AgentChange { change: "broker lost".into(), version: None, reason };
                self.event(text, Detail::Agent(detail), None);
            }
            Notice::Unheard(filter) => {
                let text = filled(&words.commands_unheard, &[("filter", &filter)]);
                let detail = AgentChange { change: "commands not heard".into(), version: None, reason: Some(filter) };
                self.event(text, Detail::Agent(detail), None);
            }
            Notice::SetAside { what, why }
                if self.lasting.refusals.iter().any(|seq| what == format!("event {seq}")) =>
            {
                // To tell of it again would be refused again, and so on.
                tracing::error!("the broker refuses even to be told of what it refuses: {what}: {why}");
            }
            Notice::SetAside { what, why } => {
                let text = filled(&words.packet_refused, &[("what", &what), ("why", &why.said(self.words()))]);
                let reason = Some(format!("{what}: {why}"));
                let detail = AgentChange { change: "packet refused".into(), version: None, reason };
                let seq = self.event(text, Detail::Agent(detail), None);
                self.lasting.refusals.truncate(REFUSALS_KNOWN - 1);
                self.lasting.refusals.push_front(seq);
            }
        }
    }

    /// What becomes of messages to a recipient: an event at each change; its alarm has a delay of its own.
    pub(super) fn recipient(&mut self, recipient: usize, reached: bool, why: Option<&Cause>) {
        let plan = self.plan;
        let Some(about) = plan.recipients.get(recipient) else { return };
        if !self.changed(about.state_point, reached) {
            return;
        }
        let all_words = self.words();
        let words = &all_words.change;
        let (sentence, change) = if reached {
            (&words.recipient_reached, "recipient reached")
        } else {
            (&words.recipient_not_reached, "recipient not reached")
        };
        let said = why.map(|why| why.said(all_words)).unwrap_or_default();
        let text = filled(sentence, &[("recipient", &about.name), ("why", &said)]);
        let detail = AgentChange { change: change.into(), version: None, reason: why.map(Cause::to_string) };
        self.event(text, Detail::Agent(detail), None);
        let now = self.lasting.clock.now();
        self.set_own(now, about.state_point, reached);
    }
}
