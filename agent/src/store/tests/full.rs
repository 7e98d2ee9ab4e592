//! A store at its limit says so, loses nothing, forgets the oldest confirmed events, and recovers.

use super::*;

#[test]
fn a_full_store_says_so_loses_nothing_and_recovers() {
    let dir = TestDir::new("full");
    let (store, _) = Store::open(dir.path(), 4).expect("the store opens");
    let (tell, hear) = mpsc::channel();
    let writer = store.spawn_writer(move |d: Durable| tell.send(d).expect("the test waits")).expect("starts");
    let mut rows = Vec::new();
    let mut seq = 0;
    while writer.state().failing.is_none() {
        seq += 1;
        let mut one = commit([seq]);
        one.events[0].payload = vec![b'x'; 4000];
        writer.submit(one).expect("there is room");
        wait_until("durable or failing", || writer.state().waiting == 0 || writer.state().failing.is_some());
        assert!(seq < 4000, "4 MiB took {seq} events of 4 kB");
    }
    let (_, why) = writer.state().failing.expect("it fails");
    let why = why.to_string();
    assert!(why.contains("size limit") && why.contains("max_mib"), "{why}");
    rows.extend(hear.try_iter().flat_map(|d| d.rows));
    assert_eq!(rows.len() as u64, seq - 1, "everything before was durable");

    // The broker takes the events: the store thins itself, and what waited becomes durable.
    writer.acknowledged(&rows.iter().map(|row| row.id).collect::<Vec<_>>());
    wait_until("the last event is durable", || writer.state().waiting == 0);
    assert!(writer.state().failing.is_none());
    // Stopped first: the writer counts a commit as done a moment before it tells of it.
    assert_eq!(writer.stop(), 0);
    assert_eq!(hear.try_iter().flat_map(|d| d.rows).map(|row| row.seq).collect::<Vec<_>>(), [seq]);
    let (store, opened) = Store::open(dir.path(), 4).expect("it opens again");
    assert_eq!((opened.last_seq, opened.unsent), (seq, 1));
    assert_eq!(store.unsent(0, 10).expect("readable")[0].seq, seq);
}

#[test]
fn a_store_at_its_limit_forgets_the_oldest_confirmed_events() {
    let dir = TestDir::new("thin");
    let (store, _) = Store::open(dir.path(), 4).expect("the store opens");
    let (tell, hear) = mpsc::channel();
    let writer = store.spawn_writer(move |d: Durable| tell.send(d).expect("the test waits")).expect("starts");
    let last = 4000;
    for seq in 1..=last {
        let mut one = commit([seq]);
        one.events[0].payload = vec![b'x'; 3000];
        writer.submit(one).expect("there is room");
        let durable = hear.recv().expect("durable");
        writer.acknowledged(&[durable.rows[0].id]);
    }
    assert!(writer.state().failing.is_none(), "12 MB went through 4 MiB: {:?}", writer.state());
    assert_eq!(writer.stop(), 0);
    let (store, opened) = Store::open(dir.path(), 4).expect("it opens again");
    assert_eq!(opened.last_seq, last);
    let kept = store.events_after(0, 10_000).expect("readable");
    assert!(kept.len() > 200, "only {} kept", kept.len());
    assert!(kept.windows(2).all(|pair| pair[0].seq + 1 == pair[1].seq), "the newest stay, without a gap");
    assert_eq!(kept.last().map(|e| e.seq), Some(last));
}
