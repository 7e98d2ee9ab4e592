//! Six hours without a broker, and its return: memory, how fast lost frames come, what that costs live events.
//!
//! The agent's own store, history and publisher in this process; 800 points once a second, a frame a second, an event
//! every ten, `LAPWING_BENCH_OUTAGE_S` seconds of it (21 600 unless given), played as fast as they are taken. Then the
//! broker starts. Live traffic goes on at its real pace while late frames are sent. An event's latency runs from handing it
//! to the store to its arrival at a subscriber.

use std::collections::HashSet;
use std::path::Path;
use std::time::{Duration, Instant};

use lapwing::late::Late;
use lapwing::publish::FrameId;
use lapwing::store::PointKey;
use lapwing::store::history::{Batch, Beginning, Entry, Happening, Limits, Reader, Recorder, Start};
use lapwing_protocol::{Encoding, FrameBuilder, Status};
use lapwing_tests::broker::Broker;
use lapwing_tests::place::TempDir;

use crate::mqtt::Listener;
use crate::own::{Own, number};
use crate::{quantile, report};

const POINTS: u32 = 800;
/// Beginning of the outage on the axis.
const T0: i64 = 1_790_000_100_000;
/// Events timed while nothing is late.
const SAMPLES: usize = 400;
/// Between two of them.
const EVERY: Duration = Duration::from_millis(50);

/// Measures and reports.
pub(crate) fn run() {
    let home = TempDir::new("bench-outage");
    let text = std::env::var("LAPWING_BENCH_OUTAGE_S").ok();
    let seconds = text.and_then(|text| text.parse().ok()).unwrap_or(21_600_i64);
    let mut broker = Broker::prepared();
    let mut bay = Bay::start(home.path(), broker.port());

    let hour = seconds / 6;
    (0..hour).for_each(|second| bay.second(second, true));
    bay.keeps_up();
    let after_an_hour = resident();
    (hour..seconds).for_each(|second| bay.second(second, true));
    bay.keeps_up();
    let after_all = resident();
    report("outage_resident", after_all / 1e6, "MB", "after its first sixth", Some(after_an_hour / 1e6));
    report("outage_frames_missing", bay.recorder.state().frames_missing as f64, "frames", "lost", Some(seconds as f64));

    broker.go();
    let listener =
        Listener::subscribe(broker.port(), "bench-listener", &["lapwing/bench/own/event", "lapwing/bench/own/frame"]);
    bay.own.release();
    let mut heard = Heard { listener, events: 0, frames: HashSet::new(), late: 0 };
    // What waited goes first.
    bay.own.all_confirmed();
    while heard.events < seconds as u64 / 10 {
        assert!(heard.next(Duration::from_secs(20)).is_some(), "only {} events of the outage came", heard.events);
    }

    let begun = Instant::now();
    let before = heard.late;
    let mut busy = Vec::new();
    let mut second = seconds;
    while bay.recorder.state().frames_missing > 0 {
        assert!(begun.elapsed() < Duration::from_secs(1200), "late frames do not end");
        live(&mut bay, &mut heard, &mut second, begun, seconds, &mut busy);
    }
    let took = begun.elapsed().as_secs_f64();
    report("backfill_rate", (heard.late - before) as f64 / took, "times real time", "goal", Some(50.0));
    while heard.next(Duration::from_millis(200)).is_some() {}
    let missing = (1..=seconds as u64).filter(|frame| !heard.frames.contains(frame)).count();
    assert_eq!(missing, 0, "every frame of the outage came");

    let begun = Instant::now();
    let from = second;
    let mut calm = Vec::new();
    while calm.len() < SAMPLES {
        live(&mut bay, &mut heard, &mut second, begun, from, &mut calm);
    }
    let n = busy.len();
    for (share, name) in [(0.5, "p50"), (0.99, "p99")] {
        let (with, without) = (quantile(&mut busy, share), quantile(&mut calm, share));
        report(&format!("backfill_event_{name}"), with, "ms", "without late frames", Some(without));
    }
    eprintln!("{n} events timed during backfill, {SAMPLES} after it");
    bay.stop();
}

/// One live event, timed, and the live readings of the seconds that have passed.
fn live(bay: &mut Bay, heard: &mut Heard, second: &mut i64, begun: Instant, from: i64, times: &mut Vec<f64>) {
    while *second - from < begun.elapsed().as_secs() as i64 {
        bay.second(*second, false);
        *second += 1;
    }
    let handed = Instant::now();
    let seq = bay.own.event();
    let arrived = loop {
        let (event, at) = heard.next(Duration::from_secs(20)).expect("a live event arrives");
        if event == Some(seq) {
            break at;
        }
    };
    times.push(arrived.saturating_duration_since(handed).as_secs_f64() * 1e3);
    std::thread::sleep(EVERY.saturating_sub(handed.elapsed()));
}

/// What arrived.
struct Heard {
    listener: Listener,
    events: u64,
    /// Numbers of frames, late and live.
    frames: HashSet<u64>,
    late: u64,
}

impl Heard {
    /// The next arrival: number of the event if it is one, and when.
    fn next(&mut self, within: Duration) -> Option<(Option<u64>, Instant)> {
        let (payload, at) = self.listener.wait(within, |arrival| Some((arrival.payload.clone(), arrival.at)))?;
        if let Some(seq) = number(&payload) {
            self.events += 1;
            return Some((Some(seq), at));
        }
        let frame: serde_json::Value = serde_json::from_slice(&payload).expect("a frame is JSON");
        self.frames.insert(frame["seq"].as_u64().expect("a frame has a number"));
        self.late += u64::from(frame["late"] == true);
        Some((None, at))
    }
}

/// What the agent has behind its core.
struct Bay {
    own: Own,
    recorder: Recorder,
    late: Late,
    start: u64,
    frame: u64,
    values: Vec<i64>,
    chance: u64,
}

impl Bay {
    fn start(dir: &Path, port: u16) -> Self {
        let own = Own::start(dir, port);
        let key =
            |id| PointKey { path: format!("p/{id}"), quantity: "temperature".into(), unit: "Cel".into(), exponent: -1 };
        let (recorder, found) = Recorder::start(Beginning {
            data_dir: dir.to_path_buf(),
            start: Start { log: own.opened.log.clone(), boot: own.opened.boot, ..Start::default() },
            texts: Vec::new(),
            points: (1..=POINTS).map(|id| (id, key(id))).collect(),
            limits: Limits { reserve_mib: 16, ..Limits::default() },
            wall_ms: T0,
            synced: true,
        })
        .expect("the history starts");
        let late = Late::start(Reader::new(dir), recorder.clone(), own.publisher.clone(), Encoding::Json, found.number)
            .expect("the host gives a thread");
        let values = (0..POINTS).map(|n| 200 + i64::from(n % 50)).collect();
        Self { own, recorder, late, start: found.number, frame: 1, values, chance: 1 }
    }

    /// A second of readings and their frame; an event every ten seconds if `eventful`.
    fn second(&mut self, second: i64, eventful: bool) {
        let at = T0 + second * 1000;
        let mut batch = Batch::default();
        let mut frame = FrameBuilder::new(&self.own.opened.log, self.own.opened.boot, "", self.frame);
        for value in &mut self.values {
            // Knuth's MMIX generator; a sensor's last digit moves now and then.
            self.chance = self.chance.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            *value += match self.chance >> 60 {
                0 => 1,
                1 => -1,
                _ => 0,
            };
        }
        let entries = (1..=POINTS).zip(&self.values).map(|(id, value)| Entry::good(id, *value));
        batch.readings(at, 0, 0, entries);
        (1..=POINTS).zip(&self.values).for_each(|(id, value)| frame.push(id, at, Some(*value), Status::GOOD));
        let first = self.frame;
        for made in frame.finish() {
            let payload = Encoding::Json.to_vec(&made).expect("a frame can be written");
            self.recorder.frame_handed(self.frame);
            let id = FrameId { start: self.start, number: self.frame, late: false };
            self.own.publisher.frame("frame".into(), payload, id).expect("a frame fits");
            self.frame += 1;
        }
        batch.happened(at, 0, Happening::Frames { first, next: self.frame });
        self.recorder.submit(batch);
        if eventful && second % 10 == 0 {
            self.own.event();
        }
        while self.recorder.state().waiting > 100_000 {
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    /// Waits until the writers have nothing to do.
    fn keeps_up(&self) {
        while self.recorder.state().waiting > 0 || self.own.writer.state().waiting > 0 {
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    fn stop(self) {
        assert_eq!(self.recorder.state().dropped, 0, "history has everything");
        self.late.stop();
        self.own.stop();
        self.recorder.stop();
    }
}

/// Bytes of this process in memory.
fn resident() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").expect("this process runs");
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).expect("Linux says so");
    let kib: f64 = line.trim().trim_end_matches(" kB").parse().expect("a number of KiB");
    kib * 1024.0
}
