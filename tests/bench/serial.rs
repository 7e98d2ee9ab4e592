//! How long the agent takes to read a whole serial line once, against the least its wire allows, and against a library
//! that is called once a point; and what a dead device costs its neighbours.
//!
//! 14 devices on one paced line, asked as fast as they can be: a scan period far below what is possible, so that the line
//! is never idle. A cycle is the time from one request to unit 1 to the next; medians. The peer is the theoretical line
//! time of the best plan (characters, two silences and the turnaround a read), then a Python library's synchronous
//! client that reads each point by itself on the same line: ten registers, and the points of the demo's fan cards.
//! Requests that break the silence rule are reported too.
//!
//! Dead device: 13 devices beside one that never answers, against the same 13 by themselves; how often unit 1 is read a
//! second, from 15 s after the start, over a minute.

use std::process::Command;
use std::time::Duration;

use lapwing_tests::agent::Agent;
use lapwing_tests::place::{TempDir, python, repository, sources};
use lapwing_tests::process::Process;

use crate::paced_line::{Pace, PacedLine};
use crate::{quantile, report};

const DEVICES: u32 = 14;
const CYCLES: usize = 15;
const LONG: Duration = Duration::from_secs(120);
const CLIENT: &str = "serial_points.py";
const SETTLED: Duration = Duration::from_secs(15);
const WATCHED: Duration = Duration::from_secs(60);

/// Measures and reports.
pub(crate) fn run() {
    for (line, baud, bits, parity) in [("19200_8E1", 19_200, 11, "even"), ("115200_8N1", 115_200, 10, "none")] {
        for turnaround_ms in [0, 5] {
            let pace = Pace { baud, bits, turnaround: Duration::from_millis(turnaround_ms) };
            for registers in [10, 50] {
                let name = format!("serial_cycle_{line}_{registers}_registers_{turnaround_ms}ms");
                let ideal = (pace.read(registers) * DEVICES).as_secs_f64() * 1000.0;
                let ours = cycle(pace, parity, &plain_map(registers), &name);
                report(&name, ours, "ms", "theoretical line time of the best plan", Some(ideal));
                if registers == 10 && turnaround_ms == 0 {
                    let points: Vec<String> = (0..registers).map(|n| format!("holding:{n}:1")).collect();
                    let library = point_by_point(pace, &points.join(","));
                    report(&format!("{name}_by_library"), library, "ms", "the agent", Some(ours));
                }
            }
        }
    }
    fan_bus();
    dead_device();
}

/// The demo's fan bus, all points once.
fn fan_bus() {
    let map = repository().join("examples/saltmarsh/maps/fan.toml");
    let map = std::fs::read_to_string(map).expect("the demo has fans");
    let (mut points, mut every) = (Vec::new(), String::new());
    for point in map.split("[[point]]").skip(1) {
        let value = |key: &str| {
            let line = point.lines().find(|line| line.starts_with(key));
            line.and_then(|line| line.split('"').nth(1)).expect("a point of a register")
        };
        let registers = if matches!(value("as"), "u32" | "i32" | "f32") { 2 } else { 1 };
        points.push(format!("{}:{registers}", value("register")));
        let kept = point.lines().filter(|line| !line.starts_with("scan_period"));
        every.push_str(&format!("[[point]]\nscan_period = \"10ms\"\n{}\n", kept.collect::<Vec<_>>().join("\n")));
    }
    let pace = Pace { baud: 19_200, bits: 11, turnaround: Duration::from_millis(5) };
    let ours = cycle(pace, "even", &format!("schema = 1\n\n{every}"), "serial_fan_bus");
    let library = point_by_point(pace, &points.join(","));
    report("serial_fan_bus_by_library", library, "ms", "the agent", Some(ours));
}

fn dead_device() {
    let pace = Pace { baud: 19_200, bits: 11, turnaround: Duration::from_millis(5) };
    let rate = |devices, dead| {
        let line = PacedLine::start_without(pace, dead);
        let (_home, agent) = on(&line, pace, "even", devices, &plain_map(10));
        line.cycles(2, LONG);
        std::thread::sleep(SETTLED);
        let rate = line.rate_of_first(WATCHED);
        assert!(agent.terminate().0.success(), "the agent ended with a mistake");
        rate
    };
    let alone = rate(DEVICES - 1, 0);
    let beside = rate(DEVICES, 14);
    report("serial_beside_a_dead_device", beside, "cycles/s", "its 13 neighbours by themselves", Some(alone));
}

fn plain_map(registers: u32) -> String {
    let points: String = (0..registers)
        .map(|n| {
            format!(
                "[[point]]\npath = \"r{n}\"\nquantity = \"count\"\nregister = \"holding:{n}\"\nas = \"u16\"\nscan_period = \"10ms\"\n\n"
            )
        })
        .collect();
    format!("schema = 1\n\n{points}")
}

/// A whole cycle of the agent, ms.
fn cycle(pace: Pace, parity: &str, map: &str, name: &str) -> f64 {
    let line = PacedLine::start(pace);
    let (_home, agent) = on(&line, pace, parity, DEVICES, map);
    line.cycles(2, LONG);
    let mut cycles = line.cycles(CYCLES, LONG);
    let (early, requests) = line.early();
    assert!(agent.terminate().0.success(), "the agent ended with a mistake");
    report(&format!("{name}_silence_broken"), early as f64, "requests", "of all", Some(requests as f64));
    quantile(&mut cycles, 0.5) * 1000.0
}

/// The agent on a line of so many devices.
fn on(line: &PacedLine, pace: Pace, parity: &str, devices: u32, map: &str) -> (TempDir, Agent) {
    let home = TempDir::new("bench-serial");
    home.write("map.toml", map);
    let devices: String = (1..=devices)
        .map(|unit| {
            format!(
                "[[device]]\nname = \"d{unit}\"\nlink = \"bus\"\nunit = {unit}\nmap = \"map.toml\"\nprefix = \"d{unit}\"\n\
                 turnaround_ms = {}\n\n",
                pace.turnaround.as_millis()
            )
        })
        .collect();
    let config = home.write(
        "module.toml",
        &format!(
            "[module]\nsite = \"testbay\"\nname = \"t1\"\nmode = \"test\"\n\n[store]\ndir = \"{}\"\n\n\
             [http]\nenabled = false\n\n[mqtt]\nbroker = \"127.0.0.1:9\"\n\n\
             [[link]]\nname = \"bus\"\nserial = \"{}\"\nbaud = {}\nparity = \"{parity}\"\nstop_bits = 1\nlisten_first = \"0s\"\ntimeout_ms = 300\n\n{devices}",
            home.join("data").display(),
            line.path(),
            pace.baud
        ),
    );
    let agent = Agent::run(&config);
    (home, agent)
}

/// The same line read by a library, a call a point; ms.
fn point_by_point(pace: Pace, points: &str) -> f64 {
    let line = PacedLine::start(pace);
    let process = Process::start(
        CLIENT,
        Command::new(python()).arg(sources().join("peers").join(CLIENT)).args([
            line.path(),
            &pace.baud.to_string(),
            // A pseudo-terminal has no parity bit and refuses it; the pace of the line has it.
            "none",
            &DEVICES.to_string(),
            points,
            "3",
        ]),
    );
    let told = process.out.find(0, LONG, |line| line.text.parse::<f64>().ok());
    told.unwrap_or_else(|| panic!("the library's client said nothing:\n{}", process.err.tail())) * 1000.0
}
