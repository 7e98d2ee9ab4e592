//! What derived points have learnt and summed is kept over a restart: energies, the health of batteries.
//!
//! Saved beside the alarms once a minute and at the end, where it has changed; what is long (a year of days) as much more
//! seldom, so that the disk bears it. A power cut takes what came since, which then is time that was not read. It belongs to a point that is computed from the same inputs with the same constants;
//! otherwise it begins anew. How long the agent was away is known only where both clocks vouch for it. Part of the loop in
//! `run`. Never panics, whatever was saved.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::*;
use crate::core::derived::Remembered;

/// Head of the ids they are saved under, which no alarm can have (`agent/` is reserved).
pub(super) const ROWS: &str = "agent/memory/";

/// Time between two saves of so many numbers.
const EVERY: Duration = Duration::from_secs(60);
const NUMBERS: usize = 64;

/// When what was saved last.
#[derive(Debug, Default)]
pub(super) struct Memories {
    looked_at: Option<Instant>,
    /// By point: what was saved, and when.
    saved: BTreeMap<u32, (Instant, Vec<f64>)>,
}

/// The saved form.
#[derive(Debug, Serialize, Deserialize)]
struct SavedMemory {
    numbers: Vec<f64>,
    saved_at: i64,
    saved_synced: bool,
}

impl Core<'_> {
    /// Saves those whose time it is.
    pub(super) fn look_at_memories(&mut self) {
        let instant = Instant::now();
        if self.memories.looked_at.get_or_insert(instant).elapsed() >= EVERY {
            self.memories.looked_at = Some(instant);
            self.save_memories_if(|saved_at, numbers| saved_at.elapsed() + EVERY / 2 >= rest(numbers));
        }
    }

    /// Saves those that have changed.
    pub(super) fn save_memories(&mut self) {
        self.save_memories_if(|_, _| true);
    }

    fn save_memories_if(&mut self, is_due: impl Fn(Instant, usize) -> bool) {
        let (saved_at, saved_synced) = (self.lasting.clock.wall(self.lasting.clock.now()), self.lasting.clock.synced());
        for Remembered { point, digest, numbers } in self.judge.remembered() {
            let before = self.memories.saved.get(&point);
            if before.is_some_and(|(at, saved)| *saved == numbers || !is_due(*at, numbers.len())) {
                continue;
            }
            let path = usize::try_from(point).ok().and_then(|point| self.plan.points.get(point)).map(|p| &p.path);
            let Some(path) = path else { continue };
            let saved = SavedMemory { numbers: numbers.clone(), saved_at, saved_synced };
            let state = serde_json::to_vec(&saved).unwrap_or_default();
            self.lasting.ledger.save(SavedAlarm { id: format!("{ROWS}{path}"), digest, state });
            self.memories.saved.insert(point, (Instant::now(), numbers));
        }
    }

    /// Gives a point back what an earlier start has left; what belongs to no point, or to another computation, is forgotten.
    pub(super) fn restore_memory(&mut self, path: &str, row: &SavedAlarm, now: Millis) {
        let point = self.plan.points.iter().position(|point| point.path == path).and_then(|at| u32::try_from(at).ok());
        let saved = serde_json::from_slice::<SavedMemory>(&row.state).ok();
        let recalled = point.zip(saved).is_some_and(|(point, saved)| {
            let away_ms = (saved.saved_synced && self.lasting.clock.synced())
                .then(|| u64::try_from(self.lasting.clock.wall(now).saturating_sub(saved.saved_at)).unwrap_or(0));
            let remembered = Remembered { point, digest: row.digest, numbers: saved.numbers };
            self.judge.recall(remembered, away_ms)
        });
        if !recalled {
            self.lasting.ledger.forget(row.id.clone());
        }
    }
}

/// Time from one save of so many numbers to the next.
fn rest(numbers: usize) -> Duration {
    EVERY * u32::try_from(numbers.div_ceil(NUMBERS)).unwrap_or(u32::MAX).max(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_year_is_saved_more_seldom_than_a_day() {
        // A day and the open one are eight numbers, a leap year and the open day 367 times four.
        assert_eq!([1, 8, 64, 65, 4 * 367].map(|numbers| rest(numbers).as_secs() / 60), [1, 1, 1, 2, 23]);
    }
}
