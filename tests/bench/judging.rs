//! Nanoseconds to judge one reading, against a table keyed by text that recomputes its window each time.
//!
//! Both judge the same readings in the same order: range, a high and a low limit with dead band and delay, and the
//! least-squares slope of the last 30 s against a limit on every fourth point. Interleaved in one process; the median of
//! 9 pairs is reported. The engine gets readings in scan order, as it does in the agent.

use std::collections::{HashMap, VecDeque};
use std::hint::black_box;
use std::time::Instant;

use lapwing_engine::spec::{AlarmSpec, Condition, Decode, Layout, Millis, PointSpec, Raw, Span, Tables, WindowSpec};
use lapwing_engine::{AlarmState, Effect, Engine, PointState, Window};
use lapwing_protocol::{Decimal, Priority};

use crate::{quantile, report};

const PAIRS: usize = 9;
/// Scans of every point in one pass.
const SCANS: u64 = 5;
/// One point in this many has a trend.
const TREND_EVERY: u32 = 4;
const OVER_MS: u32 = 30_000;

/// Points, name, and the time a reading should take, ns: at the larger sizes the tables no longer fit the caches.
const SIZES: [(u32, &str, f64); 5] = [
    (1_000, "judging_1k", 15.0),
    (10_000, "judging_10k", 15.0),
    (100_000, "judging_100k", 25.0),
    (200_000, "judging_200k", 25.0),
    (1_000_000, "judging_1m", 25.0),
];
/// Points that all cross their limit in one scan.
const STORM: u32 = 10_000;

/// Measures and reports.
pub(crate) fn run() {
    for (points, name, goal_ns) in SIZES {
        measure(points, name, goal_ns);
    }
    memory();
    storm();
}

fn measure(points: u32, name: &str, goal_ns: f64) {
    let specs = Specs::of(points);
    let mut points_state = vec![PointState::default(); specs.points.len()];
    let mut alarms_state = vec![AlarmState::default(); specs.alarms.len()];
    let mut windows_state = vec![Window::default(); specs.windows.len()];
    let tables = Tables {
        points: &specs.points,
        alarms: &specs.alarms,
        windows: &specs.windows,
        absent: &[],
        uses: &[],
        use_alarms: &[],
    };
    let mut engine =
        Engine::new(tables, &mut points_state, &mut alarms_state, &mut windows_state).expect("the tables fit together");
    let mut table = Table::of(points);

    let (mut ours, mut theirs) = (Vec::new(), Vec::new());
    let mut effects = 0_u64;
    let mut scan = 0;
    // One pass fills the windows before anything is timed.
    for pass in 0..=PAIRS {
        let begun = Instant::now();
        for n in 0..SCANS {
            let now = Millis((scan + n) * 1000);
            for point in 0..points {
                let raw = words(sample(point, scan + n));
                engine.read(now, point, &raw, now, &mut |effect| {
                    black_box(&effect);
                    effects += 1;
                });
            }
            engine.poll(now, &mut |effect| {
                black_box(&effect);
                effects += 1;
            });
        }
        let took = begun.elapsed();
        let begun = Instant::now();
        for n in 0..SCANS {
            for point in 0..points {
                table.judge(point, i64::from(sample(point, scan + n)), (scan + n) * 1000);
            }
        }
        let took_table = begun.elapsed();
        if pass > 0 {
            let each = 1e9 / (SCANS * u64::from(points)) as f64;
            ours.push(took.as_secs_f64() * each);
            theirs.push(took_table.as_secs_f64() * each);
        }
        scan += SCANS;
    }
    black_box((effects, table.raised));
    let (ours, theirs) = (quantile(&mut ours, 0.5), quantile(&mut theirs, 0.5));
    report(name, ours, "ns a reading", "string-keyed table, window recomputed", Some(theirs));
    report(&format!("{name}_goal"), ours, "ns a reading", "goal", Some(goal_ns));
}

/// What one more alarm takes: its settings and its state, without texts.
fn memory() {
    let bytes = (size_of::<AlarmSpec>() + size_of::<AlarmState>()) as f64;
    report("memory_per_alarm", bytes, "bytes in the engine", "of that its state", Some(size_of::<AlarmState>() as f64));
    let point = (size_of::<PointSpec>() + size_of::<PointState>()) as f64;
    report("memory_per_point", point, "bytes in the engine", "of that its state", Some(size_of::<PointState>() as f64));
}

/// Every point crosses its limit in one scan: each is judged whole, waits out its delay and is raised, all in one poll.
fn storm() {
    let specs = Specs::of(STORM);
    let tables = Tables {
        points: &specs.points,
        alarms: &specs.alarms,
        windows: &specs.windows,
        absent: &[],
        uses: &[],
        use_alarms: &[],
    };
    let (mut crossing, mut raising) = (Vec::new(), Vec::new());
    for _ in 0..PAIRS {
        let mut points_state = vec![PointState::default(); specs.points.len()];
        let mut alarms_state = vec![AlarmState::default(); specs.alarms.len()];
        let mut windows_state = vec![Window::default(); specs.windows.len()];
        let mut engine = Engine::new(tables, &mut points_state, &mut alarms_state, &mut windows_state)
            .expect("the tables fit together");
        let mut raised = 0_u32;
        let mut count = |effect| raised += u32::from(matches!(effect, Effect::Alarm(told) if told.annunciate));
        let mut scan = |engine: &mut Engine<'_>, second: u64, value: u16| {
            let now = Millis(second * 1000);
            let begun = Instant::now();
            engine.poll(now, &mut count);
            for point in 0..STORM {
                engine.read(now, point, &words(value), now, &mut count);
            }
            begun.elapsed().as_secs_f64() * 1e9 / f64::from(STORM)
        };
        for second in 0..5 {
            scan(&mut engine, second, 2000);
        }
        crossing.push(scan(&mut engine, 5, 3500));
        for second in 6..10 {
            scan(&mut engine, second, 3500);
        }
        raising.push(scan(&mut engine, 10, 3500));
        assert!(raised >= STORM, "invariant: the delay of five seconds has passed, every point has raised its alarm");
    }
    report("storm_crossing", quantile(&mut crossing, 0.5), "ns a point", "10 000 points cross in one scan", None);
    report("storm_raising", quantile(&mut raising, 0.5), "ns an alarm", "their delays end in one poll", None);
}

/// A slow wave with noise, never at a limit: the healthy case is the one that runs all day.
fn sample(point: u32, scan: u64) -> u16 {
    let mixed = (u64::from(point) * 2_654_435_761 + scan * 40_503) >> 7;
    2000 + u16::try_from(mixed % 40).expect("invariant: below 40")
}

fn words(value: u16) -> Raw {
    Raw::Words { words: [value, 0, 0, 0, 0, 0, 0, 0], len: 1, scale_factor: 0 }
}

struct Specs {
    points: Vec<PointSpec>,
    alarms: Vec<AlarmSpec>,
    windows: Vec<WindowSpec>,
}

impl Specs {
    fn of(points: u32) -> Self {
        let mut specs = Self { points: Vec::new(), alarms: Vec::new(), windows: Vec::new() };
        for point in 0..points {
            let first = u32::try_from(specs.alarms.len()).expect("invariant: far below 2^32");
            let mut conditions =
                vec![Condition::High { limit: 3000, deadband: 20 }, Condition::Low { limit: 1000, deadband: 20 }];
            let trend = point % TREND_EVERY == 0;
            let window = trend.then(|| {
                specs.windows.push(WindowSpec { over_ms: OVER_MS, spacing_ms: 1000 });
                u32::try_from(specs.windows.len() - 1).expect("invariant: far below 2^32")
            });
            if trend {
                conditions.push(Condition::Rise { per_min: 600, deadband: 50 });
            }
            let count = u32::try_from(conditions.len()).expect("invariant: three at most");
            specs.alarms.extend(conditions.into_iter().map(|condition| AlarmSpec {
                point,
                condition,
                on_delay_ms: 5000,
                off_delay_ms: 5000,
                latching: false,
                priority: Priority::High,
                max_shelf_ms: 0,
                only_while: None,
            }));
            specs.points.push(PointSpec {
                decode: Decode { layout: Layout::U16, scale: Decimal::new(1, 0), ..Decode::default() },
                exponent: 0,
                valid: Some((0, 10_000)),
                max_age_ms: 3500,
                alarms: Span { first, count },
                window,
                ..PointSpec::default()
            });
        }
        specs
    }
}

/// What one would write first: settings and state in maps by name, the slope from the whole window each time.
struct Table {
    names: Vec<String>,
    limits: HashMap<String, (f64, f64, f64)>,
    pending: HashMap<String, Option<u64>>,
    windows: HashMap<String, VecDeque<(u64, f64)>>,
    raised: u64,
}

impl Table {
    fn of(points: u32) -> Self {
        let names: Vec<String> =
            (0..points).map(|point| format!("module/rack/{:02}/point/{point}/value", point % 18)).collect();
        let limits = names.iter().map(|name| (name.clone(), (1000.0, 3000.0, 20.0))).collect();
        let windows = names.iter().step_by(TREND_EVERY as usize).map(|name| (name.clone(), VecDeque::new())).collect();
        Self { names, limits, pending: HashMap::new(), windows, raised: 0 }
    }

    fn judge(&mut self, point: u32, raw: i64, now_ms: u64) {
        let name = &self.names[point as usize];
        let value = raw as f64;
        if !(0.0..=10_000.0).contains(&value) {
            return;
        }
        let (low, high, deadband) = self.limits[name];
        for (condition, holds) in [("high", value > high), ("low", value < low)] {
            let key = format!("{name}/{condition}");
            let pending = self.pending.entry(key).or_default();
            *pending =
                if holds || (pending.is_some() && value > high - deadband) { pending.or(Some(now_ms)) } else { None };
            if pending.is_some_and(|since| now_ms - since >= 5000) {
                self.raised += 1;
            }
        }
        if let Some(window) = self.windows.get_mut(name) {
            window.push_back((now_ms, value));
            while window.front().is_some_and(|(at, _)| now_ms - at > u64::from(OVER_MS)) {
                window.pop_front();
            }
            let n = window.len() as f64;
            let mean_t = window.iter().map(|(at, _)| *at as f64).sum::<f64>() / n;
            let mean_v = window.iter().map(|(_, v)| v).sum::<f64>() / n;
            let (mut above, mut below) = (0.0, 0.0);
            for (at, v) in &*window {
                above += (*at as f64 - mean_t) * (v - mean_v);
                below += (*at as f64 - mean_t).powi(2);
            }
            if below > 0.0 && above / below * 60_000.0 > 600.0 {
                self.raised += 1;
            }
        }
    }
}
