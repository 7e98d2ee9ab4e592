//! Questions to history: any range and resolution, roll-ups, and what memory an answer takes.

use super::*;

#[test]
fn queries_agree_with_a_plain_list_at_any_range_and_resolution() {
    let dir = TestDir::new("history-query");
    let entered = hours(&dir, 50);
    let plain: Vec<(i64, Entry)> =
        entered.iter().filter(|entry| entry.id == 2).zip(0..).map(|(entry, n)| (T0 + n * 1000, *entry)).collect();
    let reader = Reader::new(dir.path());
    let path = "rack/02/inlet/temperature";
    let ranges = [(T0 - 5000, T0 + 4_000_000), (T0 + 1_234_000, T0 + 1_290_500), (T0 + 2_640_000, T0 + 2_900_000)];
    for (from, to) in ranges {
        let inside: Vec<&(i64, Entry)> = plain.iter().filter(|(t, _)| (from..to).contains(t)).collect();
        let series = reader.readings(&[path], from, to, Wanted::Readings).expect("answered");
        assert_eq!((series.len(), series[0].path.as_str(), series[0].exponent), (1, path, -1));
        let expected: Vec<Sample> =
            inside.iter().map(|(t, entry)| Sample { t: *t, value: entry.published(), status: entry.judged }).collect();
        assert_eq!(series[0].samples, expected);
        for count in [1, 7, 1000] {
            let series = reader.readings(&[path], from, to, Wanted::Buckets(count)).expect("answered");
            let buckets = &series[0].buckets;
            assert_eq!(buckets.len(), count as usize);
            for (n, bucket) in buckets.iter().enumerate() {
                let in_bucket =
                    |t: i64| (t - from) * i64::from(count) / (to - from) == i64::try_from(n).expect("small");
                let of: Vec<_> = inside.iter().filter(|(t, _)| in_bucket(*t)).collect();
                let good: Vec<i64> = of.iter().filter_map(|(_, entry)| entry.published()).collect();
                assert_eq!(bucket.count as usize, good.len());
                assert_eq!(bucket.bad as usize, of.len() - good.len());
                if !good.is_empty() {
                    assert_eq!(Some(bucket.minimum), good.iter().copied().min());
                    assert_eq!(Some(bucket.maximum), good.iter().copied().max());
                    assert_eq!(Some(bucket.end), good.last().copied());
                    #[allow(clippy::cast_precision_loss)]
                    let mean = good.iter().sum::<i64>() as f64 / good.len() as f64;
                    assert!((bucket.average - mean).abs() < 1e-6);
                }
            }
        }
    }
    assert_eq!(reader.readings(&["no/such/point"], T0, T0 + 1000, Wanted::Readings).expect("answered"), []);
}

#[test]
fn days_are_condensed_and_the_roll_ups_agree_with_the_readings() {
    let dir = TestDir::new("history-days");
    let (recorder, _) = Recorder::start(beginning(&dir, T0)).expect("started");
    let mut frame = 1;
    let day = 86_400_000;
    // Every tenth second of two days and a bit.
    for slot in 0..(2 * 96 + 8) {
        let mut batch = Batch::default();
        for n in 0..90 {
            let one = minute(T0 + slot * SLOT_MS + n * 10_000, 1, &mut frame);
            batch.steps.extend(one.steps);
            batch.entries.extend(one.entries);
        }
        recorder.submit(batch);
        if slot == 100 {
            recorder.standing(true, Some(T0 + slot * SLOT_MS));
        }
        closed(&recorder, &dir);
    }
    let there = |name: &str| dir.path().join("history").join(name).exists();
    wait_until("both days are condensed", || there("quarter-000001.sqlite") && there("quarter-000002.sqlite"));
    wait_until("the incident is kept", || there("kept-000002.sqlite") || there("kept-000001.sqlite"));
    recorder.stop();
    let reader = Reader::new(dir.path());
    let path = "rack/01/inlet/temperature";
    let query = |reader: &Reader, count| {
        reader.readings(&[path], T0, T0 + day, Wanted::Buckets(count)).expect("answered").remove(0)
    };
    let by_quarter = query(&reader, 4);
    let exact = reader.readings(&[path], T0, T0 + day, Wanted::Readings).expect("answered").remove(0);
    for (n, bucket) in by_quarter.buckets.iter().enumerate() {
        let from = T0 + day / 4 * i64::try_from(n).expect("small");
        let of: Vec<i64> =
            exact.samples.iter().filter(|s| (from..from + day / 4).contains(&s.t)).filter_map(|s| s.value).collect();
        assert_eq!(bucket.count as usize, of.len(), "bucket {n}");
        assert_eq!(
            (Some(bucket.minimum), Some(bucket.maximum), Some(bucket.end)),
            (of.iter().copied().min(), of.iter().copied().max(), of.last().copied())
        );
        #[allow(clippy::cast_precision_loss)]
        let mean = of.iter().sum::<i64>() as f64 / of.len() as f64;
        assert!((bucket.average - mean).abs() < 0.06, "{} {mean}", bucket.average);
    }
    // Without the raw file the roll-ups answer, and the incident's readings are still there.
    for number in 1..=3 {
        let raw = dir.path().join(format!("history/raw-{number:06}.sqlite"));
        if there(&format!("minute-{number:06}.sqlite")) {
            std::fs::remove_file(raw).expect("removed");
        }
    }
    let reader = Reader::new(dir.path());
    assert_eq!(query(&reader, 4).buckets, by_quarter.buckets);
    let about = T0 + 100 * SLOT_MS;
    let kept = reader.readings(&[path], about - 1_800_000, about + 7_200_000, Wanted::Readings).expect("answered");
    assert_eq!(kept[0].samples.len(), 900, "half an hour before to two hours after, every ten seconds");
}

/// A closed slot of so many points once a second, and the begin of the next.
fn a_slot(dir: &TestDir, count: u32) -> (Vec<Entry>, SlotPlace) {
    let (recorder, _) = Recorder::start(Beginning { points: points(count), ..beginning(dir, T0) }).expect("started");
    let mut entered = Vec::new();
    for second in 0..901 {
        let mut batch = Batch::default();
        for source in 0..count / 50 {
            let ids = source * 50 + 1..=source * 50 + 50;
            let entries = ids.map(|id| Entry::good(id, i64::from(id) + (second * i64::from(id % 17)) % 90));
            batch.readings(T0 + second * 1000, 0, source, entries);
        }
        if second < 900 {
            entered.extend_from_slice(&batch.entries);
        }
        recorder.submit(batch);
    }
    closed(&recorder, dir);
    recorder.stop();
    assert_eq!(recorder.state().dropped, 0);
    let place = Reader::new(dir.path()).slots().expect("slots")[0];
    (entered, place)
}

#[test]
fn a_closed_slot_is_read_in_a_few_bytes_a_reading() {
    let dir = TestDir::new("history-memory");
    let (entered, place) = a_slot(&dir, 500);
    let reader = Reader::new(dir.path());
    let (mut next, mut same) = (entered.iter(), true);
    let taken = allocation_counter::measure(|| {
        reader
            .steps(place, |_, entries| {
                same &= entries.iter().all(|entry| next.next() == Some(entry));
                ControlFlow::Continue(())
            })
            .expect("steps");
    });
    assert!(same && next.next().is_none(), "every reading, in order");
    println!("{} readings: {} bytes at most", entered.len(), taken.bytes_max);
    assert!(taken.bytes_max < 4 * entered.len() as u64, "{} bytes", taken.bytes_max);
    assert!(taken.bytes_current < 100_000, "{} bytes stay", taken.bytes_current);

    // By narrow windows the same comes.
    let Place::File(kind, number) = place.place else { panic!("it is closed: {place:?}") };
    let open = reader.open(kind, number).expect("opened").expect("there");
    let mut next = entered.iter();
    let mut take = |_: &Step, entries: &[Entry]| {
        assert!(entries.iter().all(|entry| next.next() == Some(entry)));
        ControlFlow::Continue(())
    };
    reader.in_file((kind, number, &open), place.slot, (0, 40_000), &mut take).expect("read");
    assert_eq!(next.next(), None);
}

#[test]
fn a_question_about_one_point_takes_no_memory_for_the_others() {
    let dir = TestDir::new("history-question");
    let (entered, place) = a_slot(&dir, 500);
    let (recorder, _) =
        Recorder::start(Beginning { points: points(500), ..beginning(&dir, T0 + SLOT_MS) }).expect("started");
    let begin = (place.slot + 1) * SLOT_MS;
    for second in 1..600 {
        let mut batch = Batch::default();
        batch.readings(begin + second * 1000, 0, 3, (1..=500).map(|id| Entry::good(id, second * i64::from(id))));
        recorder.submit(batch);
    }
    recorder.flush();
    let reader = Reader::new(dir.path());
    let path = points(500)[41].1.path.clone();
    let mut found = Vec::new();
    let taken = allocation_counter::measure(|| {
        found = reader.readings(&[&path], T0, begin + SLOT_MS, Wanted::Readings).expect("answered");
    });
    recorder.stop();
    let of_closed = entered.iter().filter(|entry| entry.id == 42).count();
    assert_eq!(found[0].samples.len(), of_closed + 1 + 599);
    println!("{} bytes at most", taken.bytes_max);
    // A minute of everything is one record of the journal and is read whole.
    assert!(taken.bytes_max < 1_000_000, "{} bytes", taken.bytes_max);
}
