//! A link's decisions without a wire: a driver played by hand, on a clock that is only a number.

#[path = "tests/identity.rs"]
mod identity;
#[path = "tests/lacks.rs"]
mod lacks;

use lapwing_engine::spec::Raw;

use super::*;
use crate::field::request::Answer;
use crate::field::testing::*;
use crate::plan::{Table, Transport};

struct Bench {
    poll: Poll,
    inbox: Inbox,
    now_ms: u64,
}

const SECOND: Duration = Duration::from_secs(1);

fn serial() -> Transport {
    Transport::Serial { path: "/dev/null".into(), baud: 19_200, parity: crate::plan::Parity::Even, stop_bits: 1 }
}

fn sketch(timeout_ms: u64) -> Sketch {
    Sketch::default().link(serial(), timeout_ms)
}

impl Bench {
    fn new(sketch: Sketch, trust: Trust) -> Self {
        let plan = sketch.plan();
        let inbox = Inbox::default();
        let stats = Arc::new(FieldStats::of(&plan));
        let mut poll = Poll::new(plan, 0, stats, inbox.deliver(), trust);
        assert_eq!(poll.step(poll.epoch), Step::Connect);
        poll.connected(poll.epoch);
        Self { poll, inbox, now_ms: 0 }
    }

    fn now(&self) -> Instant {
        self.poll.epoch + Duration::from_millis(self.now_ms)
    }

    /// The next exchange, after whatever wait it takes.
    fn next(&mut self) -> Job {
        for _ in 0..100 {
            match self.poll.step(self.now()) {
                Step::Ask(job) => return job,
                Step::Wait(until) => {
                    let until = until.expect("there is always a scan to come");
                    self.now_ms = u64::try_from((until - self.poll.epoch).as_millis()).expect("small");
                }
                Step::Connect => panic!("connected already"),
            }
        }
        panic!("nothing was asked in a hundred waits");
    }

    /// Registers it reads: start and count.
    fn reads(&self, job: &Job) -> (u16, u16) {
        let read = self.poll.read(job).expect("a read");
        (read.start(), read.count())
    }

    fn answer(&mut self, job: Job) {
        let (start, count) = self.reads(&job);
        let registers: Vec<u16> = (start..start + count).collect();
        let sent = self.now();
        self.now_ms += 2;
        self.poll.done(job, sent, self.now(), Ok(Answer::Registers(&registers)));
    }

    fn fail(&mut self, job: Job, failure: Failure) {
        let sent = self.now();
        self.now_ms += 100;
        self.poll.done(job, sent, self.now(), Err(failure));
    }

    fn silence(&mut self, job: Job) {
        self.fail(job, Failure::Silence { timeout_ms: 100 });
    }
}

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
fn scans_of_a_suspect_are_faults_that_cost_no_line_time() {
    let plan = sketch(100).device(1).reads(Table::Holding, 0, 1).device(2).reads(Table::Holding, 10, 1);
    let mut bench = Bench::new(plan, Trust::Unnamed);
    let (a, b) = (bench.next(), bench.next());
    bench.silence(a);
    bench.answer(b);
    // Until its late answers have run out (300 ms) only the neighbour is asked.
    while bench.now_ms < 390 {
        let job = bench.next();
        if bench.now_ms < 390 {
            assert_eq!(bench.reads(&job).0, 10);
        }
        bench.answer(job);
    }
    assert!(faults(&bench.inbox.all(), 0).len() >= 5);
    assert!(faults(&bench.inbox.all(), 1).is_empty());
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
fn an_unnamed_suspect_must_answer_two_lengths() {
    let plan = sketch(100).device(1).reads_every(Table::Holding, 0, 4, SECOND * 60);
    let mut bench = Bench::new(plan.reads_every(Table::Holding, 50, 4, SECOND * 60), Trust::Unnamed);
    let (first, other) = (bench.next(), bench.next());
    bench.answer(first);
    bench.silence(other);
    bench.inbox.clear();
    let probe = bench.next();
    assert_eq!((bench.now_ms, bench.reads(&probe)), (402, (0, 4)), "after its late answers");
    bench.answer(probe);
    assert!(bench.inbox.all().is_empty(), "half proved: nothing is believed yet");
    let second = bench.next();
    assert_eq!(bench.reads(&second), (0, 3), "another length, of the same registers");
    bench.answer(second);
    // Now what was missing is asked, long before its next scan.
    let recovered = bench.next();
    assert_eq!((recovered.transaction, bench.reads(&recovered)), (1, (50, 4)));
    assert!(bench.now_ms < 500);
    bench.answer(recovered);
    assert_eq!(registers(good(&bench.inbox.all(), 1)[0]), [50, 51, 52, 53]);
}

#[test]
fn a_late_answer_of_the_first_length_fails_the_second_probe() {
    let plan = sketch(100).device(1).reads_every(Table::Holding, 0, 4, SECOND * 60);
    let mut bench = Bench::new(plan, Trust::Unnamed);
    let job = bench.next();
    bench.silence(job);
    let probe = bench.next();
    bench.answer(probe);
    let second = bench.next();
    bench.fail(second, Failure::Garbled(super::super::failure::Garble::Length { asked: 3, got: 4 }));
    let from_start = bench.next();
    assert_eq!(bench.reads(&from_start), (0, 4), "both probes again");
    assert!(good(&bench.inbox.all(), 0).is_empty());
}

#[test]
fn a_refusal_clears_no_suspicion_and_is_no_silence() {
    let plan = sketch(100).device(1).reads(Table::Holding, 0, 4).device(2).reads(Table::Holding, 9, 1);
    let mut bench = Bench::new(plan, Trust::Unnamed);
    let job = bench.next();
    assert_eq!(bench.reads(&job).0, 9, "the shorter one first");
    bench.answer(job);
    let job = bench.next();
    bench.silence(job);
    let mut refusals = 0;
    while refusals < 6 {
        let job = bench.next();
        if bench.reads(&job).0 == 9 {
            bench.answer(job);
        } else {
            bench.fail(job, Failure::Exception { code: 2 });
            refusals += 1;
        }
    }
    assert!(!states(&bench.inbox.all()).contains(&("device", 0, true)));
    assert!(!states(&bench.inbox.all()).contains(&("device", 0, false)), "it lives: its map is wrong");
    assert_eq!(faults(&bench.inbox.all(), 0).last(), Some(&Status::BAD_NOT_FOUND));
}

#[test]
fn a_device_of_single_registers_must_answer_twice_with_the_time_for_late_answers_between() {
    let mut bench = Bench::new(sketch(100).device(1).reads_every(Table::Holding, 7, 1, SECOND * 60), Trust::Unnamed);
    let job = bench.next();
    bench.silence(job);
    let probe = bench.next();
    let first_at = bench.now_ms;
    bench.answer(probe);
    assert!(good(&bench.inbox.all(), 0).is_empty());
    let probe = bench.next();
    assert!(bench.now_ms >= first_at + 300, "{} after {first_at}", bench.now_ms);
    bench.answer(probe);
    let recovered = bench.next();
    bench.answer(recovered);
    assert_eq!(good(&bench.inbox.all(), 0).len(), 1);
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
fn a_batch_has_one_value_a_point_whatever_the_plan_says() {
    let ask = Ask::Modbus {
        table: Table::Holding,
        start: 0,
        count: 2,
        slices: vec![crate::plan::Slice { offset: 9, words: 1, scale_factor: None }],
    };
    let mut bench = Bench::new(sketch(100).device(1).asks(ask, 3, PERIOD), Trust::Named);
    let job = bench.next();
    bench.answer(job);
    let misfit = Raw::Fault(Status::BAD_CONFIGURATION_ERROR);
    assert_eq!(batches(&bench.inbox.all(), 0)[0].raws, [misfit; 3]);
}

#[test]
fn a_block_refused_for_one_register_is_read_in_pieces() {
    let mut bench = Bench::new(sketch(100).device(1).reads(Table::Holding, 0, 5), Trust::Named);
    let mut asked = Vec::new();
    while good_points(&bench) < 3 {
        let job = bench.next();
        let (start, count) = bench.reads(&job);
        asked.push((start, count));
        if (start..start + count).contains(&3) {
            bench.fail(job, Failure::Exception { code: 2 });
        } else {
            bench.answer(job);
        }
    }
    let misfit = Raw::Fault(Status::BAD_NOT_FOUND);
    let all = bench.inbox.all();
    for batch in batches(&all, 0) {
        assert_eq!(batch.raws[3], misfit);
        assert!(batch.raws.iter().filter(|raw| **raw == misfit).count() == 1, "{batch:?}");
    }
    assert_eq!(
        asked[..6],
        [(0, 5), (0, 2), (2, 3), (2, 1), (3, 2), (3, 1)],
        "first whole, then what is refused halved"
    );
    assert_eq!(asked[6..11], [(4, 1), (0, 3), (4, 1), (0, 3), (4, 1)], "then what touches, together");
    bench.now_ms += 1000;
    let job = bench.next();
    bench.answer(job);
    let all = bench.inbox.all();
    let [(lacking, why)] = &lacks::told(&all)[..] else { panic!("told once: {:?}", lacks::told(&all)) };
    assert_eq!(lacking[..], [crate::field::Lacking { point: 3, place: Some("holding:3".into()) }]);
    assert!(why.contains("exception 02"), "{why}");
}

#[test]
fn a_block_refused_throughout_is_asked_as_a_whole_and_not_taken_apart_again() {
    let mut bench = Bench::new(sketch(100).device(1).reads(Table::Holding, 0, 2), Trust::Named);
    let mut asked = Vec::new();
    while asked.len() < 6 {
        let job = bench.next();
        asked.push(bench.reads(&job));
        bench.fail(job, Failure::Exception { code: 2 });
    }
    assert_eq!(asked, [(0, 2), (0, 1), (1, 1), (0, 2), (0, 2), (0, 2)]);
    assert!(faults(&bench.inbox.all(), 0).iter().all(|s| *s == Status::BAD_NOT_FOUND));
}

fn good_points(bench: &Bench) -> usize {
    batches(&bench.inbox.all(), 0).len()
}

#[test]
fn after_ten_minutes_a_block_is_asked_as_a_whole_again() {
    let mut bench = Bench::new(sketch(100).device(1).reads(Table::Holding, 0, 2), Trust::Named);
    let job = bench.next();
    bench.fail(job, Failure::Exception { code: 2 });
    let job = bench.next();
    bench.fail(job, Failure::Exception { code: 2 });
    let job = bench.next();
    bench.answer(job);
    let job = bench.next();
    assert_eq!(bench.reads(&job), (1, 1));
    bench.answer(job);
    bench.now_ms += 600_000;
    let job = bench.next();
    assert_eq!(bench.reads(&job), (0, 2));
    bench.answer(job);
    assert_eq!(good(&bench.inbox.all(), 0).len(), 1);
}

#[test]
fn what_is_refused_as_a_whole_is_asked_again_once_a_minute_and_told_once() {
    let sketch =
        sketch(100).device(1).reads_every(Table::Holding, 0, 1, SECOND).reads_every(Table::Input, 0, 1, SECOND);
    let mut bench = Bench::new(sketch, Trust::Named);
    let mut refusals = Vec::new();
    while bench.now_ms < 130_000 {
        let job = bench.next();
        if job.transaction == 0 {
            refusals.push(bench.now_ms / 1000);
            bench.fail(job, Failure::Exception { code: 2 });
        } else {
            bench.answer(job);
        }
    }
    assert_eq!(refusals, [0, 61, 122], "its neighbour's scans go on");
    assert_eq!(faults(&bench.inbox.all(), 0).len(), 131, "each scan of it tells its fault");
    assert_eq!(lacks::told(&bench.inbox.all()).len(), 1);
    // Mended: told, and read with every scan.
    bench.now_ms = 183_500;
    while good(&bench.inbox.all(), 0).len() < 3 {
        let job = bench.next();
        bench.answer(job);
    }
    let told = lacks::told(&bench.inbox.all());
    assert!(told.len() == 2 && told[1].0.is_empty(), "{told:?}");
    assert!(bench.now_ms < 187_000);
}

#[test]
fn a_gateway_that_speaks_for_its_silent_devices_keeps_the_link_up() {
    let sketch = (1..=5).fold(sketch(100), |sketch, unit| sketch.device(unit).reads(Table::Holding, 0, 1));
    let mut bench = Bench::new(sketch, Trust::Named);
    while bench.now_ms < 8000 {
        let job = bench.next();
        bench.fail(job, Failure::Exception { code: if job.transaction == 0 { 0x0A } else { 0x0B } });
    }
    let told = states(&bench.inbox.all());
    assert_eq!(told[0], ("link", 0, true));
    assert_eq!(told.iter().filter(|(what, _, up)| *what == "device" && !up).count(), 5, "{told:?}");
    assert!(!told.contains(&("link", 0, false)), "{told:?}");
    assert!(faults(&bench.inbox.all(), 1).contains(&Status::BAD_NO_COMMUNICATION));
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

#[test]
fn what_another_master_does_not_read_is_told_once_and_no_longer_waited_for() {
    use crate::field::request::Read;
    use crate::field::rtu::overhear::Heard;
    let mut sketch =
        sketch(100).device(1).reads_every(Table::Holding, 0, 2, SECOND).reads_every(Table::Holding, 90, 1, SECOND);
    sketch.plan.links[0].listen = true;
    let mut bench = Bench::new(sketch, Trust::Unnamed);
    let hear = |bench: &mut Bench, start| {
        let read = Read::new(Table::Holding, start, 2).expect("a read");
        bench.poll.overheard(&Heard::Values { unit: 1, read, bytes: vec![0, 7, 0, 8] }, bench.now());
        bench.poll.unheard(bench.now());
    };
    let notices = |bench: &Bench| -> Vec<String> {
        let of = |message| if let FieldMessage::Notice { what, .. } = message { Some(what.to_string()) } else { None };
        bench.inbox.all().into_iter().filter_map(of).collect()
    };
    for second in 0..59 {
        bench.now_ms = second * 1000;
        hear(&mut bench, 0);
    }
    assert_eq!(notices(&bench), Vec::<String>::new());
    let faults = |bench: &Bench| {
        let all = bench.inbox.all();
        all.iter().filter(|m| matches!(m, FieldMessage::Batch(b) if b.transaction == 1 && b.raws.iter().all(|raw| matches!(raw, Raw::Fault(_))))).count()
    };
    assert_eq!(faults(&bench), 0);
    for second in 60..70 {
        bench.now_ms = second * 1000;
        hear(&mut bench, 0);
    }
    assert_eq!(notices(&bench).len(), 1, "{:?}", notices(&bench));
    assert!(notices(&bench)[0].contains("holding:90"), "{:?}", notices(&bench));
    assert_eq!(faults(&bench), 1);
    // Read after all, it is a reading again.
    hear(&mut bench, 90);
    let last =
        bench.inbox.all().into_iter().rev().find_map(|m| if let FieldMessage::Batch(b) = m { Some(b) } else { None });
    assert_eq!(last.map(|batch| (batch.transaction, batch.raws.len())), Some((1, 1)));
}
