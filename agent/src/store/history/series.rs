//! Answers queries: readings of points over a range of wall time, each of them or rolled up into buckets.
//!
//! `readings` is the one way in. Where every reading is wanted, they come from the raw and kept files and the open slot.
//! For buckets each day is read at the coarsest resolution that is at least four times finer than a bucket, and at the
//! finest there is where that is gone. Within a bucket: average, minimum, maximum and end of the readings not judged bad
//! (OPC UA Part 13). Wall times in milliseconds since the Unix epoch, UTC, corrected where the clock was set right later.
//! Values are integers at the series' exponent. Never panics.

use std::collections::{BTreeMap, HashSet};

use rusqlite::Connection;

use lapwing_protocol::Status;

use super::Entry;
use super::axis::Wall;
use super::block::{Gather, Which};
use super::error::HistoryError;
use super::file::{self, Kind};
use super::open::{self, CLOSING, OPEN};
use super::reader::Reader;
use super::rollup::{self, DAY_MS, interval_ms};
use super::steps::merged;
use super::{SLOT_MS, Step};

/// A bucket must be so many times longer than the roll-ups it is made of.
const FINER: i64 = 4;

/// One reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sample {
    /// Wall time.
    pub t: i64,
    /// The integer; `None` if it was judged bad.
    pub value: Option<i64>,
    /// What it was judged to be worth.
    pub status: Status,
}

/// Readings of one stretch of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bucket {
    /// Its begin, wall time.
    pub t: i64,
    /// Usable readings; the others mean nothing when there are none.
    pub count: u64,
    /// Their mean, in units of the series' integer.
    pub average: f64,
    /// Lowest.
    pub minimum: i64,
    /// Highest.
    pub maximum: i64,
    /// Last.
    pub end: i64,
    /// Readings judged bad; not known of roll-ups.
    pub bad: u64,
}

/// What was found of one point.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// Path.
    pub path: String,
    /// Quantity.
    pub quantity: String,
    /// UCUM unit; a point whose unit changed has a series for each.
    pub unit: String,
    /// Power of ten of the integers; the finest if it changed.
    pub exponent: i8,
    /// Every reading, in the order they entered; empty if buckets were asked for.
    pub samples: Vec<Sample>,
    /// Buckets in order, also those without readings; empty if none were asked for.
    pub buckets: Vec<Bucket>,
}

/// How the answer is wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wanted {
    /// Every reading.
    Readings,
    /// So many buckets of equal length.
    Buckets(u32),
}

impl Reader {
    /// Readings of points between two wall times, the later one not included.
    ///
    /// Points without any history are left out. What was not yet handed to the disk is not seen: the agent itself calls
    /// [`super::Recorder::flush`] before.
    ///
    /// # Errors
    /// When the directory cannot be read, a newer agent wrote a file, or one is in use for too long.
    pub fn readings(&self, paths: &[&str], from: i64, to: i64, wanted: Wanted) -> Result<Vec<Series>, HistoryError> {
        let wall = self.wall()?;
        let span = (from, to.max(from.saturating_add(1)));
        let mut search = Search {
            reader: self,
            ranges: wall.ranges(span.0, span.1 - 1),
            wall,
            span,
            wanted,
            found: BTreeMap::new(),
        };
        // The open slots first: what they held may move into a file meanwhile, never the other way.
        let open = search.open_slots(paths)?;
        search.files(paths)?;
        search.take_open(open, paths)?;
        Ok(search.finish())
    }
}

struct Search<'a> {
    reader: &'a Reader,
    wall: Wall,
    ranges: Vec<(i64, i64)>,
    span: (i64, i64),
    wanted: Wanted,
    found: BTreeMap<(String, String), Found>,
}

struct Found {
    series: Series,
    sums: Vec<f64>,
    /// Slots that were found in files.
    slots: Vec<i64>,
}

/// A point of one file.
struct Here {
    id: u32,
    exponent: i8,
    key: (String, String),
}

impl Search<'_> {
    fn overlaps(&self, first: i64, last: i64) -> bool {
        self.ranges.iter().any(|(from, to)| *from <= last && first <= *to)
    }

    /// Length of a bucket, if there are buckets.
    fn bucket_ms(&self) -> Option<i64> {
        match self.wanted {
            Wanted::Readings => None,
            Wanted::Buckets(count) => Some((self.span.1 - self.span.0) / i64::from(count.max(1))),
        }
    }

    /// Kinds of a file number to try, best first.
    fn preferred(&self) -> &'static [Kind] {
        let fits = |kind| self.bucket_ms().zip(interval_ms(kind)).is_some_and(|(bucket, own)| bucket >= FINER * own);
        if self.bucket_ms().is_none() {
            &[Kind::Raw, Kind::Kept]
        } else if fits(Kind::Quarter) {
            &[Kind::Quarter, Kind::Minute, Kind::Raw]
        } else if fits(Kind::Minute) {
            &[Kind::Minute, Kind::Raw, Kind::Quarter]
        } else {
            &[Kind::Raw, Kind::Minute, Kind::Quarter]
        }
    }

    fn files(&mut self, paths: &[&str]) -> Result<(), HistoryError> {
        let files = self.reader.files()?;
        let newest = files.keys().next_back().copied();
        for (number, kinds) in files {
            for kind in self.preferred().iter().filter(|kind| kinds.contains(kind)) {
                if self.file(*kind, number, newest == Some(number), paths)? {
                    break;
                }
            }
        }
        Ok(())
    }

    /// Takes what a file has; whether it could be used, or has nothing of the range.
    fn file(&mut self, kind: Kind, number: u32, newest: bool, paths: &[&str]) -> Result<bool, HistoryError> {
        let of_slot = interval_ms(kind).map_or(SLOT_MS, |_| DAY_MS);
        let outside = |search: &Self, span: Option<(i64, i64)>| match span {
            // A derived point may be a little older than its step.
            Some((first, last)) => {
                let end = |n: i64| n.saturating_mul(of_slot);
                !search.overlaps(end(first.saturating_sub(1)), end(last.saturating_add(1)).saturating_sub(1))
            }
            None => true,
        };
        if !newest && self.reader.known_span(kind, number).is_some_and(|span| outside(self, span)) {
            return Ok(true);
        }
        let Some(open) = self.reader.open(kind, number)? else { return Ok(false) };
        let span = self.reader.span(kind, number, newest, &open)?;
        if outside(self, span) {
            return Ok(true);
        }
        let here = self.here(kind, number, &open, paths)?;
        match kind {
            Kind::Raw | Kind::Kept => self.raw(kind, number, &open, &here)?,
            Kind::Minute | Kind::Quarter => self.rolled(kind, number, &open, span, &here)?,
        }
        Ok(true)
    }

    /// Finds the points in a file and makes room for their answers.
    fn here(&mut self, kind: Kind, number: u32, open: &Connection, paths: &[&str]) -> Result<Vec<Here>, HistoryError> {
        let mut here = Vec::new();
        for path in paths {
            let found = file::points_of(open, path);
            for (id, key) in self.reader.told(kind, number, found)?.unwrap_or_default() {
                let place = (key.path.clone(), key.unit.clone());
                let count = match self.wanted {
                    Wanted::Readings => 0,
                    Wanted::Buckets(count) => count.max(1),
                };
                let (from, to) = self.span;
                let begin = |n: u32| {
                    from + i64::try_from(i128::from(to - from) * i128::from(n) / i128::from(count)).unwrap_or(0)
                };
                let found = self.found.entry(place.clone()).or_insert_with(|| Found {
                    series: Series {
                        path: key.path.clone(),
                        quantity: key.quantity.clone(),
                        unit: key.unit.clone(),
                        exponent: key.exponent,
                        samples: Vec::new(),
                        buckets: (0..count)
                            .map(|n| Bucket {
                                t: begin(n),
                                count: 0,
                                average: 0.0,
                                minimum: i64::MAX,
                                maximum: i64::MIN,
                                end: 0,
                                bad: 0,
                            })
                            .collect(),
                    },
                    sums: vec![0.0; count as usize],
                    slots: Vec::new(),
                });
                found.at_exponent(key.exponent);
                here.push(Here { id, exponent: key.exponent, key: place });
            }
        }
        Ok(here)
    }

    fn raw(&mut self, kind: Kind, number: u32, open: &Connection, here: &[Here]) -> Result<(), HistoryError> {
        let Some(slots) = self.reader.told(kind, number, file::slots(open))? else { return Ok(()) };
        for (slot, first, last) in slots {
            if !self.overlaps(first - SLOT_MS, last) {
                continue;
            }
            let mut scans: BTreeMap<u32, _> = BTreeMap::new();
            for point in here {
                let Some(column) = self.reader.column(kind, number, open, slot, point.id)? else { continue };
                for group in &column.groups {
                    if let std::collections::btree_map::Entry::Vacant(vacant) = scans.entry(*group) {
                        vacant.insert(self.reader.scan(kind, number, open, slot, *group)?.unwrap_or_default());
                    }
                }
                // The column names groups by number; those of other points may be missing here.
                let all: Vec<_> = (0..=column.groups.iter().max().copied().unwrap_or(0))
                    .map(|group| scans.get(&group).cloned().unwrap_or_default())
                    .collect();
                let mut next = vec![0_usize; all.len()];
                for ((group, _), entry) in merged(&column, &all).into_iter().zip(column.entries(point.id)) {
                    let at = all[group].at.get(next[group]).copied();
                    next[group] += 1;
                    if let Some(at) = at {
                        self.take(point, at, &entry);
                    }
                }
            }
            for point in here {
                if let Some(found) = self.found.get_mut(&point.key) {
                    found.slots.push(slot);
                }
            }
        }
        Ok(())
    }

    fn take(&mut self, point: &Here, at: i64, entry: &Entry) {
        let t = self.wall.t(entry.at(at));
        let (from, to) = self.span;
        if t < from || t >= to {
            return;
        }
        let Some(found) = self.found.get_mut(&point.key) else { return };
        let value = entry.published().map(|value| found.scaled(value, point.exponent));
        if self.wanted == Wanted::Readings {
            found.series.samples.push(Sample { t, value, status: entry.judged });
            return;
        }
        let place = place_of(t, self.span, found.series.buckets.len());
        match value {
            Some(value) => {
                #[allow(clippy::cast_precision_loss)] // a mean of readings
                let sum = value as f64;
                found.add(place, 1, sum, (value, value, value));
            }
            None => {
                if let Some(bucket) = found.series.buckets.get_mut(place) {
                    bucket.bad += 1;
                }
            }
        }
    }

    fn rolled(
        &mut self,
        kind: Kind,
        number: u32,
        open: &Connection,
        span: Option<(i64, i64)>,
        here: &[Here],
    ) -> Result<(), HistoryError> {
        let (Some((first, last)), Some(begin), Some(end)) = (span, self.ranges.first(), self.ranges.last()) else {
            return Ok(());
        };
        // Not further than asked: what a damaged file says of its days may be anything.
        let (begin, end) = (begin.0.div_euclid(DAY_MS) - 1, end.1.div_euclid(DAY_MS) + 1);
        for day in first.max(begin)..=last.min(end) {
            for point in here {
                let key = file::key(day, point.id);
                let read = |bytes: &[u8]| rollup::from_bytes(kind, key, day, bytes);
                for rolled in self.reader.rolled(kind, number, (open, key), read)?.unwrap_or_default() {
                    let t = self.wall.t(rolled.at);
                    let (from, to) = self.span;
                    if t < from || t >= to {
                        continue;
                    }
                    let Some(found) = self.found.get_mut(&point.key) else { continue };
                    let place = place_of(t, self.span, found.series.buckets.len());
                    let scaled = |value| found.scaled(value, point.exponent);
                    let extremes = (scaled(rolled.minimum), scaled(rolled.maximum), scaled(rolled.end));
                    let count = rolled.count.max(1).cast_unsigned();
                    #[allow(clippy::cast_precision_loss)]
                    let sum = scaled(rolled.average_x10) as f64 / 10.0 * count as f64;
                    found.add(place, count, sum, extremes);
                }
            }
        }
        Ok(())
    }

    /// What the open slots hold of these points in the range, gathered by point number.
    fn open_slots(&self, paths: &[&str]) -> Result<Vec<(i64, Gather)>, HistoryError> {
        let mut all = Vec::new();
        let Some((number, connection)) = self.of_open_slots()? else { return Ok(all) };
        let mut wanted = HashSet::new();
        for path in paths {
            let found = self.reader.told(Kind::Raw, number, file::points_of(&connection, path))?;
            wanted.extend(found.into_iter().flatten().map(|(id, _)| id));
        }
        if wanted.is_empty() {
            return Ok(all);
        }
        for name in [OPEN, CLOSING] {
            let path = self.reader.dir.join(name);
            let Some(slot) = open::slot_of(&path) else { continue };
            if !self.overlaps((slot - 2) * SLOT_MS, (slot + 2) * SLOT_MS) {
                continue;
            }
            let mut gather = Gather::new(Which::Named(wanted.clone()));
            let read = open::read(&path, |step: &Step, entries: &[Entry]| gather.take(step, entries))?;
            if let Some(account) = read.filter(|account| account.slot == slot) {
                for loss in account.losses.into_iter().filter(|loss| !loss.is_tail()) {
                    self.reader.lost(loss);
                }
                all.push((slot, gather));
            }
        }
        all.sort_by_key(|(slot, _)| *slot);
        Ok(all)
    }

    /// The file the open slots will go to: their points are those of it.
    fn of_open_slots(&self) -> Result<Option<(u32, Connection)>, HistoryError> {
        let files = self.reader.files()?;
        let newest = files.iter().rev().find(|(_, kinds)| kinds.contains(&Kind::Raw));
        let Some((number, _)) = newest else { return Ok(None) };
        Ok(self.reader.open(Kind::Raw, *number)?.map(|connection| (*number, connection)))
    }

    fn take_open(&mut self, open: Vec<(i64, Gather)>, paths: &[&str]) -> Result<(), HistoryError> {
        if open.is_empty() {
            return Ok(());
        }
        let Some((number, connection)) = self.of_open_slots()? else { return Ok(()) };
        let here = self.here(Kind::Raw, number, &connection, paths)?;
        for (slot, gather) in open {
            let (_, scans, points) = gather.finish();
            for point in &here {
                if self.found.get(&point.key).is_some_and(|found| found.slots.contains(&slot)) {
                    continue;
                }
                let Some((id, column)) =
                    points.binary_search_by_key(&point.id, |(id, _)| *id).ok().and_then(|place| points.get(place))
                else {
                    continue;
                };
                let mut next = vec![0_usize; scans.len()];
                for ((group, _), entry) in merged(column, &scans).into_iter().zip(column.entries(*id)) {
                    let at = scans[group].at[next[group]];
                    next[group] += 1;
                    self.take(point, at, &entry);
                }
            }
        }
        Ok(())
    }

    fn finish(self) -> Vec<Series> {
        let mut all: Vec<Series> = Vec::with_capacity(self.found.len());
        for (_, mut found) in self.found {
            for (bucket, sum) in found.series.buckets.iter_mut().zip(&found.sums) {
                if bucket.count == 0 {
                    (bucket.minimum, bucket.maximum) = (0, 0);
                } else {
                    #[allow(clippy::cast_precision_loss)]
                    let count = bucket.count as f64;
                    bucket.average = sum / count;
                }
            }
            all.push(found.series);
        }
        all
    }
}

impl Found {
    fn add(&mut self, place: usize, count: u64, sum: f64, (minimum, maximum, end): (i64, i64, i64)) {
        if let (Some(bucket), Some(total)) = (self.series.buckets.get_mut(place), self.sums.get_mut(place)) {
            bucket.count += count;
            *total += sum;
            bucket.minimum = bucket.minimum.min(minimum);
            bucket.maximum = bucket.maximum.max(maximum);
            bucket.end = end;
        }
    }

    /// The series takes the finer of its exponent and another.
    fn at_exponent(&mut self, exponent: i8) {
        let by = self.series.exponent.saturating_sub(exponent);
        if by <= 0 {
            return;
        }
        let factor = pow10(by);
        for value in self.series.samples.iter_mut().filter_map(|sample| sample.value.as_mut()) {
            *value = value.saturating_mul(factor);
        }
        for bucket in self.series.buckets.iter_mut().filter(|bucket| bucket.count > 0) {
            bucket.minimum = bucket.minimum.saturating_mul(factor);
            bucket.maximum = bucket.maximum.saturating_mul(factor);
            bucket.end = bucket.end.saturating_mul(factor);
        }
        #[allow(clippy::cast_precision_loss)]
        let real = factor as f64;
        for sum in &mut self.sums {
            *sum *= real;
        }
        self.series.exponent = exponent;
    }

    fn scaled(&self, value: i64, exponent: i8) -> i64 {
        value.saturating_mul(pow10(exponent.saturating_sub(self.series.exponent)))
    }
}

fn pow10(by: i8) -> i64 {
    10_i64.checked_pow(u32::try_from(by).unwrap_or(0)).unwrap_or(i64::MAX)
}

fn place_of(t: i64, (from, to): (i64, i64), count: usize) -> usize {
    let place = i128::from(t - from) * i128::try_from(count).unwrap_or(0) / i128::from((to - from).max(1));
    usize::try_from(place).unwrap_or(0)
}
