//! Runs one measurement by name and prints its results, one JSON line each: `lapwing-bench NAME`, `all` or `--list`.
//!
//! A line is `{"name":…,"value":…,"unit":…,"peer":…,"peer_value":…,"ratio":…}`: what was measured, and the peer or limit
//! it stands against, measured in the same run wherever it can be. Nothing here asserts a time: numbers are for people.
//! Build with `--release` before believing a number. Panics when something cannot be set up.

mod demo;
mod derived;
mod history;
mod judging;
mod late;
mod latency;
mod modbus_server;
mod mqtt;
mod outage;
mod own;
mod paced_line;
mod page_day;
mod physics;
mod replay;
mod serial;
mod size;
mod snmp;
mod store;
mod storm;
mod tcp;

use std::process::ExitCode;

use serde::Serialize;

/// One result.
#[derive(Debug, Serialize)]
struct Line<'a> {
    name: &'a str,
    value: f64,
    unit: &'a str,
    peer: &'a str,
    peer_value: Option<f64>,
    ratio: Option<f64>,
}

/// Prints one result; the ratio is value by peer.
fn report(name: &str, value: f64, unit: &str, peer: &str, peer_value: Option<f64>) {
    let ratio = peer_value.filter(|peer| *peer != 0.0).map(|peer| rounded(value / peer));
    let line = Line { name, value: rounded(value), unit, peer, peer_value: peer_value.map(rounded), ratio };
    println!("{}", serde_json::to_string(&line).expect("invariant: plain numbers and texts"));
}

/// Four digits that count.
fn rounded(value: f64) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return value;
    }
    let step = 10_f64.powi(3 - value.abs().log10().floor() as i32);
    (value * step).round() / step
}

/// The value below which a share of the samples lies.
///
/// # Panics
/// Without samples.
fn quantile(samples: &mut [f64], share: f64) -> f64 {
    assert!(!samples.is_empty(), "nothing was measured");
    samples.sort_by(f64::total_cmp);
    let at = ((samples.len() - 1) as f64 * share).round() as usize;
    samples[at]
}

/// A measurement.
struct Bench {
    name: &'static str,
    says: &'static str,
    run: fn(),
    /// Part of `all`.
    usual: bool,
}

const BENCHES: &[Bench] = &[
    Bench { name: "judging", says: "one reading judged, against a string-keyed table", run: judging::run, usual: true },
    Bench { name: "latency", says: "change at the wire to event at a subscriber", run: latency::run, usual: true },
    Bench {
        name: "stall",
        says: "what 150 ms without history's writer add to an alarm",
        run: latency::stalled,
        usual: true,
    },
    Bench { name: "derived", says: "one full pass of the demo's derived points", run: derived::run, usual: true },
    Bench {
        name: "demo",
        says: "the agent on the demo: memory, processor, good readings, bytes, start",
        run: demo::run,
        usual: true,
    },
    Bench {
        name: "history",
        says: "history: bytes a reading on the demo's signals, queries, 100 000 points (half an hour)",
        run: history::run,
        usual: false,
    },
    Bench {
        name: "reread",
        says: "a closed slot of 100 000 points read again for late frames: passes, memory, time",
        run: history::reread,
        usual: false,
    },
    Bench {
        name: "outage",
        says: "six hours without a broker, played fast: memory; how fast lost frames come and what that costs live events",
        run: outage::run,
        usual: false,
    },
    Bench {
        name: "store",
        says: "bytes to the disk per event and per day of the demo, events a second, start after a cut (half an hour; root)",
        run: store::run,
        usual: false,
    },
    Bench {
        name: "storm",
        says: "10 000 points cross their limits at once: readings to last event on disk; memory an alarm takes",
        run: storm::run,
        usual: true,
    },
    Bench {
        name: "replay",
        says: "the demo's history judged again, against real time (half an hour; LAPWING_BENCH_SECONDS, LAPWING_BENCH_DATA)",
        run: replay::run,
        usual: false,
    },
    Bench {
        name: "page-day",
        says: "writes a day of history for tests/page/bench.py; measures nothing itself",
        run: page_day::run,
        usual: false,
    },
    Bench {
        name: "late",
        says: "wrong readings in 10 000 transactions with late answers, against plain library use (minutes)",
        run: late::run,
        usual: false,
    },
    Bench {
        name: "serial",
        says: "a whole serial line read once, against the least its wire allows; what a dead device costs",
        run: serial::run,
        usual: true,
    },
    Bench {
        name: "physics",
        says: "engineering functions, against reference libraries",
        run: physics::run,
        usual: true,
    },
    Bench { name: "snmp", says: "200 SNMP agents of 20 variables in one sweep", run: snmp::run, usual: true },
    Bench {
        name: "tcp",
        says: "Modbus TCP requests a second against libmodbus; 200 slow devices",
        run: tcp::run,
        usual: true,
    },
    Bench { name: "size", says: "release binary without the demo (builds it)", run: size::release, usual: false },
    Bench { name: "size-edge", says: "the package's binary (builds it, minutes)", run: size::edge, usual: false },
];

fn main() -> ExitCode {
    let name = std::env::args().nth(1).unwrap_or_default();
    let chosen: Vec<&Bench> =
        BENCHES.iter().filter(|bench| bench.name == name || (name == "all" && bench.usual)).collect();
    if chosen.is_empty() {
        eprintln!("lapwing-bench NAME, with one of:");
        for bench in BENCHES {
            eprintln!("  {:10} {}", bench.name, bench.says);
        }
        eprintln!("  {:10} those that build nothing", "all");
        return if name == "--list" { ExitCode::SUCCESS } else { ExitCode::from(2) };
    }
    if cfg!(debug_assertions) {
        eprintln!("built without --release: the numbers below are no measure");
    }
    for bench in chosen {
        (bench.run)();
    }
    ExitCode::SUCCESS
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_and_quantiles() {
        assert!((rounded(0.001_234_56) - 0.001_235).abs() < 1e-12);
        assert!((rounded(123_456.0) - 123_500.0).abs() < 1e-6);
        let mut samples: Vec<f64> = (0..=100).map(f64::from).rev().collect();
        assert!((quantile(&mut samples, 0.99) - 99.0).abs() < 1e-12);
    }
}
