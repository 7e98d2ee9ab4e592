//! A device shows who it is before its readings count: at connect, after silence, when its time has come.

use super::*;
use crate::plan::{Check, Feature, Identity, Mark, Slice};

fn feature(name: &str, expect: Option<Mark>) -> Feature {
    Feature { name: name.into(), expect, remembered: None }
}

/// Register 200 must show 7, registers 201 and 202 what they showed first; then register 300 must show "AB".
fn known(mut sketch: Sketch) -> Sketch {
    let check = |start, counts: &[u8], features: Vec<Feature>| {
        let slices: Vec<Slice> = counts
            .iter()
            .scan(0, |offset, &words| {
                let slice = Slice { offset: *offset, words, scale_factor: None };
                *offset += u16::from(words);
                Some(slice)
            })
            .collect();
        let count = counts.iter().map(|&count| u16::from(count)).sum();
        Check { ask: Ask::Modbus { table: Table::Holding, start, count, slices }, features }
    };
    let device = sketch.plan.devices.last_mut().expect("a device");
    device.identity = Identity {
        checks: vec![
            check(200, &[1, 2], vec![feature("holding:200", Some(Mark::Number(7))), feature("holding:201-202", None)]),
            check(300, &[1], vec![feature("holding:300", Some(Mark::Text("AB".into())))]),
        ],
        period: Duration::from_secs(3600),
        point: None,
        confirmed: String::new(),
    };
    sketch
}

impl Bench {
    fn say(&mut self, job: Job, registers: &[u16]) {
        let sent = self.now();
        self.now_ms += 2;
        self.poll.done(job, sent, self.now(), Ok(Answer::Registers(registers)));
    }

    /// Answers one round of checks.
    fn shows(&mut self, model: u16, serial: u16) {
        let job = self.next();
        assert_eq!(self.reads(&job), (200, 3));
        self.say(job, &[model, 1, serial]);
        let job = self.next();
        assert_eq!(self.reads(&job), (300, 1));
        self.say(job, &[0x4142]);
    }

    fn told(&self) -> Vec<(bool, String)> {
        let told = |message: &FieldMessage| match message {
            FieldMessage::Identity { device: 0, fits, why, .. } => Some((*fits, why.to_string())),
            _ => None,
        };
        self.inbox.all().iter().filter_map(told).collect()
    }
}

fn bench() -> Bench {
    Bench::new(known(sketch(100).device(1).reads_every(Table::Holding, 0, 2, SECOND)), Trust::Named)
}

/// The same of which registers 201 and 202 are remembered.
fn recalling(mark: Option<Mark>) -> Bench {
    let mut sketch = known(sketch(100).device(1).reads_every(Table::Holding, 0, 2, SECOND));
    let device = sketch.plan.devices.last_mut().expect("a device");
    device.identity.checks[0].features[1].remembered = mark;
    Bench::new(sketch, Trust::Named)
}

#[test]
fn nothing_is_delivered_before_the_identity_is_known() {
    let mut bench = bench();
    bench.shows(7, 9);
    assert_eq!(bench.told(), [(true, "as expected".into())]);
    assert!(good(&bench.inbox.all(), 0).is_empty());
    let job = bench.next();
    assert_eq!(bench.reads(&job), (0, 2), "the scan that waited");
    bench.answer(job);
    assert_eq!(good(&bench.inbox.all(), 0).len(), 1);
    let job = bench.next();
    assert_eq!(bench.reads(&job), (0, 2), "the next scan asks no more");
}

#[test]
fn another_device_is_told_once_and_looked_at_each_minute_until_it_fits() {
    let mut bench = bench();
    bench.shows(8, 9);
    let differs = (false, "holding:200 shows 8, not 7".to_string());
    assert_eq!(bench.told(), std::slice::from_ref(&differs));
    let mut scans = 0;
    loop {
        let job = bench.next();
        if bench.reads(&job) == (200, 3) {
            bench.say(job, &[8, 1, 9]);
            let job = bench.next();
            bench.say(job, &[0x4142]);
            assert!((60_000..62_000).contains(&bench.now_ms), "{} ms", bench.now_ms);
            break;
        }
        scans += 1;
        bench.answer(job);
    }
    assert_eq!(scans, 61, "its readings go on: at 0 s, at 1 s, …, at 60 s");
    assert_eq!(bench.told(), std::slice::from_ref(&differs), "once");
    loop {
        let job = bench.next();
        if bench.reads(&job) == (200, 3) {
            bench.say(job, &[7, 1, 9]);
            let job = bench.next();
            bench.say(job, &[0x4142]);
            break;
        }
        bench.answer(job);
    }
    assert_eq!(bench.told(), [differs, (true, "as expected".into())]);
}

#[test]
fn a_device_that_was_silent_shows_it_again_and_its_first_words_do_not_count() {
    for trust in [Trust::Named, Trust::Unnamed] {
        let mut bench = Bench::new(known(sketch(100).device(1).reads_every(Table::Holding, 0, 2, SECOND)), trust);
        bench.shows(7, 9);
        let job = bench.next();
        bench.answer(job);
        for _ in 0..3 {
            let job = bench.next();
            bench.silence(job);
        }
        let before = good(&bench.inbox.all(), 0).len();
        // Another serial number: a device of the same make.
        loop {
            let job = bench.next();
            match bench.reads(&job) {
                (200, 3) => {
                    bench.say(job, &[7, 1, 10]);
                    break;
                }
                _ => bench.answer(job),
            }
            assert_eq!(good(&bench.inbox.all(), 0).len(), before, "{trust:?}");
        }
        let job = bench.next();
        bench.say(job, &[0x4142]);
        let told = bench.told();
        assert_eq!(
            told.last(),
            Some(&(false, "holding:201-202 shows 65546, no longer 65545".to_string())),
            "{trust:?}"
        );
        let job = bench.next();
        bench.answer(job);
        assert_eq!(good(&bench.inbox.all(), 0).len(), before + 1, "told first, then read");
    }
}

#[test]
fn what_cannot_be_read_does_not_fit_and_silence_proves_nothing() {
    let mut bench = bench();
    let job = bench.next();
    bench.silence(job);
    assert!(bench.told().is_empty());
    assert_eq!(faults(&bench.inbox.all(), 0).len(), 1, "the scan that waited is lost with it");
    loop {
        let job = bench.next();
        match bench.reads(&job) {
            (200, 3) => {
                bench.fail(job, Failure::Exception { code: 2 });
                break;
            }
            _ => bench.answer(job),
        }
    }
    let job = bench.next();
    bench.say(job, &[0x4100]);
    let (fits, why) = bench.told().pop().expect("told");
    assert!(!fits && why.contains("holding:200, holding:201-202 cannot be read") && why.contains("\"A\", not \"AB\""));
}

#[test]
fn what_it_showed_in_an_earlier_run_counts_and_what_it_shows_first_is_told_once() {
    let shown = |bench: &Bench| -> Vec<(String, Mark)> {
        let all = bench.inbox.all();
        let of = |message: &FieldMessage| match message {
            FieldMessage::Shown { device: 0, feature, mark } => Some((feature.clone(), mark.clone())),
            _ => None,
        };
        all.iter().filter_map(of).collect()
    };
    let mut first = bench();
    first.shows(7, 9);
    assert_eq!(shown(&first), [("holding:201-202".to_string(), Mark::Number(65_545))]);

    let mut later = recalling(Some(Mark::Number(65_545)));
    later.shows(7, 10);
    assert_eq!(later.told(), [(false, "holding:201-202 shows 65546, no longer 65545".to_string())]);
    assert!(shown(&later).is_empty(), "what it shows now must not become what it showed first");

    let mut same = recalling(Some(Mark::Number(65_545)));
    same.shows(7, 9);
    assert_eq!(same.told(), [(true, "as expected".into())]);
}

#[test]
fn a_person_confirms_what_it_shows_now_but_not_what_the_configuration_expects() {
    let mut bench = recalling(Some(Mark::Number(65_545)));
    bench.shows(7, 10);
    let job = bench.next();
    bench.answer(job);
    bench.poll.stats.confirm(0);
    bench.shows(7, 10);
    assert_eq!(bench.told().last(), Some(&(true, "as expected".into())), "the new serial number counts");
    let all = bench.inbox.all();
    let shown = |message: &&FieldMessage| matches!(message, FieldMessage::Shown { mark: Mark::Number(65_546), .. });
    assert_eq!(all.iter().filter(shown).count(), 1, "and is told, so that it is remembered");
    let job = bench.next();
    assert_eq!(bench.reads(&job), (0, 2), "once");
    bench.answer(job);
    bench.poll.stats.confirm(0);
    bench.shows(8, 10);
    assert_eq!(bench.told().last(), Some(&(false, "holding:200 shows 8, not 7".to_string())));
}
