//! The demo's own broker: rumqttd inside this process, on loopback, in memory only.
//!
//! Decides its settings and says when it accepts. It has no persistence, no users and no TLS: it is for `demo` and
//! tests, never for a module. The library offers no way to end it: its threads live as long as the process. Never
//! panics.

use std::collections::HashMap;
use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::time::{Duration, Instant};

use rumqttd::{Config, ConnectionSettings, RouterConfig, ServerSettings};

/// How long the broker may take to accept.
const READY: Duration = Duration::from_secs(5);
/// Ports tried, should another program take the one just found free.
const ATTEMPTS: u32 = 5;

/// Why the demo's broker is not there.
#[derive(Debug, thiserror::Error)]
pub enum BrokerError {
    /// No free loopback port.
    #[error("no free port on 127.0.0.1 for the demo's broker: {0}")]
    Port(std::io::Error),
    /// Its thread could not be started.
    #[error("the demo's broker could not be started: {0}")]
    Thread(std::io::Error),
    /// It does not accept.
    #[error("the demo's broker does not accept connections on {0}")]
    Silent(SocketAddr),
}

/// The running broker.
#[derive(Debug)]
pub struct Broker {
    address: SocketAddr,
}

impl Broker {
    /// Starts the broker on a free loopback port and waits until it accepts.
    ///
    /// # Errors
    /// When no port is free, no thread can be started, or it stays silent.
    pub fn start() -> Result<(Self, SocketAddr), BrokerError> {
        let mut outcome = Err(BrokerError::Silent(SocketAddr::from((Ipv4Addr::LOCALHOST, 0))));
        for _ in 0..ATTEMPTS {
            outcome = attempt();
            if outcome.is_ok() {
                break;
            }
        }
        outcome
    }

    /// Where it listens.
    #[must_use]
    pub fn address(&self) -> SocketAddr {
        self.address
    }
}

fn attempt() -> Result<(Broker, SocketAddr), BrokerError> {
    // The library binds for itself: the port found free here is given back for it to take.
    let address = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))
        .and_then(|listener| listener.local_addr())
        .map_err(BrokerError::Port)?;
    let mut broker = rumqttd::Broker::new(config(address));
    let thread = std::thread::Builder::new()
        .name("demo-broker".into())
        .spawn(move || {
            if let Err(error) = broker.start() {
                tracing::error!("the demo's broker ended: {error}");
            }
        })
        .map_err(BrokerError::Thread)?;
    let until = Instant::now() + READY;
    while Instant::now() < until && !thread.is_finished() {
        if TcpStream::connect_timeout(&address, Duration::from_millis(200)).is_ok() {
            return Ok((Broker { address }, address));
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    Err(BrokerError::Silent(address))
}

fn config(address: SocketAddr) -> Config {
    let connections = ConnectionSettings {
        connection_timeout_ms: 5000,
        max_payload_size: 256 * 1024,
        max_inflight_count: 200,
        auth: None,
        external_auth: None,
        dynamic_filters: true,
    };
    let server =
        ServerSettings { name: "demo".into(), listen: address, tls: None, next_connection_delay_ms: 0, connections };
    Config {
        id: 0,
        router: RouterConfig {
            max_connections: 64,
            max_outgoing_packet_count: 10_000, // else a client that subscribes to all misses retained messages
            // A topic's backlog for slow subscribers: two segments of 1 MiB are minutes of frames.
            max_segment_size: 1024 * 1024,
            max_segment_count: 2,
            ..RouterConfig::default()
        },
        v4: Some(HashMap::from([("demo".to_owned(), server)])),
        ..Config::default()
    }
}
