//! A device that answers late, and what becomes of its answers: readings of the agent's field side, or of plain library
//! use on the same line, compared with what the registers really hold.
//!
//! Register `n` of unit `u` holds 1000·u + n, so every value tells whose it is. Answers come late by every amount from 0
//! to 3 time-outs, in three ways by turns: now and then one, queued behind each other, and held back to burst out
//! together. Panics when loopback gives no port or no pseudo-terminal.

mod device;
mod plain;

use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use lapwing::field::{self, Batch, FieldMessage};
use lapwing::plan::{Ask, Device, Identity, Link, Parity, Plan, Slice, Table, Transaction, Transport};
use lapwing_engine::spec::{Raw, Span};
use serde::Serialize;

pub use plain::plain_rtu;

/// How long an answer is waited for, by the agent and by the plain library.
pub const TIMEOUT: Duration = Duration::from_millis(20);
/// Units on the line.
pub const UNITS: u8 = 12;
/// Reads of each unit; all of one length, so that no answer shows by its length whose it is.
const READS: u16 = 6;
const REGISTERS: u16 = 4;
/// Distance of two reads.
const APART: u16 = 50;

/// What carries the campaign.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// A pseudo-terminal.
    Serial,
    /// RTU frames over TCP.
    RtuOverTcp,
    /// Modbus TCP.
    Tcp,
}

/// What a campaign counted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Count {
    /// Requests sent.
    pub transactions: u64,
    /// Answers that came after their time-out.
    pub late: u64,
    /// Readings (of one transaction each) with the values of their registers.
    pub right: u64,
    /// Readings with values of other registers.
    pub wrong: u64,
}

/// Lets the agent's field side poll the late device for so many transactions, at most so long.
#[must_use]
pub fn agent(way: Way, transactions: u64, at_most: Duration) -> Count {
    let line = device::start(way);
    let transport = match (&line.at, way) {
        (device::At::Path(path), _) => serial(path.clone()),
        (device::At::Port(port), Way::Tcp) => Transport::ModbusTcp { host: "127.0.0.1".into(), port: *port },
        (device::At::Port(port), _) => Transport::ModbusRtuTcp { host: "127.0.0.1".into(), port: *port, baud: 115_200 },
    };
    let plan = Arc::new(plan(transport));
    let counted: Arc<Mutex<Count>> = Arc::default();
    let (into, of) = (Arc::clone(&counted), Arc::clone(&plan));
    let deliver: field::Deliver = Arc::new(move |message| {
        if let FieldMessage::Batch(batch) = message {
            let mut count = into.lock().unwrap_or_else(PoisonError::into_inner);
            match verdict(&of, &batch) {
                Some(true) => count.right += 1,
                Some(false) => count.wrong += 1,
                None => {}
            }
        }
    });
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
    let runtime = runtime.expect("the host gives a runtime");
    let (stop, stopped) = tokio::sync::watch::channel(false);
    let mut handle = field::start(plan, runtime.handle(), deliver, stopped);
    let (stats, begun) = (handle.stats(), Instant::now());
    while stats.link(0).requests < transactions && begun.elapsed() < at_most {
        std::thread::sleep(Duration::from_millis(20));
    }
    stop.send_replace(true);
    handle.wait_ended();
    let count = *counted.lock().unwrap_or_else(PoisonError::into_inner);
    Count { transactions: stats.link(0).requests, late: line.late.load(Relaxed), ..count }
}

fn serial(path: PathBuf) -> Transport {
    Transport::Serial { path, baud: 115_200, parity: Parity::None, stop_bits: 1 }
}

/// Whether a batch holds what its registers hold; `None` if it brought no values.
fn verdict(plan: &Plan, batch: &Batch) -> Option<bool> {
    let transaction = usize::try_from(batch.transaction).ok().and_then(|t| plan.transactions.get(t))?;
    let unit = plan.devices.get(usize::try_from(transaction.device).ok()?)?.unit;
    let Ask::Modbus { start, .. } = transaction.ask else { return None };
    let mut right = true;
    for (raw, register) in batch.raws.iter().zip(start..) {
        match raw {
            Raw::Words { words, len: 1, .. } => right &= words[0] == value(unit, register),
            _ => return None,
        }
    }
    Some(right)
}

/// What a register holds.
pub(crate) fn value(unit: u8, register: u16) -> u16 {
    1000 * u16::from(unit) + register
}

/// Every read there is: unit and first register.
pub(crate) fn reads() -> impl Iterator<Item = (u8, u16)> + Clone {
    (1..=UNITS).flat_map(|unit| (0..READS).map(move |read| (unit, read * APART)))
}

fn plan(transport: Transport) -> Plan {
    let many = |n: usize| u32::try_from(n).expect("invariant: a few dozen");
    let mut plan = Plan {
        links: vec![Link {
            name: "late".into(),
            transport,
            timeout: TIMEOUT,
            retries: 0,
            devices: Span { first: 0, count: u32::from(UNITS) },
            state_point: 0,
            listen: false,
            listen_first: Duration::ZERO,
            masters_point: None,
            count_points: None,
        }],
        ..Plan::default()
    };
    for unit in 1..=UNITS {
        plan.devices.push(Device {
            name: format!("device-{unit}"),
            link: 0,
            unit,
            timeout: TIMEOUT,
            pause: Duration::ZERO,
            turnaround: Duration::ZERO,
            faster: None,
            late_max: TIMEOUT * 3,
            transactions: Span { first: many(plan.transactions.len()), count: u32::from(READS) },
            above_least_ppm: 0,
            state_point: 0,
            identity: Identity::default(),
            map_point: None,
        });
        for (_, start) in reads().filter(|(of, _)| *of == unit) {
            let number = many(plan.transactions.len());
            let slices = (0..REGISTERS).map(|offset| Slice { offset, words: 1, scale_factor: None }).collect();
            plan.transactions.push(Transaction {
                device: u32::from(unit) - 1,
                period: Duration::from_millis(50),
                phase: Duration::ZERO,
                ask: Ask::Modbus { table: Table::Holding, start, count: REGISTERS, slices },
                points: Span { first: number * u32::from(REGISTERS), count: u32::from(REGISTERS) },
            });
        }
    }
    plan
}

/// Counts of answers that came late, shared with a device's threads.
type Late = Arc<AtomicU64>;
