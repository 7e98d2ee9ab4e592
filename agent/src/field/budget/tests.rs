//! The arithmetic against hand-made sums.

use super::*;
use crate::field::testing::Sketch;
use crate::plan::{Faster, Parity, Table, Transport};
use lapwing_engine::spec::Span;

const SECOND: Duration = Duration::from_secs(1);

fn line(baud: u32) -> Transport {
    Transport::Serial { path: "/dev/ttyS0".into(), baud, parity: Parity::Even, stop_bits: 1 }
}

/// So many devices with ten registers each, every second, without turnaround: 22.92 ms each at 19200 8E1.
fn devices(baud: u32, count: u8) -> Plan {
    let sketch = (1..=count).fold(Sketch::default().link(line(baud), 100), |sketch, unit| {
        sketch.device(unit).reads_every(Table::Input, 0, 10, SECOND)
    });
    sketch.plan
}

fn budget(plan: &Plan) -> LinkBudget {
    LinkBudget::of(plan, &plan.links[0])
}

fn close(a: f64, b: f64) {
    assert!((a - b).abs() < 0.0005, "{a} is not {b}");
}

#[test]
fn a_line_carries_the_sum_of_its_exchanges() {
    let plan = devices(19_200, 14);
    let budget = budget(&plan);
    close(budget.utilisation, 14.0 * 0.022_917);
    let share = budget.periods[&SECOND];
    assert_eq!((share.transactions, share.points), (14, 140));
    close(share.busy.as_secs_f64(), 14.0 * 0.022_917);
    assert_eq!(budget.wait, share.busy, "all due at once, each goes once");
    assert!(budget.is_feasible() && budget.mend(&plan, &plan.links[0]).is_none());
}

#[test]
fn what_cannot_be_carried_is_told_with_its_mends() {
    let plan = devices(19_200, 57);
    let budget = budget(&plan);
    let (what, mend) = budget.mend(&plan, &plan.links[0]).expect("57 devices take 1.31 s");
    assert_eq!(what, "link `link-0` needs 1.31 s for its 1 s points");
    // 0.506 of a second must go; each device moved frees 0.8 · 22.92 ms.
    assert_eq!(mend, "raise the baud rate to 38400, move 280 points to 5 s, or split the link");
    let mut plan = devices(921_600, 250);
    plan.transactions.iter_mut().for_each(|transaction| transaction.period = SECOND / 2);
    let (_, mend) = LinkBudget::of(&plan, &plan.links[0]).mend(&plan, &plan.links[0]).expect("silences alone");
    assert!(!mend.contains("baud"), "no line is fast enough: {mend}");
}

#[test]
fn a_faster_state_counts() {
    let mut plan = devices(19_200, 10);
    for device in &mut plan.devices {
        device.faster = Some(Faster { point: 0, states: 2, period: Duration::from_millis(200) });
    }
    let budget = budget(&plan);
    close(budget.utilisation_fastest, budget.utilisation * 5.0);
    let (what, _) = budget.mend(&plan, &plan.links[0]).expect("1.15 s a second then");
    assert!(what.contains("1.15 s") && what.contains("scan_period_when"), "{what}");
}

#[test]
fn a_wait_covers_what_comes_again_meanwhile() {
    // 300 registers in three reads of 100, 123.2 ms each, every ten seconds, and one of 1 (12.6 ms) every 100 ms.
    let sketch = Sketch::default().link(line(19_200), 100).device(1);
    let sketch = (0..3).fold(sketch, |s, n| s.reads_every(Table::Holding, n * 100, 100, SECOND * 10));
    let plan = sketch.reads_every(Table::Input, 0, 1, SECOND / 10).plan;
    let cost = costs(&plan, &plan.links[0]);
    let all = cost[0] * 3;
    // 380 ms hold five of the short ones; with them 440 ms.
    let wait = budget(&plan).wait;
    assert_eq!(wait, all + cost[3] * 5, "{cost:?}");
    assert_eq!(wait.as_millis().div_ceil(100), 5);
}

#[test]
fn an_alarm_is_as_late_as_all_its_parts() {
    let mut plan = devices(19_200, 2);
    plan.points = vec![crate::plan::Point::default(); 22];
    plan.points.iter_mut().for_each(|point| point.scan_period = SECOND);
    plan.points[3].response = Some(SECOND * 8);
    plan.points[3].refresh = Some(SECOND * 2);
    plan.points[20].path = "derived".into();
    plan.engine.points = vec![lapwing_engine::spec::PointSpec::default(); 22];
    plan.derived = vec![crate::plan::Derived {
        point: 20,
        compute: String::new(),
        from: [3, 15]
            .map(|point| crate::plan::Input {
                argument: String::new(),
                in_list: false,
                point,
                factor: 1.0,
                offset: 0.0,
            })
            .to_vec(),
        with: Vec::new(),
        every: Duration::ZERO,
    }];
    for (point, condition) in [
        (3, ConditionKind::High),
        (20, ConditionKind::High),
        (21, ConditionKind::State),
        (3, ConditionKind::BadMeasurement),
    ] {
        plan.alarms.push(alarm(point, condition));
        plan.engine.alarms.push(lapwing_engine::spec::AlarmSpec {
            point,
            condition: lapwing_engine::spec::Condition::BadMeasurement,
            on_delay_ms: 5000,
            off_delay_ms: 0,
            latching: false,
            priority: lapwing_protocol::Priority::High,
            max_shelf_ms: 0,
            only_while: None,
        });
    }
    assert_eq!(plan.transactions[0].points, Span { first: 0, count: 10 });
    let late = lateness(&plan);
    let first = late[0].expect("a field point");
    // 8 + 2 + 1 + 0.0458 + 5 + 0.205
    close(first.total().as_secs_f64(), 16.251);
    assert_eq!(first.mend(), "measure it with a faster probe, or watch what changes before it");
    assert_eq!(
        first.spoken(),
        "probe 8 s, refresh 2 s, scan 1 s, line 0.05 s, delay 5 s, judging 0.01 s, disk 0.15 s, send 0.05 s"
    );
    let round = Lateness { scan: SECOND * 2, ..first };
    assert_eq!(late[1], Some(round), "the latest input decides, and its round may be waited for");
    assert_eq!(late[2], None, "the agent's own point");
    close(late[3].expect("a field point").total().as_secs_f64(), 6.251);
    // A sum of loads may be held for three rounds; what is computed from it is as late, and has its own window besides.
    plan.derived[0].compute = "sum_kw".into();
    let held = lateness(&plan)[1].expect("as before");
    assert_eq!(held, Lateness { held: SECOND * 3, ..round });
    assert!(held.spoken().contains("line 0.05 s, held 3 s, delay 5 s"), "{}", held.spoken());
    plan.derived[0].every = SECOND * 5;
    assert_eq!(lateness(&plan)[1].expect("as before").held, SECOND * 15, "rounds of a point that rests are longer");
    plan.derived[0].compute = "earliest_to_limit".into();
    plan.derived[0].with = vec![("over_s".into(), crate::plan::Constant::Number(10.0))];
    let sloped = lateness(&plan)[1].expect("as before");
    assert_eq!((sloped.held, sloped.window), (Duration::ZERO, SECOND * 10));
}

fn alarm(point: u32, condition: ConditionKind) -> crate::plan::Alarm {
    crate::plan::Alarm {
        id: String::new(),
        point,
        condition,
        limit: None,
        limit_unit: None,
        priority: lapwing_protocol::Priority::High,
        impact: lapwing_protocol::Impact::None,
        text: String::new(),
        consequence: String::new(),
        response: String::new(),
        first_check: String::new(),
        safety: String::new(),
        respond_within: None,
        left_to: None,
        urgent: None,
        clock: None,
        protection: None,
        own: false,
        link: None,
        document: None,
        digest: 0,
    }
}

#[test]
fn durations_are_spoken_as_people_do() {
    let said = [0, 1, 40, 150, 1310, 30_000, 200_000].map(|ms| spoken(Duration::from_millis(ms)));
    assert_eq!(said, ["0 s", "1.0 ms", "0.04 s", "0.15 s", "1.31 s", "30 s", "200 s"]);
}

#[test]
fn one_is_not_many() {
    assert_eq!([0, 1, 2].map(|n| counted(n, "device")), ["0 devices", "1 device", "2 devices"]);
}
