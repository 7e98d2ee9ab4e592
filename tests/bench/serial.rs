//! How long the agent takes to read a whole serial line once, against the least its wire allows, and against a library
//! that is called once a point.
//!
//! 14 devices on one paced line, asked as fast as they can be: a scan period far below what is possible, so that the line
//! is never idle. A cycle is the time from one request to unit 1 to the next; medians. The peer is the theoretical line
//! time of the best plan (characters, two silences and the turnaround a read), then a Python library's synchronous
//! client that reads each point by itself on the same line. Requests that break the silence rule are reported too.

use std::process::Command;
use std::time::Duration;

use lapwing_tests::agent::Agent;
use lapwing_tests::place::{TempDir, python, sources};
use lapwing_tests::process::Process;

use crate::paced_line::{Pace, PacedLine};
use crate::{quantile, report};

const DEVICES: u32 = 14;
const CYCLES: usize = 15;
const LONG: Duration = Duration::from_secs(120);
const CLIENT: &str = "serial_points.py";

/// Measures and reports.
pub(crate) fn run() {
    for (line, baud, bits, parity) in [("19200_8E1", 19_200, 11, "even"), ("115200_8N1", 115_200, 10, "none")] {
        for turnaround_ms in [0, 5] {
            let pace = Pace { baud, bits, turnaround: Duration::from_millis(turnaround_ms) };
            for registers in [10, 50] {
                let name = format!("serial_cycle_{line}_{registers}_registers_{turnaround_ms}ms");
                let ideal = (pace.read(registers) * DEVICES).as_secs_f64() * 1000.0;
                let ours = agent(pace, parity, registers, &name);
                report(&name, ours, "ms", "theoretical line time of the best plan", Some(ideal));
                if registers == 10 && turnaround_ms == 0 {
                    let library = point_by_point(pace, registers);
                    report(&format!("{name}_by_library"), library, "ms", "the agent", Some(ours));
                }
            }
        }
    }
}

/// A whole cycle of the agent, ms.
fn agent(pace: Pace, parity: &str, registers: u32, name: &str) -> f64 {
    let home = TempDir::new("bench-serial");
    let line = PacedLine::start(pace);
    let points: String = (0..registers)
        .map(|n| {
            format!(
                "[[point]]\npath = \"r{n}\"\nquantity = \"count\"\nregister = \"holding:{n}\"\nas = \"u16\"\nscan_period = \"10ms\"\n\n"
            )
        })
        .collect();
    home.write("map.toml", &format!("schema = 1\n\n{points}"));
    let devices: String = (1..=DEVICES)
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
    line.cycles(2, LONG);
    let mut cycles = line.cycles(CYCLES, LONG);
    let (early, requests) = line.early();
    assert!(agent.terminate().0.success(), "the agent ended with a mistake");
    report(&format!("{name}_silence_broken"), early as f64, "requests", "of all", Some(requests as f64));
    quantile(&mut cycles, 0.5) * 1000.0
}

/// The same line read by a library, a call a point; ms.
fn point_by_point(pace: Pace, registers: u32) -> f64 {
    let line = PacedLine::start(pace);
    let process = Process::start(
        CLIENT,
        Command::new(python()).arg(sources().join("peers").join(CLIENT)).args([
            line.path(),
            &pace.baud.to_string(),
            // A pseudo-terminal has no parity bit and refuses it; the pace of the line has it.
            "none",
            &DEVICES.to_string(),
            &registers.to_string(),
            "3",
        ]),
    );
    let told = process.out.find(0, LONG, |line| line.text.parse::<f64>().ok());
    told.unwrap_or_else(|| panic!("the library's client said nothing:\n{}", process.err.tail())) * 1000.0
}
