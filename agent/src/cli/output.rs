//! Standard output, a line at a time, on a thread of its own: a reader that stops reading never stops the agent.
//!
//! Lines wait in a bounded queue; when it is full, lines are dropped and their number is said as soon as there is room.
//! Knows nothing of what the lines mean. Never panics; a closed pipe ends the printing.

use std::io::Write;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread::JoinHandle;

use flume::Sender;

/// Lines that wait for the reader.
const QUEUE: usize = 65_536;

/// The way to standard output.
#[derive(Clone, Debug)]
pub(super) struct Output {
    sender: Sender<String>,
    dropped: Arc<AtomicU64>,
}

/// The printing thread, to wait for at the end.
#[derive(Debug)]
pub(super) struct Printer(JoinHandle<()>);

impl Output {
    /// Starts the printing thread.
    ///
    /// # Errors
    /// When the host gives no thread.
    pub(super) fn start() -> std::io::Result<(Self, Printer)> {
        let (sender, receiver) = flume::bounded::<String>(QUEUE);
        let dropped = Arc::new(AtomicU64::new(0));
        let counter = Arc::clone(&dropped);
        let thread = std::thread::Builder::new().name("output".into()).spawn(move || {
            let mut out = std::io::stdout();
            for line in receiver {
                let lost = counter.swap(0, Ordering::Relaxed);
                let said = if lost == 0 {
                    Ok(())
                } else {
                    writeln!(std::io::stderr(), "{lost} lines were not printed: the reader is too slow")
                };
                if said.and_then(|()| writeln!(out, "{line}")).and_then(|()| out.flush()).is_err() {
                    return;
                }
            }
        })?;
        Ok((Self { sender, dropped }, Printer(thread)))
    }

    /// Prints a line, or counts it if there is no room.
    pub(super) fn line(&self, line: String) {
        if self.sender.try_send(line).is_err() {
            self.dropped.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// Prints a value as one line of JSON.
    pub(super) fn json(&self, value: &impl serde::Serialize) {
        match serde_json::to_string(value) {
            Ok(line) => self.line(line),
            Err(error) => tracing::error!(%error, "a line could not be written as JSON"),
        }
    }
}

impl Printer {
    /// Waits until everything is printed; every `Output` must be gone.
    pub(super) fn finish(self) {
        // The thread ends by itself; a panic in it has been reported on standard error.
        let _ended = self.0.join();
    }
}
