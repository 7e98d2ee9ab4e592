//! History on the demo's signals: bytes a reading, queries, and what a hundred thousand points cost.
//!
//! The demo runs for a whole slot and a half (`LAPWING_BENCH_SECONDS`, 1400 unless given; or `LAPWING_BENCH_DATA` names the
//! data directory of a run that has ended) and its readings are taken from its history. They are then recorded again, moved along the axis, until a day is full, and asked for. Queries are timed
//! with the files in the page cache (warm) and after the kernel was asked to drop them (cold, where it may be asked).
//! A slot of a hundred thousand points is read again as late frames are made of it, in a process of its own, so that its
//! memory is that of reading (`LAPWING_BENCH_DATA` names the data directory of a history to read so).

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use lapwing::plan::History;
use lapwing::store::PointKey;
use lapwing::store::history::{Batch, Beginning, Entry, Happening, Reader, Recorder, SLOT_MS, Start, Wanted};
use lapwing_tests::agent::Agent;
use lapwing_tests::place::TempDir;

use crate::{quantile, report};

/// Begin of the day that is recorded again.
const DAY: i64 = 1_790_035_200_000 / 86_400_000 * 86_400_000;

/// Measures and reports.
pub(crate) fn run() {
    let home = TempDir::new("bench-history");
    let (recorded, points) = recorded(&home);
    report("history_readings_taken", recorded.entries.len() as f64, "readings", "none", None);
    day(&home, &recorded, points);
    let _data = many(&home);
}

/// The data directory of a run of the demo.
pub(crate) fn demo(home: &TempDir) -> PathBuf {
    let seconds = std::env::var("LAPWING_BENCH_SECONDS").ok().and_then(|text| text.parse().ok()).unwrap_or(1400_u64);
    std::env::var_os("LAPWING_BENCH_DATA").map_or_else(
        || {
            let data = home.join("demo");
            let place = data.display().to_string();
            let demo = Agent::demo(&["--seconds", &seconds.to_string(), "--data", &place]);
            let (status, _) = demo.ended(Duration::from_secs(seconds + 60));
            assert!(status.success(), "the demo ended with {status}");
            data
        },
        PathBuf::from,
    )
}

/// What the demo has read, from its history, and its points.
pub(crate) fn recorded(home: &TempDir) -> (Batch, Vec<PointKey>) {
    let data = demo(home);
    let reader = Reader::new(&data.join("store"));
    let points = reader.points().expect("points");
    let mut recorded = Batch::default();
    for slot in reader.slots().expect("slots") {
        reader
            .steps(slot, |step, entries| {
                recorded.steps.push(*step);
                recorded.entries.extend_from_slice(entries);
                ControlFlow::Continue(())
            })
            .expect("steps");
    }
    (recorded, points)
}

/// What was read again and again, moved along the axis, for so long. Gives how many readings it took and until when.
fn again(data: &Path, recorded: &Batch, points: Vec<PointKey>, ms: i64) -> (u64, i64, Recorder) {
    let (recorder, _) = Recorder::start(beginning(data, (1..).zip(points).collect())).expect("started");
    let (first, last) = (recorded.steps[0].at, recorded.steps[recorded.steps.len() - 1].at);
    let mut readings = 0_u64;
    let mut begin = DAY;
    while begin < DAY + ms {
        let mut batch = recorded.clone();
        for step in &mut batch.steps {
            step.at += begin - first;
            step.offset = 0;
            if let Happening::Start { .. } = step.what {
                step.what = Happening::Rebase { id: 1 };
            }
        }
        readings += batch.entries.len() as u64;
        recorder.submit(batch);
        settled(&recorder, data);
        begin += last - first + 1000;
    }
    (readings, begin, recorder)
}

/// The demo's readings again and again, until a day is full.
fn day(home: &TempDir, recorded: &Batch, points: Vec<PointKey>) {
    let data = home.join("day");
    let path = points.iter().find(|point| point.path.contains("temperature")).expect("a temperature").path.clone();
    let (readings, begin, recorder) = again(&data, recorded, points, 86_400_000 + 2 * SLOT_MS);
    let sizes =
        |kind: &str| std::fs::metadata(data.join(format!("history/{kind}-000001.sqlite"))).map(|file| file.len());
    let until = Instant::now() + Duration::from_secs(300);
    while sizes("quarter").is_err() && Instant::now() < until {
        std::thread::sleep(Duration::from_millis(50));
    }
    recorder.stop();
    let of_day = readings as f64 * 86_400_000.0 / (begin - DAY) as f64;
    let bytes = |kind| sizes(kind).map_or(f64::NAN, |bytes| bytes as f64);
    report("history_raw", bytes("raw") / of_day, "B a reading", "published XOR coding", Some(1.37));
    report("history_minute", bytes("minute") / of_day, "B a reading", "none", None);
    report("history_quarter", bytes("quarter") / of_day, "B a reading", "none", None);

    let reader = Reader::new(&data);
    let mut warm: Vec<f64> = (0..25).map(|_| query(&reader, &path)).collect();
    report("history_query_day_warm", quantile(&mut warm, 0.5), "ms", "goal", Some(10.0));
    // Only root may ask; without it there is nothing to report.
    if std::fs::write("/proc/sys/vm/drop_caches", "1").is_ok() {
        let mut cold = Vec::new();
        for _ in 0..5 {
            std::fs::write("/proc/sys/vm/drop_caches", "1").expect("asked before");
            cold.push(query(&Reader::new(&data), &path));
        }
        report("history_query_day_cold", quantile(&mut cold, 0.5), "ms", "goal", Some(150.0));
    }
    let (begun, mut steps) = (Instant::now(), 0_u64);
    for slot in reader.slots().expect("slots").into_iter().take(8) {
        reader
            .steps(slot, |_, entries| {
                steps += entries.len() as u64;
                ControlFlow::Continue(())
            })
            .expect("steps");
    }
    let times = 8.0 * SLOT_MS as f64 / 1000.0 / begun.elapsed().as_secs_f64();
    report("history_read_in_order", times, "times real time", "goal of backfill", Some(50.0));
}

/// Waits until the writer has taken everything and no slot waits to be closed.
///
/// # Panics
/// When it does not get there.
fn settled(recorder: &Recorder, data: &Path) {
    let begun = Instant::now();
    // Answered once what was handed over has been taken.
    recorder.flush();
    while recorder.state().waiting > 0 || data.join("history/closing.slot").exists() {
        let state = recorder.state();
        assert!(begun.elapsed() < Duration::from_secs(900), "the history does not settle: {state:?}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

fn query(reader: &Reader, path: &str) -> f64 {
    let begun = Instant::now();
    let found = reader.readings(&[path], DAY, DAY + 86_400_000, Wanted::Buckets(1000)).expect("answered");
    assert!(found[0].buckets.iter().filter(|bucket| bucket.count > 0).count() > 900);
    begun.elapsed().as_secs_f64() * 1e3
}

/// A slot of a hundred thousand points, once a second.
fn many(home: &TempDir) -> PathBuf {
    const POINTS: u32 = 100_000;
    let data = home.join("many");
    let points = (1..=POINTS).map(|id| (id, key(id))).collect();
    let (recorder, _) = Recorder::start(beginning(&data, points)).expect("started");
    let (begun, before) = (Instant::now(), processor());
    for second in 0..(SLOT_MS / 1000 + 2) {
        let mut batch = Batch::default();
        for source in 0..POINTS / 100 {
            let ids = source * 100 + 1..=source * 100 + 100;
            let entries = ids.map(|id| {
                let noise = (i64::from(id) * 7919 + second * 104_729) % 11 / 4;
                Entry::good(id, 200 + second / 60 + noise)
            });
            batch.readings(DAY + second * 1000 + i64::from(source % 7), 0, source, entries);
        }
        recorder.submit(batch);
        while recorder.state().waiting > 500_000 {
            std::thread::sleep(Duration::from_millis(1));
        }
    }
    settled(&recorder, &data);
    let busy = (processor() - before).as_secs_f64() / (SLOT_MS as f64 / 1000.0) * 100.0;
    report("history_100k_points_processor", busy, "% of one core at 1 Hz", "all of the agent", Some(40.0));
    report("history_100k_points_elapsed", begun.elapsed().as_secs_f64(), "s for 900 s", "none", None);
    assert_eq!(recorder.state().dropped, 0);
    recorder.stop();
    data
}

/// Reads a slot of a hundred thousand points again, in a process of its own.
pub(crate) fn reread() {
    if let Some(data) = std::env::var_os("LAPWING_BENCH_DATA") {
        return read_slot(Path::new(&data));
    }
    let home = TempDir::new("bench-reread");
    let data = many(&home);
    let own = std::env::current_exe().expect("a program knows its file");
    let read = Command::new(own).arg("reread").env("LAPWING_BENCH_DATA", data).status();
    assert!(read.expect("it runs").success());
}

fn read_slot(data: &Path) {
    let reader = Reader::new(data);
    let place = reader.slots().expect("slots").into_iter().next().expect("a slot");
    let points = reader.points_at(place.place).expect("points").len();
    let (begun, busy, before) = (Instant::now(), processor(), memory("VmRSS:"));
    let (mut readings, mut steps) = (0_u64, 0_u64);
    reader
        .steps(place, |_, entries| {
            readings += entries.len() as u64;
            steps += 1;
            ControlFlow::Continue(())
        })
        .expect("steps");
    let (took, busy) = (begun.elapsed().as_secs_f64(), (processor() - busy).as_secs_f64());
    eprintln!("{points} points, {readings} readings in {steps} steps");
    let passes = reader.unpacked() as f64 / points as f64;
    report("history_reread_passes", passes, "times each block is unpacked", "a bound", Some(8.0));
    let peak = (memory("VmHWM:") - before) / 1024.0;
    report("history_reread_memory", peak, "MiB", "all of the agent at 100 000 points", Some(250.0));
    report("history_reread_processor", busy, "s for a slot of 900 s", "18 s: 50 times real time", Some(18.0));
    report("history_reread_elapsed", took, "s for a slot of 900 s", "18 s: 50 times real time", Some(18.0));
}

/// A figure of this process's memory, KiB (proc(5)).
fn memory(key: &str) -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").expect("Linux says so");
    let line = status.lines().find_map(|line| line.strip_prefix(key)).expect("it is there");
    line.split_whitespace().next().and_then(|kib| kib.parse().ok()).expect("a number")
}

/// Processor time of this process.
fn processor() -> Duration {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
    Duration::new(now.tv_sec.unsigned_abs(), u32::try_from(now.tv_nsec).unwrap_or(0))
}

fn key(id: u32) -> PointKey {
    PointKey { path: format!("many/{id}"), quantity: "temperature".into(), unit: "Cel".into(), exponent: -1 }
}

fn beginning(data: &std::path::Path, points: Vec<(u32, PointKey)>) -> Beginning {
    Beginning {
        data_dir: data.to_path_buf(),
        start: Start::default(),
        texts: Vec::new(),
        points,
        limits: History { reserve_mib: 16, ..History::default() },
        wall_ms: DAY,
        synced: true,
    }
}
