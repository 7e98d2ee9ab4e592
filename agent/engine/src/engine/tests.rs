//! The engine as a whole: published sequences, what hides and releases, restarts, ages, order of time; and random
//! sequences against a plain model.

extern crate alloc;

use alloc::vec;
use alloc::vec::Vec;

use lapwing_protocol::{Decimal, Priority, ShownState};

use super::*;
use crate::alarm::hide::Hidden;
use crate::alarm::life::SavedShelf;
use crate::alarm::process::Process;
use crate::effect::Transition;
use crate::signal::validity::PointState;
use crate::spec::{AlarmSpec, Condition, Decode, Layout, Test, UseSpec, WindowSpec};

mod random;

/// A small plan with its state.
pub(super) struct Plant {
    points: Vec<PointSpec>,
    alarms: Vec<AlarmSpec>,
    windows: Vec<WindowSpec>,
    absent: Vec<u64>,
    uses: Vec<UseSpec>,
    use_alarms: Vec<u32>,
    point_states: Vec<PointState>,
    alarm_states: Vec<AlarmState>,
    window_states: Vec<Window>,
}

pub(super) const HIGH: AlarmSpec = AlarmSpec {
    point: 0,
    condition: Condition::High { limit: 300, deadband: 10 },
    on_delay_ms: 3000,
    off_delay_ms: 0,
    latching: false,
    priority: Priority::High,
    max_shelf_ms: 3_600_000,
    only_while: None,
};

impl Plant {
    /// Alarms sorted by point; every point takes i16 tenths between −1000 and 1000.
    pub(super) fn new(alarms: &[AlarmSpec]) -> Self {
        let count = alarms.iter().map(|alarm| alarm.point + 1).max().unwrap_or(1);
        let points = (0..count).map(|point| {
            let first = alarms.iter().position(|alarm| alarm.point >= point).unwrap_or(alarms.len());
            let own = alarms.iter().filter(|alarm| alarm.point == point).count();
            PointSpec {
                decode: Decode { layout: Layout::I16, scale: Decimal::new(1, -1), ..Decode::default() },
                exponent: -1,
                valid: Some((-1000, 1000)),
                max_age_ms: 10_000,
                alarms: Span { first: number(first), count: number(own) },
                ..PointSpec::default()
            }
        });
        let points: Vec<PointSpec> = points.collect();
        Self {
            point_states: vec![PointState::default(); points.len()],
            alarm_states: vec![AlarmState::default(); alarms.len()],
            window_states: Vec::new(),
            points,
            alarms: alarms.to_vec(),
            windows: Vec::new(),
            absent: vec![0x8000],
            uses: Vec::new(),
            use_alarms: Vec::new(),
        }
    }

    fn with_window(mut self, over_ms: u32) -> Self {
        self.points[0].window = Some(0);
        self.windows = vec![WindowSpec { over_ms, spacing_ms: 1000 }];
        self.window_states = vec![Window::default()];
        self
    }

    pub(super) fn tables(&self) -> Tables<'_> {
        Tables {
            points: &self.points,
            alarms: &self.alarms,
            windows: &self.windows,
            absent: &self.absent,
            uses: &self.uses,
            use_alarms: &self.use_alarms,
        }
    }

    pub(super) fn engine(&mut self) -> Engine<'_> {
        let tables = Tables {
            points: &self.points,
            alarms: &self.alarms,
            windows: &self.windows,
            absent: &self.absent,
            uses: &self.uses,
            use_alarms: &self.use_alarms,
        };
        Engine::new(tables, &mut self.point_states, &mut self.alarm_states, &mut self.window_states)
            .expect("the plant fits itself")
    }
}

/// Collects the transitions of a call.
pub(super) fn told(mut call: impl FnMut(&mut dyn FnMut(Effect))) -> Vec<Transition> {
    let mut transitions = Vec::new();
    call(&mut |effect| match effect {
        Effect::Alarm(transition) => transitions.push(transition),
        Effect::Quality { .. } => {}
    });
    transitions
}

fn word(value: i16) -> Raw {
    let mut words = [0; 8];
    words[0] = value.cast_unsigned();
    Raw::Words { words, len: 1, scale_factor: 0 }
}

/// Reads tenths of a unit at a second.
fn read(engine: &mut Engine<'_>, second: u64, tenths: i16) -> Vec<Transition> {
    let at = Millis(second * 1000);
    told(|mut out| engine.read(at, 0, &word(tenths), at, &mut out))
}

fn fault(engine: &mut Engine<'_>, second: u64, status: Status) -> Vec<Transition> {
    let at = Millis(second * 1000);
    told(|mut out| engine.read(at, 0, &Raw::Fault(status), at, &mut out))
}

fn poll(engine: &mut Engine<'_>, second: u64) -> Vec<Transition> {
    told(|mut out| engine.poll(Millis(second * 1000), &mut out))
}

fn operate(engine: &mut Engine<'_>, second: u64, operation: Operation) -> Result<Vec<Transition>, Refusal> {
    let mut answer = Ok(());
    let transitions = told(|mut out| answer = engine.operate(Millis(second * 1000), 0, operation, &mut out));
    answer.map(|()| transitions)
}

fn shown(engine: &Engine<'_>) -> ShownState {
    engine.alarm(0).expect("there is an alarm").shown()
}

fn raised_at(engine: &Engine<'_>) -> Option<Millis> {
    engine.alarm(0).expect("there is an alarm").raised_at()
}

// ---- published sequences: check rows O078 to O083, convention of the trade beside the state model

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

// ---- bad readings

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

// ---- rate of change and states

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

// ---- what hides and releases

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

// ---- over a restart

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

// ---- misuse

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

/// A fan that must turn while it is commanded to: point 0 its speed with one alarm, point 1 the command.
fn fan(condition: Condition, test: Test) -> Plant {
    let mut plant =
        Plant::new(&[AlarmSpec { condition, on_delay_ms: 1000, off_delay_ms: 0, only_while: Some(0), ..HIGH }]);
    let command =
        PointSpec { alarms: Span { first: 1, count: 0 }, uses: Span { first: 0, count: 1 }, ..PointSpec::default() };
    plant.points.truncate(1);
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
