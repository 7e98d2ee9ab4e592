//! A serial line on pseudo-terminals: two ends joined by socat, the one for the agent, the other for a peer.
//!
//! No baud rate limits a pseudo-terminal; framing by silence still holds.

use std::path::PathBuf;
use std::process::Command;
use std::time::Duration;

use crate::place::program;
use crate::process::Process;

/// A line with two ends.
#[derive(Debug)]
pub struct SerialLine {
    _process: Process,
    /// The end the agent opens.
    pub agent: PathBuf,
    /// The end a peer opens.
    pub peer: PathBuf,
}

impl SerialLine {
    /// Lays one.
    ///
    /// # Panics
    /// When socat gives no two ends.
    #[must_use]
    pub fn lay() -> Self {
        let process = Process::start(
            "socat",
            Command::new(program("socat")).args(["-d", "-d", "pty,raw,echo=0", "pty,raw,echo=0"]),
        );
        let mut ends = Vec::new();
        process.err.wait("two pseudo-terminals", 0, Duration::from_secs(10), |line| {
            if let Some((_, path)) = line.text.split_once("PTY is ") {
                ends.push(PathBuf::from(path.trim()));
            }
            (ends.len() == 2 && line.text.contains("starting data transfer")).then_some(())
        });
        let [agent, peer] = <[PathBuf; 2]>::try_from(ends).expect("invariant: waited for two");
        Self { _process: process, agent, peer }
    }
}
