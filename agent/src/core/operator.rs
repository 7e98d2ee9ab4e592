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

mod refused;

use std::fmt;

use lapwing_protocol::Mode;

pub use super::once::Once;
pub use refused::Refused;

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

/// Judges what can be judged without the alarm: name, role, reason.
///
/// # Errors
/// Refused by name.
pub fn permitted(request: &Request) -> Result<(), Refused> {
    let plain = |text: &str| text.chars().all(|c| (!c.is_control() || c == '\n') && !turns(c));
    let name = request.who.trim();
    if name.is_empty() || name.chars().count() > NAME_MAX || name.chars().any(|c| c.is_control() || turns(c)) {
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

/// Characters that make text beside them read in another order (Unicode Standard Annex 9), or begin a line or paragraph:
/// in a log they could make one person's words look like another's.
const fn turns(c: char) -> bool {
    matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{2028}' | '\u{2029}')
}

#[cfg(test)]
mod tests;
