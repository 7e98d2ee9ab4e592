//! The volatile log as writer, worker and file make it: a store at its limit stands for a disk that takes nothing.

use super::*;
use crate::store::Taken;

/// A store that cannot grow, its confirmed rows, and the number of the event that waits.
fn stuck(dir: &TestDir) -> (Writer, Opened, mpsc::Receiver<Durable>, Vec<OutboxRow>, u64) {
    let (store, opened) = Store::open(dir.path(), 4).expect("the store opens");
    let (tell, hear) = mpsc::channel();
    let writer = store
        .spawn_writer(move |durable| {
            let _test_over = tell.send(durable);
        })
        .expect("the writer starts");
    let mut seq = 0;
    while writer.state().failing.is_none() {
        seq += 1;
        let mut one = commit([seq]);
        one.events[0].payload = vec![b'x'; 4000];
        one.alarms.push(SavedAlarm { id: "a".into(), digest: 1, state: seq.to_le_bytes().to_vec() });
        writer.submit(one).expect("there is room");
        wait_until("durable or failing", || writer.state().waiting == 0 || writer.state().failing.is_some());
    }
    let rows: Vec<OutboxRow> = hear.try_iter().flat_map(|durable| durable.rows).collect();
    assert_eq!(rows.len() as u64, seq - 1);
    (writer, opened, hear, rows, seq)
}

#[test]
fn what_waits_leaves_at_once_and_is_in_the_store_when_it_is_back() {
    let dir = TestDir::new("volatile");
    let (writer, opened, hear, rows, seq) = stuck(&dir);
    wait_until("thinning had its time", || writer.trouble().is_some());
    let begun = writer.begin_volatile("it is full".into()).expect("a volatile log");
    assert_eq!((begun.before.as_str(), begun.last_seq), (opened.log.as_str(), seq - 1));
    assert_eq!(begun.events.iter().map(|event| event.seq).collect::<Vec<_>>(), [seq]);
    assert_eq!(begun.alarms.len(), 1);
    assert!(writer.trouble().is_none(), "nothing waits any more");

    // Numbered anew, from 1, and handed out at once; a gap is refused as ever.
    let mut again = commit(1..=2);
    again.alarms.push(SavedAlarm { id: "a".into(), digest: 1, state: b"new".to_vec() });
    let Ok(Taken::Volatile(sent, _)) = writer.submit(again) else { panic!("it waits for the disk") };
    assert!(sent.iter().all(|row| *row.log == *begun.log) && sent[0].id > rows.last().expect("rows").id);
    assert!(matches!(writer.submit(commit([9])), Err(SubmitError::NotNext { expected: 3, .. })));
    writer.acknowledged(&[sent[0].id]);
    let state = writer.state().volatile.expect("it runs");
    assert_eq!((state.held, state.dropped), (2, 0));

    // The broker takes the old ones: there is room again.
    writer.acknowledged(&rows.iter().map(|row| row.id).collect::<Vec<_>>());
    wait_until("the store has it all", || writer.state().volatile.is_none());
    assert!(matches!(writer.submit(commit([3])), Ok(Taken::Queued)));
    // Stopped first: the writer counts a commit as done a moment before it tells of it.
    assert_eq!(writer.stop(), 0);
    assert_eq!(
        hear.try_iter().flat_map(|d| d.rows).map(|row| (row.log, row.seq)).collect::<Vec<_>>(),
        [(sent[0].log.clone(), 3)]
    );

    let (store, reopened) = Store::open(dir.path(), 4).expect("it opens again");
    assert_eq!((reopened.log.as_str(), reopened.last_seq, reopened.unsent), (begun.log.as_str(), 3, 2));
    assert_eq!(reopened.logs, [opened.log, begun.log]);
    assert_eq!(reopened.alarms[0].state, b"new");
    let events = store.events_after(0, 10).expect("readable");
    assert_eq!(events.iter().map(|event| event.seq).collect::<Vec<_>>(), [1, 2, 3]);
}

#[test]
fn a_commit_given_up_that_became_durable_after_all_is_taken_out_again() {
    let dir = TestDir::new("givenup");
    let (mut store, opened) = open(&dir);
    let base = store.log.base;
    // As a sync that hung leaves it: written, and never reported.
    let mut transactor = crate::store::transaction::Transactor::new(store);
    transactor.write(&[commit(1..=3)]).expect("written");
    transactor.write(&[commit(4..=6)]).expect("written");
    let mut log = crate::store::volatile::Volatile::new("v", base + 3, Instant::now(), "slow".into());
    transactor.store().edge = log.edge();
    assert_eq!(transactor.store().unsent(0, 10).expect("readable").len(), 3, "what was given up is not sent");
    log.take(commit(1..=4));
    let copy = log.to_copy();
    transactor.copy(&copy).expect("copied");
    log.copied(&copy);
    assert!(log.is_copied() && log.edge().is_none());
    store = Store::open(dir.path(), 16).map_or_else(
        |_| {
            drop(transactor);
            open(&dir).0
        },
        |(store, _)| store,
    );
    let rows = store.unsent(0, 100).expect("readable");
    let seen: Vec<(&str, u64)> = rows.iter().map(|row| (&*row.log, row.seq)).collect();
    let expected: Vec<(&str, u64)> =
        (1..=3).map(|n| (opened.log.as_str(), n)).chain((1..=4).map(|n| ("v", n))).collect();
    assert_eq!(seen, expected);
}
