//! The six process states of an alarm and the events that move between them: ISA-18.2-2016 / IEC 62682 states A to F.
//!
//! One `match` holds every pair of state and event. Whether a condition is true, delays included, is decided elsewhere;
//! what hides an alarm (states G, H, I) lies over these states and is `hide`'s. Knows no time. Never panics.
//! The states are from memory of ISA-18.2, E and F and the rule for reset from OPC UA Part 9 §5.8.5.
//!
//! ```text
//!                  true                   acknowledge
//!   A normal ───────────────▶ B unacknowledged ─────────▶ C acknowledged
//!      ▲  ▲                    ▲   │false  ▲  re-alarm        │false
//!      │  └── acknowledge ── D ┘◀──┤       └──────────────────┤ not latching: A
//!      │                           │latching                  │latching
//!      │                           ▼        acknowledge       ▼
//!      │                  E latched, unack. ────────▶ F latched, acknowledged
//!      └──────────────────────── reset ──────────────────────┘
//!   D, E and F go back to B when the condition is true again.
//! ```

use lapwing_protocol::ShownState;

#[cfg(test)]
mod tests;

/// Process state of an alarm.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Process {
    /// A: normal.
    #[default]
    Normal,
    /// B: active, not acknowledged.
    Unacknowledged,
    /// C: active, acknowledged.
    Acknowledged,
    /// D: cleared, not acknowledged.
    ReturnedUnacknowledged,
    /// E: cleared, held, not acknowledged.
    LatchedUnacknowledged,
    /// F: cleared, acknowledged, held until reset.
    LatchedAcknowledged,
}

/// What moves a process state.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Event {
    /// The condition held for the on-delay.
    ConditionTrue,
    /// The condition was gone for the off-delay.
    ConditionFalse,
    /// A person has taken notice.
    Acknowledge,
    /// A person frees a latched alarm.
    Reset,
    /// The alarm asks for attention again: its timer ran out, or a higher level was reached.
    ReAlarm,
}

/// Why an operation was not done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// Acknowledge in a state that waits for none.
    #[error("nothing to acknowledge: the alarm is normal or already acknowledged")]
    NothingToAcknowledge,
    /// Reset of an alarm that is not held.
    #[error("nothing to reset: the alarm is not held")]
    NotLatched,
    /// Reset while the condition is still true.
    #[error("still active: reset it after its condition has cleared")]
    StillActive,
    /// Reset before acknowledgement.
    #[error("not acknowledged: acknowledge it before the reset")]
    NotAcknowledged,
    /// Re-alarm of an alarm that nobody has acknowledged, or that is not active.
    #[error("only an active, acknowledged alarm can ask for attention again")]
    NothingToRealarm,
    /// Acknowledge, reset or re-alarm while hidden.
    #[error("the alarm is hidden: it shows itself again if it is still active when released")]
    Hidden,
    /// Shelve, suppress or remove what already is.
    #[error("already so: release it first")]
    AlreadyHidden,
    /// Unshelve, release or return what is not hidden that way.
    #[error("the alarm is not hidden in that way")]
    NotHidden,
    /// Shelve for longer than the alarm allows; the longest time stands in its settings.
    #[error("longer than this alarm may be shelved: at most {max_ms} ms")]
    TooLong {
        /// Longest time, ms.
        max_ms: u32,
    },
    /// Shelve or suppress for no time at all.
    #[error("a time is needed: nothing is hidden without an end")]
    NoDuration,
    /// The alarm's settings forbid shelving.
    #[error("this alarm may not be shelved")]
    ShelvingNotAllowed,
    /// More design rules at once than are kept apart; the alarm stays hidden by the others.
    #[error("too many rules suppress this alarm at once")]
    TooManyRules,
    /// No alarm has this number.
    #[error("no such alarm")]
    NoSuchAlarm,
}

impl Process {
    /// The state after an event; the same state when the event changes nothing.
    ///
    /// # Errors
    /// A person's event that the state does not allow is refused by name; events of the condition never are.
    pub const fn after(self, event: Event, latching: bool) -> Result<Self, Refusal> {
        use Event as E;
        use Process as P;
        match (self, event) {
            (P::Normal, E::ConditionTrue) => Ok(P::Unacknowledged),
            (P::Normal, E::ConditionFalse) => Ok(P::Normal),
            (P::Normal, E::Acknowledge) => Err(Refusal::NothingToAcknowledge),
            (P::Normal, E::Reset) => Err(Refusal::NotLatched),
            (P::Normal, E::ReAlarm) => Err(Refusal::NothingToRealarm),

            (P::Unacknowledged, E::ConditionTrue) => Ok(P::Unacknowledged),
            (P::Unacknowledged, E::ConditionFalse) if latching => Ok(P::LatchedUnacknowledged),
            (P::Unacknowledged, E::ConditionFalse) => Ok(P::ReturnedUnacknowledged),
            (P::Unacknowledged, E::Acknowledge) => Ok(P::Acknowledged),
            (P::Unacknowledged, E::Reset) => Err(Refusal::StillActive),
            (P::Unacknowledged, E::ReAlarm) => Err(Refusal::NothingToRealarm),

            (P::Acknowledged, E::ConditionTrue) => Ok(P::Acknowledged),
            (P::Acknowledged, E::ConditionFalse) if latching => Ok(P::LatchedAcknowledged),
            (P::Acknowledged, E::ConditionFalse) => Ok(P::Normal),
            (P::Acknowledged, E::Acknowledge) => Err(Refusal::NothingToAcknowledge),
            (P::Acknowledged, E::Reset) => Err(Refusal::StillActive),
            (P::Acknowledged, E::ReAlarm) => Ok(P::Unacknowledged),

            (P::ReturnedUnacknowledged, E::ConditionTrue) => Ok(P::Unacknowledged),
            (P::ReturnedUnacknowledged, E::ConditionFalse) => Ok(P::ReturnedUnacknowledged),
            (P::ReturnedUnacknowledged, E::Acknowledge) => Ok(P::Normal),
            (P::ReturnedUnacknowledged, E::Reset) => Err(Refusal::NotLatched),
            (P::ReturnedUnacknowledged, E::ReAlarm) => Err(Refusal::NothingToRealarm),

            (P::LatchedUnacknowledged, E::ConditionTrue) => Ok(P::Unacknowledged),
            (P::LatchedUnacknowledged, E::ConditionFalse) => Ok(P::LatchedUnacknowledged),
            (P::LatchedUnacknowledged, E::Acknowledge) => Ok(P::LatchedAcknowledged),
            (P::LatchedUnacknowledged, E::Reset) => Err(Refusal::NotAcknowledged),
            (P::LatchedUnacknowledged, E::ReAlarm) => Err(Refusal::NothingToRealarm),

            (P::LatchedAcknowledged, E::ConditionTrue) => Ok(P::Unacknowledged),
            (P::LatchedAcknowledged, E::ConditionFalse) => Ok(P::LatchedAcknowledged),
            (P::LatchedAcknowledged, E::Acknowledge) => Err(Refusal::NothingToAcknowledge),
            (P::LatchedAcknowledged, E::Reset) => Ok(P::Normal),
            (P::LatchedAcknowledged, E::ReAlarm) => Err(Refusal::NothingToRealarm),
        }
    }

    /// The state after the last thing that hid the alarm is gone: it is judged as if new, so what is active asks for
    /// attention and what is not is normal.
    #[must_use]
    pub const fn released(self) -> Self {
        if self.is_active() { Self::Unacknowledged } else { Self::Normal }
    }

    /// Whether the condition counts as true, delays included.
    #[must_use]
    pub const fn is_active(self) -> bool {
        matches!(self, Self::Unacknowledged | Self::Acknowledged)
    }

    /// Whether nobody needs to acknowledge it.
    #[must_use]
    pub const fn is_acknowledged(self) -> bool {
        !matches!(self, Self::Unacknowledged | Self::ReturnedUnacknowledged | Self::LatchedUnacknowledged)
    }

    /// As shown when nothing hides the alarm.
    #[must_use]
    pub const fn shown(self) -> ShownState {
        match self {
            Self::Normal => ShownState::Normal,
            Self::Unacknowledged => ShownState::Unacknowledged,
            Self::Acknowledged => ShownState::Acknowledged,
            Self::ReturnedUnacknowledged => ShownState::ReturnedUnacknowledged,
            Self::LatchedUnacknowledged => ShownState::LatchedUnacknowledged,
            Self::LatchedAcknowledged => ShownState::LatchedAcknowledged,
        }
    }
}
