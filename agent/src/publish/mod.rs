//! Publishing over MQTT 3.1.1: what the agent says leaves through here, and nothing it said is lost on the way.
//!
//! The core hands in topics (below the base) and payloads; this room knows neither points nor alarms. The store's outbox
//! is the only thing that is ever sent again: each connection is a fresh event loop of the library, whose own resending
//! loses messages, and a row leaves the outbox only at its own acknowledgement. A broker that is down, at start or
//! later, is a state and never an error. Durations are monotonic. Never panics; a panic inside the library ends one
//! connection.
//!
//! Rooms: `inbox` what waits and what goes next; `connection` one connection; `access` address, TLS, credentials,
//! back-off; `broker` the demo's broker. Read first: MQTT 3.1.1 §4.3, §4.6.

mod access;
#[cfg(feature = "demo")]
pub mod broker;
mod connection;
mod inbox;

use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tokio::sync::Notify;

use crate::plan;
use crate::store::{OutboxRow, Writer};
use access::BackOff;
use inbox::Inbox;

/// What a connection says of the agent as a whole. A changed one connects anew: MQTT fixes the will at connect.
#[derive(Clone)]
pub struct Session {
    /// First segments of every topic, as `lapwing/saltmarsh/m1`.
    pub base: String,
    /// Topic of presence, below the base.
    pub presence_topic: String,
    /// Presence while connected.
    pub online: Vec<u8>,
    /// Presence as the will and at a clean end.
    pub offline: Vec<u8>,
    /// Catalogue pages: topic below the base, payload.
    pub catalogue: Vec<(String, Vec<u8>)>,
    /// Topic of events, below the base.
    pub event_topic: String,
    /// Topic of what a subscriber should have, below the base.
    pub last_topic: String,
    /// Makes its payload from log, number and stamp.
    pub last: fn(log: &str, seq: u64, t_ms: i64) -> Vec<u8>,
}

impl Session {
    fn check(&self) -> Result<(), HandInError> {
        let presence = [(&self.presence_topic, &self.online), (&self.presence_topic, &self.offline)];
        let pages = self.catalogue.iter().map(|(topic, payload)| (topic, payload));
        presence.into_iter().chain(pages).try_for_each(|(topic, payload)| {
            inbox::fits(&format!("{}/{topic}", self.base), payload, inbox::PACKET_MAX_BYTES)
        })
    }
}

impl std::fmt::Debug for Session {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Session").field("base", &self.base).field("pages", &self.catalogue.len()).finish_non_exhaustive()
    }
}

/// What the core should know. Told on the runtime's or the store's thread: the hearer must be quick and must not call
/// the publisher from there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Notice {
    /// First contact with the broker: what it remembers as the last event, if anything. Events are held until
    /// [`Publisher::release`].
    Remembered(Option<Vec<u8>>),
    /// A connection stands.
    Connected,
    /// The connection was lost, or could not be made; said once until the next `Connected`, with the reason.
    Down(String),
    /// A packet the broker refuses was set aside; an event's row is out of the outbox and still in the event log.
    SetAside {
        /// Its topic or what it was.
        what: String,
        /// Why.
        why: String,
    },
}

/// Why a packet was not taken.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum HandInError {
    /// Larger than a packet may be.
    #[error("{topic} has a payload of {bytes} bytes, more than {limit}")]
    TooLarge {
        /// Topic.
        topic: String,
        /// Size.
        bytes: usize,
        /// Bound.
        limit: usize,
    },
    /// Not a topic one can publish to.
    #[error("{topic:?} is not a topic: it is empty, too long, or has one of + # NUL")]
    Topic {
        /// Topic.
        topic: String,
    },
}

/// Whether the broker is there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Connection {
    /// Not yet tried.
    Starting,
    /// Connected since then.
    Up(Instant),
    /// Not connected since then, and why.
    Down(Instant, String),
}

/// How publishing is doing.
#[derive(Clone, Debug)]
pub struct PublishState {
    /// The connection.
    pub connection: Connection,
    /// Packets that wait for their acknowledgement.
    pub in_flight: usize,
    /// Events acknowledged since the start.
    pub events_confirmed: u64,
    /// Live frames dropped since the start.
    pub frames_dropped: u64,
    /// Stamp of the oldest unconfirmed event.
    pub oldest_unsent_t_ms: Option<i64>,
}

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

    /// Lets events go, now that the core has judged what the broker remembers.
    pub fn release(&self) {
        self.shared.inbox().released = true;
        self.shared.wake.notify_one();
    }

    /// The latest state of a retained topic, QoS 1; kept and said again after each connect.
    ///
    /// # Errors
    /// When topic or payload can never be published.
    pub fn retained(&self, topic: String, payload: Vec<u8>) -> Result<(), HandInError> {
        let outcome = self.shared.inbox().set_latest(topic, payload);
        self.shared.wake.notify_one();
        outcome
    }

    /// Clears a retained topic; the store forgets it once the broker has confirmed.
    ///
    /// # Errors
    /// When it is not a topic.
    pub fn clear(&self, topic: String) -> Result<(), HandInError> {
        self.retained(topic, Vec::new())
    }

    /// A live frame, QoS 1, not retained; when more than a few wait the oldest is dropped and counted.
    ///
    /// # Errors
    /// When topic or payload can never be published.
    pub fn frame(&self, topic: String, payload: Vec<u8>) -> Result<(), HandInError> {
        let outcome = self.shared.inbox().push_frame(topic, payload);
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

    /// How publishing is doing.
    #[must_use]
    pub fn state(&self) -> PublishState {
        let connection = self.shared.control().connection.clone();
        let inbox = self.shared.inbox();
        PublishState {
            connection,
            in_flight: inbox.in_flight(),
            events_confirmed: inbox.events_confirmed,
            frames_dropped: inbox.frames_dropped,
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

    fn up(&self) {
        self.control().connection = Connection::Up(Instant::now());
        self.tell(Notice::Connected);
    }

    fn down(&self, why: String) {
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
        let Some(after) = self.inbox().fetch_after() else { return };
        let shared = Arc::clone(self);
        self.writer.fetch_unsent(after, inbox::PAGE_ROWS, move |answer| match answer {
            Ok(rows) => shared.take_page(rows),
            Err(error) => {
                tracing::warn!("waiting events cannot be read: {error}");
                shared.inbox().fetch_failed();
            }
        });
    }

    fn take_page(&self, rows: Vec<OutboxRow>) {
        let full = rows.len() >= inbox::PAGE_ROWS as usize;
        let bad = self.inbox().fetched(rows, full);
        self.rows_aside(bad);
        self.wake.notify_one();
    }

    fn rows_aside(&self, bad: Vec<(OutboxRow, HandInError)>) {
        for (row, why) in bad {
            self.row_aside(&row, why.to_string());
        }
    }

    fn row_aside(&self, row: &OutboxRow, why: String) {
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
                    Err(panic) => format!("the MQTT library failed: {panic}"),
                }
            }
            Err(error) => error.to_string(),
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
    let mut control = shared.control();
    control.connection = Connection::Down(Instant::now(), "stopped".into());
    control.stopped = true;
    drop(control);
    shared.stopped.notify_all();
}

#[cfg(test)]
mod tests;
