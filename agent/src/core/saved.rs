//! The saved form of an alarm's state: what must survive a restart, as JSON in the store.
//!
//! Moments are saved as wall times, because the monotonic axis begins anew with the process. What was left on a shelf is
//! saved beside its end and reduced only by time that both clocks vouch for (synchronised then and now): a shelf may end
//! late, never early, never not. Unreadable bytes are an error; the alarm is then judged anew. Never panics.

use lapwing_engine::alarm::hide::RULES;
use lapwing_engine::alarm::life::{SavedAlarm, SavedShelf, SavedSuppression};
use lapwing_engine::spec::Millis;
use lapwing_engine::{AlarmState, Process};
use lapwing_protocol::Priority;
use serde::{Deserialize, Serialize};

use super::clock::Clock;
use crate::plan::Suppress;

/// What is kept of an alarm.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Saved {
    /// Process state.
    process: ProcessWord,
    /// Number of the present or last occurrence.
    occurrence: u32,
    /// When it was last raised, wall ms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    raised_at: Option<i64>,
    /// Since when the condition held, wall ms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    true_since: Option<i64>,
    /// Left on the shelf when this was saved, ms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    shelf_left_ms: Option<u64>,
    /// The shelf ends when the alarm returns to normal.
    #[serde(default)]
    one_shot: bool,
    /// Rules of suppression that hide it, by name.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    rules: Vec<String>,
    /// Left of the suppression when this was saved, ms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    rules_left_ms: Option<u64>,
    /// Removed from service.
    #[serde(default)]
    out_of_service: bool,
    /// When this was saved, wall ms, and whether the wall was synchronised then.
    saved_at: i64,
    saved_synced: bool,
    /// What the core keeps beside the engine's state.
    #[serde(flatten)]
    pub kept: Kept,
}

/// What the core keeps of an alarm beside the engine's state.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Kept {
    /// Event that last changed it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seq: Option<u64>,
    /// When, wall ms.
    #[serde(default)]
    pub t: i64,
    /// Incident of the occurrence.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub incident: Option<u64>,
    /// Value at the last change, integer at the point's exponent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<i64>,
    /// Quality at the last change.
    #[serde(default)]
    pub quality: u32,
    /// How urgent it was when it was last raised.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub priority: Option<Priority>,
    /// The first of its group.
    #[serde(default)]
    pub first_out: bool,
    /// The alarm it follows from, by id.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub follows: Option<String>,
    /// Which of the two was first could not be told.
    #[serde(default)]
    pub tie: bool,
    /// What was said when it was last raised.
    #[serde(default)]
    pub text: String,
}

/// ISA-18.2 letters as words.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum ProcessWord {
    Normal,
    Unacknowledged,
    Acknowledged,
    ReturnedUnacknowledged,
    LatchedUnacknowledged,
    LatchedAcknowledged,
}

impl Saved {
    /// The saved form of a state at `now`.
    #[must_use]
    pub fn of(state: &AlarmState, kept: Kept, rules: &[Suppress], clock: &Clock, now: Millis) -> Self {
        let saved = SavedAlarm::from(state);
        let named = |rule: u16| rules.get(usize::from(rule)).map(|rule| rule.name.clone());
        Self {
            process: match saved.process {
                Process::Normal => ProcessWord::Normal,
                Process::Unacknowledged => ProcessWord::Unacknowledged,
                Process::Acknowledged => ProcessWord::Acknowledged,
                Process::ReturnedUnacknowledged => ProcessWord::ReturnedUnacknowledged,
                Process::LatchedUnacknowledged => ProcessWord::LatchedUnacknowledged,
                Process::LatchedAcknowledged => ProcessWord::LatchedAcknowledged,
            },
            occurrence: saved.occurrence,
            raised_at: saved.raised_at.map(|at| clock.wall(at)),
            true_since: saved.true_since.map(|at| clock.wall(at)),
            shelf_left_ms: saved.shelf.map(|shelf| shelf.until.since(now)),
            one_shot: saved.shelf.is_some_and(|shelf| shelf.one_shot),
            rules: state.cover().rules().filter_map(named).collect(),
            rules_left_ms: saved.suppression.map(|held| held.until.since(now)),
            out_of_service: saved.out_of_service,
            saved_at: clock.wall(now),
            saved_synced: clock.synced(),
            kept,
        }
    }

    /// Reads the bytes of the store.
    ///
    /// # Errors
    /// When they are not what this version or an older one wrote.
    pub fn from_bytes(bytes: &[u8]) -> serde_json::Result<Self> {
        serde_json::from_slice(bytes)
    }

    /// The bytes for the store.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        serde_json::to_vec(self).expect("invariant: plain numbers, words and strings always have a JSON form")
    }

    /// Whether anything of it still stood: it was not normal, or hidden.
    #[must_use]
    pub fn stood(&self) -> bool {
        self.process != ProcessWord::Normal
            || self.shelf_left_ms.is_some()
            || self.rules_left_ms.is_some()
            || self.out_of_service
    }

    /// The engine's state on the present clock.
    #[must_use]
    pub fn on(&self, rules: &[Suppress], clock: &Clock, now: Millis, judge_anew: bool) -> SavedAlarm {
        let passed = if self.saved_synced && clock.synced() {
            u64::try_from(clock.wall(now).saturating_sub(self.saved_at)).unwrap_or(0)
        } else {
            0
        };
        SavedAlarm {
            process: match self.process {
                ProcessWord::Normal => Process::Normal,
                ProcessWord::Unacknowledged => Process::Unacknowledged,
                ProcessWord::Acknowledged => Process::Acknowledged,
                ProcessWord::ReturnedUnacknowledged => Process::ReturnedUnacknowledged,
                ProcessWord::LatchedUnacknowledged => Process::LatchedUnacknowledged,
                ProcessWord::LatchedAcknowledged => Process::LatchedAcknowledged,
            },
            occurrence: self.occurrence,
            true_since: self.true_since.map(|t| clock.moment(t)),
            raised_at: self.raised_at.map(|t| clock.moment(t)),
            shelf: self
                .shelf_left_ms
                .map(|left| SavedShelf { until: now.plus(left.saturating_sub(passed)), one_shot: self.one_shot }),
            suppression: self.suppression(rules, now, passed),
            out_of_service: self.out_of_service,
            judge_anew,
        }
    }
}

impl Saved {
    /// Rules that are no longer configured let go.
    fn suppression(&self, rules: &[Suppress], now: Millis, passed: u64) -> Option<SavedSuppression> {
        let left = self.rules_left_ms?;
        let mut held = SavedSuppression { until: now.plus(left.saturating_sub(passed)), rules: [u16::MAX; RULES] };
        let known = self.rules.iter().filter_map(|name| rules.iter().position(|rule| rule.name == *name));
        for (place, rule) in held.rules.iter_mut().zip(known) {
            *place = u16::try_from(rule).unwrap_or(u16::MAX);
        }
        (held.rules[0] != u16::MAX).then_some(held)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::clock::START;

    fn rule(name: &str) -> Suppress {
        Suppress {
            name: name.into(),
            text: String::new(),
            alarms: vec![0],
            at_most: std::time::Duration::from_secs(3600),
            when: None,
        }
    }

    #[test]
    fn rules_come_back_by_name_and_those_no_longer_configured_let_go() {
        let state = Saved {
            rules: vec!["gone".into(), "test".into()],
            rules_left_ms: Some(60_000),
            ..saved(ProcessWord::Normal)
        };
        assert!(state.stood());
        let clock = Clock::fixed(1_030_000, START, true);
        let held = state.on(&[rule("other"), rule("test")], &clock, START, false).suppression.expect("one is left");
        assert_eq!((held.rules[0], held.rules[1], held.until), (1, u16::MAX, START.plus(60_000)));
        assert_eq!(state.on(&[rule("other")], &clock, START, false).suppression, None);
    }

    fn saved(process: ProcessWord) -> Saved {
        Saved {
            process,
            occurrence: 7,
            raised_at: Some(1_000_000),
            true_since: Some(999_000),
            shelf_left_ms: Some(60_000),
            one_shot: true,
            rules: Vec::new(),
            rules_left_ms: None,
            out_of_service: false,
            saved_at: 1_030_000,
            saved_synced: true,
            kept: Kept { seq: Some(12), text: "Water flow is low".into(), ..Kept::default() },
        }
    }

    #[test]
    fn bytes_round_trip_and_damage_is_an_error() {
        let bytes = saved(ProcessWord::Acknowledged).to_bytes();
        assert_eq!(Saved::from_bytes(&bytes).expect("its own bytes"), saved(ProcessWord::Acknowledged));
        for end in 0..bytes.len() {
            assert!(Saved::from_bytes(&bytes[..end]).is_err(), "cut at {end}");
        }
        for at in 0..bytes.len() {
            for bit in 0..8 {
                let mut flipped = bytes.clone();
                flipped[at] ^= 1 << bit;
                // Any answer but a panic.
                let _either = Saved::from_bytes(&flipped);
            }
        }
    }

    #[test]
    fn a_shelf_is_reduced_only_by_time_both_clocks_vouch_for() {
        let now = START.plus(5_000);
        for (then_synced, now_synced, left) in [(true, true, 40_000), (false, true, 60_000), (true, false, 60_000)] {
            let clock = Clock::fixed(1_050_000, now, now_synced);
            let state = Saved { saved_synced: then_synced, ..saved(ProcessWord::Unacknowledged) };
            let shelf = state.on(&[], &clock, now, false).shelf.expect("it was on the shelf");
            assert_eq!(shelf.until, now.plus(left), "{then_synced} {now_synced}");
            assert!(shelf.one_shot);
        }
    }

    #[test]
    fn a_wall_clock_set_back_lengthens_no_shelf_and_shortens_none() {
        let now = START;
        let clock = Clock::fixed(0, now, true);
        let shelf = saved(ProcessWord::Normal).on(&[], &clock, now, false).shelf.expect("it was on the shelf");
        assert_eq!(shelf.until, now.plus(60_000));
    }

    #[test]
    fn moments_before_the_start_keep_their_wall_time() {
        let now = START.plus(10);
        let clock = Clock::fixed(2_000_000_000, now, true);
        let state = Saved { raised_at: Some(1_900_000_000), ..saved(ProcessWord::Unacknowledged) };
        let restored = state.on(&[], &clock, now, false);
        assert_eq!(restored.raised_at.map(|at| clock.wall(at)), Some(1_900_000_000));
        assert_eq!(restored.occurrence, 7);
    }

    #[test]
    fn only_what_stood_is_closed_with_an_event() {
        let idle = Saved { shelf_left_ms: None, ..saved(ProcessWord::Normal) };
        assert!(!idle.stood());
        assert!(saved(ProcessWord::Normal).stood());
        assert!(Saved { shelf_left_ms: None, ..saved(ProcessWord::LatchedAcknowledged) }.stood());
    }
}
