//! When an alarm is raised and clears: published sequences, delays and polls, occurrences.
//!
//! Check rows O078 to O083: convention of the trade beside the state model of ISA-18.2.

use super::*;

fn sequence(spec: AlarmSpec, samples: &[(u64, i16)], op: Option<(u64, Operation)>) -> (ShownState, Option<u64>) {
    let mut plant = Plant::new(&[spec]);
    let mut engine = plant.engine();
    let mut op = op;
    for (second, tenths) in samples {
        if let Some((when, operation)) = op
            && when < *second
        {
            operate(&mut engine, when, operation).expect("allowed");
            op = None;
        }
        poll(&mut engine, *second);
        read(&mut engine, *second, *tenths);
    }
    if let Some((when, operation)) = op {
        operate(&mut engine, when, operation).expect("allowed");
    }
    (shown(&engine), raised_at(&engine).map(|at| at.0 / 1000))
}

#[test]
fn published_sequences() {
    let latching = AlarmSpec { latching: true, ..HIGH };
    let ack = |second| Some((second, Operation::Acknowledge));
    let o078 = sequence(HIGH, &[(0, 290), (1, 310), (2, 310), (3, 310), (4, 310)], None);
    assert_eq!(o078, (ShownState::Unacknowledged, Some(4)));
    let o079 = sequence(HIGH, &[(0, 290), (1, 310), (2, 310), (3, 295), (4, 310), (5, 310)], None);
    assert_eq!(o079, (ShownState::Normal, None));
    let o080 = sequence(HIGH, &[(0, 310), (3, 310), (6, 295), (8, 289)], ack(4));
    assert_eq!(o080, (ShownState::Normal, Some(3)));
    let o081 = sequence(HIGH, &[(0, 310), (3, 310), (6, 280)], None);
    assert_eq!(o081, (ShownState::ReturnedUnacknowledged, Some(3)));
    let o082 = sequence(latching, &[(0, 310), (3, 310), (6, 280)], ack(8));
    assert_eq!(o082, (ShownState::LatchedAcknowledged, Some(3)));
    let o083 = sequence(HIGH, &[(0, 310), (3, 310), (9, 310)], Some((4, Operation::Shelve { for_ms: 4000 })));
    assert_eq!(o083, (ShownState::Unacknowledged, Some(3)));
}

#[test]
fn without_polls_the_raise_waits_for_the_next_true_sample() {
    let mut plant = Plant::new(&[HIGH]);
    let mut engine = plant.engine();
    read(&mut engine, 0, 310);
    let raised = read(&mut engine, 5, 310);
    assert_eq!((raised[0].cause, raised[0].at, raised[0].true_since), (Cause::Raised, Millis(5000), Some(Millis(0))));
}

#[test]
fn a_poll_raises_at_the_end_of_the_delay_however_late_it_comes() {
    let mut plant = Plant::new(&[HIGH]);
    let mut engine = plant.engine();
    read(&mut engine, 0, 310);
    assert_eq!(engine.poll_at(), Some(Millis(3000)));
    assert_eq!(poll(&mut engine, 2), []);
    let raised = poll(&mut engine, 9);
    assert_eq!(raised.len(), 1);
    let first = raised[0];
    assert_eq!(
        (first.at, first.raised_at, first.value, first.annunciate),
        (Millis(3000), Some(Millis(3000)), 310, true)
    );
    assert_eq!((first.from, first.to, first.occurrence), (ShownState::Normal, ShownState::Unacknowledged, 1));
    assert_eq!(engine.poll_at(), Some(Millis(10_000)), "only the age is left");
}

#[test]
fn off_delay_must_persist() {
    let mut plant = Plant::new(&[AlarmSpec { on_delay_ms: 0, off_delay_ms: 5000, ..HIGH }]);
    let mut engine = plant.engine();
    assert_eq!(read(&mut engine, 0, 310).len(), 1);
    read(&mut engine, 1, 280);
    read(&mut engine, 4, 295); // inside the deadband: not gone
    read(&mut engine, 5, 280);
    assert_eq!(poll(&mut engine, 9), []);
    let cleared = poll(&mut engine, 10);
    assert_eq!((cleared[0].cause, cleared[0].at, cleared[0].active), (Cause::Cleared, Millis(10_000), false));
    assert_eq!(cleared[0].true_since, Some(Millis(0)), "a clear still tells of its own life");
    assert_eq!(engine.alarm(0).expect("there").true_since(), None);
}

#[test]
fn each_raise_is_a_new_occurrence() {
    let mut plant = Plant::new(&[AlarmSpec { on_delay_ms: 0, ..HIGH }]);
    let mut engine = plant.engine();
    for life in 1..=3_u32 {
        let second = u64::from(life) * 2;
        assert_eq!(read(&mut engine, second, 310)[0].occurrence, life);
        assert_eq!(read(&mut engine, second + 1, 280)[0].occurrence, life);
    }
    assert_eq!(shown(&engine), ShownState::ReturnedUnacknowledged);
}

#[test]
fn a_delay_that_ended_before_the_age_counts_even_when_polled_late() {
    let mut plant = Plant::new(&[AlarmSpec { on_delay_ms: 9000, ..HIGH }]);
    let mut engine = plant.engine();
    read(&mut engine, 0, 310);
    let late = poll(&mut engine, 100);
    assert_eq!((late.len(), late[0].at), (1, Millis(9000)));
    assert_eq!(engine.reading(0).status, Status::BAD_NO_COMMUNICATION);
}

#[test]
fn what_is_due_is_told_in_the_order_of_time() {
    let slow = |on_delay_ms, point| AlarmSpec { on_delay_ms, point, ..HIGH };
    let mut plant = Plant::new(&[slow(5000, 0), slow(1000, 1), slow(3000, 2), slow(1000, 3)]);
    let mut engine = plant.engine();
    for point in 0..4 {
        engine.read(Millis(0), point, &word(310), Millis(0), &mut |_| ());
    }
    let order: Vec<u64> = poll(&mut engine, 60).iter().map(|told| told.at.0).collect();
    assert_eq!(order, [1000, 1000, 3000, 5000]);
}
