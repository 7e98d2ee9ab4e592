//! Conditions other than a limit: rate of change, states, frozen, and a condition of use.

use super::*;

#[test]
fn a_rise_is_judged_by_its_slope_and_held_by_its_deadband() {
    let rise = AlarmSpec { condition: Condition::Rise { per_min: 60, deadband: 30 }, on_delay_ms: 0, ..HIGH };
    let mut plant = Plant::new(&[rise]).with_window(4000);
    let mut engine = plant.engine();
    for (second, tenths) in [(0, 200), (1, 202), (2, 204), (3, 206)] {
        let expected = usize::from(second == 2);
        assert_eq!(read(&mut engine, second, tenths).len(), expected, "{second}");
    }
    assert_eq!(engine.slope(0).expect("enough").cmp_per_min(120), core::cmp::Ordering::Equal);
    fault(&mut engine, 4, Status::BAD_COMMUNICATION_ERROR);
    assert_eq!(engine.slope(0), None, "no rate of what is not known");
    for (second, tenths) in [(5, 207), (6, 208), (7, 208), (8, 209)] {
        assert_eq!(read(&mut engine, second, tenths), [], "{second}: between limit and deadband");
    }
    let cleared: Vec<Cause> =
        (9..14).flat_map(|second| read(&mut engine, second, 209)).map(|told| told.cause).collect();
    assert_eq!(cleared, [Cause::Cleared]);
}

#[test]
fn a_fall_is_a_rise_the_other_way() {
    let fall = AlarmSpec { condition: Condition::Fall { per_min: 60, deadband: 0 }, on_delay_ms: 0, ..HIGH };
    let mut plant = Plant::new(&[fall]).with_window(4000);
    let mut engine = plant.engine();
    let told: Vec<Transition> = [(0, 200), (1, 198), (2, 196)]
        .into_iter()
        .flat_map(|(second, tenths)| read(&mut engine, second, tenths))
        .collect();
    assert_eq!(told.len(), 1);
    assert!(told[0].slope.expect("it was raised by it").per_second() < -1.9);
}

#[test]
fn a_source_that_counts_anew_is_no_fall() {
    let fall = AlarmSpec { condition: Condition::Fall { per_min: 60, deadband: 0 }, on_delay_ms: 0, ..HIGH };
    let told = |rebased: bool| {
        let mut plant = Plant::new(&[fall]).with_window(4000);
        let mut engine = plant.engine();
        let mut told = Vec::new();
        for (second, tenths) in [(0, 900), (1, 901), (2, 902), (3, 0), (4, 1), (5, 2)] {
            if rebased && second == 3 {
                engine.rebase(0);
            }
            told.extend(read(&mut engine, second, tenths));
        }
        told.len()
    };
    assert_eq!((told(false) > 0, told(true)), (true, 0));
}

#[test]
fn a_state_is_put_without_decoding() {
    let state = AlarmSpec { condition: Condition::State { states: 0b1100 }, on_delay_ms: 0, ..HIGH };
    let mut plant = Plant::new(&[state]);
    let mut engine = plant.engine();
    let mut put = |value, status| told(|mut out| engine.put(Millis(0), 0, value, status, Millis(0), &mut out)).len();
    assert_eq!(put(1, Status::GOOD), 0);
    assert_eq!(put(2, Status::BAD), 0);
    assert_eq!(put(2, Status::UNCERTAIN), 1);
    assert_eq!(put(3, Status::GOOD), 0);
}

/// A fan that must turn while it is commanded to: point 0 its speed with one alarm, point 1 the command.
fn fan(condition: Condition, test: Test) -> Plant {
    let mut plant =
        Plant::new(&[AlarmSpec { condition, on_delay_ms: 1000, off_delay_ms: 0, only_while: Some(0), ..HIGH }]);
    let command =
        PointSpec { alarms: Span { first: 1, count: 0 }, uses: Span { first: 0, count: 1 }, ..PointSpec::default() };
    plant.points.truncate(1);
    plant.points[0].max_age_ms = 0;
    plant.point_states.truncate(1);
    plant.points.push(PointSpec { max_age_ms: 70_000, ..command });
    plant.point_states.push(PointState::default());
    plant.uses = vec![UseSpec { point: 1, test, alarms: Span { first: 0, count: 1 } }];
    plant.use_alarms = vec![0];
    plant
}

#[test]
fn an_alarm_counts_only_while_it_is_in_use() {
    let mut plant = fan(Condition::Low { limit: 300, deadband: 0 }, Test::Above(10));
    let mut engine = plant.engine();
    let mut put = |now: u64, point: u32, value: i64| {
        told(|out| {
            engine.poll(Millis(now), &mut |e| out(e));
            engine.put(Millis(now), point, value, Status::GOOD, Millis(now), &mut |e| out(e));
        })
    };
    // Stopped as commanded: nothing is wrong, however long.
    assert!(put(0, 1, 0).is_empty() && put(0, 0, 0).is_empty() && put(60_000, 0, 0).is_empty());
    // Commanded to turn: the delay runs from the command, not from the last reading of the speed.
    assert!(put(61_000, 1, 50).is_empty());
    let raised = put(62_000, 1, 51);
    assert_eq!((raised.len(), raised[0].cause, raised[0].true_since), (1, Cause::Raised, Some(Millis(61_000))));
    // No longer commanded: it clears though the fan still stands.
    let cleared = put(63_000, 1, 10);
    assert_eq!((cleared.len(), cleared[0].cause), (1, Cause::Cleared));
    assert!(put(64_000, 0, 0).is_empty() && put(130_000, 0, 0).is_empty());
    // A command that is not known is no excuse: it goes out of date and the alarm counts again.
    let late = told(|out| engine.poll(Millis(134_500), &mut |e| out(e)));
    assert_eq!((late.len(), late[0].cause, late[0].true_since), (1, Cause::Raised, Some(Millis(133_000))));
}

#[test]
fn a_state_that_tests_another_point_is_not_passed_over_in_silence() {
    let mut plant = fan(Condition::State { states: 1 << 1 }, Test::States(1 << 2));
    let mut engine = plant.engine();
    let mut put = |now: u64, point: u32, value: i64| {
        told(|out| engine.put(Millis(now), point, value, Status::GOOD, Millis(now), &mut |e| out(e)))
    };
    for now in [0, 1000, 2000] {
        assert!(put(now, 1, 0).is_empty() && put(now, 0, 1).is_empty());
    }
    assert!(put(3000, 1, 2).is_empty());
    assert_eq!(put(4000, 0, 1).len(), 1, "the same value, but it counts now");
}

#[test]
fn a_reading_that_never_changes_is_frozen_until_it_moves() {
    let spec = AlarmSpec { condition: Condition::Frozen, on_delay_ms: 3000, off_delay_ms: 0, ..HIGH };
    let mut plant = Plant::new(&[spec]);
    let mut engine = plant.engine();
    let mut put = |now: u64, value: i64| {
        told(|out| engine.put(Millis(now), 0, value, Status::GOOD, Millis(now), &mut |e| out(e)))
    };
    for (now, value) in [(0, 200), (1000, 200), (2000, 200), (3000, 201), (4000, 201), (5000, 201), (6000, 201)] {
        assert!(put(now, value).is_empty(), "{now}");
    }
    let raised = put(7000, 201);
    assert_eq!((raised.len(), raised[0].true_since), (1, Some(Millis(4000))));
    assert!(put(8000, 201).is_empty());
    assert_eq!(put(9000, 202)[0].cause, Cause::Cleared);
}
