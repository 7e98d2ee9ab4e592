//! What derived points have learnt and summed is kept over a restart: energies, the health of batteries.
//!
//! Saved beside the alarms once a minute and at the end, where it has changed; a power cut takes the last minute, which
//! then is time that was not read. It belongs to a point that is computed from the same inputs with the same constants;
//! otherwise it begins anew. How long the agent was away is known only where both clocks vouch for it. Part of the loop in
//! `run`. Never panics, whatever was saved.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::*;
use crate::core::derived::Remembered;

/// Head of the ids they are saved under, which no alarm can have (`agent/` is reserved).
pub(super) const ROWS: &str = "agent/memory/";

/// Longest time between two saves.
const EVERY: Duration = Duration::from_secs(60);

/// When what was saved last.
#[derive(Debug, Default)]
pub(super) struct Memories {
    saved_at: Option<Instant>,
    /// By point.
    saved: BTreeMap<u32, Vec<f64>>,
}

/// The saved form.
#[derive(Debug, Serialize, Deserialize)]
struct SavedMemory {
    numbers: Vec<f64>,
    saved_at: i64,
    saved_synced: bool,
}

impl Core<'_> {
    /// Saves them when it is time.
    pub(super) fn look_at_memories(&mut self) {
        let instant = Instant::now();
        if self.memories.saved_at.get_or_insert(instant).elapsed() >= EVERY {
            self.memories.saved_at = Some(instant);
            self.save_memories();
        }
    }

    /// Saves those that have changed.
    pub(super) fn save_memories(&mut self) {
        let (saved_at, saved_synced) = (self.clock.wall(self.clock.now()), self.clock.synced());
        for Remembered { point, digest, numbers } in self.judge.derivation().remembered() {
            let path = usize::try_from(point).ok().and_then(|point| self.plan.points.get(point)).map(|p| &p.path);
            let Some(path) = path.filter(|_| self.memories.saved.get(&point) != Some(&numbers)) else { continue };
            let saved = SavedMemory { numbers: numbers.clone(), saved_at, saved_synced };
            let state = serde_json::to_vec(&saved).unwrap_or_default();
            self.ledger.save(SavedAlarm { id: format!("{ROWS}{path}"), digest, state });
            self.memories.saved.insert(point, numbers);
        }
    }

    /// Gives a point back what an earlier start has left; what belongs to no point, or to another computation, is forgotten.
    pub(super) fn restore_memory(&mut self, path: &str, row: &SavedAlarm, now: Millis) {
        let point = self.plan.points.iter().position(|point| point.path == path).and_then(|at| u32::try_from(at).ok());
        let saved = serde_json::from_slice::<SavedMemory>(&row.state).ok();
        let recalled = point.zip(saved).is_some_and(|(point, saved)| {
            let away_ms = (saved.saved_synced && self.clock.synced())
                .then(|| u64::try_from(self.clock.wall(now).saturating_sub(saved.saved_at)).unwrap_or(0));
            let remembered = Remembered { point, digest: row.digest, numbers: saved.numbers };
            self.judge.derivation_mut().recall(remembered, away_ms)
        });
        if !recalled {
            self.ledger.forget(row.id.clone());
        }
    }
}
