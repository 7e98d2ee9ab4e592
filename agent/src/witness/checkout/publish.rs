//! Tells the broker what is read during a checkout, under mode `test`.
//!
//! Presence, catalogue and frames only: no events, no alarms. It has an event log of its own in the checkout's directory,
//! so it never touches the agent's store and numbers nothing the agent would number. A broker that is not there is a
//! state, not an error. Frames go out once a period from a thread of its own. Never panics.

use std::path::Path;
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use lapwing_protocol::Mode;

use super::board::Judged;
use crate::core::frames::{Frames, encoding};
use crate::plan::Plan;
use crate::publish::{FrameId, Publisher};
use crate::service::{StartError, keys, session};
use crate::store::{Store, Writer};

/// How long a clean end may take on the broker's side.
const GOODBYE: Duration = Duration::from_secs(3);
/// Largest size of its log, MiB.
const LOG_MIB: u32 = 16;

/// The publishing side of a checkout.
#[derive(Debug)]
pub struct Teller {
    frames: Arc<Mutex<Frames>>,
    /// Number of each point in the catalogue.
    ids: Vec<u32>,
    publisher: Publisher,
    writer: Writer,
    stop: Sender<()>,
    thread: JoinHandle<()>,
}

impl Teller {
    /// Starts to publish to the plan's broker, with a client identifier of its own.
    ///
    /// # Errors
    /// When the log cannot be opened or the session cannot be published.
    pub fn start(plan: &Plan, dir: &Path, runtime: &tokio::runtime::Handle) -> Result<Self, StartError> {
        let mut plan = plan.clone();
        plan.module.mode = Mode::Test;
        plan.mqtt.client_id.push_str("-checkout");
        let (mut store, opened) = Store::open(&dir.join("log"), LOG_MIB)?;
        let ids = store.point_ids(&keys(&plan))?;
        let (session, catalogue) = session(&plan, &opened, &ids)?;
        let writer = store.spawn_writer(|_| ())?;
        let frames = Arc::new(Mutex::new(Frames::new(&opened.log, opened.boot, &catalogue)));
        let publisher = Publisher::start(runtime, plan.mqtt.clone(), session, writer.clone(), |_| ())?;
        let (stop, stopped) = channel();
        let thread = {
            let (frames, publisher, format) = (Arc::clone(&frames), publisher.clone(), encoding(&plan));
            let period = plan.mqtt.frame_period;
            std::thread::Builder::new().name("frames".into()).spawn(move || {
                while stopped.recv_timeout(period) == Err(RecvTimeoutError::Timeout) {
                    let closed = frames.lock().unwrap_or_else(PoisonError::into_inner).close();
                    for frame in closed {
                        let sent = format
                            .to_vec(&frame)
                            .map(|payload| publisher.frame("frame".into(), payload, FrameId::default()));
                        if let Err(error) = sent {
                            tracing::warn!(%error, "a frame could not be published");
                        }
                    }
                }
            })?
        };
        Ok(Self { frames, ids, publisher, writer, stop, thread })
    }

    /// Adds readings to the open frame.
    pub fn readings(&self, readings: &[Judged]) {
        let mut frames = self.frames.lock().unwrap_or_else(PoisonError::into_inner);
        for reading in readings {
            if let Some(id) = self.ids.get(reading.point) {
                frames.push(*id, wall_ms(reading.at), reading.value, reading.status);
            }
        }
    }

    /// Whether the broker is there.
    #[must_use]
    pub fn is_connected(&self) -> bool {
        matches!(self.publisher.state().connection, crate::publish::Connection::Up(_))
    }

    /// Ends in order: presence goes offline.
    pub fn stop(self) {
        drop(self.stop);
        // A panic in it has been reported.
        let _ended = self.thread.join();
        self.publisher.stop();
        if !self.publisher.wait_stopped(GOODBYE) {
            tracing::info!("the broker was not told goodbye; if it was there, its will says so");
        }
        self.writer.stop();
    }
}

/// Wall time of a moment, milliseconds since the Unix epoch.
fn wall_ms(at: Instant) -> i64 {
    let moment = SystemTime::now().checked_sub(at.elapsed()).unwrap_or(UNIX_EPOCH);
    let since = moment.duration_since(UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_millis()).unwrap_or(i64::MAX)
}
