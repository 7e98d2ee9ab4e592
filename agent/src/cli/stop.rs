//! Waits for the end of a run: Ctrl-C, a request to terminate, or the time that was asked for.
//!
//! A second Ctrl-C ends the process at once, for a person who will not wait. Durations are on the monotonic clock.

use std::time::Duration;

use tokio::sync::Notify;

/// Why a run ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Why {
    /// The time asked for is over.
    TimeIsOver,
    /// A person or the service manager asked.
    Asked,
    /// The configuration is to be read anew.
    Reload,
    /// The agent itself: it is to be started anew.
    Anew,
}

/// Blocks until the run should end. Signals are caught from the first call of [`Signals::catch`] on.
#[derive(Debug)]
pub(super) struct Signals {
    runtime: tokio::runtime::Runtime,
    interrupt: tokio::signal::unix::Signal,
    terminate: tokio::signal::unix::Signal,
    /// Only where it means something: elsewhere a lost terminal ends the program as ever.
    hang_up: Option<tokio::signal::unix::Signal>,
}

impl Signals {
    /// Catches SIGINT and SIGTERM from now on.
    ///
    /// # Errors
    /// When the host gives no event loop or signal handler.
    pub(super) fn catch() -> std::io::Result<Self> {
        use tokio::signal::unix::{SignalKind, signal};
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        let _inside = runtime.enter();
        let (interrupt, terminate) = (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?);
        drop(_inside);
        Ok(Self { runtime, interrupt, terminate, hang_up: None })
    }

    /// From now on SIGHUP asks for the configuration to be read anew.
    ///
    /// # Errors
    /// When the host gives no signal handler.
    pub(super) fn catch_reload(&mut self) -> std::io::Result<()> {
        use tokio::signal::unix::{SignalKind, signal};
        let _inside = self.runtime.enter();
        self.hang_up = Some(signal(SignalKind::hangup())?);
        Ok(())
    }

    /// Waits for a signal or the given time; `None` waits for a signal alone.
    pub(super) fn wait(&mut self, seconds: Option<u64>) -> Why {
        self.wait_or(seconds, &Notify::new())
    }

    /// As `wait`, or until the agent asks to be started anew.
    pub(super) fn wait_or(&mut self, seconds: Option<u64>, anew: &Notify) -> Why {
        let Self { runtime, interrupt, terminate, hang_up } = self;
        runtime.block_on(async {
            let over = async {
                match seconds {
                    Some(seconds) => tokio::time::sleep(Duration::from_secs(seconds)).await,
                    None => std::future::pending().await,
                }
            };
            let reload = async {
                match hang_up {
                    Some(signal) => signal.recv().await,
                    None => std::future::pending().await,
                }
            };
            tokio::select! {
                _ = reload => Why::Reload,
                () = over => Why::TimeIsOver,
                _ = interrupt.recv() => Why::Asked,
                _ = terminate.recv() => Why::Asked,
                () = anew.notified() => Why::Anew,
            }
        })
    }

    /// From now on a further signal ends the process at once; one that comes with the first counts as the first, since
    /// some programs signal a process and its group.
    pub(super) fn insist(mut self) {
        std::thread::spawn(move || {
            self.hang_up = None; // stays caught: it asks for nothing any more
            while self.wait(Some(1)) == Why::Asked {}
            self.wait(None);
            std::process::exit(2);
        });
    }
}
