//! What people do, carried out: each request is judged, done, told as an event of kind `operator`, and answered.
//!
//! Part of the loop in `run`; the rules of who may do what are `core::operator`'s, those of the alarm the engine's.
//! Never panics.

use lapwing_engine::Operation;
use lapwing_protocol::{OperatorAction, Word};

use super::*;
use crate::core::operator::{Action, Done, Refused, Request, permitted};
use crate::plan::Acknowledge;

/// In whose name, and why, alarms move.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Hand<'a> {
    pub(super) by: Option<&'a str>,
    pub(super) reason: Option<&'a str>,
}

/// Who acknowledges where the site's own system does.
pub(super) const ELSEWHERE: &str = "the site's own system";

impl Core<'_> {
    /// Carries out a request and answers it.
    pub(super) fn operator(&mut self, request: Request) {
        // What the readings have moved goes first, and what time has.
        let now = self.lasting.clock.now();
        self.judge.poll_by_hand(now);
        if let Some(keeping) = &mut self.lasting.keeping {
            keeping.passed(&self.lasting.clock, now);
        }
        self.moved();
        if let Some(once) = &request.once {
            match self.lasting.seen.take(request.who.trim(), once) {
                Ok(seen) => self.lasting.ledger.seen(seen),
                // What was told before makes no second event: a copy sent a thousand times must not fill the log.
                Err(refused) => return request.reply.say(Err(refused)),
            }
        }
        let who = request.who.trim().to_owned();
        let reason = request.reason.as_deref().map(str::trim).filter(|reason| !reason.is_empty()).map(str::to_owned);
        let outcome = permitted(&request).and_then(|()| self.prepare(now, &request));
        let (alarms, until) = match outcome {
            Ok(prepared) => prepared,
            Err(refused) => {
                self.say_done(&request, &who, reason, None, Some(&refused));
                request.reply.say(Err(refused));
                return;
            }
        };
        let wall = until.map(|until| self.lasting.clock.wall(until));
        let seq = self.say_done(&request, &who, reason.clone(), wall, None);
        let hand = Hand { by: Some(&who), reason: reason.as_deref() };
        match &request.action {
            Action::Suppress { rule, .. } => self.start_rule(rule, until.unwrap_or(now), hand),
            Action::Release { rule } => self.end_rule(rule, hand),
            Action::SetMode { mode, .. } => self.set_mode(*mode, until, hand),
            Action::ConfirmDevice { device } => {
                if let Some(index) = self.device(device) {
                    (self.lasting.ways.confirm)(index);
                }
            }
            Action::Acknowledge
            | Action::AcknowledgeIncident
            | Action::Reset
            | Action::Shelve { .. }
            | Action::ShelveOnce
            | Action::Unshelve
            | Action::RemoveFromService
            | Action::ReturnToService
            | Action::Note => {}
        }
        for alarm in alarms {
            self.by_hand(alarm, hand);
        }
        let done = Done { log: self.lasting.ledger.head().log.clone(), seq, until: wall };
        if self.lasting.ledger.is_volatile() && !self.lasting.memory_only {
            // Records of alarms did not wait either.
            request.reply.say(Ok(done));
        } else {
            self.lasting.ways.held.answer(self.lasting.ledger.next_seq().saturating_sub(1), request.reply, done);
        }
    }

    /// Judges the request against rules and alarms and does what the engine must do; its transitions wait to be told
    /// after the person's own event. Returns the alarms that moved, and until when it holds.
    fn prepare(&mut self, now: Millis, request: &Request) -> Result<(Vec<u32>, Option<Millis>), Refused> {
        let action = &request.action;
        if action.concerns_alarm() {
            return self.operate(now, request);
        }
        if let Some(id) = &request.alarm {
            self.alarm_called(id)?;
        }
        match action {
            Action::Suppress { rule, for_ms } => {
                let at = self.rule(rule)?;
                let about = &self.plan.suppress[at];
                if about.when.is_some() {
                    return Err(Refused::HoldsByItself { name: rule.clone() });
                }
                if self.rules[at].until.is_some() {
                    return Err(Refused::InForce { name: rule.clone() });
                }
                Ok((Vec::new(), Some(now.plus(within(*for_ms, about.at_most, Some(about.at_most))?))))
            }
            Action::Release { rule } => {
                let at = self.rule(rule)?;
                if self.plan.suppress[at].when.is_some() {
                    return Err(Refused::HoldsByItself { name: rule.clone() });
                }
                if self.rules[at].until.is_none() {
                    return Err(Refused::NotInForce { name: rule.clone() });
                }
                Ok((Vec::new(), None))
            }
            Action::SetMode { mode, .. } if *mode == self.plan.module.mode => Ok((Vec::new(), None)),
            Action::SetMode { for_ms, .. } => {
                Ok((Vec::new(), Some(now.plus(within(*for_ms, self.plan.module.mode_at_most, None)?))))
            }
            Action::ConfirmDevice { device } => {
                let devices = &self.plan.devices;
                let Some(about) = devices.iter().find(|about| about.name == *device) else {
                    let near = crate::config::nearest_name(device, devices.iter().map(|about| about.name.as_str()));
                    return Err(Refused::UnknownDevice { name: device.clone(), near });
                };
                let mut features = about.identity.checks.iter().flat_map(|check| &check.features);
                if features.all(|feature| feature.expect.is_some()) {
                    return Err(Refused::NothingToConfirm { name: device.clone() });
                }
                Ok((Vec::new(), None))
            }
            Action::Note
            | Action::Acknowledge
            | Action::AcknowledgeIncident
            | Action::Reset
            | Action::Shelve { .. }
            | Action::ShelveOnce
            | Action::Unshelve
            | Action::RemoveFromService
            | Action::ReturnToService => Ok((Vec::new(), None)),
        }
    }

    fn device(&self, name: &str) -> Option<u32> {
        self.plan.devices.iter().position(|about| about.name == name).and_then(|at| u32::try_from(at).ok())
    }

    fn operate(&mut self, now: Millis, request: &Request) -> Result<(Vec<u32>, Option<Millis>), Refused> {
        let id = request.alarm.as_deref().ok_or(Refused::NoAlarm)?;
        let index = self.alarm_called(id)?;
        let alarm = u32::try_from(index).unwrap_or(u32::MAX);
        let present = self.judge.engine().alarm(alarm).map(lapwing_engine::AlarmState::occurrence);
        if let (Some(seen), Some(now)) = (request.occurrence, present)
            && seen != now
        {
            return Err(Refused::OtherOccurrence { seen, now });
        }
        let acknowledges = matches!(request.action, Action::Acknowledge | Action::AcknowledgeIncident);
        if acknowledges && self.plan.module.acknowledge == Acknowledge::Elsewhere {
            return Err(Refused::AcknowledgedElsewhere);
        }
        let operation = match request.action {
            Action::AcknowledgeIncident => {
                let waiting = self.of_incident(index);
                if waiting.is_empty() {
                    return Err(Refused::State(lapwing_engine::Refusal::NothingToAcknowledge));
                }
                for alarm in &waiting {
                    self.judge.operate(now, *alarm, Operation::Acknowledge)?;
                }
                return Ok((waiting, None));
            }
            Action::Reset => Operation::Reset,
            Action::Shelve { for_ms } => Operation::Shelve { for_ms },
            Action::ShelveOnce => Operation::ShelveOneShot,
            Action::Unshelve => Operation::Unshelve,
            Action::RemoveFromService => Operation::RemoveFromService,
            Action::ReturnToService => Operation::ReturnToService,
            // The other actions concern no alarm and never get here.
            Action::Acknowledge
            | Action::Suppress { .. }
            | Action::Release { .. }
            | Action::SetMode { .. }
            | Action::ConfirmDevice { .. }
            | Action::Note => Operation::Acknowledge,
        };
        self.judge.operate(now, alarm, operation)?;
        let until = self.judge.engine().alarm(alarm).and_then(|state| state.cover().shelf_until());
        Ok((vec![alarm], until))
    }

    /// The index of an alarm.
    fn alarm_called(&self, id: &str) -> Result<usize, Refused> {
        self.plan.alarms.iter().position(|alarm| alarm.id == id).ok_or_else(|| {
            let near = crate::config::nearest_name(id, self.plan.alarms.iter().map(|alarm| alarm.id.as_str()));
            Refused::UnknownAlarm { id: id.to_owned(), near }
        })
    }

    /// The alarms of an alarm's incident that wait for acknowledgement, itself first.
    fn of_incident(&self, index: usize) -> Vec<u32> {
        let incident = self.kept[index].incident;
        let waits = |number: u32| {
            let state = self.judge.engine().alarm(number);
            state.is_some_and(|state| !state.hidden().any() && !state.process().is_acknowledged())
        };
        let numbered = (0_u32..).zip(&self.kept);
        let mut found: Vec<u32> = numbered
            .filter(|(number, kept)| {
                let same = incident.is_some() && kept.incident == incident;
                (same || usize::try_from(*number) == Ok(index)) && waits(*number)
            })
            .map(|(number, _)| number)
            .collect();
        found.sort_by_key(|number| usize::try_from(*number) != Ok(index));
        found
    }

    fn rule(&self, name: &str) -> Result<usize, Refused> {
        let known = || self.plan.suppress.iter().map(|rule| rule.name.clone()).collect();
        let found = self.plan.suppress.iter().position(|rule| rule.name == name);
        found.ok_or_else(|| Refused::UnknownRule { name: name.to_owned(), known: known() })
    }

    /// Tells the transitions of one alarm that a person has moved; others wait their turn.
    fn by_hand(&mut self, alarm: u32, hand: Hand<'_>) {
        for transition in self.judge.take_transitions_of(alarm) {
            self.transition(&transition, hand);
        }
    }

    /// The person's own event. Returns its number.
    fn say_done(
        &mut self,
        request: &Request,
        who: &str,
        reason: Option<String>,
        until: Option<i64>,
        refused: Option<&Refused>,
    ) -> u64 {
        let (rule, to_mode, point) = match &request.action {
            Action::Suppress { rule, .. } | Action::Release { rule } => (Some(rule.clone()), None, None),
            Action::SetMode { mode, .. } => (None, Some(Word::from(*mode)), None),
            Action::ConfirmDevice { device } => (None, None, self.identity_point(device)),
            Action::Acknowledge
            | Action::AcknowledgeIncident
            | Action::Reset
            | Action::Shelve { .. }
            | Action::ShelveOnce
            | Action::Unshelve
            | Action::RemoveFromService
            | Action::ReturnToService
            | Action::Note => (None, None, None),
        };
        let words = self.words();
        let text = said(words, request, who, reason.as_deref(), refused);
        let detail = OperatorAction {
            action: request.action.word().to_owned(),
            by: who.to_owned(),
            alarm: request.alarm.clone(),
            occurrence: request.occurrence,
            point,
            rule,
            to_mode,
            reason,
            until,
            refused: refused.map(|refused| refused.said(words)),
        };
        self.event_at(self.lasting.clock.wall(self.judge.judged_at()), text, Detail::Operator(detail), None)
    }

    /// The path of the point that tells whether a device is the expected one.
    fn identity_point(&self, device: &str) -> Option<String> {
        let about = self.plan.devices.iter().find(|about| about.name == device)?;
        let at = usize::try_from(about.identity.point?).ok()?;
        self.plan.points.get(at).map(|point| point.path.clone())
    }

    /// Where the site's own system acknowledges, what has cleared does not wait for anybody here.
    pub(super) fn acknowledge_elsewhere(&mut self, t: &Transition) {
        let waits = t.cause == Cause::Cleared && !t.process_to.is_acknowledged() && !t.hidden.any();
        if !waits || self.plan.module.acknowledge == Acknowledge::Here {
            return;
        }
        if self.judge.operate(t.at, t.alarm, Operation::Acknowledge).is_ok() {
            self.by_hand(t.alarm, Hand { by: Some(ELSEWHERE), reason: None });
        }
    }
}

/// How long something may hold, ms.
fn within(asked: Option<u32>, at_most: Duration, otherwise: Option<Duration>) -> Result<u64, Refused> {
    let ms = |duration: Duration| u64::try_from(duration.as_millis()).unwrap_or(u64::MAX);
    let asked = match asked {
        Some(asked) => u64::from(asked),
        None => ms(otherwise.ok_or(Refused::NoDuration)?),
    };
    match asked {
        0 => Err(Refused::NoDuration),
        asked if asked > ms(at_most) => Err(Refused::TooLong { max_ms: ms(at_most) }),
        asked => Ok(asked),
    }
}

/// What was done, in one sentence.
fn said(words: &Words, request: &Request, who: &str, reason: Option<&str>, refused: Option<&Refused>) -> String {
    let say = &words.operator;
    let (sentence, rule, mode, device) = match &request.action {
        Action::Acknowledge => (&say.acknowledges, "", "", ""),
        Action::AcknowledgeIncident => (&say.acknowledges_incident, "", "", ""),
        Action::Reset => (&say.resets, "", "", ""),
        Action::Shelve { .. } => (&say.shelves, "", "", ""),
        Action::ShelveOnce => (&say.shelves_once, "", "", ""),
        Action::Unshelve => (&say.unshelves, "", "", ""),
        Action::RemoveFromService => (&say.removes, "", "", ""),
        Action::ReturnToService => (&say.returns, "", "", ""),
        Action::Suppress { rule, .. } => (&say.suppresses, rule.as_str(), "", ""),
        Action::Release { rule } => (&say.releases, rule.as_str(), "", ""),
        Action::SetMode { mode, .. } => (&say.sets_mode, "", words.mode(*mode), ""),
        Action::ConfirmDevice { device } => (&say.confirms, "", "", device.as_str()),
        Action::Note if request.alarm.is_some() => (&say.notes_on, "", "", ""),
        Action::Note => (&say.notes, "", "", ""),
    };
    let because = reason.map(|reason| filled(&say.because, &[("reason", reason)])).unwrap_or_default();
    let gaps = [
        ("who", if who.is_empty() { say.nobody.as_str() } else { who }),
        ("alarm", request.alarm.as_deref().unwrap_or(&say.an_alarm)),
        ("because", &because),
        ("rule", rule),
        ("mode", mode),
        ("device", device),
    ];
    let done = filled(sentence, &gaps);
    let done = match refused {
        Some(refused) => filled(&say.refused, &[("done", &done), ("why", &refused.said(words))]),
        None => done,
    };
    if done.ends_with(['.', '!', '?']) { done } else { format!("{done}.") }
}
