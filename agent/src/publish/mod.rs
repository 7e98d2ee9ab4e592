//! Publishing over MQTT 3.1.1: what the agent says leaves through here, and nothing it said is lost on the way.
//!
//! The core hands in topics (below the base) and payloads; this room knows neither points nor alarms. The store's outbox
//! is the only thing that is ever sent again: each connection is a fresh event loop of the library, whose own resending
//! loses messages, and a row leaves the outbox only at its own acknowledgement. A broker that is down, at start or
//! later, is a state and never an error. Durations are monotonic. Never panics; a panic inside the library ends one
//! connection.
//!
//! Rooms: `said` what goes in and comes back; `inbox` what waits and what goes next; `connection` one connection;
//! `suspicion` the packet a broker refuses; `access` address, TLS, credentials, back-off; `broker` the demo's broker. Read first: MQTT 3.1.1 §4.3, §4.6.

mod access;
#[cfg(feature = "demo")]
pub mod broker;
mod connection;
mod frames;
mod inbox;
mod packet;
mod said;
mod suspicion;

use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tokio::sync::Notify;

use crate::cause::Cause;
use crate::plan;
use crate::store::{OutboxRow, Writer};
use access::BackOff;
use inbox::Inbox;
pub use said::{Connection, FrameId, HandInError, Lost, Notice, PublishState, Session};

/// Handle of the publishing task; every method returns at once. Clones speak to the same task.
#[derive(Clone, Debug)]
pub struct Publisher {
    shared: Arc<Shared>,
}

struct Shared {
    inbox: Mutex<Inbox>,
    control: Mutex<Control>,
    wake: Notify,
    stopped: Condvar,
    writer: Writer,
    settings: plan::Mqtt,
    notify: Mutex<Box<dyn FnMut(Notice) + Send>>,
    /// What is listened to below the base, and who hears it.
    listening: Mutex<Option<(String, said::Hears)>>,
}

#[derive(Debug)]
struct Control {
    connection: Connection,
    /// First contact has been made.
    contact: bool,
    /// The present connection no longer says what it should.
    renew: bool,
    stop: bool,
    stopped: bool,
}

impl std::fmt::Debug for Shared {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Shared").field("control", &self.control).finish_non_exhaustive()
    }
}

impl Publisher {
    /// Starts the task on `runtime`. It connects at once and keeps trying; `notify` hears what the core should know.
    ///
    /// # Errors
    /// When a catalogue page can never be published.
    pub fn start(
        runtime: &tokio::runtime::Handle,
        settings: plan::Mqtt,
        session: Session,
        writer: Writer,
        notify: impl FnMut(Notice) + Send + 'static,
    ) -> Result<Self, HandInError> {
        session.check()?;
        let control =
            Control { connection: Connection::Starting, contact: false, renew: false, stop: false, stopped: false };
        let shared = Arc::new(Shared {
            inbox: Mutex::new(Inbox::new(session)),
            control: Mutex::new(control),
            wake: Notify::new(),
            stopped: Condvar::new(),
            writer,
            settings,
            notify: Mutex::new(Box::new(notify)),
            listening: Mutex::default(),
        });
        runtime.spawn(supervise(Arc::clone(&shared)));
        Ok(Self { shared })
    }

    /// Rows that just became durable, in the order of the outbox.
    pub fn durable(&self, rows: Vec<OutboxRow>) {
        let bad = self.shared.inbox().durable(rows);
        self.shared.rows_aside(bad);
        self.shared.wake.notify_one();
    }

    /// Packets of events that are in no store yet: they go at once, also before events that wait on a disk.
    pub fn volatile(&self, rows: Vec<OutboxRow>) {
        let bad = self.shared.inbox().volatile(rows);
        self.shared.rows_aside(bad);
        self.shared.wake.notify_one();
    }

    /// Lets events go, now that the core has judged what the broker remembers.
    pub fn release(&self) {
        self.shared.inbox().release();
        self.shared.wake.notify_one();
    }

    /// The latest state of a retained topic, QoS 1; kept and said again after each connect.
    ///
    /// # Errors
    /// When topic or payload can never be published.
    pub fn retained(&self, topic: String, payload: impl Into<Arc<[u8]>>) -> Result<(), HandInError> {
        let outcome = self.shared.inbox().set_latest(topic, payload.into());
        self.shared.wake.notify_one();
        outcome
    }

    /// Clears a retained topic; the store forgets it once the broker has confirmed.
    ///
    /// # Errors
    /// When it is not a topic.
    pub fn clear(&self, topic: String) -> Result<(), HandInError> {
        self.retained(topic, [])
    }

    /// A live frame, QoS 1, not retained; when more than a few wait the oldest is dropped and counted.
    ///
    /// # Errors
    /// When topic or payload can never be published.
    pub fn frame(&self, topic: String, payload: Vec<u8>, id: FrameId) -> Result<(), HandInError> {
        let outcome = self.shared.inbox().push_frame(topic, payload, id);
        self.shared.wake.notify_one();
        outcome
    }

    /// A frame sent again from history, below everything else; `false` when there is no room now.
    ///
    /// # Errors
    /// When topic or payload can never be published.
    pub fn late(&self, topic: String, payload: Vec<u8>, id: FrameId) -> Result<bool, HandInError> {
        let outcome = self.shared.inbox().push_late(topic, payload, id);
        self.shared.wake.notify_one();
        outcome
    }

    /// Whether a connection stands.
    #[must_use]
    pub fn is_up(&self) -> bool {
        matches!(self.shared.control().connection, Connection::Up(_))
    }

    /// Whether a late frame would be taken and could leave.
    #[must_use]
    pub fn late_room(&self) -> bool {
        self.is_up() && self.shared.inbox().late_room()
    }

    /// Says who hears what becomes of frames. It is called while the publisher is locked: it must be quick and must not
    /// call back.
    pub fn on_frames(&self, hears: impl Fn(FrameId, bool) + Send + 'static) {
        self.shared.inbox().frames.fates = said::Fates(Box::new(hears));
    }

    /// Listens to topics below the base that a filter names, on every connection. `hears` is told topic, whether the broker
    /// had kept it, and payload; it must be quick.
    pub fn listen(&self, filter: String, hears: impl Fn(String, bool, Vec<u8>) + Send + Sync + 'static) {
        *self.shared.listening.lock().unwrap_or_else(PoisonError::into_inner) = Some((filter, Arc::new(hears)));
        self.shared.wake.notify_one();
    }

    /// The answer to what was heard, QoS 1; not sent again when the connection is lost.
    ///
    /// # Errors
    /// When topic or payload can never be published.
    pub fn reply(&self, topic: String, payload: Vec<u8>) -> Result<(), HandInError> {
        let outcome = self.shared.inbox().push_reply(topic, payload);
        self.shared.wake.notify_one();
        outcome
    }

    /// The present value of one point, QoS 0, retained; replaces one that still waits.
    ///
    /// # Errors
    /// When topic or payload can never be published.
    pub fn point(&self, topic: String, payload: Vec<u8>) -> Result<(), HandInError> {
        let outcome = self.shared.inbox().set_point(topic, payload);
        self.shared.wake.notify_one();
        outcome
    }

    /// A changed catalogue or mode: connects anew with a new will.
    ///
    /// # Errors
    /// When a page can never be published.
    pub fn session(&self, session: Session) -> Result<(), HandInError> {
        session.check()?;
        self.shared.inbox().session = session;
        self.shared.control().renew = true;
        self.shared.wake.notify_one();
        Ok(())
    }

    /// Another presence, said on the present connection; the will follows with the next one.
    ///
    /// # Errors
    /// When a page can never be published.
    pub fn presence(&self, session: Session) -> Result<(), HandInError> {
        session.check()?;
        self.shared.inbox().say_online(session);
        self.shared.wake.notify_one();
        Ok(())
    }

    /// How publishing is doing.
    #[must_use]
    pub fn state(&self) -> PublishState {
        let connection = self.shared.control().connection.clone();
        let inbox = self.shared.inbox();
        PublishState {
            connection,
            in_flight: inbox.in_flight(),
            events_confirmed: inbox.events_confirmed,
            frames_dropped: inbox.frames.dropped,
            oldest_unsent_t_ms: inbox.oldest_t_ms(),
        }
    }

    /// Asks for a clean end: what waits is sent for a short while, then presence goes offline.
    pub fn stop(&self) {
        self.shared.control().stop = true;
        self.shared.wake.notify_one();
    }

    /// Waits for the clean end; not to be called on the runtime's own thread. Says whether it came in time.
    #[must_use]
    pub fn wait_stopped(&self, at_most: Duration) -> bool {
        let control = self.shared.control();
        self.shared
            .stopped
            .wait_timeout_while(control, at_most, |control| !control.stopped)
            .map_or_else(|poisoned| poisoned.into_inner().0.stopped, |(control, _)| control.stopped)
    }
}

impl Shared {
    fn inbox(&self) -> MutexGuard<'_, Inbox> {
        self.inbox.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn control(&self) -> MutexGuard<'_, Control> {
        self.control.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn tell(&self, notice: Notice) {
        let mut notify = self.notify.lock().unwrap_or_else(PoisonError::into_inner);
        notify(notice);
    }

    fn listening(&self) -> Option<(String, said::Hears)> {
        self.listening.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn up(&self) {
        self.control().connection = Connection::Up(Instant::now());
        self.tell(Notice::Connected);
    }

    fn down(&self, why: Cause) {
        let news = {
            let mut control = self.control();
            let known = matches!(control.connection, Connection::Down(..));
            let since = match control.connection {
                Connection::Down(since, _) => since,
                Connection::Starting | Connection::Up(_) => Instant::now(),
            };
            control.connection = Connection::Down(since, why.clone());
            !known
        };
        if news {
            self.tell(Notice::Down(why));
        }
    }

    /// Asks the store for the next page of the outbox if one is wanted.
    fn fetch(self: &Arc<Self>) {
        let Some((after, generation)) = self.inbox().fetch_after() else { return };
        let shared = Arc::clone(self);
        self.writer.fetch_unsent(after, inbox::PAGE_ROWS, move |answer| {
            match answer {
                Ok(rows) => {
                    let bad = shared.inbox().fetched(generation, rows);
                    shared.rows_aside(bad);
                }
                Err(error) => {
                    tracing::warn!("waiting events cannot be read: {error}");
                    shared.inbox().fetch_failed(generation);
                    // The connection looks again within a second.
                    return;
                }
            }
            shared.wake.notify_one();
        });
    }

    fn rows_aside(&self, bad: Vec<(OutboxRow, HandInError)>) {
        for (row, why) in bad {
            self.row_aside(&row, why.to_string().into());
        }
    }

    fn row_aside(&self, row: &OutboxRow, why: Cause) {
        let what = match &row.announce {
            Some(topic) => format!("{topic} of event {}", row.seq),
            None => format!("event {}", row.seq),
        };
        tracing::error!("{what} is set aside, it stays in the event log: {why}");
        self.writer.acknowledged(&[row.id]);
        self.tell(Notice::SetAside { what, why });
    }
}

/// Connects, again and again, until told to stop.
async fn supervise(shared: Arc<Shared>) {
    let mut back_off = BackOff::default();
    loop {
        if shared.control().stop {
            break;
        }
        shared.control().renew = false;
        let session = shared.inbox().session.clone();
        let why = match access::options(&shared.settings, &session) {
            Ok(options) => {
                // A task of its own: a panic in the library on what a broker sends must not end publishing.
                match tokio::spawn(connection::run(Arc::clone(&shared), options)).await {
                    Ok(connection::Ended::Stopped) => break,
                    Ok(connection::Ended::Renew) => continue,
                    Ok(connection::Ended::Lost { why, held }) => {
                        back_off.after(held);
                        why
                    }
                    Err(panic) => Cause::from(format!("the MQTT library failed: {panic}")),
                }
            }
            Err(error) => error.cause(),
        };
        shared.inbox().disconnected();
        tracing::debug!("not connected to the broker: {why}");
        shared.down(why);
        let pause = tokio::time::sleep(back_off.next());
        tokio::pin!(pause);
        loop {
            tokio::select! {
                () = &mut pause => break,
                () = shared.wake.notified() => {
                    if shared.control().stop {
                        break;
                    }
                }
            }
        }
    }
    shared.inbox().disconnected();
    // Whoever heard may hold us in turn.
    *shared.listening.lock().unwrap_or_else(PoisonError::into_inner) = None;
    let mut control = shared.control();
    control.connection = Connection::Down(Instant::now(), "stopped".into());
    control.stopped = true;
    drop(control);
    shared.stopped.notify_all();
}

#[cfg(test)]
mod tests;
