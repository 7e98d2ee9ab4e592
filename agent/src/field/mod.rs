//! Links to the field: bytes from devices become raw values of points.
//!
//! [`start`] gives each link of the plan its own loop: Modbus TCP (plain or inside TLS) and SNMP as tasks of the runtime it is handed, each
//! serial line (and RTU over TCP) on a thread of its own. They share nothing, so a dead link slows no other. All decide
//! by the same rules: `schedule` (what is due), `health` (who is up), `poll` (both together); only the exchange differs.
//! It judges no value: that is the engine's. It never writes to a device: `request` cannot express it.
//!
//! What goes wrong is data, never an error: a missing serial device or an unknown host is a link state, and a scan
//! that failed is a [`Batch`] of faults.

pub mod budget;
pub mod failure;
#[cfg(feature = "fuzzing")]
#[doc(hidden)]
pub mod fuzzing;
pub mod health;
pub mod identify;
mod modbus_tcp;
pub mod moves;
mod pieces;
pub mod planner;
mod poll;
#[cfg(feature = "redfish")]
mod redfish;
pub mod request;
pub mod rtu;
mod running;
pub mod schedule;
pub mod snmp;
pub mod stats;
#[cfg(test)]
mod testing;
#[cfg(feature = "fuzzing")]
#[doc(hidden)]
pub mod unwired;
pub mod why;

use std::sync::Arc;
use std::time::{Duration, Instant};

use lapwing_engine::spec::Raw;
use tokio::sync::{mpsc, watch};

use crate::plan::{Mark, Plan, Transport};
use modbus_tcp::Endpoint;
use poll::{Poll, Trust};
use rtu::line::{Gateway, Line, Serial};
pub use running::Running;
pub use stats::FieldStats;
use why::{Unreached, Why};

/// Takes what the field has to say. Called from several threads; must never block: the receiver bounds its own queue
/// and counts what it drops.
pub type Deliver = Arc<dyn Fn(FieldMessage) + Send + Sync>;

/// What the field has to say.
#[derive(Clone, Debug, PartialEq)]
pub enum FieldMessage {
    /// The raw values of one transaction.
    Batch(Batch),
    /// A link went up or down. Told at the first answer and then at each change; a link with one device speaks for it.
    LinkState {
        /// Index of the link in the plan.
        link: u32,
        /// Whether it is up.
        up: bool,
        /// Why.
        why: Why,
        /// When that was certain.
        at: Instant,
    },
    /// A device of a link with several went up or down. Not told while its link is down.
    DeviceState {
        /// Index of the device in the plan.
        device: u32,
        /// Whether it is up.
        up: bool,
        /// Why.
        why: Why,
        /// When that was certain.
        at: Instant,
    },
    /// A device's identity was read: told the first time and at each change.
    Identity {
        /// Index of the device in the plan.
        device: u32,
        /// Whether it shows what it should. Until it does, its readings are uncertain.
        fits: bool,
        /// What differs.
        why: Why,
        /// When that was certain.
        at: Instant,
    },
    /// What a feature of a device showed first: it counts from now on, also after a restart.
    Shown {
        /// Index of the device in the plan.
        device: u32,
        /// The feature's name.
        feature: String,
        /// What it showed.
        mark: Mark,
    },
    /// Another master was heard on a link of ours, or is heard no more.
    Masters {
        /// Index of the link in the plan.
        link: u32,
        /// Whether there is another one.
        another: bool,
        /// What was heard.
        why: Why,
        /// When that was certain.
        at: Instant,
    },
    /// What a link has exchanged since the start; told every ten seconds.
    Counts {
        /// Index of the link in the plan.
        link: u32,
        /// Requests, answers, time-outs, garbled answers.
        counts: [u64; 4],
    },
    /// A device has restarted: what it counts begins anew.
    Restarted {
        /// Index of the device in the plan.
        device: u32,
        /// How long it has been up, seconds.
        up_s: u64,
        /// When that was read.
        at: Instant,
    },
    /// What a device does not give of the points its map names: told once all were asked, and at each change.
    Lacks {
        /// Index of the device in the plan.
        device: u32,
        /// The points; none if it gives them all.
        lacking: Vec<Lacking>,
        /// What it says instead, where that needs words.
        why: Option<Why>,
        /// When that was certain.
        at: Instant,
    },
    /// Something a person should know that changes no state.
    Notice {
        /// Index of the device in the plan; `None`: it concerns no single one.
        device: Option<u32>,
        /// What.
        what: Why,
        /// When that was certain.
        at: Instant,
    },
    /// The link had no time for scans of a transaction.
    Late {
        /// Index of the transaction in the plan.
        transaction: u32,
        /// Scans skipped since the last one taken.
        skipped: u32,
    },
}

/// A point that its device does not give.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lacking {
    /// Index of the point.
    pub point: u32,
    /// Where it was looked for, where the path does not tell.
    pub place: Option<String>,
}

/// The raw values of one transaction, taken at one moment.
#[derive(Clone, Debug, PartialEq)]
pub struct Batch {
    /// Index of the transaction in the plan.
    pub transaction: u32,
    /// The moment they belong to: half-way between the end of the request and the answer. Of faults: when told.
    pub at: Instant,
    /// One a point, in the order of the transaction's points. A failed exchange gives a fault for every point.
    pub raws: Vec<Raw>,
}

/// The running field.
#[derive(Debug)]
pub struct FieldHandle {
    stats: Arc<FieldStats>,
    running: mpsc::Receiver<()>,
}

impl FieldHandle {
    /// Counters of every link and device.
    #[must_use]
    pub fn stats(&self) -> Arc<FieldStats> {
        Arc::clone(&self.stats)
    }

    /// Waits until every link has stopped (after `stop` was set to true).
    pub async fn ended(&mut self) {
        while self.running.recv().await.is_some() {}
    }

    /// The same for a thread outside the runtime.
    pub fn wait_ended(&mut self) {
        while self.running.blocking_recv().is_some() {}
    }
}

/// Starts every link of the plan; returns at once. Links end when `stop` becomes true or its sender is gone.
#[must_use]
pub fn start(
    plan: Arc<Plan>,
    runtime: &tokio::runtime::Handle,
    deliver: Deliver,
    stop: watch::Receiver<bool>,
) -> FieldHandle {
    let stats = Arc::new(FieldStats::of(&plan));
    // Nothing is ever sent: the channel closes when the last link drops its end.
    let (alive, running) = mpsc::channel(1);
    let shared = Shared::new();
    for (index, _) in (0u32..).zip(&plan.links) {
        start_link(&plan, index, runtime, &shared, &stats, Arc::clone(&deliver), stop.clone(), alive.clone());
    }
    if let Some(listen) = plan.snmp.notifications {
        receive(&plan, listen, runtime, &shared, deliver, stop, alive);
    }
    FieldHandle { stats, running }
}

/// What links have in common.
struct Shared {
    sockets: Arc<snmp::Sockets>,
    #[cfg(feature = "redfish")]
    in_flight: Arc<tokio::sync::Semaphore>,
}

impl Shared {
    fn new() -> Self {
        Self {
            sockets: Arc::default(),
            #[cfg(feature = "redfish")]
            in_flight: redfish::in_flight(),
        }
    }
}

/// Starts one link of the plan; it drops `alive` when it has ended.
#[allow(clippy::too_many_arguments)] // each is of another room
fn start_link(
    plan: &Arc<Plan>,
    index: u32,
    runtime: &tokio::runtime::Handle,
    shared: &Shared,
    stats: &Arc<FieldStats>,
    deliver: Deliver,
    stop: watch::Receiver<bool>,
    alive: mpsc::Sender<()>,
) {
    let Some(link) = usize::try_from(index).ok().and_then(|at| plan.links.get(at)) else { return };
    let poll = |trust| Poll::new(Arc::clone(plan), index, Arc::clone(stats), Arc::clone(&deliver), trust);
    match &link.transport {
        Transport::ModbusTcp { host, port } => {
            let endpoint = Endpoint { host: host.clone(), port: *port, tls: None };
            run_modbus(runtime, poll(Trust::Named), endpoint, stop, alive);
        }
        Transport::ModbusTls { host, port, tls } => {
            let endpoint = Endpoint { host: host.clone(), port: *port, tls: Some(tls.clone()) };
            run_modbus(runtime, poll(Trust::Named), endpoint, stop, alive);
        }
        Transport::Serial { path, baud, parity, stop_bits } => {
            let (path, baud, parity, stop_bits) = (path.clone(), *baud, *parity, *stop_bits);
            let open = move || Ok(Box::new(Serial::open(&path, baud, parity, stop_bits)?) as Box<dyn Line>);
            let first = Listening { only: link.listen, first: link.listen_first };
            on_thread(poll(Trust::Unnamed), &link.name, first, open, stop, alive);
        }
        Transport::ModbusRtuTcp { host, port, baud } => {
            let (host, port, baud, within) = (host.clone(), *port, *baud, link.timeout.max(CONNECT_AT_LEAST));
            let open = move || Ok(Box::new(Gateway::open(&host, port, baud, within)?) as Box<dyn Line>);
            // What others say reaches us only if the gateway passes it on; there is nothing to hear before.
            let none = Listening { only: false, first: Duration::ZERO };
            on_thread(poll(Trust::Unnamed), &link.name, none, open, stop, alive);
        }
        #[cfg(feature = "redfish")]
        Transport::Redfish(service) => {
            let link = redfish::run(poll(Trust::Named), service.clone(), Arc::clone(&shared.in_flight), stop);
            runtime.spawn(async move {
                link.await;
                drop(alive);
            });
        }
        // The configuration refuses such a link; a plan made otherwise is told.
        #[cfg(not(feature = "redfish"))]
        Transport::Redfish(_) => {
            drop((stop, alive));
            poll(Trust::Named).unspoken()(Why::NotBuilt);
        }
        Transport::Snmp { host, port, access } => {
            let device = link.devices.first;
            let address = snmp::Address {
                host: host.clone(),
                port: *port,
                access: access.clone(),
                timeout: plan.devices.get(device as usize).map_or(link.timeout, |device| device.timeout),
                device,
            };
            let link = snmp::run(poll(Trust::Named), address, Arc::clone(&shared.sockets), deliver, stop);
            runtime.spawn(async move {
                link.await;
                drop(alive);
            });
        }
    }
}

/// Receives SNMP notifications.
fn receive(
    plan: &Arc<Plan>,
    listen: std::net::SocketAddr,
    runtime: &tokio::runtime::Handle,
    shared: &Shared,
    deliver: Deliver,
    stop: watch::Receiver<bool>,
    alive: mpsc::Sender<()>,
) {
    let receiver = snmp::notify::run(Arc::clone(plan), listen, Arc::clone(&shared.sockets), deliver, stop);
    runtime.spawn(async move {
        receiver.await;
        drop(alive);
    });
}

/// A connection that is not made by then is not made: a module's own network answers in milliseconds.
const CONNECT_AT_LEAST: Duration = Duration::from_secs(1);

/// How a line is listened to.
#[derive(Clone, Copy)]
struct Listening {
    /// For good.
    only: bool,
    /// Before the first word.
    first: Duration,
}

fn run_modbus(
    runtime: &tokio::runtime::Handle,
    poll: Poll,
    endpoint: Endpoint,
    stop: watch::Receiver<bool>,
    alive: mpsc::Sender<()>,
) {
    runtime.spawn(async move {
        modbus_tcp::run(poll, endpoint, stop).await;
        drop(alive);
    });
}

fn on_thread(
    poll: Poll,
    name: &str,
    listening: Listening,
    open: impl FnMut() -> Result<Box<dyn Line>, Unreached> + Send + 'static,
    stop: watch::Receiver<bool>,
    alive: mpsc::Sender<()>,
) {
    let unspoken = poll.unspoken();
    // The system keeps fifteen bytes of a thread's name.
    let thread = std::thread::Builder::new().name(format!("line {name}"));
    let spawned = thread.spawn(move || {
        if listening.only {
            rtu::listen::run(poll, open, &stop);
        } else {
            rtu::master::run(poll, open, listening.first, &stop);
        }
        drop(alive);
    });
    if let Err(error) = spawned {
        unspoken(Why::NoThread { why: crate::cause::Cause::io(&error) });
    }
}
