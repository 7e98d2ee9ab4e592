//! The mode of the module: live, test, maintenance, simulated.
//!
//! What the configuration says holds; another mode is set by a person for a time and falls back by itself. It travels
//! with everything published and survives a restart with what was left of its time. Part of the loop in `run`. Never
//! panics.

use lapwing_protocol::Mode;
use serde::{Deserialize, Serialize};

use super::operator::Hand;
use super::*;

/// The mode is saved beside the alarms under this id, which no alarm can have (`agent/` is reserved).
pub(super) const MODE_ROW: &str = "agent/mode";

/// A mode that was set by hand.
#[derive(Debug, Serialize, Deserialize)]
struct SavedMode {
    mode: Mode,
    left_ms: u64,
    saved_at: i64,
    saved_synced: bool,
}

impl Core<'_> {
    /// Sets another mode; without an end it is the configured one.
    pub(super) fn set_mode(&mut self, mode: Mode, until: Option<Millis>, hand: Hand<'_>) {
        let before = self.lasting.mode;
        (self.lasting.mode, self.lasting.mode_until) = (mode, until);
        self.lasting.ledger.set_mode(mode);
        let words = self.words();
        let change = &words.change;
        let end = until.map(|until| crate::core::clock::rfc3339(self.lasting.clock.wall(until)));
        let gaps =
            [("mode", words.mode(mode)), ("before", words.mode(before)), ("until", end.as_deref().unwrap_or_default())];
        let text = filled(if end.is_some() { &change.mode_until } else { &change.mode }, &gaps);
        let reason = hand.reason.unwrap_or(if hand.by.is_some() { &change.by_hand } else { &change.time_over });
        let detail = AgentChange { change: "mode changed".into(), version: None, reason: Some(reason.to_owned()) };
        self.event(text, Detail::Agent(detail), None);
        match until {
            Some(until) => {
                let now = self.lasting.clock.now();
                let saved = SavedMode {
                    mode,
                    left_ms: until.since(now),
                    saved_at: self.lasting.clock.wall(now),
                    saved_synced: self.lasting.clock.synced(),
                };
                let state = serde_json::to_vec(&saved).unwrap_or_default();
                self.lasting.ledger.save(SavedAlarm { id: MODE_ROW.into(), digest: 0, state });
            }
            None => self.lasting.ledger.forget(MODE_ROW.into()),
        }
        self.mode_published();
    }

    /// Falls back to the configured mode when the time of another is over.
    pub(super) fn mode_due(&mut self, now: Millis) {
        if self.lasting.mode_until.is_some_and(|until| until <= now) {
            self.set_mode(self.plan.module.mode, None, Hand::default());
        }
    }

    /// Puts back a mode that was set before a restart; time passed only counts where both clocks vouch for it.
    pub(super) fn restore_mode(&mut self, row: &SavedAlarm, now: Millis) {
        let Ok(saved) = serde_json::from_slice::<SavedMode>(&row.state) else {
            self.lasting.ledger.forget(MODE_ROW.into());
            return;
        };
        let passed = if saved.saved_synced && self.lasting.clock.synced() {
            u64::try_from(self.lasting.clock.wall(now).saturating_sub(saved.saved_at)).unwrap_or(0)
        } else {
            0
        };
        let most = u64::try_from(self.plan.module.mode_at_most.as_millis()).unwrap_or(u64::MAX);
        let left = saved.left_ms.saturating_sub(passed).min(most);
        if left == 0 || saved.mode == self.plan.module.mode {
            self.lasting.ledger.forget(MODE_ROW.into());
            return;
        }
        (self.lasting.mode, self.lasting.mode_until) = (saved.mode, Some(now.plus(left)));
        self.lasting.ledger.set_mode(saved.mode);
        self.show_mode();
        (self.lasting.renew)(&self.lasting.ledger.head().log, saved.mode, true);
    }

    /// Everything retained says the mode: presence and will, alarms, single points.
    fn mode_published(&mut self) {
        self.show_mode();
        (self.lasting.renew)(&self.lasting.ledger.head().log, self.lasting.mode, true);
        self.singles.again();
        self.publish_all_alarms();
    }

    /// Whoever looks on sees the mode and its end.
    pub(super) fn show_mode(&self) {
        let (mode, until) = (self.lasting.mode, self.lasting.mode_until.map(|until| self.lasting.clock.wall(until)));
        self.lasting.board.set_head(|head| (head.mode, head.mode_until) = (mode, until));
        self.lasting.board.happened(Happened::Mode);
    }
}
