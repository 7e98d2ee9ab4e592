//! The board: values and qualities as the engine's, refresh from changes, neighbours from one answer.

use lapwing_engine::spec::{Decode, Layout, Span};

use super::*;
use crate::field::Batch;
use crate::plan::{Device, Link, Point, Slice, Table, Transaction, Transport};

/// Two registers as two points, 0.1 K each, valid from 0 to 50.
fn plan() -> Plan {
    let spec = PointSpec {
        decode: Decode { layout: Layout::I16, ..Decode::default() },
        exponent: -1,
        valid: Some((0, 500)),
        ..PointSpec::default()
    };
    let spec = PointSpec { decode: Decode { scale: lapwing_protocol::Decimal::new(1, -1), ..spec.decode }, ..spec };
    let slice = |offset| Slice { offset, words: 1, scale_factor: None };
    let second = Duration::from_secs(1);
    let one = Span { first: 0, count: 1 };
    let ask = Ask::Modbus { table: Table::Holding, start: 10, count: 2, slices: vec![slice(0), slice(1)] };
    let mut plan = Plan {
        links: vec![Link {
            name: "plant".into(),
            transport: Transport::ModbusTcp { host: "127.0.0.1".into(), port: 1 },
            timeout: second,
            retries: 0,
            devices: one,
            state_point: 0,
        }],
        devices: vec![Device {
            name: "coil".into(),
            link: 0,
            unit: 1,
            timeout: second,
            pause: Duration::ZERO,
            late_max: second,
            transactions: one,
            state_point: 0,
        }],
        transactions: vec![Transaction {
            device: 0,
            period: second,
            phase: Duration::ZERO,
            ask,
            points: Span { first: 0, count: 2 },
        }],
        points: vec![Point::default(), Point::default()],
        ..Plan::default()
    };
    plan.engine.points = vec![spec, spec];
    plan
}

fn word(value: u16) -> Raw {
    Raw::Words { words: [value, 0, 0, 0, 0, 0, 0, 0], len: 1, scale_factor: 0 }
}

fn batch(at: Instant, raws: Vec<Raw>) -> FieldMessage {
    FieldMessage::Batch(Batch { transaction: 0, at, raws })
}

const LATENCY: Duration = Duration::from_millis(3);

#[test]
fn values_are_decoded_and_judged() {
    let board = Board::new(plan());
    assert_eq!(board.seen(0), None);
    let judged = board.take(&batch(Instant::now(), vec![word(207), word(501)]), |_| LATENCY);
    assert_eq!((judged[0].value, judged[0].status), (Some(207), Status::GOOD));
    assert_eq!((judged[1].value, judged[1].status), (None, Status::BAD_SENSOR_FAILURE), "published as bad");
    let seen = board.seen(1).expect("seen");
    assert_eq!((seen.value, seen.latency), (Some(501), LATENCY), "but a person sees what it reads");
}

#[test]
fn the_refresh_is_the_distance_of_changes_and_a_gap_spoils_none() {
    let board = Board::new(plan());
    let start = Instant::now();
    let mut at = start;
    let mut say = |after_s: u64, raw: Raw| {
        at += Duration::from_secs(after_s);
        board.take(&batch(at, vec![raw, word(1)]), |_| LATENCY);
    };
    // A device that refreshes every 2 s, read every second.
    for n in 0..6 {
        say(1, word(n));
        say(1, word(n));
    }
    // Silence for a minute, then it goes on.
    say(60, Raw::Fault(Status::BAD_NO_COMMUNICATION));
    for n in 10..13 {
        say(1, word(n));
        say(1, word(n));
    }
    let seen = board.seen(0).expect("seen");
    assert_eq!(seen.refresh(), Some(Duration::from_secs(2)));
    assert!(seen.between.iter().all(|d| *d == Duration::from_secs(2)), "{:?}", seen.between);
    assert_eq!(board.seen(1).expect("seen").refresh(), None, "a value that never changes shows no refresh");
}

#[test]
fn neighbours_come_from_the_same_answer() {
    let board = Board::new(plan());
    board.take(&batch(Instant::now(), vec![word(7), word(9)]), |_| LATENCY);
    assert_eq!(board.neighbour(0, 1), Some(word(9)));
    assert_eq!(board.neighbour(1, -1), Some(word(7)));
    assert_eq!(board.neighbour(0, -1), None);
    assert_eq!(board.neighbour(1, 1), None);
}

#[test]
fn why_a_point_is_silent_is_known_while_it_is() {
    let board = Board::new(plan());
    let state = |up| FieldMessage::LinkState { link: 0, up, why: "cannot connect".into(), at: Instant::now() };
    board.take(&state(false), |_| LATENCY);
    assert_eq!(board.why_down(1).as_deref(), Some("cannot connect"));
    board.take(&state(true), |_| LATENCY);
    assert_eq!(board.why_down(1), None);
}

#[test]
fn one_can_wait_for_news() {
    let board = std::sync::Arc::new(Board::new(plan()));
    let other = std::sync::Arc::clone(&board);
    let teller = std::thread::spawn(move || {
        for n in 0..=5 {
            other.take(&batch(Instant::now(), vec![word(n), word(n)]), |_| LATENCY);
        }
    });
    let seen = board.wait(0, Duration::from_secs(10), |seen| seen.value == Some(5));
    assert_eq!(seen.and_then(|seen| seen.value), Some(5));
    teller.join().expect("told");
    let same = board.wait(0, Duration::ZERO, |_| false);
    assert_eq!(same.and_then(|seen| seen.value), Some(5), "what is there when the time is over");
}
