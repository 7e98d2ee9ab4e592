//! Rehearses the demo's alarm set: every fault of the simulator at several loads, alone and in pairs, and quiet days.
//!
//! `lapwing-rehearse [--seeds N] [--pairs N] [--days N] [--first-day N] [--only FAULT] [--write]` prints the outcome
//! table, what was told wrongly, and one JSON line last; `--first-day` begins with a later quiet day, so that many can be
//! played in parts; `--say` prints only what people read of each fault, in order, `--language de` in another language. With the seeds it has, the table must
//! equal the one that ships; `--write` renews it. Ends with 1 if the table differs or a goal is not met, but for the faults
//! named in [`OPEN`]: those fail when their goals are met, so that they leave the list. A fault of a pair that nothing could
//! show is printed with the reason and counted apart. Panics when the demo's configuration does not load.

mod faults;
mod module;
mod pairs;
mod quiet;
mod run;
mod spread;
mod table;

use std::collections::BTreeMap;
use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;

use lapwing::config::{self, Overrides};
use lapwing::plan::Plan;
use serde_json::json;

use crate::faults::SINGLE;
use crate::run::Settled;
use crate::spread::{processor_s, spread};
use crate::table::{HEADING, Row};

/// Most alarms a single fault may announce.
const TOLD_MOST: usize = 3;
const FIRST_OUT_SHARE: f64 = 0.99;
/// Seeds a fault of the table that ships.
const SEEDS: u64 = 30;
/// Quiet days, unless told otherwise.
const DAYS: u32 = 10;

/// Faults whose goals are not met yet, with what is missing.
const OPEN: [(&str, &str); 0] = [];

struct Options {
    seeds: u64,
    pairs: u64,
    days: u32,
    first_day: u32,
    only: Option<String>,
    write: bool,
    /// Only what people read of each fault, one seed at full load.
    say: bool,
    /// Language they read it in.
    language: Option<String>,
}

fn options() -> Options {
    let mut options = Options {
        seeds: SEEDS,
        pairs: 60,
        days: DAYS,
        first_day: 0,
        only: None,
        write: false,
        say: false,
        language: None,
    };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut number =
            || words.next().and_then(|n| n.parse().ok()).unwrap_or_else(|| panic!("{word} needs a number"));
        match word.as_str() {
            "--seeds" => options.seeds = number(),
            "--pairs" => options.pairs = number(),
            "--days" => options.days = u32::try_from(number()).expect("some days"),
            "--first-day" => options.first_day = u32::try_from(number()).expect("a day"),
            "--only" => options.only = words.next(),
            "--write" => options.write = true,
            "--say" => options.say = true,
            "--language" => options.language = words.next(),
            other => panic!("there is no option {other}; see the head of this program"),
        }
    }
    options
}

fn demo(language: Option<&str>) -> Plan {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/saltmarsh/module.toml");
    let language = language.map(|word| ("LAPWING__MODULE__LANGUAGE".to_owned(), word.to_owned()));
    match config::load(&file, language.into_iter(), &Overrides::default()) {
        Ok(loaded) => loaded.plan,
        Err(mistakes) => panic!("the demo's configuration has mistakes: {mistakes:?}"),
    }
}

fn main() -> ExitCode {
    let options = options();
    let plan = Arc::new(demo(options.language.as_deref()));
    let settled = Settled::new();
    let mut played_s = 0.0;
    let chosen = |name: &str| options.only.as_deref().is_none_or(|only| only == name);
    if options.say {
        for case in SINGLE.iter().filter(|case| chosen(case.name)) {
            println!("{}", case.name);
            run::read_out(&plan, &settled, case, 0).iter().for_each(|line| println!("{line}"));
        }
        return ExitCode::SUCCESS;
    }
    let mut rows = Vec::new();
    println!("{HEADING}");
    for case in SINGLE.iter().filter(|case| chosen(case.name)) {
        let seeds: Vec<u64> = (0..options.seeds).collect();
        let outcomes = spread(&seeds, |seed| run::alone(&plan, &settled, case, *seed));
        played_s += (case.watch_s + 30.0) * seeds.len() as f64;
        // How fast harm comes depends on the load, hardly on the noise.
        let mut known = BTreeMap::new();
        let left = |seed: &u64| *known.entry(run::load_of(*seed)).or_insert_with(|| settled.left_s(case, *seed));
        let row = Row { name: case.name, outcomes, left_s: seeds.iter().map(left).collect() };
        println!("{}", row.line());
        rows.push(row);
    }
    explain(&plan, &rows);
    let pairs = if options.only.is_some() { 0 } else { options.pairs };
    let (mut of_pairs, mut missed_in_pairs, mut out_of_reach) = (0, 0, 0);
    let pick = |n: u64| &SINGLE[usize::try_from(n % SINGLE.len() as u64).expect("an index")];
    let two = |seed: u64| {
        let cases = [pick(seed.wrapping_mul(17).wrapping_add(3)), pick(seed.wrapping_mul(29).wrapping_add(seed / 7))];
        (cases[0].name != cases[1].name).then_some((seed, cases))
    };
    let pairs: Vec<_> = (0..pairs).filter_map(two).collect();
    let outcomes = spread(&pairs, |(seed, cases)| pairs::together(&plan, &settled, *cases, *seed));
    for ((seed, cases), outcomes) in pairs.into_iter().zip(outcomes) {
        for (which, outcome) in outcomes.iter().enumerate() {
            of_pairs += 1;
            if outcome.detected_s.is_some() {
                continue;
            }
            let (case, other) = (cases[which], cases[1 - which]);
            match pairs::out_of_reach(&settled, cases, seed, which) {
                Some(why) => {
                    out_of_reach += 1;
                    println!("together with {}, {} cannot be told: {why} (seed {seed})", other.name, case.name);
                }
                None => {
                    missed_in_pairs += 1;
                    println!("together with {}, {} was not raised (seed {seed})", other.name, case.name);
                }
            }
        }
        played_s += cases[0].watch_s.max(cases[1].watch_s) + 30.0;
    }
    let quiet = quiet::days(&plan, &settled, options.first_day, options.days);
    played_s += f64::from(options.days) * 86_400.0;
    for (alarm, at_s) in &quiet.told {
        println!("in quiet time, at {at_s:.1} s: {alarm}");
    }
    let before: usize = rows.iter().map(Row::before).sum();
    let bound = quiet::upper_95(quiet.told.len()) / f64::from(options.days.max(1)) * 30.0;
    let runs: usize = rows.iter().map(|row| row.outcomes.len()).sum();
    let sum = |of: fn(&Row) -> usize| rows.iter().map(of).sum::<usize>();
    let (missed, within, first_out) = (sum(Row::missed), sum(Row::within), sum(Row::first_out));
    let told_most = rows.iter().map(Row::told_most).max().unwrap_or(0);
    let share = |n: usize| n as f64 / runs.max(1) as f64;
    let table = options.only.is_some() || options.seeds != SEEDS || same(&rows, options.write);
    let is_open = |row: &&Row| OPEN.iter().any(|(name, _)| *name == row.name);
    let open: Vec<&str> = rows.iter().filter(|row| !meets(row)).filter(is_open).map(|row| row.name).collect();
    let (right, settled_runs) = (rows.iter().filter(|row| !is_open(row)))
        .fold((0, 0), |(right, runs), row| (right + row.first_out(), runs + row.outcomes.len()));
    let met = rows.iter().all(|row| meets(row) != is_open(&row))
        && right as f64 >= FIRST_OUT_SHARE * settled_runs as f64
        && missed_in_pairs == 0
        && quiet.told.is_empty()
        && before == 0;
    let line = json!({
        "name": "rehearsal", "faults": rows.len(), "runs": runs, "missed": missed, "within_goal": within,
        "first_out_right": (share(first_out) * 10_000.0).round() / 10_000.0, "told_most": told_most,
        "pairs": of_pairs, "missed_in_pairs": missed_in_pairs, "out_of_reach_in_pairs": out_of_reach,
        "quiet_days": quiet.days, "false_alarms": quiet.told.len() + before,
        "false_per_30_days_95": (bound * 100.0).round() / 100.0,
        "times_life_per_core": (played_s / processor_s()).round(), "open": open,
        "goals_met_but_for_open": met, "table_as_shipped": table,
    });
    println!("{line}");
    if met && table { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// Whether no run missed the fault, each was in time and said little enough.
fn meets(row: &Row) -> bool {
    row.missed() == 0 && row.within() == row.outcomes.len() && row.told_most() <= TOLD_MOST
}

/// Which alarms a fault announced, where a goal is not met: what to mend.
fn explain(plan: &Plan, rows: &[Row]) {
    let id = |alarm: &u32| plan.alarms[*alarm as usize].id.clone();
    for row in rows {
        if meets(row) && row.first_out() == row.outcomes.len() && row.before() == 0 {
            continue;
        }
        for (_, why) in OPEN.iter().filter(|(name, _)| *name == row.name) {
            println!("{}: open: {why}", row.name);
        }
        let mut said: BTreeMap<Vec<String>, u32> = BTreeMap::new();
        for outcome in &row.outcomes {
            *said.entry(outcome.told.iter().map(id).collect()).or_default() += 1;
        }
        for (told, times) in said {
            println!("{}: {times} times {}", row.name, told.join(", "));
        }
        for outcome in row.outcomes.iter().filter(|outcome| !outcome.before.is_empty()) {
            println!("{}: before it {:?}", row.name, outcome.before.iter().map(id).collect::<Vec<_>>());
        }
    }
}

/// Whether the table is the one that ships; or makes it so.
fn same(rows: &[Row], write: bool) -> bool {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("rehearsal.csv");
    let mut text = format!("{HEADING}\n");
    for row in rows {
        text.push_str(&row.line());
        text.push('\n');
    }
    if write {
        std::fs::write(&file, &text).expect("the table can be written");
        return true;
    }
    std::fs::read_to_string(&file).is_ok_and(|shipped| shipped == text)
}
