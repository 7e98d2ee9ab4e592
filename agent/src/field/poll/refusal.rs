//! What becomes of points that a device says it does not have: told once for the whole device, asked again seldom.
//!
//! Whatever it answers instead of a value (an exception, no such object, no such row or property), such a point has the
//! status `BAD_NOT_FOUND`; what a device lacks is the points that last had it. Part of `poll`; times as there. Never
//! panics. MODBUS Application Protocol V1.1b3 §7 (exceptions 01, 02, 03).

use std::time::Instant;

use lapwing_engine::spec::{Millis, Raw};
use lapwing_protocol::Status;

use super::{Job, Kind, Poll};
use crate::field::{FieldMessage, Lacking};
use crate::plan::{Ask, Slice, Table, stretch};

/// A transaction refused as a whole is asked again after this, as long as the device is asked for something else too.
const HELD_MS: u64 = 60_000;
/// What a device lacks is told when it has not changed for so long, or at the latest this long after it began to change.
const SETTLED_MS: u64 = 1000;
const TOLD_AFTER_MS: u64 = 10_000;
/// Points named in one sentence.
const NAMED: usize = 8;

/// What a device does not give.
#[derive(Debug, Default)]
pub(super) struct Lacks {
    /// When that first and last changed since it was told.
    changed: Option<(Millis, Millis)>,
    /// Indices of the points last told; `None` before the first time.
    told: Option<Vec<u32>>,
}

impl Poll {
    /// Notes that a transaction was refused as a whole.
    pub(super) fn hold(&mut self, slot: usize, now: Instant) {
        self.slots[slot].held_until = self.millis(now).plus(HELD_MS);
    }

    /// What was refused as a whole is answered: the device may give the rest too.
    pub(super) fn ask_refused_again(&mut self, job: &Job) {
        if let Kind::Scan { .. } | Kind::Try = job.kind {
            for slot in self.devices[job.device].slots.clone() {
                self.slots[slot].held_until = Millis(0);
            }
        }
    }

    /// Whether a scan is not worth its line time. A device of which nothing else is read is asked all the same: only so
    /// is it known to be there.
    pub(super) fn is_held(&self, slot: usize, now: Millis) -> bool {
        let held = |slot: &super::Slot| slot.refused && now < slot.held_until;
        let slots = self.devices[self.slots[slot].device].slots.clone();
        held(&self.slots[slot]) && slots.into_iter().any(|other| !held(&self.slots[other]))
    }

    /// Notes what an outcome says of the transaction's points; a failed exchange says nothing.
    pub(super) fn note_missing(&mut self, slot: usize, raws: &[Raw], at: Instant) {
        let says_nothing = |status: Status| status.is_communication() || status == Status::BAD_DEVICE_FAILURE;
        if raws.iter().all(|raw| matches!(raw, Raw::Fault(status) if says_nothing(*status))) {
            return;
        }
        let lacking = |(_, raw): &(usize, &Raw)| **raw == Raw::Fault(Status::BAD_NOT_FOUND);
        let missing = || raws.iter().enumerate().filter(lacking).map(|(position, _)| position);
        let state = &mut self.slots[slot];
        if state.missing.as_ref().is_some_and(|before| missing().eq(before.iter().copied())) {
            return;
        }
        state.missing = Some(missing().collect());
        let (device, t) = (state.device, self.millis(at));
        self.lacks_change = true;
        let changed = &mut self.devices[device].lacks.changed;
        *changed = Some((changed.map_or(t, |(first, _)| first), t));
    }

    /// When what devices lack is told next.
    pub(super) fn lacks_due(&self) -> Option<Millis> {
        if !self.lacks_change {
            return None;
        }
        (0..self.devices.len()).filter_map(|device| self.lacks_of_device_due(device)).min()
    }

    /// Not before all its transactions were answered, so that it is told once; but what is missing waits only so long.
    fn lacks_of_device_due(&self, device: usize) -> Option<Millis> {
        let state = &self.devices[device];
        let (first, last) = state.lacks.changed?;
        let slots = &self.slots[state.slots.clone()];
        if slots.iter().all(|slot| slot.missing.is_some()) {
            return Some(last.plus(SETTLED_MS).min(first.plus(TOLD_AFTER_MS)));
        }
        let any = slots.iter().any(|slot| slot.missing.as_ref().is_some_and(|missing| !missing.is_empty()));
        any.then(|| first.plus(TOLD_AFTER_MS))
    }

    /// Tells what devices do not give, where that has changed.
    pub(super) fn tell_lacks(&mut self, t: Millis, at: Instant) {
        if !self.lacks_change {
            return;
        }
        for device in 0..self.devices.len() {
            if self.lacks_of_device_due(device).is_none_or(|due| due > t) {
                continue;
            }
            let mut lacking = Vec::new();
            for slot in self.devices[device].slots.clone() {
                let first = self.plan.transactions[self.slots[slot].transaction as usize].points.first;
                for position in self.slots[slot].missing.iter().flatten() {
                    let point = u32::try_from(*position).unwrap_or(u32::MAX).saturating_add(first);
                    lacking.push(Lacking { point, place: self.place(slot, *position) });
                }
            }
            let state = &mut self.devices[device];
            state.lacks.changed = None;
            let points: Vec<u32> = lacking.iter().map(|lacking| lacking.point).collect();
            if state.lacks.told.as_ref() == Some(&points) {
                continue;
            }
            state.lacks.told = Some(points);
            let whys = self.slots[state.slots.clone()].iter().filter(|slot| slot.missing.iter().flatten().count() > 0);
            let why = whys.filter_map(|slot| slot.why.clone()).next();
            (self.deliver)(FieldMessage::Lacks { device: state.index, lacking, why, at });
        }
        self.lacks_change = self.devices.iter().any(|device| device.lacks.changed.is_some());
    }

    /// The registers of a point, where it has such.
    fn place(&self, slot: usize, position: usize) -> Option<String> {
        match &self.plan.transactions[self.slots[slot].transaction as usize].ask {
            Ask::Modbus { table, start, slices, .. } => {
                slices.get(position).map(|slice| register(*table, *start, *slice))
            }
            Ask::Snmp { .. } | Ask::SnmpCells { .. } | Ask::SnmpColumn { .. } | Ask::Redfish { .. } => None,
        }
    }

    /// Points with their registers, as an engineer looks for them.
    pub(super) fn named(&self, slot: usize, positions: &[usize]) -> String {
        let transaction = &self.plan.transactions[self.slots[slot].transaction as usize];
        let points = stretch(&self.plan.points, transaction.points);
        let name = |position: &usize| {
            let path = points.get(*position).map_or("a point", |point| point.path.as_str());
            self.place(slot, *position).map_or_else(|| path.to_string(), |place| format!("{place} ({path})"))
        };
        let mut names: Vec<String> = positions.iter().take(NAMED).map(name).collect();
        if positions.len() > NAMED {
            names.push(format!("{} more", positions.len() - NAMED));
        }
        names.join(", ")
    }
}

fn register(table: Table, start: u16, slice: Slice) -> String {
    let table = match table {
        Table::Coil => "coil",
        Table::Discrete => "discrete",
        Table::Holding => "holding",
        Table::Input => "input",
    };
    let first = u32::from(start) + u32::from(slice.offset);
    match slice.words {
        0 | 1 => format!("{table}:{first}"),
        words => format!("{table}:{first}-{}", first + u32::from(words) - 1),
    }
}
