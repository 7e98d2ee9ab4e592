//! The live stream: server-sent events (HTML Living Standard, section 9.2) of readings, alarms, events and links.
//!
//! A stream is pulled by its client: each pull sends what changed on the board since the last, at most every 50 ms. So a
//! slow client gets fewer and larger packets and costs no memory; one that misses alarms or events is told so and cut, and so
//! is one whose session ends where reading needs a session.
//! A beat every second shows that the stream lives. Never panics.

use std::convert::Infallible;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::sse::{Event, Sse};
use futures_util::stream::{self, Stream};
use serde_json::{Value, json};
use tokio::sync::broadcast::{self, error::RecvError};
use tokio::time::{Instant, sleep_until};

use super::trouble::Trouble;
use super::{Shared, links, now_ms, person, read, rules};
use crate::core::board::Happened;

/// Streams open at once; each is a screen.
const MOST: usize = 64;
/// Readings are sent at most this often.
const EVERY: Duration = Duration::from_millis(50);
/// A beat is sent at least this often.
const BEAT: Duration = Duration::from_secs(1);

/// `GET /api/live`.
pub(super) async fn live(
    State(shared): State<Arc<Shared>>,
    headers: HeaderMap,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Trouble> {
    let Some(place) = Place::take(&shared) else {
        return Err(Trouble::Unavailable(format!("{MOST} live streams are open already; close a page.")));
    };
    let feed = Feed {
        happened: shared.board.listen(),
        sent: None,
        next_readings: Instant::now(),
        next_beat: Instant::now() + BEAT,
        number: 0,
        over: false,
        headers,
        place,
    };
    Ok(Sse::new(stream::unfold(feed, |mut feed| async move {
        let event = feed.next().await?;
        Some((Ok(event), feed))
    })))
}

/// A place among the streams, given back when the stream ends.
struct Place(Arc<Shared>);

impl Place {
    fn take(shared: &Arc<Shared>) -> Option<Self> {
        let taken = shared.streams.fetch_update(Ordering::AcqRel, Ordering::Acquire, |n| (n < MOST).then_some(n + 1));
        taken.is_ok().then(|| Self(Arc::clone(shared)))
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        self.0.streams.fetch_sub(1, Ordering::AcqRel);
    }
}

/// What one client is sent.
struct Feed {
    happened: broadcast::Receiver<Happened>,
    /// Number of the last change sent; `None` before `hello`.
    sent: Option<u64>,
    next_readings: Instant,
    next_beat: Instant,
    number: u64,
    over: bool,
    /// Of the request: whose session it is.
    headers: HeaderMap,
    place: Place,
}

impl Feed {
    async fn next(&mut self) -> Option<Event> {
        if self.over {
            return None;
        }
        let Some(sent) = self.sent else {
            self.sent = Some(0);
            return Some(self.hello());
        };
        let shared = Arc::clone(&self.place.0);
        loop {
            // What a person waits for goes first; readings follow when their time has come.
            tokio::select! {
                biased;
                happened = self.happened.recv() => match happened {
                    Ok(Happened::Alarm(record)) => return Some(self.raw("alarm", &record)),
                    Ok(Happened::Event(payload)) => return Some(self.raw("event", &payload)),
                    Ok(Happened::Field) => return Some(self.event("links", &links::states(&shared))),
                    Ok(Happened::Mode) => {
                        let head = shared.board.head();
                        return Some(self.event("mode", &json!({ "mode": head.mode_word(), "until": head.mode_until })));
                    }
                    Ok(Happened::Replaced) => {
                        self.over = true;
                        let text = "The configuration has changed. Connect again.";
                        return Some(self.event("cut", &json!({ "text": text })));
                    }
                    Ok(Happened::Rules) => return Some(self.event("suppress", &json!({ "rules": rules::rows(&shared) }))),
                    Err(RecvError::Lagged(missed)) => {
                        self.over = true;
                        let text = format!("This client was too slow: {missed} alarms or events were missed. Connect again.");
                        return Some(self.event("cut", &json!({ "text": text })));
                    }
                    Err(RecvError::Closed) => return None,
                },
                () = sleep_until(self.next_readings) => {
                    self.next_readings = Instant::now() + EVERY;
                    if !shared.open_reading && person::signed_in(&shared, &self.headers).is_none() {
                        self.over = true;
                        return Some(self.event("cut", &json!({ "text": "The session has ended. Sign in again." })));
                    }
                    let changes = shared.board.changes();
                    let values = if changes > sent { read::values(&shared, sent) } else { Vec::new() };
                    if !values.is_empty() {
                        self.sent = Some(changes);
                        self.next_beat = Instant::now() + BEAT;
                        return Some(self.event("readings", &json!({ "t": now_ms(), "values": values })));
                    }
                    if Instant::now() >= self.next_beat {
                        self.next_beat = Instant::now() + BEAT;
                        return Some(self.event("beat", &json!({ "t": now_ms() })));
                    }
                }
            }
        }
    }

    fn hello(&mut self) -> Event {
        let shared = Arc::clone(&self.place.0);
        let head = shared.board.head();
        self.event(
            "hello",
            &json!({
                "t": now_ms(), "log": head.log, "boot": head.boot, "catalogue": shared.catalogue_hash,
                "plan": shared.plan_number, "mode": head.mode_word(),
            }),
        )
    }

    fn event(&mut self, name: &str, data: &Value) -> Event {
        self.raw(name, data.to_string().as_bytes())
    }

    /// Payloads are one line of JSON already.
    fn raw(&mut self, name: &str, payload: &[u8]) -> Event {
        self.number += 1;
        Event::default().event(name).id(self.number.to_string()).data(String::from_utf8_lossy(payload))
    }
}
