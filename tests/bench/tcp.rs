//! Modbus TCP: requests a second on one link against other clients of the same server, and one scan of 200 slow devices.
//!
//! Rate: a libmodbus server in a process of its own is read ten registers at a time, in turn by one link of the agent, by a
//! loop in C on libmodbus, and by a loop in Python on pymodbus's synchronous client, each for the same time; medians of 9
//! rounds whose order turns. The link is asked for more than it can do, so that it is never idle.
//!
//! Sweep: 200 devices, each a link of its own to a server in this process that answers after 20 ms; all fall due at the
//! same moment, which a real configuration avoids. A sweep begins when the first scan falls due and ends with the last
//! good batch; the peer is the slowest single answer of the same sweeps, as the links' counters have it. Milliseconds;
//! medians of 9 sweeps after one to warm up. Panics when a peer is missing or a device is not answered for.

use std::process::Command;
use std::sync::mpsc::Receiver;
use std::sync::{Arc, mpsc};
use std::time::{Duration, Instant};

use lapwing::field::{self, FieldHandle, FieldMessage};
use lapwing::plan::{Ask, Device, Identity, Link, Plan, Slice, Table, Transaction, Transport};
use lapwing_engine::spec::{Raw, Span};
use lapwing_tests::modbus::{ModbusPeer, compiled};
use lapwing_tests::place::{python, sources};
use lapwing_tests::process::Process;
use tokio::io::{AsyncReadExt, AsyncWriteExt};

use crate::{quantile, report};

const REGISTERS: u16 = 10;
const ROUNDS: usize = 9;
const WINDOW: Duration = Duration::from_millis(500);
const LONG: Duration = Duration::from_secs(60);
const DEVICES: u32 = 200;
const SWEEPS: usize = 10;
const PERIOD: Duration = Duration::from_secs(1);
const THINKS: Duration = Duration::from_millis(20);

/// Measures and reports.
pub(crate) fn run() {
    rate();
    sweep();
}

fn rate() {
    let server = ModbusPeer::libmodbus_tcp();
    let address = server.address();
    let (_home, in_c) = compiled("modbus_rate.c");
    let [host, port] = parts(&address);
    let seconds = WINDOW.as_secs_f64().to_string();
    let arguments = [host, port, &REGISTERS.to_string(), &seconds];
    let (mut ours, mut libmodbus, mut pymodbus) = (Vec::new(), Vec::new(), Vec::new());
    for round in 0..ROUNDS {
        for turn in 0..3 {
            match (round + turn) % 3 {
                0 => ours.push(link_rate(&address)),
                1 => libmodbus.push(told("libmodbus", Command::new(&in_c).args(arguments))),
                _ => {
                    let script = sources().join("peers").join("modbus_rate.py");
                    pymodbus.push(told("pymodbus", Command::new(python()).arg(script).args(arguments)));
                }
            }
        }
    }
    let ours = quantile(&mut ours, 0.5);
    report("modbus_tcp_rate", ours, "requests/s", "libmodbus's C loop", Some(quantile(&mut libmodbus, 0.5)));
    let peer = "pymodbus's synchronous client";
    report("modbus_tcp_rate_of_pymodbus", ours, "requests/s", peer, Some(quantile(&mut pymodbus, 0.5)));
}

fn parts(address: &str) -> [&str; 2] {
    let (host, port) = address.rsplit_once(':').expect("invariant: an address has a port");
    [host, port]
}

/// The number a client prints at its end.
fn told(name: &str, command: &mut Command) -> f64 {
    let process = Process::start(name, command);
    let told = process.out.find(0, LONG, |line| line.text.trim().parse().ok());
    told.unwrap_or_else(|| panic!("{name} told no rate:\n{}", process.err.tail()))
}

/// Answers a second on one link of the agent that is never idle.
fn link_rate(address: &str) -> f64 {
    let [host, port] = parts(address);
    let port = port.parse().expect("invariant: ports are numbers");
    let mut plan = Plan::default();
    device(&mut plan, host, port);
    // More reads a second than any client can do.
    for _ in 1..64 {
        let again = plan.transactions[0].clone();
        plan.transactions.push(again);
    }
    for transaction in &mut plan.transactions {
        transaction.period = Duration::from_millis(1);
    }
    plan.devices[0].transactions.count = 64;
    let running = Running::start(plan);
    // The connection is made, and the first of each are through.
    let mut begun = Instant::now();
    for _ in 0..256 {
        (_, _, begun) = running.next();
    }
    // By the moments at which the link gave them, not at which they were counted.
    let (mut answers, mut last) = (0_u32, begun);
    while last < begun + WINDOW {
        let (_, good, at) = running.next();
        assert!(good, "a read failed");
        (answers, last) = (answers + 1, at);
    }
    let rate = f64::from(answers) / (last - begun).as_secs_f64();
    running.stop();
    rate
}

fn sweep() {
    let servers = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
    let servers = servers.expect("a runtime");
    let mut plan = Plan::default();
    for _ in 0..DEVICES {
        device(&mut plan, "127.0.0.1", slow_server(&servers));
    }
    let begun = Instant::now();
    let running = Running::start(plan);
    let (mut sweeps, mut slowest, mut bad) = (Vec::new(), Vec::new(), 0);
    for number in 0..SWEEPS {
        let due = begun + PERIOD * u32::try_from(number).expect("few");
        let mut last = due;
        for _ in 0..DEVICES {
            let (_, good, at) = running.next();
            last = last.max(at);
            bad += u32::from(!good);
        }
        // The first one finds no connections yet.
        if number > 0 {
            sweeps.push(last.saturating_duration_since(due).as_secs_f64() * 1000.0);
            let stats = running.field.stats();
            let latency = (0..DEVICES).map(|device| stats.device(device).latency_us).max().unwrap_or(0);
            slowest.push(Duration::from_micros(latency).as_secs_f64() * 1000.0);
        }
    }
    running.stop();
    let (sweep, slow) = (quantile(&mut sweeps, 0.5), quantile(&mut slowest, 0.5));
    report("modbus_tcp_sweep_20ms", sweep, "ms", "slowest single answer of the sweep", Some(slow));
    let due = f64::from(DEVICES) * SWEEPS as f64;
    report("modbus_tcp_sweep_20ms_good", (due - f64::from(bad)) / due, "of answers due", "all", Some(1.0));
}

/// A server on a free port whose device thinks before it answers; every register is 7.
fn slow_server(runtime: &tokio::runtime::Runtime) -> u16 {
    let listener = runtime.block_on(tokio::net::TcpListener::bind("127.0.0.1:0")).expect("loopback has a free port");
    let port = listener.local_addr().expect("a bound socket has an address").port();
    runtime.spawn(async move {
        while let Ok((mut client, _)) = listener.accept().await {
            tokio::spawn(async move {
                let _small_answers_at_once = client.set_nodelay(true);
                let mut request = [0; 12];
                while client.read_exact(&mut request).await.is_ok() {
                    tokio::time::sleep(THINKS).await;
                    let bytes = u8::try_from(REGISTERS * 2).expect("invariant: few");
                    let mut answer = request[..4].to_vec();
                    answer.extend_from_slice(&[0, bytes + 3, request[6], request[7], bytes]);
                    answer.extend(std::iter::repeat_n([0, 7], usize::from(REGISTERS)).flatten());
                    if client.write_all(&answer).await.is_err() {
                        return;
                    }
                }
            });
        }
    });
    port
}

/// A link with one device of one read.
fn device(plan: &mut Plan, host: &str, port: u16) {
    let number = u32::try_from(plan.links.len()).expect("few");
    plan.links.push(Link {
        name: format!("link-{number}"),
        transport: Transport::ModbusTcp { host: host.into(), port },
        timeout: PERIOD,
        retries: 1,
        devices: Span { first: number, count: 1 },
        state_point: 0,
        listen: false,
        listen_first: Duration::ZERO,
        masters_point: None,
        count_points: None,
    });
    plan.devices.push(Device {
        name: format!("device-{number}"),
        link: number,
        unit: 1,
        timeout: PERIOD,
        pause: Duration::ZERO,
        turnaround: Duration::ZERO,
        faster: None,
        late_max: PERIOD,
        transactions: Span { first: number, count: 1 },
        above_least_ppm: 0,
        state_point: 0,
        identity: Identity::default(),
        map_point: None,
    });
    let slices = (0..REGISTERS).map(|offset| Slice { offset, words: 1, scale_factor: None }).collect();
    plan.transactions.push(Transaction {
        device: number,
        period: PERIOD,
        phase: Duration::ZERO,
        ask: Ask::Modbus { table: Table::Holding, start: 0, count: REGISTERS, slices },
        points: Span { first: number * u32::from(REGISTERS), count: u32::from(REGISTERS) },
    });
}

/// Links on a thread of their own, as in the agent.
struct Running {
    field: FieldHandle,
    batches: Receiver<(u32, bool, Instant)>,
    stop: tokio::sync::watch::Sender<bool>,
    _runtime: tokio::runtime::Runtime,
}

impl Running {
    fn start(plan: Plan) -> Self {
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
        let runtime = runtime.expect("a runtime");
        let (sender, batches) = mpsc::channel();
        let deliver: field::Deliver = Arc::new(move |message| {
            if let FieldMessage::Batch(batch) = message {
                let good = batch.raws.iter().all(|raw| !matches!(raw, Raw::Fault(_)));
                // The measurement may have what it wants.
                let _over = sender.send((batch.transaction, good, Instant::now()));
            }
        });
        let (stop, stopped) = tokio::sync::watch::channel(false);
        let field = field::start(Arc::new(plan), runtime.handle(), deliver, stopped);
        Self { field, batches, stop, _runtime: runtime }
    }

    fn next(&self) -> (u32, bool, Instant) {
        self.batches.recv_timeout(PERIOD * 5).expect("every device answers or is told")
    }

    fn stop(mut self) {
        self.stop.send_replace(true);
        self.field.wait_ended();
    }
}
