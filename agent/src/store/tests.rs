//! What the event store promises: nothing durable is lost, no number is given twice, no file makes it panic. One file a
//! subject; here the directory and rows they use, numbers, and a writer that is killed.

use std::io::{BufRead as _, BufReader, Write as _};
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc;

use std::time::{Duration, Instant};

use super::*;

mod away;
mod files;
mod full;
mod once;
mod powercut;
mod queue;
mod volatile;

/// A directory of its own for one test, removed at the end.
#[derive(Debug)]
pub(crate) struct TestDir(PathBuf);

impl TestDir {
    pub(crate) fn new(name: &str) -> Self {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let unique = format!("lapwing-{name}-{}-{}", std::process::id(), NEXT.fetch_add(1, Ordering::Relaxed));
        let dir = std::env::temp_dir().join(unique);
        std::fs::create_dir_all(&dir).expect("a temporary directory can be made");
        Self(dir)
    }

    pub(crate) fn path(&self) -> &Path {
        &self.0
    }
}

impl Drop for TestDir {
    fn drop(&mut self) {
        // What stays behind is only a temporary directory.
        let _left = std::fs::remove_dir_all(&self.0);
    }
}

/// Waits until `condition` holds; fails the test after 20 s.
pub(crate) fn wait_until(what: &str, condition: impl FnMut() -> bool) {
    wait_for(what, Duration::from_secs(20), condition);
}

pub(crate) fn wait_for(what: &str, at_most: Duration, mut condition: impl FnMut() -> bool) {
    let until = Instant::now() + at_most;
    while !condition() {
        assert!(Instant::now() < until, "waited {at_most:?} for: {what}");
        std::thread::sleep(Duration::from_millis(2));
    }
}

pub(crate) fn event(seq: u64) -> EventRow {
    EventRow {
        tellings: Vec::new(),
        seq,
        t_ms: 1_700_000_000_000 + seq.cast_signed(),
        kind: "alarm",
        payload: format!("event {seq}").into_bytes(),
        announce: None,
    }
}

pub(crate) fn commit(seqs: impl IntoIterator<Item = u64>) -> Commit {
    Commit { events: seqs.into_iter().map(event).collect(), ..Commit::default() }
}

fn open(dir: &TestDir) -> (Store, Opened) {
    Store::open(dir.path(), 16).expect("the store opens")
}

/// A writer and what it reports durable.
fn writer(dir: &TestDir) -> (Writer, Opened, mpsc::Receiver<Durable>) {
    let (store, opened) = open(dir);
    let (tell, hear) = mpsc::channel();
    let writer = store
        .spawn_writer(move |durable| {
            let _test_over = tell.send(durable);
        })
        .expect("the writer starts");
    (writer, opened, hear)
}

#[test]
fn a_new_store_has_a_new_log_and_a_reopened_one_goes_on() {
    let dir = TestDir::new("reopen");
    let (writer_1, first, _hear) = writer(&dir);
    assert_eq!((first.boot, first.last_seq, first.unsent), (1, 0, 0));
    assert_eq!(first.log.len(), 32);
    let mut batch = commit(1..=3);
    batch.alarms.push(SavedAlarm { id: "inlet-hot-07".into(), digest: u64::MAX - 1, state: vec![1, 2, 3] });
    batch.alarms.push(SavedAlarm { id: "supply-warm".into(), digest: 5, state: vec![] });
    writer_1.submit(batch).expect("there is room");
    let gone = Commit { removed: vec!["supply-warm".into()], ..Commit::default() };
    writer_1.submit(gone).expect("there is room");
    assert_eq!(writer_1.stop(), 0);

    let (store, second) = open(&dir);
    assert_eq!(second.log, first.log);
    assert_eq!((second.boot, second.last_seq, second.unsent), (2, 3, 3));
    let saved = SavedAlarm { id: "inlet-hot-07".into(), digest: u64::MAX - 1, state: vec![1, 2, 3] };
    assert_eq!(second.alarms, [saved]);
    let events = store.events_after(1, 10).expect("events can be read");
    let read: Vec<_> = events.iter().map(|e| (e.seq, e.kind.as_str(), e.payload.as_slice())).collect();
    assert_eq!(read, [(2, "alarm", &b"event 2"[..]), (3, "alarm", &b"event 3"[..])]);
}

#[test]
fn a_deleted_store_begins_a_new_log() {
    let dir = TestDir::new("deleted");
    let first = open(&dir).1;
    std::fs::remove_dir_all(dir.path()).expect("the directory can be removed");
    let second = open(&dir).1;
    assert_ne!(first.log, second.log);
    assert_eq!((second.boot, second.last_seq), (1, 0));
}

#[test]
fn point_numbers_are_for_ever() {
    let dir = TestDir::new("points");
    let key = |path: &str, unit: &str, exponent| PointKey {
        path: path.into(),
        quantity: "temperature".into(),
        unit: unit.into(),
        exponent,
    };
    let (a, b, c) = (key("a", "Cel", -1), key("b", "Cel", -1), key("c", "kW", 0));
    let mut store = open(&dir).0;
    let ids = store.point_ids(&[a.clone(), b.clone(), c.clone()]).expect("numbered");
    assert_eq!(ids, [1, 2, 3]);
    drop(store);
    let mut store = open(&dir).0;
    assert_eq!(store.point_ids(&[c.clone(), a.clone()]).expect("numbered"), [3, 1], "order does not matter");
    let b_finer = key("b", "Cel", -2);
    let b_kelvin = key("b", "K", -1);
    let ids = store.point_ids(&[b_finer, key("d", "1", 0), b_kelvin, b.clone()]).expect("numbered");
    assert_eq!(ids, [4, 5, 6, 2], "a changed unit or exponent is a new point, the old number stays");
    assert_eq!(store.point_ids(&[b.clone(), b]).expect("numbered"), [2, 2]);
}

#[test]
fn retained_topics_of_earlier_runs_are_known_until_cleared() {
    let dir = TestDir::new("retained");
    let topics = |names: &[&str]| names.iter().map(|name| (*name).to_owned()).collect::<Vec<_>>();
    let mut store = open(&dir).0;
    assert!(store.retained(&topics(&["presence", "alarm/a", "alarm/b"])).expect("noted").is_empty());
    drop(store);
    let (writer, ..) = writer(&dir);
    let wanted = topics(&["presence", "alarm/b"]);
    let stale = |writer: &Writer| {
        let wanted = wanted.clone();
        writer.call(move |store| store.retained(&wanted)).expect("answered").expect("noted")
    };
    assert_eq!(stale(&writer), ["alarm/a"]);
    assert_eq!(stale(&writer), ["alarm/a"], "until it is cleared at the broker");
    writer.cleared("alarm/a".into());
    wait_until("it is forgotten", || stale(&writer).is_empty());
    assert_eq!(writer.stop(), 0);
}

#[test]
fn a_new_log_numbers_from_one_and_old_rows_keep_their_log() {
    let dir = TestDir::new("newlog");
    let (writer, opened, _hear) = writer(&dir);
    writer.submit(commit(1..=7)).expect("there is room");
    let log = writer.new_log().expect("a new log begins");
    assert_ne!(log, opened.log);
    writer.submit(commit(1..=2)).expect("numbers begin again");
    assert_eq!(writer.stop(), 0);
    let (store, reopened) = open(&dir);
    assert_eq!((reopened.log.as_str(), reopened.last_seq, reopened.unsent), (log.as_str(), 2, 9));
    let rows = store.unsent(0, 100).expect("readable");
    let seen: Vec<(&str, u64)> = rows.iter().map(|row| (&*row.log, row.seq)).collect();
    let expected: Vec<(&str, u64)> =
        (1..=7).map(|seq| (opened.log.as_str(), seq)).chain((1..=2).map(|seq| (log.as_str(), seq))).collect();
    assert_eq!(seen, expected);
}

const KILL_DIR: &str = "LAPWING_TEST_STORE_KILL_DIR";

/// Not a test by itself: the process that is killed. It appends and prints each number once it is durable.
#[test]
fn kill_child() {
    let Ok(dir) = std::env::var(KILL_DIR) else { return };
    let (store, opened) = Store::open(Path::new(&dir), 64).expect("the store opens after a kill");
    if let Ok(weaker) = std::env::var(powercut::SYNCHRONOUS) {
        store.connection.pragma_update(None, "synchronous", weaker).expect("a deliberately weaker setting");
    }
    let writer = store
        .spawn_writer(|durable| {
            let mut out = std::io::stdout().lock();
            for row in durable.rows {
                writeln!(out, "durable {} {}", row.log, row.seq).expect("the parent reads");
            }
            out.flush().expect("the parent reads");
        })
        .expect("the writer starts");
    let mut seq = opened.last_seq;
    loop {
        seq += 1;
        let mut kept = Some(commit([seq]));
        while let Some(batch) = kept.take() {
            match writer.submit(batch) {
                Ok(_) => {}
                Err(SubmitError::Full(batch)) => {
                    kept = Some(batch);
                    std::thread::sleep(Duration::from_millis(1));
                }
                Err(other) => panic!("{other}"),
            }
        }
        if seq % 3 == 0 {
            std::thread::sleep(Duration::from_micros(300));
        }
    }
}

#[test]
fn kill_9_keeps_every_number_that_was_reported_durable() {
    let dir = TestDir::new("kill");
    let exe = std::env::current_exe().expect("this test has a file");
    let mut log = None;
    let mut boot = 0;
    let mut promised = 0;
    for round in 0..12_usize {
        let mut child = Command::new(&exe)
            .args(["--exact", "store::tests::kill_child", "--nocapture", "--test-threads=1"])
            .env(KILL_DIR, dir.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("the child starts");
        let out = BufReader::new(child.stdout.take().expect("piped"));
        let mut heard = 0;
        for line in out.lines() {
            let Ok(line) = line else { break };
            // The test harness leaves its own words at the start of the first line.
            let Some((_, rest)) = line.split_once("durable ") else { continue };
            let Some((name, seq)) = rest.split_once(' ') else { continue };
            // Lines are written whole, also under a kill: a pipe takes up to 4 KiB at once (POSIX PIPE_BUF).
            let seq = seq.parse::<u64>().expect("a number");
            assert_eq!(log.get_or_insert_with(|| name.to_owned()), name, "the log stays the same");
            assert_eq!(seq, promised + 1, "numbers follow each other");
            promised = seq;
            heard += 1;
            if heard == 20 + round * 37 {
                child.kill().expect("it can be killed");
            }
        }
        child.wait().expect("it ends");
        let (store, opened) = Store::open(dir.path(), 64).expect("the store opens after a kill");
        boot += 2;
        assert_eq!(opened.boot, boot, "child and check each count");
        assert_eq!(Some(&opened.log), log.as_ref());
        assert!(opened.last_seq >= promised, "{promised} was promised, {} is there", opened.last_seq);
        let events = store.events_after(0, u32::MAX).expect("readable");
        assert_eq!(events.len() as u64, opened.last_seq);
        assert!(
            events
                .iter()
                .zip(1..)
                .all(|(event, seq)| { event.seq == seq && event.payload == format!("event {seq}").into_bytes() })
        );
        assert_eq!(opened.unsent, opened.last_seq, "each event and its outbox row came together");
        promised = opened.last_seq;
    }
}

#[test]
fn what_a_device_showed_is_kept_and_the_last_of_a_feature_counts() {
    let dir = TestDir::new("marks");
    let mark = |feature: &str, confirmed: &str, shown: &str| SavedMark {
        device: "meter-b2".into(),
        feature: feature.into(),
        confirmed: confirmed.into(),
        shown: shown.into(),
    };
    let (first, opened, _hear) = writer(&dir);
    assert!(opened.marks.is_empty());
    let marks = vec![mark("holding:201-202", "", "number 65545"), mark("holding:9", "", "text AB")];
    first.submit(Commit { marks, ..Commit::default() }).expect("there is room");
    let marks = vec![mark("holding:201-202", "AB", "number 7")];
    first.submit(Commit { marks, ..Commit::default() }).expect("there is room");
    assert_eq!(first.stop(), 0);
    let (_store, opened) = open(&dir);
    assert_eq!(opened.marks, [mark("holding:201-202", "AB", "number 7"), mark("holding:9", "", "text AB")]);
}
