//! Runs a simulated module in real time: steps its model, serves its links, tells its faults, and ends cleanly.
//!
//! Decides on which thread everything runs: one for the model, one for all sockets, one for each serial line. Knows
//! nothing of the model but [`Source`] and nothing of protocols but where they are reached. Time is the monotonic
//! clock, in steps of [`STEP_MS`]. Never panics; a link that cannot be opened is a [`StartError`].

use std::io;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;

use tokio::net::TcpListener;
use tokio::sync::{mpsc, oneshot, watch};

mod steps;

pub use steps::{Pace, STEP_MS, Source};
use steps::{PaceCounters, step_in_time};

use crate::bank::{Carrier, SimLink};
use crate::serve::line::Line;
use crate::serve::rtu::Slaves;
use crate::serve::serial::{self, Switches};
use crate::serve::snmp::SnmpAgent;
use crate::serve::{Traffic, TrafficCount, modbus_tcp, rtu_tcp, units};

/// How a simulator is run.
#[derive(Clone, Debug)]
pub struct Options {
    /// Fault notes kept for whoever reads them; more are dropped, newest first, and counted.
    pub notes_max: usize,
}

impl Default for Options {
    fn default() -> Self {
        Self { notes_max: 64 }
    }
}

/// Why a simulator did not start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// No thread or no event loop could be had from the host.
    #[error("the simulator could not start a thread: {0}; free memory or raise the limit of processes")]
    Thread(io::Error),
    /// A link's port or terminal could not be opened.
    #[error("link '{link}' could not be opened: {source}; it needs a free loopback port or pseudo-terminal")]
    Open {
        /// The link's name.
        link: String,
        /// What the host said.
        source: io::Error,
    },
    /// A device is reached in a way its link does not offer.
    #[error("device '{device}' cannot stand on link '{link}': Modbus links take units, an SNMP link one agent")]
    Misplaced {
        /// The link's name.
        link: String,
        /// The device's name.
        device: String,
    },
}

/// A running simulator; dropping it ends it.
#[derive(Debug)]
pub struct Simulator<N> {
    addresses: Vec<(String, String)>,
    notes: Option<mpsc::Receiver<N>>,
    traffic: Arc<Traffic>,
    pace: Arc<PaceCounters>,
    /// Read by the serial lines and the step thread.
    stop: Arc<AtomicBool>,
    /// Dropped to end the sockets' thread.
    sockets_end: Option<oneshot::Sender<()>>,
    model: Option<JoinHandle<()>>,
    threads: Vec<JoinHandle<()>>,
}

impl<N: Send + 'static> Simulator<N> {
    /// Opens every link, then starts the model. Blocks until all can be reached; may be called from anywhere.
    pub fn start(source: impl Source<Note = N>, options: &Options) -> Result<Self, StartError> {
        let links = source.links();
        let (tell, notes) = mpsc::channel(options.notes_max.max(1));
        let mut simulator = Self {
            addresses: Vec::new(),
            notes: Some(notes),
            traffic: Arc::default(),
            pace: Arc::default(),
            stop: Arc::default(),
            sockets_end: None,
            model: None,
            threads: Vec::new(),
        };
        let mut switches = Vec::new();
        let mut sockets = Vec::new();
        for link in &links {
            let (sender, receiver) = watch::channel(link.up.load(Ordering::Relaxed));
            switches.push((Arc::clone(&link.up), sender));
            match link.carrier {
                Carrier::Serial { baud } => simulator.open_serial(link, baud)?,
                Carrier::ModbusTcp | Carrier::RtuOverTcp | Carrier::Snmp => sockets.push((link.clone(), receiver)),
            }
        }
        simulator.open_sockets(sockets)?;
        let order = |name: &String| links.iter().position(|link| link.name == *name);
        simulator.addresses.sort_by_key(|(name, _)| order(name));

        let (pace, stop) = (Arc::clone(&simulator.pace), Arc::clone(&simulator.stop));
        let model = std::thread::Builder::new()
            .name("model".to_owned())
            .spawn(move || step_in_time(source, &tell, &switches, &pace, &stop))
            .map_err(StartError::Thread)?;
        simulator.model = Some(model);
        Ok(simulator)
    }

    fn open_serial(&mut self, link: &SimLink, baud: u32) -> Result<(), StartError> {
        let line = self.line(link, baud)?;
        let switches = Switches {
            up: Arc::clone(&link.up),
            second_master: Arc::clone(&link.second_master),
            stop: Arc::clone(&self.stop),
        };
        let serial = serial::start(&link.name, line, switches).map_err(|source| open_error(link, source))?;
        self.addresses.push((link.name.clone(), serial.path));
        self.threads.push(serial.thread);
        Ok(())
    }

    fn line(&self, link: &SimLink, baud: u32) -> Result<Line, StartError> {
        let units = units(link).map_err(|device| misplaced(link, device))?;
        Ok(Line::new(baud, Slaves::new(units, Arc::clone(&self.traffic))))
    }

    /// Starts the sockets' thread and waits until it has bound everything.
    fn open_sockets(&mut self, links: Vec<(SimLink, watch::Receiver<bool>)>) -> Result<(), StartError> {
        let mut servers = Vec::new();
        for (link, up) in links {
            let server = match link.carrier {
                Carrier::ModbusTcp => Server::Tcp(units(&link).map_err(|device| misplaced(&link, device))?),
                Carrier::RtuOverTcp => Server::Rtu(Box::new(self.line(&link, rtu_tcp::BAUD_BEHIND)?)),
                Carrier::Snmp => Server::Snmp,
                Carrier::Serial { .. } => continue,
            };
            servers.push((link, up, server));
        }
        let (sockets_end, end) = oneshot::channel::<()>();
        let (opened, wait) = std::sync::mpsc::channel();
        let traffic = Arc::clone(&self.traffic);
        let thread = std::thread::Builder::new()
            .name("sockets".to_owned())
            .spawn(move || {
                let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
                    Ok(runtime) => runtime,
                    Err(error) => return report(&opened, Err(StartError::Thread(error))),
                };
                runtime.block_on(async {
                    for (link, up, server) in servers {
                        let result = serve(&link, up, server, &traffic).await;
                        let failed = result.is_err();
                        report(&opened, result.map(|address| (link.name, address.to_string())));
                        if failed {
                            return;
                        }
                    }
                    drop(opened);
                    let _dropped = end.await.is_err(); // the other end is only ever dropped
                });
                // Dropping the event loop ends every server and closes every socket.
            })
            .map_err(StartError::Thread)?;
        self.threads.push(thread);
        self.sockets_end = Some(sockets_end);
        for address in wait {
            self.addresses.push(address?);
        }
        Ok(())
    }
}

impl<N> Simulator<N> {
    /// Where each link is reached, in the form configuration needs: `127.0.0.1:PORT`, or a terminal's path.
    pub fn addresses(&self) -> Vec<(String, String)> {
        self.addresses.clone()
    }

    /// The faults as they are applied; whoever asks first has them. Ends when the simulator does.
    pub fn take_notes(&mut self) -> Option<mpsc::Receiver<N>> {
        self.notes.take()
    }

    /// What the links were asked so far.
    pub fn traffic(&self) -> TrafficCount {
        self.traffic.count()
    }

    /// How the step loop keeps up.
    pub fn pace(&self) -> Pace {
        self.pace.count()
    }

    /// Ends the model, closes every link and waits until all threads have ended: about 100 ms.
    pub fn stop(mut self) {
        self.end();
    }

    fn end(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(model) = &self.model {
            model.thread().unpark();
        }
        self.sockets_end = None;
        for thread in self.model.take().into_iter().chain(self.threads.drain(..)) {
            if thread.join().is_err() {
                tracing::error!("a thread of the simulator panicked");
            }
        }
    }
}

impl<N> Drop for Simulator<N> {
    fn drop(&mut self) {
        self.end();
    }
}

enum Server {
    Tcp(Vec<crate::serve::Unit>),
    Rtu(Box<Line>),
    Snmp,
}

/// Binds one link on a free loopback port and spawns its server.
async fn serve(
    link: &SimLink,
    up: watch::Receiver<bool>,
    server: Server,
    traffic: &Arc<Traffic>,
) -> Result<SocketAddr, StartError> {
    let traffic = Arc::clone(traffic);
    let listen = async {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await?;
        Ok((listener.local_addr()?, listener))
    };
    let failed = |source| open_error(link, source);
    match server {
        Server::Tcp(units) => {
            let (address, listener) = listen.await.map_err(failed)?;
            tokio::spawn(modbus_tcp::serve(listener, units, traffic, up));
            Ok(address)
        }
        Server::Rtu(line) => {
            let (address, listener) = listen.await.map_err(failed)?;
            tokio::spawn(rtu_tcp::serve(listener, *line, up));
            Ok(address)
        }
        Server::Snmp => {
            let device = match link.devices.as_slice() {
                [device] if device.reached == crate::bank::Reached::Agent => device,
                [] => return Err(misplaced(link, "none".to_owned())),
                [.., last] => return Err(misplaced(link, last.name.clone())),
            };
            let agent = SnmpAgent::bind(device.bank.clone(), traffic, Arc::clone(&link.up)).await.map_err(failed)?;
            let address = agent.address().map_err(failed)?;
            tokio::spawn(agent.serve());
            Ok(address)
        }
    }
}

fn report<T>(to: &std::sync::mpsc::Sender<T>, what: T) {
    // Nobody listens only if the start was given up, and then there is nobody to tell.
    if to.send(what).is_err() {
        tracing::debug!("start was given up");
    }
}

fn open_error(link: &SimLink, source: io::Error) -> StartError {
    StartError::Open { link: link.name.clone(), source }
}

fn misplaced(link: &SimLink, device: String) -> StartError {
    StartError::Misplaced { link: link.name.clone(), device }
}

#[cfg(test)]
#[path = "runtime/tests.rs"]
mod tests;
