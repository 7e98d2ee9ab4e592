//! What becomes of a store whose files are deleted, replaced or moved under the running writer.

use super::*;
use crate::store::Taken;
use crate::store::place::beside;

const TIME: Duration = Duration::from_secs(20);

/// A writer with five events of which the broker has two, an alarm's state, a mark and three points.
fn running(dir: &Path) -> (Writer, Opened, mpsc::Receiver<Durable>) {
    let (mut store, opened) = Store::open(dir, 16).expect("the store opens");
    assert_eq!(store.point_ids(&points()).expect("numbered"), [1, 2, 3]);
    let (tell, hear) = mpsc::channel();
    let writer = store
        .spawn_writer(move |durable| {
            let _test_over = tell.send(durable);
        })
        .expect("the writer starts");
    let mut first = commit(1..=5);
    first.events[4].announce = Some(("announce/high".into(), b"warm".to_vec()));
    first.alarms.push(SavedAlarm { id: "kept".into(), digest: 1, state: b"stands".to_vec() });
    first.marks.push(SavedMark {
        device: "meter".into(),
        feature: "serial".into(),
        confirmed: "c".into(),
        shown: "s".into(),
    });
    writer.submit(first).expect("there is room");
    let rows = hear.recv_timeout(TIME).expect("durable").rows;
    writer.acknowledged(&[rows[0].id, rows[1].id]);
    wait_until("the broker has two", || writer.state().commits >= 2);
    (writer, opened, hear)
}

fn points() -> Vec<PointKey> {
    let point = |name: &str| PointKey {
        path: format!("rack/{name}/inlet/temperature"),
        quantity: "temperature".into(),
        unit: "Cel".into(),
        exponent: -1,
    };
    ["a", "b", "c"].map(point).into()
}

/// Goes on in a volatile log as the core does, until the store is back; returns the log and what was said.
fn comes_back(writer: &Writer, before: &Opened) -> (String, String) {
    wait_until("it is noticed although nothing is written", || writer.trouble().is_some());
    let why = writer.trouble().expect("still so");
    assert!(why.to_string().contains("is not where the agent opened it"), "{why}");
    let begun = writer.begin_volatile(why).expect("a volatile log");
    assert_eq!((begun.before.as_str(), begun.last_seq, begun.events.len()), (before.log.as_str(), 5, 0));
    let mut next = commit(1..=2);
    next.alarms.push(SavedAlarm { id: "new".into(), digest: 2, state: b"raised".to_vec() });
    let Ok(Taken::Volatile(sent, _)) = writer.submit(next) else { panic!("it waits for the disk") };
    writer.acknowledged(&[sent[0].id]);
    wait_until("the store is back", || writer.state().volatile.is_none());
    let said = writer.state().came_back.expect("it says how").to_string();
    assert!(writer.trouble().is_none());
    assert!(matches!(writer.submit(commit([3])), Ok(Taken::Queued)));
    (begun.log, said)
}

/// Ends the writer and opens what lies at the path: it has everything, each once.
fn has_everything(dir: &Path, writer: &Writer, before: &Opened, log: &str) {
    assert_eq!(writer.stop(), 0);
    let (mut store, again) = Store::open(dir, 16).expect("it opens");
    assert_eq!((again.log.as_str(), again.last_seq, again.boot), (log, 3, before.boot + 1));
    assert_eq!(again.logs, [before.log.clone(), log.to_owned()]);
    assert!(again.damage.is_empty() && again.marks.len() == 1);
    let alarms: Vec<&[u8]> = again.alarms.iter().map(|alarm| alarm.state.as_slice()).collect();
    assert_eq!(alarms, [b"stands".as_slice(), b"raised"]);
    assert_eq!(store.point_ids(&points()).expect("readable"), [1, 2, 3], "points keep their numbers");
    let numbers = |events: Vec<StoredEvent>| events.iter().map(|event| event.seq).collect::<Vec<_>>();
    assert_eq!(numbers(store.events_of(&before.log).expect("readable")), [1, 2, 3, 4, 5]);
    assert_eq!(numbers(store.events_of(log).expect("readable")), [1, 2, 3]);
    let unsent = store.unsent(0, 100).expect("readable");
    let waits: Vec<(&str, u64)> = unsent.iter().map(|row| (&*row.log, row.seq)).collect();
    let old = before.log.as_str();
    assert_eq!(waits, [(old, 3), (old, 4), (old, 5), (old, 5), (log, 2), (log, 3)]);
    assert_eq!(unsent[3].payload, b"warm");
    drop(store);
    Store::open_or_begin_anew(dir, 16).map(|(_, opened)| assert!(opened.aside.is_none())).expect("it is sound");
    assert!(!dir.join("events.sqlite.part").exists());
}

fn kept_aside(dir: &Path) -> Vec<PathBuf> {
    let files = std::fs::read_dir(dir).expect("readable").flatten().map(|file| file.path());
    files.filter(|path| path.to_string_lossy().contains(".replaced-")).collect()
}

#[test]
fn whatever_is_deleted_under_the_running_writer_is_written_again() {
    type Delete = fn(&Path);
    let cases: [(&str, Delete); 4] = [
        ("both files", |file| {
            std::fs::remove_file(file).expect("removed");
            std::fs::remove_file(beside(file)).expect("removed");
        }),
        ("the file", |file| std::fs::remove_file(file).expect("removed")),
        ("its write-ahead log", |file| std::fs::remove_file(beside(file)).expect("removed")),
        ("the directory", |file| {
            std::fs::remove_dir_all(file.parent().expect("it has one")).expect("removed");
        }),
    ];
    for (what, delete) in cases {
        let dir = TestDir::new("away");
        let data = dir.path().join("data");
        let (writer, before, _hear) = running(&data);
        delete(&data.join(FILE_NAME));
        let (log, said) = comes_back(&writer, &before);
        assert!(said.contains("not there any more") && !said.contains("kept as"), "{what}: {said}");
        has_everything(&data, &writer, &before, &log);
        assert!(kept_aside(&data).is_empty(), "{what}");
    }
}

#[test]
fn a_directory_that_is_renamed_keeps_what_it_had_and_the_store_goes_on_at_its_path() {
    let dir = TestDir::new("renamed");
    let (data, old) = (dir.path().join("data"), dir.path().join("old"));
    let (writer, before, _hear) = running(&data);
    std::fs::rename(&data, &old).expect("renamed");
    let (log, _) = comes_back(&writer, &before);
    has_everything(&data, &writer, &before, &log);
    // What was renamed is a store of its own, as it was then.
    let (_, as_it_was) = Store::open(&old, 16).expect("it opens");
    assert_eq!((as_it_was.log, as_it_was.last_seq), (before.log, 5));
}

#[test]
fn another_store_in_its_place_is_kept_whole_and_never_written_over() {
    let dir = TestDir::new("replaced");
    let (data, other) = (dir.path().join("data"), dir.path().join("other"));
    let (writer, before, _hear) = running(&data);
    let (stranger, strange, _) = running(&other);
    // Taken while it runs, so that its last events are in its write-ahead log only.
    std::fs::rename(other.join(FILE_NAME), data.join(FILE_NAME)).expect("put in its place");
    std::fs::rename(beside(&other.join(FILE_NAME)), beside(&data.join(FILE_NAME))).expect("put in its place");
    let (log, said) = comes_back(&writer, &before);
    assert!(
        said.contains("another file is in its place") && said.contains("kept as events.sqlite.replaced-"),
        "{said}"
    );
    has_everything(&data, &writer, &before, &log);
    let aside = kept_aside(&data);
    let file = aside.iter().find(|path| !path.to_string_lossy().ends_with("-wal")).expect("it is kept");
    let again = dir.path().join("again");
    std::fs::create_dir(&again).expect("made");
    std::fs::copy(file, again.join(FILE_NAME)).expect("copied");
    std::fs::copy(beside(file), beside(&again.join(FILE_NAME))).expect("its log was kept with it");
    let (_, opened) = Store::open(&again, 16).expect("it opens");
    assert_eq!((opened.log, opened.last_seq), (strange.log.clone(), 5));
    // And the stranger, wherever it was, has lost nothing either.
    let (log, _) = comes_back(&stranger, &strange);
    has_everything(&other, &stranger, &strange, &log);
}

#[test]
fn an_event_that_comes_before_anybody_looked_does_not_go_into_a_file_that_is_gone() {
    let dir = TestDir::new("unlooked");
    let (writer, before, hear) = running(dir.path());
    // The thread has just looked: the next look is most of a second away.
    std::fs::remove_file(dir.path().join(FILE_NAME)).expect("removed");
    writer.submit(commit([6])).expect("there is room");
    wait_until("it is noticed", || writer.trouble().is_some());
    assert!(hear.try_recv().is_err(), "nothing was said to be durable");
    let begun = writer.begin_volatile("moved".into()).expect("a volatile log");
    assert_eq!((begun.last_seq, begun.events.len()), (5, 1), "it is numbered anew");
    assert_eq!(begun.before, before.log);
}

#[test]
fn what_is_put_back_at_once_is_gone_on_with() {
    let dir = TestDir::new("putback");
    let (data, old) = (dir.path().join("data"), dir.path().join("old"));
    let (writer, before, _hear) = running(&data);
    std::fs::rename(&data, &old).expect("renamed");
    wait_until("it is noticed", || writer.trouble().is_some());
    std::fs::rename(&old, &data).expect("renamed");
    wait_until("that is noticed too", || writer.trouble().is_none());
    assert!(matches!(writer.submit(commit([6])), Ok(Taken::Queued)));
    assert_eq!(writer.stop(), 0);
    let (_, again) = Store::open(&data, 16).expect("it opens");
    assert_eq!((again.log, again.last_seq), (before.log, 6));
}

#[test]
fn the_last_event_of_a_run_is_kept_although_the_store_was_deleted_just_before() {
    let dir = TestDir::new("last");
    let (writer, before, _hear) = running(dir.path());
    std::fs::remove_file(dir.path().join(FILE_NAME)).expect("removed");
    std::fs::remove_file(beside(&dir.path().join(FILE_NAME))).expect("removed");
    writer.submit(commit([6])).expect("there is room");
    assert_eq!(writer.stop(), 0);
    let (_, again) = Store::open(dir.path(), 16).expect("it opens");
    assert_eq!((again.log, again.last_seq), (before.log, 6));
}

#[test]
fn looking_costs_nothing_beside_a_sync() {
    let dir = TestDir::new("look");
    let (mut store, _) = open(&dir);
    let begun = Instant::now();
    for _ in 0..10_000 {
        store.in_place().expect("it is there");
    }
    // Two calls of stat(2): a few microseconds; a sync takes hundreds.
    println!("{:?} a look", begun.elapsed() / 10_000);
    assert!(begun.elapsed() < Duration::from_secs(5));
}

#[test]
fn a_store_that_cannot_be_read_any_more_makes_way_for_the_one_on_the_disk_that_was_exchanged() {
    let dir = TestDir::new("exchanged");
    let (data, dead) = (dir.path().join("data"), dir.path().join("dead"));
    let (writer, before, _hear) = running(&data);
    std::fs::rename(&data, &dead).expect("the disk is gone");
    let other = {
        let (store, other) = Store::open(&data, 16).expect("another disk");
        let other_writer = store.spawn_writer(|_| {}).expect("a writer");
        other_writer.submit(commit(1..=3)).expect("there is room");
        assert_eq!(other_writer.stop(), 0);
        other
    };
    // As a disk leaves it that answers with errors only.
    writer.call(|store| store.let_go()).expect("answered").expect("let go");
    writer.submit(commit([6])).expect("there is room");
    wait_until("it fails", || writer.trouble().is_some());
    let begun = writer.begin_volatile("disk".into()).expect("a volatile log");
    let mut next = commit(1..=5000);
    next.alarms.push(SavedAlarm { id: "kept".into(), digest: 1, state: b"stands".to_vec() });
    let Ok(Taken::Volatile(sent, _)) = writer.submit(next) else { panic!("it waits for the disk") };
    writer.acknowledged(&[sent[0].id, sent[4999].id]);
    wait_until("the other store is found", || writer.state().another);
    assert_eq!(writer.stop(), 0, "all of it, although it takes several transactions");

    let (store, again) = Store::open(&data, 16).expect("it opens");
    assert_eq!((again.log.as_str(), again.last_seq), (begun.log.as_str(), 5000));
    assert_eq!(again.logs, [other.log.clone(), begun.log.clone()], "and nothing of {}", before.log);
    assert_eq!(again.alarms.len(), 1);
    assert_eq!(store.events_of(&begun.log).expect("readable").len(), 5000);
    let unsent = store.unsent(0, 10_000).expect("readable");
    let waits = |log: &str| unsent.iter().filter(|row| &*row.log == log).map(|row| row.seq).collect::<Vec<_>>();
    assert_eq!(waits(&other.log), [1, 2, 3]);
    assert_eq!(waits(&begun.log), (2..5000).collect::<Vec<_>>());
}
