//! Redfish: readings of servers and rack PDUs by GET over HTTPS, one kept connection a service.
//!
//! Only GET can be sent, only inside TLS, with HTTP Basic; a redirection is never followed, so the password goes nowhere
//! but to the configured host. A resource comes whole; `value` finds the points in it. A connection that the service
//! closed while nobody asked is normal and costs one repetition; after a time-out or an answer that is not believed the
//! connection is dropped. At most 64 requests of all services are under way at a time. Certificates, password and host
//! name are read at each connect. Never panics. DMTF DSP0266 §6.2 (GET), §13 (Basic over TLS), RFC 7617, RFC 9112.

mod value;

use std::sync::Arc;
use std::time::{Duration, Instant};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use http_body_util::{BodyExt as _, Empty, Limited};
use hyper::body::Bytes;
use hyper::client::conn::http1::{SendRequest, handshake};
use hyper::header::{ACCEPT, AUTHORIZATION, HOST, HeaderValue};
use hyper::{Request, StatusCode};
use hyper_util::rt::TokioIo;
use lapwing_engine::spec::Raw;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::sync::{Semaphore, watch};
use tokio::time::{sleep, sleep_until, timeout};

use super::CONNECT_AT_LEAST;
use super::failure::{End, Failure, Garble};
use super::modbus_tcp::{Endpoint, connect};
use super::poll::{Job, Poll, Step};
use super::request::Answer;
use super::why::Unreached;
use crate::cause::Cause;
use crate::plan::{Ask, Redfish};

/// More than this under way at a time would make hundreds of services answer at one instant.
const MOST_IN_FLIGHT: usize = 64;
/// A resource longer than this is none that holds readings.
const MOST_BYTES: usize = 1 << 20;

/// What all services share: how many requests may be under way.
pub(super) fn in_flight() -> Arc<Semaphore> {
    Arc::new(Semaphore::new(MOST_IN_FLIGHT))
}

/// Polls a service until `stop` becomes true.
pub(super) async fn run(mut poll: Poll, service: Redfish, in_flight: Arc<Semaphore>, mut stop: watch::Receiver<bool>) {
    let mut stopped = std::pin::pin!(async move { stop.wait_for(|stop| *stop).await.map(drop) });
    let mut connection = None;
    loop {
        tokio::select! {
            biased;
            // An error means that the sender is gone, and with it the agent.
            _ = &mut stopped => return,
            () = turn(&mut poll, &mut connection, &service, &in_flight) => {}
        }
    }
}

struct Connection {
    sender: SendRequest<Empty<Bytes>>,
    authorization: HeaderValue,
    /// Whether it has brought an answer already: only then may it have been closed for idleness.
    used: bool,
    /// When the last exchange ended.
    last: Instant,
    driver: tokio::task::JoinHandle<()>,
}

impl Drop for Connection {
    fn drop(&mut self) {
        self.driver.abort();
    }
}

async fn turn(poll: &mut Poll, connection: &mut Option<Connection>, service: &Redfish, in_flight: &Semaphore) {
    match poll.step(Instant::now()) {
        Step::Wait(Some(until)) => sleep_until(until.into()).await,
        Step::Wait(None) => std::future::pending().await,
        Step::Connect => match open(service, poll.link().timeout.max(CONNECT_AT_LEAST)).await {
            Ok(opened) => {
                *connection = Some(opened);
                poll.connected(Instant::now());
            }
            Err(unreached) => poll.connect_failed(Instant::now(), unreached),
        },
        Step::Ask(job) => {
            let Some(reached) = connection else {
                poll.lost(Instant::now());
                return;
            };
            let pause = poll.device(&job).pause.saturating_sub(reached.last.elapsed());
            // A sleep of nothing would still last until the timer's next millisecond.
            if !pause.is_zero() {
                sleep(pause).await;
            }
            // The semaphore is never closed.
            let turn = in_flight.acquire().await;
            let sent = Instant::now();
            let within = poll.device(&job).timeout;
            let outcome = match timeout(within, ask(poll, reached, service, &job)).await {
                Ok(outcome) => outcome,
                Err(_) => Err(Failure::Silence { timeout_ms: u64::try_from(within.as_millis()).unwrap_or(u64::MAX) }),
            };
            drop(turn);
            let now = Instant::now();
            reached.last = now;
            // A refusal is a whole answer; after anything else the connection may still hold a late one. A refused user
            // may have a new password by now, which is read at the next connect.
            let keeps = match &outcome {
                Ok(_) | Err(Failure::Plan(_)) => true,
                Err(Failure::Http { status }) => !matches!(status, 401 | 403),
                Err(_) => false,
            };
            if !keeps {
                *connection = None;
                poll.lost(now);
            }
            poll.done(job, sent, now, outcome.map(Answer::Variables));
        }
    }
}

async fn open(service: &Redfish, within: Duration) -> Result<Connection, Unreached> {
    let Redfish { host, port, tls, user, password_file } = service;
    let password = std::fs::read_to_string(password_file)
        .map_err(|error| Unreached::File { path: password_file.display().to_string(), why: Cause::io(&error) })?;
    let password = password.trim_end_matches(['\n', '\r']);
    let mut authorization = HeaderValue::from_str(&format!("Basic {}", STANDARD.encode(format!("{user}:{password}"))))
        .map_err(|error| Unreached::Secret { why: error.to_string().into() })?;
    authorization.set_sensitive(true);
    let endpoint = Endpoint { host: host.clone(), port: *port, tls: Some(tls.clone()) };
    let stream = connect(&endpoint, within).await?;
    speak(stream, authorization)
        .await
        .map_err(|error| Unreached::Http { to: format!("{host}:{port}"), why: error.to_string().into() })
}

/// HTTP over what is connected.
async fn speak<S>(stream: S, authorization: HeaderValue) -> Result<Connection, hyper::Error>
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let (sender, connection) = handshake(TokioIo::new(stream)).await?;
    let driver = tokio::spawn(async move {
        // How it ended is told to whoever asks over it.
        let _ended = connection.await;
    });
    Ok(Connection { sender, authorization, used: false, last: Instant::now(), driver })
}

/// One GET; repeated once on a new connection if the service had closed the kept one.
async fn ask(poll: &Poll, reached: &mut Connection, service: &Redfish, job: &Job) -> Result<Vec<Raw>, Failure> {
    let Ask::Redfish { resource, pointers } = poll.ask(job) else {
        return Err(Failure::Plan("something else than a resource asked on a Redfish link"));
    };
    let body = match get(reached, service, resource).await {
        Err(Failure::Closed(_)) if reached.used => {
            let within = poll.link().timeout.max(CONNECT_AT_LEAST);
            *reached = open(service, within).await.map_err(Failure::NoConnection)?;
            get(reached, service, resource).await?
        }
        other => other?,
    };
    reached.used = true;
    values(&body, pointers, poll.states(job))
}

/// The points of a resource, in the order of their pointers; those beyond the lists of states have no states.
pub(super) fn values<'s>(
    body: &[u8],
    pointers: &[String],
    states: impl Iterator<Item = &'s [(i64, String)]>,
) -> Result<Vec<Raw>, Failure> {
    let document: serde_json::Value = serde_json::from_slice(body).map_err(|_| Failure::Garbled(Garble::Body))?;
    let states = states.chain(std::iter::repeat(&[][..]));
    Ok(pointers.iter().zip(states).map(|(pointer, states)| value::raw(&document, pointer, states)).collect())
}

/// One GET over what is connected: the door of `tests/fuzz`.
#[cfg(feature = "fuzzing")]
pub(super) async fn get_over<S>(stream: S, service: &Redfish, resource: &str) -> Result<Bytes, Failure>
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let authorization = HeaderValue::from_static("Basic bm9ib2R5Og==");
    let opened = speak(stream, authorization).await;
    let mut reached = opened.map_err(|error| {
        Failure::NoConnection(Unreached::Http { to: service.host.clone(), why: error.to_string().into() })
    })?;
    get(&mut reached, service, resource).await
}

async fn get(reached: &mut Connection, service: &Redfish, resource: &str) -> Result<Bytes, Failure> {
    let closed = |error: hyper::Error| Failure::Closed(End::Told(error.to_string().into()));
    reached.sender.ready().await.map_err(closed)?;
    let host = if service.host.contains(':') { format!("[{}]", service.host) } else { service.host.clone() };
    let request = Request::get(resource)
        .header(HOST, format!("{host}:{}", service.port))
        .header(AUTHORIZATION, reached.authorization.clone())
        .header(ACCEPT, "application/json")
        .header("OData-Version", "4.0")
        .body(Empty::new())
        .map_err(|_| Failure::Plan("a resource whose path is none: correct the map"))?;
    let response = reached
        .sender
        .send_request(request)
        .await
        .map_err(|error| if error.is_parse() { Failure::Garbled(Garble::Header) } else { closed(error) })?;
    let status = response.status();
    let body = Limited::new(response.into_body(), MOST_BYTES).collect().await;
    // A refusal counts even where its explanation does not arrive whole.
    if status != StatusCode::OK {
        return Err(Failure::Http { status: status.as_u16() });
    }
    body.map(http_body_util::Collected::to_bytes).map_err(|_| Failure::Garbled(Garble::Body))
}

#[cfg(test)]
#[path = "redfish/tests.rs"]
mod tests;
