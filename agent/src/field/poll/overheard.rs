//! What others say on a line: another master's readings where the agent only listens, its presence where it speaks.
//!
//! Part of `poll`; times as there. A reply serves every transaction whose registers it holds whole. A device is taken as
//! silent when nothing of it was heard for three of its slowest scan periods, at least ten seconds; a transaction of a
//! device that is heard, as not read by the other master, after ten of its scan periods, at least a minute. Never panics.

use std::time::{Duration, Instant};

use lapwing_protocol::Status;

use super::{Poll, Step, ms};
use crate::field::FieldMessage;
use crate::field::failure::Failure;
use crate::field::request::{Answer, Read, raws};
use crate::field::rtu::overhear::Heard;
use crate::field::stats::count;
use crate::field::why::Why;
use crate::plan::Ask;

/// Another master is taken as gone when none of its requests was heard for so long.
const GONE_AFTER: Duration = Duration::from_secs(60);
const UNHEARD_AT_LEAST_MS: u64 = 10_000;
const UNREAD_AT_LEAST_MS: u64 = 60_000;

/// What is known of other masters.
#[derive(Debug, Default)]
pub(super) struct Masters {
    last: Option<Instant>,
    told: Option<bool>,
}

impl Poll {
    /// What to do on a line that is only listened to: connect, or wait.
    pub(in crate::field) fn step_unspoken(&mut self, now: Instant) -> Step {
        let t = self.millis(now);
        self.review(t, now);
        match self.health.connect_at() {
            Some(at) if at <= t => {
                self.connect_begun = t;
                Step::Connect
            }
            at => Step::Wait(at.and_then(|at| self.epoch.checked_add(Duration::from_millis(at.0)))),
        }
    }

    /// Something was heard on a line that is only listened to.
    pub(in crate::field) fn overheard(&mut self, heard: &Heard, now: Instant) {
        let unit = match heard {
            Heard::Request { unit, .. } => {
                if let Some(device) = self.by_unit(*unit) {
                    count(&self.counters(device).requests, 1);
                }
                return;
            }
            Heard::Values { unit, .. } | Heard::Refusal { unit, .. } | Heard::Confirmed { unit } => *unit,
        };
        let Some(device) = self.by_unit(unit) else { return };
        count(&self.counters(device).answers, 1);
        self.devices[device].heard_at = Some(now);
        let t = self.millis(now);
        self.answered(device, now, t);
        self.recover.clear(); // nothing is asked here
        match heard {
            Heard::Values { read, bytes, .. } => self.serve(device, *read, bytes, now),
            Heard::Refusal { .. } => count(&self.counters(device).exceptions, 1),
            Heard::Request { .. } | Heard::Confirmed { .. } => {}
        }
    }

    /// Takes stock of devices of which nothing is heard.
    pub(in crate::field) fn unheard(&mut self, now: Instant) {
        let t = self.millis(now);
        for device in 0..self.devices.len() {
            let slots = self.devices[device].slots.clone();
            let slowest =
                slots.map(|slot| ms(self.plan.transactions[self.slots[slot].transaction as usize].period)).max();
            let patience_ms = (3 * slowest.unwrap_or(0)).max(UNHEARD_AT_LEAST_MS);
            let since = self.devices[device].heard_at.unwrap_or(self.epoch);
            if ms(now.saturating_duration_since(since)) >= patience_ms {
                let why = Why::Unheard { seconds: patience_ms / 1000 };
                self.health.failed(device, self.millis(since), t, why);
            }
        }
        self.review(t, now);
        self.unread(now);
        self.tell_counts(t);
    }

    /// Tells what of devices that are heard was not heard: the other master does not read it, or not all of it at once.
    fn unread(&mut self, now: Instant) {
        for device in 0..self.devices.len() {
            let Some(heard_at) = self.devices[device].heard_at.filter(|_| self.health.is_well(device)) else {
                continue;
            };
            let mut names = Vec::new();
            for slot in self.devices[device].slots.clone() {
                let transaction = &self.plan.transactions[self.slots[slot].transaction as usize];
                let patience_ms = (10 * ms(transaction.period)).max(UNREAD_AT_LEAST_MS);
                let since = self.slots[slot].heard_at.unwrap_or(self.epoch);
                if self.slots[slot].faulted || ms(heard_at.saturating_duration_since(since)) < patience_ms {
                    continue;
                }
                let points = transaction.points.count as usize;
                names.push(self.named(slot, &(0..points).collect::<Vec<_>>()));
                self.fault(slot, Status::BAD_NO_COMMUNICATION, now);
            }
            if !names.is_empty() {
                let what = Why::Unread { places: names };
                let device = Some(self.devices[device].index);
                (self.deliver)(FieldMessage::Notice { device, what, at: now });
            }
        }
    }

    /// Requests that were not ours were heard on a line of ours.
    pub(in crate::field) fn foreign_requests(&mut self, requests: u32, unit: u8, now: Instant) {
        if self.link().masters_point.is_none() {
            return;
        }
        if requests > 0 {
            self.masters.last = Some(now);
            self.tell_masters(true, Why::Foreign { unit }, now);
        } else if self.masters.last.is_none_or(|last| now.saturating_duration_since(last) >= GONE_AFTER) {
            self.tell_masters(false, Why::OneMaster, now);
        }
    }

    fn tell_masters(&mut self, another: bool, why: Why, at: Instant) {
        if self.masters.told.replace(another) != Some(another) {
            (self.deliver)(FieldMessage::Masters { link: self.link, another, why, at });
        }
    }

    fn by_unit(&self, unit: u8) -> Option<usize> {
        self.devices.iter().position(|device| self.plan.devices[device.index as usize].unit == unit)
    }

    /// Delivers every transaction whose registers stand whole in a reply.
    fn serve(&mut self, device: usize, read: Read, bytes: &[u8], now: Instant) {
        let registers: Vec<u16> = bytes.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect();
        let bits: Vec<bool> = bytes.iter().flat_map(|byte| (0..8).map(move |n| byte >> n & 1 == 1)).collect();
        for slot in self.devices[device].slots.clone() {
            let Ask::Modbus { table, start, count: asked, slices } =
                &self.plan.transactions[self.slots[slot].transaction as usize].ask
            else {
                continue;
            };
            let Some(shift) = start.checked_sub(read.start()) else { continue };
            if *table != read.table() || u32::from(shift) + u32::from(*asked) > u32::from(read.count()) {
                continue;
            }
            let (from, to) = (usize::from(shift), usize::from(shift) + usize::from(*asked));
            let values: Result<_, Failure> = if read.is_bits() {
                bits.get(from..to).map(|part| raws(Answer::Bits(part), part.len(), slices)).transpose()
            } else {
                registers.get(from..to).map(|part| raws(Answer::Registers(part), part.len(), slices)).transpose()
            };
            if let Ok(Some(values)) = values {
                self.slots[slot].faulted = false;
                self.slots[slot].heard_at = Some(now);
                count(&self.counters(device).scans_good, 1);
                self.batch(slot, now, values);
            }
        }
    }
}
