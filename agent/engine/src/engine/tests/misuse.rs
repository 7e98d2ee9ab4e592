//! Tables that do not fit, points that are not there, time that goes back: told or ignored, never a panic.

use super::*;

#[test]
fn tables_and_state_must_fit() {
    let plant = Plant::new(&[HIGH]);
    let (mut points, mut alarms, mut windows) = ([PointState::default()], [AlarmState::default()], [Window::default()]);
    let short = Engine::new(plant.tables(), &mut [], &mut alarms, &mut []).expect_err("no point state");
    assert_eq!(short, SetupError::Points { points: 1, states: 0 });
    let short = Engine::new(plant.tables(), &mut points, &mut [], &mut []).expect_err("no alarm state");
    assert_eq!(short, SetupError::Alarms { alarms: 1, states: 0 });
    let long = Engine::new(plant.tables(), &mut points, &mut alarms, &mut windows).expect_err("no such window");
    assert_eq!(long, SetupError::Windows { windows: 0, states: 1 });

    let mut astray = Plant::new(&[HIGH]);
    astray.points[0].window = Some(0);
    let error = Engine::new(astray.tables(), &mut points, &mut alarms, &mut []).expect_err("no such window");
    assert_eq!(error, SetupError::Point { point: 0 });
    let mut astray = Plant::new(&[HIGH]);
    astray.points[0].alarms = Span { first: 1, count: u32::MAX };
    let error = Engine::new(astray.tables(), &mut points, &mut alarms, &mut []).expect_err("no such alarms");
    assert_eq!(error, SetupError::Point { point: 0 });
    let mut astray = Plant::new(&[HIGH]);
    astray.points[0].alarms.count = 0;
    let error = Engine::new(astray.tables(), &mut points, &mut alarms, &mut []).expect_err("nobody lists it");
    assert_eq!(error, SetupError::Alarm { alarm: 0 });
}

#[test]
fn points_that_are_not_there_are_ignored() {
    let mut plant = Plant::new(&[HIGH]);
    let mut engine = plant.engine();
    assert_eq!(told(|mut out| engine.read(Millis(0), 9, &word(1), Millis(0), &mut out)), []);
    assert_eq!(engine.reading(9).status, Status::BAD_WAITING);
    assert!(engine.slope(9).is_none() && engine.alarm(9).is_none() && engine.save(9).is_none());
}

#[test]
fn time_may_go_back_or_to_its_end() {
    let mut plant = Plant::new(&[HIGH]);
    let mut engine = plant.engine();
    for at in [u64::MAX, 5000, 0, u64::MAX - 1, 7] {
        engine.read(Millis(at), 0, &word(310), Millis(at), &mut |_| ());
        engine.poll(Millis(at), &mut |_| ());
    }
    engine.read(Millis(5), 0, &word(310), Millis(50_000), &mut |_| ());
    assert_eq!(engine.reading(0).at, Millis(5), "no reading is taken later than now");
}
