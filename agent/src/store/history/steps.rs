//! Gives readings back in the order they entered the engine: for replay, export and frames that are made again.
//!
//! A slot is read scan group by scan group and put back into order by the number each step has. It is read in windows
//! (`window`), one for the slot of a module, so that memory stays bounded whatever the number of points. A damaged block costs its point in that slot, a
//! damaged scan group its points, a damaged slot row the slot. Times are axis milliseconds. Never panics.

use std::ops::ControlFlow;

use rusqlite::Connection;

use super::block::{Column, Scan};
use super::error::HistoryError;
use super::file::{self, Kind};
use super::open::{self, CLOSING, OPEN};
use super::reader::Reader;
use super::window::{BUDGET, Window};
use super::{Entry, Happening, SLOT_MS, Step};

/// Where a slot lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct SlotPlace {
    /// The slot.
    pub slot: i64,
    /// Where.
    pub place: Place,
}

/// Kinds of places.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Place {
    /// In a file of blocks.
    File(Kind, u32),
    /// In the file of the slot before the open one.
    Closing,
    /// In the open slot's file.
    Open,
}

impl Reader {
    /// Every slot there is, oldest first, each once.
    ///
    /// # Errors
    /// When the directory cannot be read, or a newer agent wrote a file.
    pub fn slots(&self) -> Result<Vec<SlotPlace>, HistoryError> {
        // The open files first: what they held may move into a file meanwhile, never the other way.
        let open: Vec<SlotPlace> = [(OPEN, Place::Open), (CLOSING, Place::Closing)]
            .into_iter()
            .filter_map(|(name, place)| open::slot_of(&self.dir.join(name)).map(|slot| SlotPlace { slot, place }))
            .collect();
        let mut slots = Vec::new();
        for (number, kinds) in self.files()? {
            // What was kept of a raw file that is still there would come twice.
            let kind = if kinds.contains(&Kind::Raw) { Kind::Raw } else { Kind::Kept };
            if !kinds.contains(&kind) {
                continue;
            }
            let Some(connection) = self.open(kind, number)? else { continue };
            if let Some(found) = self.told(kind, number, file::slots(&connection))? {
                slots
                    .extend(found.into_iter().map(|(slot, _, _)| SlotPlace { slot, place: Place::File(kind, number) }));
            }
        }
        slots.extend(open);
        slots.sort();
        slots.dedup_by_key(|place| place.slot);
        Ok(slots)
    }

    /// Hands the steps of a slot to `take`, in order, until it breaks.
    ///
    /// # Errors
    /// When a file is in use for too long, or a newer agent wrote it.
    pub fn steps(
        &self,
        at: SlotPlace,
        take: impl FnMut(&Step, &[Entry]) -> ControlFlow<()>,
    ) -> Result<(), HistoryError> {
        self.steps_from(at, 0, take)
    }

    /// The same, but that a closed slot's readings before its step `needed` may be left out.
    pub(super) fn steps_from(
        &self,
        at: SlotPlace,
        needed: i64,
        mut take: impl FnMut(&Step, &[Entry]) -> ControlFlow<()>,
    ) -> Result<(), HistoryError> {
        let name = match at.place {
            Place::File(kind, number) => {
                let Some(connection) = self.open(kind, number)? else { return Ok(()) };
                return self.in_file((kind, number, &connection), at.slot, (needed, BUDGET), &mut take);
            }
            Place::Closing => CLOSING,
            Place::Open => OPEN,
        };
        let mut go_on = ControlFlow::Continue(());
        let read = open::read(&self.dir.join(name), |step, entries| {
            if go_on.is_continue() {
                go_on = take(step, entries);
            }
        })?;
        match read {
            Some(account) if account.slot == at.slot => {
                // Of the open file a torn tail is only what is being appended just now.
                for loss in account.losses.into_iter().filter(|loss| at.place == Place::Closing || !loss.is_tail()) {
                    self.lost(loss);
                }
                Ok(())
            }
            // It has become blocks meanwhile.
            _ => match self.slots()?.into_iter().find(|place| place.slot == at.slot) {
                Some(place @ SlotPlace { place: Place::File(..), .. }) => self.steps(place, take),
                _ => Ok(()),
            },
        }
    }

    /// Steps of a closed slot, in order. Readings before step `needed` are left out, which spares reading them.
    pub(super) fn in_file(
        &self,
        (kind, number, connection): (Kind, u32, &Connection),
        slot: i64,
        (needed, budget): (i64, usize),
        take: &mut impl FnMut(&Step, &[Entry]) -> ControlFlow<()>,
    ) -> Result<(), HistoryError> {
        let Some(head) = self.head(kind, number, connection, slot)? else { return Ok(()) };
        let mut scans = Vec::new();
        for group in 0.. {
            let there = file::piece(connection, "scan", file::key(slot, group));
            match self.told(kind, number, there)? {
                Some(None) => break,
                Some(Some(_)) => scans.push(self.scan(kind, number, connection, slot, group)?.unwrap_or_default()),
                None => scans.push(Scan::default()),
            }
            if group >= file::POINT_MAX {
                break;
            }
        }
        let end = head.steps.cast_signed();
        let mut happenings = head.happenings.iter().peekable();
        let mut last_at = slot * SLOT_MS;
        let mut entries = Vec::new();
        let (mut from, mut begin) = (needed.clamp(0, end), 0);
        while begin < end {
            let column = |id| self.column(kind, number, connection, slot, id);
            // Of a slot that is not needed no column is read.
            let mut window =
                if from < end { Window::fill(&scans, (from, end), budget, column)? } else { Window::none(end) };
            let to = window.to;
            for (order, group, at) in in_order(&scans, begin, to) {
                while let Some((of, what)) = happenings.next_if(|(of, _)| of.cast_signed() < order) {
                    let step = Step { at: last_at, offset: head.offset_at(*of), what: *what, count: 0 };
                    if take(&step, &[]).is_break() {
                        return Ok(());
                    }
                }
                last_at = at;
                if order < needed {
                    continue;
                }
                entries.clear();
                window.step(group, &mut entries);
                let (offset, source) = (head.offset_at(order.cast_unsigned()), scans[group].group.source);
                let step = Step { at, offset, what: Happening::Readings { source }, count: entries.len() };
                if take(&step, &entries).is_break() {
                    return Ok(());
                }
            }
            (from, begin) = (to, to);
        }
        for (of, what) in happenings {
            let step = Step { at: last_at, offset: head.offset_at(*of), what: *what, count: 0 };
            if take(&step, &[]).is_break() {
                break;
            }
        }
        Ok(())
    }
}

/// Steps of scan groups within a stretch in their order: number, group, moment.
fn in_order(scans: &[Scan], from: i64, to: i64) -> impl Iterator<Item = (i64, usize, i64)> {
    let bounds = |scan: &Scan| {
        let place = |end: i64| scan.order.partition_point(|order| *order < end);
        (place(from), place(to))
    };
    // A step of a hundred thousand points is many times one of these.
    let mut order: Vec<(u32, u32)> = Vec::new();
    let mut next: Vec<usize> = Vec::with_capacity(scans.len());
    for (group, scan) in (0_u32..).zip(scans) {
        let (first, last) = bounds(scan);
        let inside = scan.order.get(first..last).into_iter().flatten();
        order.extend(inside.filter_map(|order| Some((u32::try_from(order - from).ok()?, group))));
        next.push(first);
    }
    order.sort_unstable();
    order.into_iter().filter_map(move |(after, group)| {
        let group = usize::try_from(group).ok()?;
        let n = next.get_mut(group)?;
        *n += 1;
        Some((from + i64::from(after), group, *scans.get(group)?.at.get(*n - 1)?))
    })
}

/// Which step each reading of a column belongs to: scan group and number of the step. None if a scan group is damaged: the
/// others alone would put readings at wrong moments.
pub(super) fn merged(column: &Column, scans: &[Scan]) -> Vec<(usize, i64)> {
    let mut all: Vec<(usize, i64)> = Vec::with_capacity(column.values.len());
    for group in &column.groups {
        let group = usize::try_from(*group).unwrap_or(usize::MAX);
        all.extend(scans.get(group).into_iter().flat_map(|scan| &scan.order).map(|order| (group, *order)));
    }
    if column.groups.len() > 1 {
        all.sort_by_key(|(_, order)| *order);
    }
    if all.len() != column.values.len() {
        all.clear();
    }
    all
}
