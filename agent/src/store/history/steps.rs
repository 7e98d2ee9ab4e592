//! Gives readings back in the order they entered the engine: for replay, export and frames that are made again.
//!
//! A slot is read scan group by scan group and put back into order by the number each step has. A large slot is read in
//! windows, so that memory stays bounded whatever the number of points. A damaged block costs its point in that slot, a
//! damaged scan group its points, a damaged slot row the slot. Times are axis milliseconds. Never panics.

use std::ops::ControlFlow;

use rusqlite::Connection;

use super::block::{Column, Scan};
use super::error::HistoryError;
use super::file::{self, Kind};
use super::open::{self, CLOSING, OPEN};
use super::reader::Reader;
use super::{Entry, Happening, SLOT_MS, Step};

/// Readings held at one time: 10 MB, and up to 80 where a slot is so large that many windows would take too long …
const WINDOW: (usize, usize) = (250_000, 2_000_000);
/// … which is more than this, for every window decodes the slot's columns.
const WINDOWS: usize = 8;

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
        mut take: impl FnMut(&Step, &[Entry]) -> ControlFlow<()>,
    ) -> Result<(), HistoryError> {
        let name = match at.place {
            Place::File(kind, number) => {
                let Some(connection) = self.open(kind, number)? else { return Ok(()) };
                return self.in_file((kind, number, &connection), at.slot, &mut take);
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

    fn in_file(
        &self,
        (kind, number, connection): (Kind, u32, &Connection),
        slot: i64,
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
        let readings: usize = scans.iter().map(|scan| scan.at.len() * scan.group.ids.len()).sum();
        let windows = readings.div_ceil((readings / WINDOWS).clamp(WINDOW.0, WINDOW.1)).max(1) as u64;
        let width = head.steps.div_ceil(windows).max(1);
        for window in 0..windows {
            let (from, to) = ((window * width).cast_signed(), ((window + 1) * width).cast_signed());
            let held = self.window((kind, number, connection), slot, &scans, (from, to))?;
            let mut order: Vec<(i64, Item)> = Vec::new();
            for (group, scan) in scans.iter().enumerate() {
                let first = scan.order.partition_point(|order| *order < from);
                for (n, (order_of, at)) in
                    scan.order.iter().zip(&scan.at).enumerate().skip(first).take_while(|(_, (o, _))| **o < to)
                {
                    order.push((*order_of, Item::Group { group, at: *at, n: n - first }));
                }
            }
            let inside = |order: u64| (from..to).contains(&order.cast_signed());
            order.extend(
                head.happenings
                    .iter()
                    .filter(|(o, _)| inside(*o))
                    .map(|(o, what)| (o.cast_signed(), Item::Other(*what))),
            );
            order.sort_by_key(|(order, _)| *order);
            let mut last_at = slot * SLOT_MS;
            let mut entries = Vec::new();
            for (order, place) in order {
                let offset = head.offset_at(order.cast_unsigned());
                entries.clear();
                let step = match place {
                    Item::Other(what) => Step { at: last_at, offset, what, count: 0 },
                    Item::Group { group, at, n } => {
                        last_at = at;
                        entries.extend(held[group].iter().filter_map(|column| column.get(n)).copied());
                        let source = scans[group].group.source;
                        Step { at, offset, what: Happening::Readings { source }, count: entries.len() }
                    }
                };
                if take(&step, &entries).is_break() {
                    return Ok(());
                }
            }
        }
        Ok(())
    }

    /// Per scan group and point: its readings within a window of the slot's steps.
    fn window(
        &self,
        (kind, number, connection): (Kind, u32, &Connection),
        slot: i64,
        scans: &[Scan],
        (from, to): (i64, i64),
    ) -> Result<Vec<Vec<Vec<Entry>>>, HistoryError> {
        let mut held: Vec<Vec<Vec<Entry>>> = scans.iter().map(|scan| vec![Vec::new(); scan.group.ids.len()]).collect();
        let mut done = std::collections::HashSet::new();
        for scan in scans {
            for id in &scan.group.ids {
                if !done.insert(*id) {
                    continue;
                }
                let Some(column) = self.column(kind, number, connection, slot, *id)? else { continue };
                let mut place_in = vec![None; scans.len()];
                for group in column.groups.iter().filter_map(|group| usize::try_from(*group).ok()) {
                    if let (Some(place), Some(scan)) = (place_in.get_mut(group), scans.get(group)) {
                        *place = scan.group.ids.iter().position(|other| other == id);
                    }
                }
                let places = merged(&column, scans);
                for ((group, order), entry) in places.into_iter().zip(column.entries(*id)) {
                    if order >= from
                        && order < to
                        && let Some(place) = place_in[group]
                    {
                        held[group][place].push(entry);
                    }
                }
            }
        }
        Ok(held)
    }
}

#[derive(Clone, Copy, Debug)]
enum Item {
    Group { group: usize, at: i64, n: usize },
    Other(Happening),
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
