//! The closed slot's form: columns a point, columns a scan group, and what happened beside the readings.
//!
//! Numbers, columns and seals as in `pack`; times are axis milliseconds after the slot's start.
//!
//! ```text
//! scan   source n Δid×n steps [at] [order]            one scan group; order: which step of the slot each was
//! point  groups g×groups n runs run×runs lag? [lag] [value]    its readings over those groups, in the order of steps
//!        run: gap length kind entered judged          readings that are not plainly good; kind 0 has no value
//! slot   steps offsets (gap Δoffset)×… happenings (gap tag fields)×…   tags as in `stream`
//! ```
//!
//! A piece is sealed under its own key, a different one for each table. Never panics.

use std::collections::{HashMap, HashSet};

use lapwing_protocol::Status;

use super::pack::{Bytes, Damage, put, put_column, put_signed, seal, unseal};
use super::stream::Group;
use super::{Entry, Happening, SLOT_MS, Step};

/// What tells the tables' seals apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Table {
    Block = 1,
    Scan = 2,
    Slot = 3,
    Minute = 4,
    Quarter = 5,
}

/// The name a piece is sealed under.
pub(super) const fn name(table: Table, key: i64) -> u64 {
    key.cast_unsigned() ^ (table as u64) << 56
}

/// Steps of one scan group in a slot.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Scan {
    pub(super) group: Group,
    /// Axis milliseconds.
    pub(super) at: Vec<i64>,
    /// Which step of the slot each was, from 0.
    pub(super) order: Vec<i64>,
}

/// Readings of one point in a slot.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Column {
    /// Scan groups that bring it.
    pub(super) groups: Vec<u32>,
    /// Values; of a reading without one the value before.
    pub(super) values: Vec<i64>,
    pub(super) odd: Vec<Odd>,
    /// Empty when no reading is older than its step.
    pub(super) lags: Vec<i64>,
}

/// Readings in a row that are not plainly good, all in the same way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Odd {
    pub(super) first: usize,
    pub(super) count: usize,
    pub(super) valued: bool,
    pub(super) status: Status,
    pub(super) judged: Status,
}

/// What happened in a slot beside readings.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Head {
    /// Steps of every kind.
    pub(super) steps: u64,
    /// From which step on the wall stood how far from the axis.
    pub(super) offsets: Vec<(u64, i64)>,
    pub(super) happenings: Vec<(u64, Happening)>,
}

impl Scan {
    pub(super) fn to_bytes(&self, slot: i64, key: i64) -> Vec<u8> {
        let mut out = Vec::new();
        put(&mut out, u64::from(self.group.source));
        put(&mut out, self.group.ids.len() as u64);
        let mut before = -1;
        for id in &self.group.ids {
            put_signed(&mut out, i64::from(*id) - before);
            before = i64::from(*id);
        }
        put(&mut out, self.at.len() as u64);
        let start = slot * SLOT_MS;
        put_column(&mut out, &self.at.iter().map(|at| at - start).collect::<Vec<_>>());
        put_column(&mut out, &self.order);
        seal(name(Table::Scan, key), out)
    }

    pub(super) fn from_bytes(slot: i64, key: i64, sealed: &[u8]) -> Result<Self, Damage> {
        let mut bytes = unseal(name(Table::Scan, key), sealed)?;
        let source = bytes.small()?;
        let mut before = -1_i64;
        let ids = (0..bytes.count()?)
            .map(|_| {
                before = before.wrapping_add(bytes.signed()?);
                u32::try_from(before).map_err(|_| Damage::Invalid("a point number out of range"))
            })
            .collect::<Result<Vec<u32>, Damage>>()?;
        let steps = usize::try_from(bytes.number()?).map_err(|_| Damage::Short)?;
        let start = slot.saturating_mul(SLOT_MS);
        let at = bytes.column(steps)?.into_iter().map(|at| at.saturating_add(start)).collect();
        let order = bytes.column(steps)?;
        Ok(Self { group: Group { source, ids }, at, order })
    }
}

impl Column {
    pub(super) fn push(&mut self, entry: &Entry) {
        let place = self.values.len();
        self.values.push(entry.value.or(self.values.last().copied()).unwrap_or(0));
        if entry.is_odd() {
            let (valued, status, judged) = (entry.value.is_some(), entry.status, entry.judged);
            match self.odd.last_mut() {
                Some(last)
                    if last.first + last.count == place
                        && (last.valued, last.status, last.judged) == (valued, status, judged) =>
                {
                    last.count += 1;
                }
                _ => self.odd.push(Odd { first: place, count: 1, valued, status, judged }),
            }
        }
        if entry.lag_ms != 0 && self.lags.is_empty() {
            self.lags = vec![0; place];
        }
        if entry.lag_ms != 0 || !self.lags.is_empty() {
            self.lags.push(entry.lag_ms.cast_signed());
        }
    }

    /// Its readings, in order.
    pub(super) fn entries(&self, id: u32) -> Vec<Entry> {
        let mut entries: Vec<Entry> = self.values.iter().map(|value| Entry::good(id, *value)).collect();
        for odd in &self.odd {
            for entry in entries.iter_mut().skip(odd.first).take(odd.count) {
                (entry.status, entry.judged) = (odd.status, odd.judged);
                if !odd.valued {
                    entry.value = None;
                }
            }
        }
        for (entry, lag) in entries.iter_mut().zip(&self.lags) {
            entry.lag_ms = lag.cast_unsigned();
        }
        entries
    }

    pub(super) fn to_bytes(&self, key: i64) -> Vec<u8> {
        let mut out = Vec::new();
        put(&mut out, self.groups.len() as u64);
        for group in &self.groups {
            put(&mut out, u64::from(*group));
        }
        put(&mut out, self.values.len() as u64);
        put(&mut out, self.odd.len() as u64);
        let mut end = 0;
        for odd in &self.odd {
            put(&mut out, (odd.first - end) as u64);
            put(&mut out, odd.count as u64);
            out.push(u8::from(odd.valued));
            put(&mut out, u64::from(odd.status.number()));
            put(&mut out, u64::from(odd.judged.number()));
            end = odd.first + odd.count;
        }
        out.push(u8::from(!self.lags.is_empty()));
        if !self.lags.is_empty() {
            put_column(&mut out, &self.lags);
        }
        put_column(&mut out, &self.values);
        seal(name(Table::Block, key), out)
    }

    pub(super) fn from_bytes(key: i64, sealed: &[u8]) -> Result<Self, Damage> {
        let mut bytes = unseal(name(Table::Block, key), sealed)?;
        let groups = (0..bytes.count()?).map(|_| bytes.small()).collect::<Result<_, _>>()?;
        let count = usize::try_from(bytes.number()?).map_err(|_| Damage::Short)?;
        let mut end = 0_usize;
        let mut odd = Vec::new();
        for _ in 0..bytes.count()? {
            let place = |bytes: &mut Bytes<'_>| usize::try_from(bytes.number()?).map_err(|_| Damage::Short);
            let first = end.saturating_add(place(&mut bytes)?);
            let run = place(&mut bytes)?;
            end = first.saturating_add(run);
            if end > count {
                return Err(Damage::Invalid("a run beyond the readings"));
            }
            odd.push(Odd {
                first,
                count: run,
                valued: bytes.byte()? != 0,
                status: Status::from_number(bytes.small()?),
                judged: Status::from_number(bytes.small()?),
            });
        }
        let lags = if bytes.byte()? == 0 { Vec::new() } else { bytes.column(count)? };
        let values = bytes.column(count)?;
        Ok(Self { groups, values, odd, lags })
    }
}

impl Head {
    pub(super) fn to_bytes(&self, slot: i64) -> Vec<u8> {
        let mut out = Vec::new();
        put(&mut out, self.steps);
        put(&mut out, self.offsets.len() as u64);
        let (mut last, mut before) = (0, 0_i64);
        for (order, offset) in &self.offsets {
            put(&mut out, order - last);
            put_signed(&mut out, offset.wrapping_sub(before));
            (last, before) = (*order, *offset);
        }
        put(&mut out, self.happenings.len() as u64);
        last = 0;
        for (order, what) in &self.happenings {
            put(&mut out, order - last);
            last = *order;
            match what {
                Happening::Frames { first, next } => {
                    out.push(1);
                    put(&mut out, *first);
                    put(&mut out, *next);
                }
                Happening::Rebase { id } => {
                    out.push(2);
                    put(&mut out, u64::from(*id));
                }
                Happening::Start { number } => {
                    out.push(4);
                    put(&mut out, *number);
                }
                Happening::Dropped { readings } => {
                    out.push(5);
                    put(&mut out, *readings);
                }
                Happening::Passed { at } => {
                    out.push(6);
                    put_signed(&mut out, *at);
                }
                // Readings lie in the scan groups.
                Happening::Readings { .. } => out.push(0),
            }
        }
        seal(name(Table::Slot, slot), out)
    }

    /// Where the wall stood against the axis at a step.
    pub(super) fn offset_at(&self, order: u64) -> i64 {
        let place = self.offsets.partition_point(|(from, _)| *from <= order);
        self.offsets.get(place.saturating_sub(1)).map_or(0, |(_, offset)| *offset)
    }

    pub(super) fn from_bytes(slot: i64, sealed: &[u8]) -> Result<Self, Damage> {
        let mut bytes = unseal(name(Table::Slot, slot), sealed)?;
        let steps = bytes.number()?;
        let (mut order, mut offset) = (0_u64, 0_i64);
        let mut offsets = Vec::new();
        for _ in 0..bytes.count()? {
            order = order.saturating_add(bytes.number()?);
            offset = offset.wrapping_add(bytes.signed()?);
            offsets.push((order, offset));
        }
        order = 0;
        let mut happenings = Vec::new();
        for _ in 0..bytes.count()? {
            order = order.saturating_add(bytes.number()?);
            let what = match bytes.byte()? {
                1 => Happening::Frames { first: bytes.number()?, next: bytes.number()? },
                2 => Happening::Rebase { id: bytes.small()? },
                4 => Happening::Start { number: bytes.number()? },
                5 => Happening::Dropped { readings: bytes.number()? },
                6 => Happening::Passed { at: bytes.signed()? },
                _ => return Err(Damage::Invalid("a happening of an unknown kind")),
            };
            happenings.push((order, what));
        }
        Ok(Self { steps, offsets, happenings })
    }
}

/// Which points a gathering takes.
#[derive(Clone, Debug)]
pub(super) enum Which {
    /// Those of a stretch of numbers.
    Stretch(std::ops::RangeInclusive<u32>),
    /// Those named.
    Named(HashSet<u32>),
}

impl Which {
    fn has(&self, id: u32) -> bool {
        match self {
            Self::Stretch(ids) => ids.contains(&id),
            Self::Named(ids) => ids.contains(&id),
        }
    }
}

/// Gathers a slot's columns from its steps. Points that are not wanted are left out, so that a large slot can be gathered in
/// stripes, and a query takes no more than it needs.
#[derive(Debug)]
pub(super) struct Gather {
    wanted: Which,
    pub(super) head: Head,
    pub(super) scans: Vec<Scan>,
    /// By scan group: where each of its points is gathered.
    places: Vec<Vec<Option<usize>>>,
    by_source: HashMap<u32, Vec<usize>>,
    pub(super) points: Vec<(u32, Column)>,
    by_id: HashMap<u32, usize>,
    offset: Option<i64>,
    /// Whether the moments of steps are kept: one gathering of a slot has them, its stripes need not have them again.
    moments: bool,
}

impl Gather {
    /// A gathering of every point.
    #[cfg(test)]
    pub(super) fn everything() -> Self {
        Self::new(Which::Stretch(0..=u32::MAX))
    }

    pub(super) fn new(wanted: Which) -> Self {
        Self {
            wanted,
            head: Head::default(),
            scans: Vec::new(),
            places: Vec::new(),
            by_source: HashMap::new(),
            points: Vec::new(),
            by_id: HashMap::new(),
            offset: None,
            moments: true,
        }
    }

    /// A gathering of a stretch of points without the moments of their steps.
    pub(super) fn stripe(points: std::ops::RangeInclusive<u32>) -> Self {
        Self { moments: false, ..Self::new(Which::Stretch(points)) }
    }

    pub(super) fn take(&mut self, step: &Step, readings: &[Entry]) {
        let order = self.head.steps;
        self.head.steps += 1;
        if self.offset != Some(step.offset) {
            self.offset = Some(step.offset);
            self.head.offsets.push((order, step.offset));
        }
        let source = match step.what {
            Happening::Readings { source } => source,
            what @ (Happening::Frames { .. }
            | Happening::Rebase { .. }
            | Happening::Start { .. }
            | Happening::Passed { .. }
            | Happening::Dropped { .. }) => {
                self.head.happenings.push((order, what));
                return;
            }
        };
        let group = self.group(source, readings);
        if self.moments {
            self.scans[group].at.push(step.at);
            self.scans[group].order.push(order.cast_signed());
        }
        for (entry, place) in readings.iter().zip(&self.places[group]) {
            if let Some(place) = place {
                self.points[*place].1.push(entry);
            }
        }
    }

    /// The points gathered, in the order of their numbers.
    pub(super) fn finish(mut self) -> (Head, Vec<Scan>, Vec<(u32, Column)>) {
        self.points.sort_by_key(|(id, _)| *id);
        (self.head, self.scans, self.points)
    }

    fn group(&mut self, source: u32, readings: &[Entry]) -> usize {
        let of_source = self.by_source.entry(source).or_default();
        let fits = |scan: &Scan| scan.group.ids.iter().eq(readings.iter().map(|reading| &reading.id));
        if let Some(found) = of_source.iter().rev().find(|at| fits(&self.scans[**at])) {
            return *found;
        }
        let number = self.scans.len();
        of_source.push(number);
        let ids: Vec<u32> = readings.iter().map(|reading| reading.id).collect();
        let mut places = Vec::with_capacity(ids.len());
        for id in &ids {
            if !self.wanted.has(*id) {
                places.push(None);
                continue;
            }
            let place = *self.by_id.entry(*id).or_insert_with(|| {
                self.points.push((*id, Column::default()));
                self.points.len() - 1
            });
            let groups = &mut self.points[place].1.groups;
            let number = u32::try_from(number).unwrap_or(u32::MAX);
            if groups.last() != Some(&number) {
                groups.push(number);
            }
            places.push(Some(place));
        }
        self.places.push(places);
        self.scans.push(Scan { group: Group { source, ids }, ..Scan::default() });
        number
    }
}

#[cfg(test)]
mod tests {
    use super::super::stream::steps;
    use super::super::testing::{any_batch, batch_of};
    use super::*;
    use proptest::prelude::*;

    fn gather(batch: &super::super::Batch) -> (Head, Vec<Scan>, Vec<(u32, Column)>) {
        let mut gather = Gather::everything();
        for (step, readings) in steps(batch) {
            gather.take(step, readings);
        }
        gather.finish()
    }

    proptest! {
        #[test]
        fn columns_come_back(batch in any_batch()) {
            let (head, scans, points) = gather(&batch);
            prop_assert_eq!(Head::from_bytes(3, &head.to_bytes(3)), Ok(head));
            for scan in scans {
                prop_assert_eq!(Scan::from_bytes(3, 9, &scan.to_bytes(3, 9)), Ok(scan));
            }
            for (id, column) in points {
                let own: Vec<Entry> = batch.entries.iter().filter(|entry| entry.id == id).copied().collect();
                prop_assert_eq!(column.entries(id), own);
                prop_assert_eq!(Column::from_bytes(9, &column.to_bytes(9)), Ok(column));
            }
        }
    }

    #[test]
    fn every_flip_and_truncation_of_a_piece_is_seen() {
        let (head, scans, points) = gather(&batch_of(40, 3));
        let pieces = [head.to_bytes(1), scans[0].to_bytes(1, 1), points[0].1.to_bytes(1)];
        let readable = |kind: usize, bytes: &[u8]| match kind {
            0 => Head::from_bytes(1, bytes).is_ok(),
            1 => Scan::from_bytes(1, 1, bytes).is_ok(),
            _ => Column::from_bytes(1, bytes).is_ok(),
        };
        for (kind, piece) in pieces.iter().enumerate() {
            assert!(readable(kind, piece));
            for bit in 0..piece.len() * 8 {
                let mut bad = piece.clone();
                bad[bit / 8] ^= 1 << (bit % 8);
                assert!(!readable(kind, &bad), "piece {kind}, bit {bit}");
            }
            for length in 0..piece.len() {
                assert!(!readable(kind, &piece[..length]), "piece {kind}, {length} bytes");
            }
        }
    }
}
