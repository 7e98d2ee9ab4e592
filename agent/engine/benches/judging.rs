//! Measures what judging one reading costs: decoding, validity, conditions, delays and, for one point in ten, a slope.
//!
//! Readings come in scan order, every point once a second of plant time. The peer does the same work the obvious way:
//! points and alarms in a string-keyed table, values in f64, the slope recomputed over its window each time. Both run
//! interleaved in nine pairs; medians are printed as one JSON line for 10 000 points and one for 1 000 000. Figures are
//! time of one thread on the processor (Linux; elsewhere wall time), in nanoseconds a reading.

use std::collections::{HashMap, VecDeque};
use std::hint::black_box;
use std::time::{Duration, Instant};

use lapwing_engine::spec::{AlarmSpec, Condition, Decode, Layout, Millis, PointSpec, Raw, Span, Tables, WindowSpec};
use lapwing_engine::{AlarmState, Engine, PointState, Window};
use lapwing_protocol::{Decimal, Priority};

const WINDOW: WindowSpec = WindowSpec { over_ms: 10_000, spacing_ms: 1000 };
const PAIRS: usize = 9;

fn main() {
    // As `cargo test --benches` would call it: only try it.
    let quick = std::env::args().any(|argument| argument == "--test");
    for (name, count) in [("judging_10k", 10_000), ("judging_1m", 1_000_000)] {
        let asked = std::env::args().skip(1).find(|argument| !argument.starts_with("--"));
        if quick && count > 10_000 || asked.is_some_and(|asked| !name.contains(&asked)) {
            continue;
        }
        let scans = if quick { 1 } else { (10_000_000 / count).max(3) };
        measure(name, count, scans);
    }
}

fn measure(name: &str, count: usize, scans: usize) {
    let mut plant = Plant::new(count);
    let mut peer = Peer::new(count);
    let field = Field::new(count);
    let mut ours = Vec::new();
    let mut theirs = Vec::new();
    let Plant { points, alarms, windows, point_states, alarm_states, window_states } = &mut plant;
    let tables = Tables { points, alarms, windows, absent: &[0x8000] };
    let mut engine = Engine::new(tables, point_states, alarm_states, window_states).expect("the plan fits itself");
    let mut second = 0;
    let mut told = 0_u64;
    for _ in 0..=PAIRS {
        let begin = Stopwatch::start();
        for scan in second..second + scans as u64 {
            let at = Millis(scan * 1000);
            engine.poll(at, &mut |_| told += 1);
            for point in 0..u32::try_from(count).expect("fits") {
                let mut words = [0; 8];
                words[0] = field.word(point as usize, scan);
                engine.read(at, point, &Raw::Words { words, len: 1, scale_factor: 0 }, at, &mut |_| told += 1);
            }
        }
        let mine = begin.elapsed();
        // The peer needs long enough for one scan.
        let peer_scans = scans.min(20) as u64;
        let begin = Stopwatch::start();
        for scan in second..second + peer_scans {
            for point in 0..count {
                told += u64::from(peer.read(point, field.word(point, scan), scan));
            }
        }
        let other = begin.elapsed();
        #[allow(clippy::cast_precision_loss)]
        let per_reading = |time: Duration, scans: u64| time.as_nanos() as f64 / (scans * count as u64) as f64;
        ours.push(per_reading(mine, scans as u64));
        theirs.push(per_reading(other, peer_scans));
        second += scans as u64;
    }
    black_box(told);
    // The first pair fills windows and caches.
    let median = |mut all: Vec<f64>| {
        all.remove(0);
        all.sort_by(f64::total_cmp);
        all[all.len() / 2]
    };
    let (ours, theirs) = (median(ours), median(theirs));
    println!(
        "{{\"name\":\"{name}\",\"value\":{ours:.2},\"unit\":\"ns\",\"peer\":\"string-keyed table, window recomputed\",\"peer_value\":{theirs:.1},\"ratio\":{:.1}}}",
        theirs / ours
    );
}

/// Time on the processor, which other programs on the machine stretch less than wall time.
struct Stopwatch(Duration, Instant);

impl Stopwatch {
    fn start() -> Self {
        Self(Self::on_processor().unwrap_or_default(), Instant::now())
    }

    fn elapsed(&self) -> Duration {
        Self::on_processor().map_or_else(|| self.1.elapsed(), |now| now - self.0)
    }

    /// First field of proc(5) schedstat: nanoseconds this thread has run.
    fn on_processor() -> Option<Duration> {
        let text = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
        text.split(' ').next()?.parse().ok().map(Duration::from_nanos)
    }
}

/// What the field sends, made beforehand: sixteen scans that repeat, a slow wave with a little noise; one point in a
/// thousand is over its limit in half of them.
struct Field(Vec<Vec<u16>>);

impl Field {
    fn new(count: usize) -> Self {
        let word = |point: u64, scan: u64| {
            let noise = point.wrapping_mul(0x9E37_79B9).wrapping_add(scan.wrapping_mul(0x85EB_CA6B)) >> 7 & 3;
            let high = if point % 1000 == 999 && scan >= 8 { 100 } else { 0 };
            u16::try_from(220 + scan.abs_diff(8) * 2 + point % 40 + noise + high).expect("small")
        };
        Self((0..16).map(|scan| (0..count as u64).map(|point| word(point, scan)).collect()).collect())
    }

    fn word(&self, point: usize, scan: u64) -> u16 {
        self.0[(scan % 16) as usize][point]
    }
}

struct Plant {
    points: Vec<PointSpec>,
    alarms: Vec<AlarmSpec>,
    windows: Vec<WindowSpec>,
    point_states: Vec<PointState>,
    alarm_states: Vec<AlarmState>,
    window_states: Vec<Window>,
}

impl Plant {
    /// Each point has a high alarm with delays; one in ten a rise alarm as well.
    fn new(count: usize) -> Self {
        let alarm = |point, condition| AlarmSpec {
            point,
            condition,
            on_delay_ms: 3000,
            off_delay_ms: 2000,
            latching: false,
            priority: Priority::High,
            max_shelf_ms: 3_600_000,
        };
        let (mut points, mut alarms, mut windows) = (Vec::new(), Vec::new(), Vec::new());
        for point in 0..u32::try_from(count).expect("fits") {
            let first = u32::try_from(alarms.len()).expect("fits");
            alarms.push(alarm(point, Condition::High { limit: 300, deadband: 10 }));
            let window = (point % 10 == 0).then(|| {
                alarms.push(alarm(point, Condition::Rise { per_min: 900, deadband: 100 }));
                windows.push(WINDOW);
                u32::try_from(windows.len() - 1).expect("fits")
            });
            points.push(PointSpec {
                decode: Decode {
                    layout: Layout::I16,
                    scale: Decimal::new(1, -1),
                    absent: Span { first: 0, count: 1 },
                    ..Decode::default()
                },
                exponent: -1,
                valid: Some((-200, 900)),
                rate_max: None,
                max_age_ms: 3000,
                alarms: Span { first, count: 1 + u32::from(window.is_some()) },
                window,
            });
        }
        Self {
            point_states: vec![PointState::default(); points.len()],
            alarm_states: vec![AlarmState::default(); alarms.len()],
            window_states: vec![Window::default(); windows.len()],
            points,
            alarms,
            windows,
        }
    }
}

/// The obvious way.
struct Peer {
    names: Vec<String>,
    points: HashMap<String, PeerPoint>,
}

#[derive(Default)]
struct PeerPoint {
    value: f64,
    at: u64,
    good: bool,
    true_since: Option<u64>,
    clear_since: Option<u64>,
    active: bool,
    rise_since: Option<u64>,
    rising: bool,
    window: Option<VecDeque<(u64, f64)>>,
}

impl Peer {
    fn new(count: usize) -> Self {
        let names: Vec<String> = (0..count).map(|point| format!("rack/{:05}/inlet/top/temperature", point)).collect();
        let point = |at: usize| PeerPoint { window: at.is_multiple_of(10).then(VecDeque::new), ..PeerPoint::default() };
        let points = names.iter().enumerate().map(|(at, name)| (name.clone(), point(at))).collect();
        Self { names, points }
    }

    fn read(&mut self, point: usize, word: u16, second: u64) -> bool {
        let Some(state) = self.points.get_mut(&self.names[point]) else { return false };
        state.good = word != 0x8000;
        let value = f64::from(word.cast_signed()) * 0.1;
        state.good &= (-20.0..=90.0).contains(&value);
        (state.value, state.at) = (value, second);
        if !state.good {
            return false;
        }
        let mut told = false;
        if state.active {
            if value < 29.0 {
                let since = *state.clear_since.get_or_insert(second);
                if second - since >= 2 {
                    (state.active, state.true_since, told) = (false, None, true);
                }
            } else {
                state.clear_since = None;
            }
        } else if value > 30.0 {
            let since = *state.true_since.get_or_insert(second);
            if second - since >= 3 {
                (state.active, state.clear_since, told) = (true, None, true);
            }
        } else {
            state.true_since = None;
        }
        if let Some(window) = &mut state.window {
            window.push_back((second, value));
            while window.front().is_some_and(|(at, _)| second - at > 10) {
                window.pop_front();
            }
            #[allow(clippy::cast_precision_loss)]
            let slope = {
                let n = window.len() as f64;
                let mean_t = window.iter().map(|(t, _)| (t - window[0].0) as f64).sum::<f64>() / n;
                let mean_v = window.iter().map(|(_, v)| v).sum::<f64>() / n;
                let sxy: f64 = window.iter().map(|(t, v)| ((t - window[0].0) as f64 - mean_t) * (v - mean_v)).sum();
                let sxx: f64 = window.iter().map(|(t, _)| ((t - window[0].0) as f64 - mean_t).powi(2)).sum();
                sxy / sxx
            };
            if slope * 60.0 > 90.0 {
                let since = *state.rise_since.get_or_insert(second);
                told |= !state.rising && second - since >= 3;
                state.rising |= second - since >= 3;
            } else if slope * 60.0 < 80.0 {
                (state.rise_since, state.rising) = (None, false);
            }
        }
        told
    }
}
