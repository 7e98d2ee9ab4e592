//! Condenses a raw file that is full: roll-ups of every point, and the slots about incidents.
//!
//! Works a few points at a time, so that what arrives never waits long. The new files are written under another name and
//! get theirs when they are whole. A file is condensed half an hour of the axis after its end at the earliest: an incident
//! keeps the half hour before it. Times are axis milliseconds. Never panics.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use rusqlite::{Connection, params};

use super::SLOT_MS;
use super::axis::Table;
use super::block::{Column, Scan};
use super::error::{HistoryError, Loss};
use super::file::{self, Kind};
use super::raw::sync_dir;
use super::reader::{self, Reader};
use super::rollup::{self, DAY_MS, Roller};
use super::steps::merged;

/// A raw file rests so long before it is condensed.
const REST_MS: i64 = 30 * 60_000;
/// One piece of work takes about this long.
const PIECE: Duration = Duration::from_millis(20);

/// A raw file being condensed.
#[derive(Debug)]
pub(super) struct Condense {
    dir: PathBuf,
    number: u32,
    reader: Reader,
    raw: Connection,
    slots: Vec<i64>,
    days: (i64, i64),
    /// Points still to do, last first.
    points: Vec<u32>,
    rolled: [(Kind, Connection, PathBuf); 2],
    /// Slots to keep, still to copy.
    keep: Vec<i64>,
    kept: Option<(Connection, PathBuf)>,
    /// By slot: the scan groups of the last point.
    scans: BTreeMap<i64, BTreeMap<u32, Scan>>,
    begun: bool,
    pub(super) losses: Vec<Loss>,
}

impl Condense {
    /// The oldest raw file that is full and not condensed yet, if there is one.
    pub(super) fn next(dir: &Path, current: u32, now: i64, axis: &Table) -> Result<Option<Self>, HistoryError> {
        let files = reader::list(dir)?;
        let waiting = files.iter().find(|(number, kinds)| {
            **number < current
                && kinds.contains(&Kind::Raw)
                && !(kinds.contains(&Kind::Minute) && kinds.contains(&Kind::Quarter))
        });
        let Some((number, _)) = waiting else { return Ok(None) };
        // A reader on a data directory looks one level below.
        let reader = Reader::new(dir.parent().unwrap_or(dir));
        let Some(raw) = reader.open(Kind::Raw, *number)? else { return Ok(None) };
        let path = file::path(dir, Kind::Raw, *number);
        let failed = |e| HistoryError::sql(&path, e);
        let all = file::slots(&raw).map_err(failed)?;
        let last = all.iter().map(|(_, _, last)| *last).max().unwrap_or(0);
        if now < last.saturating_add(REST_MS) {
            return Ok(None);
        }
        let windows = axis.kept()?;
        let keep = all
            .iter()
            .filter(|(_, first, last)| windows.iter().any(|(from, to)| from <= last && first <= to))
            .map(|(slot, _, _)| *slot)
            .rev()
            .collect();
        let mut points: Vec<u32> = file::points(&raw).map_err(failed)?.into_iter().map(|(id, _)| id).collect();
        points.reverse();
        let slots: Vec<i64> = all.iter().map(|(slot, _, _)| *slot).collect();
        let day = |slot: Option<&i64>| slot.map_or(0, |slot| slot * SLOT_MS / DAY_MS);
        let days = (day(slots.first()), day(slots.last()));
        let begin = |kind| -> Result<(Kind, Connection, PathBuf), HistoryError> {
            let (connection, part) = part(dir, kind, *number, &raw)?;
            Ok((kind, connection, part))
        };
        let rolled = [begin(Kind::Minute)?, begin(Kind::Quarter)?];
        Ok(Some(Self {
            dir: dir.to_path_buf(),
            number: *number,
            reader,
            slots,
            days,
            points,
            rolled,
            keep,
            kept: None,
            scans: BTreeMap::new(),
            raw,
            begun: false,
            losses: Vec::new(),
        }))
    }

    /// Does a piece; whether all is done.
    pub(super) fn go_on(&mut self) -> Result<bool, HistoryError> {
        if !self.begun {
            for (_, connection, part) in &self.rolled {
                connection.execute_batch("BEGIN").map_err(|e| HistoryError::sql(part, e))?;
            }
            self.begun = true;
        }
        let until = Instant::now() + PIECE;
        while Instant::now() < until {
            if let Some(point) = self.points.pop() {
                self.point(point)?;
            } else if let Some(slot) = self.keep.pop() {
                self.copy(slot)?;
            } else {
                self.finish()?;
                return Ok(true);
            }
        }
        Ok(false)
    }

    fn point(&mut self, id: u32) -> Result<(), HistoryError> {
        let mut rollers = [Roller::new(60_000), Roller::new(900_000)];
        for slot in self.slots.clone() {
            let Some(column) = self.reader.column(Kind::Raw, self.number, &self.raw, slot, id)? else { continue };
            self.scans_of(slot, &column)?;
            let known = self.scans.get(&slot);
            let all: Vec<Scan> = (0..=column.groups.iter().max().copied().unwrap_or(0))
                .map(|group| known.and_then(|known| known.get(&group)).cloned().unwrap_or_default())
                .collect();
            let mut next = vec![0_usize; all.len()];
            for ((group, _), entry) in merged(&column, &all).into_iter().zip(column.entries(id)) {
                let at = all[group].at.get(next[group]).copied();
                next[group] += 1;
                if let (Some(at), Some(value)) = (at, entry.published()) {
                    for roller in &mut rollers {
                        roller.take(entry.at(at), value);
                    }
                }
            }
        }
        for (mut roller, (kind, connection, part)) in rollers.into_iter().zip(&self.rolled) {
            roller.close();
            for day in self.days.0..=self.days.1 {
                // What lies just before the file's first day stays with it.
                let of_day = |at: i64| at.div_euclid(DAY_MS).clamp(self.days.0, self.days.1) == day;
                let rolled: Vec<_> = roller.done.iter().filter(|rolled| of_day(rolled.at)).copied().collect();
                if rolled.is_empty() {
                    continue;
                }
                let key = file::key(day, id);
                let bytes = rollup::to_bytes(*kind, key, day, &rolled);
                connection
                    .prepare_cached("INSERT INTO block VALUES (?1, ?2)")
                    .and_then(|mut insert| insert.execute(params![key, bytes]))
                    .map_err(|e| HistoryError::sql(part, e))?;
            }
        }
        Ok(())
    }

    /// Makes sure that a slot's scan groups of a column are at hand; others go.
    fn scans_of(&mut self, slot: i64, column: &Column) -> Result<(), HistoryError> {
        let known = self.scans.entry(slot).or_default();
        if column.groups.iter().all(|group| known.contains_key(group)) && known.len() <= column.groups.len() {
            return Ok(());
        }
        let mut now = BTreeMap::new();
        for group in &column.groups {
            let scan = match known.remove(group) {
                Some(scan) => scan,
                None => self.reader.scan(Kind::Raw, self.number, &self.raw, slot, *group)?.unwrap_or_default(),
            };
            now.insert(*group, scan);
        }
        *known = now;
        Ok(())
    }

    /// Copies a slot as it is.
    fn copy(&mut self, slot: i64) -> Result<(), HistoryError> {
        if self.kept.is_none() {
            self.kept = Some(part(&self.dir, Kind::Kept, self.number, &self.raw)?);
        }
        let Some((kept, path)) = &self.kept else { return Ok(()) };
        let copied = || -> rusqlite::Result<()> {
            kept.execute_batch("BEGIN")?;
            let range = params![file::key(slot, 0), file::key(slot + 1, 0)];
            for table in ["block", "scan"] {
                let mut all =
                    self.raw.prepare(&format!("SELECT key, data FROM {table} WHERE key >= ?1 AND key < ?2"))?;
                let mut insert = kept.prepare_cached(&format!("INSERT INTO {table} VALUES (?1, ?2)"))?;
                let mut rows = all.query(range)?;
                while let Some(row) = rows.next()? {
                    insert.execute(params![row.get::<_, i64>(0)?, row.get::<_, Vec<u8>>(1)?])?;
                }
            }
            let mut row = self.raw.prepare("SELECT * FROM slot WHERE slot = ?1")?;
            let mut rows = row.query([slot])?;
            while let Some(row) = rows.next()? {
                let values: Vec<rusqlite::types::Value> = (0..8).map(|n| row.get(n)).collect::<Result<_, _>>()?;
                kept.execute(
                    "INSERT INTO slot VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
                    rusqlite::params_from_iter(values),
                )?;
            }
            kept.execute_batch("COMMIT")
        };
        copied().map_err(|e| HistoryError::sql(path, e))
    }

    /// Everything is whole: the files get their names.
    fn finish(&mut self) -> Result<(), HistoryError> {
        for (_, connection, part) in &self.rolled {
            connection.execute_batch("COMMIT").map_err(|e| HistoryError::sql(part, e))?;
        }
        if let Some((_, part)) = self.kept.take() {
            rename(&part, &file::path(&self.dir, Kind::Kept, self.number))?;
        }
        for (kind, _, part) in &self.rolled {
            rename(part, &file::path(&self.dir, *kind, self.number))?;
        }
        self.losses = self.reader.take_losses();
        sync_dir(&self.dir)
    }
}

/// A new file under a name that readers do not know, with the points and starts of the raw one.
fn part(dir: &Path, kind: Kind, number: u32, raw: &Connection) -> Result<(Connection, PathBuf), HistoryError> {
    let mut name = file::path(dir, kind, number).into_os_string();
    name.push(".part");
    let path = PathBuf::from(name);
    if path.exists() {
        std::fs::remove_file(&path).map_err(|e| HistoryError::file(&path, e))?;
    }
    let mut connection = file::write(&path)?;
    let raw_path = file::path(dir, Kind::Raw, number);
    let points = file::points(raw).map_err(|e| HistoryError::sql(&raw_path, e))?;
    file::put_points(&mut connection, &points).map_err(|e| HistoryError::sql(&path, e))?;
    if kind == Kind::Kept {
        let starts = file::starts(raw).map_err(|e| HistoryError::sql(&raw_path, e))?;
        let texts = file::texts(raw).map_err(|e| HistoryError::sql(&raw_path, e))?;
        for start in starts {
            file::put_start(&connection, &start, &texts).map_err(|e| HistoryError::sql(&path, e))?;
        }
    }
    Ok((connection, path))
}

fn rename(from: &Path, to: &Path) -> Result<(), HistoryError> {
    std::fs::rename(from, to).map_err(|e| HistoryError::file(from, e))
}
