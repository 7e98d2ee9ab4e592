//! The cheapest way to read one table of one device: which items go together, and which slow ones ride in faster reads.
//!
//! Minimised, exactly, is line time a second: the sum over blocks of cost by period. Items stand in the order of their first
//! address. Within one period blocks can be taken as disjoint in that order: of two blocks of which neither contains the
//! other, an item that begins inside the second lies in the second as well; of two nested ones the inner is never needed.
//! So a pass over the items needs to know, for each period, only the last block: each item either extends the last block
//! of a period it may be read at, or begins a new one. Of two such ways the pass drops one if whatever may follow, the
//! other costs no more; dropping by proof keeps the optimum. Should more than
//! [`MOST_WAYS`] stand side by side, the cheapest are kept: then the plan is good and no longer proved the best.
//!
//! Pure: addresses, periods, costs. Costs are ns · 10¹² / µs of the period, in integers, so that equal plans are equal on
//! every machine. Never panics.

use std::time::Duration;

use super::cost::{Cost, bytes};
use crate::plan::Table;

/// Ways that may stand side by side; fewer for very many parts, so that a plan is always made in good time.
const MOST_WAYS: usize = 256;
/// Parts times ways.
const MOST_WORK: usize = 40_000;

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
    /// Whether a stretch holds an address never to touch.
    pub(super) forbidden: &'a dyn Fn(u32, u32) -> bool,
}

/// A block of the best plan: its period, and its parts by index.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Chosen {
    pub(super) period: Duration,
    pub(super) parts: Vec<usize>,
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
    /// The last block of each period.
    open: Vec<Option<Open>>,
    /// Its last decision, as an index into the trace.
    step: usize,
}

/// A decision: into which period's block a part went, and whether it began one.
#[derive(Clone, Copy, Debug)]
struct Step {
    before: usize,
    level: usize,
    begins: bool,
}

/// The cheapest blocks. `parts` are sorted by first address, each fits a block of its own.
pub(super) fn best(parts: &[Part], rules: &Rules<'_>) -> Vec<Chosen> {
    let mut levels: Vec<Duration> = parts.iter().map(|part| part.period).collect();
    levels.sort_unstable();
    levels.dedup();
    let weights: Vec<u128> = levels.iter().map(|period| 1_000_000_000_000 / period.as_micros().max(1)).collect();
    let most_ways = (MOST_WORK / parts.len().max(1)).clamp(16, MOST_WAYS);
    let mut trace: Vec<Step> = Vec::new();
    let mut ways = vec![Way { cost: 0, blocks: 0, open: vec![None; levels.len()], step: usize::MAX }];
    for (at, part) in parts.iter().enumerate() {
        let mut next: Vec<Way> = Vec::new();
        let follows = parts.get(at + 1).map_or(u32::MAX, |part| part.first);
        for way in &ways {
            for level in 0..levels.len() {
                if levels[level] > part.period || levels[level] * rules.ride < part.period {
                    continue;
                }
                for begins in [false, true] {
                    let open = match way.open[level] {
                        Some(open) if !begins => match rules.extended(open, part) {
                            Some(open) => open,
                            None => continue,
                        },
                        None if !begins => continue,
                        _ => Open { first: part.first, last: part.last },
                    };
                    let before = if begins { 0 } else { way.open[level].map_or(0, |open| rules.block(open)) };
                    let mut way = way.clone();
                    way.cost += (rules.block(open) - before) * weights[level];
                    way.blocks += u32::from(begins);
                    way.open[level] = Some(open);
                    trace.push(Step { before: way.step, level, begins });
                    way.step = trace.len() - 1;
                    keep(&mut next, way, follows, rules, &weights);
                }
            }
        }
        if next.len() > most_ways {
            next.sort_by_key(|way| (way.cost, way.blocks));
            next.truncate(most_ways);
        }
        ways = next;
    }
    let Some(best) = ways.iter().min_by_key(|way| (way.cost, way.blocks)) else { return Vec::new() };
    blocks(best.step, &trace, parts.len(), &levels)
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

/// Adds a way unless another is as good; drops those it is as good as.
fn keep(ways: &mut Vec<Way>, way: Way, next: u32, rules: &Rules<'_>, weights: &[u128]) {
    if ways.iter().any(|other| rules.as_good(other, &way, next, weights)) {
        return;
    }
    ways.retain(|other| !rules.as_good(&way, other, next, weights));
    ways.push(way);
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

    /// Whether `a`, whatever parts from address `next` on follow, can be completed at no more than `b` costs.
    ///
    /// It can do as `b` does, and its growth is compared level by level. Where it has no block that can follow `b`'s, it
    /// begins one where `b` extends its own: inside `b`'s, so no longer, if `b`'s reaches no part to come.
    fn as_good(&self, a: &Way, b: &Way, next: u32, weights: &[u128]) -> bool {
        let (mut more, mut blocks, cost) = (signed(a.cost), a.blocks, signed(b.cost));
        let blocks_of_b = b.blocks;
        for ((a, b), weight) in a.open.iter().zip(&b.open).zip(weights) {
            // What follows only adds to it.
            if more > cost {
                return false;
            }
            let Some(b) = b else { continue };
            let cost_b = signed(self.block(*b) * weight);
            match a {
                Some(a) if a.first >= b.first && a.last >= b.last => {
                    let saving = signed(u128::from(self.cost.byte_ns * self.surely(a.first - b.first)) * weight);
                    more += (cost_b - signed(self.block(*a) * weight) - saving).max(0);
                }
                _ if b.last < next => {
                    more += cost_b;
                    blocks += 1;
                }
                _ => return false,
            }
        }
        (more, blocks) <= (cost, blocks_of_b)
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
