//! One alarm's state over time: delays, occurrence, what hides it, and how it survives a restart.
//!
//! Delays (convention of the trade, no source): the on-delay starts at the first true sample and any false sample
//! resets it; the alarm is raised at the first sample or poll at which the delay has passed and the last sample was
//! true. The off-delay is its mirror. Unknown samples lean to the side of the alarm: they leave a running on-delay as
//! it is, though only a true sample or a poll after one raises; they reset a running off-delay, because "gone" must be
//! seen to persist.
//!
//! Times are moments of the caller's monotonic clock; a clock that goes back only makes a delay longer. Never panics.

use lapwing_protocol::ShownState;

use super::condition::Truth;
use super::hide::{Cover, Hidden, RULES};
use super::process::{Event, Process};
use crate::spec::{AlarmSpec, Millis};

/// End of the timer list.
pub(crate) const END: u32 = u32::MAX;

/// State of one alarm.
#[derive(Clone, Copy, Debug)]
pub struct AlarmState {
    pub(crate) cover: Cover,
    /// First true sample of the pending or present occurrence; `NEVER` when there is none.
    true_since: Millis,
    /// First false sample of an active alarm that is about to clear.
    clear_since: Millis,
    raised_at: Millis,
    occurrence: u32,
    /// Next alarm with something pending (the engine's timer list).
    pub(crate) next: u32,
    pub(crate) process: Process,
    /// What the last sample said.
    truth: Truth,
    /// Whether it is in the timer list.
    pub(crate) listed: bool,
    /// Its condition was changed: until it has been true once, the deadband does not hold it.
    judge_anew: bool,
}

impl Default for AlarmState {
    /// Normal, never raised.
    fn default() -> Self {
        Self {
            cover: Cover::default(),
            true_since: Millis::NEVER,
            clear_since: Millis::NEVER,
            raised_at: Millis::NEVER,
            occurrence: 0,
            next: END,
            process: Process::Normal,
            truth: Truth::Unknown,
            listed: false,
            judge_anew: false,
        }
    }
}

impl AlarmState {
    /// The state as shown.
    #[must_use]
    pub const fn shown(&self) -> ShownState {
        self.cover.hidden().shown(self.process)
    }

    /// The process state under what hides it.
    #[must_use]
    pub const fn process(&self) -> Process {
        self.process
    }

    /// Whether its condition counts as true, delays included.
    #[must_use]
    pub const fn is_active(&self) -> bool {
        self.process.is_active()
    }

    /// What hides it.
    #[must_use]
    pub const fn hidden(&self) -> Hidden {
        self.cover.hidden()
    }

    /// What hides it, with ends and rules.
    #[must_use]
    pub const fn cover(&self) -> &Cover {
        &self.cover
    }

    /// When the condition became true: of an active alarm, or of one whose on-delay runs.
    #[must_use]
    pub fn true_since(&self) -> Option<Millis> {
        moment(self.true_since)
    }

    /// When it was last raised by the process.
    #[must_use]
    pub fn raised_at(&self) -> Option<Millis> {
        moment(self.raised_at)
    }

    /// Lives so far.
    #[must_use]
    pub const fn occurrence(&self) -> u32 {
        self.occurrence
    }

    /// The same under tables whose rules of suppression have other numbers; a rule that has none lets go.
    #[must_use]
    pub fn renumbered(mut self, rule: impl Fn(u16) -> Option<u16>) -> Self {
        self.cover.renumber(rule);
        self
    }

    /// Whether the deadband counts at the next sample.
    #[inline]
    pub(crate) const fn held_by_deadband(&self) -> bool {
        self.is_active() && !self.judge_anew
    }

    /// Whether a false sample changes nothing.
    #[inline]
    pub(crate) fn is_quiet(&self) -> bool {
        !self.is_active() && self.true_since == Millis::NEVER && self.truth == Truth::False
    }

    /// Whether no delay runs and another sample of the same truth changes nothing.
    pub(crate) fn is_steady(&self) -> bool {
        if self.is_active() {
            self.truth == Truth::True // then no off-delay runs and the deadband holds
        } else {
            self.is_quiet()
        }
    }

    /// Takes a sample; an event if it completes a delay.
    pub(crate) fn sample(&mut self, spec: &AlarmSpec, truth: Truth, at: Millis) -> Option<Event> {
        self.truth = truth;
        match (self.is_active(), truth) {
            (false, Truth::True) => {
                if self.true_since == Millis::NEVER {
                    self.true_since = at;
                }
            }
            (false, Truth::False) => self.true_since = Millis::NEVER,
            (false, Truth::Unknown) => {}
            (true, Truth::True) => {
                self.clear_since = Millis::NEVER;
                self.judge_anew = false;
            }
            (true, Truth::False) => {
                if self.clear_since == Millis::NEVER {
                    self.clear_since = at;
                }
            }
            (true, Truth::Unknown) => self.clear_since = Millis::NEVER,
        }
        self.completed(spec, at).map(|(event, _)| event)
    }

    /// The event whose delay has passed by `now`, and when it passed.
    pub(crate) fn completed(&self, spec: &AlarmSpec, now: Millis) -> Option<(Event, Millis)> {
        let (event, at) = self.delay(spec)?;
        (at <= now).then_some((event, at))
    }

    /// The first moment at which something happens by itself.
    pub(crate) fn deadline(&self, spec: &AlarmSpec) -> Millis {
        self.delay(spec).map_or(Millis::NEVER, |(_, at)| at).min(self.cover.deadline())
    }

    /// The running delay that time alone can complete.
    fn delay(&self, spec: &AlarmSpec) -> Option<(Event, Millis)> {
        match (self.is_active(), self.truth) {
            (false, Truth::True) => Some((Event::ConditionTrue, self.true_since.plus(u64::from(spec.on_delay_ms)))),
            (true, Truth::False) => Some((Event::ConditionFalse, self.clear_since.plus(u64::from(spec.off_delay_ms)))),
            (false, Truth::False | Truth::Unknown) | (true, Truth::True | Truth::Unknown) => None,
        }
    }

    /// A raise: a new life.
    pub(crate) fn raise(&mut self, at: Millis) {
        self.raised_at = at;
        self.occurrence = self.occurrence.saturating_add(1);
        self.clear_since = Millis::NEVER;
        self.judge_anew = false;
    }

    /// After a clear has been told.
    pub(crate) fn cleared(&mut self) {
        self.true_since = Millis::NEVER;
        self.clear_since = Millis::NEVER;
        self.judge_anew = false;
    }
}

/// What is kept of an alarm over a restart.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SavedAlarm {
    /// Process state.
    pub process: Process,
    /// Lives so far.
    pub occurrence: u32,
    /// When the condition of the present life became true.
    pub true_since: Option<Millis>,
    /// When it was last raised.
    pub raised_at: Option<Millis>,
    /// Its shelf.
    pub shelf: Option<SavedShelf>,
    /// What suppresses it.
    pub suppression: Option<SavedSuppression>,
    /// Removed from service.
    pub out_of_service: bool,
    /// Its condition is not the one it was raised by: judged anew in the same occurrence.
    pub judge_anew: bool,
}

/// A shelf over a restart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SavedShelf {
    /// When it ends.
    pub until: Millis,
    /// Whether it ends with the return to normal.
    pub one_shot: bool,
}

/// A suppression over a restart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SavedSuppression {
    /// When it ends at the latest.
    pub until: Millis,
    /// The rules; unused places hold 65535.
    pub rules: [u16; RULES],
}

impl SavedAlarm {
    /// The same on a clock whose `to` is this clock's `from`: a restarted monotonic clock begins at another number.
    #[must_use]
    pub fn moved(self, from: Millis, to: Millis) -> Self {
        let moved = |at: Millis| at.moved(from, to);
        Self {
            true_since: self.true_since.map(moved),
            raised_at: self.raised_at.map(moved),
            shelf: self.shelf.map(|shelf| SavedShelf { until: moved(shelf.until), ..shelf }),
            suppression: self.suppression.map(|held| SavedSuppression { until: moved(held.until), ..held }),
            ..self
        }
    }
}

impl From<&AlarmState> for SavedAlarm {
    fn from(state: &AlarmState) -> Self {
        Self {
            process: state.process,
            occurrence: state.occurrence,
            true_since: if state.is_active() { state.true_since() } else { None },
            raised_at: state.raised_at(),
            shelf: state.cover.saved_shelf(),
            suppression: state.cover.saved_suppression(),
            out_of_service: state.hidden().out_of_service,
            judge_anew: state.judge_anew,
        }
    }
}

impl AlarmState {
    /// From what was kept. A shelf that would outlast what the alarm allows now is cut to that.
    pub(crate) fn restored(saved: &SavedAlarm, spec: &AlarmSpec, now: Millis) -> Self {
        let active = saved.process.is_active();
        Self {
            cover: Cover::restored(
                saved.shelf,
                saved.suppression,
                saved.out_of_service,
                now.plus(u64::from(spec.max_shelf_ms)),
                now,
            ),
            true_since: if active { saved.true_since.unwrap_or(now) } else { Millis::NEVER },
            raised_at: saved.raised_at.unwrap_or(Millis::NEVER),
            occurrence: saved.occurrence,
            process: saved.process,
            judge_anew: saved.judge_anew && active,
            ..Self::default()
        }
    }
}

fn moment(at: Millis) -> Option<Millis> {
    (at != Millis::NEVER).then_some(at)
}
