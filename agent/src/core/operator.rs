//! The one door for what people do: who asks for what, who may, and the answer.
//!
//! A room that takes commands (page, MQTT, a program on the box) makes a [`Request`], hands it in as
//! `Message::Operator` and waits for the [`Answer`]. Who the person is and which role they have is that room's to prove;
//! here it is only judged what the role may do, that a reason is given where one is needed, and that the alarm's state
//! allows it. Every action, done or refused, becomes an event of kind `operator`; the alarm's own event follows with
//! the same name and reason. The answer comes when both have a number; on disk they are a moment later.
//!
//! Roles are those of OPC UA Part 18 (observer, operator, engineer; from memory), the rule that shelving and removal
//! from service need a reason and an end or a permit ISA-18.2's (from memory). Durations are milliseconds. Never panics.

use std::fmt;

use lapwing_engine::Refusal;
use lapwing_protocol::Mode;

pub use super::once::Once;
use crate::plan::Language;
use crate::words::{Words, filled, lasting};

/// Longest name of a person, characters.
pub const NAME_MAX: usize = 64;
/// Longest reason or note, characters.
pub const REASON_MAX: usize = 500;

/// What a person may do; each may all that those before may.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Role {
    /// Look.
    Observer,
    /// Acknowledge, reset, shelve, start and end declared suppressions, write notes.
    Operator,
    /// Remove alarms from service and return them, set the mode, confirm a device that was replaced.
    Engineer,
}

impl Role {
    /// The word people see.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Observer => "observer",
            Self::Operator => "operator",
            Self::Engineer => "engineer",
        }
    }

    /// The role of a word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Observer, Self::Operator, Self::Engineer].into_iter().find(|role| role.word() == word)
    }
}

/// What is asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Action {
    /// Take notice of an alarm.
    Acknowledge,
    /// Take notice of all alarms of the alarm's incident that wait for it.
    AcknowledgeIncident,
    /// Free a latched alarm that is cleared and acknowledged.
    Reset,
    /// Hide an alarm for a time.
    Shelve {
        /// How long.
        for_ms: u32,
    },
    /// Hide an alarm until it returns to normal.
    ShelveOnce,
    /// End the shelf.
    Unshelve,
    /// Remove an alarm from service.
    RemoveFromService,
    /// Return it to service.
    ReturnToService,
    /// Start a declared suppression that a person starts.
    Suppress {
        /// Name of the rule.
        rule: String,
        /// How long; `None`: as long as the rule allows.
        for_ms: Option<u32>,
    },
    /// End it.
    Release {
        /// Name of the rule.
        rule: String,
    },
    /// Say that the module is in test, in maintenance or live again.
    SetMode {
        /// The mode.
        mode: Mode,
        /// How long; then the configured mode returns. Setting that one itself needs no time.
        for_ms: Option<u32>,
    },
    /// Say that a device which shows another identity is right: what it shows now counts from now on.
    ConfirmDevice {
        /// Its name.
        device: String,
    },
    /// Write a note into the log; the request's reason is its text.
    Note,
}

impl Action {
    /// The word in events.
    #[must_use]
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Acknowledge | Self::AcknowledgeIncident => "acknowledge",
            Self::Reset => "reset",
            Self::Shelve { .. } => "shelve",
            Self::ShelveOnce => "shelve once",
            Self::Unshelve => "unshelve",
            Self::RemoveFromService => "remove from service",
            Self::ReturnToService => "return to service",
            Self::Suppress { .. } => "suppress",
            Self::Release { .. } => "release",
            Self::SetMode { .. } => "set mode",
            Self::ConfirmDevice { .. } => "confirm device",
            Self::Note => "note",
        }
    }

    /// The least role that may do it.
    #[must_use]
    pub const fn needs(&self) -> Role {
        match self {
            Self::Acknowledge
            | Self::AcknowledgeIncident
            | Self::Reset
            | Self::Shelve { .. }
            | Self::ShelveOnce
            | Self::Unshelve
            | Self::Suppress { .. }
            | Self::Release { .. }
            | Self::Note => Role::Operator,
            Self::RemoveFromService | Self::ReturnToService | Self::SetMode { .. } | Self::ConfirmDevice { .. } => {
                Role::Engineer
            }
        }
    }

    /// Whether a reason must be given: for all that hides, and for what makes a strange device believed.
    #[must_use]
    pub const fn needs_reason(&self) -> bool {
        match self {
            Self::Shelve { .. }
            | Self::ShelveOnce
            | Self::RemoveFromService
            | Self::Suppress { .. }
            | Self::SetMode { .. }
            | Self::ConfirmDevice { .. }
            | Self::Note => true,
            Self::Acknowledge
            | Self::AcknowledgeIncident
            | Self::Reset
            | Self::Unshelve
            | Self::ReturnToService
            | Self::Release { .. } => false,
        }
    }

    /// Whether it is done to an alarm.
    #[must_use]
    pub const fn concerns_alarm(&self) -> bool {
        match self {
            Self::Acknowledge
            | Self::AcknowledgeIncident
            | Self::Reset
            | Self::Shelve { .. }
            | Self::ShelveOnce
            | Self::Unshelve
            | Self::RemoveFromService
            | Self::ReturnToService => true,
            Self::Suppress { .. }
            | Self::Release { .. }
            | Self::SetMode { .. }
            | Self::ConfirmDevice { .. }
            | Self::Note => false,
        }
    }
}

/// What a person asks for.
#[derive(Debug)]
pub struct Request {
    /// Who.
    pub who: String,
    /// In which role.
    pub role: Role,
    /// What.
    pub action: Action,
    /// To which alarm, by id.
    pub alarm: Option<String>,
    /// Which occurrence of it the person saw: another one is not touched. `None`: whichever stands.
    pub occurrence: Option<u32>,
    /// Why, in the person's words; the text of a note.
    pub reason: Option<String>,
    /// What names the request where a copy of it could come again.
    pub once: Option<Once>,
    /// Where the answer goes.
    pub reply: Reply,
}

/// Where an answer goes: called once, on the core's thread or that of the store's writer, so it must not wait.
pub struct Reply(Option<Box<dyn FnOnce(Answer) + Send>>);

impl Reply {
    /// Calls a function.
    #[must_use]
    pub fn to(answer: impl FnOnce(Answer) + Send + 'static) -> Self {
        Self(Some(Box::new(answer)))
    }

    /// Nobody waits for the answer; the events tell.
    #[must_use]
    pub const fn nobody() -> Self {
        Self(None)
    }

    /// Answers.
    pub fn say(self, answer: Answer) {
        if let Some(say) = self.0 {
            say(answer);
        }
    }
}

impl fmt::Debug for Reply {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(if self.0.is_some() { "Reply(waiting)" } else { "Reply(nobody)" })
    }
}

/// Done, with the number of the `operator` event, or refused.
pub type Answer = Result<Done, Refused>;

/// What was done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Done {
    /// Event log.
    pub log: String,
    /// Number of the event of kind `operator`.
    pub seq: u64,
    /// Until when it holds, wall ms, if it ends by itself.
    pub until: Option<i64>,
}

/// Why something was not done. The text, in the words of a language, says what would help; the code is stable.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// The role may not.
    NotAllowed {
        /// The person's role.
        role: Role,
        /// The least role that may.
        needs: Role,
    },
    /// Nobody is named.
    NoName,
    /// No reason is given.
    NoReason,
    /// The reason is too long, or holds what is no text.
    BadReason,
    /// No alarm is named.
    NoAlarm,
    /// No alarm is called so.
    UnknownAlarm {
        /// As given.
        id: String,
        /// The nearest id.
        near: Option<String>,
    },
    /// No rule is called so.
    UnknownRule {
        /// As given.
        name: String,
        /// All rules.
        known: Vec<String>,
    },
    /// The rule holds by itself.
    HoldsByItself {
        /// The rule.
        name: String,
    },
    /// The rule hides nothing now.
    NotInForce {
        /// The rule.
        name: String,
    },
    /// The rule is in force.
    InForce {
        /// The rule.
        name: String,
    },
    /// No device is called so.
    UnknownDevice {
        /// As given.
        name: String,
        /// The nearest name.
        near: Option<String>,
    },
    /// Nothing of the device is remembered that could be confirmed.
    NothingToConfirm {
        /// The device.
        name: String,
    },
    /// Longer than allowed.
    TooLong {
        /// Longest time, ms.
        max_ms: u64,
    },
    /// No time given.
    NoDuration,
    /// Somebody else acknowledges.
    AcknowledgedElsewhere,
    /// What the person saw is over.
    OtherOccurrence {
        /// The one that was named.
        seen: u32,
        /// The present one.
        now: u32,
    },
    /// It was taken before.
    Repeated {
        /// Its id.
        id: String,
    },
    /// It may have been taken before.
    Old {
        /// Its id.
        id: String,
    },
    /// Too many at a time.
    TooMany {
        /// The bound.
        most: usize,
    },
    /// The alarm's state does not allow it.
    State(#[from] Refusal),
}

impl Refused {
    /// A stable code, for programs.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Self::NotAllowed { .. } => "not_allowed",
            Self::NoName => "no_name",
            Self::NoReason => "no_reason",
            Self::BadReason => "bad_reason",
            Self::NoAlarm => "no_alarm",
            Self::UnknownAlarm { .. } => "unknown_alarm",
            Self::UnknownRule { .. } => "unknown_rule",
            Self::HoldsByItself { .. } => "holds_by_itself",
            Self::NotInForce { .. } => "not_in_force",
            Self::InForce { .. } => "in_force",
            Self::UnknownDevice { .. } => "unknown_device",
            Self::NothingToConfirm { .. } => "nothing_to_confirm",
            Self::TooLong { .. } => "too_long",
            Self::NoDuration => "no_duration",
            Self::AcknowledgedElsewhere => "acknowledged_elsewhere",
            Self::OtherOccurrence { .. } => "other_occurrence",
            Self::Repeated { .. } => "repeated",
            Self::Old { .. } => "old",
            Self::TooMany { .. } => "too_many",
            Self::State(refusal) => match refusal {
                Refusal::NothingToAcknowledge => "nothing_to_acknowledge",
                Refusal::NotLatched => "not_latched",
                Refusal::StillActive => "still_active",
                Refusal::NotAcknowledged => "not_acknowledged",
                Refusal::NothingToRealarm => "nothing_to_realarm",
                Refusal::Hidden => "hidden",
                Refusal::AlreadyHidden => "already_hidden",
                Refusal::NotHidden => "not_hidden",
                Refusal::TooLong { .. } => "too_long",
                Refusal::NoDuration => "no_duration",
                Refusal::ShelvingNotAllowed => "shelving_not_allowed",
                Refusal::TooManyRules => "too_many_rules",
                Refusal::NoSuchAlarm => "unknown_alarm",
            },
        }
    }
}

impl Refused {
    /// Why, in the words of a language.
    #[must_use]
    pub fn said(&self, words: &Words) -> String {
        let near = |near: &Option<String>| {
            near.as_ref().map(|near| filled(words.refused("near"), &[("near", near)])).unwrap_or_default()
        };
        let code = match self {
            Self::UnknownRule { known, .. } if known.is_empty() => "no_rule",
            Self::State(Refusal::NoSuchAlarm) => "no_such_alarm",
            other => other.code(),
        };
        let sentence = words.refused(code);
        match self {
            Self::NotAllowed { role, needs } => {
                filled(sentence, &[("role", words.role(role.word())), ("needs", words.role(needs.word()))])
            }
            Self::NoName => filled(sentence, &[("most", &NAME_MAX.to_string())]),
            Self::BadReason => filled(sentence, &[("most", &REASON_MAX.to_string())]),
            Self::UnknownAlarm { id, near: other } => filled(sentence, &[("name", id), ("near", &near(other))]),
            Self::UnknownDevice { name, near: other } => filled(sentence, &[("name", name), ("near", &near(other))]),
            Self::UnknownRule { name, known } => filled(sentence, &[("name", name), ("known", &known.join(", "))]),
            Self::HoldsByItself { name }
            | Self::NotInForce { name }
            | Self::InForce { name }
            | Self::NothingToConfirm { name } => filled(sentence, &[("name", name)]),
            Self::TooLong { max_ms } => filled(sentence, &[("most", &lasting(max_ms / 1000))]),
            Self::State(Refusal::TooLong { max_ms }) => {
                filled(sentence, &[("most", &lasting(u64::from(*max_ms) / 1000))])
            }
            Self::OtherOccurrence { seen, now } => {
                filled(sentence, &[("seen", &seen.to_string()), ("now", &now.to_string())])
            }
            Self::Repeated { id } | Self::Old { id } => filled(sentence, &[("id", id)]),
            Self::TooMany { most } => filled(sentence, &[("most", &most.to_string())]),
            Self::NoReason
            | Self::NoAlarm
            | Self::NoDuration
            | Self::AcknowledgedElsewhere
            | Self::State(
                Refusal::NothingToAcknowledge
                | Refusal::NotLatched
                | Refusal::StillActive
                | Refusal::NotAcknowledged
                | Refusal::NothingToRealarm
                | Refusal::Hidden
                | Refusal::AlreadyHidden
                | Refusal::NotHidden
                | Refusal::NoDuration
                | Refusal::ShelvingNotAllowed
                | Refusal::TooManyRules
                | Refusal::NoSuchAlarm,
            ) => sentence.to_owned(),
        }
    }
}

impl fmt::Display for Refused {
    /// In English, for programs; people are told in the site's language.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.said(Words::of(Language::English)))
    }
}

/// Judges what can be judged without the alarm: name, role, reason.
///
/// # Errors
/// Refused by name.
pub fn permitted(request: &Request) -> Result<(), Refused> {
    let plain = |text: &str| text.chars().all(|c| !c.is_control() || c == '\n');
    let name = request.who.trim();
    if name.is_empty() || name.chars().count() > NAME_MAX || name.chars().any(char::is_control) {
        return Err(Refused::NoName);
    }
    let needs = request.action.needs();
    if request.role < needs {
        return Err(Refused::NotAllowed { role: request.role, needs });
    }
    let reason = request.reason.as_deref().map(str::trim).filter(|reason| !reason.is_empty());
    match reason {
        Some(reason) if reason.chars().count() > REASON_MAX || !plain(reason) => Err(Refused::BadReason),
        None if request.action.needs_reason() => Err(Refused::NoReason),
        Some(_) | None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all() -> Vec<Action> {
        let rule = || "pump-1".to_owned();
        vec![
            Action::Acknowledge,
            Action::AcknowledgeIncident,
            Action::Reset,
            Action::Shelve { for_ms: 1 },
            Action::ShelveOnce,
            Action::Unshelve,
            Action::RemoveFromService,
            Action::ReturnToService,
            Action::Suppress { rule: rule(), for_ms: None },
            Action::Release { rule: rule() },
            Action::SetMode { mode: Mode::Test, for_ms: Some(1) },
            Action::ConfirmDevice { device: "ups-a1".to_owned() },
            Action::Note,
        ]
    }

    fn request(role: Role, action: Action, reason: Option<&str>) -> Request {
        Request {
            who: "Operator on shift".into(),
            role,
            action,
            alarm: None,
            occurrence: None,
            reason: reason.map(str::to_owned),
            once: None,
            reply: Reply::nobody(),
        }
    }

    #[test]
    fn who_may_do_what() {
        let may = |role: Role| -> Vec<&'static str> {
            let allowed = all().into_iter().filter(|a| permitted(&request(role, a.clone(), Some("why"))).is_ok());
            allowed.map(|action| action.word()).collect()
        };
        assert!(may(Role::Observer).is_empty());
        let operator =
            ["acknowledge", "acknowledge", "reset", "shelve", "shelve once", "unshelve", "suppress", "release", "note"];
        assert_eq!(may(Role::Operator), operator);
        assert_eq!(may(Role::Engineer).len(), all().len());
    }

    #[test]
    fn what_hides_needs_a_reason() {
        let refused: Vec<&'static str> = all()
            .into_iter()
            .filter(|action| permitted(&request(Role::Engineer, action.clone(), Some("  "))) == Err(Refused::NoReason))
            .map(|action| action.word())
            .collect();
        assert_eq!(
            refused,
            ["shelve", "shelve once", "remove from service", "suppress", "set mode", "confirm device", "note"]
        );
    }

    #[test]
    fn names_and_reasons_are_plain_text_of_bounded_length() {
        let with = |who: &str, reason: &str| {
            permitted(&Request { who: who.into(), ..request(Role::Operator, Action::Note, Some(reason)) })
        };
        assert_eq!(with("", "x"), Err(Refused::NoName));
        assert_eq!(with("a\u{7}b", "x"), Err(Refused::NoName));
        assert_eq!(with(&"n".repeat(NAME_MAX + 1), "x"), Err(Refused::NoName));
        assert_eq!(with(&"n".repeat(NAME_MAX), "x"), Ok(()));
        assert_eq!(with("n", &"r".repeat(REASON_MAX + 1)), Err(Refused::BadReason));
        assert_eq!(with("n", "a\u{1b}[2J"), Err(Refused::BadReason));
        assert_eq!(with("n", "two\nlines"), Ok(()));
    }

    #[test]
    fn every_refusal_is_said_in_every_language() {
        let name = || "coil".to_owned();
        let refused = [
            Refused::NotAllowed { role: Role::Observer, needs: Role::Engineer },
            Refused::NoName,
            Refused::NoReason,
            Refused::BadReason,
            Refused::NoAlarm,
            Refused::UnknownAlarm { id: name(), near: Some("coil-hot".into()) },
            Refused::UnknownRule { name: name(), known: vec!["pump-1".into(), "fans".into()] },
            Refused::UnknownRule { name: name(), known: Vec::new() },
            Refused::HoldsByItself { name: name() },
            Refused::NotInForce { name: name() },
            Refused::InForce { name: name() },
            Refused::UnknownDevice { name: name(), near: None },
            Refused::NothingToConfirm { name: name() },
            Refused::TooLong { max_ms: 28_800_000 },
            Refused::NoDuration,
            Refused::AcknowledgedElsewhere,
            Refused::OtherOccurrence { seen: 3, now: 4 },
            Refused::Repeated { id: "17".into() },
            Refused::Old { id: "17".into() },
            Refused::TooMany { most: 10 },
        ];
        let of_state = [
            Refusal::NothingToAcknowledge,
            Refusal::NotLatched,
            Refusal::StillActive,
            Refusal::NotAcknowledged,
            Refusal::NothingToRealarm,
            Refusal::Hidden,
            Refusal::AlreadyHidden,
            Refusal::NotHidden,
            Refusal::TooLong { max_ms: 3_600_000 },
            Refusal::NoDuration,
            Refusal::ShelvingNotAllowed,
            Refusal::TooManyRules,
            Refusal::NoSuchAlarm,
        ];
        for why in refused.into_iter().chain(of_state.map(Refused::State)) {
            let (english, german) = (why.said(Words::of(Language::English)), why.said(Words::of(Language::German)));
            for said in [&english, &german] {
                assert!(said.contains(' ') && !said.contains(['{', '}']), "{}: {said}", why.code());
            }
            assert_ne!(english, german);
            assert_eq!(english, why.to_string());
        }
        let said = Refused::TooLong { max_ms: 28_800_000 }.to_string();
        assert_eq!(said, "longer than allowed: at most 8 h");
        let said = Refused::UnknownAlarm { id: "coil".into(), near: Some("coil-hot".into()) };
        assert_eq!(said.to_string(), "no alarm is called `coil`; did you mean `coil-hot`?");
        assert_eq!(said.said(Words::of(Language::German)), "kein Alarm heißt `coil`; ist `coil-hot` gemeint?");
    }

    #[test]
    fn roles_have_words() {
        for role in [Role::Observer, Role::Operator, Role::Engineer] {
            assert_eq!(Role::from_word(role.word()), Some(role));
        }
        assert_eq!(Role::from_word("root"), None);
    }
}
