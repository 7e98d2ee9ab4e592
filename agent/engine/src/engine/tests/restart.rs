//! What goes over a restart or to a changed condition.

use super::*;

#[test]
fn a_restart_keeps_the_occurrence_and_the_shelf() {
    let spec = AlarmSpec { on_delay_ms: 0, ..HIGH };
    let mut plant = Plant::new(&[spec]);
    let mut engine = plant.engine();
    read(&mut engine, 100, 310);
    operate(&mut engine, 110, Operation::Shelve { for_ms: 50_000 }).expect("allowed");
    let saved = engine.save(0).expect("there is an alarm");
    // The new clock's 5 s is the old clock's 120 s.
    let moved = saved.moved(Millis(120_000), Millis(5000));
    let mut plant = Plant::new(&[spec]);
    let mut engine = plant.engine();
    engine.restore(Millis(5000), 0, &moved);
    assert_eq!(engine.save(0), Some(moved));
    assert_eq!(read(&mut engine, 6, 310), [], "still the same life");
    assert_eq!(engine.poll_at(), Some(Millis(16_000)), "the age; the shelf ends at 45 s");
    let ended = poll(&mut engine, 45);
    assert_eq!((ended[0].cause, ended[0].at, ended[0].occurrence), (Cause::ShelfEnded, Millis(45_000), 1));
}

#[test]
fn a_restored_shelf_cannot_outlast_what_is_allowed() {
    let mut plant = Plant::new(&[AlarmSpec { max_shelf_ms: 60_000, ..HIGH }]);
    let mut engine = plant.engine();
    let shelf = Some(SavedShelf { until: Millis::NEVER, one_shot: false });
    engine.restore(Millis(1000), 0, &SavedAlarm { shelf, ..SavedAlarm::default() });
    assert_eq!(engine.poll_at(), Some(Millis(61_000)));
    assert_eq!(poll(&mut engine, 61)[0].to, ShownState::Normal);
}

#[test]
fn a_changed_condition_is_judged_anew_in_the_same_occurrence() {
    let saved = SavedAlarm { process: Process::Acknowledged, occurrence: 4, judge_anew: true, ..SavedAlarm::default() };
    for (tenths, after, occurrence) in [(295, ShownState::Normal, 4), (301, ShownState::Acknowledged, 4)] {
        let mut plant = Plant::new(&[HIGH]);
        let mut engine = plant.engine();
        engine.restore(Millis(0), 0, &saved);
        read(&mut engine, 1, tenths);
        assert_eq!((shown(&engine), engine.alarm(0).expect("there").occurrence()), (after, occurrence), "{tenths}");
        // Once it was true under the new condition, the deadband holds again.
        read(&mut engine, 2, 295);
        assert_eq!(shown(&engine), after);
    }
}

#[test]
fn an_engine_that_takes_over_state_goes_on_with_its_timers() {
    let mut plant = Plant::new(&[HIGH]);
    read(&mut plant.engine(), 0, 310);
    let mut engine = plant.engine();
    assert_eq!(engine.poll_at(), Some(Millis(3000)));
    assert_eq!(poll(&mut engine, 3).len(), 1);
}
