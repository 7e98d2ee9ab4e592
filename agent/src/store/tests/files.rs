//! What the event store makes of files and directories that are not as it left them.

use super::*;

#[test]
fn a_second_process_is_refused_by_name() {
    let dir = TestDir::new("inuse");
    let _held = open(&dir);
    let error = refused(&dir);
    assert!(matches!(error, StoreError::InUse { .. }), "{error}");
}

#[test]
fn files_of_others_and_newer_ones_are_refused_by_name() {
    let dir = TestDir::new("foreign");
    let file = dir.path().join(FILE_NAME);
    drop(open(&dir));
    let change = |sql: &str| rusqlite::Connection::open(&file).and_then(|c| c.execute_batch(sql)).expect("changed");
    change("PRAGMA user_version = 7; UPDATE agent SET schema = 7");
    let error = refused(&dir);
    assert!(matches!(error, StoreError::Newer { found: 7, known: 2, .. }), "{error}");
    assert!(error.to_string().contains("schema version 7"));
    // One of the two is not as any agent wrote it: damage, not a newer agent.
    change("UPDATE agent SET schema = 2");
    assert!(matches!(refused(&dir), StoreError::Damaged { .. }));
    change("PRAGMA application_id = 99");
    assert!(matches!(refused(&dir), StoreError::Damaged { .. }), "with our tables in it, it is ours");
    std::fs::write(&file, "this is no database, but long enough to be taken for one at first sight").expect("written");
    assert!(matches!(refused(&dir), StoreError::Damaged { .. }));
    // A database without our mark, but with tables.
    std::fs::remove_file(&file).expect("removed");
    change("CREATE TABLE t (x)");
    assert!(matches!(refused(&dir), StoreError::Foreign { application_id: 0, .. }));
}

#[test]
fn a_directory_that_cannot_be_used_is_named() {
    let dir = TestDir::new("nodir");
    let file = dir.path().join("a-file");
    std::fs::write(&file, "").expect("written");
    let error = Store::open(&file.join("data"), 16).map(|_| ()).expect_err("a file is no directory");
    assert!(matches!(error, StoreError::Directory { .. }), "{error}");
    assert!(error.to_string().contains("a-file/data") && error.to_string().contains("[store] dir"), "{error}");
}

/// A closed store with events, as bytes.
fn sample() -> Vec<u8> {
    let dir = TestDir::new("sample");
    let (writer, ..) = writer(&dir);
    for seq in 1..=40 {
        let mut one = commit([seq]);
        one.events[0].payload = vec![b'p'; 900];
        writer.submit(one).expect("there is room");
    }
    assert_eq!(writer.stop(), 0);
    std::fs::read(dir.path().join(FILE_NAME)).expect("readable")
}

/// Opens damaged bytes and reads everything a start reads; whether it works is the file's business, a panic is ours.
fn survives(bytes: &[u8]) -> Result<(), StoreError> {
    let dir = TestDir::new("damaged");
    std::fs::write(dir.path().join(FILE_NAME), bytes).expect("written");
    let (mut store, _) = Store::open(dir.path(), 16)?;
    store.unsent(0, 1000)?;
    store.events_after(0, 1000)?;
    store.point_ids(&[])?;
    Ok(())
}

#[test]
fn a_truncated_file_is_an_error_and_never_a_panic() {
    let whole = sample();
    assert!(survives(&whole).is_ok());
    assert!(whole.len() > 8 * 4096, "the sample has several pages");
    for length in (1..whole.len()).step_by(997).chain((1..8).map(|page| page * 4096)) {
        let Err(error) = survives(&whole[..length]) else { panic!("{length} bytes of {} were taken", whole.len()) };
        assert!(
            matches!(error, StoreError::Damaged { .. } | StoreError::Foreign { .. } | StoreError::Disk { .. }),
            "{length} bytes: {error}"
        );
    }
}

#[test]
fn flipped_bits_never_panic() {
    let whole = sample();
    // Every bit of the header and of the first page's start, then a spread over the rest.
    let positions = (0..160).chain((160..whole.len()).step_by(251));
    let mut refusals = 0;
    for at in positions {
        let bit = 1 << (at % 8);
        let mut flipped = whole.clone();
        flipped[at] ^= bit;
        refusals += u32::from(survives(&flipped).is_err());
    }
    assert!(refusals > 20, "only {refusals} were noticed: the check is not looking");
}

fn refused(dir: &TestDir) -> StoreError {
    Store::open(dir.path(), 16).map(|_| ()).expect_err("the store is refused")
}

#[test]
fn schema_1_is_brought_up_to_date_and_kept_beside() {
    let dir = TestDir::new("migrate");
    drop(open(&dir));
    let file = dir.path().join(FILE_NAME);
    let old = "ALTER TABLE log DROP COLUMN crc; DROP TABLE event; DROP TABLE outbox; DROP TABLE alarm; DROP TABLE point; DROP TABLE agent;
        CREATE TABLE agent (one INTEGER PRIMARY KEY CHECK (one = 1), boot INTEGER NOT NULL);
        INSERT INTO agent VALUES (1, 5);
        CREATE TABLE event (row INTEGER PRIMARY KEY, t INTEGER NOT NULL, kind TEXT NOT NULL, payload BLOB NOT NULL);
        INSERT INTO event VALUES (1, 1000, 'alarm', CAST('first' AS BLOB));
        CREATE TABLE outbox (id INTEGER PRIMARY KEY, topic TEXT, payload BLOB);
        INSERT INTO outbox VALUES (2, NULL, NULL);
        CREATE TABLE alarm (id TEXT PRIMARY KEY, digest INTEGER NOT NULL, state BLOB NOT NULL) WITHOUT ROWID;
        INSERT INTO alarm VALUES ('a', 7, CAST('state' AS BLOB));
        CREATE TABLE point (id INTEGER PRIMARY KEY, path TEXT NOT NULL, quantity TEXT NOT NULL, unit TEXT NOT NULL,
            exponent INTEGER NOT NULL, UNIQUE (path, quantity, unit, exponent));
        PRAGMA user_version = 1";
    rusqlite::Connection::open(&file).and_then(|c| c.execute_batch(old)).expect("as schema 1 was");
    let (store, opened) = open(&dir);
    assert_eq!((opened.boot, opened.last_seq, opened.unsent, opened.alarms.len()), (6, 1, 1, 1));
    assert_eq!(store.unsent(0, 10).expect("readable")[0].payload, b"first");
    assert!(dir.path().join("events.sqlite.schema-1").exists());
}

#[test]
fn whatever_happens_to_the_file_the_agent_starts_and_says_so() {
    let whole = sample();
    let cases: [(&str, Vec<u8>); 5] = [
        ("truncated", whole[..whole.len() / 2].to_vec()),
        ("a torn page", whole[..whole.len() - 100].to_vec()),
        ("zeroed", vec![0; whole.len()]),
        ("its first page zeroed", [vec![0; 4096], whole[4096..].to_vec()].concat()),
        ("rubbish", (0..whole.len()).map(|at| u8::try_from(at * 31 % 251).unwrap_or(0)).collect()),
    ];
    for (what, bytes) in cases {
        let dir = TestDir::new("aside");
        std::fs::write(dir.path().join(FILE_NAME), &bytes).expect("written");
        let (_, opened) = Store::open_or_begin_anew(dir.path(), 16).unwrap_or_else(|error| panic!("{what}: {error}"));
        let (aside, _) = opened.aside.unwrap_or_else(|| panic!("{what}: taken without a word"));
        assert_eq!(std::fs::read(&aside).expect("kept"), bytes, "{what}");
        assert!(aside.to_string_lossy().contains(".damaged-2"), "{}", aside.display());
        assert_eq!((opened.boot, opened.last_seq), (1, 0), "{what}");
    }
    let dir = TestDir::new("kept");
    for round in 0..7 {
        std::fs::write(dir.path().join(FILE_NAME), vec![round; 8192]).expect("written");
        Store::open_or_begin_anew(dir.path(), 16).map(drop).expect("it opens");
    }
    let left = std::fs::read_dir(dir.path()).expect("readable").flatten();
    let left = left.filter(|file| file.file_name().to_string_lossy().contains("damaged")).count();
    assert_eq!(left, 4, "copies are bounded");
}

#[test]
fn every_flipped_bit_of_the_header_starts_and_no_flipped_content_passes_for_true() {
    let whole = sample();
    let original = {
        let dir = TestDir::new("original");
        std::fs::write(dir.path().join(FILE_NAME), &whole).expect("written");
        open(&dir).0.events_after(0, 1000).expect("readable")
    };
    let header = (0..100).flat_map(|at| (0..8).map(move |bit| (at, bit)));
    let spread = (100..whole.len()).step_by(173).map(|at| (at, at % 8));
    let (mut aside, mut lost) = (0, 0);
    for (at, bit) in header.chain(spread) {
        let mut flipped = whole.clone();
        flipped[at] ^= 1 << bit;
        let dir = TestDir::new("flip");
        std::fs::write(dir.path().join(FILE_NAME), &flipped).expect("written");
        let (store, opened) = match Store::open_or_begin_anew(dir.path(), 16) {
            Ok(opened) => opened,
            Err(error) => panic!("byte {at} bit {bit}: {error}"),
        };
        if opened.aside.is_some() {
            aside += 1;
            continue;
        }
        let events = store.events_after(0, 1000).expect("readable");
        for event in &events {
            if event.payload.is_empty() {
                lost += 1;
            } else {
                assert!(original.contains(event), "byte {at} bit {bit}: event {} is another one", event.seq);
            }
        }
    }
    assert!(aside > 50 && lost > 100, "{aside} set aside, {lost} events found damaged: the check is not looking");
}

#[test]
fn whatever_page_is_damaged_a_start_is_answered() {
    let key = |n: u32| PointKey {
        path: format!("rack/{n:03}/inlet/temperature"),
        quantity: "temperature".into(),
        unit: "Cel".into(),
        exponent: -1,
    };
    let keys: Vec<PointKey> = (0..400).map(key).collect();
    let topics: Vec<String> = (0..200).map(|n| format!("alarm/inlet-hot-{n:03}")).collect();
    let whole = {
        let dir = TestDir::new("pages");
        let (mut store, _) = Store::open(dir.path(), 16).expect("made");
        store.point_ids(&keys).expect("numbered");
        store.retained(&topics).expect("noted");
        drop(store);
        std::fs::read(dir.path().join(FILE_NAME)).expect("readable")
    };
    let mut aside = 0;
    for page in 1..whole.len() / 4096 {
        for (place, with) in [(0, 0xff), (3, 0x80), (9, 0x0f), (700, 0x55), (4000, 0xaa)] {
            let dir = TestDir::new("pages-damaged");
            let mut damaged = whole.clone();
            damaged[page * 4096 + place] ^= with;
            std::fs::write(dir.path().join(FILE_NAME), &damaged).expect("written");
            let (mut store, opened) = Store::open_or_begin_anew(dir.path(), 16)
                .unwrap_or_else(|error| panic!("page {page} byte {place}: {error}"));
            let answered = store.point_ids(&keys).and_then(|_| store.retained(&topics));
            assert!(answered.is_ok(), "page {page} byte {place}: {answered:?}");
            aside += u32::from(opened.aside.is_some());
        }
    }
    assert!(aside > 20, "damage was seen {aside} times");
}
