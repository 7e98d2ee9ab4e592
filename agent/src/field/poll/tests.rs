//! A link's decisions without a wire: a driver played by hand, on a clock that is only a number; one file a subject, here
//! the driver.

#[path = "tests/identity.rs"]
mod identity;
#[path = "tests/lacks.rs"]
mod lacks;
#[path = "tests/refused.rs"]
mod refused;
#[path = "tests/suspects.rs"]
mod suspects;
#[path = "tests/timing.rs"]
mod timing;

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
