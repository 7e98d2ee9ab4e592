//! Publishing against real brokers: nothing lost, order kept, the last word said.

mod access;
mod rig;

use std::sync::atomic::Ordering;
use std::time::Duration;

use rig::{Agent, Mosquitto, Subscriber, Wire, free_port, session, settings};

use lapwing_protocol::FRAME_MAX;

use super::{Connection, FrameId, HandInError, Notice};
use crate::store::tests::{TestDir, wait_for, wait_until};

fn rising(seqs: &[u64]) -> bool {
    seqs.windows(2).all(|pair| pair[0] < pair[1])
}

#[test]
fn slow_confirmations_lose_and_repeat_nothing() {
    let dir = TestDir::new("slow");
    let broker = Mosquitto::start(&dir, "");
    let wire = Wire::to(broker.address);
    wire.delay_answers(Duration::from_millis(30));
    let listener = Subscriber::start(broker.address);
    let agent = Agent::start(&dir, settings(wire.address));
    agent.release();
    agent.events(3000);
    wait_for("all events", Duration::from_secs(60), || listener.distinct() == 3000);
    wait_until("the outbox is empty", || agent.writer.state().unsent == 0);
    assert_eq!(listener.seqs(), (1..=3000).collect::<Vec<_>>(), "each once, in order");
    agent.stop();
}

#[test]
fn a_connection_says_everything_the_contract_asks() {
    let dir = TestDir::new("contract");
    let broker = Mosquitto::start(&dir, "");
    let listener = Subscriber::start(broker.address);
    let agent = Agent::start(&dir, settings(broker.address));
    agent.publisher.retained("alarm/supply-water-warm".into(), b"normal".to_vec()).expect("it fits");
    agent.publisher.frame("frame".into(), b"frame 1".to_vec(), FrameId::default()).expect("it fits");
    agent.publisher.point("point/coil/water/flow".into(), b"12.5".to_vec()).expect("it fits");
    agent.event(|event| event.announce = Some(("announce/high".into(), b"Supply water is warm".to_vec())));
    agent.release();
    assert!(agent.noticed(|n| *n == Notice::Remembered(None)), "a fresh broker remembers nothing");
    wait_until("everything is heard", || listener.heard().len() >= 9);

    // A late subscriber sees what is retained, and only that.
    let late = Subscriber::start(broker.address);
    wait_until("what is retained", || late.heard().len() >= 6);
    let mut topics: Vec<String> = late.heard().into_iter().map(|h| h.topic).collect();
    topics.sort();
    let kept = [
        "alarm/supply-water-warm",
        "catalogue/c1/0",
        "catalogue/c1/1",
        "event/last",
        "point/coil/water/flow",
        "presence",
    ];
    assert_eq!(topics, kept);
    assert!(late.heard().iter().all(|h| h.retain));

    assert_eq!(listener.on("presence"), ["online c1"]);
    assert_eq!(listener.on("event"), ["event 1"]);
    assert_eq!(listener.on("announce/high"), ["Supply water is warm"]);
    assert_eq!(listener.on("event/last"), [format!("last {} 1 1700000000001", agent.log)]);
    assert_eq!(listener.on("frame"), ["frame 1"]);
    assert_eq!(listener.heard()[0].topic, "presence", "a connection opens with presence");
    wait_until("the outbox is empty", || agent.writer.state().unsent == 0);
    agent.stop();
    wait_until("the last word", || listener.on("presence").len() == 2);
    assert_eq!(listener.on("presence"), ["online c1", "offline c1"]);
}

#[test]
fn cut_wires_lose_nothing_and_keep_the_order() {
    let dir = TestDir::new("cuts");
    let broker = Mosquitto::start(&dir, "");
    let wire = Wire::to(broker.address);
    let listener = Subscriber::start(broker.address);
    let agent = Agent::start(&dir, settings(wire.address));
    agent.release();
    let total = 3000;
    let cuts = 12;
    for round in 1..=cuts {
        // Falls inside a packet, an acknowledgement or a CONNECT as it comes.
        wire.cut_after(900 + (round * 7919) % 3000);
        agent.events(total / cuts);
        wait_until("the cut", || wire.cuts.load(Ordering::SeqCst) >= round);
    }
    wait_for("all events", Duration::from_secs(60), || listener.distinct() as u64 == total);
    wait_until("the outbox is empty", || agent.writer.state().unsent == 0);
    // At least once: repeats are allowed, gaps are not. First appearances come in order.
    let mut first = Vec::new();
    for seq in listener.seqs() {
        if first.iter().next_back().is_none_or(|last| *last < seq) {
            first.push(seq);
        }
    }
    assert_eq!(first, (1..=total).collect::<Vec<_>>());
    let repeats = listener.seqs().len() as u64 - total;
    assert!(repeats <= cuts * 100, "{repeats} repeats in {cuts} cuts: more than the window each");
    agent.stop();
}

#[test]
fn a_killed_broker_loses_nothing() {
    let dir = TestDir::new("killed");
    let mut broker = Mosquitto::start(&dir, "");
    let wire = Wire::to(broker.address);
    let mut heard = std::collections::BTreeSet::new();
    let mut listener = Subscriber::start(broker.address);
    let agent = Agent::start(&dir, settings(wire.address));
    agent.release();
    for _ in 0..3 {
        agent.events(500);
        wait_until("some are confirmed", || agent.publisher.state().events_confirmed > heard.len() as u64);
        wire.set_open(false);
        agent.events(500);
        // What the broker confirmed is its to deliver: a broker without persistence loses that when killed.
        wait_until("the cut is noticed", || matches!(agent.publisher.state().connection, Connection::Down(..)));
        let confirmed = agent.publisher.state().events_confirmed;
        wait_until("confirmed ones are delivered", || {
            heard.extend(listener.seqs());
            heard.len() as u64 >= confirmed
        });
        broker.kill();
        drop(listener);
        broker.run();
        listener = Subscriber::start(broker.address);
        wire.set_open(true);
    }
    wait_for("all events", Duration::from_secs(60), || {
        heard.extend(listener.seqs());
        heard.len() == 3000
    });
    assert!(rising(&listener.seqs()), "within one connection the order is kept");
    // The new broker knows nothing: presence, catalogue and the last event are said again.
    wait_until("what is retained", || {
        !listener.on("presence").is_empty()
            && !listener.on("catalogue/c1/1").is_empty()
            && !listener.on("event/last").is_empty()
    });
    agent.stop();
}

#[test]
fn a_broker_that_is_down_is_a_state() {
    let dir = TestDir::new("down");
    let address = std::net::SocketAddr::from(([127, 0, 0, 1], free_port()));
    let agent = Agent::start(&dir, settings(address));
    wait_until("told once", || agent.noticed(|n| matches!(n, Notice::Down(_))));
    agent.events(5000);
    for number in 0..100 {
        agent
            .publisher
            .frame("frame".into(), format!("frame {number}").into_bytes(), FrameId::default())
            .expect("it fits");
    }
    assert_eq!(agent.publisher.state().frames_dropped, 84, "frames drop the oldest");
    wait_until("all durable", || agent.writer.state().unsent == 5000);
    let broker = Mosquitto::start_at(&dir, address, "");
    let listener = Subscriber::start(broker.address);
    agent.release();
    wait_until("all events", || listener.distinct() == 5000);
    assert_eq!(listener.seqs(), (1..=5000).collect::<Vec<_>>(), "also those beyond memory, once and in order");
    let frames: Vec<String> = (84..100).map(|number| format!("frame {number}")).collect();
    wait_until("the newest frames", || listener.on("frame") == frames);
    let downs = agent.notices.lock().expect("no panic").iter().filter(|n| matches!(n, Notice::Down(_))).count();
    assert_eq!(downs, 1, "not once an attempt");
    agent.stop();
}

#[test]
fn a_restart_sends_what_was_not_confirmed_and_remembers_the_last_event() {
    let dir = TestDir::new("restart");
    let broker = Mosquitto::start(&dir, "");
    let listener = Subscriber::start(broker.address);
    let first = Agent::start(&dir, settings(broker.address));
    first.release();
    first.events(10);
    wait_until("ten", || {
        listener.distinct() == 10 && listener.on("event/last").last().is_some_and(|l| l.contains(" 10 "))
    });
    let log = first.log.clone();
    first.stop();
    // Ends before it is ever connected: its events wait on disk.
    let wire = Wire::to(broker.address);
    wire.set_open(false);
    let second = Agent::start(&dir, settings(wire.address));
    second.events(7);
    wait_until("durable", || second.writer.state().unsent == 7);
    second.stop();
    let third = Agent::start(&dir, settings(broker.address));
    wait_until("first contact", || third.noticed(|n| matches!(n, Notice::Remembered(_))));
    let remembered = format!("last {log} 10 1700000000010").into_bytes();
    assert!(third.noticed(|n| *n == Notice::Remembered(Some(remembered.clone()))), "{:?}", third.notices);
    assert_eq!(listener.distinct(), 10, "events are held until the core has judged");
    third.publisher.release();
    wait_until("all", || listener.distinct() == 17);
    assert_eq!(listener.seqs(), (1..=17).collect::<Vec<_>>());
    third.stop();
}

#[test]
fn what_the_core_renumbers_before_the_release_is_never_sent_under_its_old_number() {
    let dir = TestDir::new("renumber");
    let broker = Mosquitto::start(&dir, "");
    let listener = Subscriber::start(broker.address);
    let agent = Agent::start(&dir, settings(broker.address));
    wait_until("first contact", || agent.noticed(|n| matches!(n, Notice::Remembered(_))));
    // The broker had been silent when these were numbered: the publisher holds them.
    agent.events(20);
    wait_until("held", || agent.publisher.state().oldest_unsent_t_ms.is_some());
    let old = agent.writer.call(|store| store.unsent(0, 100)).expect("answers").expect("readable");
    assert_eq!(old.len(), 20);
    let log = agent.writer.new_log().expect("a new log begins");
    agent.writer.acknowledged(&old.iter().map(|row| row.id).collect::<Vec<_>>());
    agent.begin_at(1);
    for _ in 0..20 {
        agent.event(|event| event.payload = format!("renumbered {}", event.seq).into_bytes());
    }
    agent.publisher.release();
    wait_until("all", || listener.on("event").len() >= 20);
    wait_until("the outbox is empty", || agent.writer.state().unsent == 0);
    let expected: Vec<String> = (1..=20).map(|seq| format!("renumbered {seq}")).collect();
    assert_eq!(listener.on("event"), expected);
    wait_until("the new log's last", || {
        listener.on("event/last").last().is_some_and(|l| l.starts_with(&format!("last {log} 20 ")))
    });
    agent.stop();
}

#[test]
fn a_broker_that_hangs_is_noticed_and_loses_nothing() {
    let dir = TestDir::new("hang");
    let broker = Mosquitto::start(&dir, "");
    let listener = Subscriber::start(broker.address);
    let mut impatient = settings(broker.address);
    impatient.keep_alive = Duration::from_secs(1);
    let agent = Agent::start(&dir, impatient);
    agent.release();
    agent.events(10);
    wait_until("ten", || listener.distinct() == 10);
    broker.freeze(true);
    agent.events(500);
    wait_until("noticed", || matches!(agent.publisher.state().connection, Connection::Down(..)));
    broker.freeze(false);
    wait_until("all", || listener.distinct() == 510 && agent.writer.state().unsent == 0);
    agent.stop();
}

#[test]
fn the_will_is_said_when_the_agent_dies() {
    let dir = TestDir::new("will");
    let broker = Mosquitto::start(&dir, "");
    let wire = Wire::to(broker.address);
    let listener = Subscriber::start(broker.address);
    let agent = Agent::start(&dir, settings(wire.address));
    agent.release();
    wait_until("online", || listener.on("presence") == ["online c1"]);
    wire.set_open(false);
    wait_until("the will", || listener.on("presence").last().is_some_and(|p| p == "offline c1"));
    wire.set_open(true);
    wait_until("online again", || listener.on("presence") == ["online c1", "offline c1", "online c1"]);
    agent.stop();
}

#[test]
fn a_changed_session_connects_anew_with_its_own_will() {
    let dir = TestDir::new("session");
    let broker = Mosquitto::start(&dir, "");
    let wire = Wire::to(broker.address);
    let listener = Subscriber::start(broker.address);
    let agent = Agent::start(&dir, settings(wire.address));
    agent.release();
    agent.events(50);
    wait_until("online", || !listener.on("catalogue/c1/1").is_empty());
    agent.publisher.session(session("c2")).expect("it can be published");
    agent.events(50);
    wait_until("the new catalogue", || !listener.on("catalogue/c2/1").is_empty() && listener.distinct() == 100);
    wait_until("online anew", || listener.on("presence").last().is_some_and(|p| p == "online c2"));
    assert_eq!(listener.on("presence"), ["online c1", "online c2"], "a clean change says no will");
    wire.set_open(false);
    wait_until("the new will", || listener.on("presence").last().is_some_and(|p| p == "offline c2"));
    wire.set_open(true);
    agent.stop();
}

#[test]
fn cleared_topics_are_cleared_at_the_broker_and_then_forgotten() {
    let dir = TestDir::new("cleared");
    let broker = Mosquitto::start(&dir, "");
    let agent = Agent::start(&dir, settings(broker.address));
    agent.release();
    let wanted = vec!["alarm/old".to_owned(), "alarm/new".to_owned()];
    agent.writer.call(move |store| store.retained(&wanted)).expect("answers").expect("noted");
    agent.publisher.retained("alarm/old".into(), b"normal".to_vec()).expect("it fits");
    agent.publisher.retained("alarm/new".into(), b"normal".to_vec()).expect("it fits");
    let stale = || {
        let wanted = vec!["alarm/new".to_owned()];
        agent.writer.call(move |store| store.retained(&wanted)).expect("answers").expect("noted")
    };
    assert_eq!(stale(), ["alarm/old"]);
    agent.publisher.clear("alarm/old".into()).expect("it is a topic");
    wait_until("forgotten", || stale().is_empty());
    let late = Subscriber::start(broker.address);
    wait_until("the rest", || !late.on("catalogue/c1/1").is_empty() && !late.on("alarm/new").is_empty());
    assert!(late.on("alarm/old").is_empty(), "nothing is retained any more");
    agent.stop();
}

#[test]
fn packets_over_their_bound_are_refused_at_the_door() {
    let dir = TestDir::new("bounds");
    let address = std::net::SocketAddr::from(([127, 0, 0, 1], free_port()));
    let agent = Agent::start(&dir, settings(address));
    let large = || vec![b'x'; FRAME_MAX + 1];
    let refused = |outcome| matches!(outcome, Err(HandInError::TooLarge { limit: FRAME_MAX, .. }));
    assert!(refused(agent.publisher.frame("frame".into(), large(), FrameId::default())));
    assert!(refused(agent.publisher.retained("alarm/a".into(), large())));
    assert!(refused(agent.publisher.point("point/a".into(), large())));
    let mut paged = session("c1");
    paged.catalogue.push(("catalogue/c1/2".into(), large().into()));
    assert!(refused(agent.publisher.session(paged)));
    for topic in ["", "alarm/+", "alarm/#", "a\0b"] {
        let outcome = agent.publisher.retained(topic.into(), b"x".to_vec());
        assert!(matches!(outcome, Err(HandInError::Topic { .. })), "{topic:?}");
    }
    agent.stop();
}

#[test]
fn a_packet_the_broker_refuses_is_set_aside_and_blocks_nothing() {
    let dir = TestDir::new("refused");
    // This broker ends the connection on any packet above 2000 bytes.
    let broker = Mosquitto::start(&dir, "max_packet_size 2000\n");
    let listener = Subscriber::start(broker.address);
    let mut small = session("c1");
    small.catalogue.clear();
    let agent = Agent::start_with(&dir, settings(broker.address), small);
    agent.release();
    agent.events(5);
    agent.event(|event| event.payload = vec![b'x'; 3000]);
    agent.events(5);
    wait_for("the rest arrives", Duration::from_secs(60), || listener.distinct() == 10);
    let seqs: std::collections::BTreeSet<u64> = listener.seqs().into_iter().collect();
    assert!(!seqs.contains(&6), "{seqs:?}");
    assert!(agent.noticed(|n| matches!(n, Notice::SetAside { what, .. } if what == "event 6")), "{:?}", agent.notices);
    wait_until("the outbox is empty", || agent.writer.state().unsent == 0);
    let kept = agent.writer.call(|store| store.events_after(5, 1)).expect("answers").expect("readable");
    assert_eq!((kept[0].seq, kept[0].payload.len()), (6, 3000), "the event log still has it");
    agent.stop();
}

#[test]
fn the_last_event_is_said_at_most_once_a_second() {
    let dir = TestDir::new("last");
    let broker = Mosquitto::start(&dir, "");
    let listener = Subscriber::start(broker.address);
    let agent = Agent::start(&dir, settings(broker.address));
    agent.release();
    let begun = std::time::Instant::now();
    while begun.elapsed() < Duration::from_millis(1500) {
        agent.event(|_| {});
        std::thread::sleep(Duration::from_millis(10));
    }
    wait_until("the newest is said", || {
        let newest = listener.seqs().last().copied().unwrap_or(0);
        listener.on("event/last").last().is_some_and(|l| l.contains(&format!(" {newest} ")))
    });
    let said = listener.on("event/last").len() as u64;
    assert!(said <= begun.elapsed().as_secs() + 1, "{said} times in {:?}", begun.elapsed());
    // No subscriber is told of an event it was not sent before.
    let mut newest = 0;
    for heard in listener.heard() {
        let number = || String::from_utf8_lossy(&heard.payload).split(' ').filter_map(|w| w.parse::<u64>().ok()).next();
        match heard.topic.as_str() {
            "event" => newest = number().expect("a number"),
            "event/last" => {
                let text = String::from_utf8_lossy(&heard.payload).into_owned();
                let said: u64 = text.split(' ').nth(2).and_then(|n| n.parse().ok()).expect("a number");
                assert!(said <= newest, "{said} was said before it was sent");
            }
            _ => {}
        }
    }
    agent.stop();
}

#[cfg(feature = "demo")]
#[test]
fn the_demos_broker_takes_and_gives_everything() {
    let dir = TestDir::new("demo");
    let (broker, address) = crate::publish::broker::Broker::start().expect("the demo's broker starts");
    assert_eq!(broker.address(), address);
    let listener = Subscriber::start(address);
    let agent = Agent::start(&dir, settings(address));
    agent.release();
    agent.events(2000);
    wait_until("all events", || listener.distinct() == 2000);
    assert!(rising(&listener.seqs()));
    agent.publisher.frame("frame".into(), vec![b'f'; 60_000], FrameId::default()).expect("it fits");
    wait_until("a large frame", || listener.on("frame").len() == 1);
    let late = Subscriber::start(address);
    wait_until("what is retained", || late.on("presence") == ["online c1"] && !late.on("event/last").is_empty());
    agent.stop();
    wait_until("the last word", || listener.on("presence") == ["online c1", "offline c1"]);
    // A restart reads back what this broker remembers.
    let again = Agent::start(&dir, settings(address));
    wait_until("first contact", || {
        again.noticed(|n| matches!(n, Notice::Remembered(Some(l)) if l.starts_with(b"last ")))
    });
    again.stop();
}
