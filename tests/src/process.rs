//! A process that a test started: its lines, its standard input, its end.
//!
//! Dropping the handle kills the process by its own id and waits for it. Signals go to that id only. Panics when the
//! program cannot be started or a deadline passes.

use std::io::Write;
use std::process::{Child, ChildStdin, Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};

use crate::lines::Lines;

/// A running (or ended) process.
#[derive(Debug)]
pub struct Process {
    name: String,
    child: Child,
    stdin: Option<ChildStdin>,
    /// What it printed.
    pub out: Lines,
    /// What it complained about.
    pub err: Lines,
}

impl Process {
    /// Starts a program with all three streams piped.
    ///
    /// # Panics
    /// When it cannot be started.
    #[must_use]
    pub fn start(name: &str, command: &mut Command) -> Self {
        let mut child = command
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap_or_else(|error| panic!("{name} cannot be started: {error} ({command:?})"));
        let out = Lines::of(name, child.stdout.take().expect("invariant: piped"));
        let err = Lines::of(name, child.stderr.take().expect("invariant: piped"));
        let stdin = child.stdin.take();
        Self { name: name.into(), child, stdin, out, err }
    }

    /// Its process id.
    #[must_use]
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Writes one line to its standard input.
    ///
    /// # Panics
    /// When it no longer reads.
    pub fn tell(&mut self, line: &str) {
        let stdin = self.stdin.as_mut().expect("invariant: standard input is open until the end");
        writeln!(stdin, "{line}")
            .and_then(|()| stdin.flush())
            .unwrap_or_else(|error| panic!("{} no longer listens: {error}\n{}", self.name, self.err.tail()));
    }

    /// Sends a signal to it alone.
    ///
    /// # Panics
    /// When it is not there any more.
    pub fn signal(&self, signal: Signal) {
        let pid = i32::try_from(self.child.id()).ok().and_then(Pid::from_raw).expect("invariant: a child has an id");
        kill_process(pid, signal).unwrap_or_else(|error| panic!("{}: {error}", self.name));
    }

    /// Ends it at once (kill -9) and waits until it is gone.
    ///
    /// # Panics
    /// When it cannot be ended.
    pub fn kill(&mut self) {
        self.child.kill().expect("a child of ours can be killed");
        self.child.wait().expect("a child of ours can be waited for");
    }

    /// Waits until it ends by itself.
    ///
    /// # Panics
    /// When it has not ended within the time.
    pub fn ends(&mut self, within: Duration) -> ExitStatus {
        let deadline = Instant::now() + within;
        loop {
            if let Some(status) = self.child.try_wait().expect("a child of ours can be waited for") {
                return status;
            }
            assert!(
                Instant::now() < deadline,
                "{} still runs after {within:?}\nout:\n{}\nerr:\n{}",
                self.name,
                self.out.tail(),
                self.err.tail()
            );
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// Whether it still runs.
    ///
    /// # Panics
    /// Never for a child of ours.
    pub fn runs(&mut self) -> bool {
        self.child.try_wait().expect("a child of ours can be waited for").is_none()
    }

    /// Resident memory in bytes, and processor time used so far, from `/proc`.
    ///
    /// # Panics
    /// When it is not there any more.
    #[must_use]
    pub fn usage(&self) -> Usage {
        let id = self.child.id();
        let status = std::fs::read_to_string(format!("/proc/{id}/status")).expect("the process runs");
        let kib = |key: &str| {
            status
                .lines()
                .find_map(|line| line.strip_prefix(key))
                .and_then(|rest| rest.split_whitespace().next())
                .and_then(|number| number.parse::<u64>().ok())
                .unwrap_or(0)
        };
        let stat = std::fs::read_to_string(format!("/proc/{id}/stat")).expect("the process runs");
        // The name in brackets may hold spaces; fields after it count from 3 (proc(5)).
        let after = stat.rsplit(')').next().unwrap_or("");
        let field = |n: usize| after.split_whitespace().nth(n - 3).and_then(|x| x.parse::<u64>().ok()).unwrap_or(0);
        // The kernel counts in hundredths of a second towards programs on every Linux (USER_HZ, from memory).
        let ticks = 100;
        Usage {
            resident: kib("VmRSS:") * 1024,
            resident_own: kib("RssAnon:") * 1024,
            resident_peak: kib("VmHWM:") * 1024,
            cpu: Duration::from_millis((field(14) + field(15)) * 1000 / ticks),
        }
    }
}

/// What a process uses.
#[derive(Clone, Copy, Debug)]
pub struct Usage {
    /// Bytes in memory now.
    pub resident: u64,
    /// Those of them that hold its data; the others show files, first of all the program's.
    pub resident_own: u64,
    /// Most bytes in memory so far.
    pub resident_peak: u64,
    /// Processor time, user and system.
    pub cpu: Duration,
}

impl Drop for Process {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
