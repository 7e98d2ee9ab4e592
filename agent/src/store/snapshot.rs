//! Reads the event store beside a running agent, which holds it for itself.
//!
//! The file and its write-ahead log are copied and the copy is opened. A checkpoint in between would tear the copy apart: it
//! changes the file or begins the log anew, so both are looked at before and after, and the copy is made again if they have
//! changed. A store on a disk that takes no writes is read in the same way. Stamps are milliseconds since the Unix epoch.
//! Never panics.

use std::fs::{File, Metadata};
use std::io::Read as _;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::Connection;

use super::place::beside;
use super::{CurrentLog, FILE_NAME, Standing, Store, StoreError, StoredEvent, schema};

/// Copies tried until one is whole.
const TRIES: u32 = 20;
/// Largest store that is copied for what stands in it: the place for temporary files may be memory.
const STANDING_MAX: u64 = 256 << 20;
/// Bytes of a write-ahead log's header; it changes when the log begins anew.
const LOG_HEADER: usize = 32;

/// A copy of the event store as it was at one moment; removed with the value.
#[derive(Debug)]
pub struct Snapshot {
    connection: Connection,
    path: PathBuf,
    dir: PathBuf,
}

impl Snapshot {
    /// Copies the store of a data directory.
    ///
    /// # Errors
    /// When it cannot be read, or is not ours.
    pub fn of(data_dir: &Path) -> Result<Self, StoreError> {
        let mut bytes = [0_u8; 8];
        getrandom::fill(&mut bytes).map_err(StoreError::Random)?;
        let dir = std::env::temp_dir().join(format!("lapwing-{:016x}", u64::from_be_bytes(bytes)));
        let failed = |source| StoreError::Directory { dir: dir.clone(), source };
        std::fs::create_dir(&dir).map_err(failed)?;
        let made = copy(data_dir, &dir).and_then(|path| {
            let connection = schema::open_copy(&path)?;
            Ok((connection, path))
        });
        match made {
            Ok((connection, path)) => Ok(Self { connection, path, dir }),
            Err(error) => {
                // What stays behind is a copy in the temporary directory.
                let _left = std::fs::remove_dir_all(&dir);
                Err(error)
            }
        }
    }

    /// Events with stamps between two moments, the later one not included, oldest first.
    ///
    /// # Errors
    /// When the copy cannot be read.
    pub fn events(&self, from: i64, to: i64) -> Result<Vec<StoredEvent>, StoreError> {
        let read = || -> rusqlite::Result<Vec<StoredEvent>> {
            let base: u64 =
                self.connection.query_row("SELECT base FROM log ORDER BY n DESC LIMIT 1", [], |row| row.get(0))?;
            let mut all = self
                .connection
                .prepare("SELECT row, t, kind, payload FROM event WHERE t >= ?1 AND t < ?2 ORDER BY row")?;
            let rows = all.query_map([from, to], |row| {
                let number: u64 = row.get(0)?;
                Ok(StoredEvent {
                    seq: number.saturating_sub(base),
                    t_ms: row.get(1)?,
                    kind: row.get(2)?,
                    payload: row.get(3)?,
                })
            })?;
            rows.collect()
        };
        read().map_err(|e| StoreError::from_sql(&self.path, e))
    }
}

/// What stands in a store that can be read and not written; nothing where that cannot be done.
#[must_use]
pub fn standing(data_dir: &Path) -> Standing {
    let file = data_dir.join(FILE_NAME);
    let bytes = |path: &Path| std::fs::metadata(path).map_or(0, |about| about.len());
    let size = bytes(&file) + bytes(&beside(&file));
    if size == 0 || size > STANDING_MAX {
        return Standing::default();
    }
    let read = || -> Result<Standing, StoreError> {
        let mut snapshot = Snapshot::of(data_dir)?;
        let log = CurrentLog { id: "".into(), base: 0, last_seq: 0 };
        let empty = Connection::open_in_memory().map_err(|e| StoreError::from_sql(&snapshot.path, e))?;
        let connection = std::mem::replace(&mut snapshot.connection, empty);
        let path = snapshot.path.clone();
        Store { connection, path, log, max_mib: 0, detached: false, place: None, edge: None }.standing()
    };
    match read() {
        Ok(standing) => {
            tracing::info!(
                alarms = standing.alarms.len(),
                "states of alarms were read from a disk that takes no writes"
            );
            standing
        }
        Err(error) => {
            tracing::warn!("what stood in the event store could not be read either: {error}");
            Standing::default()
        }
    }
}

impl Drop for Snapshot {
    fn drop(&mut self) {
        // What stays behind is a copy in the temporary directory.
        let _left = std::fs::remove_dir_all(&self.dir);
    }
}

fn copy(from: &Path, to: &Path) -> Result<PathBuf, StoreError> {
    let (file, copied) = (from.join(FILE_NAME), to.join(FILE_NAME));
    let log = |path: &Path| path.with_file_name(format!("{FILE_NAME}-wal"));
    let failed = |source| StoreError::Directory { dir: from.to_path_buf(), source };
    for _ in 0..TRIES {
        let before = look(&file, &log(&file)).map_err(failed)?;
        std::fs::copy(&file, &copied).map_err(failed)?;
        let with_log = log(&file).exists();
        if with_log {
            std::fs::copy(log(&file), log(&copied)).map_err(failed)?;
        }
        if look(&file, &log(&file)).map_err(failed)? == before {
            return Ok(copied);
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    Err(StoreError::NoAnswer { waited: Duration::from_millis(100) * TRIES })
}

/// What a checkpoint changes: the file, and the head of the log.
fn look(file: &Path, log: &Path) -> std::io::Result<(u64, i64, i64, [u8; LOG_HEADER])> {
    let about: Metadata = std::fs::metadata(file)?;
    let mut head = [0; LOG_HEADER];
    if let Ok(mut log) = File::open(log) {
        // A log that is just being begun is shorter; it will differ the next time.
        let _short = log.read(&mut head)?;
    }
    Ok((about.len(), about.mtime(), about.mtime_nsec(), head))
}
