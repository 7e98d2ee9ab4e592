//! The inbox as a whole: order, window, bounds, and what a lost connection leaves.

use super::*;

fn session() -> Session {
    Session {
        base: "lapwing/saltmarsh/m1".into(),
        presence_topic: "presence".into(),
        online: b"online".to_vec(),
        offline: b"offline".to_vec(),
        catalogue: vec![("catalogue/c/1".into(), b"page".as_slice().into())],
        event_topic: "event".into(),
        last_topic: "event/last".into(),
        last: |_, seq, _| seq.to_string().into_bytes(),
        lost: Arc::new(|_, seq, _| format!("lost {seq}").into_bytes()),
    }
}

fn row(id: u64) -> OutboxRow {
    OutboxRow {
        id,
        log: Arc::from("log"),
        seq: id / 2,
        t_ms: 0,
        announce: (id % 2 == 1).then(|| "announce/high".to_owned()),
        payload: id.to_string().into_bytes(),
    }
}

/// An inbox whose disk is read up, connected, presence and catalogue confirmed.
fn ready(now: Instant) -> Inbox {
    let mut inbox = Inbox::new(session());
    inbox.release();
    let (after, generation) = inbox.fetch_after().expect("the disk is read at start");
    assert_eq!(after, 0);
    assert!(inbox.fetched(generation, Vec::new()).is_empty());
    inbox.connected();
    while let Some(packet) = inbox.next(now) {
        assert_eq!(inbox.confirmed(&packet.sent), Confirmed::Nothing);
    }
    inbox
}

/// Everything the window takes now.
fn drain(inbox: &mut Inbox, now: Instant) -> Vec<Sent> {
    std::iter::from_fn(|| inbox.next(now)).map(|packet| packet.sent).collect()
}

#[test]
fn classes_go_in_their_order() {
    let now = Instant::now();
    let mut inbox = Inbox::new(session());
    inbox.push_frame("frame".into(), b"f".to_vec(), FrameId::default()).expect("fits");
    inbox.set_point("point/a".into(), b"1".to_vec()).expect("fits");
    inbox.set_latest("alarm/a".into(), b"normal".as_slice().into()).expect("fits");
    inbox.release();
    let (_, generation) = inbox.fetch_after().expect("the disk is read at start");
    inbox.fetched(generation, vec![row(2), row(3)]);
    inbox.connected();
    let latest = Sent::Latest { topic: "alarm/a".into(), version: 1 };
    let expected = vec![
        Sent::Online,
        Sent::Event(2),
        Sent::Event(3),
        Sent::Page(0),
        latest,
        Sent::Point,
        Sent::Frame(1, FrameId::default()),
    ];
    assert_eq!(drain(&mut inbox, now), expected);
}

#[test]
fn events_wait_for_the_release_and_are_then_read_again() {
    let now = Instant::now();
    let mut inbox = Inbox::new(session());
    let (_, early) = inbox.fetch_after().expect("the disk is read at start");
    inbox.fetched(early, vec![row(2)]);
    inbox.durable(vec![row(4)]);
    inbox.connected();
    assert_eq!(drain(&mut inbox, now), [Sent::Online, Sent::Page(0)]);
    inbox.release();
    assert_eq!(drain(&mut inbox, now), [], "what was read before no longer counts");
    let (after, generation) = inbox.fetch_after().expect("it is read again");
    assert_eq!(after, 0);
    inbox.fetched(early, vec![row(2)]);
    assert_eq!(drain(&mut inbox, now), [], "nor does an answer to an earlier question");
    inbox.fetched(generation, vec![row(6)]);
    assert_eq!(drain(&mut inbox, now), [Sent::Event(6)]);
}

#[test]
fn neither_class_can_take_the_whole_window() {
    let now = Instant::now();
    let mut inbox = ready(now);
    for number in 0..200 {
        inbox.set_latest(format!("alarm/{number}"), b"x".as_slice().into()).expect("fits");
    }
    assert_eq!(drain(&mut inbox, now).len(), OTHERS_IN_FLIGHT, "half is kept for events");
    inbox.durable((1..=200).map(|n| row(2 * n)).collect());
    let events = drain(&mut inbox, now);
    assert_eq!(events.len(), IN_FLIGHT - OTHERS_IN_FLIGHT);
    assert!(events.iter().all(|sent| matches!(sent, Sent::Event(_))));

    let mut inbox = ready(now);
    inbox.durable((1..=200).map(|n| row(2 * n)).collect());
    assert_eq!(drain(&mut inbox, now).len(), EVENTS_IN_FLIGHT);
    inbox.set_latest("alarm/a".into(), b"x".as_slice().into()).expect("fits");
    assert_eq!(drain(&mut inbox, now).len(), 1, "a backlog of events does not starve alarms");
}

#[test]
fn a_lost_connection_sends_what_was_unconfirmed_again_in_order() {
    let now = Instant::now();
    let mut inbox = ready(now);
    inbox.durable((1..=5).map(|n| row(2 * n)).collect());
    assert_eq!(drain(&mut inbox, now).len(), 5);
    assert_eq!(inbox.confirmed(&Sent::Event(4)), Confirmed::Row(4));
    inbox.durable(vec![row(12)]);
    inbox.disconnected();
    assert_eq!(inbox.in_flight(), 0);
    inbox.connected();
    let events: Vec<Sent> = drain(&mut inbox, now).into_iter().filter(|sent| matches!(sent, Sent::Event(_))).collect();
    assert_eq!(events, [2, 6, 8, 10, 12].map(Sent::Event));
}

#[test]
fn more_events_than_memory_holds_are_read_from_disk_page_by_page() {
    let now = Instant::now();
    let mut inbox = ready(now);
    let all: Vec<OutboxRow> = (1..=6000).map(|n| row(2 * n)).collect();
    for chunk in all.chunks(100) {
        inbox.durable(chunk.to_vec());
    }
    let mut sent = Vec::new();
    let mut pages = 0;
    loop {
        if let Some((after, generation)) = inbox.fetch_after() {
            pages += 1;
            let page = all.iter().filter(|row| row.id > after).take(PAGE_ROWS as usize).cloned().collect();
            inbox.fetched(generation, page);
        }
        let now_sent = drain(&mut inbox, now);
        if now_sent.is_empty() {
            break;
        }
        for packet in &now_sent {
            inbox.confirmed(packet);
        }
        sent.extend(now_sent.into_iter().filter(|sent| matches!(sent, Sent::Event(_))));
        assert!(inbox.events.len() <= EVENTS_HELD);
    }
    assert_eq!(sent, (1..=6000).map(|n| Sent::Event(2 * n)).collect::<Vec<_>>());
    assert!(pages >= 7, "only {pages} pages were read");
}

#[test]
fn the_last_event_names_only_what_was_confirmed_without_a_gap() {
    let now = Instant::now();
    let mut inbox = ready(now);
    inbox.durable((1..=3).map(|n| row(2 * n)).collect());
    drain(&mut inbox, now);
    inbox.confirmed(&Sent::Event(4));
    assert_eq!(drain(&mut inbox, now), [], "event 1 is not confirmed yet");
    inbox.confirmed(&Sent::Event(2));
    let packet = inbox.next(now).expect("due now");
    assert_eq!((packet.topic.as_str(), packet.payload.as_slice()), ("event/last", &b"2"[..]));
    inbox.confirmed(&Sent::Last);
    inbox.confirmed(&Sent::Event(6));
    assert!(inbox.next(now).is_none(), "at most once a second");
    assert_eq!(inbox.due_at(), Some(now + LAST_EVERY));
    let packet = inbox.next(now + LAST_EVERY).expect("due a second later");
    assert_eq!(packet.payload, b"3");
}

#[test]
fn latest_states_are_one_a_topic_and_said_again_after_each_connect() {
    let now = Instant::now();
    let mut inbox = ready(now);
    for state in ["a", "b", "c"] {
        inbox.set_latest("alarm/a".into(), state.as_bytes().into()).expect("fits");
    }
    let packet = inbox.next(now).expect("it waits");
    assert_eq!(packet.payload, b"c");
    assert!(inbox.next(now).is_none(), "older ones were replaced");
    // A newer state arrives before the older is confirmed: both are sent, the newer stays.
    inbox.set_latest("alarm/a".into(), b"d".as_slice().into()).expect("fits");
    assert_eq!(inbox.next(now).expect("it waits").payload, b"d");
    inbox.confirmed(&packet.sent);
    inbox.connected();
    let again = drain(&mut inbox, now);
    assert!(again.contains(&Sent::Latest { topic: "alarm/a".into(), version: 4 }), "{again:?}");
}

#[test]
fn a_point_that_is_cleared_is_not_said_again_after_it() {
    let now = Instant::now();
    let mut inbox = ready(now);
    inbox.set_point("point/a".into(), b"1".to_vec()).expect("fits");
    inbox.set_point("point/b".into(), b"2".to_vec()).expect("fits");
    inbox.set_latest("point/a".into(), Arc::default()).expect("fits");
    let said = std::iter::from_fn(|| inbox.next(now)).map(|packet| (packet.topic, packet.payload)).collect::<Vec<_>>();
    assert_eq!(said, [("point/a".to_owned(), Vec::new()), ("point/b".to_owned(), b"2".to_vec())]);
}

#[test]
fn a_cleared_topic_is_reported_once_the_clearing_itself_is_confirmed() {
    let now = Instant::now();
    let mut inbox = ready(now);
    inbox.set_latest("alarm/a".into(), b"normal".as_slice().into()).expect("fits");
    let normal = inbox.next(now).expect("it waits").sent;
    inbox.set_latest("alarm/a".into(), Arc::default()).expect("fits");
    let cleared = inbox.next(now).expect("it waits").sent;
    assert_eq!(inbox.confirmed(&normal), Confirmed::Nothing);
    assert_eq!(inbox.confirmed(&cleared), Confirmed::Cleared("alarm/a".into()));
    inbox.connected();
    assert!(!drain(&mut inbox, now).iter().any(|sent| matches!(sent, Sent::Latest { .. })));
}

#[test]
fn points_are_coalesced_and_frames_drop_the_oldest() {
    let now = Instant::now();
    let mut inbox = ready(now);
    for value in ["1", "2", "3"] {
        inbox.set_point("point/a".into(), value.into()).expect("fits");
    }
    for number in 0..20_u8 {
        inbox
            .push_frame("frame".into(), vec![number], FrameId { number: number.into(), ..FrameId::default() })
            .expect("fits");
    }
    assert_eq!(inbox.frames.dropped, 4);
    let packet = inbox.next(now).expect("it waits");
    assert_eq!((packet.payload.as_slice(), packet.confirmed, packet.retain), (&b"3"[..], false, true));
    assert_eq!(inbox.next(now).expect("it waits").payload, [4]);
}

#[test]
fn rows_that_can_never_be_published_are_given_back() {
    let mut inbox = ready(Instant::now());
    let mut large = row(2);
    large.payload = vec![0; EVENT_MAX + 1];
    let mut nowhere = row(5);
    nowhere.announce = Some("announce/#".into());
    let bad = inbox.durable(vec![large, row(4), nowhere]);
    assert!(matches!(bad[0], (OutboxRow { id: 2, .. }, HandInError::TooLarge { .. })));
    assert!(matches!(bad[1], (OutboxRow { id: 5, .. }, HandInError::Topic { .. })));
    assert_eq!(drain(&mut inbox, Instant::now()), [Sent::Event(4)]);
}

#[test]
fn frames_larger_than_the_broker_takes_are_refused_at_the_door() {
    let mut inbox = ready(Instant::now());
    assert!(inbox.set_aside(&Sent::Frame(5000, FrameId::default())).is_none());
    assert!(inbox.push_frame("frame".into(), vec![0; 5000], FrameId::default()).is_err());
    assert!(inbox.push_frame("frame".into(), vec![0; 4999], FrameId::default()).is_ok());
}

#[test]
fn after_the_last_word_nothing_more_goes() {
    let now = Instant::now();
    let mut inbox = ready(now);
    inbox.durable(vec![row(2)]);
    inbox.push_frame("frame".into(), b"f".to_vec(), FrameId::default()).expect("fits");
    inbox.say_offline();
    assert_eq!(drain(&mut inbox, now), [Sent::Offline]);
}

#[test]
fn late_frames_go_last_and_few_at_a_time_and_every_fate_is_told() {
    let now = Instant::now();
    let mut inbox = ready(now);
    let told = std::sync::Arc::new(std::sync::Mutex::new(Vec::new()));
    let hears = std::sync::Arc::clone(&told);
    inbox.frames.fates = crate::publish::said::Fates(Box::new(move |id, confirmed| {
        hears.lock().expect("unpoisoned").push((id, confirmed))
    }));
    let id = |number, late| FrameId { start: 1, number, late };
    for number in 0..8 {
        assert_eq!(inbox.push_late("frame".into(), b"l".to_vec(), id(number, true)), Ok(true));
    }
    assert_eq!(inbox.push_late("frame".into(), b"l".to_vec(), id(8, true)), Ok(false), "no room");
    for number in 100..117 {
        inbox.push_frame("frame".into(), b"f".to_vec(), id(number, false)).expect("fits");
    }
    assert_eq!(*told.lock().expect("unpoisoned"), [(id(100, false), false)], "the oldest live one made room");
    let went = drain(&mut inbox, now);
    let numbers: Vec<u64> =
        went.iter().filter_map(|sent| if let Sent::Frame(_, id) = sent { Some(id.number) } else { None }).collect();
    assert_eq!(numbers, (101..117).chain(0..8).collect::<Vec<_>>());
    assert!(inbox.push_late("frame".into(), b"l".to_vec(), id(8, true)).expect("fits"));
    assert_eq!(drain(&mut inbox, now), [], "enough late ones are out");
    inbox.confirmed(&Sent::Frame(1, id(0, true)));
    assert_eq!(drain(&mut inbox, now), [Sent::Frame(1, id(8, true))]);
    inbox.confirmed(&Sent::Frame(1, id(101, false)));
    told.lock().expect("unpoisoned").clear();
    inbox.disconnected();
    let lost = told.lock().expect("unpoisoned").clone();
    assert_eq!(lost.len(), 15 + 8);
    assert!(lost.iter().all(|(_, confirmed)| !confirmed));
}

#[test]
fn volatile_rows_wait_for_no_disk_and_are_not_taken_again_from_it() {
    let now = Instant::now();
    let mut inbox = ready(now);
    // The broker takes more than memory holds: the rest is on a disk that does not answer.
    let many: Vec<OutboxRow> = (1..=3000).map(|n| row(2 * n)).collect();
    inbox.durable(many);
    assert!(inbox.fetch_after().is_some(), "asked, and never answered");
    assert!(inbox.volatile(vec![row(6002), row(6003), row(6004)]).is_empty());
    assert_eq!(drain(&mut inbox, now), [Sent::Event(6002), Sent::Event(6003), Sent::Event(6004)]);
    // A cut: they are sent again before what waits on the disk is there.
    inbox.connected();
    let again: Vec<Sent> = drain(&mut inbox, now).into_iter().filter(|sent| matches!(sent, Sent::Event(_))).collect();
    assert_eq!(again, [Sent::Event(6002), Sent::Event(6003), Sent::Event(6004)]);
    assert_eq!(inbox.confirmed(&Sent::Event(6002)), Confirmed::Row(6002));
    // The disk is back and has them too.
    assert!(inbox.fetched(inbox.generation, vec![row(5998), row(6000), row(6003), row(6004), row(6006)]).is_empty());
    let rest: Vec<Sent> = drain(&mut inbox, now).into_iter().filter(|sent| matches!(sent, Sent::Event(_))).collect();
    assert_eq!(rest, [Sent::Event(5998), Sent::Event(6000), Sent::Event(6006)]);
}

#[test]
fn what_waits_of_a_volatile_log_goes_before_what_the_store_has_of_it() {
    let now = Instant::now();
    let mut inbox = ready(now);
    inbox.disconnected();
    // The broker was away while the disk took nothing; the disk came back first.
    inbox.durable(vec![row(2), row(4)]);
    inbox.volatile(vec![row(6), row(8), row(9), row(10)]);
    inbox.durable(vec![row(12), row(13)]);
    inbox.connected();
    let order = [2, 4, 6, 8, 9, 10, 12, 13].map(Sent::Event);
    let events = |inbox: &mut Inbox| -> Vec<Sent> {
        drain(inbox, now).into_iter().filter(|sent| matches!(sent, Sent::Event(_))).collect()
    };
    assert_eq!(events(&mut inbox), order);
    // The same when they were under way already.
    inbox.connected();
    assert_eq!(events(&mut inbox), order);
}

#[test]
fn an_event_damaged_on_disk_keeps_its_number_and_a_damaged_announcement_is_set_aside() {
    let now = Instant::now();
    let mut inbox = ready(now);
    let empty = |id| OutboxRow { payload: Vec::new(), ..row(id) };
    let bad = inbox.durable(vec![row(2), empty(4), empty(5)]);
    assert_eq!(bad.iter().map(|(row, _)| row.id).collect::<Vec<_>>(), [5]);
    let said: Vec<Vec<u8>> = std::iter::from_fn(|| inbox.next(now)).map(|packet| packet.payload).collect();
    assert!(said.contains(&b"lost 2".to_vec()), "{said:?}");
}
