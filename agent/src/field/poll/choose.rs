//! Which exchange is made for a scan, for a suspect, and for a transaction that was refused as a whole.
//!
//! Part of `poll`; times as there. Never panics.

use std::time::Instant;

use lapwing_engine::spec::Millis;

use super::{Job, Kind, Poll, Slot, Trust};
use crate::field::pieces::Pieces;
use crate::field::request::Read;

/// A transaction read in pieces is asked as a whole again after this: a device may have been mended or set up anew.
const WHOLE_AGAIN_MS: u64 = 10 * 60 * 1000;

impl Poll {
    pub(super) fn next_try(&mut self, now: Millis) -> Option<Job> {
        let (at, device) = self.health.next_try()?;
        if at > now {
            return None;
        }
        self.tried = true;
        match self.trust {
            Trust::Named => Some(self.scan(self.devices[device].try_slot, Kind::Try, now)),
            Trust::Unnamed => Some(self.probes(device).0),
        }
    }

    /// Two reads whose answers differ in length, both inside what the plan reads anyway.
    ///
    /// A device of which only single registers (or up to eight bits) are read offers no second length: there the same
    /// probe must fit twice, with the time for late answers in between.
    pub(super) fn probes(&self, device: usize) -> (Job, Option<Job>) {
        let state = &self.devices[device];
        let reads = |slot: usize| {
            let mut job = self.job(slot, Kind::Probe { second: false });
            job.instead = self.slots[slot].pieces.as_ref().and_then(Pieces::read);
            Some((job, self.read(&job).ok()?))
        };
        let mut known: Vec<(Job, Read)> = state.slots.clone().filter_map(reads).collect();
        // Refused ones last: they prove nothing; short ones first: they cost least.
        known.sort_by_key(|(job, read)| (self.slots[job.slot].refused, read.byte_count()));
        let Some(&(first, first_read)) = known.first() else {
            return (self.job(state.try_slot, Kind::Probe { second: false }), None);
        };
        let second = |job: Job, instead| Job { kind: Kind::Probe { second: true }, instead, ..job };
        let other = known
            .iter()
            .find(|(job, read)| read.byte_count() != first_read.byte_count() && !self.slots[job.slot].refused);
        if let Some(&(job, _)) = other {
            return (first, Some(second(job, job.instead)));
        }
        let fewer = if first_read.is_bits() { first_read.count().saturating_sub(8) } else { first_read.count() - 1 };
        let part = Read::new(first_read.table(), first_read.start(), fewer).ok();
        (first, part.map(|part| second(first, Some(part))))
    }

    /// A read of a transaction: as a whole, or in the pieces it has come to.
    pub(super) fn scan(&mut self, slot: usize, kind: Kind, now: Millis) -> Job {
        let state = &mut self.slots[slot];
        if state.refused_at.is_some_and(|at| now.since(at) >= WHOLE_AGAIN_MS) {
            (state.pieces, state.refused_at) = (None, None);
        }
        if state.pieces.is_some() { self.piece(slot, None) } else { self.job(slot, kind) }
    }

    pub(super) fn piece(&self, slot: usize, sent: Option<Instant>) -> Job {
        let instead = self.slots[slot].pieces.as_ref().and_then(Pieces::read);
        Job { instead, ..self.job(slot, Kind::Piece { sent }) }
    }

    pub(super) fn job(&self, slot: usize, kind: Kind) -> Job {
        let Slot { transaction, device, .. } = self.slots[slot];
        Job { transaction, instead: None, device, slot, kind }
    }
}
