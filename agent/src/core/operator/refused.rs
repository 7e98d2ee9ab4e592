//! Why something was not done: a stable code for programs, a sentence in the words of a language for people.
//!
//! Decides nothing. Never panics.

use std::fmt;

use lapwing_engine::Refusal;

use super::{NAME_MAX, REASON_MAX, Role};
use crate::plan::Language;
use crate::words::{Words, filled, lasting};

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
