//! A stretch of a closed slot in memory: the readings of each point, held as narrow as they allow and given out in order.
//!
//! The columns of a slot are read once for each window. A point's numbers are kept as distances from their lowest in one,
//! two, four or eight bytes, and not at all where all are equal, so that the slot of a module fits one window, and a
//! hundred thousand points need a few. A window that turns out wider than its budget is halved while it is filled. It knows
//! neither files nor times; places are numbers of the slot's steps. Never panics.

use std::collections::HashMap;

use super::Entry;
use super::block::{Column, Odd, Scan};

/// Bytes of readings a window may hold. What it keeps of each point and scan group comes on top, whatever its width.
pub(super) const BUDGET: usize = 24 << 20;

/// Readings of every point in the steps of a window.
#[derive(Debug)]
pub(super) struct Window {
    /// Number of the first step behind it.
    pub(super) to: i64,
    held: Vec<Held>,
    /// By scan group and point of it: where its readings are.
    places: Vec<Box<[Option<u32>]>>,
}

impl Window {
    /// A window without readings.
    pub(super) const fn none(to: i64) -> Self {
        Self { to, held: Vec::new(), places: Vec::new() }
    }

    /// Fills a window from step `from` on, as wide as the budget of bytes allows, up to `end`. `column` reads one point.
    pub(super) fn fill<E>(
        scans: &[Scan],
        (from, end): (i64, i64),
        budget: usize,
        mut column: impl FnMut(u32) -> Result<Option<Column>, E>,
    ) -> Result<Self, E> {
        let mut window = Self { to: end, held: Vec::new(), places: Vec::with_capacity(scans.len()) };
        let mut by_id: HashMap<u32, Option<u32>> = HashMap::new();
        let mut bytes = 0;
        for (group, scan) in (0_u32..).zip(scans) {
            let mut places = Vec::with_capacity(scan.group.ids.len());
            for id in &scan.group.ids {
                let known = match by_id.get(id) {
                    Some(known) => *known,
                    None => {
                        let fresh = column(*id)?.and_then(|column| Held::new(*id, column, scans, (from, window.to)));
                        let place = fresh.and_then(|held| {
                            bytes += held.bytes();
                            window.held.push(held);
                            u32::try_from(window.held.len() - 1).ok()
                        });
                        by_id.insert(*id, place);
                        place
                    }
                };
                places.push(known.filter(|place| window.held[*place as usize].groups.contains(&group)));
                while bytes > budget && window.to - from > 1 {
                    window.to = from + (window.to - from) / 2;
                    bytes = window.narrow(scans, from);
                }
            }
            window.places.push(places.into());
        }
        Ok(window)
    }

    /// The readings of the next step of a scan group.
    pub(super) fn step(&mut self, group: usize, entries: &mut Vec<Entry>) {
        let Self { held, places, .. } = self;
        let of_group = places.get(group).into_iter().flatten().flatten();
        entries.extend(of_group.filter_map(|place| held.get_mut(*place as usize)?.next()));
    }

    /// Drops what lies behind its end; the bytes that are left.
    fn narrow(&mut self, scans: &[Scan], from: i64) -> usize {
        let to = self.to;
        let narrowed = self.held.iter_mut().map(|held| {
            let count = steps_in(&held.groups, scans, from, to);
            held.truncate(count);
            held.bytes()
        });
        narrowed.sum()
    }
}

/// Steps of scan groups within a stretch.
fn steps_in(groups: &[u32], scans: &[Scan], from: i64, to: i64) -> usize {
    let of = |scan: &Scan, end: i64| scan.order.partition_point(|order| *order < end);
    let scans = groups.iter().filter_map(|group| scans.get(usize::try_from(*group).ok()?));
    scans.map(|scan| of(scan, to).saturating_sub(of(scan, from))).sum()
}

/// Readings of one point, given out one after the other. There is one a point: it is kept small.
#[derive(Debug)]
struct Held {
    id: u32,
    count: u32,
    next: u32,
    next_odd: u32,
    groups: Box<[u32]>,
    values: Numbers,
    lags: Option<Box<Numbers>>,
    odd: Box<[Odd]>,
}

impl Held {
    /// Of a column's readings those within the window; none if a scan group is damaged, for the others alone would put
    /// readings at wrong moments.
    fn new(id: u32, column: Column, scans: &[Scan], (from, to): (i64, i64)) -> Option<Self> {
        if steps_in(&column.groups, scans, i64::MIN, i64::MAX) != column.values.len() {
            return None;
        }
        let first = steps_in(&column.groups, scans, i64::MIN, from);
        let count = steps_in(&column.groups, scans, from, to);
        let values = Numbers::new(column.values.get(first..first + count)?);
        let lags = column.lags.get(first..first + count).map(|lags| Box::new(Numbers::new(lags)));
        let mut odd: Vec<Odd> = Vec::new();
        for run in &column.odd {
            let (begin, end) = (run.first.max(first), (run.first + run.count).min(first + count));
            if begin < end {
                odd.push(Odd { first: begin - first, count: end - begin, ..*run });
            }
        }
        let (groups, odd) = (column.groups.into(), odd.into());
        Some(Self { id, count: u32::try_from(count).ok()?, next: 0, next_odd: 0, groups, values, lags, odd })
    }

    fn next(&mut self) -> Option<Entry> {
        if self.next >= self.count {
            return None;
        }
        let n = self.next as usize;
        self.next += 1;
        let mut entry = Entry::good(self.id, self.values.get(n));
        while self.odd.get(self.next_odd as usize).is_some_and(|odd| odd.first + odd.count <= n) {
            self.next_odd += 1;
        }
        if let Some(odd) = self.odd.get(self.next_odd as usize).filter(|odd| odd.first <= n) {
            (entry.status, entry.judged) = (odd.status, odd.judged);
            if !odd.valued {
                entry.value = None;
            }
        }
        entry.lag_ms = self.lags.as_ref().map_or(0, |lags| lags.get(n).cast_unsigned());
        Some(entry)
    }

    fn truncate(&mut self, count: usize) {
        self.count = self.count.min(u32::try_from(count).unwrap_or(u32::MAX));
        self.values.truncate(count);
        if let Some(lags) = &mut self.lags {
            lags.truncate(count);
        }
        let mut odd = std::mem::take(&mut self.odd).into_vec();
        odd.retain(|odd| odd.first < count);
        if let Some(last) = odd.last_mut() {
            last.count = last.count.min(count - last.first);
        }
        self.odd = odd.into();
    }

    /// Bytes of its readings.
    fn bytes(&self) -> usize {
        let lags = self.lags.as_ref().map_or(0, |lags| lags.bytes());
        self.values.bytes() + lags + self.odd.len() * size_of::<Odd>()
    }
}

/// Integers as distances from the lowest.
#[derive(Debug, PartialEq, Eq)]
struct Numbers {
    lowest: i64,
    distances: Distances,
}

#[derive(Debug, PartialEq, Eq)]
enum Distances {
    /// All are the lowest.
    None,
    One(Box<[u8]>),
    Two(Box<[u16]>),
    Four(Box<[u32]>),
    Eight(Box<[u64]>),
}

impl Numbers {
    fn new(numbers: &[i64]) -> Self {
        let lowest = numbers.iter().copied().min().unwrap_or(0);
        let highest = numbers.iter().copied().max().unwrap_or(0);
        fn narrowed<T: TryFrom<u64>>(numbers: &[i64], lowest: i64) -> Option<Box<[T]>> {
            // Collecting into an option would not know the length.
            let mut narrow = Vec::with_capacity(numbers.len());
            for number in numbers {
                narrow.push(T::try_from(number.wrapping_sub(lowest).cast_unsigned()).ok()?);
            }
            Some(narrow.into())
        }
        let distances = match highest.wrapping_sub(lowest).cast_unsigned() {
            0 => Some(Distances::None),
            1..=0xff => narrowed(numbers, lowest).map(Distances::One),
            0x100..=0xffff => narrowed(numbers, lowest).map(Distances::Two),
            0x1_0000..=0xffff_ffff => narrowed(numbers, lowest).map(Distances::Four),
            _ => narrowed(numbers, lowest).map(Distances::Eight),
        };
        Self { lowest, distances: distances.expect("invariant: none is farther from the lowest than the highest") }
    }

    /// The number at a place; the lowest beyond the end.
    fn get(&self, place: usize) -> i64 {
        let distance = match &self.distances {
            Distances::None => None,
            Distances::One(all) => all.get(place).map(|distance| u64::from(*distance)),
            Distances::Two(all) => all.get(place).map(|distance| u64::from(*distance)),
            Distances::Four(all) => all.get(place).map(|distance| u64::from(*distance)),
            Distances::Eight(all) => all.get(place).copied(),
        };
        self.lowest.wrapping_add(distance.unwrap_or(0).cast_signed())
    }

    fn truncate(&mut self, count: usize) {
        fn cut<T>(all: &mut Box<[T]>, count: usize) {
            let mut kept = std::mem::take(all).into_vec();
            kept.truncate(count);
            *all = kept.into();
        }
        match &mut self.distances {
            Distances::None => {}
            Distances::One(all) => cut(all, count),
            Distances::Two(all) => cut(all, count),
            Distances::Four(all) => cut(all, count),
            Distances::Eight(all) => cut(all, count),
        }
    }

    fn bytes(&self) -> usize {
        match &self.distances {
            Distances::None => 0,
            Distances::One(all) => all.len(),
            Distances::Two(all) => all.len() * 2,
            Distances::Four(all) => all.len() * 4,
            Distances::Eight(all) => all.len() * 8,
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::block::Gather;
    use super::super::stream::steps;
    use super::super::testing::any_batch;
    use super::super::{Batch, Happening};
    use super::*;

    /// Readings of a batch, window after window, and how many windows there were.
    fn by_windows(batch: &Batch, budget: usize) -> (Vec<Entry>, usize) {
        let mut gather = Gather::everything();
        for (step, readings) in steps(batch) {
            gather.take(step, readings);
        }
        let (head, scans, points) = gather.finish();
        let columns: HashMap<u32, Column> = points.into_iter().collect();
        let (mut from, end, mut windows) = (0, head.steps.cast_signed(), 0);
        let mut entries = Vec::new();
        while from < end {
            let read = |id: u32| Ok::<_, std::convert::Infallible>(columns.get(&id).cloned());
            let mut window = Window::fill(&scans, (from, end), budget, read).expect("nothing fails");
            let mut order: Vec<(i64, usize)> = scans
                .iter()
                .enumerate()
                .flat_map(|(group, scan)| scan.order.iter().map(move |order| (*order, group)))
                .filter(|(order, _)| (from..window.to).contains(order))
                .collect();
            order.sort_unstable();
            for (_, group) in order {
                window.step(group, &mut entries);
            }
            assert!(window.to > from, "it gets on");
            (from, windows) = (window.to, windows + 1);
        }
        (entries, windows)
    }

    proptest! {
        #[test]
        fn windows_of_any_width_give_the_readings_in_order(batch in any_batch(), budget in 0_usize..4000) {
            prop_assert_eq!(&by_windows(&batch, usize::MAX).0, &batch.entries);
            prop_assert_eq!(&by_windows(&batch, budget).0, &batch.entries);
        }

        #[test]
        fn numbers_come_back_from_the_narrowest_width(numbers in proptest::collection::vec(any::<i64>(), 0..50), bits in 0_u32..64) {
            let numbers: Vec<i64> = numbers.iter().map(|number| number >> bits).collect();
            let held = Numbers::new(&numbers);
            prop_assert_eq!((0..numbers.len()).map(|place| held.get(place)).collect::<Vec<_>>(), numbers);
        }
    }

    #[test]
    fn a_usual_slot_is_one_window_of_a_byte_a_reading() {
        let (steps, points) = (900_i64, 100_u32);
        let mut batch = Batch::default();
        for step in 0..steps {
            let entries = (1..=points).map(|id| Entry::good(id, i64::from(id) * 1000 + (step + i64::from(id)) % 40));
            batch.readings(super::super::SLOT_MS + step * 1000, 0, 7, entries);
        }
        let needed = 900 * points as usize;
        assert_eq!(by_windows(&batch, needed), (batch.entries.clone(), 1));
        let (entries, windows) = by_windows(&batch, needed - 1);
        assert_eq!((entries == batch.entries, windows), (true, 2));
    }

    #[test]
    fn a_window_without_steps_of_a_point_gives_none_of_it() {
        let at = super::super::SLOT_MS;
        let mut batch = Batch::default();
        batch.readings(at, 0, 1, [Entry::good(1, 5)]);
        batch.readings(at, 0, 1, [Entry::good(1, 900)]);
        batch.happened(at, 0, Happening::Frames { first: 1, next: 2 });
        batch.readings(at + 10, 0, 2, [Entry::good(2, 6)]);
        batch.readings(at + 10, 0, 2, [Entry::good(2, 7)]);
        let (entries, windows) = by_windows(&batch, 0);
        assert!(windows > 2, "{windows} windows");
        assert_eq!(entries, batch.entries);
    }
}
