//! When what is asked: repetitions, hints, skipped scans, busy devices, faster scans.

use super::*;

#[test]
fn the_moment_of_a_batch_is_half_way_between_request_and_answer() {
    let mut bench = Bench::new(sketch(100).device(1).reads(Table::Holding, 5, 2), Trust::Named);
    let job = bench.next();
    let sent = bench.now();
    bench.answer(job);
    let all = bench.inbox.all();
    let batch = batches(&all, 0)[0];
    assert_eq!((registers(batch), batch.at), (vec![5, 6], sent + Duration::from_millis(1)));
}

#[test]
fn a_lone_device_is_asked_again_within_the_scan() {
    let mut bench = Bench::new(sketch(100).device(1).reads_every(Table::Holding, 0, 1, SECOND), Trust::Named);
    let first = bench.next();
    bench.silence(first);
    let again = bench.next();
    assert_eq!((again.transaction, bench.now_ms), (first.transaction, 100), "at once");
    assert!(bench.inbox.all().is_empty(), "nothing is told yet");
    bench.answer(again);
    assert_eq!(good(&bench.inbox.all(), 0).len(), 1);
    assert!(faults(&bench.inbox.all(), 0).is_empty());
}

#[test]
fn a_repetition_lost_with_the_connection_still_tells_its_fault() {
    let mut bench = Bench::new(sketch(100).device(1).reads_every(Table::Holding, 0, 1, SECOND), Trust::Named);
    let job = bench.next();
    let now = bench.now();
    bench.poll.lost(now);
    bench.silence(job);
    assert_eq!(bench.poll.step(bench.now()), Step::Connect);
    bench.poll.connect_failed(bench.now(), Unreached::LineGone { why: "cut".into() });
    assert!(matches!(bench.poll.step(bench.now()), Step::Wait(Some(_))));
    assert_eq!(faults(&bench.inbox.all(), 0), [Status::BAD_NO_COMMUNICATION]);
}

#[test]
fn a_hint_asks_everything_once_before_its_time_and_leaves_the_schedule_alone() {
    let sketch = Sketch::default().tcp(1, 100).device(1);
    let plan = sketch.reads_every(Table::Holding, 0, 1, SECOND).reads_every(Table::Holding, 9, 1, 10 * SECOND);
    let mut bench = Bench::new(plan, Trust::Named);
    for _ in 0..2 {
        let first = bench.next();
        bench.answer(first);
    }
    bench.now_ms = 300;
    for _ in 0..5 {
        bench.poll.hint();
    }
    let mut asked = Vec::new();
    for _ in 0..2 {
        let job = bench.next();
        asked.push((bench.now_ms, bench.reads(&job).0));
        bench.answer(job);
    }
    assert_eq!(asked.iter().map(|(_, start)| *start).collect::<Vec<_>>(), [0, 9]);
    assert!(asked.iter().all(|(at, _)| *at < 400), "{asked:?}");
    let next = bench.next();
    assert_eq!((bench.reads(&next).0, bench.now_ms), (0, 1000), "repeated hints are one, and scans keep to their grid");
}

#[test]
fn skipped_scans_are_told_and_counted() {
    let mut bench = Bench::new(sketch(100).device(1).reads(Table::Holding, 0, 1), Trust::Named);
    let job = bench.next();
    bench.answer(job);
    bench.now_ms = 1000;
    let job = bench.next();
    bench.answer(job);
    // Due every 50 ms: those of 50 to 950 are gone, that of 1000 was taken.
    assert!(bench.inbox.all().contains(&FieldMessage::Late { transaction: 0, skipped: 19 }));
    let figures = bench.poll.stats.device(0);
    assert_eq!((figures.scans_due, figures.scans_good, figures.scans_skipped), (21, 2, 19));
}

#[test]
fn a_busy_device_is_asked_less_and_less() {
    let sketch = sketch(100).device(1).reads(Table::Holding, 0, 1).device(2).reads(Table::Holding, 0, 1);
    let mut bench = Bench::new(sketch, Trust::Named);
    let mut asked = Vec::new();
    while bench.now_ms < 20_000 {
        let job = bench.next();
        if job.transaction == 0 {
            asked.push(bench.now_ms);
            bench.fail(job, Failure::Exception { code: 6 });
        } else {
            bench.answer(job);
        }
    }
    let waits: Vec<u64> = asked.windows(2).map(|two| two[1] - two[0]).collect();
    assert!(asked.len() <= 9 && waits.is_sorted() && waits[waits.len() - 1] >= 5000, "{waits:?}");
}

#[test]
fn a_device_is_scanned_faster_while_its_state_says_so() {
    let mut sketch = sketch(100)
        .device(1)
        .reads_every(Table::Holding, 0, 1, SECOND * 2)
        .reads_every(Table::Input, 0, 1, SECOND * 10)
        .reads_every(Table::Input, 50, 1, SECOND / 4);
    sketch.plan.engine.points = vec![lapwing_engine::spec::PointSpec::default(); 3];
    sketch.plan.engine.points[0].decode.layout = lapwing_engine::spec::Layout::U16;
    sketch.plan.engine.points[0].decode.scale = lapwing_protocol::Decimal::new(1, 0);
    sketch.plan.devices[0].faster = Some(crate::plan::Faster { point: 0, states: 1 << 5, period: SECOND });
    let mut bench = Bench::new(sketch, Trust::Named);
    let scans = |bench: &mut Bench, state: u16, until_ms: u64| {
        let mut counted = [0_u32; 3];
        while bench.now_ms < until_ms {
            let job = bench.next();
            counted[job.transaction as usize] += 1;
            let (sent, registers) = (bench.now(), [state]);
            bench.now_ms += 2;
            bench.poll.done(job, sent, bench.now(), Ok(Answer::Registers(&registers)));
        }
        counted
    };
    let asked = scans(&mut bench, 3, 19_900);
    assert_eq!((asked[0], asked[1]), (10, 2));
    let fast = scans(&mut bench, 5, 39_900);
    assert!((19..=21).contains(&fast[0]) && (18..=20).contains(&fast[1]) && fast[2].abs_diff(80) <= 1, "{fast:?}");
    scans(&mut bench, 3, 41_500);
    let slow = scans(&mut bench, 3, 61_500);
    assert_eq!((slow[0], slow[1]), (10, 2), "as asked again");
}
