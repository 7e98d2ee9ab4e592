//! SNMP links against the library's own agent, and against answers written byte by byte.

use std::net::UdpSocket;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;

use async_snmp::handler::{BoxFuture, GetNextResult, GetResult, HandlerResult, MibHandler, RequestContext};
use async_snmp::{VarBind, oid};
use lapwing_protocol::Status;
use proptest::prelude::*;

use super::value::{floating, in_order, raw, text};
use super::*;
use crate::field::testing::*;
use crate::plan::Transport;

/// Variables of a small invented card.
struct Card(Arc<AtomicBool>);

const CARD: [u32; 7] = [1, 3, 6, 1, 4, 1, 99_999];

impl MibHandler for Card {
    fn get<'a>(&'a self, _: &'a RequestContext, oid: &'a Oid) -> BoxFuture<'a, HandlerResult<GetResult>> {
        let silent = self.0.load(Ordering::Relaxed);
        Box::pin(async move {
            if silent {
                std::future::pending::<()>().await;
            }
            Ok(match oid.arcs().last() {
                Some(1) => GetResult::Value(Value::Integer(-5)),
                Some(2) => GetResult::Value(Value::Gauge32(4_000_000_000)),
                Some(3) => GetResult::Value(Value::Counter64(1 << 40)),
                Some(4) => GetResult::Value(Value::OctetString(b"+23.5"[..].into())),
                Some(5) => GetResult::Value(Value::TimeTicks(100)),
                Some(n @ 100..) => GetResult::Value(Value::Integer(i32::try_from(*n).expect("small"))),
                _ => GetResult::NoSuchInstance,
            })
        })
    }

    fn get_next<'a>(&'a self, _: &'a RequestContext, _: &'a Oid) -> BoxFuture<'a, HandlerResult<GetNextResult>> {
        Box::pin(async { Ok(GetNextResult::EndOfMibView) })
    }
}

fn card(rig: &Rig, silent: &Arc<AtomicBool>) -> Transport {
    let agent = rig.runtime.block_on(async {
        async_snmp::Agent::builder()
            .bind("127.0.0.1:0")
            .community("lapwing-test")
            .allow_all_access()
            .handler(Oid::from_slice(&CARD), Arc::new(Card(Arc::clone(silent))))
            .build()
            .await
            .expect("an agent")
    });
    let port = agent.local_addr().port();
    rig.runtime.spawn(async move { agent.run().await });
    Transport::Snmp { host: "127.0.0.1".into(), port, access: community("lapwing-test") }
}

fn community(name: &str) -> Access {
    Access::Community { version_1: false, community: name.into() }
}

fn ask(last: impl IntoIterator<Item = u32>) -> Ask {
    Ask::Snmp { oids: last.into_iter().map(|n| [&CARD[..], &[n]].concat()).collect() }
}

#[test]
fn values_of_all_kinds_arrive_and_a_missing_one_spoils_only_itself() {
    let mut rig = Rig::new();
    let transport = card(&rig, &Arc::default());
    let sketch = Sketch::default().link(transport, 500).device(0);
    rig.start(sketch.asks(ask([1, 9, 2, 3, 4, 5]), 6, PERIOD).plan());
    rig.inbox.wait("scans", |all| batches(all, 0).len() >= 3);
    let all = rig.end();
    let text = Raw::Words { words: [0x2B32, 0x332E, 0x3500, 0, 0, 0, 0, 0], len: 3, scale_factor: 0 };
    let missing = Raw::Fault(Status::BAD_NOT_FOUND);
    let expected = [Raw::Whole(-5), missing, Raw::Whole(4_000_000_000), Raw::Whole(1 << 40), text, Raw::Whole(100)];
    assert!(batches(&all, 0).iter().all(|batch| batch.raws == expected), "{:?}", batches(&all, 0)[0]);
    assert_eq!(states(&all), [("link", 0, true)]);
}

#[test]
fn version_1_misses_a_variable_as_gently() {
    let mut rig = Rig::new();
    let Transport::Snmp { host, port, .. } = card(&rig, &Arc::default()) else { panic!("an SNMP transport") };
    let access = Access::Community { version_1: true, community: "lapwing-test".into() };
    let column = Ask::SnmpColumn { column: CARD.to_vec(), listed: vec![None] };
    let sketch = Sketch::default().link(Transport::Snmp { host, port, access }, 500).device(0);
    rig.start(sketch.asks(ask([9, 1, 8, 5]), 4, PERIOD).asks(column, 1, PERIOD).plan());
    rig.inbox.wait("scans", |all| batches(all, 0).len() >= 3 && batches(all, 1).len() >= 3);
    let figures = rig.stats();
    let all = rig.end();
    let missing = Raw::Fault(Status::BAD_NOT_FOUND);
    let expected = [missing, Raw::Whole(-5), missing, Raw::Whole(100)];
    assert!(batches(&all, 0).iter().all(|batch| batch.raws == expected), "{:?}", batches(&all, 0)[0]);
    assert!(batches(&all, 1).iter().all(|batch| batch.raws == [Raw::Whole(0)]), "an empty table is walked by GETNEXT");
    assert_eq!((figures.device(0).exceptions, figures.device(0).timeouts), (0, 0));
}

#[test]
fn twenty_agents_on_one_socket_each_get_their_own_answers() {
    let mut rig = Rig::new();
    let mut sketch = Sketch::default();
    for n in 0..20 {
        let transport = card(&rig, &Arc::default());
        sketch = sketch.link(transport, 500).device(0).asks(ask((100..120).map(|k| k + 100 * n)), 20, PERIOD);
    }
    rig.start(sketch.plan());
    (0..20).for_each(|transaction| rig.inbox.wait_good(transaction, 4));
    let figures = rig.stats();
    let all = rig.end();
    for n in 0..20 {
        let first = i64::from(100 + 100 * n);
        let expected: Vec<Raw> = (first..first + 20).map(Raw::Whole).collect();
        assert!(good(&all, n).iter().all(|batch| batch.raws == expected));
    }
    assert_eq!((0..20).map(|n| figures.link(n).garbled).sum::<u64>(), 0);
}

#[test]
fn a_silent_agent_is_told_once_and_its_return_too() {
    let mut rig = Rig::new();
    let silent = Arc::new(AtomicBool::new(false));
    let transport = card(&rig, &silent);
    rig.start(Sketch::default().link(transport, 100).device(0).asks(ask([1, 2]), 2, PERIOD).plan());
    rig.inbox.wait_good(0, 2);
    let since = Instant::now();
    silent.store(true, Ordering::Relaxed);
    rig.inbox.wait("link down", |all| states(all).contains(&("link", 0, false)));
    assert!(since.elapsed() < Duration::from_secs(10), "told after {:?}", since.elapsed());
    silent.store(false, Ordering::Relaxed);
    rig.inbox.wait("its return", |all| states(all) == [("link", 0, true), ("link", 0, false), ("link", 0, true)]);
    let all = rig.end();
    assert!(faults(&all, 0).iter().all(|s| *s == Status::BAD_NO_COMMUNICATION));
}

#[test]
fn a_wrong_community_is_silence() {
    let mut rig = Rig::new();
    let Transport::Snmp { host, port, .. } = card(&rig, &Arc::default()) else { panic!("an SNMP transport") };
    let transport = Transport::Snmp { host, port, access: community("other") };
    rig.start(Sketch::default().link(transport, 60).device(0).asks(ask([1]), 1, PERIOD).plan());
    rig.inbox.wait("link down", |all| states(all) == [("link", 0, false)]);
    rig.end();
}

/// An agent that answers each GET with the request's own bytes, altered.
fn altered(alter: impl Fn(usize, &mut Vec<u8>) + Send + 'static) -> (Transport, Arc<AtomicBool>) {
    let socket = UdpSocket::bind("127.0.0.1:0").expect("a port");
    socket.set_read_timeout(Some(Duration::from_millis(50))).expect("a time-out");
    let port = socket.local_addr().expect("bound").port();
    let over = Arc::new(AtomicBool::new(false));
    let ended = Arc::clone(&over);
    thread::spawn(move || {
        let (mut bytes, mut asked) = ([0; 1500], 0);
        while !ended.load(Ordering::Relaxed) {
            if let Ok((len, from)) = socket.recv_from(&mut bytes) {
                let mut answer = answer_to(&bytes[..len]);
                // The first request of each link asks for the up-time too; only the others are altered.
                if !answer.windows(8).any(|part| part == [0x2B, 6, 1, 2, 1, 1, 3, 0]) {
                    alter(asked, &mut answer);
                    asked += 1;
                }
                socket.send_to(&answer, from).expect("loopback");
            }
        }
    });
    (Transport::Snmp { host: "127.0.0.1".into(), port, access: community("lapwing-test") }, over)
}

/// The request turned into a response: tag A2h for A0h, and every variable's NULL into INTEGER 7. All lengths are short.
fn answer_to(request: &[u8]) -> Vec<u8> {
    let mut answer = request.to_vec();
    let pdu = answer.iter().position(|&b| b == 0xA0).expect("a GET");
    answer[pdu] = 0xA2;
    let list = pdu + 2 + usize::from(answer[pdu + 3]) + 2 + 6;
    let mut at = list + 2;
    while at < answer.len() {
        let end = at + 2 + usize::from(answer[at + 1]);
        answer.splice(end - 2..end, [2, 1, 7]);
        for grown in [1, pdu + 1, list + 1, at + 1] {
            answer[grown] += 1;
        }
        at = end + 1;
    }
    answer
}

#[test]
fn no_truncation_and_no_flipped_bit_gives_another_value() {
    let expected_len = Arc::new(std::sync::Mutex::new(0));
    let seen = Arc::clone(&expected_len);
    let (transport, over) = altered(move |asked, answer| {
        *seen.lock().expect("no panic") = answer.len();
        // The value itself is the last byte: an agent may say any.
        let bits = (answer.len() - 1) * 8;
        match asked % (1 + bits + answer.len()) {
            0 => {}
            n if n <= bits => answer[(n - 1) / 8] ^= 1 << ((n - 1) % 8),
            n => answer.truncate(n - 1 - bits),
        }
    });
    let mut rig = Rig::new();
    // Many links: a spoilt answer holds its link back for a while.
    let mut sketch = Sketch::default();
    for _ in 0..120 {
        sketch = sketch.link(transport.clone(), 40).device(0).asks(ask([1]), 1, Duration::from_millis(200));
    }
    rig.start(sketch.plan());
    rig.inbox.wait("answers of all kinds", |_| {
        let stats = rig.stats();
        let requests: u64 = (0..120).map(|n| stats.link(n).requests).sum();
        let len = *expected_len.lock().expect("no panic") as u64;
        len > 0 && requests > len * 9 + 1 + 120
    });
    let all = rig.end();
    over.store(true, Ordering::Relaxed);
    let mut values = 0;
    for transaction in 0..120 {
        for batch in good(&all, transaction) {
            assert_eq!(batch.raws, [Raw::Whole(7)]);
            values += 1;
        }
    }
    assert!(values > 0, "the unaltered answer is believed");
}

#[test]
fn variables_are_found_by_their_name() {
    let oids = [oid!(1, 3, 1), oid!(1, 3, 2)];
    let bind = |oid: &Oid, n| VarBind::new(oid.clone(), Value::Integer(n));
    let swapped = vec![bind(&oids[1], 2), bind(&oids[0], 1)];
    assert_eq!(in_order(&oids, swapped), Ok(vec![Value::Integer(1), Value::Integer(2)]));
    assert!(in_order(&oids, vec![bind(&oids[0], 1)]).is_err(), "one is missing");
    assert!(in_order(&oids, vec![bind(&oids[0], 1), bind(&oids[0], 2)]).is_err(), "one comes twice");
    assert!(in_order(&oids, vec![bind(&oids[0], 1), bind(&oid!(1, 3, 3), 2)]).is_err(), "one is foreign");
}

#[test]
fn floating_numbers_in_opaque_are_read() {
    let float = [&[0x9F, 0x78, 4][..], &21.5f32.to_be_bytes()].concat();
    assert_eq!(raw(&Value::Opaque(float.clone().into())), Raw::Real(21.5));
    for len in 0..float.len() {
        assert_eq!(floating(&float[..len]), None);
    }
    let double = [&[0x9F, 0x79, 8][..], &(-0.25f64).to_be_bytes()].concat();
    assert_eq!(raw(&Value::Opaque(double.into())), Raw::Real(-0.25));
}

proptest! {
    #[test]
    fn any_text_is_survived(bytes in prop::collection::vec(any::<u8>(), 0..40)) {
        match text(&bytes) {
            Some(Raw::Words { words, len, .. }) => {
                let back: Vec<u8> = words[..usize::from(len)].iter().flat_map(|w| w.to_be_bytes()).collect();
                prop_assert_eq!(&back[..bytes.len()], &bytes[..]);
            }
            Some(other) => prop_assert!(false, "{:?}", other),
            None => prop_assert!(bytes.is_empty() || bytes.len() > 16),
        }
    }
}
