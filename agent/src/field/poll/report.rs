//! What a link delivers and counts.
//!
//! Part of `poll`; times as there. Never panics.

use std::time::Instant;

use lapwing_engine::spec::{Millis, Raw};
use lapwing_protocol::Status;

use super::{COUNTS_EVERY_MS, Job, Poll};
use crate::field::failure::Failure;
use crate::field::health::Change;
use crate::field::stats::{DeviceCounters, Figures, count};
use crate::field::{Batch, FieldMessage};

impl Poll {
    pub(super) fn review(&mut self, t: Millis, now: Instant) {
        let mut changes = Vec::new();
        self.health.review(t, &mut |change| changes.push(change));
        self.tell(changes, now);
        self.tell_lacks(t, now);
    }

    pub(super) fn tell(&self, changes: Vec<Change>, at: Instant) {
        for change in changes {
            (self.deliver)(match change {
                Change::Link { up, why } => FieldMessage::LinkState { link: self.link, up, why, at },
                Change::Device { device, up, why } => {
                    FieldMessage::DeviceState { device: self.devices[device].index, up, why, at }
                }
            });
        }
    }

    pub(super) fn fault(&mut self, slot: usize, status: Status, at: Instant) {
        self.slots[slot].faulted = true;
        let points = self.plan.transactions[self.slots[slot].transaction as usize].points.count;
        self.batch(slot, at, vec![Raw::Fault(status); points as usize]);
    }

    pub(super) fn batch(&mut self, slot: usize, at: Instant, mut raws: Vec<Raw>) {
        let transaction = self.slots[slot].transaction;
        // One raw value a point, whatever the plan's slices say.
        let points = self.plan.transactions[transaction as usize].points.count;
        raws.resize(points as usize, Raw::Fault(Status::BAD_CONFIGURATION_ERROR));
        self.note_missing(slot, &raws, at);
        (self.deliver)(FieldMessage::Batch(Batch { transaction, at, raws }));
    }

    pub(super) fn count_scan(&self, slot: usize, skipped: u32, well: bool) {
        let counters = self.counters(self.slots[slot].device);
        count(&counters.scans_due, 1 + u64::from(skipped));
        count(&counters.scans_skipped, u64::from(skipped));
        if well && skipped > 0 {
            (self.deliver)(FieldMessage::Late { transaction: self.slots[slot].transaction, skipped });
        }
    }

    pub(super) fn count_exchange(&self, job: &Job, sent: Instant, now: Instant, outcome: &Result<Vec<Raw>, Failure>) {
        let counters = self.counters(job.device);
        count(&counters.requests, 1);
        let answered = match outcome {
            Ok(_) => true,
            Err(Failure::Exception { .. } | Failure::Refused(_) | Failure::Http { .. } | Failure::AgentFailure) => {
                count(&counters.exceptions, 1);
                true
            }
            Err(Failure::Silence { .. } | Failure::Unanswered { .. }) => {
                count(&counters.timeouts, 1);
                false
            }
            Err(Failure::Garbled(_)) => {
                count(&counters.garbled, 1);
                false
            }
            Err(Failure::Closed(_) | Failure::NoConnection(_) | Failure::Access(_) | Failure::Plan(_)) => false,
        };
        if answered {
            count(&counters.answers, 1);
            let us = u64::try_from(now.saturating_duration_since(sent).as_micros()).unwrap_or(u64::MAX);
            counters.latency_us.store(us, std::sync::atomic::Ordering::Relaxed);
        }
    }

    pub(super) fn tell_counts(&mut self, t: Millis) {
        if t < self.counts_at {
            return;
        }
        self.counts_at = t.plus(COUNTS_EVERY_MS);
        let Figures { requests, answers, timeouts, garbled, .. } = self.stats.link(self.link);
        (self.deliver)(FieldMessage::Counts { link: self.link, counts: [requests, answers, timeouts, garbled] });
    }

    pub(super) fn counters(&self, device: usize) -> &DeviceCounters {
        &self.stats.devices[self.devices[device].index as usize]
    }
}
