//! What people do with an alarm: shelf, suppression, out of service, acknowledgement; and what is refused.

use super::*;

#[test]
fn the_process_goes_on_underneath_a_shelf() {
    let mut plant = Plant::new(&[AlarmSpec { on_delay_ms: 0, ..HIGH }]);
    let mut engine = plant.engine();
    let shelved = operate(&mut engine, 0, Operation::Shelve { for_ms: 60_000 }).expect("allowed from normal");
    assert_eq!(
        (shelved[0].from, shelved[0].to, shelved[0].annunciate),
        (ShownState::Normal, ShownState::Shelved, false)
    );
    let raised = read(&mut engine, 1, 310);
    assert_eq!((raised[0].from, raised[0].to), (ShownState::Shelved, ShownState::Shelved));
    assert_eq!((raised[0].process_to, raised[0].annunciate, raised[0].occurrence), (Process::Unacknowledged, false, 1));
    assert_eq!(raised[0].hidden, Hidden { shelved: true, ..Hidden::default() });
    assert_eq!(operate(&mut engine, 2, Operation::Acknowledge), Err(Refusal::Hidden));
    let ended = operate(&mut engine, 3, Operation::Unshelve).expect("it is shelved");
    assert_eq!(
        (ended[0].cause, ended[0].to, ended[0].annunciate),
        (Cause::Unshelved, ShownState::Unacknowledged, true)
    );
    assert_eq!((ended[0].raised_at, ended[0].occurrence), (Some(Millis(1000)), 1), "the same life, told again");
}

#[test]
fn an_acknowledged_alarm_asks_again_after_its_shelf() {
    let mut plant = Plant::new(&[AlarmSpec { on_delay_ms: 0, ..HIGH }]);
    let mut engine = plant.engine();
    read(&mut engine, 0, 310);
    operate(&mut engine, 1, Operation::Acknowledge).expect("active");
    operate(&mut engine, 2, Operation::Shelve { for_ms: 5000 }).expect("C may be shelved");
    let ended = poll(&mut engine, 60);
    assert_eq!((ended[0].cause, ended[0].at), (Cause::ShelfEnded, Millis(7000)));
    assert_eq!((ended[0].to, ended[0].annunciate), (ShownState::Unacknowledged, true));
}

#[test]
fn released_while_cleared_is_normal_even_if_it_was_latched() {
    let mut plant = Plant::new(&[AlarmSpec { on_delay_ms: 0, latching: true, ..HIGH }]);
    let mut engine = plant.engine();
    read(&mut engine, 0, 310);
    operate(&mut engine, 0, Operation::Suppress { rule: 7, for_ms: 60_000 }).expect("allowed");
    assert_eq!(read(&mut engine, 1, 280)[0].process_to, Process::LatchedUnacknowledged);
    let ended = operate(&mut engine, 2, Operation::Release { rule: 7 }).expect("held by it");
    assert_eq!((ended[0].cause, ended[0].to), (Cause::Released { rule: 7 }, ShownState::Normal));
}

#[test]
fn a_one_shot_ends_with_the_return_to_normal_or_its_time() {
    let spec = AlarmSpec { on_delay_ms: 0, max_shelf_ms: 60_000, ..HIGH };
    let mut plant = Plant::new(&[spec]);
    let mut engine = plant.engine();
    read(&mut engine, 0, 310);
    operate(&mut engine, 1, Operation::ShelveOneShot).expect("active");
    let causes: Vec<Cause> = read(&mut engine, 5, 280).iter().map(|told| told.cause).collect();
    assert_eq!(causes, [Cause::Cleared, Cause::ShelfEnded]);
    assert_eq!(shown(&engine), ShownState::Normal);
    read(&mut engine, 6, 310);
    operate(&mut engine, 7, Operation::ShelveOneShot).expect("active");
    let ended = poll(&mut engine, 67);
    assert_eq!((ended[0].at, ended[0].to), (Millis(67_000), ShownState::Unacknowledged));
}

#[test]
fn the_last_release_counts() {
    let mut plant = Plant::new(&[AlarmSpec { on_delay_ms: 0, ..HIGH }]);
    let mut engine = plant.engine();
    read(&mut engine, 0, 310);
    operate(&mut engine, 1, Operation::Shelve { for_ms: 10_000 }).expect("allowed");
    operate(&mut engine, 2, Operation::Suppress { rule: 1, for_ms: 5000 }).expect("may come over a shelf");
    operate(&mut engine, 3, Operation::RemoveFromService).expect("may come over both");
    assert_eq!(shown(&engine), ShownState::OutOfService);
    let ended: Vec<(Cause, u64, bool)> =
        poll(&mut engine, 20).iter().map(|told| (told.cause, told.at.0, told.annunciate)).collect();
    assert_eq!(ended, [(Cause::SuppressionEnded, 7000, false), (Cause::ShelfEnded, 11_000, false)]);
    let back = operate(&mut engine, 30, Operation::ReturnToService).expect("it was removed");
    assert_eq!((back[0].to, back[0].annunciate), (ShownState::Unacknowledged, true));
}

#[test]
fn refusals_change_nothing() {
    let mut plant = Plant::new(&[AlarmSpec { max_shelf_ms: 1000, ..HIGH }]);
    let mut engine = plant.engine();
    let cases = [
        (Operation::Acknowledge, Refusal::NothingToAcknowledge),
        (Operation::Reset, Refusal::NotLatched),
        (Operation::ReAlarm, Refusal::NothingToRealarm),
        (Operation::Shelve { for_ms: 1001 }, Refusal::TooLong { max_ms: 1000 }),
        (Operation::Shelve { for_ms: 0 }, Refusal::NoDuration),
        (Operation::Unshelve, Refusal::NotHidden),
        (Operation::Suppress { rule: 0, for_ms: 0 }, Refusal::NoDuration),
        (Operation::Release { rule: 0 }, Refusal::NotHidden),
        (Operation::ReturnToService, Refusal::NotHidden),
    ];
    for (operation, refusal) in cases {
        assert_eq!(operate(&mut engine, 0, operation), Err(refusal));
        assert_eq!(shown(&engine), ShownState::Normal);
    }
    assert_eq!(engine.operate(Millis(0), 1, Operation::Reset, &mut |_| ()), Err(Refusal::NoSuchAlarm));
    assert_eq!(engine.poll_at(), None);
}
