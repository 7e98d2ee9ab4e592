//! What the outcome of an exchange means: for the transaction's points, for the device, and for what is asked next.
//!
//! Part of `poll`; times as there. Never panics.

use std::time::Instant;

use lapwing_engine::spec::{Millis, Raw};
use lapwing_protocol::Status;

use super::{DeviceState, Job, Kind, Poll, Trust};
use crate::field::FieldMessage;
use crate::field::failure::{Failure, Meaning};
use crate::field::pieces::Pieces;
use crate::field::request::{Answer, raws};
use crate::field::stats::count;
use crate::field::why::Why;
use crate::plan::Ask;

/// A device whose answers were garbled is beyond doubt after so long without another garbled one (common practice, no
/// source).
const SOUND_AFTER_MS: u64 = 600_000;

impl Poll {
    /// The outcome of a job whose request ended at `sent`, known at `now`.
    pub(in crate::field) fn done(
        &mut self,
        job: Job,
        sent: Instant,
        now: Instant,
        outcome: Result<Answer<'_>, Failure>,
    ) {
        let outcome = outcome.and_then(|answer| self.take(&job, answer));
        self.count_exchange(&job, sent, now, &outcome);
        let t = self.millis(now);
        match outcome {
            Ok(raws) => self.good(job, sent, (now, t), raws),
            Err(failure @ Failure::Plan(_)) => {
                self.held = None; // of the same slot, if there is any
                self.fault(job.slot, failure.status(), now);
            }
            Err(failure) if Meaning::from(&failure).is_alive() => self.refused(job, sent, now, &failure),
            Err(failure) => self.failed(job, sent, now, &failure),
        }
        self.review(t, now);
    }

    fn good(&mut self, job: Job, sent: Instant, (now, t): (Instant, Millis), raws: Vec<Raw>) {
        if !matches!(job.kind, Kind::Identity { .. }) && std::mem::take(&mut self.slots[job.slot].refused) {
            self.ask_refused_again(&job);
        }
        if let Kind::Probe { second: false } = job.kind {
            if let Some(second) = self.probes(job.device).1 {
                self.again = Some(second);
                return;
            }
            if !std::mem::replace(&mut self.devices[job.device].half_proved, true) {
                self.health.undecided(job.device, t);
                return;
            }
        }
        self.answered(job.device, now, t);
        match job.kind {
            Kind::Identity { check } => self.compare(job, check, &raws, now),
            Kind::Scan { .. } | Kind::Try if self.is_doubted(job.device, t) => {
                // It was away: what it says counts once it is known to be the same.
                self.again = Some(self.known_first(job, t));
            }
            Kind::Scan { .. } | Kind::Try => {
                if let Kind::Scan { .. } = job.kind {
                    count(&self.counters(job.device).scans_good, 1);
                }
                self.slots[job.slot].faulted = false;
                self.pace(job.slot, &raws, now);
                self.batch(job.slot, half_way(sent, now), raws);
            }
            Kind::Piece { sent: first } => {
                if let Some(pieces) = &mut self.slots[job.slot].pieces {
                    pieces.answered(&raws);
                }
                self.next_piece(job, first.unwrap_or(sent), now);
            }
            Kind::Probe { .. } => {}
        }
    }

    /// Goes on with the pieces of a transaction, or delivers what they brought.
    fn next_piece(&mut self, job: Job, first_sent: Instant, now: Instant) {
        let slot = &mut self.slots[job.slot];
        match slot.pieces.as_mut().and_then(Pieces::finished) {
            None => self.again = Some(self.piece(job.slot, Some(first_sent))),
            Some(Some(raws)) => {
                slot.faulted = false;
                count(&self.counters(job.device).scans_good, 1);
                self.pace(job.slot, &raws, now);
                self.batch(job.slot, half_way(first_sent, now), raws);
            }
            Some(None) => {
                slot.pieces = None;
                self.hold(job.slot, now);
                self.fault(job.slot, Status::BAD_NOT_FOUND, now);
            }
        }
    }

    /// The device is alive and says no.
    fn refused(&mut self, job: Job, sent: Instant, now: Instant, failure: &Failure) {
        let t = self.millis(now);
        if let Kind::Identity { check } = job.kind {
            self.answered(job.device, now, t);
            return self.cannot_compare(job, check, failure, now);
        }
        (self.slots[job.slot].refused, self.slots[job.slot].why) = (true, Some(Why::Failed(failure.clone())));
        if let Kind::Probe { .. } = job.kind {
            // A refusal carries no length and may itself be late: it proves nothing.
            self.devices[job.device].half_proved = false;
            // Of what it did not refuse, it is not known that the device lacks it.
            if self.slots[self.devices[job.device].slots.clone()].iter().all(|slot| slot.refused) {
                self.devices[job.device].status = failure.status();
            }
            self.health.undecided(job.device, t);
            return;
        }
        self.answered(job.device, now, t);
        if let Kind::Piece { sent: first } = job.kind
            && let Some(pieces) = &mut self.slots[job.slot].pieces
        {
            pieces.refused(failure.status());
            return self.next_piece(job, first.unwrap_or(sent), now);
        }
        let slot = &self.slots[job.slot];
        if Meaning::may_fit_in_pieces(failure)
            && slot.refused_at.is_none()
            && let Ask::Modbus { table, start, slices, .. } = self.ask(&job)
            && let Some(pieces) = Pieces::of(*table, *start, slices)
        {
            let slot = &mut self.slots[job.slot];
            (slot.pieces, slot.refused_at) = (Some(pieces), Some(t));
            self.again = Some(self.piece(job.slot, None));
            return;
        }
        if Meaning::from(failure) == Meaning::MapDoesNotFit {
            self.hold(job.slot, now);
        }
        self.fault(job.slot, failure.status(), now);
    }

    fn failed(&mut self, job: Job, sent: Instant, now: Instant, failure: &Failure) {
        let (sent_ms, t) = (self.millis(sent), self.millis(now));
        let device = &mut self.devices[job.device];
        device.half_proved = false;
        device.status = failure.status();
        device.try_slot = job.slot;
        device.failures.0 = device.failures.0.saturating_add(1);
        device.failures.1 = device.failures.1.saturating_add(u32::from(matches!(failure, Failure::Garbled(_))));
        if let Failure::Garbled(_) = failure {
            device.garbled_at = Some(t);
        }
        let why = self.why(job.device, failure, now);
        if failure.is_of_gateway() {
            // Somebody answered in its name: the link lives.
            let mut changes = Vec::new();
            self.health.gateway_answered(t, &mut |change| changes.push(change));
            self.tell(changes, now);
        }
        self.health.failed(job.device, sent_ms, t, why);
        if let Failure::Closed(_) = failure {
            self.doubt_all();
        }
        if let Kind::Identity { .. } = job.kind
            && let Some(held) = self.held.take()
        {
            self.fault(held.slot, failure.status(), now);
        }
        if let Kind::Piece { .. } = job.kind {
            if let Some(pieces) = &mut self.slots[job.slot].pieces {
                pieces.begin();
            }
            self.fault(job.slot, failure.status(), now);
        }
        if let Kind::Scan { attempt } = job.kind {
            // On a shared link the neighbours go first and the device is tried again a little later.
            let alone = self.devices.len() == 1 && self.trust == Trust::Named;
            if alone && attempt < self.link().retries {
                self.again = Some(Job { kind: Kind::Scan { attempt: attempt + 1 }, ..job });
            } else {
                self.fault(job.slot, failure.status(), now);
            }
        }
    }

    /// Why a device fails. A line on which only one unit's answers are garbled is sound itself: there, two
    /// devices of one address answering over each other are the likeliest cause (common practice, no source).
    ///
    /// Between two garbled answers of such a device there are good ones, of whichever was faster: what is remembered of it
    /// is forgotten only after [`SOUND_AFTER_MS`] without a garbled one. It is named once by a notice, so that it is known
    /// also while good answers keep it up.
    fn why(&mut self, device: usize, failure: &Failure, now: Instant) -> Why {
        let (failures, garbled) = self.devices[device].failures;
        let neighbours = || self.devices.iter().enumerate().filter(|(other, _)| *other != device);
        // A neighbour may have been hit by noise now and then.
        let sound = |neighbour: &DeviceState| neighbour.failures.1 * 4 < garbled;
        let alone = self.trust == Trust::Unnamed
            && garbled >= 2
            && garbled * 4 >= failures * 3
            && neighbours().next().is_some()
            && neighbours().all(|(_, neighbour)| sound(neighbour));
        if !alone {
            return Why::Failed(failure.clone());
        }
        let index = self.devices[device].index;
        let unit = self.plan.devices[index as usize].unit;
        let why = Why::TwoAsOne { unit, last: failure.clone() };
        if !std::mem::replace(&mut self.devices[device].named, true) {
            (self.deliver)(FieldMessage::Notice { device: Some(index), what: why.clone(), at: now });
        }
        why
    }

    /// Whether a device's past failures say nothing about it any more.
    fn is_sound_again(&self, device: usize, t: Millis) -> bool {
        self.devices[device].garbled_at.is_none_or(|at| t.since(at) >= SOUND_AFTER_MS)
    }

    pub(super) fn answered(&mut self, device: usize, now: Instant, t: Millis) {
        let mut changes = Vec::new();
        let was_suspect = self.health.answered(device, t, &mut |change| changes.push(change));
        self.devices[device].half_proved = false;
        if self.is_sound_again(device, t) {
            let state = &mut self.devices[device];
            (state.failures, state.garbled_at, state.named) = ((0, 0), None, false);
        }
        self.tell(changes, now);
        if was_suspect {
            self.doubt(device);
            let back = self.devices[device].slots.clone().filter(|&slot| self.slots[slot].faulted);
            self.recover.extend(back);
        }
    }

    fn take(&self, job: &Job, answer: Answer<'_>) -> Result<Vec<Raw>, Failure> {
        if let (Kind::Piece { .. }, Some(pieces), Some(read)) = (job.kind, &self.slots[job.slot].pieces, job.instead) {
            return raws(answer, usize::from(read.count()), &pieces.slices());
        }
        match (job.instead, self.ask(job)) {
            (Some(read), _) => raws(answer, usize::from(read.count()), &[]),
            (None, Ask::Modbus { count, slices, .. }) => raws(answer, usize::from(*count), slices),
            (None, Ask::Snmp { oids }) => raws(answer, oids.len(), &[]),
            (None, Ask::SnmpCells { cells, .. }) => raws(answer, cells.len(), &[]),
            (None, Ask::SnmpColumn { listed, .. }) => raws(answer, listed.len(), &[]),
            (None, Ask::Redfish { pointers, .. }) => raws(answer, pointers.len(), &[]),
        }
    }
}

fn half_way(sent: Instant, now: Instant) -> Instant {
    sent + now.saturating_duration_since(sent) / 2
}
