//! A day of history of a configuration's field points, once a second up to now, for the page's measurement of its trends.
//!
//! Where it is written and for what comes from `LAPWING_DAY_CONFIG` (a module file) and `LAPWING_DAY_DIR` (the data
//! directory of an agent that has not run yet). Signals are invented: a slow swing, noise, a step now and then. Times are
//! ms since the Unix epoch. Panics when anything cannot be set up.

use std::path::PathBuf;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use lapwing::config::{Overrides, load};
use lapwing::plan::History;
use lapwing::store::PointKey;
use lapwing::store::history::{Batch, Beginning, Entry, Recorder, SLOT_MS, Start};

use crate::report;

const DAY_MS: i64 = 86_400_000;
/// A slot is closed within this, also by an unoptimised build on a busy machine.
const PATIENCE: Duration = Duration::from_secs(60);

/// Writes the day.
pub(crate) fn run() {
    let given = |name: &str| PathBuf::from(std::env::var_os(name).unwrap_or_else(|| panic!("{name} is not set")));
    let (config, dir) = (given("LAPWING_DAY_CONFIG"), given("LAPWING_DAY_DIR"));
    let plan = load(&config, std::iter::empty(), &Overrides::default()).unwrap_or_else(|wrong| panic!("{wrong}")).plan;
    let key = |point: &lapwing::plan::Point| PointKey {
        path: point.path.clone(),
        quantity: point.quantity.clone(),
        unit: point.unit.clone(),
        exponent: point.exponent,
    };
    // A store that is made for this plan numbers its points in this order.
    let points: Vec<(u32, PointKey)> = (1..).zip(plan.points.iter().map(key)).collect();
    let field: u32 = plan.transactions.iter().map(|transaction| transaction.points.count).sum();
    let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or(Duration::ZERO).as_millis();
    let now = i64::try_from(now).expect("invariant: a stamp of this age of the world") / 1000 * 1000;
    let begin = now - DAY_MS;
    let limits = History { reserve_mib: 16, ..History::default() };
    let start = Start::default();
    let (recorder, _) = Recorder::start(Beginning {
        data_dir: dir.clone(),
        start,
        texts: Vec::new(),
        points,
        limits,
        wall_ms: begin,
        synced: true,
    })
    .expect("history starts");
    let mut at = begin;
    while at < now {
        let end = now.min(at + SLOT_MS);
        let mut batch = Batch::default();
        while at < end {
            let second = (at - begin) / 1000;
            let entries = (1..=field).map(|id| {
                let noise = (i64::from(id) * 7919 + second * 104_729) % 7 - 3;
                let swing = ((second as f64 / 3600.0 + f64::from(id)).sin() * 20.0).round() as i64;
                Entry::good(id, 200 + swing + noise + if second % 20_000 > 19_000 { 30 } else { 0 })
            });
            batch.readings(at, 0, 0, entries);
            at += 1000;
        }
        recorder.submit(batch);
        let submitted = Instant::now();
        // Answered once what was handed over has been taken: before that nothing waits to be closed.
        recorder.flush();
        while recorder.state().waiting > 0 || dir.join("history/closing.slot").exists() {
            let state = recorder.state();
            let why = state.failing.map(|(_, why)| why);
            assert!(why.is_none() && submitted.elapsed() < PATIENCE, "a slot is not closed in time: {why:?}");
            std::thread::sleep(Duration::from_millis(5));
        }
    }
    assert_eq!(recorder.state().dropped, 0);
    recorder.stop();
    report("page_day_readings", f64::from(field) * DAY_MS as f64 / 1000.0, "readings", "none", None);
}
