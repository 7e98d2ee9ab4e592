//! The cheapest way to read one table of one device: which items go together, and which slow ones ride in faster reads.
//!
//! Minimised, exactly, is line time a second: the sum over blocks of cost by period. Items stand in the order of their first
//! address. Within one period blocks can be taken as disjoint in that order: of two blocks of which neither contains the
//! other, an item that begins inside the second lies in the second as well; of two nested ones the inner is never needed.
//! So a pass over the items needs to know, for each period, only the last block: each item either extends the last block
//! of a period it may be read at, or begins a new one. A block that no item to come can extend is closed and forgotten.
//!
//! **What is dropped.** For two such ways `behind` gives how much more the one costs at most than the other, whatever
//! follows. Where that is nothing the other is dropped, and the optimum stays. Should more than [`MOST_WAYS`] stand
//! side by side, those are dropped that another is least behind, and what that may have cost at most is kept beside the
//! other: so each plan comes with the least that any plan could cost ([`Best::least`]), and is proved the best where both
//! are equal.
//!
//! Pure: addresses, periods, costs. Costs are ns · 10¹⁸ / µs of the period, in integers, so that equal plans are equal on
//! every machine. Never panics.

use std::time::Duration;

use super::cost::{Cost, bytes};
use crate::plan::Table;

/// Ways that may stand side by side; fewer for very many parts, so that a plan is always made in good time.
pub(super) const MOST_WAYS: usize = 512;
/// Parts times ways.
const MOST_WORK: usize = 100_000;

/// What must come from one answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Part {
    pub(super) first: u32,
    pub(super) last: u32,
    pub(super) period: Duration,
}

/// What holds for the table.
pub(super) struct Rules<'a> {
    pub(super) table: Table,
    /// Registers or bits a request.
    pub(super) most: u32,
    /// Addresses nobody asked for that may be read through in one go.
    pub(super) gap: u32,
    /// How many times as often as asked an item may be read.
    pub(super) ride: u32,
    pub(super) cost: Cost,
    /// Ways that may stand side by side.
    pub(super) most_ways: usize,
    /// Whether a stretch holds an address never to touch.
    pub(super) forbidden: &'a dyn Fn(u32, u32) -> bool,
}

/// A block of the best plan: its period, and its parts by index.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Chosen {
    pub(super) period: Duration,
    pub(super) parts: Vec<usize>,
}

/// A plan of a table.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Best {
    pub(super) blocks: Vec<Chosen>,
    /// What it costs.
    pub(super) cost: u128,
    /// No plan costs less than this; the plan is proved the best where it costs no more.
    pub(super) least: u128,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Open {
    first: u32,
    last: u32,
}

/// One way to read the parts so far.
#[derive(Clone, Debug)]
struct Way {
    /// Of all its blocks, the open ones as they are now.
    cost: u128,
    blocks: u32,
    /// The last block of each period, if a part to come may extend it.
    open: Vec<Option<Open>>,
    /// Its last decision, as an index into the trace.
    step: usize,
    /// By how much the best of the ways dropped in its favour may have been better, at most.
    lost: u128,
}

/// A decision: into which period's block a part went, and whether it began one.
#[derive(Clone, Copy, Debug)]
struct Step {
    before: usize,
    level: usize,
    begins: bool,
}

/// The parts of one period's blocks that are still to come.
#[derive(Clone, Copy, Debug)]
struct Ahead {
    /// First address of the next one.
    next: u32,
    /// Last address of any of them.
    end: u32,
}

/// The cheapest blocks. `parts` are sorted by first address, each fits a block of its own.
pub(super) fn best(parts: &[Part], rules: &Rules<'_>) -> Best {
    let (parts, members) = distinct(parts);
    let mut levels: Vec<Duration> = parts.iter().map(|part| part.period).collect();
    levels.sort_unstable();
    levels.dedup();
    let weights: Vec<u128> =
        levels.iter().map(|period| 1_000_000_000_000_000_000 / period.as_micros().max(1)).collect();
    let ahead = ahead(&parts, &levels, rules.ride);
    let most_ways = (MOST_WORK / parts.len().max(1)).max(32).min(rules.most_ways);
    let mut trace: Vec<Step> = Vec::new();
    let mut ways = vec![Way { cost: 0, blocks: 0, open: vec![None; levels.len()], step: usize::MAX, lost: 0 }];
    for (part, ahead) in parts.iter().zip(&ahead) {
        let mut next: Vec<(Way, Step)> = Vec::new();
        for way in &ways {
            for level in (0..levels.len()).filter(|&level| may_ride(part, levels[level], rules.ride)) {
                for begins in [false, true] {
                    next.extend(rules.taken(way, part, level, begins, ahead, &weights));
                }
            }
        }
        ways = kept(next, most_ways, &mut trace, |a, b, enough| rules.behind(a, b, ahead, &weights, enough));
    }
    let Some(best) = ways.iter().min_by_key(|way| (way.cost, way.blocks)) else { return Best::default() };
    let least = ways.iter().map(|way| way.cost.saturating_sub(way.lost)).min().unwrap_or(best.cost);
    let mut chosen = blocks(best.step, &trace, parts.len(), &levels);
    for block in &mut chosen {
        block.parts = block.parts.iter().flat_map(|&part| members[part].clone()).collect();
    }
    Best { blocks: chosen, cost: best.cost, least }
}

/// Parts of equal addresses and periods are one; beside each, which of the given ones it stands for.
fn distinct(parts: &[Part]) -> (Vec<Part>, Vec<std::ops::Range<usize>>) {
    let (mut distinct, mut members) = (Vec::<Part>::new(), Vec::<std::ops::Range<usize>>::new());
    for (at, part) in parts.iter().enumerate() {
        match members.last_mut() {
            Some(range) if distinct.last() == Some(part) => range.end = at + 1,
            Some(_) | None => {
                distinct.push(*part);
                members.push(at..at + 1);
            }
        }
    }
    (distinct, members)
}

fn may_ride(part: &Part, level: Duration, ride: u32) -> bool {
    level <= part.period && level * ride >= part.period
}

/// For each part, what comes after it: one a period, where anything comes.
fn ahead(parts: &[Part], levels: &[Duration], ride: u32) -> Vec<Vec<Option<Ahead>>> {
    let mut now: Vec<Option<Ahead>> = vec![None; levels.len()];
    let mut all = vec![now.clone(); parts.len()];
    for (at, part) in parts.iter().enumerate().rev() {
        all[at].clone_from(&now);
        for (ahead, level) in now.iter_mut().zip(levels) {
            if may_ride(part, *level, ride) {
                let end = ahead.map_or(part.last, |ahead| ahead.end.max(part.last));
                *ahead = Some(Ahead { next: part.first, end });
            }
        }
    }
    all
}

/// The ways to go on with: of all, those no other is as good as; at most so many. Each gets its place in the trace.
fn kept(
    mut found: Vec<(Way, Step)>,
    most: usize,
    trace: &mut Vec<Step>,
    behind: impl Fn(&Way, &Way, i128) -> Option<(i128, u32)>,
) -> Vec<Way> {
    // A way is never behind a dearer one: only those before it can make it needless.
    found.sort_by_key(|(way, _)| (way.cost, way.blocks));
    let mut ways: Vec<(Way, Step)> = Vec::new();
    for (way, step) in found {
        let as_good = |(other, _): &&mut (Way, Step)| {
            behind(other, &way, 0).is_some_and(|(more, blocks)| (more, blocks) <= (0, way.blocks))
        };
        match ways.iter_mut().find(as_good) {
            Some((other, _)) => {
                let ahead = behind(other, &way, 0).map_or(0, |(more, _)| more.min(0).unsigned_abs());
                other.lost = other.lost.max(way.lost.saturating_sub(ahead));
            }
            None => ways.push((way, step)),
        }
    }
    for (way, _) in ways.split_off(most.min(ways.len())) {
        // What another is behind it at most may be lost with it.
        let least = ways.iter_mut().filter_map(|(other, _)| {
            let (more, _) = behind(other, &way, i128::MAX)?;
            let lost = u128::try_from(signed(way.lost) + more).unwrap_or(0);
            Some((lost.max(other.lost), other))
        });
        match least.min_by_key(|(lost, _)| *lost) {
            Some((lost, other)) => other.lost = lost,
            // Nothing is known of it: whatever it cost so far, it might have cost no more.
            None => {
                if let Some((other, _)) = ways.first_mut() {
                    other.lost = other.lost.max(u128::MAX / 4);
                }
            }
        }
    }
    ways.into_iter()
        .map(|(mut way, step)| {
            trace.push(step);
            way.step = trace.len() - 1;
            way
        })
        .collect()
}

/// Follows the decisions back and gives the blocks they made.
fn blocks(mut at: usize, trace: &[Step], parts: usize, levels: &[Duration]) -> Vec<Chosen> {
    let mut steps = Vec::with_capacity(parts);
    while let Some(step) = trace.get(at) {
        steps.push(*step);
        at = step.before;
    }
    let mut chosen: Vec<Chosen> = Vec::new();
    let mut last: Vec<Option<usize>> = vec![None; levels.len()];
    for (part, step) in steps.iter().rev().enumerate() {
        match last[step.level].filter(|_| !step.begins) {
            Some(block) => chosen[block].parts.push(part),
            None => {
                last[step.level] = Some(chosen.len());
                chosen.push(Chosen { period: levels[step.level], parts: vec![part] });
            }
        }
    }
    chosen
}

impl Rules<'_> {
    fn block(&self, open: Open) -> u128 {
        u128::from(self.cost.read_ns(self.table, open.last + 1 - open.first))
    }

    fn extended(&self, open: Open, part: &Part) -> Option<Open> {
        let last = open.last.max(part.last);
        let gap = part.first.saturating_sub(open.last + 1);
        let fits = last - open.first < self.most
            && gap <= self.gap
            && (gap == 0 || !(self.forbidden)(open.last + 1, part.first - 1));
        fits.then_some(Open { first: open.first, last })
    }

    /// A way after one more decision; `None` if the part does not fit.
    fn taken(
        &self,
        way: &Way,
        part: &Part,
        level: usize,
        begins: bool,
        ahead: &[Option<Ahead>],
        weights: &[u128],
    ) -> Option<(Way, Step)> {
        let (open, before) = match way.open[level] {
            _ if begins => (Open { first: part.first, last: part.last }, 0),
            Some(open) => (self.extended(open, part)?, self.block(open)),
            None => return None,
        };
        let mut next = Way {
            cost: way.cost + (self.block(open) - before) * weights[level],
            blocks: way.blocks + u32::from(begins),
            ..way.clone()
        };
        next.open[level] = Some(open);
        for (open, ahead) in next.open.iter_mut().zip(ahead) {
            *open = open.filter(|open| ahead.is_some_and(|ahead| self.may_grow(*open, ahead)));
        }
        Some((next, Step { before: way.step, level, begins }))
    }

    /// Whether a part to come might extend a block. One that begins later than the next is only further away.
    fn may_grow(&self, open: Open, ahead: Ahead) -> bool {
        let gap = ahead.next.saturating_sub(open.last + 1);
        gap <= self.gap
            && ahead.next.max(open.last) - open.first < self.most
            && (gap == 0 || !(self.forbidden)(open.last + 1, ahead.next - 1))
    }

    /// By how much completing `a` costs more than completing `b`, at most, whatever becomes of the parts ahead; and how
    /// many blocks `a` then has, at most, where `b` has as many as now. `None`: that cannot be told, or it is more than
    /// `enough`.
    ///
    /// `a` does as `b` does, and its growth is compared level by level, by the best of these that holds.
    fn behind(&self, a: &Way, b: &Way, ahead: &[Option<Ahead>], weights: &[u128], enough: i128) -> Option<(i128, u32)> {
        let (mut more, mut blocks) = (signed(a.cost) - signed(b.cost), a.blocks);
        for (level, weight) in weights.iter().enumerate() {
            // Where `b` has nothing to extend, both begin.
            let (Some(b), Some(ahead)) = (b.open[level], ahead[level]) else { continue };
            let mut least = None;
            if let Some(a) = a.open[level].filter(|a| a.last >= b.last) {
                if a.first >= b.first {
                    // It is inside: it grows as far, and is no longer then.
                    let saving = self.cost.byte_ns * self.surely(a.first - b.first);
                    let growth = signed(self.block(b)) - signed(self.block(a)) - i128::from(saving);
                    least = Some((growth.max(0), 0));
                } else if ahead.end - a.first.min(ahead.end) < self.most {
                    // It is longer, but whatever comes fits.
                    least = Some((i128::from(self.cost.byte_ns) * self.rounding(), 0));
                }
            }
            if least != Some((0, 0)) && b.last < ahead.next {
                // It begins a block where `b` extends its own, inside of it and with the same parts.
                let begun = i128::from(self.cost.exchange_ns) + i128::from(self.cost.byte_ns) * self.rounding();
                least = Some(least.map_or((begun, 1), |known: (i128, u32)| known.min((begun, 1))));
            }
            let (growth, begun) = least?;
            more += growth * signed(*weight);
            blocks += begun;
            if more > enough {
                return None;
            }
        }
        Some((more, blocks))
    }

    /// Bytes by which two blocks that grow as far may differ in growth.
    const fn rounding(&self) -> i128 {
        match self.table {
            Table::Coil | Table::Discrete => 1,
            Table::Holding | Table::Input => 0,
        }
    }

    /// Bytes surely saved by beginning so many addresses later.
    const fn surely(&self, addresses: u32) -> u64 {
        match self.table {
            Table::Coil | Table::Discrete => addresses as u64 / 8,
            Table::Holding | Table::Input => bytes(self.table, addresses),
        }
    }
}

fn signed(cost: u128) -> i128 {
    i128::try_from(cost).unwrap_or(i128::MAX / 4)
}
