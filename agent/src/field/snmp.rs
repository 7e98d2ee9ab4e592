//! SNMP links: one agent a link, asked in version 1, 2c or 3.
//!
//! All links share one UDP socket: sockets of their own may end up on one port and steal each other's answers. At most
//! 128 requests are sent in any 2 ms. Here is the loop of a link and the socket; `client` asks an agent and cannot
//! write, `table` finds rows and alarm entries, `value` and `sensor` read variables, `uptime` notices a restart,
//! `notify` takes traps and informs as hints to poll at once.
//!
//! Version 3: a restarted agent's boots and time are learnt anew by the library. A changed engine id (a card swapped, or
//! set up anew) is silence for ever to a client that knows the old one: after two silences in a row the client is made
//! anew and discovers who is there. Names are resolved again after a silence. Never panics. RFC 3414 §3.2, §4.

pub(super) mod client;
pub(super) mod describe;
pub(super) mod notify;
pub mod plan;
pub(super) mod sensor;
pub(super) mod table;
mod uptime;
pub(super) mod value;

use std::collections::BTreeMap;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::{Duration, Instant};

use async_snmp::{Error, MasterKeys, Oid, UdpTransport, Value};
use lapwing_engine::spec::Raw;
use tokio::sync::{Mutex, Notify, Semaphore, watch};
use tokio::time::{sleep, sleep_until};

use super::failure::Failure;
use super::poll::{Job, Poll, Step};
use super::request::Answer;
use super::why::{Unreached, Why};
use super::{Deliver, FieldMessage};
use crate::cause::Cause;
use crate::plan::Ask;
use crate::plan::snmp::{Access, User};
use client::{Agent, Credentials, Reached};
use notify::Hints;
use table::{Labels, Strange};
use uptime::UpTime;

/// More requests than this sent at a time may bring more answers at once than the receive buffer holds: a kernel left as
/// it comes gives a socket room for some 180 datagrams of a full frame each (twice 208 KiB, 2304 bytes a datagram).
const MOST_IN_FLIGHT: usize = 128;
/// Who has not answered by then lets the next one ask: a slow or dead agent keeps nobody waiting.
const TURN: Duration = Duration::from_millis(2);
/// Room for the answers of all agents at once; the kernel may give less.
const RECEIVE_BUFFER: usize = 4 << 20;
/// So many silences in a row may be another engine in an agent's place.
const SILENCES: u32 = 2;
/// A device that keeps sending notifications is polled for them no more often than this.
const HINT_PAUSE: Duration = Duration::from_millis(500);
/// How often an agent's up-time is read along.
const UP_TIME_EVERY: Duration = Duration::from_secs(1);
/// sysUpTime.0 (RFC 3418).
const UP_TIME: [u32; 9] = [1, 3, 6, 1, 2, 1, 1, 3, 0];

/// What all SNMP links share.
pub(super) struct Sockets {
    transport: Mutex<Option<UdpTransport>>,
    in_flight: Semaphore,
    /// Keys are made once a user: a megabyte is hashed for each.
    keys: Mutex<BTreeMap<User, MasterKeys>>,
    /// Who wants to know when an address has sent a notification.
    pub hints: Hints,
}

impl Default for Sockets {
    fn default() -> Self {
        Self {
            transport: Mutex::new(None),
            in_flight: Semaphore::new(MOST_IN_FLIGHT),
            keys: Mutex::default(),
            hints: Hints::default(),
        }
    }
}

/// Where a link's agent is, and whose name opens it.
#[derive(Clone, Debug)]
pub(super) struct Address {
    pub host: String,
    pub port: u16,
    pub access: Access,
    pub timeout: Duration,
    /// Index of its only device.
    pub device: u32,
}

/// What a link remembers of its agent, also when the client is made anew.
#[derive(Default)]
struct Memory {
    up: UpTime,
    /// It answered that it has no sysUpTime.
    timeless: bool,
    labels: Labels,
    strange: BTreeMap<u32, Strange>,
    /// When the last exchange ended.
    last: Option<Instant>,
    silences: u32,
    hinted: Option<Instant>,
}

/// Polls a link until `stop` becomes true.
pub(super) async fn run(
    mut poll: Poll,
    address: Address,
    sockets: Arc<Sockets>,
    deliver: Deliver,
    mut stop: watch::Receiver<bool>,
) {
    let mut stopped = std::pin::pin!(async move { stop.wait_for(|stop| *stop).await.map(drop) });
    let (mut agent, mut memory) = (None, Memory::default());
    let hint = Arc::new(Notify::new());
    let mut link = Link { address, sockets, deliver, hint };
    loop {
        tokio::select! {
            biased;
            // An error means that the sender is gone, and with it the whole agent.
            _ = &mut stopped => return,
            () = link.turn(&mut poll, &mut agent, &mut memory) => {}
        }
    }
}

struct Link {
    address: Address,
    sockets: Arc<Sockets>,
    deliver: Deliver,
    hint: Arc<Notify>,
}

impl Link {
    async fn turn(&mut self, poll: &mut Poll, agent: &mut Option<Reached>, memory: &mut Memory) {
        match poll.step(Instant::now()) {
            Step::Wait(until) => {
                let wait = async {
                    match until {
                        Some(until) => sleep_until(until.into()).await,
                        None => std::future::pending().await,
                    }
                };
                let hinted = async {
                    if let Some(last) = memory.hinted {
                        sleep_until((last + HINT_PAUSE).into()).await;
                    }
                    self.hint.notified().await;
                };
                tokio::select! {
                    () = wait => {}
                    () = hinted => {
                        memory.hinted = Some(Instant::now());
                        poll.hint();
                    }
                }
            }
            Step::Connect => match self.sockets.reach(&self.address, &self.hint).await {
                Ok(reached) => {
                    *agent = Some(reached);
                    poll.connected(Instant::now());
                }
                Err(unreached) => poll.connect_failed(Instant::now(), unreached),
            },
            Step::Ask(job) => {
                let Some(reached) = agent else {
                    poll.lost(Instant::now());
                    return;
                };
                if let Some(last) = memory.last {
                    let pause = poll.device(&job).pause.saturating_sub(last.elapsed());
                    // A sleep of nothing would still last until the timer's next millisecond.
                    if !pause.is_zero() {
                        sleep(pause).await;
                    }
                }
                // The semaphore is never closed.
                let turn = self.sockets.in_flight.acquire().await;
                let sent = Instant::now();
                let outcome = {
                    let mut asked = std::pin::pin!(self.ask(poll, reached, memory, &job));
                    tokio::select! {
                        biased;
                        outcome = &mut asked => outcome,
                        () = sleep(TURN) => {
                            drop(turn);
                            asked.await
                        }
                    }
                };
                let now = Instant::now();
                memory.last = Some(now);
                if self.is_to_be_made_anew(memory, &outcome) {
                    *agent = None;
                    poll.lost(now);
                }
                poll.done(job, sent, now, outcome.map(Answer::Variables));
            }
        }
    }

    /// A name may have moved, an engine may be another one; a closed transport never comes back.
    fn is_to_be_made_anew(&self, memory: &mut Memory, outcome: &Result<Vec<Raw>, Failure>) -> bool {
        let is_name = self.address.host.parse::<IpAddr>().is_err();
        match outcome {
            Err(Failure::Silence { .. }) => is_name,
            Err(Failure::Unanswered { .. }) => {
                memory.silences = (memory.silences + 1) % SILENCES;
                memory.silences == 0 || is_name
            }
            Err(Failure::NoConnection(_) | Failure::Access(_)) => true,
            Ok(_) | Err(_) => {
                memory.silences = 0;
                false
            }
        }
    }

    async fn ask(&self, poll: &Poll, agent: &mut Reached, memory: &mut Memory, job: &Job) -> Result<Vec<Raw>, Failure> {
        let mut say = |what| self.say(what);
        let Memory { up, timeless, labels, strange, .. } = memory;
        let mut agent = Timed { agent, up, timeless, restarted: None };
        let raws = match poll.ask(job) {
            Ask::Modbus { .. } => Err(Failure::Plan("Modbus registers asked on an SNMP link")),
            Ask::Redfish { .. } => Err(Failure::Plan("a Redfish resource asked on an SNMP link")),
            Ask::Snmp { oids } => {
                let oids: Vec<Oid> = oids.iter().map(|arcs| Oid::from_slice(arcs)).collect();
                agent.get(&oids).await.map(|values| values.iter().map(value::raw).collect())
            }
            Ask::SnmpCells { rows, cells } => table::cells(&mut agent, labels, rows, cells, &mut say).await,
            Ask::SnmpColumn { column, listed } => {
                let strange = strange.entry(job.transaction).or_default();
                table::column(&mut agent, strange, column, listed, &mut say).await
            }
        };
        if let Some(up_s) = agent.restarted {
            // Rows may be numbered anew.
            labels.forget();
            (self.deliver)(FieldMessage::Restarted { device: self.address.device, up_s, at: Instant::now() });
        }
        raws
    }

    fn say(&self, what: Why) {
        (self.deliver)(FieldMessage::Notice { device: Some(self.address.device), what, at: Instant::now() });
    }
}

/// An agent whose up-time is read along now and then.
struct Timed<'a> {
    agent: &'a mut Reached,
    up: &'a mut UpTime,
    timeless: &'a mut bool,
    /// It has restarted, and is up for so many seconds.
    restarted: Option<u64>,
}

impl Agent for Timed<'_> {
    async fn get(&mut self, oids: &[Oid]) -> Result<Vec<Value>, Failure> {
        let due = !*self.timeless && self.up.heard().is_none_or(|at| at.elapsed() >= UP_TIME_EVERY);
        if !due {
            return self.agent.get(oids).await;
        }
        let mut values = self.agent.get(&[oids, &[Oid::from_slice(&UP_TIME)]].concat()).await?;
        match values.pop() {
            Some(Value::TimeTicks(ticks)) if self.up.take(ticks, Instant::now()) => {
                self.restarted = Some(u64::from(ticks / 100));
            }
            Some(Value::TimeTicks(_)) => {}
            Some(_) | None => *self.timeless = true,
        }
        Ok(values)
    }

    async fn walk(&mut self, column: &Oid) -> Result<Vec<(Vec<u32>, Value)>, Failure> {
        self.agent.walk(column).await
    }
}

impl Sockets {
    /// An agent's client on the shared socket. The host's name is resolved now.
    async fn reach(&self, address: &Address, hint: &Arc<Notify>) -> Result<Reached, Unreached> {
        let Address { host, port, access, timeout, .. } = address;
        let target = lookup(host, *port).await?;
        self.hints.register(target.ip(), hint);
        let cannot =
            |error: Box<Error>| Unreached::Snmp { to: format!("{host}:{port}"), why: error.to_string().into() };
        let who = match access {
            Access::Community { version_1, community } => {
                Credentials::Community { version_1: *version_1, community: community.reveal().to_owned() }
            }
            Access::User(user) => Credentials::User { name: user.name.clone(), keys: self.keys(user).await? },
        };
        let handle = self.transport().await.map_err(cannot)?.handle(target).map_err(cannot)?;
        Reached::new(handle, format!("{host}:{port}"), &who, *timeout).map_err(cannot)
    }

    /// A user's keys, made once and not on the links' own thread.
    async fn keys(&self, user: &User) -> Result<MasterKeys, Unreached> {
        let mut known = self.keys.lock().await;
        if let Some(keys) = known.get(user) {
            return Ok(keys.clone());
        }
        let of = user.clone();
        let made = tokio::task::spawn_blocking(move || client::keys(&of)).await;
        let unmade = |why: String| Unreached::Secret { why: why.into() };
        let keys = made.map_err(|error| unmade(error.to_string()))?.map_err(unmade)?;
        known.insert(user.clone(), keys.clone());
        Ok(keys)
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

async fn lookup(host: &str, port: u16) -> Result<SocketAddr, Unreached> {
    let mut found = tokio::net::lookup_host((host, port))
        .await
        .map_err(|error| Unreached::NoAddress { host: host.to_owned(), why: Some(Cause::io(&error)) })?;
    found.next().ok_or_else(|| Unreached::NoAddress { host: host.to_owned(), why: None })
}

#[cfg(test)]
#[path = "snmp/tests.rs"]
mod tests;
