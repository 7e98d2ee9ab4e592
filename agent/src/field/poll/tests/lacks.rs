//! What a device does not give is told once for the whole device, when it has settled, and again when it changes.

use super::*;
use crate::field::Lacking;

/// What was told: the points with their places, and why.
pub(super) fn told(all: &[FieldMessage]) -> Vec<(Vec<Lacking>, String)> {
    let told = |message: &FieldMessage| match message {
        FieldMessage::Lacks { device: 0, lacking, why, .. } => {
            Some((lacking.clone(), why.as_ref().map_or_else(String::new, ToString::to_string)))
        }
        _ => None,
    };
    all.iter().filter_map(told).collect()
}

/// Two transactions of an SNMP agent: points 0 to 2 each second, 3 and 4 every 30 s.
fn card() -> Bench {
    let oids = |n: u32| Ask::Snmp { oids: (0..n).map(|arc| vec![1, 3, arc]).collect() };
    let sketch = sketch(100).device(0).asks(oids(3), 3, SECOND).asks(oids(2), 2, SECOND * 30);
    Bench::new(sketch, Trust::Named)
}

impl Bench {
    /// Answers what is asked until then; variables with these last positions, by transaction, are not there.
    fn without(&mut self, until_ms: u64, missing: [&[usize]; 2]) {
        while self.now_ms < until_ms {
            let job = self.next();
            let transaction = job.transaction as usize;
            let count = [3, 2][transaction];
            let value = |at: usize| match missing[transaction].contains(&at) {
                true => Raw::Fault(Status::BAD_NOT_FOUND),
                false => Raw::Whole(7),
            };
            let sent = self.now();
            self.now_ms += 2;
            self.poll.done(job, sent, self.now(), Ok(Answer::Variables((0..count).map(value).collect())));
        }
    }

    fn points(&self) -> Vec<Vec<u32>> {
        let points = |(lacking, _): &(Vec<Lacking>, String)| lacking.iter().map(|lacking| lacking.point).collect();
        told(&self.inbox.all()).iter().map(points).collect()
    }
}

#[test]
fn what_all_transactions_lack_is_told_in_one() {
    let mut bench = card();
    bench.without(20_000, [&[1], &[0, 1]]);
    assert_eq!(bench.points(), [[1, 3, 4]]);
    // One is there after all: told again, whole; then those of the fast transaction are, and those of the slow one later.
    bench.without(40_000, [&[1], &[1]]);
    bench.without(100_000, [&[], &[]]);
    assert_eq!(bench.points(), [vec![1, 3, 4], vec![1, 4], vec![4], vec![]]);
}

#[test]
fn a_device_that_gives_one_again_is_asked_for_the_rest_at_once() {
    let sketch = (0..3).fold(sketch(100).device(1), |sketch, n| sketch.reads_every(Table::Holding, n * 100, 1, SECOND));
    let mut bench = Bench::new(sketch, Trust::Named);
    while bench.now_ms < 10_000 {
        let job = bench.next();
        bench.fail(job, Failure::Exception { code: 2 });
    }
    assert_eq!(bench.points(), [[0, 1, 2]]);
    while bench.now_ms < 14_500 {
        let job = bench.next();
        bench.answer(job);
    }
    assert_eq!(bench.points(), [vec![0, 1, 2], vec![]]);
}

#[test]
fn a_device_that_gives_all_says_so_once() {
    let mut bench = card();
    bench.without(70_000, [&[], &[]]);
    assert_eq!(bench.points(), [vec![0_u32; 0]]);
}

#[test]
fn silence_and_reconnection_change_nothing() {
    let mut bench = card();
    bench.without(5_000, [&[2], &[]]);
    assert_eq!(bench.points(), [[2]]);
    for _ in 0..4 {
        let job = bench.next();
        bench.silence(job);
    }
    let now = bench.now();
    bench.poll.lost(now);
    while bench.poll.step(bench.now()) != Step::Connect {
        bench.now_ms += 50;
    }
    bench.poll.connected(bench.now());
    let until = bench.now_ms + 60_000;
    bench.without(until, [&[2], &[]]);
    assert_eq!(bench.points(), [[2]], "told before, and not changed");
}

#[test]
fn what_is_missing_does_not_wait_for_a_transaction_that_is_never_answered() {
    let mut bench = card();
    while bench.now_ms < 15_000 {
        let job = bench.next();
        if job.transaction == 1 {
            bench.fail(job, Failure::Garbled(crate::field::failure::Garble::Body));
            continue;
        }
        let sent = bench.now();
        bench.now_ms += 2;
        let missing = Raw::Fault(Status::BAD_NOT_FOUND);
        bench.poll.done(job, sent, bench.now(), Ok(Answer::Variables(vec![Raw::Whole(1), missing, missing])));
    }
    assert_eq!(bench.points(), [[1, 2]]);
}

#[test]
fn a_refusal_while_the_device_is_in_doubt_says_nothing_of_its_other_points() {
    let sketch = sketch(100).device(1).reads_every(Table::Holding, 0, 2, SECOND);
    let mut bench = Bench::new(sketch.reads_every(Table::Holding, 50, 5, SECOND), Trust::Unnamed);
    let gap = 50..53;
    let hears = |bench: &mut Bench, job: Job| {
        let (start, count) = bench.reads(&job);
        match (start..start + count).any(|register| gap.contains(&register)) {
            true => bench.fail(job, Failure::Exception { code: 2 }),
            false => bench.answer(job),
        }
    };
    while bench.now_ms < 5_000 {
        let job = bench.next();
        hears(&mut bench, job);
    }
    assert_eq!(bench.points(), [[2, 3, 4]]);
    for _ in 0..3 {
        let job = bench.next();
        bench.silence(job);
    }
    let now = bench.now();
    bench.poll.lost(now);
    while bench.poll.step(bench.now()) != Step::Connect {
        bench.now_ms += 50;
    }
    bench.poll.connected(bench.now());
    let until = bench.now_ms + 20_000;
    while bench.now_ms < until {
        let job = bench.next();
        hears(&mut bench, job);
    }
    assert_eq!(bench.points(), [[2, 3, 4]], "told before, and not changed");
    assert!(!faults(&bench.inbox.all(), 0).contains(&Status::BAD_NOT_FOUND), "these it gives");
}
