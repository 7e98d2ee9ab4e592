//! Turns a finished slot into blocks of a raw file, a stripe of points at a time.
//!
//! The slot's file is read once for its scan groups and once more for each stripe, so that memory stays small whatever the
//! number of points; between stripes the writer takes what has arrived. Blocks come first and the slot's row last: what
//! has no row is not there, and is written again after a power cut. Times are axis milliseconds. Never panics.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, params};

use super::Happening;
use super::block::{Gather, Head, Scan, Which};
use super::error::{HistoryError, Loss};
use super::file;
use super::open::{self, CLOSING};

/// Readings of a stripe at least.
const STRIPE_MIN: usize = 250_000;
/// Stripes of a slot at most, but for that.
const STRIPES: usize = 24;
/// Bytes of one transaction: SQLite keeps so much without locking readers out.
const COMMIT_BYTES: usize = 1 << 20;

/// A slot on its way.
#[derive(Debug)]
pub(super) struct Closing {
    path: PathBuf,
    pub(super) slot: i64,
    head: Head,
    scans: Vec<Scan>,
    /// First and last point number of each stripe still to do, last first.
    stripes: Vec<(u32, u32)>,
    readings: usize,
    uncommitted: usize,
    touched: bool,
    begun: bool,
    pub(super) losses: Vec<Loss>,
}

impl Closing {
    /// Looks at the file that waits; `None` if there is none, or nothing in it can be used.
    pub(super) fn begin(dir: &Path) -> Result<Option<Self>, HistoryError> {
        let path = dir.join(CLOSING);
        // No point is wanted yet.
        let mut gather = Gather::new(Which::Named(HashSet::new()));
        let Some(account) = open::read(&path, |step, entries| gather.take(step, entries))? else { return Ok(None) };
        let (head, scans, _) = gather.finish();
        let readings = scans.iter().map(|scan| scan.at.len() * scan.group.ids.len()).sum();
        let stripes = stripes(&scans, STRIPE_MIN.max(readings / STRIPES));
        Ok(Some(Self {
            path,
            slot: account.slot,
            head,
            scans,
            stripes,
            readings,
            uncommitted: 0,
            touched: false,
            begun: false,
            losses: account.losses,
        }))
    }

    /// Readings in it.
    pub(super) const fn readings(&self) -> usize {
        self.readings
    }

    /// Whether there is anything to write.
    pub(super) const fn is_empty(&self) -> bool {
        self.head.steps == 0
    }

    /// Whether nothing of it was written yet.
    pub(super) const fn is_untouched(&self) -> bool {
        !self.touched
    }

    /// Writes the next stripe, or the slot's row after the last one; whether all is done.
    pub(super) fn go_on(&mut self, connection: &Connection, path: &Path) -> Result<bool, HistoryError> {
        let failed = |e| HistoryError::sql(path, e);
        self.touched = true;
        if !self.begun {
            connection.execute_batch("BEGIN IMMEDIATE").map_err(failed)?;
            self.begun = true;
        }
        let done = match self.stripes.last().copied() {
            Some((first, last)) => {
                let mut gather = Gather::stripe(first..=last);
                open::read(&self.path, |step, entries| gather.take(step, entries))?;
                let (_, _, points) = gather.finish();
                self.stripes.pop();
                let mut insert =
                    connection.prepare_cached("INSERT OR REPLACE INTO block VALUES (?1, ?2)").map_err(failed)?;
                for (id, column) in points {
                    let key = file::key(self.slot, id);
                    let bytes = column.to_bytes(key);
                    self.uncommitted += bytes.len();
                    insert.execute(params![key, bytes]).map_err(failed)?;
                }
                false
            }
            None => {
                self.rows(connection).map_err(failed)?;
                true
            }
        };
        if done || self.uncommitted > COMMIT_BYTES {
            connection.execute_batch("COMMIT").map_err(failed)?;
            self.begun = false;
            self.uncommitted = 0;
        }
        Ok(done)
    }

    /// Gives up for now: what was written is written again.
    pub(super) fn roll_back(&self, connection: &Connection) {
        if self.begun {
            // A transaction that failed may have ended by itself.
            let _ended = connection.execute_batch("ROLLBACK");
        }
    }

    fn rows(&self, connection: &Connection) -> rusqlite::Result<()> {
        let mut insert = connection.prepare_cached("INSERT OR REPLACE INTO scan VALUES (?1, ?2)")?;
        for (group, scan) in (0_u32..).zip(&self.scans) {
            let key = file::key(self.slot, group);
            insert.execute(params![key, scan.to_bytes(self.slot, key)])?;
        }
        let moments = || self.scans.iter().flat_map(|scan| &scan.at).copied();
        let start = self.slot * super::SLOT_MS;
        let (first, last) = (moments().min().unwrap_or(start), moments().max().unwrap_or(start));
        let frames = self.head.happenings.iter().filter_map(|(_, what)| match what {
            Happening::Frames { first, next } => Some((*first, *next)),
            _ => None,
        });
        let (mut first_frame, mut next_frame) = (None, None);
        for (first, next) in frames {
            first_frame.get_or_insert(first);
            next_frame = Some(next);
        }
        let began = self.head.happenings.iter().find_map(|(_, what)| match what {
            Happening::Start { number } => Some(*number),
            _ => None,
        });
        connection.execute(
            "INSERT OR REPLACE INTO slot VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
            params![
                self.slot,
                first,
                last,
                self.readings,
                first_frame,
                next_frame,
                began,
                self.head.to_bytes(self.slot)
            ],
        )?;
        Ok(())
    }
}

/// Splits the points into stretches of numbers with about so many readings each; the first stretch last.
fn stripes(scans: &[Scan], readings: usize) -> Vec<(u32, u32)> {
    let mut weights: std::collections::BTreeMap<u32, usize> = std::collections::BTreeMap::new();
    for scan in scans {
        for id in &scan.group.ids {
            *weights.entry(*id).or_default() += scan.at.len();
        }
    }
    let mut stripes: Vec<(u32, u32)> = Vec::new();
    let mut held = usize::MAX;
    for (id, weight) in weights {
        match stripes.last_mut() {
            Some(stripe) if held.saturating_add(weight) <= readings => {
                stripe.1 = id;
                held += weight;
            }
            _ => {
                stripes.push((id, id));
                held = weight;
            }
        }
    }
    stripes.reverse();
    stripes
}
