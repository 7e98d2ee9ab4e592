//! The register banks and variable tables that stand between the plant model and the protocol servers.
//!
//! The model's cards write a device's bank at the card's own refresh pace; servers only read it. A bank knows
//! nothing of sockets, of time or of what its numbers mean. Registers are 16-bit and zero-based as on the wire
//! (MODBUS Application Protocol V1.1b3 §4); SNMP variables are keyed by full instance OID (RFC 3416).
//! Never panics: an address outside a bank is `None`, which a server answers with exception 02 (illegal data
//! address), and an OID outside the table is noSuchObject.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// One value of an SNMP variable.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Variable {
    /// INTEGER (RFC 2578 §2).
    Integer(i32),
    /// Gauge32.
    Gauge(u32),
    /// Counter32.
    Counter(u32),
    /// TimeTicks, hundredths of a second.
    TimeTicks(u32),
    /// OCTET STRING.
    Text(String),
    /// OBJECT IDENTIFIER.
    Oid(Vec<u32>),
}

/// How a device answers at the moment; scenarios change it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Manner {
    /// Answers as it should.
    #[default]
    Well,
    /// Does not answer at all.
    Silent,
    /// Answers this many milliseconds late.
    Slow {
        /// Added delay, ms.
        delay_ms: u32,
    },
    /// Answers with bytes that are no valid frame (wrong checksum, noise, cut short, in turn).
    Garbage,
    /// A second device has the same address: both answer at once and the frames garble each other.
    Doubled,
}

/// Everything a device shows on the wire.
#[derive(Clone, Debug, Default)]
pub struct Bank {
    /// Coils (function 01).
    pub coils: Vec<bool>,
    /// Discrete inputs (function 02).
    pub discrete: Vec<bool>,
    /// Holding registers (function 03).
    pub holding: Vec<u16>,
    /// Input registers (function 04).
    pub input: Vec<u16>,
    /// SNMP variables by instance OID, in lexicographic order.
    pub variables: BTreeMap<Vec<u32>, Variable>,
    /// How it answers now.
    pub manner: Manner,
}

/// A bank shared between the model (writer) and one server (reader); held only for a copy.
#[derive(Clone, Debug, Default)]
pub struct SharedBank(Arc<Mutex<Bank>>);

impl SharedBank {
    /// Locks the bank. A poisoned lock is taken over: a bank holds plain numbers that any writer replaces whole.
    pub fn lock(&self) -> MutexGuard<'_, Bank> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// How a device of the simulated module is reached.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Reached {
    /// Modbus unit on a link.
    Unit(u8),
    /// The only SNMP agent of a link.
    Agent,
}

/// What carries a simulated link.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Carrier {
    /// Modbus TCP server, several units behind one address.
    ModbusTcp,
    /// Serial line on a pseudo-terminal, Modbus RTU.
    Serial {
        /// Bits a second; replies are paced to it.
        baud: u32,
    },
    /// Modbus RTU frames over TCP, as transparent serial servers give them.
    RtuOverTcp,
    /// SNMP agent on UDP (v2c).
    Snmp,
}

/// One device behind a link.
#[derive(Clone, Debug)]
pub struct SimDevice {
    /// Name as in the demo configuration.
    pub name: String,
    /// Unit or agent.
    pub reached: Reached,
    /// What it shows.
    pub bank: SharedBank,
}

/// One link with everything that answers on it; `up` false models a cut cable.
#[derive(Clone, Debug)]
pub struct SimLink {
    /// Name as in the demo configuration.
    pub name: String,
    /// What carries it.
    pub carrier: Carrier,
    /// The devices on it.
    pub devices: Vec<SimDevice>,
    /// Shared switch: false while the link is cut.
    pub up: Arc<std::sync::atomic::AtomicBool>,
    /// Shared switch: true while a second master speaks on the line (serial only).
    pub second_master: Arc<std::sync::atomic::AtomicBool>,
}
