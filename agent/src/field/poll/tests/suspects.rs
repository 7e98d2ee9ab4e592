//! A device under suspicion: its scans cost no line time, and only answers of two lengths clear it.

use super::*;

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
    bench.fail(second, Failure::Garbled(super::super::super::failure::Garble::Length { asked: 3, got: 4 }));
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
