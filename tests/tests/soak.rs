//! Hours of alarms, broker restarts in a short time: memory, descriptors and disk do not grow.
//!
//! Ignored in the usual run; `tests/run soak` runs it for `LAPWING_TEST_SOAK_S` seconds (20 without it). The first fifth
//! is for filling what has a bound; from then on nothing may grow beyond what an allocator keeps.

use std::path::Path;
use std::time::{Duration, Instant};

use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::modbus::ModbusPeer;
use lapwing_tests::place::TempDir;
use lapwing_tests::testbay::{calm_controller, one_controller};

/// What may come on top in the long run: allocator, caches of the library.
const SLACK_BYTES: u64 = 4 * 1024 * 1024;
/// Connections on their way.
const SLACK_DESCRIPTORS: usize = 4;

fn descriptors(agent: &Agent) -> usize {
    std::fs::read_dir(format!("/proc/{}/fd", agent.id())).map_or(0, Iterator::count)
}

fn bytes_in(dir: &Path) -> u64 {
    let entries = std::fs::read_dir(dir).into_iter().flatten().flatten();
    entries
        .map(|entry| {
            entry.metadata().map_or(0, |about| if about.is_dir() { bytes_in(&entry.path()) } else { about.len() })
        })
        .sum()
}

#[test]
#[ignore = "by name: tests/run soak"]
fn nothing_grows() {
    let seconds = std::env::var("LAPWING_TEST_SOAK_S").ok().and_then(|text| text.parse().ok()).unwrap_or(20);
    let home = TempDir::new("soak");
    let mut broker = Broker::start();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let config = one_controller(&home, &controller.address(), &broker.address());
    let agent = Agent::run(&config);
    let begun = Instant::now();
    let mut settled = None;
    let mut rounds: u64 = 0;
    while begun.elapsed() < Duration::from_secs(seconds) {
        rounds += 1;
        let (supply, flow) = if rounds.is_multiple_of(2) { (215, 150) } else { (182, 615) };
        controller.set(1, "holding", 0, &[supply, flow]);
        std::thread::sleep(Duration::from_millis(1200));
        if rounds.is_multiple_of(25) {
            broker.end();
            std::thread::sleep(Duration::from_millis(500));
            broker.go();
        }
        if settled.is_none() && begun.elapsed() > Duration::from_secs(seconds) / 5 {
            settled = Some((agent.usage().resident, descriptors(&agent)));
        }
    }
    let (memory, open) = settled.expect("the first fifth is over");
    let (memory_now, open_now) = (agent.usage().resident, descriptors(&agent));
    let disk = bytes_in(&home.join("data"));
    println!(
        "{rounds} rounds in {seconds} s: {} KiB resident, then {} KiB; {open} descriptors, then {open_now}; {} KiB on disk",
        memory / 1024,
        memory_now / 1024,
        disk / 1024
    );
    assert!(memory_now < memory + SLACK_BYTES, "memory grew");
    assert!(open_now <= open + SLACK_DESCRIPTORS, "descriptors grew");
    // Events are about 1.5 kB each, with outbox, indices and the write-ahead log beside them.
    assert!(disk < 8 * 1024 * 1024 + rounds * 16 * 1024, "the disk grew beyond its events");
    assert!(agent.terminate().0.success());
}
