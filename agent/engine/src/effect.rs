//! What the engine is asked to do with an alarm, and what it tells in return.
//!
//! Plain data; decides nothing. Times are moments of the caller's monotonic clock, values integers at the point's
//! exponent. Never panics.

use lapwing_protocol::{ShownState, Status};

use crate::alarm::hide::Hidden;
use crate::alarm::process::Process;
use crate::spec::Millis;
use crate::trend::slope::Slope;

/// What a person, a design rule or the re-alarm timer does to an alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Operation {
    /// A person has taken notice.
    Acknowledge,
    /// A person frees a latched alarm that is cleared and acknowledged.
    Reset,
    /// Ask for attention again: acknowledged too long ago, or a higher level was reached.
    ReAlarm,
    /// A person hides it for a time.
    Shelve {
        /// How long; at most what the alarm allows.
        for_ms: u32,
    },
    /// A person hides it until it returns to normal, at most for the longest time the alarm allows.
    ShelveOneShot,
    /// A person ends the shelf.
    Unshelve,
    /// A design rule hides it.
    Suppress {
        /// Number of the rule, below 65535.
        rule: u16,
        /// How long at most.
        for_ms: u32,
    },
    /// A design rule lets go.
    Release {
        /// Number of the rule.
        rule: u16,
    },
    /// A person removes it from service.
    RemoveFromService,
    /// A person returns it to service.
    ReturnToService,
}

/// Why an alarm moved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cause {
    /// Its condition held for the on-delay.
    Raised,
    /// Its condition was gone for the off-delay.
    Cleared,
    /// Acknowledged.
    Acknowledged,
    /// Reset.
    Reset,
    /// Asked for attention again.
    ReAlarmed,
    /// Shelved by a person.
    Shelved,
    /// The shelf was ended by a person.
    Unshelved,
    /// The shelf ended by itself: its time, or the return to normal of a one-shot.
    ShelfEnded,
    /// Suppressed by a design rule.
    Suppressed {
        /// Number of the rule.
        rule: u16,
    },
    /// Let go by a design rule; other rules may still hold.
    Released {
        /// Number of the rule.
        rule: u16,
    },
    /// The suppression reached its time limit.
    SuppressionEnded,
    /// Removed from service by a person.
    RemovedFromService,
    /// Returned to service by a person.
    ReturnedToService,
}

/// One step of an alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Transition {
    /// Index of the alarm.
    pub alarm: u32,
    /// State shown before.
    pub from: ShownState,
    /// State shown after; equal to `from` when it moved underneath what hides it.
    pub to: ShownState,
    /// Process state before.
    pub process_from: Process,
    /// Process state after.
    pub process_to: Process,
    /// Whether its condition counts as true, delays included.
    pub active: bool,
    /// What hides it now.
    pub hidden: Hidden,
    /// Why it moved.
    pub cause: Cause,
    /// A person must be told now.
    pub annunciate: bool,
    /// When it moved: the time of the reading, the end of the delay, or the operator's.
    pub at: Millis,
    /// The point's last usable value.
    pub value: i64,
    /// The point's status.
    pub status: Status,
    /// The point's rate of change, if it has a window and the window holds enough.
    pub slope: Option<Slope>,
    /// When the condition became true.
    pub true_since: Option<Millis>,
    /// When it was last raised by the process; a release does not count.
    pub raised_at: Option<Millis>,
    /// Lives of this alarm so far: one more at each raise.
    pub occurrence: u32,
}

/// What the engine tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(clippy::large_enum_variant)] // handed over by value, one at a time, never stored in bulk
pub enum Effect {
    /// An alarm moved.
    Alarm(Transition),
    /// A point's status changed.
    Quality {
        /// Index of the point.
        point: u32,
        /// Status before.
        from: Status,
        /// Status after.
        to: Status,
        /// When.
        at: Millis,
    },
}
