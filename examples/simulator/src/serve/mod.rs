//! The protocol servers behind which the simulated devices stand; this file decides only what they share.
//!
//! Each server reads the banks of one link and answers as the device's manner says. Servers know nothing of the
//! model, of scenarios or of what a register means, and they never change a bank: a write request is refused and
//! counted. All of them listen on the loopback address or on a pseudo-terminal, on whatever port is free.
//! Never panics on anything that arrives from outside.

pub(crate) mod answer;
pub(crate) mod line;
pub(crate) mod modbus_tcp;
pub(crate) mod rtu;
pub(crate) mod rtu_tcp;
pub(crate) mod serial;
pub(crate) mod snmp;
pub(crate) mod spoil;

use std::sync::atomic::{AtomicU64, Ordering};

use crate::bank::{Reached, SharedBank, SimLink};

/// What a link was asked since the start; counters only grow and are shared by all servers of a simulator.
#[derive(Debug, Default)]
pub struct Traffic {
    requests: AtomicU64,
    write_attempts: AtomicU64,
    unknown_units: AtomicU64,
    undecodable: AtomicU64,
}

/// [`Traffic`] at one moment.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct TrafficCount {
    /// Requests that reached a link: frames that were understood, and SNMP datagrams; writes included.
    pub requests: u64,
    /// Requests that would have changed a device; all were refused.
    pub write_attempts: u64,
    /// Requests to a Modbus unit nobody has.
    pub unknown_units: u64,
    /// Bytes that made no frame: wrong checksum, cut short, or not of the protocol.
    pub undecodable: u64,
}

impl Traffic {
    /// The counters now.
    pub fn count(&self) -> TrafficCount {
        TrafficCount {
            requests: self.requests.load(Ordering::Relaxed),
            write_attempts: self.write_attempts.load(Ordering::Relaxed),
            unknown_units: self.unknown_units.load(Ordering::Relaxed),
            undecodable: self.undecodable.load(Ordering::Relaxed),
        }
    }

    pub(crate) fn request(&self) {
        self.requests.fetch_add(1, Ordering::Relaxed);
    }

    pub(crate) fn write_attempt(&self) {
        self.write_attempts.fetch_add(1, Ordering::Relaxed);
    }

    pub(crate) fn unknown_unit(&self) {
        self.unknown_units.fetch_add(1, Ordering::Relaxed);
    }

    pub(crate) fn undecodable(&self) {
        self.undecodable.fetch_add(1, Ordering::Relaxed);
    }
}

/// One Modbus unit on a link.
#[derive(Clone, Debug)]
pub(crate) struct Unit {
    pub(crate) unit: u8,
    pub(crate) name: String,
    pub(crate) bank: SharedBank,
}

/// The Modbus units of a link, or the name of the first device that is not one.
pub(crate) fn units(link: &SimLink) -> Result<Vec<Unit>, String> {
    link.devices
        .iter()
        .map(|device| match device.reached {
            Reached::Unit(unit) => Ok(Unit { unit, name: device.name.clone(), bank: device.bank.clone() }),
            Reached::Agent => Err(device.name.clone()),
        })
        .collect()
}
