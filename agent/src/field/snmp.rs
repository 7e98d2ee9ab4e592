//! SNMP version 2c: GETs of several variables from one agent a link.
//!
//! All links share one UDP socket: sockets of their own may end up on one port and steal each other's answers. The
//! library compares request number, community and source address; here the variables are compared with those asked, one
//! by one. A variable the agent does not have spoils only its own point. At most 32 requests are under way at a time.
//! Only GET can be sent: the [`Agent`] trait has nothing else. Never panics. RFC 3416 §4.2.1 (GET), §3 (noSuchObject,
//! noSuchInstance), RFC 2578 §7.1 (types).

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::{Duration, Instant};

use async_snmp::{
    Auth, Client, ClientBuilder, Error, ErrorKind, ErrorStatus, Oid, Retry, UdpHandle, UdpTransport, Value, VarBind,
};
use lapwing_engine::spec::Raw;
use lapwing_protocol::Status;
use tokio::sync::{Mutex, Semaphore, watch};
use tokio::time::{sleep, sleep_until};

use super::failure::{Failure, Garble};
use super::identify::{NoIdentity, printable};
use super::poll::{Job, Poll, Step};
use super::request::Answer;
use crate::plan::Ask;

/// More requests than this under way at a time overrun the agents' and our own receive buffers.
const MOST_IN_FLIGHT: usize = 32;
/// Room for the answers of all agents at once; the kernel may give less.
const RECEIVE_BUFFER: usize = 4 << 20;

/// The socket all SNMP links share.
pub(super) struct Sockets {
    transport: Mutex<Option<UdpTransport>>,
    in_flight: Semaphore,
}

impl Default for Sockets {
    fn default() -> Self {
        Self { transport: Mutex::new(None), in_flight: Semaphore::new(MOST_IN_FLIGHT) }
    }
}

/// Where a link's agent is.
#[derive(Clone, Debug)]
pub(super) struct Address {
    pub host: String,
    pub port: u16,
    pub community: String,
}

/// What a link needs of a library: one read of variables.
trait Agent {
    /// Values of variables, in the order asked.
    fn get(&self, oids: &[Oid]) -> impl Future<Output = Result<Vec<Value>, Failure>> + Send;
}

/// Polls a link until `stop` becomes true.
pub(super) async fn run(mut poll: Poll, address: Address, sockets: Arc<Sockets>, mut stop: watch::Receiver<bool>) {
    let mut stopped = std::pin::pin!(async move { stop.wait_for(|stop| *stop).await.map(drop) });
    let mut agent = None;
    loop {
        tokio::select! {
            biased;
            // An error means that the sender is gone, and with it the whole agent.
            _ = &mut stopped => return,
            () = turn(&mut poll, &mut agent, &address, &sockets) => {}
        }
    }
}

async fn turn(poll: &mut Poll, agent: &mut Option<V2c>, address: &Address, sockets: &Sockets) {
    match poll.step(Instant::now()) {
        Step::Wait(Some(until)) => sleep_until(until.into()).await,
        Step::Wait(None) => std::future::pending().await,
        Step::Connect => match sockets.reach(address, poll.link().timeout).await {
            Ok(reached) => {
                *agent = Some(reached);
                poll.connected(Instant::now());
            }
            Err(why) => poll.connect_failed(Instant::now(), why),
        },
        Step::Ask(job) => {
            let Some(reached) = agent else {
                poll.lost(Instant::now());
                return;
            };
            sleep(poll.device(&job).pause.saturating_sub(reached.last.elapsed())).await;
            // The semaphore is never closed.
            let turn = sockets.in_flight.acquire().await;
            let sent = Instant::now();
            let outcome = ask(poll, reached, &job).await;
            drop(turn);
            let now = Instant::now();
            reached.last = now;
            // A name may have moved; a closed transport never comes back.
            let anew = match &outcome {
                Err(Failure::Silence { .. }) => address.host.parse::<IpAddr>().is_err(),
                Err(Failure::NoConnection(_)) => true,
                _ => false,
            };
            if anew {
                *agent = None;
                poll.lost(now);
            }
            poll.done(job, sent, now, outcome.map(Answer::Variables));
        }
    }
}

/// `sysDescr` of RFC 3418: what an agent says of itself.
const SYS_DESCR: [u32; 9] = [1, 3, 6, 1, 2, 1, 1, 1, 0];

/// Asks an agent for its description, outside any polling.
pub(super) async fn describe(address: &Address, timeout: Duration) -> Result<String, NoIdentity> {
    let agent = Sockets::default().reach(address, timeout).await.map_err(NoIdentity::NotAsked)?;
    let said = agent.get(&[Oid::from_slice(&SYS_DESCR)]).await.map_err(|failure| match failure {
        Failure::Silence { timeout_ms } => NoIdentity::Silence { timeout_ms },
        other => NoIdentity::NotAsked(other.to_string()),
    })?;
    match said.first() {
        Some(Value::OctetString(bytes)) => Ok(printable(bytes)),
        Some(_) | None => Err(NoIdentity::Damaged),
    }
}

async fn ask(poll: &Poll, agent: &impl Agent, job: &Job) -> Result<Vec<Raw>, Failure> {
    let Ask::Snmp { oids } = poll.ask(job) else {
        return Err(Failure::Plan("Modbus registers asked on an SNMP link"));
    };
    let oids: Vec<Oid> = oids.iter().map(|arcs| Oid::from_slice(arcs)).collect();
    Ok(agent.get(&oids).await?.iter().map(raw).collect())
}

impl Sockets {
    /// An agent's client on the shared socket. The host's name is resolved now.
    async fn reach(&self, address: &Address, timeout: Duration) -> Result<V2c, String> {
        let Address { host, port, community } = address;
        let target = lookup(host, *port).await?;
        let cannot = |error: Box<Error>| format!("cannot use SNMP with {host}:{port}: {error}");
        let handle = self.transport().await.map_err(cannot)?.handle(target).map_err(cannot)?;
        let client = ClientBuilder::new(Auth::v2c(community.as_str()))
            .request_timeout(timeout)
            .retry(Retry::none()) // `poll` repeats
            .build_with_transport(handle.strict_source(true))
            .map_err(cannot)?;
        Ok(V2c { client, timeout, last: Instant::now() })
    }

    async fn transport(&self) -> Result<UdpTransport, Box<Error>> {
        let mut shared = self.transport.lock().await;
        if let Some(transport) = shared.as_ref().filter(|t| !t.control().is_shutdown()) {
            return Ok(transport.clone());
        }
        let bind = |to: &str| UdpTransport::builder().bind(to).recv_buffer_size(RECEIVE_BUFFER).build();
        // Both families where the host has them.
        let transport = match bind("[::]:0").await {
            Ok(transport) => transport,
            Err(_) => bind("0.0.0.0:0").await?,
        };
        Ok(shared.insert(transport).clone())
    }
}

async fn lookup(host: &str, port: u16) -> Result<SocketAddr, String> {
    let mut found = tokio::net::lookup_host((host, port))
        .await
        .map_err(|error| format!("cannot find the address of {host}: {error}"))?;
    found.next().ok_or_else(|| format!("{host} has no address"))
}

/// An agent asked in version 2c.
struct V2c {
    client: Client<UdpHandle>,
    timeout: Duration,
    /// When the last exchange ended.
    last: Instant,
}

impl Agent for V2c {
    async fn get(&self, oids: &[Oid]) -> Result<Vec<Value>, Failure> {
        let response = self.client.get_many(oids).await.map_err(|error| self.failure(&error))?;
        in_order(oids, response.varbinds)
    }
}

impl V2c {
    fn failure(&self, error: &Error) -> Failure {
        match error.kind() {
            ErrorKind::Timeout | ErrorKind::ConstructionTimeout => {
                Failure::Silence { timeout_ms: u64::try_from(self.timeout.as_millis()).unwrap_or(u64::MAX) }
            }
            ErrorKind::Snmp => refusal(error),
            ErrorKind::Auth | ErrorKind::Report => Failure::Refused(error.to_string()),
            ErrorKind::Decode | ErrorKind::MalformedResponse | ErrorKind::ResponseShape => {
                Failure::Garbled(Garble::Header)
            }
            // The host's network, or a library state that a new client mends.
            _ => Failure::NoConnection(error.to_string()),
        }
    }
}

fn refusal(error: &Error) -> Failure {
    match error.exchange_source() {
        Error::Snmp { status: ErrorStatus::GenErr | ErrorStatus::ResourceUnavailable, .. } => Failure::AgentFailure,
        Error::Snmp { status, .. } => Failure::Refused(status.to_string()),
        other => Failure::Refused(other.to_string()),
    }
}

/// The values of the variables asked, each found by its OID; anything missing, doubled or foreign spoils all.
fn in_order(oids: &[Oid], mut got: Vec<VarBind>) -> Result<Vec<Value>, Failure> {
    let short = |n| u16::try_from(n).unwrap_or(u16::MAX);
    if got.len() != oids.len() {
        return Err(Failure::Garbled(Garble::Length { asked: short(oids.len()), got: short(got.len()) }));
    }
    let take = |oid: &Oid| {
        let at = got.iter().position(|bound| bound.oid == *oid).ok_or(Failure::Garbled(Garble::Header))?;
        // Agents answer in the order asked: it is the first one, and the rest keep theirs.
        Ok(got.remove(at).value)
    };
    oids.iter().map(take).collect()
}

fn raw(value: &Value) -> Raw {
    let misfit = Raw::Fault(Status::BAD_CONFIGURATION_ERROR);
    match value {
        Value::Integer(number) => Raw::Whole(i64::from(*number)),
        Value::Counter32(number) | Value::Gauge32(number) | Value::UInteger32(number) | Value::TimeTicks(number) => {
            Raw::Whole(i64::from(*number))
        }
        Value::Counter64(number) => i64::try_from(*number).map_or(Raw::Fault(Status::BAD_OUT_OF_RANGE), Raw::Whole),
        Value::OctetString(bytes) => text(bytes).unwrap_or(misfit),
        Value::Opaque(bytes) => floating(bytes).unwrap_or(misfit),
        // No such object or instance, and everything that is no number and no text.
        _ => misfit,
    }
}

/// Text of 1 to 16 bytes, two a register, the last filled up with a zero byte.
fn text(bytes: &[u8]) -> Option<Raw> {
    let mut words = [0; 8];
    let pairs = bytes.chunks(2);
    let len = u8::try_from(pairs.len()).ok().filter(|len| (1..=8).contains(len))?;
    for (word, pair) in words.iter_mut().zip(pairs) {
        *word = u16::from_be_bytes([pair[0], pair.get(1).copied().unwrap_or(0)]);
    }
    Some(Raw::Words { words, len, scale_factor: 0 })
}

/// A floating number wrapped in Opaque, as agents commonly do: 9F 78 04 and four bytes, or 9F 79 08 and eight
/// (common practice; an Internet-Draft never made a standard, from memory).
fn floating(bytes: &[u8]) -> Option<Raw> {
    let number = match bytes.split_first_chunk::<3>()? {
        ([0x9F, 0x78, 4], rest) => f64::from(f32::from_be_bytes(rest.try_into().ok()?)),
        ([0x9F, 0x79, 8], rest) => f64::from_be_bytes(rest.try_into().ok()?),
        _ => return None,
    };
    Some(Raw::Real(number))
}

#[cfg(test)]
#[path = "snmp/tests.rs"]
mod tests;
