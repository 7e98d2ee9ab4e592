//! SNMP v2c agents over the banks' variables, and the short stretch of network in front of each.
//!
//! The protocol (GET, GETNEXT, GETBULK, RFC 3416) is the library's; this file decides which variable follows which,
//! refuses and counts SET, and carries datagrams between the public port and the agent behind it so that a device
//! can be silent, slow, garbled or doubled and a link can be cut. Community "public". One UDP port an agent.
//! Knows no MIB. Never panics.

use std::collections::HashMap;
use std::io;
use std::net::SocketAddr;
use std::ops::Bound;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::time::Duration;

use async_snmp::agent::Agent;
use async_snmp::handler::{
    BoxFuture, GetNextResult, GetResult, HandlerResult, MibHandler, RequestContext, SetTestError, SetTestResult,
};
use async_snmp::{Oid, Value, VarBind};
use tokio::net::UdpSocket;
use tokio::task::AbortHandle;
use tokio::time::{Instant, sleep};

use super::Traffic;
use crate::bank::{Manner, SharedBank, Variable};

/// Clients that one agent keeps apart; the longest unheard makes room.
const CLIENTS_MAX: usize = 16;
/// Late answers under way at once; more are dropped, as a card's own queue would.
const LATE_MAX: u32 = 64;
const DATAGRAM_MAX: usize = 65_507; // RFC 768 over IPv4

/// One agent, bound and ready to run.
pub(crate) struct SnmpAgent {
    agent: Agent,
    front: Arc<UdpSocket>,
    shared: Arc<Shared>,
}

struct Shared {
    bank: SharedBank,
    traffic: Arc<Traffic>,
    up: Arc<AtomicBool>,
    late: AtomicU32,
    turn: AtomicU32,
}

struct Client {
    inner: Arc<UdpSocket>,
    back: AbortHandle,
    heard: Instant,
}

impl Drop for Client {
    fn drop(&mut self) {
        self.back.abort();
    }
}

impl SnmpAgent {
    /// Binds the public port and the agent behind it.
    pub(crate) async fn bind(bank: SharedBank, traffic: Arc<Traffic>, up: Arc<AtomicBool>) -> io::Result<Self> {
        let shared = Arc::new(Shared { bank, traffic, up, late: AtomicU32::new(0), turn: AtomicU32::new(0) });
        let agent = Agent::builder()
            .bind("127.0.0.1:0")
            .community("public")
            .allow_all_access()
            .without_builtin_handlers()
            .handler(Oid::from([1, 3]), Arc::new(Variables(Arc::clone(&shared))))
            .build()
            .await
            .map_err(io::Error::other)?;
        let front = Arc::new(UdpSocket::bind("127.0.0.1:0").await?);
        Ok(Self { agent, front, shared })
    }

    /// Where clients ask.
    pub(crate) fn address(&self) -> io::Result<SocketAddr> {
        self.front.local_addr()
    }

    /// Serves until the task is dropped.
    pub(crate) async fn serve(self) {
        let Self { agent, front, shared } = self;
        let behind = agent.local_addr();
        tokio::select! {
            result = agent.run() => if let Err(error) = result {
                tracing::warn!(%error, "SNMP agent ended");
            },
            () = carry_in(&front, behind, &shared) => {}
        }
    }
}

/// Carries requests from the public port to the agent, each client through a port of its own.
async fn carry_in(front: &Arc<UdpSocket>, behind: SocketAddr, shared: &Arc<Shared>) {
    let mut clients: HashMap<SocketAddr, Client> = HashMap::new();
    let mut buffer = vec![0u8; DATAGRAM_MAX];
    loop {
        let (length, from) = match front.recv_from(&mut buffer).await {
            Ok(received) => received,
            // An unreachable client is reported here; the port itself goes on.
            Err(error) => {
                tracing::debug!(%error, "datagram lost");
                continue;
            }
        };
        if !shared.up.load(Ordering::Relaxed) {
            continue;
        }
        shared.traffic.request();
        let late_ms = match shared.bank.lock().manner {
            Manner::Silent => continue,
            Manner::Slow { delay_ms } => delay_ms,
            Manner::Well | Manner::Garbage | Manner::Doubled => 0,
        };
        if !clients.contains_key(&from) {
            match welcome(front, from, behind, shared).await {
                Ok(client) => {
                    if clients.len() >= CLIENTS_MAX
                        && let Some(oldest) = clients.iter().min_by_key(|(_, client)| client.heard).map(|(at, _)| *at)
                    {
                        clients.remove(&oldest);
                    }
                    clients.insert(from, client);
                }
                Err(error) => {
                    tracing::warn!(%error, "no port for a client");
                    continue;
                }
            }
        }
        let Some(client) = clients.get_mut(&from) else {
            continue;
        };
        client.heard = Instant::now();
        if late_ms == 0 {
            lost_if(client.inner.send(&buffer[..length]).await);
        } else if shared.late.fetch_add(1, Ordering::Relaxed) < LATE_MAX {
            let (inner, datagram, shared) = (Arc::clone(&client.inner), buffer[..length].to_vec(), Arc::clone(shared));
            tokio::spawn(async move {
                sleep(Duration::from_millis(u64::from(late_ms))).await;
                lost_if(inner.send(&datagram).await);
                shared.late.fetch_sub(1, Ordering::Relaxed);
            });
        } else {
            shared.late.fetch_sub(1, Ordering::Relaxed);
        }
    }
}

async fn welcome(
    front: &Arc<UdpSocket>,
    from: SocketAddr,
    behind: SocketAddr,
    shared: &Arc<Shared>,
) -> io::Result<Client> {
    let inner = Arc::new(UdpSocket::bind("127.0.0.1:0").await?);
    inner.connect(behind).await?;
    let back = tokio::spawn(carry_back(Arc::clone(&inner), Arc::clone(front), from, Arc::clone(shared)));
    Ok(Client { inner, back: back.abort_handle(), heard: Instant::now() })
}

/// Carries the agent's answers to one client.
async fn carry_back(inner: Arc<UdpSocket>, front: Arc<UdpSocket>, to: SocketAddr, shared: Arc<Shared>) {
    let mut buffer = vec![0u8; DATAGRAM_MAX];
    loop {
        let length = match inner.recv(&mut buffer).await {
            Ok(length) => length,
            Err(error) => {
                tracing::debug!(%error, "datagram lost");
                continue;
            }
        };
        if !shared.up.load(Ordering::Relaxed) {
            continue;
        }
        let manner = shared.bank.lock().manner.clone();
        match manner {
            Manner::Well | Manner::Silent | Manner::Slow { .. } => lost_if(front.send_to(&buffer[..length], to).await),
            Manner::Garbage => {
                let bad = garbage(&buffer[..length], shared.turn.fetch_add(1, Ordering::Relaxed));
                lost_if(front.send_to(&bad, to).await);
            }
            // Two hosts with one address: both answer.
            Manner::Doubled => {
                for _ in 0..2 {
                    lost_if(front.send_to(&buffer[..length], to).await);
                }
            }
        }
    }
}

/// UDP promises nothing: a datagram that cannot be sent is lost, and the log says so.
fn lost_if(sent: io::Result<usize>) {
    if let Err(error) = sent {
        tracing::debug!(%error, "datagram lost");
    }
}

fn garbage(answer: &[u8], turn: u32) -> Vec<u8> {
    match turn % 3 {
        0 => answer[..answer.len() / 2].to_vec(),
        1 => answer.iter().map(|byte| byte.rotate_left(3) ^ 0xA5).collect(),
        // outer tag and lengths right, everything inside not: still bytes of BER, no message
        _ => answer.iter().enumerate().map(|(at, byte)| if at < 2 { *byte } else { !byte }).collect(),
    }
}

/// The bank's variables as the library asks for them.
struct Variables(Arc<Shared>);

impl MibHandler for Variables {
    fn get<'a>(&'a self, _: &'a RequestContext, oid: &'a Oid) -> BoxFuture<'a, HandlerResult<GetResult>> {
        let found = self.0.bank.lock().variables.get(oid.arcs()).map(value);
        Box::pin(async move { Ok(found.map_or(GetResult::NoSuchObject, GetResult::Value)) })
    }

    fn get_next<'a>(&'a self, _: &'a RequestContext, oid: &'a Oid) -> BoxFuture<'a, HandlerResult<GetNextResult>> {
        let after = (Bound::Excluded(oid.arcs()), Bound::Unbounded);
        let next = self
            .0
            .bank
            .lock()
            .variables
            .range::<[u32], _>(after)
            .next()
            .map(|(oid, variable)| VarBind::new(Oid::from_slice(oid), value(variable)));
        Box::pin(async move { Ok(next.map_or(GetNextResult::EndOfMibView, GetNextResult::Value)) })
    }

    fn test_set<'a>(&'a self, _: &'a RequestContext, _: &'a Oid, _: &'a Value) -> BoxFuture<'a, SetTestResult> {
        self.0.traffic.write_attempt();
        Box::pin(async { Err(SetTestError::NotWritable) })
    }
}

fn value(variable: &Variable) -> Value {
    match variable {
        Variable::Integer(number) => Value::Integer(*number),
        Variable::Gauge(number) => Value::Gauge32(*number),
        Variable::Counter(number) => Value::Counter32(*number),
        Variable::TimeTicks(number) => Value::TimeTicks(*number),
        Variable::Text(text) => Value::OctetString(text.clone().into()),
        Variable::Oid(arcs) => Value::ObjectIdentifier(Oid::from_slice(arcs)),
    }
}
