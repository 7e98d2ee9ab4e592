//! The history as a whole, one file a subject; here the readings of three points that are written and read.

use std::ops::ControlFlow;
use std::time::Duration;

use super::*;
use crate::store::PointKey;
use crate::store::tests::{TestDir, wait_for, wait_until};

mod asking;
mod damage;
mod recording;
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
