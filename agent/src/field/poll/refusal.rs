//! What becomes of points that a device says it does not have: told once, asked again seldom.
//!
//! Part of `poll`; times as there. Never panics. MODBUS Application Protocol V1.1b3 §7 (exceptions 01, 02, 03).

use std::time::Instant;

use lapwing_engine::spec::Millis;

use super::Poll;
use crate::field::FieldMessage;
use crate::plan::{Ask, Slice, Table, stretch};

/// A transaction refused as a whole is asked again after this, as long as the device is asked for something else too.
const HELD_MS: u64 = 60_000;
/// Points named in one sentence.
const NAMED: usize = 8;

impl Poll {
    /// Notes that a transaction was refused as a whole.
    pub(super) fn hold(&mut self, slot: usize, now: Instant) {
        self.slots[slot].held_until = self.millis(now).plus(HELD_MS);
    }

    /// Whether a scan is not worth its line time. A device of which nothing else is read is asked all the same: only so
    /// is it known to be there.
    pub(super) fn is_held(&self, slot: usize, now: Millis) -> bool {
        let held = |slot: &super::Slot| slot.refused && now < slot.held_until;
        let slots = self.devices[self.slots[slot].device].slots.clone();
        held(&self.slots[slot]) && slots.into_iter().any(|other| !held(&self.slots[other]))
    }

    /// Tells which points of a transaction are refused, if that has changed.
    pub(super) fn tell_missing(&mut self, slot: usize, missing: Vec<usize>, at: Instant) {
        if self.slots[slot].told == missing {
            return;
        }
        let what = if missing.is_empty() {
            "what it refused is answered again".to_string()
        } else {
            let named = self.named(slot, &missing);
            let why = &self.slots[slot].why;
            format!("it does not give {named}: {why}; the rest is read on, and these are asked for again now and then")
        };
        self.slots[slot].told = missing;
        let device = Some(self.devices[self.slots[slot].device].index);
        (self.deliver)(FieldMessage::Notice { device, what, at });
    }

    /// Points with their registers, as an engineer looks for them.
    pub(super) fn named(&self, slot: usize, positions: &[usize]) -> String {
        let transaction = &self.plan.transactions[self.slots[slot].transaction as usize];
        let points = stretch(&self.plan.points, transaction.points);
        let name = |position: &usize| {
            let path = points.get(*position).map_or("a point", |point| point.path.as_str());
            match &transaction.ask {
                Ask::Modbus { table, start, slices, .. } => match slices.get(*position) {
                    Some(slice) => format!("{} ({path})", register(*table, *start, *slice)),
                    None => path.to_string(),
                },
                Ask::Snmp { .. } | Ask::SnmpCells { .. } | Ask::SnmpColumn { .. } | Ask::Redfish { .. } => {
                    path.to_string()
                }
            }
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
