//! Counters of the field, written by the links and readable from every thread; and the other way, which devices a person
//! has confirmed.
//!
//! One set a device; a link's figures are the sums of its devices' plus its own. Counters only rise and wrap after
//! 2^64; latencies are microseconds. Decides nothing, never panics.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::Relaxed};

use super::moves::Move;
use crate::plan::Plan;

/// Counters of every link and device, by their index in the plan.
#[derive(Debug, Default)]
pub struct FieldStats {
    /// By device.
    pub devices: Vec<Arc<DeviceCounters>>,
    /// By link.
    pub links: Vec<Arc<LinkCounters>>,
    device_links: Vec<u32>,
}

/// Counters of one device.
#[derive(Debug, Default)]
pub struct DeviceCounters {
    /// Requests sent, repetitions and probes included.
    pub requests: AtomicU64,
    /// Believed answers, refusals included.
    pub answers: AtomicU64,
    /// Requests that nobody answered in time.
    pub timeouts: AtomicU64,
    /// Answers not believed: CRC, unit, function, length.
    pub garbled: AtomicU64,
    /// Answers that were refusals.
    pub exceptions: AtomicU64,
    /// Scans that fell due, skipped ones included.
    pub scans_due: AtomicU64,
    /// Scans that brought values.
    pub scans_good: AtomicU64,
    /// Scans skipped because the link had no time for them.
    pub scans_skipped: AtomicU64,
    /// Time from request to answer of the last believed exchange, µs.
    pub latency_us: AtomicU64,
    /// A person has confirmed it, and its link has not yet seen that.
    pub(super) confirmed: AtomicBool,
}

/// Counters of one link that belong to no device.
#[derive(Debug, Default)]
pub struct LinkCounters {
    /// Connections made (ports opened).
    pub connects: AtomicU64,
    /// Connections that failed.
    pub connect_failures: AtomicU64,
    /// Bytes thrown away because no request of ours had asked for them: late answers, noise, another master.
    pub stray_bytes: AtomicU64,
}

/// The figures of a device or a link at one moment; fields as in [`DeviceCounters`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[allow(missing_docs)] // same names, same meaning
pub struct Figures {
    pub requests: u64,
    pub answers: u64,
    pub timeouts: u64,
    pub garbled: u64,
    pub exceptions: u64,
    pub scans_due: u64,
    pub scans_good: u64,
    pub scans_skipped: u64,
    /// Of a link: the longest of its devices.
    pub latency_us: u64,
}

impl FieldStats {
    /// Counters at zero for every link and device of the plan.
    #[must_use]
    pub fn of(plan: &Plan) -> Self {
        Self {
            devices: plan.devices.iter().map(|_| Arc::default()).collect(),
            links: plan.links.iter().map(|_| Arc::default()).collect(),
            device_links: plan.devices.iter().map(|d| d.link).collect(),
        }
    }

    /// Counters of a plan that follows another: those of links that go on are theirs.
    #[must_use]
    pub(super) fn following(plan: &Plan, before: &Self, moves: &[Move]) -> Self {
        let mut stats = Self::of(plan);
        for Move { from, to, devices, .. } in moves {
            if let (Some(old), Some(new)) = (before.links.get(at(*from)), stats.links.get_mut(at(*to))) {
                *new = Arc::clone(old);
            }
            for n in 0..devices.count {
                let old = before.devices.get(at(devices.from.saturating_add(n)));
                if let (Some(old), Some(new)) = (old, stats.devices.get_mut(at(devices.to.saturating_add(n)))) {
                    *new = Arc::clone(old);
                }
            }
        }
        stats
    }

    /// A device's figures; zero for an unknown index.
    #[must_use]
    pub fn device(&self, index: u32) -> Figures {
        self.devices.get(index as usize).map(|device| device.read()).unwrap_or_default()
    }

    /// A person has confirmed a device: its link takes what it shows next as its identity. An unknown index is ignored.
    pub fn confirm(&self, index: u32) {
        if let Some(device) = self.devices.get(index as usize) {
            device.confirmed.store(true, Relaxed);
        }
    }

    /// Whether a device was confirmed since this was last asked.
    pub(super) fn take_confirmed(&self, index: u32) -> bool {
        // Mostly false: looked at before it is written.
        let Some(device) = self.devices.get(index as usize) else { return false };
        device.confirmed.load(Relaxed) && device.confirmed.swap(false, Relaxed)
    }

    /// A link's figures: its devices' together.
    #[must_use]
    pub fn link(&self, index: u32) -> Figures {
        let mut sum = Figures::default();
        for (device, _) in self.devices.iter().zip(&self.device_links).filter(|(_, link)| **link == index) {
            sum.add(device.read());
        }
        sum
    }
}

impl DeviceCounters {
    /// The figures now. Each is exact; together they may be a moment apart.
    #[must_use]
    pub fn read(&self) -> Figures {
        Figures {
            requests: self.requests.load(Relaxed),
            answers: self.answers.load(Relaxed),
            timeouts: self.timeouts.load(Relaxed),
            garbled: self.garbled.load(Relaxed),
            exceptions: self.exceptions.load(Relaxed),
            scans_due: self.scans_due.load(Relaxed),
            scans_good: self.scans_good.load(Relaxed),
            scans_skipped: self.scans_skipped.load(Relaxed),
            latency_us: self.latency_us.load(Relaxed),
        }
    }
}

impl Figures {
    fn add(&mut self, other: Self) {
        let Self { requests, answers, timeouts, garbled, exceptions, scans_due, scans_good, scans_skipped, latency_us } =
            other;
        self.requests += requests;
        self.answers += answers;
        self.timeouts += timeouts;
        self.garbled += garbled;
        self.exceptions += exceptions;
        self.scans_due += scans_due;
        self.scans_good += scans_good;
        self.scans_skipped += scans_skipped;
        self.latency_us = self.latency_us.max(latency_us);
    }
}

/// Adds to a counter. Each has one writer at a time, its link: nothing is lost between reading and writing.
pub(super) fn count(counter: &AtomicU64, by: u64) {
    if by > 0 {
        counter.store(counter.load(Relaxed).wrapping_add(by), Relaxed);
    }
}

fn at(index: u32) -> usize {
    usize::try_from(index).unwrap_or(usize::MAX)
}
