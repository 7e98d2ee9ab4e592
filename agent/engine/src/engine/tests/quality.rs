//! Bad and old readings: they neither raise nor clear the process alarm, and have their own.

use super::*;

#[test]
fn bad_neither_clears_nor_raises() {
    let mut plant = Plant::new(&[AlarmSpec { off_delay_ms: 1000, ..HIGH }]);
    let mut engine = plant.engine();
    read(&mut engine, 0, 310);
    fault(&mut engine, 1, Status::BAD_NO_COMMUNICATION);
    assert_eq!(poll(&mut engine, 5), [], "the last sample was not true");
    // The on-delay was left running: the next true sample raises.
    assert_eq!(read(&mut engine, 6, 310).len(), 1);
    read(&mut engine, 7, 280);
    fault(&mut engine, 8, Status::BAD_SENSOR_FAILURE);
    assert_eq!(poll(&mut engine, 20), []);
    assert_eq!(shown(&engine), ShownState::Unacknowledged);
    // "Gone" must be seen to persist: the off-delay begins anew.
    assert_eq!(read(&mut engine, 21, 280), []);
    assert_eq!(poll(&mut engine, 22)[0].cause, Cause::Cleared);
}

#[test]
fn bad_measurement_has_its_own_alarm_and_silence_is_not_it() {
    let own = AlarmSpec { condition: Condition::BadMeasurement, on_delay_ms: 2000, ..HIGH };
    let mut plant = Plant::new(&[own]);
    let mut engine = plant.engine();
    fault(&mut engine, 0, Status::BAD_NO_COMMUNICATION);
    assert_eq!(poll(&mut engine, 5), []);
    let outside = told(|mut out| engine.read(Millis(6000), 0, &word(1001), Millis(6000), &mut out));
    assert_eq!(outside, []);
    let raised = poll(&mut engine, 8);
    assert_eq!((raised[0].cause, raised[0].status), (Cause::Raised, Status::BAD_SENSOR_FAILURE));
    fault(&mut engine, 9, Status::BAD_NO_COMMUNICATION);
    assert_eq!(poll(&mut engine, 30), [], "silence does not repair a sensor");
    assert_eq!(read(&mut engine, 31, 200)[0].cause, Cause::Cleared);
}

#[test]
fn an_absent_pattern_is_a_bad_measurement() {
    let own = AlarmSpec { condition: Condition::BadMeasurement, on_delay_ms: 0, ..HIGH };
    let mut plant = Plant::new(&[own]);
    plant.points[0].decode.absent = Span { first: 0, count: 1 };
    let mut engine = plant.engine();
    assert_eq!(read(&mut engine, 0, i16::MIN)[0].status, Status::BAD_NOT_CONNECTED);
}

#[test]
fn out_of_date_is_told_once_and_keeps_the_alarm() {
    let mut plant = Plant::new(&[AlarmSpec { on_delay_ms: 0, ..HIGH }]);
    let mut engine = plant.engine();
    let mut effects = Vec::new();
    engine.read(Millis(0), 0, &word(310), Millis(0), &mut |effect| effects.push(effect));
    assert_eq!(effects.len(), 2, "quality from waiting to good, and the raise");
    effects.clear();
    assert_eq!(engine.poll_at(), Some(Millis(10_000)));
    engine.poll(Millis(12_000), &mut |effect| effects.push(effect));
    engine.poll(Millis(60_000), &mut |effect| effects.push(effect));
    let expected =
        Effect::Quality { point: 0, from: Status::GOOD, to: Status::BAD_NO_COMMUNICATION, at: Millis(10_000) };
    assert_eq!(effects, [expected]);
    assert_eq!(shown(&engine), ShownState::Unacknowledged);
    let reading = engine.reading(0);
    assert_eq!((reading.status, reading.last_good), (Status::BAD_NO_COMMUNICATION, Some((310, Millis(0)))));
    assert_eq!(engine.poll_at(), None);
}
