//! What entered comes back in order, over restarts, floods and plans, and frames are made of it again.

use super::*;

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
