//! The file of the axis: where the wall stood along it and which stretches are to be kept, each row with its checksum.
//!
//! SQLite checks the structure of its file, not the numbers in it: a flipped bit would move readings by years. A row whose
//! checksum is wrong is not used, and its writer sets it aside in the same file, as it was found. A file of format 2, whose
//! rows had no checksums, is kept beside as it was and then raised. Times in milliseconds of the axis. Never panics. The
//! columns: `SCHEMA.md`.

use std::path::{Path, PathBuf};

use rusqlite::types::ValueRef;
use rusqlite::{Connection, Row, params};

use super::super::error::{HistoryError, Loss};
use super::super::file::{self, Format};
use super::super::pack::{Damage, checksum};
use super::super::raw::aside;
use super::{Noted, Wall};

/// File name of the table.
pub(in super::super) const FILE_NAME: &str = "axis.sqlite";
/// The wall is noted anew when it has moved this far against what was noted, ms: less is the clock's own jitter.
const NOTED_MS: i64 = 5;

const FORMAT: Format = Format {
    tables: "
CREATE TABLE wall (at INTEGER PRIMARY KEY, offset INTEGER NOT NULL, synced INTEGER NOT NULL, start INTEGER NOT NULL,
                   crc INTEGER);
CREATE TABLE keep (from_at INTEGER PRIMARY KEY, to_at INTEGER NOT NULL, crc INTEGER);
CREATE TABLE damaged (of_table TEXT, a, b, c, d, crc);
",
    version: 3,
    kept_before: true,
    raise,
};

/// The names of the tables in their rows' checksums.
const WALL: u64 = 6 << 56;
const KEEP: u64 = 7 << 56;

/// The file, for its writer.
#[derive(Debug)]
pub(in super::super) struct Table {
    connection: Connection,
    path: PathBuf,
    last: Option<Noted>,
}

impl Table {
    /// Opens or makes the file in `dir`; one that is damaged is set aside for a new one, a damaged row in its own table.
    pub(in super::super) fn open_or_begin_anew(dir: &Path, losses: &mut Vec<Loss>) -> Result<Self, HistoryError> {
        let path = dir.join(FILE_NAME);
        let (table, damaged) = aside(&path, losses, || Self::open(&path))?;
        losses.extend(damaged);
        Ok(table)
    }

    fn open(path: &Path) -> Result<(Self, Vec<Loss>), HistoryError> {
        let connection = file::write_as(path, &FORMAT).map_err(as_damage)?;
        let damage = |e| as_damage(HistoryError::sql(path, e));
        let damaged = set_aside(&connection).map_err(damage)?;
        let losses = damaged.iter().map(|row| Loss::new(path, row.as_str(), &Damage::Checksum)).collect();
        let noted = all(&connection).map_err(damage)?;
        Ok((Self { connection, path: path.to_path_buf(), last: noted.last().copied() }, losses))
    }

    /// Holds the file no more; this other, empty one takes its place until it is opened again.
    pub(in super::super) fn let_go(&mut self, other: Connection) {
        self.connection = other;
    }

    /// Notes where the wall stands, if that is news.
    pub(in super::super) fn note(&mut self, now: Noted) -> Result<(), HistoryError> {
        let news = self.last.is_none_or(|last| {
            last.start != now.start
                || last.synced != now.synced
                || last.offset.abs_diff(now.offset) > NOTED_MS.unsigned_abs()
        });
        if news {
            self.connection
                .execute(
                    "INSERT OR REPLACE INTO wall (at, offset, synced, start, crc) VALUES (?1, ?2, ?3, ?4, ?5)",
                    params![now.at, now.offset, now.synced, now.start, noted_crc(&now)],
                )
                .map_err(|e| HistoryError::sql(&self.path, e))?;
            self.last = Some(now);
        }
        Ok(())
    }

    pub(in super::super) const fn last(&self) -> Option<Noted> {
        self.last
    }

    pub(in super::super) fn wall(&self) -> Result<Wall, HistoryError> {
        Ok(Wall::new(all(&self.connection).map_err(|e| HistoryError::sql(&self.path, e))?))
    }

    /// Readings about an incident are to be kept.
    pub(in super::super) fn keep(&self, from_at: i64, to_at: i64) -> Result<(), HistoryError> {
        let longer = || -> rusqlite::Result<()> {
            let known = kept(&self.connection)?.into_iter().find(|(from, _)| *from == from_at);
            let to_at = known.map_or(to_at, |(_, to)| to.max(to_at));
            self.connection
                .execute(
                    "INSERT OR REPLACE INTO keep (from_at, to_at, crc) VALUES (?1, ?2, ?3)",
                    params![from_at, to_at, sum(KEEP, &[from_at, to_at])],
                )
                .map(drop)
        };
        longer().map_err(|e| HistoryError::sql(&self.path, e))
    }

    pub(in super::super) fn kept(&self) -> Result<Vec<(i64, i64)>, HistoryError> {
        kept(&self.connection).map_err(|e| HistoryError::sql(&self.path, e))
    }

    /// Forgets what concerns only moments before.
    pub(in super::super) fn forget(&self, before: i64) -> Result<(), HistoryError> {
        // The last entry before still says where the wall stands at that moment.
        self.connection
            .execute_batch(&format!(
                "DELETE FROM keep WHERE to_at < {before};
                 DELETE FROM wall WHERE at < (SELECT ifnull(max(at), 0) FROM wall WHERE at <= {before});"
            ))
            .map_err(|e| HistoryError::sql(&self.path, e))
    }
}

/// The table as another reader sees it; none noted if the file is not there.
pub(in super::super) fn load(dir: &Path) -> Result<Wall, HistoryError> {
    let path = dir.join(FILE_NAME);
    if !path.exists() {
        return Ok(Wall::default());
    }
    let (connection, version) = file::read_as(&path, FORMAT.version)?;
    let noted = if version < FORMAT.version { all_without_sums(&connection) } else { all(&connection) };
    Ok(Wall::new(noted.map_err(|e| HistoryError::sql(&path, e))?))
}

/// How the rows of a table are read, and set aside as they are.
struct Rows {
    name: u64,
    word: &'static str,
    /// Its numbers, the checksum last.
    sql: &'static str,
    numbers: usize,
    copy: &'static str,
    remove: &'static str,
}

const WALL_ROWS: Rows = Rows {
    name: WALL,
    word: "wall",
    sql: "SELECT at, offset, synced, start, crc FROM wall ORDER BY at",
    numbers: 4,
    copy: "INSERT INTO damaged SELECT 'wall', at, offset, synced, start, crc FROM wall WHERE at = ?1",
    remove: "DELETE FROM wall WHERE at = ?1",
};
const KEEP_ROWS: Rows = Rows {
    name: KEEP,
    word: "keep",
    sql: "SELECT from_at, to_at, crc FROM keep ORDER BY from_at",
    numbers: 2,
    copy: "INSERT INTO damaged SELECT 'keep', from_at, to_at, NULL, NULL, crc FROM keep WHERE from_at = ?1",
    remove: "DELETE FROM keep WHERE from_at = ?1",
};

impl Rows {
    /// Every row with its key: its numbers if they are as they were written.
    fn read<T>(
        &self,
        connection: &Connection,
        mut take: impl FnMut(i64, Option<&[i64]>) -> Option<T>,
    ) -> rusqlite::Result<Vec<T>> {
        let mut all = connection.prepare_cached(self.sql)?;
        let mut rows = all.query([])?;
        let mut taken = Vec::new();
        let mut numbers = Vec::with_capacity(self.numbers);
        while let Some(row) = rows.next()? {
            numbers.clear();
            for column in 0..self.numbers {
                numbers.extend(number(row, column)?);
            }
            let whole = numbers.len() == self.numbers
                && number(row, self.numbers)? == Some(i64::from(sum(self.name, &numbers)));
            // The key is never of another type: it is where the row lies.
            taken.extend(take(row.get(0)?, whole.then_some(&numbers[..])));
        }
        Ok(taken)
    }

    /// Keys of the rows whose checksum does not fit.
    fn damaged(&self, connection: &Connection) -> rusqlite::Result<Vec<i64>> {
        self.read(connection, |at, numbers| numbers.is_none().then_some(at))
    }
}

/// Moves every damaged row into the table for such; says which.
fn set_aside(connection: &Connection) -> rusqlite::Result<Vec<String>> {
    let transaction = connection.unchecked_transaction()?;
    let mut damaged = Vec::new();
    for rows in [WALL_ROWS, KEEP_ROWS] {
        for at in rows.damaged(&transaction)? {
            transaction.execute(rows.copy, [at])?;
            transaction.execute(rows.remove, [at])?;
            damaged.push(format!("the row {at} of its table {}", rows.word));
        }
    }
    transaction.commit()?;
    Ok(damaged)
}

fn all(connection: &Connection) -> rusqlite::Result<Vec<Noted>> {
    WALL_ROWS.read(connection, |_, numbers| match numbers {
        Some(&[at, offset, synced, start]) => {
            Some(Noted { at, offset, synced: synced != 0, start: start.cast_unsigned() })
        }
        Some(_) | None => None,
    })
}

fn kept(connection: &Connection) -> rusqlite::Result<Vec<(i64, i64)>> {
    KEEP_ROWS.read(connection, |_, numbers| match numbers {
        Some(&[from, to]) => Some((from, to)),
        Some(_) | None => None,
    })
}

fn all_without_sums(connection: &Connection) -> rusqlite::Result<Vec<Noted>> {
    let mut all = connection.prepare("SELECT at, offset, synced, start FROM wall ORDER BY at")?;
    let rows = all.query_map([], |row| {
        Ok(Noted { at: row.get(0)?, offset: row.get(1)?, synced: row.get(2)?, start: row.get(3)? })
    })?;
    rows.collect()
}

/// A number as it lies on disk; a flipped bit may have made it another type.
fn number(row: &Row<'_>, column: usize) -> rusqlite::Result<Option<i64>> {
    Ok(match row.get_ref(column)? {
        ValueRef::Integer(number) => Some(number),
        ValueRef::Null | ValueRef::Real(_) | ValueRef::Text(_) | ValueRef::Blob(_) => None,
    })
}

fn noted_crc(noted: &Noted) -> u32 {
    sum(WALL, &[noted.at, noted.offset, i64::from(noted.synced), noted.start.cast_signed()])
}

/// Of a row: the first number is its key.
fn sum(table: u64, numbers: &[i64]) -> u32 {
    let (key, rest) = numbers.split_first().map_or((0, numbers), |(key, rest)| (key.cast_unsigned(), rest));
    let bytes: Vec<u8> = rest.iter().flat_map(|number| number.to_le_bytes()).collect();
    checksum(key ^ table, &bytes)
}

/// Gives a file of format 1 or 2 its checksums; what is in it is believed.
fn raise(connection: &Connection, _found: u32) -> rusqlite::Result<()> {
    connection.execute_batch(
        "ALTER TABLE wall ADD COLUMN crc INTEGER;
         ALTER TABLE keep ADD COLUMN crc INTEGER;
         CREATE TABLE damaged (of_table TEXT, a, b, c, d, crc);",
    )?;
    for noted in all_without_sums(connection)? {
        connection.execute("UPDATE wall SET crc = ?2 WHERE at = ?1", params![noted.at, noted_crc(&noted)])?;
    }
    let mut all = connection.prepare("SELECT from_at, to_at FROM keep")?;
    let kept: Vec<(i64, i64)> =
        all.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect::<rusqlite::Result<_>>()?;
    for (from, to) in kept {
        connection.execute("UPDATE keep SET crc = ?2 WHERE from_at = ?1", params![from, sum(KEEP, &[from, to])])?;
    }
    Ok(())
}

/// A flipped bit in a table's definition makes it another table: SQLite then finds no such column, or table.
fn as_damage(error: HistoryError) -> HistoryError {
    match &error {
        HistoryError::Sql { path, source } if !error.is_disk() => {
            HistoryError::Damaged { path: path.clone(), detail: source.to_string() }
        }
        _ => error,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::tests::TestDir;

    fn noted(at: i64, offset: i64, synced: bool, start: u64) -> Noted {
        Noted { at, offset, synced, start }
    }

    const DAY: i64 = 86_400_000;

    /// Three entries of the wall and two stretches, as bytes.
    fn sample() -> (Vec<u8>, Vec<Noted>) {
        let dir = TestDir::new("axis-sample");
        let entries = vec![
            noted(20_000 * DAY, 0, true, 1),
            noted(20_001 * DAY, -777, false, 2),
            noted(20_002 * DAY, 90_001, true, 3),
        ];
        let mut table = Table::open_or_begin_anew(dir.path(), &mut Vec::new()).expect("made");
        for entry in &entries {
            table.note(*entry).expect("written");
        }
        table.keep(20_000 * DAY, 20_000 * DAY + 5).expect("written");
        table.keep(20_000 * DAY, 20_000 * DAY + 9).expect("written");
        table.keep(20_000 * DAY, 20_000 * DAY + 7).expect("written");
        table.keep(20_002 * DAY, 20_002 * DAY + 9).expect("written");
        drop(table);
        (std::fs::read(dir.path().join(FILE_NAME)).expect("readable"), entries)
    }

    #[test]
    fn what_was_noted_and_kept_comes_back() {
        let (bytes, entries) = sample();
        let dir = TestDir::new("axis-back");
        std::fs::write(dir.path().join(FILE_NAME), bytes).expect("written");
        assert_eq!(load(dir.path()).expect("readable"), Wall::new(entries.clone()));
        let mut losses = Vec::new();
        let table = Table::open_or_begin_anew(dir.path(), &mut losses).expect("it opens");
        assert!(losses.is_empty());
        assert_eq!((table.last(), table.wall().expect("readable")), (entries.last().copied(), Wall::new(entries)));
        let stretches = [(20_000 * DAY, 20_000 * DAY + 9), (20_002 * DAY, 20_002 * DAY + 9)];
        assert_eq!(table.kept().expect("readable"), stretches);
    }

    #[test]
    fn no_flipped_bit_and_no_truncation_makes_an_entry_another_one() {
        let (whole, entries) = sample();
        let dir = TestDir::new("axis-flip");
        let path = dir.path().join(FILE_NAME);
        // Every bit of the rows, one of eight of the definitions before them and of a spread of what is empty.
        let (mut refused, mut fewer) = (0, 0);
        let mut harmed = whole.clone();
        for at in 0..whole.len() {
            let bits = match (whole[at], at < 4096) {
                (0, _) if at % 64 != 0 => 0..0,
                (0, _) | (_, true) => at % 8..at % 8 + 1,
                (_, false) => 0..8,
            };
            for bit in bits {
                harmed[at] ^= 1 << bit;
                std::fs::write(&path, &harmed).expect("written");
                harmed[at] ^= 1 << bit;
                let read = file::read_as(&path, FORMAT.version)
                    .and_then(|(open, _)| all(&open).map_err(|e| HistoryError::sql(&path, e)));
                match read {
                    Err(_) => refused += 1,
                    Ok(found) => {
                        assert!(found.iter().all(|entry| entries.contains(entry)), "byte {at} bit {bit}: {found:?}");
                        fewer += usize::from(found.len() < entries.len());
                    }
                }
            }
        }
        assert!(refused > 100 && fewer > 100, "{refused} refused, {fewer} with less: the check is not looking");
        for length in (0..whole.len()).step_by(97) {
            std::fs::write(&path, &whole[..length]).expect("written");
            if let Ok((open, _)) = file::read_as(&path, FORMAT.version) {
                let found = all(&open).unwrap_or_default();
                assert!(found.iter().all(|entry| entries.contains(entry)), "{length} bytes: {found:?}");
            }
        }
    }

    #[test]
    fn a_wrong_row_is_set_aside_once_and_told() {
        let (whole, entries) = sample();
        let dir = TestDir::new("axis-row");
        let path = dir.path().join(FILE_NAME);
        std::fs::write(&path, whole).expect("written");
        let harm =
            "UPDATE wall SET offset = 7 WHERE start = 2; UPDATE keep SET crc = NULL WHERE from_at < 1728086400000";
        Connection::open(&path).and_then(|c| c.execute_batch(harm)).expect("harmed");
        let mut losses = Vec::new();
        let table = Table::open_or_begin_anew(dir.path(), &mut losses).expect("it opens");
        let told: Vec<String> = losses.iter().map(ToString::to_string).collect();
        assert_eq!(told.len(), 2, "{told:?}");
        assert!(told[0].contains("axis.sqlite: the row 1728086400000 of its table wall: its checksum does not fit"));
        assert!(told[1].contains("the row 1728000000000 of its table keep"));
        assert_eq!(table.wall().expect("readable"), Wall::new(vec![entries[0], entries[2]]));
        assert_eq!(table.kept().expect("readable").len(), 1);
        drop(table);
        let mut again = Vec::new();
        drop(Table::open_or_begin_anew(dir.path(), &mut again).expect("it opens"));
        assert!(again.is_empty(), "told once");
        let aside: (String, i64, i64) = Connection::open(&path)
            .and_then(|c| {
                c.query_row("SELECT of_table, a, b FROM damaged ORDER BY rowid", [], |row| {
                    Ok((row.get(0)?, row.get(1)?, row.get(2)?))
                })
            })
            .expect("it is kept");
        assert_eq!(aside, ("wall".into(), 20_001 * DAY, 7));
    }

    #[test]
    fn a_file_without_checksums_is_raised_and_kept_beside_as_it_was() {
        let (whole, entries) = sample();
        let dir = TestDir::new("axis-older");
        let path = dir.path().join(FILE_NAME);
        std::fs::write(&path, whole).expect("written");
        let older = "ALTER TABLE wall DROP COLUMN crc; ALTER TABLE keep DROP COLUMN crc; DROP TABLE damaged;
                     PRAGMA user_version = 2";
        Connection::open(&path).and_then(|c| c.execute_batch(older)).expect("as format 2 was");
        assert_eq!(load(dir.path()).expect("a reader raises nothing"), Wall::new(entries.clone()));
        let mut losses = Vec::new();
        let table = Table::open_or_begin_anew(dir.path(), &mut losses).expect("it opens");
        assert!(losses.is_empty());
        assert_eq!(table.wall().expect("readable"), Wall::new(entries.clone()));
        assert_eq!(table.kept().expect("readable").len(), 2);
        drop(table);
        assert_eq!(load(dir.path()).expect("readable"), Wall::new(entries.clone()));
        let copy = dir.path().join("axis.sqlite.format-2");
        let (kept, version) = file::read_as(&copy, FORMAT.version).expect("it is there");
        assert_eq!((all_without_sums(&kept).expect("readable"), version), (entries, 2));
        Connection::open(&path).and_then(|c| c.execute_batch("PRAGMA user_version = 4")).expect("as a newer agent");
        let newer = Table::open_or_begin_anew(dir.path(), &mut losses);
        assert!(matches!(newer, Err(HistoryError::Newer { found: 4, known: 3, .. })), "{newer:?}");
    }
}
