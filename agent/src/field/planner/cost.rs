//! What an exchange costs its line, in time: the measure by which reads are put together, scheduled and judged.
//!
//! Pure; knows no addresses and no periods. Nanoseconds. What a line itself takes follows from its settings; how long a
//! device thinks before it answers is assumed unless the configuration says it (`turnaround_ms`). Never panics. Modbus
//! over Serial Line V1.02 §2.5.1.1 (3.5 characters between frames, 1.75 ms above 19 200 bit/s), §2.5.1 (characters);
//! MODBUS Application Protocol V1.1b3 §6.1–6.4 (bytes of requests and answers).

use std::time::Duration;

use crate::plan::{Ask, Device, Parity, Table, Transport};

/// How long a Modbus device thinks before it answers, if nothing is said (common practice, no source).
pub const TURNAROUND: Duration = Duration::from_millis(5);
/// How long the card of an SNMP agent thinks (common practice, no source).
pub const SNMP_TURNAROUND: Duration = Duration::from_millis(20);

/// Characters of an RTU request, and of an answer beside its values.
const REQUEST: u64 = 8;
const AROUND: u64 = 5;
/// Bytes of a TCP request and answer beside the values, with the headers of the layers below.
const NETWORK_AROUND: u64 = 130;
/// A byte on the slowest network still met, 10 Mbit/s.
const NETWORK_BYTE_NS: u64 = 800;
/// A variable of an SNMP answer: its bytes, and what the card takes to look it up (common practice, no source).
const VARIABLE_NS: u64 = 200_000;

/// What exchanges with one device cost.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cost {
    /// An exchange that brings nothing, ns.
    pub exchange_ns: u64,
    /// Each byte of values (of SNMP: each variable), ns.
    pub byte_ns: u64,
}

/// What carries requests to a device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Line {
    /// TCP: registers cost next to nothing, a request a round trip.
    Network,
    /// A serial line, also behind a gateway: every character takes its time.
    Serial {
        /// Bits a second.
        baud: u32,
        /// Bits a character, start and stop included.
        bits: u32,
    },
    /// SNMP over UDP.
    Snmp,
}

impl Line {
    /// What carries a link.
    #[must_use]
    pub fn of(transport: &Transport) -> Self {
        match transport {
            Transport::ModbusTcp { .. } | Transport::ModbusTls { .. } | Transport::Redfish(_) => Self::Network,
            // What lies behind a gateway is not configured: eleven bits, as the standard has it.
            Transport::ModbusRtuTcp { baud, .. } => Self::Serial { baud: *baud, bits: 11 },
            Transport::Serial { baud, parity, stop_bits, .. } => {
                let parity = match parity {
                    Parity::None => 0,
                    Parity::Even | Parity::Odd => 1,
                };
                Self::Serial { baud: *baud, bits: 9 + parity + u32::from(*stop_bits) }
            }
            Transport::Snmp { .. } => Self::Snmp,
        }
    }

    /// How long its devices think, if nothing is said.
    #[must_use]
    pub const fn turnaround(self) -> Duration {
        match self {
            Self::Network | Self::Serial { .. } => TURNAROUND,
            Self::Snmp => SNMP_TURNAROUND,
        }
    }

    /// What an exchange with a device costs that thinks so long and wants so much silence before a request.
    #[must_use]
    pub fn cost(self, turnaround: Duration, pause: Duration) -> Cost {
        match self {
            Self::Network => Cost {
                exchange_ns: NETWORK_AROUND * NETWORK_BYTE_NS + ns(turnaround) + ns(pause),
                byte_ns: NETWORK_BYTE_NS,
            },
            Self::Serial { baud, bits } => {
                let baud = u64::from(baud.max(1));
                let character = u64::from(bits) * 1_000_000_000 / baud;
                let silence = if baud > 19_200 { 1_750_000 } else { character * 7 / 2 };
                let before = silence.max(ns(pause));
                Cost {
                    exchange_ns: (REQUEST + AROUND) * character + silence + before + ns(turnaround),
                    byte_ns: character,
                }
            }
            Self::Snmp => Cost {
                exchange_ns: NETWORK_AROUND * NETWORK_BYTE_NS + ns(turnaround) + ns(pause),
                byte_ns: VARIABLE_NS,
            },
        }
    }
}

impl Cost {
    /// What exchanges with a device of a plan cost.
    #[must_use]
    pub fn of(transport: &Transport, device: &Device) -> Self {
        Line::of(transport).cost(device.turnaround, device.pause)
    }

    /// A read of so many registers or bits, ns.
    #[must_use]
    pub const fn read_ns(self, table: Table, count: u32) -> u64 {
        self.exchange_ns + self.byte_ns * bytes(table, count)
    }

    /// A question of a plan.
    #[must_use]
    pub fn ask(self, ask: &Ask) -> Duration {
        Duration::from_nanos(match ask {
            Ask::Modbus { table, count, .. } => self.read_ns(*table, u32::from(*count)),
            Ask::Snmp { oids } => self.exchange_ns + self.byte_ns * oids.len() as u64,
            // The rows' labels are asked with the cells.
            Ask::SnmpCells { rows, cells } => self.exchange_ns + self.byte_ns * (rows.len() + cells.len()) as u64,
            // A resource comes whole, whatever is wanted of it (its size is assumed).
            Ask::Redfish { .. } => self.exchange_ns + self.byte_ns * 4096,
            // A column is walked: one exchange brings some rows, a second finds the end.
            Ask::SnmpColumn { listed, .. } => 2 * self.exchange_ns + self.byte_ns * listed.len() as u64,
        })
    }
}

/// Bytes of so many values.
pub(super) const fn bytes(table: Table, count: u32) -> u64 {
    match table {
        Table::Coil | Table::Discrete => count.div_ceil(8) as u64,
        Table::Holding | Table::Input => count as u64 * 2,
    }
}

fn ns(duration: Duration) -> u64 {
    u64::try_from(duration.as_nanos()).unwrap_or(u64::MAX / 4)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The engine's own formula, checked there against published times.
    #[test]
    fn a_serial_read_costs_what_the_standard_says() {
        for (baud, bits) in [(9600, 11), (19_200, 11), (38_400, 11), (115_200, 10)] {
            for count in [1, 10, 50, 125] {
                let cost = Line::Serial { baud, bits }.cost(Duration::ZERO, Duration::ZERO);
                let ms = lapwing_engine::physics::serial_line::rtu_poll_ms(
                    f64::from(baud),
                    f64::from(bits),
                    f64::from(count),
                );
                #[allow(clippy::cast_precision_loss)] // some hundred million
                let ours = cost.read_ns(Table::Input, count) as f64 / 1e6;
                assert!((ours - ms.expect("inside the domain")).abs() < 0.001, "{baud} {bits} {count}: {ours}");
            }
        }
    }

    #[test]
    fn a_pause_replaces_the_silence_before_a_request_and_bits_come_eight_a_byte() {
        let line = Line::Serial { baud: 19_200, bits: 11 };
        let [none, short, long] = [0, 1, 20].map(|ms| line.cost(TURNAROUND, Duration::from_millis(ms)).exchange_ns);
        assert_eq!(none, short);
        assert_eq!(long - none, 20_000_000 - 2_005_206);
        let cost = Cost { exchange_ns: 100, byte_ns: 10 };
        assert_eq!([1, 8, 9].map(|count| cost.read_ns(Table::Coil, count)), [110, 110, 120]);
    }
}
