//! Differences and counts with good, bad and missing readings.

use lapwing_engine::spec::{PointSpec, Span, Test};
use lapwing_engine::{AlarmState, PointState, Window};

use super::*;
use crate::plan::Compared;
use crate::plan::{Ask, EngineTables, Point, Transaction};

/// Points 0 to 4 from one transaction, 5 made of them.
fn plan(with: Comparison, subject: Option<u32>) -> Plan {
    let points = vec![Point::default(); 6];
    let engine = EngineTables { points: vec![PointSpec::default(); 6], ..EngineTables::default() };
    let transaction = Transaction {
        device: 0,
        period: std::time::Duration::from_secs(1),
        phase: std::time::Duration::ZERO,
        ask: Ask::Snmp { oids: Vec::new() },
        points: Span { first: 0, count: 5 },
    };
    let compared = vec![Compared { point: 5, subject, with }];
    Plan { points, engine, transactions: vec![transaction], compared, ..Plan::default() }
}

/// What is made of these readings; `None` is a failed sensor.
fn made(with: Comparison, subject: Option<u32>, values: [Option<i64>; 5]) -> (i64, Status) {
    let plan = plan(with, subject);
    let (mut points, mut alarms, mut windows) =
        (vec![PointState::default(); 6], Vec::<AlarmState>::new(), Vec::<Window>::new());
    let mut engine = Engine::new(plan.engine.tables(), &mut points, &mut alarms, &mut windows).expect("fits");
    for (point, value) in (0..).zip(values) {
        let status = if value.is_some() { Status::GOOD } else { Status::BAD_SENSOR_FAILURE };
        engine.put(Millis(7), point, value.unwrap_or(0), status, Millis(7), &mut |_| {});
    }
    let mut comparer = Comparer::new(&plan);
    assert_eq!(comparer.hanging_on(0), 1);
    let made = comparer.make(&plan, 0, 0, &engine).expect("made");
    assert_eq!((made.point, made.at), (5, Millis(7)));
    (made.value, made.status)
}

#[test]
fn differences() {
    let values = [Some(100), Some(90), Some(95), None, Some(2)];
    assert_eq!(made(Comparison::Value(103), Some(0), values), (-3, Status::GOOD));
    assert_eq!(made(Comparison::Point { point: 4, times: 45.0 }, Some(0), values), (10, Status::GOOD));
    assert_eq!(made(Comparison::Point { point: 3, times: 1.0 }, Some(0), values).1, Status::BAD_SENSOR_FAILURE);
    assert_eq!(made(Comparison::Value(0), Some(3), values).1, Status::BAD_SENSOR_FAILURE);
}

#[test]
fn medians_leave_out_what_is_not_believed() {
    let peers = || Comparison::Median(vec![1, 2, 3, 4]);
    let of = |values| made(peers(), Some(0), values);
    assert_eq!(of([Some(100), Some(90), Some(94), Some(80), Some(99)]), (8, Status::GOOD), "between 90 and 94");
    assert_eq!(of([Some(100), Some(90), None, Some(80), Some(99)]), (10, Status::GOOD), "the middle of three");
    assert!(of([Some(100), Some(90), None, None, None]).1.is_bad(), "one peer is no group");
    assert_eq!(of([Some(i64::MAX), Some(i64::MIN), Some(i64::MIN), None, None]), (i64::MAX, Status::GOOD));
}

#[test]
fn counts_say_only_what_is_decided() {
    let of = |needed, values| {
        made(Comparison::Count { members: vec![0, 1, 2, 3, 4], test: Test::Above(10), needed }, None, values)
    };
    let two_dead = [Some(50), Some(50), Some(50), Some(0), Some(3)];
    assert_eq!(of(4, two_dead), (3, Status::GOOD));
    let unknown = [Some(50), Some(50), Some(50), None, Some(3)];
    assert_eq!(of(3, unknown), (3, Status::UNCERTAIN_SUB_NORMAL), "enough whatever the fourth does");
    assert_eq!(of(5, unknown), (4, Status::UNCERTAIN_SUB_NORMAL), "too few whatever it does");
    assert_eq!(of(4, unknown).1, Status::BAD_SENSOR_FAILURE, "it decides");
}
