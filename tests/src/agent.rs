//! The agent as a process of its own, speaking `--json`, and what its lines mean.
//!
//! The first line tells addresses, then come events as published, faults of the simulator, and at the end a summary.

use std::path::Path;
use std::process::{Command, ExitStatus};
use std::time::{Duration, Instant};

use rustix::process::Signal;
use serde_json::Value;

use crate::lines::Line;
use crate::place::lapwing;
use crate::process::{Process, Usage};

const START: Duration = Duration::from_secs(30);

/// A running `lapwing run`, `demo` or `simulate`.
#[derive(Debug)]
pub struct Agent {
    process: Process,
    addresses: Value,
}

impl Agent {
    /// `lapwing run --config PATH --json`.
    #[must_use]
    pub fn run(config: &Path) -> Self {
        Self::start(Command::new(lapwing()).arg("run").arg("--config").arg(config).arg("--json"))
    }

    /// `lapwing demo --json` with more arguments.
    #[must_use]
    pub fn demo(arguments: &[&str]) -> Self {
        Self::start(Command::new(lapwing()).args(["demo", "--json"]).args(arguments))
    }

    /// `lapwing simulate --json` with more arguments.
    #[must_use]
    pub fn simulate(arguments: &[&str]) -> Self {
        Self::start(Command::new(lapwing()).args(["simulate", "--json"]).args(arguments))
    }

    /// Starts a command that speaks `--json` and waits for its first line.
    ///
    /// # Panics
    /// When the first line does not tell addresses.
    #[must_use]
    pub fn start(command: &mut Command) -> Self {
        let process = Process::start("lapwing", command);
        let first = process.out.find(0, START, |line| Some(line.text.clone()));
        let Some(first) = first else { panic!("the agent said nothing:\n{}", process.err.tail()) };
        let said: Value = serde_json::from_str(&first).unwrap_or_else(|error| panic!("{error}: first line {first}"));
        let addresses = said.get("addresses").cloned();
        Self { process, addresses: addresses.unwrap_or_else(|| panic!("no addresses in the first line: {first}")) }
    }

    /// What the first line told.
    #[must_use]
    pub fn addresses(&self) -> &Value {
        &self.addresses
    }

    /// The port of the broker it told.
    ///
    /// # Panics
    /// When it told none.
    #[must_use]
    pub fn broker_port(&self) -> u16 {
        let address = self.addresses["mqtt"].as_str().unwrap_or_else(|| panic!("no broker in {}", self.addresses));
        let port = address.rsplit(':').next().and_then(|port| port.parse().ok());
        port.unwrap_or_else(|| panic!("no port in {address}"))
    }

    /// Mark for later searches.
    #[must_use]
    pub fn mark(&self) -> usize {
        self.process.out.mark()
    }

    /// First JSON line since a mark for which `wanted` gives something, with the moment it came.
    ///
    /// # Panics
    /// When none comes in time.
    pub fn wait<T>(
        &self,
        what: &str,
        mark: usize,
        within: Duration,
        mut wanted: impl FnMut(&Value) -> Option<T>,
    ) -> (T, Instant) {
        self.process
            .out
            .wait(what, mark, within, |line| Some((wanted(&serde_json::from_str(&line.text).ok()?)?, line.at)))
            .0
    }

    /// Waits for an alarm to enter a state.
    ///
    /// # Panics
    /// When it does not in time.
    pub fn alarm(&self, id: &str, to: &str, mark: usize, within: Duration) -> (Value, Instant) {
        self.wait(&format!("alarm {id} to {to}"), mark, within, |said| {
            (said["alarm"] == id && said["to"] == to).then(|| said.clone())
        })
    }

    /// Every line so far that is JSON.
    #[must_use]
    pub fn said(&self) -> Vec<(Value, Instant)> {
        let read = |line: &Line| Some((serde_json::from_str(&line.text).ok()?, line.at));
        self.process.out.all().iter().filter_map(read).collect()
    }

    /// Every line so far.
    #[must_use]
    pub fn lines(&self) -> Vec<Line> {
        self.process.out.all()
    }

    /// What it wrote to standard error.
    #[must_use]
    pub fn complaints(&self) -> String {
        self.process.err.all().iter().map(|line| line.text.clone() + "\n").collect()
    }

    /// Its process id.
    #[must_use]
    pub fn id(&self) -> u32 {
        self.process.id()
    }

    /// Sends a signal to it alone.
    pub fn signal(&self, signal: Signal) {
        self.process.signal(signal);
    }

    /// Ends it as a power cut of the process would (kill -9).
    pub fn kill(mut self) {
        self.process.kill();
    }

    /// Ends it as a service manager does, and gives its summary and exit status.
    ///
    /// # Panics
    /// When it does not end.
    pub fn terminate(self) -> (ExitStatus, Option<Value>) {
        self.process.signal(Signal::TERM);
        self.ended(Duration::from_secs(15))
    }

    /// Ends it as Ctrl-C does.
    ///
    /// # Panics
    /// When it does not end.
    pub fn interrupt(self) -> (ExitStatus, Option<Value>) {
        self.process.signal(Signal::INT);
        self.ended(Duration::from_secs(15))
    }

    /// Waits until it ends by itself.
    ///
    /// # Panics
    /// When it does not.
    pub fn ended(mut self, within: Duration) -> (ExitStatus, Option<Value>) {
        let status = self.process.ends(within);
        // The stream ends a moment after the process; the summary is its last line.
        let summary = self.process.out.find(0, Duration::from_secs(5), |line| {
            serde_json::from_str::<Value>(&line.text).ok()?.get("summary").cloned()
        });
        (status, summary)
    }

    /// Whether it still runs.
    pub fn runs(&mut self) -> bool {
        self.process.runs()
    }

    /// Memory and processor time.
    #[must_use]
    pub fn usage(&self) -> Usage {
        self.process.usage()
    }
}

/// Runs a command of the binary to its end: exit code, standard output, standard error.
///
/// # Panics
/// When the binary cannot be started.
#[must_use]
pub fn output(arguments: &[&str], environment: &[(&str, &str)]) -> (i32, String, String) {
    let done = Command::new(lapwing())
        .args(arguments)
        .envs(environment.iter().copied())
        .output()
        .expect("the agent's binary runs");
    (
        done.status.code().unwrap_or(-1),
        String::from_utf8_lossy(&done.stdout).into_owned(),
        String::from_utf8_lossy(&done.stderr).into_owned(),
    )
}
