//! The writer's queue: rows come in order, wrong or too many commits are handed back whole, a question is given up.

use super::*;

#[test]
fn durable_rows_come_in_order_and_confirmed_ones_go() {
    let dir = TestDir::new("order");
    let (writer, opened, hear) = writer(&dir);
    for seq in 1..=500 {
        let mut one = commit([seq]);
        if seq % 5 == 0 {
            one.events[0].announce = Some(("announce/high".into(), b"Supply water is warm".to_vec()));
        }
        writer.submit(one).expect("there is room");
    }
    let mut rows = Vec::new();
    wait_until("all rows durable", || {
        rows.extend(hear.try_iter().flat_map(|durable| durable.rows));
        rows.len() == 600
    });
    assert!(rows.windows(2).all(|pair| pair[0].id < pair[1].id), "ids rise");
    assert!(rows.iter().all(|row| *row.log == *opened.log && row.t_ms == 1_700_000_000_000 + row.seq.cast_signed()));
    let events: Vec<u64> = rows.iter().filter(|row| row.announce.is_none()).map(|row| row.seq).collect();
    assert_eq!(events, (1..=500).collect::<Vec<_>>());
    let spoken = rows.iter().find(|row| row.announce.is_some()).expect("one was announced");
    assert_eq!((spoken.seq, spoken.announce.as_deref()), (5, Some("announce/high")));

    // What was read back from disk is what was reported.
    let (tell, answer) = mpsc::channel();
    writer.fetch_unsent(0, 1000, move |rows| tell.send(rows).expect("the test waits"));
    let read = answer.recv().expect("the writer answers").expect("the outbox can be read");
    assert_eq!(read, rows);

    let confirmed: Vec<u64> = rows[..590].iter().map(|row| row.id).collect();
    writer.acknowledged(&confirmed);
    assert_eq!(writer.state().unsent, 10);
    // Without any further commit they leave the disk by themselves.
    wait_until("confirmed rows leave the disk", || {
        writer.call(|store| store.unsent_count()).expect("the writer answers").expect("readable") == 10
    });
    assert_eq!(writer.stop(), 0);
    assert_eq!(open(&dir).1.unsent, 10);
}

#[test]
fn wrong_commits_are_handed_back_whole() {
    let dir = TestDir::new("wrong");
    let (writer, ..) = writer(&dir);
    let gap = commit([2]);
    match writer.submit(gap.clone()) {
        Err(SubmitError::NotNext { commit, expected: 1, found: 2 }) => assert_eq!(commit, gap),
        other => panic!("a gap was answered with {other:?}"),
    }
    let mut large = commit([1]);
    large.events[0].payload = vec![b'x'; COMMIT_MAX_BYTES + 1];
    match writer.submit(large.clone()) {
        Err(SubmitError::TooLarge { commit, seq: 1, bytes }) => {
            assert_eq!((commit, bytes), (large, COMMIT_MAX_BYTES + 1));
        }
        other => panic!("too large a payload was answered with {other:?}"),
    }
    writer.submit(commit([1])).expect("neither used the number up");
    assert_eq!(writer.stop(), 0);
    assert!(matches!(writer.submit(commit([2])), Err(SubmitError::Stopped(_))));
}

#[test]
fn a_full_queue_hands_back_and_takes_again() {
    let dir = TestDir::new("queue");
    let (store, _) = open(&dir);
    let (go, gate) = mpsc::channel::<()>();
    let writer = store
        .spawn_writer(move |_| {
            let _opened_for_good = gate.recv();
        })
        .expect("the writer starts");
    let mut seq = 0;
    let handed_back = loop {
        let batch = commit(seq + 1..=seq + 1000);
        match writer.submit(batch) {
            Ok(_) => seq += 1000,
            Err(SubmitError::Full(batch)) => break batch,
            Err(other) => panic!("{other}"),
        }
        assert!(seq < 1_000_000, "the queue has no bound");
    };
    assert!(writer.state().waiting > 0 && writer.state().waiting_since.is_some());
    drop(go);
    let mut kept = Some(handed_back);
    wait_until("room again", || match writer.submit(kept.take().expect("still kept")) {
        Ok(_) => true,
        Err(SubmitError::Full(batch)) => {
            kept = Some(batch);
            false
        }
        Err(other) => panic!("{other}"),
    });
    assert_eq!(writer.stop(), 0);
    assert_eq!(open(&dir).1.last_seq, seq + 1000);
}

#[test]
fn a_question_the_disk_keeps_from_answering_is_given_up_and_not_done_later() {
    let dir = TestDir::new("noanswer");
    let (store, _) = open(&dir);
    let (go, gate) = mpsc::channel::<()>();
    let writer = store
        .spawn_writer(move |_| {
            let _opened_for_good = gate.recv();
        })
        .expect("the writer starts");
    writer.submit(commit([1])).expect("there is room");
    wait_until("the thread is held up", || writer.state().commits == 1);
    let (tell, done) = mpsc::channel::<()>();
    let outcome = writer.call(move |_| tell.send(()));
    assert!(matches!(outcome, Err(StoreError::NoAnswer { .. })), "{outcome:?}");
    drop(go);
    // The next question is answered, so the given-up one had its turn.
    writer.call(|_| ()).expect("it answers");
    assert!(done.try_recv().is_err(), "given up is not done later");
    assert_eq!(writer.stop(), 0);
    assert!(matches!(writer.call(|_| ()), Err(StoreError::Stopped)));
}
