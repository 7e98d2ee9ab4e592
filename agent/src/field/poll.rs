//! One link's loop without its wire: what to do next, and what an outcome means for readings, health and counters.
//!
//! A driver (Modbus TCP, serial, SNMP) asks [`Poll::step`], does what it says and hands the outcome back; everything
//! that all links share is decided here. Knows no bytes and waits for nothing. Moments are `Instant`s. A scan of a
//! device that is held back delivers its fault at once and costs no line time. Never panics.
//!
//! On a link whose answers carry no identity (serial, and RTU over TCP) a device that failed is believed again only
//! after two probes whose answers differ in length: see [`Trust`]. A device whose identity is in doubt (at connect, after
//! silence, when its time has come) is asked for it before any of its readings is delivered. `choose` makes the
//! exchanges, `outcome` draws the conclusions, `refusal` those of what a device does not have, `identity` compares,
//! `overheard` draws from what others say, `pace` scans faster by state, `report` delivers and counts.

mod choose;
mod identity;
mod outcome;
mod overheard;
mod pace;
mod refusal;
mod report;

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::{Duration, Instant};

use lapwing_engine::spec::Millis;
use lapwing_protocol::Status;

use super::failure::Failure;
use super::health::Health;
use super::pieces::Pieces;
use super::planner::Cost;
use super::request::Read;
use super::schedule::{Schedule, Timing};
use super::stats::{FieldStats, LinkCounters, count};
use super::why::{Unreached, Why};
use super::{Deliver, FieldMessage};
use crate::plan::{Ask, Device, Link, Plan, Transaction};
use identity::Known;
use overheard::Masters;
use refusal::Lacks;

/// How often a link's counters are told.
const COUNTS_EVERY_MS: u64 = 10_000;

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
    Scan {
        attempt: u8,
    },
    Try,
    Probe {
        second: bool,
    },
    /// A part of the device's identity.
    Identity {
        check: usize,
    },
    /// A part of a transaction that was refused as a whole; `sent`: when the first part had been asked.
    Piece {
        sent: Option<Instant>,
    },
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
    /// What some device lacks has changed and was not told yet.
    lacks_change: bool,
    slots: Vec<Slot>,
    again: Option<Job>,
    /// What waits until its device's identity is known.
    held: Option<Job>,
    masters: Masters,
    /// When the counters are told next.
    counts_at: Millis,
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
    /// Failures since it was last beyond doubt, and those among them that were garbled.
    failures: (u32, u32),
    /// When it last answered garbled.
    garbled_at: Option<Millis>,
    /// It was named as one of two devices with one address.
    named: bool,
    identity: Known,
    /// When an answer of it was last overheard.
    heard_at: Option<Instant>,
    /// It is in a state in which it is scanned faster.
    fast: bool,
    /// What it does not give.
    lacks: Lacks,
}

struct Slot {
    transaction: u32,
    device: usize,
    /// Its last scan brought faults.
    faulted: bool,
    /// When an answer that holds it whole was last overheard.
    heard_at: Option<Instant>,
    /// Its last answer was a refusal.
    refused: bool,
    /// How it is read since it was refused as a whole.
    pieces: Option<Pieces>,
    /// When it was last found that pieces of it, or all, are refused.
    refused_at: Option<Millis>,
    /// Refused as a whole, it is not asked again before.
    held_until: Millis,
    /// Positions of its points that the device does not give; `None` before its first answer.
    missing: Option<Vec<usize>>,
    /// Why, by the last refusal.
    why: Option<Why>,
}

impl Poll {
    pub(super) fn new(plan: Arc<Plan>, link: u32, stats: Arc<FieldStats>, deliver: Deliver, trust: Trust) -> Self {
        let span = plan.links[link as usize].devices;
        let (mut devices, mut slots, mut timings, mut late) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        for index in span.first..span.first + span.count {
            let device = &plan.devices[index as usize];
            let first_slot = slots.len();
            for transaction in device.transactions.first..device.transactions.first + device.transactions.count {
                slots.push(Slot {
                    transaction,
                    device: devices.len(),
                    faulted: false,
                    heard_at: None,
                    refused: false,
                    pieces: None,
                    refused_at: None,
                    held_until: Millis(0),
                    missing: None,
                    why: None,
                });
                timings.push(timing(&plan, device, &plan.transactions[transaction as usize]));
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
                failures: (0, 0),
                garbled_at: None,
                named: false,
                identity: Known::of(&device.identity),
                heard_at: None,
                fast: false,
                lacks: Lacks::default(),
            });
        }
        Self {
            schedule: Schedule::new(Millis(0), timings),
            health: Health::new(late),
            epoch: Instant::now(),
            connect_begun: Millis(0),
            lacks_change: false,
            again: None,
            held: None,
            masters: Masters::default(),
            counts_at: Millis(COUNTS_EVERY_MS),
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

    /// The same, its time beginning then.
    #[cfg(feature = "fuzzing")]
    pub(super) const fn since(mut self, epoch: Instant) -> Self {
        self.epoch = epoch;
        self
    }

    pub(super) fn link(&self) -> &Link {
        &self.plan.links[self.link as usize]
    }

    /// Tells that the link is down when it can never be polled.
    pub(super) fn unspoken(&self) -> impl FnOnce(Why) + use<> {
        let (deliver, link) = (Arc::clone(&self.deliver), self.link);
        move |why| deliver(FieldMessage::LinkState { link, up: false, why, at: Instant::now() })
    }

    pub(super) fn link_counters(&self) -> &LinkCounters {
        &self.stats.links[self.link as usize]
    }

    /// Index in the plan of a job's device.
    #[cfg(feature = "fuzzing")]
    pub(super) fn index(&self, job: &Job) -> u32 {
        self.devices[job.device].index
    }

    pub(super) fn device(&self, job: &Job) -> &Device {
        &self.plan.devices[self.devices[job.device].index as usize]
    }

    /// The names of states of each point a job brings.
    #[cfg(feature = "redfish")]
    pub(super) fn states(&self, job: &Job) -> impl Iterator<Item = &[(i64, String)]> {
        let points = self.plan.transactions[job.transaction as usize].points;
        crate::plan::stretch(&self.plan.points, points).iter().map(|point| point.states.as_slice())
    }

    pub(super) fn ask(&self, job: &Job) -> &Ask {
        if let Kind::Identity { check } = job.kind
            && let Some(check) = self.device(job).identity.checks.get(check)
        {
            return &check.ask;
        }
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
            (None, Ask::Redfish { .. }) => Err(Failure::Plan("a Redfish resource asked on a Modbus link")),
        }
    }

    /// What to do now.
    pub(super) fn step(&mut self, now: Instant) -> Step {
        let t = self.millis(now);
        self.review(t, now);
        self.tell_counts(t);
        if let Some(at) = self.health.connect_at() {
            if at <= t {
                self.connect_begun = t;
                return Step::Connect;
            }
            for job in [self.again.take(), self.held.take()].into_iter().flatten() {
                if let Job { slot, kind: Kind::Scan { .. } | Kind::Piece { .. }, .. } = job {
                    self.fault(slot, Status::BAD_NO_COMMUNICATION, now);
                }
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
                return Step::Ask(self.known_first(self.job(slot, Kind::Try), t));
            }
        }
        while let Some(scan) = self.schedule.take(t) {
            let slot = scan.index as usize;
            let device = self.slots[slot].device;
            let well = self.health.is_well(device);
            self.count_scan(slot, scan.skipped, well);
            if well && self.is_held(slot, t) {
                self.fault(slot, Status::BAD_NOT_FOUND, now);
            } else if well {
                let job = self.scan(slot, Kind::Scan { attempt: 0 }, t);
                return Step::Ask(self.known_first(job, t));
            } else {
                self.fault(slot, self.devices[device].status, now);
            }
        }
        while let Some(slot) = self.recover.pop_front() {
            if self.slots[slot].faulted && self.health.is_well(self.slots[slot].device) {
                let job = self.scan(slot, Kind::Try, t);
                return Step::Ask(self.known_first(job, t));
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
        if self.health.connected(t) {
            self.doubt_all();
        }
        // The device may be another one now.
        for slot in &mut self.slots {
            (slot.pieces, slot.refused_at, slot.held_until) = (None, None, Millis(0));
        }
        self.recover = (0..self.slots.len()).filter(|&slot| self.slots[slot].faulted).collect();
    }

    pub(super) fn connect_failed(&mut self, now: Instant, why: Unreached) {
        count(&self.link_counters().connect_failures, 1);
        let t = self.millis(now);
        self.health.connect_failed(self.connect_begun, t, Why::Unreached(why));
        self.review(t, now);
    }

    /// The connection could be made and must not be used: told at once.
    pub(super) fn connect_refused(&mut self, now: Instant, why: Unreached) {
        let t = self.millis(now);
        self.health.connect_refused(self.connect_begun, t, Why::Unreached(why));
        self.review(t, now);
    }

    /// The driver dropped its connection (after any failure that leaves it in doubt).
    pub(super) fn lost(&mut self, now: Instant) {
        let t = self.millis(now);
        self.health.lost(t);
    }

    fn earliest(&self, at: Option<Millis>) -> Option<Instant> {
        let next = at.into_iter().chain(self.schedule.next_due()).chain(self.lacks_due()).min()?;
        self.epoch.checked_add(Duration::from_millis(next.0))
    }

    fn millis(&self, at: Instant) -> Millis {
        Millis(ms(at.saturating_duration_since(self.epoch)))
    }
}

fn ms(duration: Duration) -> u64 {
    u64::try_from(duration.as_millis()).unwrap_or(u64::MAX)
}

fn timing(plan: &Plan, device: &Device, transaction: &Transaction) -> Timing {
    let cost = plan
        .links
        .get(device.link as usize)
        .map_or(Duration::ZERO, |link| Cost::of(&link.transport, device).ask(&transaction.ask));
    let cost = u32::try_from(cost.as_micros()).unwrap_or(u32::MAX);
    Timing { period_ms: ms(transaction.period), phase_ms: ms(transaction.phase), cost }
}

#[cfg(test)]
#[path = "poll/tests.rs"]
mod tests;
