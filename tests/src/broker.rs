//! mosquitto on a port of its own, which a test may end and start again.
//!
//! It keeps sessions on disk and saves them every second, so that a subscriber whose session is durable misses nothing
//! that was acknowledged more than a second before the end.

use std::time::Duration;

use crate::network::{Network, command};
use crate::place::{TempDir, free_tcp_port, program};
use crate::process::Process;

/// A running or ended broker; the port stays the same.
#[derive(Debug)]
pub struct Broker {
    home: TempDir,
    port: u16,
    /// The network it lives in, if it is not the machine's own.
    network: Option<String>,
    process: Option<Process>,
}

impl Broker {
    /// Starts one and waits until it listens.
    #[must_use]
    pub fn start() -> Self {
        let mut broker = Self::prepared();
        broker.go();
        broker
    }

    /// One that does not run yet.
    #[must_use]
    pub fn prepared() -> Self {
        Self::prepared_with("", None)
    }

    /// One with further lines of configuration.
    #[must_use]
    pub fn start_with(more: &str) -> Self {
        let mut broker = Self::prepared_with(more, None);
        broker.go();
        broker
    }

    /// One behind a network of its own, which listens on every address there.
    #[must_use]
    pub fn behind(network: &Network) -> Self {
        let mut broker = Self::prepared_with("", Some(network));
        broker.go();
        broker
    }

    fn prepared_with(more: &str, network: Option<&Network>) -> Self {
        let home = TempDir::new("broker");
        let port = free_tcp_port();
        home.write(
            "mosquitto.conf",
            &format!(
                "listener {port}{}\nallow_anonymous true\nuser root\npersistence true\n\
                 persistence_location {}/\nautosave_interval 1\nset_tcp_nodelay true\nmax_queued_messages 0\nlog_dest stderr\n\
                 log_type all\nconnection_messages true\n{more}",
                if network.is_some() { "" } else { " 127.0.0.1" },
                home.path().display()
            ),
        );
        Self { home, port, network: network.map(Network::name), process: None }
    }

    /// Its port.
    #[must_use]
    pub fn port(&self) -> u16 {
        self.port
    }

    /// As configuration wants it.
    #[must_use]
    pub fn address(&self) -> String {
        format!("127.0.0.1:{}", self.port)
    }

    /// Starts it (again) and waits until it listens.
    ///
    /// # Panics
    /// When it does not come up.
    pub fn go(&mut self) {
        let process = Process::start(
            "mosquitto",
            command(self.network.as_deref(), program("mosquitto")).arg("-c").arg(self.home.join("mosquitto.conf")),
        );
        process
            .err
            .wait("running broker", 0, Duration::from_secs(10), |line| line.text.contains("running").then_some(()));
        self.process = Some(process);
    }

    /// Ends it as its service manager would: it saves its sessions.
    ///
    /// # Panics
    /// When it does not end.
    pub fn end(&mut self) {
        if let Some(mut process) = self.process.take() {
            process.signal(rustix::process::Signal::TERM);
            process.ends(Duration::from_secs(10));
        }
    }

    /// Loses everything it had kept; it must not run.
    ///
    /// # Panics
    /// When its file cannot be removed.
    pub fn forget(&self) {
        assert!(self.process.is_none(), "end it first");
        let kept = self.home.join("mosquitto.db");
        if kept.exists() {
            std::fs::remove_file(kept).expect("the broker's file can be removed");
        }
    }

    /// Ends it as a power cut would.
    pub fn kill(&mut self) {
        if let Some(mut process) = self.process.take() {
            process.kill();
        }
    }
}
