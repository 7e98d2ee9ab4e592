//! Rounds, quality, believed inputs, order and rest of derived points, over a plan of four transactions.

use std::time::Duration;

use lapwing_engine::spec::{AlarmSpec, Millis, PointSpec, Raw, Span};
use lapwing_engine::{AlarmState, Engine, PointState, Window};
use lapwing_protocol::Status;

use super::super::judge::Judge;
use super::Derivation;
use crate::plan::{Ask, Constant, Derived, EngineTables, Input, Plan, Point, Table, Transaction};

/// Points 0 and 1 come in transaction 0, 2 in 1, 3 in 2 (each second); 4 in 3 (each ten seconds).
fn plan(derived: Vec<Derived>) -> Plan {
    let spans = [(0, 2, 1), (2, 1, 1), (3, 1, 1), (4, 1, 10)];
    let transaction = |(first, count, period): (u32, u32, u64)| Transaction {
        device: 0,
        period: Duration::from_secs(period),
        phase: Duration::ZERO,
        ask: Ask::Modbus { table: Table::Holding, start: 0, count: 1, slices: Vec::new() },
        points: Span { first, count },
    };
    let points = 5 + derived.len();
    Plan {
        transactions: spans.into_iter().map(transaction).collect(),
        points: (0..points).map(|point| Point { path: format!("point/{point}"), ..Point::default() }).collect(),
        engine: EngineTables { points: vec![PointSpec::default(); points], ..EngineTables::default() },
        derived,
        ..Plan::default()
    }
}

fn derived(point: u32, compute: &str, from: &[(&str, u32)]) -> Derived {
    let input = |(argument, point): &(&str, u32)| Input {
        argument: (*argument).into(),
        in_list: true,
        point: *point,
        factor: 1.0,
        offset: 0.0,
    };
    Derived {
        point,
        compute: compute.into(),
        from: from.iter().map(input).collect(),
        with: Vec::new(),
        every: Duration::ZERO,
    }
}

/// Sums of points, by a function that takes every movement as it comes.
fn sum(point: u32, of: &[u32]) -> Derived {
    let from: Vec<(&str, u32)> = of.iter().map(|point| ("kw", *point)).collect();
    derived(point, "capacity_together_kw", &from)
}

/// The same, by one that waits out a step within a round.
fn settled_sum(point: u32, of: &[u32]) -> Derived {
    Derived { compute: "sum_kw".into(), ..sum(point, of) }
}

struct State {
    points: Vec<PointState>,
    alarms: Vec<AlarmState>,
    windows: Vec<Window>,
}

impl State {
    fn of(plan: &Plan) -> Self {
        let _none: &[AlarmSpec] = &plan.engine.alarms;
        Self { points: vec![PointState::default(); plan.points.len()], alarms: Vec::new(), windows: Vec::new() }
    }

    fn judge<'a>(&'a mut self, plan: &'a Plan) -> Judge<'a> {
        let engine =
            Engine::new(plan.engine.tables(), &mut self.points, &mut self.alarms, &mut self.windows).expect("fits");
        Judge::new(plan, engine)
    }
}

/// A transaction with numbers; what was read or derived by it.
fn comes(judge: &mut Judge<'_>, at: u64, transaction: u32, numbers: &[i64]) -> Vec<u32> {
    let raws: Vec<Raw> = numbers.iter().map(|number| Raw::Whole(*number)).collect();
    judge.batch(Millis(at), Millis(at), transaction, &raws);
    judge.read().iter().map(|taken| taken.point).collect()
}

#[test]
fn a_point_of_several_transactions_never_mixes_rounds() {
    let plan = plan(vec![sum(5, &[0, 2])]);
    let mut state = State::of(&plan);
    let mut judge = state.judge(&plan);
    assert_eq!(comes(&mut judge, 1000, 0, &[70, 0]), [0, 1], "the other has not come");
    assert_eq!(comes(&mut judge, 1400, 1, &[72]), [2, 5]);
    assert_eq!((judge.reading(5).value, judge.reading(5).at), (142, Millis(1000)), "time of the oldest");
    // Side A dies: the sum never shows its zero beside the other's old value.
    assert_eq!(comes(&mut judge, 2000, 0, &[0, 0]), [0, 1]);
    assert_eq!(judge.reading(5).value, 142);
    assert_eq!(comes(&mut judge, 2400, 1, &[142]), [2, 5]);
    assert_eq!(judge.reading(5).value, 142);
}

#[test]
fn a_step_within_a_round_is_waited_out() {
    let plan = plan(vec![settled_sum(5, &[0, 2])]);
    let mut state = State::of(&plan);
    let mut judge = state.judge(&plan);
    let mut round = |second: u64, a: i64, b: i64| {
        comes(&mut judge, second * 1000, 0, &[a, 0]);
        comes(&mut judge, second * 1000 + 400, 1, &[b]);
        (judge.reading(5).value, judge.reading(5).status)
    };
    assert_eq!(round(1, 70, 72), (142, Status::GOOD), "the first stands for itself");
    assert_eq!(round(2, 71, 72), (143, Status::GOOD), "a drift");
    // The side of the first meter is lost between the two: its old load is counted with the new one of the other.
    assert_eq!(round(3, 71, 143), (143, Status::UNCERTAIN_LAST_USABLE));
    assert_eq!(round(4, 0, 143), (143, Status::UNCERTAIN_LAST_USABLE));
    assert_eq!(round(5, 0, 143), (143, Status::GOOD));
    // It comes back the other way round: neither shows the load that has moved.
    assert_eq!(round(6, 0, 72), (143, Status::UNCERTAIN_LAST_USABLE));
    assert_eq!(round(7, 71, 72), (143, Status::UNCERTAIN_LAST_USABLE));
    assert_eq!(round(8, 71, 72), (143, Status::GOOD));
    // A load that never stands still is told after three rounds, as uncertain.
    for (second, value) in [(9, 143), (10, 143), (11, 143), (12, 400), (13, 500)] {
        let a = i64::try_from(second - 8).expect("small") * 100;
        assert_eq!(round(second, a, 0).0, value, "{second}");
    }
    assert_eq!(round(14, 500, 0), (500, Status::GOOD));
    // Without an input there is no value before it that could stand.
    comes(&mut judge, 15_000, 0, &[500, 0]);
    judge.batch(Millis(15_400), Millis(15_400), 1, &[Raw::Fault(Status::BAD_NO_COMMUNICATION)]);
    assert!(judge.reading(5).status.is_bad());
    comes(&mut judge, 16_000, 0, &[10, 0]);
    comes(&mut judge, 16_400, 1, &[20]);
    assert_eq!((judge.reading(5).value, judge.reading(5).status), (30, Status::GOOD));
}

#[test]
fn what_is_remembered_belongs_to_its_inputs() {
    let energy = |of: u32| Derived {
        with: vec![("it_metered_at".into(), Constant::Word("ups_output".into()))],
        ..derived(5, "ppue_period", &[("it_kw", of), ("other_kw", 2)])
    };
    let (plan_before, other_inputs) = (plan(vec![energy(0)]), plan(vec![energy(1)]));
    let mut points = State::of(&plan_before);
    let mut judge = points.judge(&plan_before);
    assert_eq!(judge.remembered().count(), 0, "nothing was computed yet");
    for second in 1..=11 {
        comes(&mut judge, second * 1000, 0, &[360, 0]);
        comes(&mut judge, second * 1000 + 100, 1, &[36]);
    }
    let remembered: Vec<_> = judge.remembered().collect();
    assert_eq!(remembered.len(), 1);
    let kwh = |numbers: &[f64]| numbers.iter().map(|number| (number * 1e6).round()).collect::<Vec<f64>>();
    assert_eq!(kwh(&remembered[0].numbers), [1e6, 1e5, 1e10, 0.0]);
    // A plan that is taken up goes on with it where the point is the same, and begins anew where it is not.
    let (mut same, mut other) = (Derivation::new(&plan_before), Derivation::new(&plan_before));
    other.take_over(&mut Derivation::new(&plan_before), &[None]);
    assert_eq!(other.remembered(&plan_before).count(), 0);
    same.take_over(&mut judge.end().derivation, &[Some(0)]);
    assert_eq!(same.remembered(&plan_before).collect::<Vec<_>>(), remembered);
    let mut points = State::of(&plan_before);
    let mut after = points.judge(&plan_before);
    assert!(after.recall(remembered[0].clone(), Some(30_000)));
    comes(&mut after, 1000, 0, &[0, 0]);
    comes(&mut after, 1100, 1, &[0]);
    let again: Vec<_> = after.remembered().collect();
    assert_eq!(kwh(&again[0].numbers), [1e6, 1e5, 1e10, 3e10]);
    let mut points = State::of(&other_inputs);
    let mut changed = points.judge(&other_inputs);
    assert!(!changed.recall(remembered[0].clone(), Some(0)), "other inputs begin anew");
}

#[test]
fn a_silent_transaction_holds_up_nobody() {
    let plan = plan(vec![sum(5, &[0, 2])]);
    let mut state = State::of(&plan);
    let mut judge = state.judge(&plan);
    comes(&mut judge, 1000, 0, &[1, 0]);
    comes(&mut judge, 1400, 1, &[2]);
    for (second, read) in [(2, 2), (3, 3), (4, 3), (5, 3)] {
        let now = second * 1000;
        assert_eq!(comes(&mut judge, now, 0, &[10, 0]).len(), read, "second {second}");
    }
    assert_eq!(judge.reading(5).value, 12);
    // Once it speaks again the rounds are whole again.
    assert_eq!(comes(&mut judge, 5400, 1, &[3]), [2, 5]);
    assert_eq!(comes(&mut judge, 6000, 0, &[20, 0]), [0, 1]);
    assert_eq!(comes(&mut judge, 6400, 1, &[4]), [2, 5]);
    assert_eq!(judge.reading(5).value, 24);
}

#[test]
fn what_comes_seldom_is_taken_as_it_stands() {
    let plan = plan(vec![sum(5, &[2, 4])]);
    let mut state = State::of(&plan);
    let mut judge = state.judge(&plan);
    assert_eq!(comes(&mut judge, 500, 3, &[100]), [4], "the seldom one makes no round");
    for second in 1..=5 {
        let two = i64::try_from(second).expect("small");
        assert_eq!(comes(&mut judge, second * 1000, 1, &[two]), [2, 5]);
        assert_eq!((judge.reading(5).value, judge.reading(5).at), (100 + two, Millis(500)));
    }
}

#[test]
fn derived_points_of_derived_points_come_in_order() {
    let plan = plan(vec![sum(5, &[0, 2]), sum(6, &[5, 3]), sum(7, &[0, 1])]);
    let mut state = State::of(&plan);
    let mut judge = state.judge(&plan);
    assert_eq!(comes(&mut judge, 1000, 0, &[1, 2]), [0, 1, 7], "both inputs of one transaction");
    assert_eq!(comes(&mut judge, 1100, 2, &[4]), [3]);
    assert_eq!(comes(&mut judge, 1200, 1, &[8]), [2, 5, 6]);
    assert_eq!([5, 6, 7].map(|point| judge.reading(point).value), [9, 13, 3]);
}

#[test]
fn a_point_rests_as_long_as_it_is_told() {
    let plan = plan(vec![Derived { every: Duration::from_secs(3), ..sum(5, &[2]) }]);
    let mut state = State::of(&plan);
    let mut judge = state.judge(&plan);
    let computed: Vec<u64> =
        (1..=9).filter(|second| comes(&mut judge, second * 1000 - second % 2 * 30, 1, &[1]).len() == 2).collect();
    assert_eq!(computed, [1, 4, 7]);
}

#[test]
fn quality_is_the_worst_and_believed_inputs_only_count_where_a_function_says_so() {
    let hottest = [("t_c", 0), ("t_c", 2), ("t_c", 3)];
    let plan = plan(vec![derived(5, "hottest_c", &hottest), sum(6, &[0, 2, 3])]);
    let mut state = State::of(&plan);
    let mut judge = state.judge(&plan);
    let mut round = |raws: [Raw; 3]| {
        for (transaction, raw) in [0, 1, 2].into_iter().zip(raws) {
            let now = judge.reading(0).at.0.max(1000) + 1000;
            let raws = if transaction == 0 { vec![raw, Raw::Whole(0)] } else { vec![raw] };
            judge.batch(Millis(now), Millis(now), transaction, &raws);
        }
        [5, 6].map(|point| (judge.reading(point).status, judge.reading(point).value))
    };
    let dead = Raw::Fault(Status::BAD_NO_COMMUNICATION);
    let broken = Raw::Fault(Status::BAD_SENSOR_FAILURE);
    let whole = Raw::Whole;
    assert_eq!(round([whole(20), whole(22), whole(21)]), [(Status::GOOD, 22), (Status::GOOD, 63)]);
    let [hottest, all] = round([whole(20), dead, whole(21)]);
    assert_eq!((hottest, all.0), ((Status::UNCERTAIN_SUB_NORMAL, 21), Status::BAD_NO_COMMUNICATION));
    let [hottest, all] = round([dead, broken, dead]);
    assert_eq!((hottest.0, all.0), (Status::BAD_NO_COMMUNICATION, Status::BAD_NO_COMMUNICATION), "none is believed");
    assert_eq!(round([whole(20), whole(22), whole(21)]), [(Status::GOOD, 22), (Status::GOOD, 63)]);
}

#[test]
fn no_number_makes_it_bad_and_doubt_uncertain() {
    let table = Constant::Pairs(vec![(4.0, 22.0), (16.0, 3.0)]);
    let runtime =
        Derived { with: vec![("table_kw_min".into(), table)], ..derived(5, "runtime_const_power_min", &[("kw", 2)]) };
    let plan = plan(vec![runtime]);
    let mut state = State::of(&plan);
    let mut judge = state.judge(&plan);
    for (kw, status, value) in [
        (4, Status::GOOD, 22),
        (-4, Status::BAD_OUT_OF_RANGE, 22),
        (99, Status::UNCERTAIN_UNITS_EXCEEDED, 3),
        (16, Status::GOOD, 3),
    ] {
        comes(&mut judge, 1000, 1, &[kw]);
        assert_eq!((judge.reading(5).status, judge.reading(5).value), (status, value), "{kw} kW");
    }
}

#[test]
fn equal_inputs_have_an_equal_answer_whose_quality_is_theirs_now() {
    let plan = plan(vec![sum(5, &[0, 1])]);
    let mut state = State::of(&plan);
    let mut judge = state.judge(&plan);
    let said = |judge: &mut Judge<'_>, second: u64, numbers: &[i64]| {
        comes(judge, second * 1000, 0, numbers);
        (judge.reading(5).value, judge.reading(5).status, judge.reading(5).at)
    };
    assert_eq!(said(&mut judge, 1, &[70, 2]), (72, Status::GOOD, Millis(1000)));
    assert_eq!(said(&mut judge, 2, &[70, 2]), (72, Status::GOOD, Millis(2000)), "the time goes on");
    judge.batch(Millis(5000), Millis(5000), 0, &[Raw::Whole(70), Raw::Fault(Status::BAD_NO_COMMUNICATION)]);
    assert!(judge.reading(5).status.is_bad());
    assert_eq!(said(&mut judge, 6, &[70, 2]), (72, Status::GOOD, Millis(6000)));
    assert_eq!(said(&mut judge, 7, &[2, 70]), (72, Status::GOOD, Millis(7000)));
    assert_eq!(said(&mut judge, 8, &[2, 71]).0, 73);
}

#[test]
fn what_remembers_is_computed_with_equal_inputs_too() {
    let mut steady = derived(5, "steady_state", &[("t_c", 0)]);
    steady.with = vec![("window_min".into(), Constant::Number(1.0)), ("within_k".into(), Constant::Number(0.5))];
    let plan = plan(vec![steady]);
    let mut state = State::of(&plan);
    let mut judge = state.judge(&plan);
    let steady: Vec<i64> = (0..9)
        .map(|n| {
            comes(&mut judge, 1000 + n * 10_000, 0, &[20, 0]);
            judge.reading(5).value
        })
        .collect();
    assert_eq!((steady.first(), steady.last()), (Some(&0), Some(&1)), "it must have stood for a minute: {steady:?}");
}
