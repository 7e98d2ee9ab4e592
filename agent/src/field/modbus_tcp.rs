//! Modbus TCP, plain or inside TLS: one connection a link, one request at a time, for all units behind the address.
//!
//! The client library compares transaction, unit and function; lengths are compared here. After any failure but an
//! exception code the connection is dropped and made anew, so that a late answer dies with the connection it belongs
//! to. Host names are resolved at each connect. Knows nothing of schedules or health: `poll` decides. Never panics.
//! MODBUS Messaging on TCP/IP Implementation Guide V1.0b §4.2 (one transaction identifier a request); MODBUS/TCP Security
//! V21 (the same frames inside TLS 1.2 or newer, port 802).

use std::io;
use std::sync::Arc;
use std::time::{Duration, Instant};

use rustls::pki_types::ServerName;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio::sync::watch;
use tokio::time::{sleep, sleep_until, timeout, timeout_at};
use tokio_modbus::client::{Client, Context, tcp};
use tokio_modbus::slave::{Slave, SlaveContext};
use tokio_modbus::{ProtocolError, Request, Response};
use tokio_rustls::TlsConnector;

use super::CONNECT_AT_LEAST;
use super::failure::{End, Failure, Garble};
use super::poll::{Job, Poll, Step};
use super::request::{Answer, Read};
use super::why::Unreached;
use crate::cause::Cause;
use crate::plan::{Table, Tls};
use crate::tls::client_config;

/// Polls a link until `stop` becomes true.
pub(super) async fn run(mut poll: Poll, endpoint: Endpoint, mut stop: watch::Receiver<bool>) {
    let mut stopped = std::pin::pin!(async move { stop.wait_for(|stop| *stop).await.map(drop) });
    let mut connection = None;
    loop {
        tokio::select! {
            biased;
            // An error means that the sender is gone, and with it the agent.
            _ = &mut stopped => return,
            () = turn(&mut poll, &mut connection, &endpoint) => {}
        }
    }
}

/// Where a link's devices are reached.
#[derive(Clone, Debug)]
pub(super) struct Endpoint {
    pub host: String,
    pub port: u16,
    pub tls: Option<Tls>,
}

/// What carries the frames.
pub(super) trait Stream: AsyncRead + AsyncWrite + Unpin + Send + std::fmt::Debug {}

impl<T: AsyncRead + AsyncWrite + Unpin + Send + std::fmt::Debug> Stream for T {}

struct Connection {
    context: Context,
    /// When the last exchange ended.
    last: Instant,
}

async fn turn(poll: &mut Poll, connection: &mut Option<Connection>, endpoint: &Endpoint) {
    match poll.step(Instant::now()) {
        Step::Wait(Some(until)) => sleep_until(until.into()).await,
        Step::Wait(None) => std::future::pending().await,
        Step::Connect => match connect(endpoint, poll.link().timeout.max(CONNECT_AT_LEAST)).await {
            Ok(stream) => {
                let context = tcp::attach_slave(stream, Slave(0));
                *connection = Some(Connection { context, last: Instant::now() });
                poll.connected(Instant::now());
            }
            Err(unreached) => poll.connect_failed(Instant::now(), unreached),
        },
        Step::Ask(job) => {
            let Some(open) = connection else {
                poll.lost(Instant::now());
                return;
            };
            let pause = poll.device(&job).pause.saturating_sub(open.last.elapsed());
            // A sleep of nothing would still last until the timer's next millisecond.
            if !pause.is_zero() {
                sleep(pause).await;
            }
            let sent = Instant::now();
            let outcome = exchange(poll, &mut open.context, &job).await;
            let now = Instant::now();
            open.last = now;
            if matches!(&outcome, Err(failure) if !keeps_connection(failure)) {
                *connection = None;
                poll.lost(now);
            }
            poll.done(
                job,
                sent,
                now,
                outcome.as_ref().map_or_else(|failure| Err(failure.clone()), |values| Ok(values.answer())),
            );
        }
    }
}

pub(super) enum Values {
    Registers(Vec<u16>),
    Bits(Vec<bool>),
}

impl Values {
    pub(super) fn answer(&self) -> Answer<'_> {
        match self {
            Self::Registers(registers) => Answer::Registers(registers),
            Self::Bits(bits) => Answer::Bits(bits),
        }
    }
}

/// Connects, and shakes hands where TLS is asked for; files and host names are read now.
pub(super) async fn connect(endpoint: &Endpoint, within: Duration) -> Result<Box<dyn Stream>, Unreached> {
    let Endpoint { host, port, tls } = endpoint;
    let to = format!("{host}:{port}");
    let within_ms = u64::try_from(within.as_millis()).unwrap_or(u64::MAX);
    let until = tokio::time::Instant::now() + within;
    let stream = match timeout_at(until, TcpStream::connect((host.as_str(), *port))).await {
        Ok(Ok(stream)) => stream,
        Ok(Err(error)) => return Err(Unreached::Refused { to, why: Cause::io(&error) }),
        Err(_) => return Err(Unreached::Silent { to, within_ms }),
    };
    stream.set_nodelay(true).map_err(|error| Unreached::Refused { to: to.clone(), why: Cause::io(&error) })?;
    let Some(tls) = tls else { return Ok(Box::new(stream)) };
    let client = tls.client.as_ref().map(|(chain, key)| (chain.as_path(), key.as_path()));
    let config = client_config(&tls.ca, client).map_err(|error| Unreached::Secret { why: error.cause() })?;
    let name = tls.server_name.as_ref().unwrap_or(host).clone();
    let unfit = |error: rustls::pki_types::InvalidDnsNameError| Unreached::ServerName {
        name: name.clone(),
        why: error.to_string().into(),
    };
    let name = ServerName::try_from(name.clone()).map_err(unfit)?;
    match timeout_at(until, TlsConnector::from(Arc::new(config)).connect(name, stream)).await {
        Ok(Ok(stream)) => Ok(Box::new(stream)),
        Ok(Err(error)) => Err(Unreached::Tls { to, why: Cause::io(&error) }),
        Err(_) => Err(Unreached::TlsSilent { to, within_ms }),
    }
}

async fn exchange(poll: &Poll, context: &mut Context, job: &Job) -> Result<Values, Failure> {
    let device = poll.device(job);
    ask(context, device.unit, poll.read(job)?, device.timeout).await
}

/// One question and its answer.
pub(super) async fn ask(context: &mut Context, unit: u8, read: Read, within: Duration) -> Result<Values, Failure> {
    context.set_slave(Slave(unit));
    let called = match timeout(within, context.call(request(read))).await {
        Ok(called) => called,
        Err(_) => {
            return Err(Failure::Silence { timeout_ms: u64::try_from(within.as_millis()).unwrap_or(u64::MAX) });
        }
    };
    match called {
        Ok(Ok(response)) => values(read, response),
        Ok(Err(exception)) => Err(Failure::Exception { code: exception.into() }),
        Err(error) => Err(failure(error)),
    }
}

fn request(read: Read) -> Request<'static> {
    match read.table() {
        Table::Coil => Request::ReadCoils(read.start(), read.count()),
        Table::Discrete => Request::ReadDiscreteInputs(read.start(), read.count()),
        Table::Holding => Request::ReadHoldingRegisters(read.start(), read.count()),
        Table::Input => Request::ReadInputRegisters(read.start(), read.count()),
    }
}

/// The values, if they are as many as were asked: the library compares lengths only in debug builds.
fn values(read: Read, response: Response) -> Result<Values, Failure> {
    let function = response.function_code().value();
    if function != read.function() {
        return Err(Failure::Garbled(Garble::Function { asked: read.function(), got: function }));
    }
    match response {
        Response::ReadHoldingRegisters(registers) | Response::ReadInputRegisters(registers) => {
            right_length(registers.len(), usize::from(read.count()))?;
            Ok(Values::Registers(registers))
        }
        Response::ReadCoils(mut bits) | Response::ReadDiscreteInputs(mut bits) => {
            // Bits come in whole bytes.
            right_length(bits.len(), usize::from(read.byte_count()) * 8)?;
            bits.truncate(usize::from(read.count()));
            Ok(Values::Bits(bits))
        }
        other => Err(Failure::Garbled(Garble::Function { asked: read.function(), got: other.function_code().value() })),
    }
}

fn right_length(got: usize, asked: usize) -> Result<(), Failure> {
    let short = |n| u16::try_from(n).unwrap_or(u16::MAX);
    if got == asked { Ok(()) } else { Err(Failure::Garbled(Garble::Length { asked: short(asked), got: short(got) })) }
}

fn failure(error: tokio_modbus::Error) -> Failure {
    match error {
        tokio_modbus::Error::Protocol(ProtocolError::HeaderMismatch { .. }) => Failure::Garbled(Garble::Header),
        tokio_modbus::Error::Protocol(ProtocolError::FunctionCodeMismatch { request, result }) => {
            let got = match result {
                Ok(response) => response.function_code().value(),
                Err(exception) => exception.function.value(),
            };
            Failure::Garbled(Garble::Function { asked: request.value(), got })
        }
        tokio_modbus::Error::Transport(error) => transport(&error),
    }
}

/// An error number comes from the system and, where the peer simply closed, says nothing; an error without one comes
/// from decoding.
fn transport(error: &io::Error) -> Failure {
    let tls = error.get_ref().and_then(|inner| inner.downcast_ref::<rustls::Error>());
    if let Some(error) = tls {
        Failure::Closed(End::Told(Cause::tls(error)))
    } else if error.kind() == io::ErrorKind::UnexpectedEof {
        Failure::Closed(End::Wordless)
    } else if error.raw_os_error().is_some() {
        Failure::Closed(End::ByOther)
    } else {
        Failure::Garbled(Garble::Header)
    }
}

/// Whether the connection is in no doubt after a failure: only if a right answer, or nothing at all, was exchanged.
fn keeps_connection(failure: &Failure) -> bool {
    match failure {
        Failure::Exception { .. } | Failure::Plan(_) => true,
        Failure::Silence { .. }
        | Failure::Unanswered { .. }
        | Failure::Garbled(_)
        | Failure::Refused(_)
        | Failure::Http { .. }
        | Failure::Access(_)
        | Failure::AgentFailure
        | Failure::Closed(_)
        | Failure::NoConnection(_) => false,
    }
}

#[cfg(test)]
#[path = "modbus_tcp/tests.rs"]
mod tests;

#[cfg(test)]
#[path = "modbus_tcp/tls_tests.rs"]
mod tls_tests;
