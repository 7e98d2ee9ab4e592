//! One link's loop without its wire: what to do next, and what an outcome means for readings, health and counters.
//!
//! A driver (Modbus TCP, serial, SNMP) asks [`Poll::step`], does what it says and hands the outcome back; everything
//! that all links share is decided here. Knows no bytes and waits for nothing. Moments are `Instant`s. A scan of a
//! device that is held back delivers its fault at once and costs no line time. Never panics.
//!
//! On a link whose answers carry no identity (serial, and RTU over TCP) a device that failed is believed again only
//! after two probes whose answers differ in length: see [`Trust`].

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::{Duration, Instant};

use lapwing_engine::spec::{Millis, Raw};
use lapwing_protocol::Status;

use super::failure::{Failure, Meaning};
use super::health::{Change, Health};
use super::request::{Answer, Read, raws};
use super::schedule::{Schedule, Timing};
use super::stats::{DeviceCounters, FieldStats, LinkCounters, count};
use super::{Batch, Deliver, FieldMessage};
use crate::plan::{Ask, Device, Link, Plan, Transaction};

/// What a link's answers prove by themselves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Trust {
    /// An answer names its request (Modbus TCP, SNMP): a late one cannot be mistaken.
    Named,
    /// An answer shows unit, function and length only (RTU): a late one can look right.
    Unnamed,
}

/// What a driver does next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Step {
    /// Make the connection, then call `connected` or `connect_failed`.
    Connect,
    /// Make this exchange, then call `done`.
    Ask(Job),
    /// Nothing until then (`None`: nothing ever).
    Wait(Option<Instant>),
}

/// One exchange to make.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Job {
    /// Index of the transaction in the plan.
    pub transaction: u32,
    /// Registers to read in its place, to tell answers apart by their length.
    pub instead: Option<Read>,
    device: usize,
    slot: usize,
    kind: Kind,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Scan { attempt: u8 },
    Try,
    Probe { second: bool },
}

/// The state of one link's polling.
pub(super) struct Poll {
    plan: Arc<Plan>,
    link: u32,
    stats: Arc<FieldStats>,
    deliver: Deliver,
    trust: Trust,
    epoch: Instant,
    schedule: Schedule,
    health: Health,
    connect_begun: Millis,
    devices: Vec<DeviceState>,
    slots: Vec<Slot>,
    again: Option<Job>,
    /// Faulted transactions of devices that are back, asked as soon as there is time.
    recover: VecDeque<usize>,
    /// Transactions to be asked before their time, because their device has hinted at a change.
    hinted: VecDeque<usize>,
    /// The last exchange was a try of a suspect: scans come first now.
    tried: bool,
}

struct DeviceState {
    /// Index in the plan.
    index: u32,
    /// Slots of its transactions.
    slots: std::ops::Range<usize>,
    /// Why its scans are held back.
    status: Status,
    /// The slot it is tried with.
    try_slot: usize,
    /// One probe fitted, and there is none of another length.
    half_proved: bool,
}

struct Slot {
    transaction: u32,
    device: usize,
    /// Its last scan brought faults.
    faulted: bool,
    /// Its last answer was a refusal.
    refused: bool,
}

impl Poll {
    pub(super) fn new(plan: Arc<Plan>, link: u32, stats: Arc<FieldStats>, deliver: Deliver, trust: Trust) -> Self {
        let span = plan.links[link as usize].devices;
        let (mut devices, mut slots, mut timings, mut late) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        for index in span.first..span.first + span.count {
            let device = &plan.devices[index as usize];
            let first_slot = slots.len();
            for transaction in device.transactions.first..device.transactions.first + device.transactions.count {
                slots.push(Slot { transaction, device: devices.len(), faulted: false, refused: false });
                timings.push(timing(&plan.transactions[transaction as usize]));
            }
            late.push(match trust {
                Trust::Named => 0,
                Trust::Unnamed => ms(device.late_max),
            });
            devices.push(DeviceState {
                index,
                slots: first_slot..slots.len(),
                status: Status::BAD_WAITING,
                try_slot: first_slot,
                half_proved: false,
            });
        }
        Self {
            schedule: Schedule::new(Millis(0), timings),
            health: Health::new(late),
            epoch: Instant::now(),
            connect_begun: Millis(0),
            again: None,
            recover: VecDeque::new(),
            hinted: VecDeque::new(),
            tried: false,
            plan,
            link,
            stats,
            deliver,
            trust,
            devices,
            slots,
        }
    }

    pub(super) fn link(&self) -> &Link {
        &self.plan.links[self.link as usize]
    }

    /// Tells that the link is down when it can never be polled.
    pub(super) fn unspoken(&self) -> impl FnOnce(String) + use<> {
        let (deliver, link) = (Arc::clone(&self.deliver), self.link);
        move |why| deliver(FieldMessage::LinkState { link, up: false, why, at: Instant::now() })
    }

    pub(super) fn link_counters(&self) -> &LinkCounters {
        &self.stats.links[self.link as usize]
    }

    pub(super) fn device(&self, job: &Job) -> &Device {
        &self.plan.devices[self.devices[job.device].index as usize]
    }

    pub(super) fn ask(&self, job: &Job) -> &Ask {
        &self.plan.transactions[job.transaction as usize].ask
    }

    /// The registers a job reads.
    pub(super) fn read(&self, job: &Job) -> Result<Read, Failure> {
        match (job.instead, self.ask(job)) {
            (Some(read), _) => Ok(read),
            (None, Ask::Modbus { table, start, count, .. }) => Read::new(*table, *start, *count),
            (None, Ask::Snmp { .. } | Ask::SnmpCells { .. } | Ask::SnmpColumn { .. }) => {
                Err(Failure::Plan("SNMP variables asked on a Modbus link"))
            }
        }
    }

    /// What to do now.
    pub(super) fn step(&mut self, now: Instant) -> Step {
        let t = self.millis(now);
        self.review(t, now);
        if let Some(at) = self.health.connect_at() {
            if at <= t {
                self.connect_begun = t;
                return Step::Connect;
            }
            if let Some(Job { slot, kind: Kind::Scan { .. }, .. }) = self.again.take() {
                self.fault(slot, Status::BAD_NO_COMMUNICATION, now);
            }
            while let Some(scan) = self.schedule.take(t) {
                let slot = scan.index as usize;
                self.count_scan(slot, scan.skipped, false);
                self.fault(slot, Status::BAD_NO_COMMUNICATION, now);
            }
            return Step::Wait(self.earliest(Some(at)));
        }
        if let Some(job) = self.again.take() {
            return Step::Ask(job);
        }
        if !std::mem::take(&mut self.tried)
            && let Some(job) = self.next_try(t)
        {
            return Step::Ask(job);
        }
        while let Some(slot) = self.hinted.pop_front() {
            // A suspect is tried by its own rule.
            if self.health.is_well(self.slots[slot].device) {
                return Step::Ask(self.job(slot, Kind::Try));
            }
        }
        while let Some(scan) = self.schedule.take(t) {
            let slot = scan.index as usize;
            let device = self.slots[slot].device;
            let well = self.health.is_well(device);
            self.count_scan(slot, scan.skipped, well);
            if well {
                return Step::Ask(self.job(slot, Kind::Scan { attempt: 0 }));
            }
            self.fault(slot, self.devices[device].status, now);
        }
        while let Some(slot) = self.recover.pop_front() {
            if self.slots[slot].faulted && self.health.is_well(self.slots[slot].device) {
                return Step::Ask(self.job(slot, Kind::Try));
            }
        }
        if let Some(job) = self.next_try(t) {
            return Step::Ask(job);
        }
        Step::Wait(self.earliest(self.health.next_try().map(|(at, _)| at)))
    }

    /// A device of a link with one has hinted at a change: everything is asked before its time, once; its schedule
    /// goes on as if nothing had been.
    pub(super) fn hint(&mut self) {
        let missing: Vec<usize> = (0..self.slots.len()).filter(|slot| !self.hinted.contains(slot)).collect();
        self.hinted.extend(missing);
    }

    pub(super) fn connected(&mut self, now: Instant) {
        count(&self.link_counters().connects, 1);
        let t = self.millis(now);
        self.health.connected(t);
        self.recover = (0..self.slots.len()).filter(|&slot| self.slots[slot].faulted).collect();
    }

    pub(super) fn connect_failed(&mut self, now: Instant, why: String) {
        count(&self.link_counters().connect_failures, 1);
        let t = self.millis(now);
        self.health.connect_failed(self.connect_begun, t, why);
        self.review(t, now);
    }

    /// The driver dropped its connection (after any failure that leaves it in doubt).
    pub(super) fn lost(&mut self, now: Instant) {
        let t = self.millis(now);
        self.health.lost(t);
    }

    /// The outcome of a job whose request ended at `sent`, known at `now`.
    pub(super) fn done(&mut self, job: Job, sent: Instant, now: Instant, outcome: Result<Answer<'_>, Failure>) {
        let outcome = outcome.and_then(|answer| self.take(&job, answer));
        self.count_exchange(&job, sent, now, &outcome);
        match outcome {
            Ok(raws) => self.good(job, sent, now, raws),
            Err(failure) if Meaning::from(&failure).is_alive() => self.refused(job, sent, now, &failure),
            Err(failure) => self.failed(job, sent, now, &failure),
        }
        let t = self.millis(now);
        self.review(t, now);
    }

    fn good(&mut self, job: Job, sent: Instant, now: Instant, raws: Vec<Raw>) {
        self.slots[job.slot].refused = false;
        if let Kind::Probe { second: false } = job.kind {
            if let Some(second) = self.probes(job.device).1 {
                self.again = Some(second);
                return;
            }
            if !std::mem::replace(&mut self.devices[job.device].half_proved, true) {
                let t = self.millis(now);
                self.health.undecided(job.device, t);
                return;
            }
        }
        self.answered(job.device, now);
        if job.instead.is_none() && !matches!(job.kind, Kind::Probe { .. }) {
            if let Kind::Scan { .. } = job.kind {
                count(&self.counters(job.device).scans_good, 1);
            }
            self.slots[job.slot].faulted = false;
            self.batch(job.slot, sent + now.saturating_duration_since(sent) / 2, raws);
        }
    }

    /// The device is alive and says no.
    fn refused(&mut self, job: Job, sent: Instant, now: Instant, failure: &Failure) {
        self.slots[job.slot].refused = true;
        let t = self.millis(now);
        if let Kind::Probe { .. } = job.kind {
            // A refusal carries no length and may itself be late: it proves nothing.
            self.devices[job.device].half_proved = false;
            self.devices[job.device].status = failure.status();
            self.health.undecided(job.device, t);
            return;
        }
        self.answered(job.device, now);
        self.fault(job.slot, failure.status(), sent);
    }

    fn failed(&mut self, job: Job, sent: Instant, now: Instant, failure: &Failure) {
        let (sent_ms, t) = (self.millis(sent), self.millis(now));
        let device = &mut self.devices[job.device];
        device.half_proved = false;
        device.status = failure.status();
        device.try_slot = job.slot;
        self.health.failed(job.device, sent_ms, t, failure.to_string());
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

    fn answered(&mut self, device: usize, now: Instant) {
        let t = self.millis(now);
        let mut changes = Vec::new();
        let was_suspect = self.health.answered(device, t, &mut |change| changes.push(change));
        self.devices[device].half_proved = false;
        self.tell(changes, now);
        if was_suspect {
            let back = self.devices[device].slots.clone().filter(|&slot| self.slots[slot].faulted);
            self.recover.extend(back);
        }
    }

    fn take(&self, job: &Job, answer: Answer<'_>) -> Result<Vec<Raw>, Failure> {
        match (job.instead, self.ask(job)) {
            (Some(read), _) => raws(answer, usize::from(read.count()), &[]),
            (None, Ask::Modbus { count, slices, .. }) => raws(answer, usize::from(*count), slices),
            (None, Ask::Snmp { oids }) => raws(answer, oids.len(), &[]),
            (None, Ask::SnmpCells { cells, .. }) => raws(answer, cells.len(), &[]),
            (None, Ask::SnmpColumn { listed, .. }) => raws(answer, listed.len(), &[]),
        }
    }

    fn next_try(&mut self, now: Millis) -> Option<Job> {
        let (at, device) = self.health.next_try()?;
        if at > now {
            return None;
        }
        self.tried = true;
        match self.trust {
            Trust::Named => Some(self.job(self.devices[device].try_slot, Kind::Try)),
            Trust::Unnamed => Some(self.probes(device).0),
        }
    }

    /// Two reads whose answers differ in length, both inside what the plan reads anyway.
    ///
    /// A device of which only single registers (or up to eight bits) are read offers no second length: there the same
    /// probe must fit twice, with the time for late answers in between.
    fn probes(&self, device: usize) -> (Job, Option<Job>) {
        let state = &self.devices[device];
        let reads = |slot: usize| {
            let job = self.job(slot, Kind::Probe { second: false });
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
            return (first, Some(second(job, None)));
        }
        let fewer = if first_read.is_bits() { first_read.count().saturating_sub(8) } else { first_read.count() - 1 };
        let part = Read::new(first_read.table(), first_read.start(), fewer).ok();
        (first, part.map(|part| second(first, Some(part))))
    }

    fn job(&self, slot: usize, kind: Kind) -> Job {
        let Slot { transaction, device, .. } = self.slots[slot];
        Job { transaction, instead: None, device, slot, kind }
    }

    fn earliest(&self, at: Option<Millis>) -> Option<Instant> {
        let next = at.into_iter().chain(self.schedule.next_due()).min()?;
        self.epoch.checked_add(Duration::from_millis(next.0))
    }

    fn review(&mut self, t: Millis, now: Instant) {
        let mut changes = Vec::new();
        self.health.review(t, &mut |change| changes.push(change));
        self.tell(changes, now);
    }

    fn tell(&self, changes: Vec<Change>, at: Instant) {
        for change in changes {
            (self.deliver)(match change {
                Change::Link { up, why } => FieldMessage::LinkState { link: self.link, up, why, at },
                Change::Device { device, up, why } => {
                    FieldMessage::DeviceState { device: self.devices[device].index, up, why, at }
                }
            });
        }
    }

    fn fault(&mut self, slot: usize, status: Status, at: Instant) {
        self.slots[slot].faulted = true;
        let points = self.plan.transactions[self.slots[slot].transaction as usize].points.count;
        self.batch(slot, at, vec![Raw::Fault(status); points as usize]);
    }

    fn batch(&self, slot: usize, at: Instant, mut raws: Vec<Raw>) {
        let transaction = self.slots[slot].transaction;
        // One raw value a point, whatever the plan's slices say.
        let points = self.plan.transactions[transaction as usize].points.count;
        raws.resize(points as usize, Raw::Fault(Status::BAD_CONFIGURATION_ERROR));
        (self.deliver)(FieldMessage::Batch(Batch { transaction, at, raws }));
    }

    fn count_scan(&self, slot: usize, skipped: u32, well: bool) {
        let counters = self.counters(self.slots[slot].device);
        count(&counters.scans_due, 1 + u64::from(skipped));
        count(&counters.scans_skipped, u64::from(skipped));
        if well && skipped > 0 {
            (self.deliver)(FieldMessage::Late { transaction: self.slots[slot].transaction, skipped });
        }
    }

    fn count_exchange(&self, job: &Job, sent: Instant, now: Instant, outcome: &Result<Vec<Raw>, Failure>) {
        let counters = self.counters(job.device);
        count(&counters.requests, 1);
        let answered = match outcome {
            Ok(_) => true,
            Err(Failure::Exception { .. } | Failure::Refused(_) | Failure::AgentFailure) => {
                count(&counters.exceptions, 1);
                true
            }
            Err(Failure::Silence { .. }) => {
                count(&counters.timeouts, 1);
                false
            }
            Err(Failure::Garbled(_)) => {
                count(&counters.garbled, 1);
                false
            }
            Err(
                Failure::Closed(_)
                | Failure::NoConnection(_)
                | Failure::Access(_)
                | Failure::HeldBack
                | Failure::Plan(_),
            ) => false,
        };
        if answered {
            count(&counters.answers, 1);
            let us = u64::try_from(now.saturating_duration_since(sent).as_micros()).unwrap_or(u64::MAX);
            counters.latency_us.store(us, std::sync::atomic::Ordering::Relaxed);
        }
    }

    fn counters(&self, device: usize) -> &DeviceCounters {
        &self.stats.devices[self.devices[device].index as usize]
    }

    fn millis(&self, at: Instant) -> Millis {
        Millis(ms(at.saturating_duration_since(self.epoch)))
    }
}

fn ms(duration: Duration) -> u64 {
    u64::try_from(duration.as_millis()).unwrap_or(u64::MAX)
}

fn timing(transaction: &Transaction) -> Timing {
    let cost = match &transaction.ask {
        Ask::Modbus { count, .. } => u32::from(*count),
        Ask::Snmp { oids } => u32::try_from(oids.len()).unwrap_or(u32::MAX),
        Ask::SnmpCells { rows, cells } => u32::try_from(rows.len() + cells.len()).unwrap_or(u32::MAX),
        Ask::SnmpColumn { listed, .. } => u32::try_from(listed.len()).unwrap_or(u32::MAX),
    };
    Timing { period_ms: ms(transaction.period), phase_ms: ms(transaction.phase), cost }
}

#[cfg(test)]
#[path = "poll/tests.rs"]
mod tests;
