//! The event log as a replay needs it: what moved, and what people did.
//!
//! Knows nothing of settings. Events that cannot be read are left out. Times are wall milliseconds. Never panics.

use std::path::Path;

use lapwing_protocol::event::{AlarmChange, Detail};
use lapwing_protocol::{Event, OperatorAction};

use crate::store::StoreError;
use crate::store::snapshot::Snapshot;

/// An alarm event.
#[derive(Clone, Debug)]
pub(super) struct Changed {
    pub(super) t: i64,
    pub(super) change: AlarmChange,
}

/// Something a person did and was not refused.
#[derive(Clone, Debug)]
pub(super) struct Act {
    pub(super) t: i64,
    pub(super) action: OperatorAction,
}

/// The log, in the order of its rows.
#[derive(Debug, Default)]
pub(super) struct Log {
    pub(super) changes: Vec<Changed>,
    pub(super) acts: Vec<Act>,
    /// When the clock was known to be right, by event.
    synced: Vec<(i64, bool)>,
}

impl Log {
    /// Reads it, beside a running agent too.
    pub(super) fn of(data: &Path) -> Result<Self, StoreError> {
        let mut log = Self::default();
        for stored in Snapshot::of(data)?.events(i64::MIN, i64::MAX)? {
            if let Ok(event) = serde_json::from_slice::<Event>(&stored.payload) {
                log.take(event);
            }
        }
        Ok(log)
    }

    pub(super) fn take(&mut self, event: Event) {
        if self.synced.last().is_none_or(|(_, synced)| *synced != event.clock_synced) {
            self.synced.push((event.t, event.clock_synced));
        }
        match event.detail {
            Detail::Alarm(change) => self.changes.push(Changed { t: event.t, change: *change }),
            Detail::Operator(action) if action.refused.is_none() => self.acts.push(Act { t: event.t, action }),
            Detail::Operator(_)
            | Detail::Link(_)
            | Detail::Device(_)
            | Detail::Agent(_)
            | Detail::Clock(_)
            | Detail::Store(_)
            | Detail::Config(_)
            | Detail::Other(_) => {}
        }
    }

    /// Whether the clock was synchronised then.
    pub(super) fn synced(&self, t: i64) -> bool {
        let place = self.synced.partition_point(|(from, _)| *from <= t);
        self.synced.get(place.saturating_sub(1)).is_some_and(|(_, synced)| *synced)
    }

    /// The last change of each alarm before a moment, in the order of the log.
    pub(super) fn stood(&self, t: i64) -> impl Iterator<Item = &Changed> {
        let mut last = std::collections::BTreeMap::new();
        for (row, changed) in self.changes.iter().enumerate().filter(|(_, changed)| changed.t < t) {
            last.insert(changed.change.alarm.as_str(), row);
        }
        let mut rows: Vec<usize> = last.into_values().collect();
        rows.sort_unstable();
        rows.into_iter().filter_map(|row| self.changes.get(row))
    }

    /// Whether any alarm had moved before a moment.
    pub(super) fn stood_any(&self, t: i64) -> bool {
        self.changes.iter().any(|changed| changed.t < t)
    }

    /// Changes within stretches of time, both ends included, and within a range, its end not.
    pub(super) fn changes_within(&self, stretches: &[(i64, i64)], range: (i64, i64)) -> Vec<Changed> {
        let within =
            |t: i64| t >= range.0 && t < range.1 && stretches.iter().any(|(first, last)| (*first..=*last).contains(&t));
        self.changes.iter().filter(|changed| within(changed.t)).cloned().collect()
    }
}
