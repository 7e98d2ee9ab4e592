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
    change("PRAGMA user_version = 7");
    let error = refused(&dir);
    assert!(matches!(error, StoreError::Newer { found: 7, known: 1, .. }), "{error}");
    assert!(error.to_string().contains("schema version 7"));
    change("PRAGMA application_id = 99");
    assert!(matches!(refused(&dir), StoreError::Foreign { application_id: 99, .. }));
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
