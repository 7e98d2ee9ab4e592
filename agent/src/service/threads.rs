//! The service's threads: the core's, the one of links and MQTT, and what happens when the core's ends by a panic.
//!
//! A panic of the core ends the process with one sentence on standard error.

use std::thread::JoinHandle;

use crate::core::figures::Summary;
use crate::core::run::{CoreError, Inputs, run};

/// A core that has panicked must not leave an agent that looks alive: the process ends and is started again.
struct NeverSilent;

impl Drop for NeverSilent {
    fn drop(&mut self) {
        if std::thread::panicking() {
            eprintln!("The core has panicked; the agent ends so that it is started again. Please report this.");
            std::process::abort();
        }
    }
}

/// The core on a thread of its own.
pub(super) fn core_thread(inputs: Inputs) -> std::io::Result<JoinHandle<Result<Summary, CoreError>>> {
    std::thread::Builder::new().name("core".into()).spawn(move || {
        let _guard = NeverSilent;
        run(inputs)
    })
}

/// One current-thread runtime on a thread of its own, for links and MQTT.
#[derive(Debug)]
pub(crate) struct RuntimeThread {
    pub(crate) handle: tokio::runtime::Handle,
    stop: tokio::sync::oneshot::Sender<()>,
    thread: JoinHandle<()>,
}

impl RuntimeThread {
    pub(crate) fn start() -> std::io::Result<Self> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        let handle = runtime.handle().clone();
        let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
        let thread = std::thread::Builder::new().name("links".into()).spawn(move || {
            // Ends when told, and also when whoever would tell is gone.
            let _either = runtime.block_on(stopped);
        })?;
        Ok(Self { handle, stop, thread })
    }

    pub(crate) fn stop(self) {
        // The thread may already have ended.
        let _gone = self.stop.send(());
        if self.thread.join().is_err() {
            tracing::error!("the runtime's thread ended by a panic; please report this");
        }
    }
}
