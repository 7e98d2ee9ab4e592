//! Turns the points of one device into the transactions that cost its line the least time.
//!
//! Pure: knows tables, addresses, periods and costs, not what they mean, and reads no clock. A value is never split, a
//! value and its scale factor always come from one answer, a group comes from one answer, a block never touches a
//! forbidden register. What is read together is the optimum by the line's real costs (`cost`); `optimum` says how far it is proved.
//!
//! **Periods.** A point of a longer period rides along in a faster read where that costs the line less than reading it by
//! itself. It is then read more often than asked, never slower, and never more than [`RIDE_AT_MOST`] times as often,
//! because each reading is also judged, kept and published. A block's period is that of its fastest points.
//!
//! Never panics. MODBUS Application Protocol V1.1b3 §6.1–6.4 (at most 2000 bits, 125 registers a request).

pub mod cost;
mod optimum;
mod variables;

use std::collections::BTreeMap;
use std::time::Duration;

use thiserror::Error;

pub use cost::{Cost, Line};
pub use variables::{Get, MOST_VARIABLES, Variable, plan_gets};

use crate::plan::{Ask, Slice, Table};
use optimum::{MOST_WAYS, Part, Rules};

/// Most registers one request may ask for (MODBUS Application Protocol V1.1b3 §6.3).
pub const MOST_REGISTERS: u16 = 125;
/// Most bits one request may ask for (same, §6.1).
pub const MOST_BITS: u16 = 2000;
/// Most registers of one value: what a raw value can carry.
pub const MOST_WORDS: u8 = 8;
/// Registers nobody asked for that are read through at most; sixteen times as many bits. Devices refuse long gaps more
/// often than they refuse short ones (common practice, no source).
pub const MOST_GAP: u16 = 32;
/// How many times as often as asked a point is read at most because it rides along in a faster read.
pub const RIDE_AT_MOST: u32 = 10;

/// One point of a device, as far as reading it is concerned.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Item {
    /// The caller's name for it; comes back in [`Block::entries`].
    pub key: u32,
    /// Where it lies.
    pub table: Table,
    /// Wire address of its first register or bit, zero-based.
    pub address: u16,
    /// Registers; 0 for a single bit of a bit table.
    pub words: u8,
    /// Address of its scale-factor register, in the same table.
    pub scale_factor: Option<u16>,
    /// How often it must be read.
    pub period: Duration,
    /// Items with the same number must come from one transaction.
    pub group: Option<u32>,
}

/// What a device and its line allow.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Registers a request, at most [`MOST_REGISTERS`].
    pub max_registers: u16,
    /// Bits a request, at most [`MOST_BITS`].
    pub max_bits: u16,
    /// Registers nobody asked for that may be read through in one go; sixteen times as many bits.
    pub max_gap: u16,
    /// What its exchanges cost.
    pub cost: Cost,
    /// Addresses never to touch.
    pub forbid: Vec<Forbidden>,
    /// Ways to read that are weighed against each other at a time: more prove larger plans the best, and take longer.
    pub most_ways: usize,
}

/// Addresses never to touch, both ends included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Forbidden {
    /// In which table.
    pub table: Table,
    /// First address.
    pub first: u16,
    /// Last address.
    pub last: u16,
}

/// A planned read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Block {
    /// Table.
    pub table: Table,
    /// First wire address.
    pub start: u16,
    /// Registers or bits.
    pub count: u16,
    /// How often: the shortest of its points' periods.
    pub period: Duration,
    /// What it brings, by address: the caller's key and where the item lies.
    pub entries: Vec<(u32, Slice)>,
}

/// Why an item cannot be read as asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum Unplannable {
    /// No registers in a register table, or registers in a bit table.
    #[error(
        "{words} registers in table {table:?}: bit tables hold single bits, register tables values of 1 to 8 registers"
    )]
    Width {
        /// Which item.
        key: u32,
        /// Its table.
        table: Table,
        /// What it asks.
        words: u8,
    },
    /// A scale factor of a bit.
    #[error("a single bit has no scale factor: leave `scale_from` out")]
    ScaledBit {
        /// Which item.
        key: u32,
    },
    /// Runs past address 65535.
    #[error("runs past address 65535: a value starts at most at 65536 minus its registers")]
    PastEnd {
        /// Which item.
        key: u32,
    },
    /// Value and scale factor, or the members of a group, lie too far apart for one request.
    #[error(
        "needs {needed} adjacent addresses in one request, the device gives {allowed}: move the scale factor or split the group"
    )]
    TooWide {
        /// Which item (the first of a group).
        key: u32,
        /// Registers or bits it needs.
        needed: u32,
        /// Registers or bits allowed.
        allowed: u16,
    },
    /// A forbidden address lies inside it.
    #[error("reading it touches address {address}, which `forbid` excludes: leave the point out or correct `forbid`")]
    Forbidden {
        /// Which item (the first of a group).
        key: u32,
        /// The forbidden address.
        address: u16,
    },
    /// The members of a group differ in table or period.
    #[error("members of one group must share table and scan period")]
    MixedGroup {
        /// Which item.
        key: u32,
    },
}

impl Unplannable {
    /// The caller's key of the item concerned.
    #[must_use]
    pub const fn key(&self) -> u32 {
        match *self {
            Self::Width { key, .. }
            | Self::ScaledBit { key }
            | Self::PastEnd { key }
            | Self::TooWide { key, .. }
            | Self::Forbidden { key, .. }
            | Self::MixedGroup { key } => key,
        }
    }
}

impl Limits {
    /// The protocol's own limits where exchanges cost so much.
    #[must_use]
    pub const fn of(cost: Cost) -> Self {
        Self {
            max_registers: MOST_REGISTERS,
            max_bits: MOST_BITS,
            max_gap: MOST_GAP,
            cost,
            forbid: Vec::new(),
            most_ways: MOST_WAYS,
        }
    }

    const fn most(&self, table: Table) -> u16 {
        match table {
            Table::Coil | Table::Discrete => least(self.max_bits, MOST_BITS),
            Table::Holding | Table::Input => least(self.max_registers, MOST_REGISTERS),
        }
    }

    fn gap(&self, table: Table) -> u32 {
        match table {
            Table::Coil | Table::Discrete => u32::from(self.max_gap) * 16,
            Table::Holding | Table::Input => u32::from(self.max_gap),
        }
    }

    /// First forbidden address between two addresses, both included.
    fn forbidden_in(&self, table: Table, first: u32, last: u32) -> Option<u16> {
        self.forbid
            .iter()
            .filter(|f| f.table == table && u32::from(f.first) <= last && u32::from(f.last) >= first)
            .map(|f| f.first.max(u16::try_from(first).unwrap_or(u16::MAX)))
            .min()
    }
}

impl Block {
    /// The block as a transaction's question.
    #[must_use]
    pub fn ask(&self) -> Ask {
        Ask::Modbus {
            table: self.table,
            start: self.start,
            count: self.count,
            slices: self.entries.iter().map(|(_, slice)| *slice).collect(),
        }
    }
}

/// The reads of one device.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Reads {
    /// In order of table, period and address.
    pub blocks: Vec<Block>,
    /// By how much another plan might take less line time, at most, in millionths of this one's; 0: it is proved the best.
    pub above_least_ppm: u32,
}

/// Groups a device's items into the blocks that take the least line time, in order of table, period and address.
///
/// # Errors
/// Every item that cannot be read as asked.
pub fn plan_reads(items: &[Item], limits: &Limits) -> Result<Vec<Block>, Vec<Unplannable>> {
    best_reads(items, limits).map(|reads| reads.blocks)
}

/// As [`plan_reads`], and how far the plan is proved.
///
/// # Errors
/// Every item that cannot be read as asked.
pub fn best_reads(items: &[Item], limits: &Limits) -> Result<Reads, Vec<Unplannable>> {
    let mut mistakes = Vec::new();
    let mut units = units(items, limits, &mut mistakes);
    if !mistakes.is_empty() {
        return Err(mistakes);
    }
    units.sort_by_key(|u| (u.table, u.first, u.last, u.period, u.items.first().map(|i| i.key)));
    let (mut blocks, mut cost, mut least) = (Vec::new(), 0_u128, 0_u128);
    for of_table in units.chunk_by(|a, b| a.table == b.table) {
        let Some(table) = of_table.first().map(|unit| unit.table) else { continue };
        let parts: Vec<Part> =
            of_table.iter().map(|u| Part { first: u.first, last: u.last, period: u.period }).collect();
        let rules = Rules {
            table,
            most: u32::from(limits.most(table)),
            gap: limits.gap(table),
            ride: RIDE_AT_MOST,
            cost: limits.cost,
            most_ways: limits.most_ways,
            forbidden: &|first, last| limits.forbidden_in(table, first, last).is_some(),
        };
        let best = optimum::best(&parts, &rules);
        (cost, least) = (cost + best.cost, least + best.least);
        let mut of_table: Vec<Block> = best
            .blocks
            .iter()
            .map(|chosen| block(table, chosen.period, chosen.parts.iter().map(|&part| &of_table[part])))
            .collect();
        of_table.sort_by_key(|block| (block.period, block.start, block.count));
        blocks.extend(of_table);
    }
    let above = ((cost - least) * 1_000_000).div_ceil(cost.max(1));
    Ok(Reads { blocks, above_least_ppm: u32::try_from(above).unwrap_or(u32::MAX) })
}

/// Offset of a transaction's first scan, so that the many transactions of a period do not fall due at one instant.
///
/// The n-th takes the n-th multiple of the golden ratio, modulo one, of its period: however many there are, they lie
/// well spread, and the result depends on nothing but the index.
#[must_use]
pub fn stagger(index: u32, period: Duration) -> Duration {
    // 2^32 divided by the golden ratio.
    let fraction = index.wrapping_mul(0x9E37_79B9);
    let ms = u64::try_from(period.as_millis()).unwrap_or(u64::MAX);
    let phase = (u128::from(ms) * u128::from(fraction)) >> 32;
    Duration::from_millis(u64::try_from(phase).unwrap_or(0))
}

/// What must come from one answer: an item with its scale factor, or a group.
struct Unit<'a> {
    table: Table,
    period: Duration,
    first: u32,
    last: u32,
    items: Vec<&'a Item>,
}

impl<'a> Unit<'a> {
    fn join(&mut self, other: Unit<'a>) {
        self.first = self.first.min(other.first);
        self.last = self.last.max(other.last);
        self.items.extend(other.items);
    }
}

fn block<'u, 'a: 'u>(table: Table, period: Duration, units: impl Iterator<Item = &'u Unit<'a>>) -> Block {
    let (mut first, mut last, mut items) = (u32::MAX, 0, Vec::new());
    for unit in units {
        first = first.min(unit.first);
        last = last.max(unit.last);
        items.extend(unit.items.iter().copied());
    }
    items.sort_by_key(|i| (i.address, i.key));
    // Checked when the units were made: both ends lie inside 0–65535, at most 2000 addresses apart.
    let start = u16::try_from(first).unwrap_or(u16::MAX);
    let count = u16::try_from((last + 1).saturating_sub(first)).unwrap_or(u16::MAX);
    let slice = |i: &Item| Slice {
        offset: i.address - start,
        words: i.words,
        scale_factor: i.scale_factor.map(|address| address - start),
    };
    Block { table, start, count, period, entries: items.iter().map(|i| (i.key, slice(i))).collect() }
}

fn units<'a>(items: &'a [Item], limits: &Limits, mistakes: &mut Vec<Unplannable>) -> Vec<Unit<'a>> {
    let mut single = Vec::new();
    let mut grouped: BTreeMap<u32, Unit<'a>> = BTreeMap::new();
    for item in items {
        let unit = match unit(item) {
            Ok(unit) => unit,
            Err(mistake) => {
                mistakes.push(mistake);
                continue;
            }
        };
        match item.group {
            None => single.push(unit),
            Some(group) => match grouped.get_mut(&group) {
                None => {
                    grouped.insert(group, unit);
                }
                Some(whole) if (whole.table, whole.period) == (unit.table, unit.period) => whole.join(unit),
                Some(_) => mistakes.push(Unplannable::MixedGroup { key: item.key }),
            },
        }
    }
    single.extend(grouped.into_values());
    for unit in &single {
        let key = unit.items.first().map_or(0, |i| i.key);
        let (needed, allowed) = (unit.last + 1 - unit.first, limits.most(unit.table));
        if needed > u32::from(allowed) {
            mistakes.push(Unplannable::TooWide { key, needed, allowed });
        } else if let Some(address) = limits.forbidden_in(unit.table, unit.first, unit.last) {
            mistakes.push(Unplannable::Forbidden { key, address });
        }
    }
    single
}

fn unit(item: &Item) -> Result<Unit<'_>, Unplannable> {
    let key = item.key;
    let width = match item.table {
        Table::Coil | Table::Discrete => {
            if item.words != 0 {
                return Err(Unplannable::Width { key, table: item.table, words: item.words });
            }
            if item.scale_factor.is_some() {
                return Err(Unplannable::ScaledBit { key });
            }
            1
        }
        Table::Holding | Table::Input => {
            if item.words == 0 || item.words > MOST_WORDS {
                return Err(Unplannable::Width { key, table: item.table, words: item.words });
            }
            u32::from(item.words)
        }
    };
    let mut first = u32::from(item.address);
    let mut last = first + width - 1;
    if last > u32::from(u16::MAX) {
        return Err(Unplannable::PastEnd { key });
    }
    if let Some(address) = item.scale_factor {
        first = first.min(u32::from(address));
        last = last.max(u32::from(address));
    }
    Ok(Unit { table: item.table, period: item.period, first, last, items: vec![item] })
}

const fn least(a: u16, b: u16) -> u16 {
    if a < b { a } else { b }
}

#[cfg(test)]
#[path = "planner/tests.rs"]
mod tests;
