//! Blocks that a device refuses: read in pieces, as a whole again, told once.

use super::*;

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
