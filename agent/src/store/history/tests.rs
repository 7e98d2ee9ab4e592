//! The history as a whole: what entered comes back, by query and in order, whatever happens to its files.

use std::ops::ControlFlow;
use std::time::Duration;

use super::*;
use crate::store::PointKey;
use crate::store::tests::{TestDir, wait_for, wait_until};

const T0: i64 = 1_790_000_000_000 / SLOT_MS * SLOT_MS;

pub(crate) fn points(count: u32) -> Vec<(u32, PointKey)> {
    (1..=count)
        .map(|id| {
            let path = format!("rack/{id:02}/inlet/temperature");
            (id, PointKey { path, quantity: "temperature".into(), unit: "Cel".into(), exponent: -1 })
        })
        .collect()
}

fn beginning(dir: &TestDir, wall_ms: i64) -> Beginning {
    Beginning {
        data_dir: dir.path().to_path_buf(),
        start: Start { log: "log".into(), boot: 1, ..Start::default() },
        texts: vec![("config".into(), "d1".into(), b"[module]".to_vec())],
        points: points(3),
        limits: Limits { reserve_mib: 0, ..Limits::default() },
        wall_ms,
        synced: true,
    }
}

/// Steps of three points once a second, with faults here and there; a frame a second.
fn minute(from: i64, seconds: i64, frame: &mut u64) -> Batch {
    let mut batch = Batch::default();
    for n in 0..seconds {
        let at = from + n * 1000;
        let entries = (1..=3).map(|id| {
            let value = i64::from(id) * 1000 + (at / 1000) % 50 * i64::from(id);
            if (at / 1000 + i64::from(id)) % 97 == 0 {
                Entry { judged: lapwing_protocol::Status::BAD_SENSOR_FAILURE, ..Entry::good(id, value) }
            } else {
                Entry::good(id, value)
            }
        });
        batch.readings(at, 0, 4, entries);
        batch.happened(at, 0, Happening::Frames { first: *frame, next: *frame + 1 });
        *frame += 1;
    }
    batch
}

/// All readings in the order they entered.
fn all(reader: &Reader) -> Vec<Entry> {
    let mut found = Vec::new();
    for place in reader.slots().expect("slots") {
        reader
            .steps(place, |_, entries| {
                found.extend_from_slice(entries);
                ControlFlow::Continue(())
            })
            .expect("steps");
    }
    found
}

fn closed(recorder: &Recorder, dir: &TestDir) {
    wait_until("the slot is closed", || {
        recorder.flush();
        !dir.path().join("history/closing.slot").exists()
    });
}

/// Writes some hours from `T0` and returns what entered.
fn hours(dir: &TestDir, minutes: i64) -> Vec<Entry> {
    let (recorder, found) = Recorder::start(beginning(dir, T0)).expect("started");
    assert_eq!((found.at, found.number), (T0, 1));
    let (mut entered, mut frame) = (Vec::new(), 1);
    for n in 0..minutes {
        let batch = minute(T0 + n * 60_000, 60, &mut frame);
        entered.extend_from_slice(&batch.entries);
        recorder.submit(batch);
        closed(&recorder, dir);
    }
    recorder.stop();
    assert_eq!(recorder.state().dropped, 0);
    entered
}

#[test]
fn what_entered_comes_back_in_order_from_blocks_and_the_open_slot() {
    let dir = TestDir::new("history");
    let entered = hours(&dir, 50);
    let reader = Reader::new(dir.path());
    let slots = reader.slots().expect("slots");
    assert_eq!(slots.len(), 4, "{slots:?}");
    assert_eq!(slots.last().map(|slot| slot.place), Some(Place::Open));
    assert_eq!(all(&reader), entered);
    assert_eq!(reader.take_losses(), []);
    assert_eq!(reader.text("config", "d1").expect("readable").as_deref(), Some(b"[module]".as_slice()));
}

#[test]
fn a_restart_goes_on_with_the_open_slot_and_names_what_was_before() {
    let dir = TestDir::new("history-restart");
    let mut entered = hours(&dir, 20);
    let (recorder, found) = Recorder::start(beginning(&dir, T0 + 22 * 60_000)).expect("started");
    assert_eq!((found.number, found.clean, found.at), (2, true, T0 + 22 * 60_000));
    assert_eq!(found.last_t, Some(T0 + 20 * 60_000 - 1000));
    let mut frame = 1;
    let batch = minute(found.at, 60, &mut frame);
    entered.extend_from_slice(&batch.entries);
    recorder.submit(batch);
    recorder.flush();
    assert_eq!(all(&Reader::new(dir.path())), entered, "while the writer runs");
    recorder.stop();
    let reader = Reader::new(dir.path());
    assert_eq!(all(&reader), entered);
    assert_eq!(reader.starts().expect("starts").iter().map(|start| start.number).collect::<Vec<_>>(), [1, 2]);
}

#[test]
fn what_is_deleted_under_the_running_writer_costs_no_reading_of_the_open_slot() {
    for whole in [false, true] {
        let dir = TestDir::new("history-deleted");
        let data = dir.path().join("history");
        let (recorder, _) = Recorder::start(beginning(&dir, T0)).expect("started");
        let (mut entered, mut frame) = (Vec::new(), 1);
        let mut goes_on = |minutes: std::ops::Range<i64>, entered: &mut Vec<Entry>| {
            for n in minutes {
                let batch = minute(T0 + n * 60_000, 60, &mut frame);
                entered.extend_from_slice(&batch.entries);
                recorder.submit(batch);
                recorder.flush();
            }
        };
        goes_on(0..5, &mut entered);
        if whole {
            std::fs::remove_dir_all(dir.path()).expect("removed");
        } else {
            std::fs::rename(data.join("open.slot"), dir.path().join("kept")).expect("moved");
            std::fs::write(data.join("open.slot"), "somebody's").expect("another in its place");
        }
        goes_on(5..7, &mut entered);
        recorder.sync();
        wait_until("it is written again", || {
            recorder.flush();
            data.join("open.slot").exists() && all(&Reader::new(dir.path())) == entered
        });
        // Past the slot's end: what was deleted of the other files is begun anew.
        let before = entered.len();
        goes_on(7..16, &mut entered);
        if whole {
            wait_until("its raw file is missed", || {
                recorder.flush();
                recorder.state().failing.is_some() || data.join("raw-000001.sqlite").exists()
            });
            wait_for("and made anew", Duration::from_secs(20), || {
                recorder.flush();
                data.join("raw-000001.sqlite").exists() && !data.join("closing.slot").exists()
            });
        }
        recorder.stop();
        let kept = all(&Reader::new(dir.path()));
        assert_eq!(kept[..before], entered[..before], "nothing of the slot is lost");
        if !whole {
            assert_eq!(kept, entered);
            assert_eq!(std::fs::read(data.join("open.slot.replaced")).expect("kept"), b"somebody's");
        }
    }
}

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
fn a_day_that_is_handed_over_faster_than_it_is_closed_comes_back_whole() {
    let dir = TestDir::new("history-fast");
    let (recorder, _) = Recorder::start(beginning(&dir, T0)).expect("started");
    let (mut entered, mut frame) = (Vec::new(), 1);
    // Not in step with the slots; nobody waits for the writer.
    for n in 0..96 {
        let batch = minute(T0 + 200_000 + n * SLOT_MS, 900, &mut frame);
        entered.extend_from_slice(&batch.entries);
        recorder.submit(batch);
    }
    closed(&recorder, &dir);
    recorder.stop();
    let state = recorder.state();
    assert_eq!((state.dropped, state.failing.is_none(), state.losses.len()), (0, true, 0), "{state:?}");
    let reader = Reader::new(dir.path());
    assert_eq!(reader.slots().expect("slots").len(), 97);
    assert!(all(&reader) == entered, "every reading, in order");
}

#[test]
fn a_power_cut_costs_what_was_not_synced_and_is_seen() {
    let dir = TestDir::new("history-cut");
    let (recorder, _) = Recorder::start(beginning(&dir, T0)).expect("started");
    let mut frame = 1;
    let batch = minute(T0, 30, &mut frame);
    recorder.submit(batch.clone());
    recorder.sync();
    recorder.flush();
    // Nothing tells the writer to end: its files are copied as a power cut leaves them, with a torn tail.
    let copy = TestDir::new("history-cut-copy");
    std::fs::create_dir_all(copy.path().join("history")).expect("made");
    for entry in std::fs::read_dir(dir.path().join("history")).expect("read").flatten() {
        std::fs::copy(entry.path(), copy.path().join("history").join(entry.file_name())).expect("copied");
    }
    let open = copy.path().join("history/open.slot");
    let mut bytes = std::fs::read(&open).expect("read");
    bytes.extend_from_slice(b"LWrc\x40\0\0\0 half");
    std::fs::write(&open, bytes).expect("written");
    let (second, found) = Recorder::start(beginning(&copy, T0 + 40_000)).expect("started");
    assert!(!found.clean);
    assert!(found.losses.iter().any(Loss::is_tail), "{:?}", found.losses);
    assert_eq!(found.last_t, Some(T0 + 29_000));
    second.submit(minute(T0 + 41_000, 1, &mut frame));
    second.stop();
    let read = all(&Reader::new(copy.path()));
    assert_eq!(read[..90], batch.entries[..]);
    assert_eq!(read.len(), 93);
    recorder.stop();
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

#[test]
fn a_flood_drops_the_oldest_and_marks_the_place() {
    let dir = TestDir::new("history-flood");
    let (recorder, _) = Recorder::start(beginning(&dir, T0)).expect("started");
    let mut batch = Batch::default();
    for n in 0..200_000 {
        batch.readings(T0 + n, 0, 4, (1..=3).map(|id| Entry::good(id, n)));
    }
    // A held lock is a disk that hangs.
    {
        let queue = recorder.queue();
        let more = recorder.clone();
        let flood = std::thread::spawn(move || (0..4).for_each(|_| more.submit(batch.clone())));
        std::thread::sleep(Duration::from_millis(5));
        drop(queue);
        flood.join().expect("joined");
    }
    recorder.stop();
    let (dropped, read) = (recorder.state().dropped, all(&Reader::new(dir.path())).len() as u64);
    assert_eq!(dropped + read, 4 * 600_000, "what is not there was counted");
}

#[test]
fn a_newer_format_is_refused_by_name_and_a_foreign_file_is_left_alone() {
    let dir = TestDir::new("history-newer");
    hours(&dir, 16);
    let raw = dir.path().join("history/raw-000001.sqlite");
    let connection = rusqlite::Connection::open(&raw).expect("opened");
    connection.pragma_update(None, "user_version", super::file::VERSION + 1).expect("set");
    drop(connection);
    let error = Recorder::start(beginning(&dir, T0 + 3_600_000)).expect_err("refused");
    assert!(error.to_string().contains("raw-000001.sqlite has format version 3, this agent knows up to 2"), "{error}");
    assert!(matches!(Reader::new(dir.path()).slots(), Err(HistoryError::Newer { .. })));
}

#[test]
fn any_file_may_be_deleted_truncated_or_zeroed_and_only_what_was_in_it_is_lost() {
    let dir = TestDir::new("history-files");
    let entered = hours(&dir, 40);
    let names: Vec<_> =
        std::fs::read_dir(dir.path().join("history")).expect("read").flatten().map(|e| e.file_name()).collect();
    assert!(names.len() >= 3, "{names:?}");
    for name in &names {
        for harm in 0..12 {
            let copy = TestDir::new("history-files-copy");
            std::fs::create_dir_all(copy.path().join("history")).expect("made");
            for other in &names {
                let bytes = std::fs::read(dir.path().join("history").join(other)).expect("read");
                let to = copy.path().join("history").join(other);
                match (other == name, harm) {
                    (true, 0) => {}
                    (true, 1) => std::fs::write(&to, &bytes[..bytes.len() / 2]).expect("written"),
                    (true, 2) => std::fs::write(&to, vec![0; bytes.len()]).expect("written"),
                    (true, 3) => std::fs::write(&to, []).expect("written"),
                    (true, _) => {
                        // One bit, at places spread over the file.
                        let mut bytes = bytes;
                        let place = bytes.len() * (harm - 4) / 8 + harm;
                        if let Some(byte) = bytes.get_mut(place) {
                            *byte ^= 1 << (harm % 8);
                        }
                        std::fs::write(&to, bytes).expect("written");
                    }
                    (false, _) => std::fs::write(&to, bytes).expect("written"),
                }
            }
            let started = Recorder::start(beginning(&copy, T0 + 3 * 3_600_000));
            let (recorder, _) = started.unwrap_or_else(|error| panic!("{name:?} {harm}: {error}"));
            let mut frame = 1;
            recorder.submit(minute(T0 + 3 * 3_600_000, 5, &mut frame));
            recorder.stop();
            let read = all(&Reader::new(copy.path()));
            let mut rest = entered.iter();
            let old = &read[..read.len() - 15];
            assert!(old.iter().all(|entry| rest.any(|known| known == entry)), "{name:?} {harm}: nothing false");
            let of_file = name.to_string_lossy();
            let lost = entered.len() - old.len();
            match of_file.as_ref() {
                "open.slot" => assert!(lost <= 10 * 60 * 3, "{harm}: {lost}"),
                "raw-000001.sqlite" => assert!(lost <= 30 * 60 * 3, "{harm}: {lost}"),
                _ => assert_eq!(lost, 0, "{of_file} {harm}"),
            }
        }
    }
}

#[test]
fn frames_are_made_again_equal_to_those_that_were_published() {
    let dir = TestDir::new("history-frames");
    let (recorder, found) = Recorder::start(beginning(&dir, T0)).expect("started");
    let mut published = Vec::new();
    let (mut builder, mut frame) = (lapwing_protocol::FrameBuilder::new("log", 1, "c", 1), 1_u64);
    let mut batch = Batch::default();
    for n in 0..2000_i64 {
        let (at, offset) = (found.at + n * 1000, 3 - n % 2);
        let entries: Vec<Entry> = (1..=3)
            .map(|id| match (n + i64::from(id)) % 13 {
                0 => Entry { lag_ms: 250, ..Entry::good(id, n) },
                1 => Entry { judged: lapwing_protocol::Status::BAD_SENSOR_FAILURE, ..Entry::good(id, n) },
                _ => Entry::good(id, n * i64::from(id)),
            })
            .collect();
        for entry in &entries {
            builder.push(entry.id, entry.at(at) + offset, entry.published(), entry.judged);
        }
        batch.readings(at, offset, 4, entries);
        if n % 3 == 2 {
            let frames = builder.take();
            let next = frames.last().expect("one").seq() + 1;
            batch.happened(at, offset, Happening::Frames { first: frame, next });
            (builder, frame) = (lapwing_protocol::FrameBuilder::new("log", 1, "c", next), next);
            published.extend(frames);
        }
        if n % 100 == 99 {
            recorder.submit(std::mem::take(&mut batch));
            closed(&recorder, &dir);
        }
    }
    recorder.submit(batch);
    recorder.stop();
    // A second start in the same slot numbers its frames from 1 again.
    let (second, later) = Recorder::start(beginning(&dir, found.at + 2_000_000)).expect("started");
    let mut n = 1;
    second.submit(minute(later.at, 20, &mut n));
    second.stop();
    let reader = Reader::new(dir.path());
    let mut start = reader.starts().expect("starts").remove(0);
    start.catalogue = "c".into();
    for from in [1, 2, 300, 301, 640, 666] {
        let mut made = Vec::new();
        let last = reader
            .frames(&start, Some(later.at), from, |frame| {
                made.push(frame.with_late(false));
                ControlFlow::Continue(())
            })
            .expect("read");
        assert_eq!(last, Some(667));
        assert_eq!(made, published[usize::try_from(from).expect("small") - 1..], "from {from}");
    }
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
