//! How the event store's file is opened and what tables it has.
//!
//! Decides whether a file is ours, ours but newer, another program's, or damaged; makes the tables of a new one. It
//! does not know what the rows mean. `PRAGMA application_id` names the program, `PRAGMA user_version` the schema. No
//! times; never panics. Read first: SQLite's "Write-Ahead Logging", "PRAGMA statements" and "Powersafe overwrite".

use std::fmt::Write as _;
use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags};

use super::{FILE_NAME, StoreError};

/// "LapE" in ASCII: the file says whose it is.
const APPLICATION_ID: u32 = 0x4c61_7045;
/// Version of the tables below.
const SCHEMA_VERSION: u32 = 2;
const PAGE_BYTES: u32 = 4096;
/// Pages in the write-ahead log before they move into the file: 1 MiB, so that no single commit pays for many.
const CHECKPOINT_PAGES: u32 = 256;
/// How long another process may hold the file before it counts as in use: a predecessor that is just ending.
const BUSY: Duration = Duration::from_millis(500);
/// Smallest limit that leaves room for the tables and a day of events, MiB.
const MIN_MIB: u32 = 4;

/// `row` of an event is its log's `base` plus its `seq`; an outbox `id` is twice the event's row, plus one for an
/// announcement. An outbox row without payload sends the event's own. `crc` is that of `checksum`, NULL in rows that
/// schema 1 wrote. `agent.schema` repeats `user_version`, so that a flipped bit there is not taken for a newer agent.
const TABLES: &str = "
CREATE TABLE log (n INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, base INTEGER NOT NULL, crc INTEGER);
CREATE TABLE agent (one INTEGER PRIMARY KEY CHECK (one = 1), boot INTEGER NOT NULL, schema INTEGER);
CREATE TABLE event (row INTEGER PRIMARY KEY, t INTEGER NOT NULL, kind TEXT NOT NULL, payload BLOB NOT NULL, crc INTEGER);
CREATE TABLE outbox (id INTEGER PRIMARY KEY, topic TEXT, payload BLOB, crc INTEGER);
CREATE TABLE alarm (id TEXT PRIMARY KEY, digest INTEGER NOT NULL, state BLOB NOT NULL, crc INTEGER) WITHOUT ROWID;
CREATE TABLE point (id INTEGER PRIMARY KEY, path TEXT NOT NULL, quantity TEXT NOT NULL, unit TEXT NOT NULL,
                    exponent INTEGER NOT NULL, crc INTEGER, UNIQUE (path, quantity, unit, exponent));
CREATE TABLE retained (topic TEXT PRIMARY KEY) WITHOUT ROWID;
INSERT INTO agent (one, boot, schema) VALUES (1, 0, 2);
";

/// From schema 1 to 2: checksums, and the version a second time.
const TO_2: &str = "
ALTER TABLE agent ADD COLUMN schema INTEGER;
ALTER TABLE log ADD COLUMN crc INTEGER;
ALTER TABLE event ADD COLUMN crc INTEGER;
ALTER TABLE outbox ADD COLUMN crc INTEGER;
ALTER TABLE alarm ADD COLUMN crc INTEGER;
ALTER TABLE point ADD COLUMN crc INTEGER;
UPDATE agent SET schema = 2;
PRAGMA user_version = 2;
";

/// Every table there has been since schema 1: what has them is ours, whatever its header says.
const OURS: u64 = 7;

/// Tables of later agents, which earlier ones do not miss: they need no new version of the schema.
const ADDED: &str = "
CREATE TABLE IF NOT EXISTS mark (device TEXT NOT NULL, feature TEXT NOT NULL, confirmed TEXT NOT NULL,
                                 shown TEXT NOT NULL, PRIMARY KEY (device, feature)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS telling (row INTEGER NOT NULL, recipient TEXT NOT NULL, due INTEGER NOT NULL,
                                    after INTEGER NOT NULL, further INTEGER NOT NULL, crc INTEGER NOT NULL,
                                    PRIMARY KEY (row, recipient)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS command (by TEXT NOT NULL, id TEXT NOT NULL, at INTEGER NOT NULL,
                                    PRIMARY KEY (by, id)) WITHOUT ROWID;
";

/// Opens or makes the file in `dir` and checks that it is whole and ours.
pub(super) fn open(dir: &Path, max_mib: u32) -> Result<(Connection, PathBuf), StoreError> {
    let path = dir.join(FILE_NAME);
    prepare_directory(dir)?;
    refuse_broken_page(&path)?;
    let mut connection = connect(&path).map_err(|e| StoreError::from_sql(&path, e))?;
    settle(&connection, max_mib).map_err(|e| StoreError::from_sql(&path, e))?;
    identify(&mut connection, &path)?;
    check(&connection, &path)?;
    connection.execute_batch(ADDED).map_err(|e| StoreError::from_sql(&path, e))?;
    columns(&connection).map_err(|e| StoreError::Damaged { path: path.clone(), detail: e.to_string() })?;
    Ok((connection, path))
}

/// Opens a copy that nobody else has, and checks that it is whole and ours.
pub(super) fn open_copy(path: &Path) -> Result<Connection, StoreError> {
    let mut connection = connect(path).map_err(|e| StoreError::from_sql(path, e))?;
    identify(&mut connection, path)?;
    check(&connection, path)?;
    Ok(connection)
}

/// Tables in memory only, for an agent whose disk cannot be used at all.
pub(super) fn open_memory() -> rusqlite::Result<Connection> {
    let mut connection = Connection::open_in_memory()?;
    create(&mut connection)?;
    connection.execute_batch(ADDED)?;
    Ok(connection)
}

/// Makes the directory and proves that it can be written: SQLite's own message would not say what is wrong.
fn prepare_directory(dir: &Path) -> Result<(), StoreError> {
    let failed = |source| StoreError::Directory { dir: dir.to_path_buf(), source };
    std::fs::create_dir_all(dir).map_err(failed)?;
    let probe = dir.join(format!(".writable-{}", std::process::id()));
    std::fs::write(&probe, b"").map_err(failed)?;
    std::fs::remove_file(&probe).map_err(failed)
}

/// SQLite fills a broken last page with zeros, takes a file shorter than its header for a new one and writes over what is
/// left of ours, and calls a flipped format number a disk that cannot be written. With a write-ahead log beside it all of
/// that is only a checkpoint that a power cut ended: the log still has the page.
fn refuse_broken_page(path: &Path) -> Result<(), StoreError> {
    let bytes = |path: &Path| std::fs::metadata(path).map_or(0, |file| file.len());
    let mut log = path.as_os_str().to_owned();
    log.push("-wal");
    let whole = bytes(path);
    if bytes(Path::new(&log)) > 0 {
        return Ok(());
    }
    let damaged = |detail: String| Err(StoreError::Damaged { path: path.to_path_buf(), detail });
    if whole % u64::from(PAGE_BYTES) != 0 {
        return damaged(format!("{whole} bytes are no whole number of pages"));
    }
    let mut header = [0_u8; 20];
    // A file that is not there or empty will be made; one that cannot be read says so when SQLite opens it.
    if std::fs::File::open(path).and_then(|mut file| file.read_exact(&mut header)).is_err() {
        return Ok(());
    }
    // SQLite, "Database File Format", 1.3: magic, page size, write and read version (1 legacy, 2 write-ahead log).
    let page_bytes = u32::from(u16::from_be_bytes([header[16], header[17]]));
    if !header.starts_with(b"SQLite format 3\0") || page_bytes != PAGE_BYTES {
        return damaged("its header is not that of an event store".into());
    }
    if !matches!((header[18], header[19]), (1, 1) | (2, 2)) {
        return damaged(format!("format numbers {} and {}, which no agent ever wrote", header[18], header[19]));
    }
    Ok(())
}

fn connect(path: &Path) -> rusqlite::Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
        | OpenFlags::SQLITE_OPEN_CREATE
        | OpenFlags::SQLITE_OPEN_URI
        | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(uri(path), flags)?;
    connection.busy_timeout(BUSY)?;
    Ok(connection)
}

/// The file as a URI with `psow=0`: no assumption that a write of one block leaves its neighbours whole.
pub(super) fn uri(path: &Path) -> String {
    use std::os::unix::ffi::OsStrExt as _;
    let mut uri = String::from("file:");
    for byte in path.as_os_str().as_bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'/' | b'.' | b'-' | b'_' => uri.push(char::from(*byte)),
            other => {
                let _infallible = write!(uri, "%{other:02X}");
            }
        }
    }
    uri.push_str("?psow=0");
    uri
}

fn settle(connection: &Connection, max_mib: u32) -> rusqlite::Result<()> {
    let pages = u64::from(max_mib.max(MIN_MIB)) * 1024 * 1024 / u64::from(PAGE_BYTES);
    connection.pragma_update(None, "page_size", PAGE_BYTES)?;
    connection.pragma_update(None, "locking_mode", "EXCLUSIVE")?;
    connection.pragma_update(None, "journal_mode", "WAL")?;
    connection.pragma_update(None, "synchronous", "FULL")?;
    connection.pragma_update(None, "wal_autocheckpoint", CHECKPOINT_PAGES)?;
    connection.pragma_update(None, "journal_size_limit", u64::from(CHECKPOINT_PAGES) * 4 * u64::from(PAGE_BYTES))?;
    connection.pragma_update(None, "max_page_count", pages)?;
    connection.set_prepared_statement_cache_capacity(32);
    Ok(())
}

fn identify(connection: &mut Connection, path: &Path) -> Result<(), StoreError> {
    let sql = |e| StoreError::from_sql(path, e);
    let pragma = |connection: &Connection, name: &str| {
        connection.query_row(&format!("PRAGMA {name}"), [], |row| row.get::<_, i64>(0)).map_err(sql)
    };
    // Both are signed 32-bit in the file.
    let application_id = (pragma(connection, "application_id")? & 0xffff_ffff).cast_unsigned() as u32;
    let version = (pragma(connection, "user_version")? & 0xffff_ffff).cast_unsigned() as u32;
    let count = |which: &str| {
        let all = format!("SELECT count(*) FROM sqlite_schema WHERE {which}");
        connection.query_row(&all, [], |row| row.get::<_, u64>(0)).map_err(sql)
    };
    let tables = count("true")?;
    let ours =
        count("type = 'table' AND name IN ('log', 'agent', 'event', 'outbox', 'alarm', 'point', 'retained')")? == OURS;
    let damaged = |detail: String| StoreError::Damaged { path: path.to_path_buf(), detail };
    match (application_id, version, tables) {
        (0, 0, 0) => create(connection).map_err(sql),
        (APPLICATION_ID, SCHEMA_VERSION, _) => Ok(()),
        (APPLICATION_ID, 1, _) if witness(connection) != Some(SCHEMA_VERSION) => migrate(connection, path),
        (APPLICATION_ID, found, _) if found > SCHEMA_VERSION => match witness(connection) {
            // It says itself that the header is wrong.
            Some(second) if second != found => Err(damaged(format!("schema version {found} and {second} at once"))),
            Some(_) | None => Err(StoreError::Newer { path: path.to_path_buf(), found, known: SCHEMA_VERSION }),
        },
        (APPLICATION_ID, found, _) => Err(damaged(format!("schema version {found}, which no agent ever wrote"))),
        (other, _, _) if ours => Err(damaged(format!("application id {other:#x} over the tables of an event store"))),
        (other, _, _) => Err(StoreError::Foreign { path: path.to_path_buf(), application_id: other }),
    }
}

/// The schema's version as the tables have it.
fn witness(connection: &Connection) -> Option<u32> {
    connection.query_row("SELECT schema FROM agent", [], |row| row.get(0)).ok()
}

/// Brings schema 1 up to date in one transaction; the file as it was stays beside it.
fn migrate(connection: &mut Connection, path: &Path) -> Result<(), StoreError> {
    let mut copy = path.as_os_str().to_owned();
    copy.push(".schema-1");
    let copy = PathBuf::from(copy);
    if !copy.exists() {
        let text = copy.to_string_lossy().into_owned();
        connection.execute("VACUUM INTO ?1", [text]).map_err(|e| StoreError::from_sql(path, e))?;
    }
    let mut run = || -> rusqlite::Result<()> {
        let transaction = connection.transaction()?;
        transaction.execute_batch(TO_2)?;
        transaction.commit()
    };
    run().map_err(|e| StoreError::from_sql(path, e))
}

/// Tables and identity in one transaction: a power cut leaves a new file or none.
fn create(connection: &mut Connection) -> rusqlite::Result<()> {
    let transaction = connection.transaction()?;
    transaction.execute_batch(TABLES)?;
    transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
    transaction.pragma_update(None, "user_version", SCHEMA_VERSION)?;
    transaction.commit()
}

/// A flipped bit in the text of a table's definition leaves the structure whole and the table another one.
fn columns(connection: &Connection) -> rusqlite::Result<()> {
    for all in [
        "SELECT n, id, base, crc FROM log",
        "SELECT one, boot, schema FROM agent",
        "SELECT row, t, kind, payload, crc FROM event",
        "SELECT id, topic, payload, crc FROM outbox",
        "SELECT id, digest, state, crc FROM alarm",
        "SELECT id, path, quantity, unit, exponent, crc FROM point",
        "SELECT topic FROM retained",
        "SELECT device, feature, confirmed, shown FROM mark",
        "SELECT row, recipient, due, after, further, crc FROM telling",
        "SELECT by, id, at FROM command",
    ] {
        connection.prepare(all)?;
    }
    Ok(())
}

fn check(connection: &Connection, path: &Path) -> Result<(), StoreError> {
    let answer: String = connection
        .query_row("PRAGMA quick_check(1)", [], |row| row.get(0))
        .map_err(|e| StoreError::from_sql(path, e))?;
    if answer == "ok" {
        return Ok(());
    }
    Err(StoreError::Damaged { path: path.to_path_buf(), detail: answer })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::tests::TestDir;

    /// Bytes of the write-ahead log after one small commit.
    fn log_bytes(uri: &str, log: &Path) -> u64 {
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_URI;
        let connection = Connection::open_with_flags(uri, flags).expect("it opens");
        settle(&connection, 16).expect("it settles");
        connection.execute_batch("CREATE TABLE t (x)").expect("made");
        connection.execute_batch("INSERT INTO t VALUES (1)").expect("inserted");
        std::fs::metadata(log).expect("the log is there").len()
    }

    #[test]
    fn the_uri_names_any_path_and_turns_powersafe_overwrite_off() {
        let dir = TestDir::new("psow ä?#%20&=");
        let (padded, plain) = (dir.path().join("padded"), dir.path().join("plain"));
        let off = log_bytes(&uri(&padded), &dir.path().join("padded-wal"));
        let on = log_bytes(&uri(&plain).replace("psow=0", "psow=1"), &dir.path().join("plain-wal"));
        assert!(padded.exists() && plain.exists(), "the files are where the path says");
        // SQLite, "Powersafe Overwrite": without it each commit in the log is padded to a whole sector.
        assert!(off > on, "{off} bytes with psow=0, {on} without");
    }

    #[test]
    fn the_settings_are_those_that_lost_nothing_in_power_cuts() {
        let dir = TestDir::new("settings");
        let (connection, _) = open(dir.path(), 16).expect("it opens");
        let text = |name: &str| {
            connection
                .query_row(&format!("PRAGMA {name}"), [], |row| {
                    row.get::<_, rusqlite::types::Value>(0).map(|value| match value {
                        rusqlite::types::Value::Integer(number) => number.to_string(),
                        rusqlite::types::Value::Text(text) => text,
                        other => format!("{other:?}"),
                    })
                })
                .expect("readable")
        };
        let found = ["journal_mode", "synchronous", "page_size", "locking_mode", "max_page_count"].map(text);
        // synchronous 2 is FULL.
        assert_eq!(found, ["wal", "2", "4096", "exclusive", "4096"]);
    }
}
