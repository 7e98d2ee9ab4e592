//! 200 SNMP agents of 20 variables in one sweep, against the slowest of them asked alone.
//!
//! The agents are the library's, in this process, on ports of their own; in a second round each answers 20 ms late, as a
//! card does. A sweep begins when the first scan falls due and ends with the last good batch; all 200 are due at the same
//! moment, which a real configuration avoids. The peer is the slowest single answer of the same sweeps, queueing and
//! time on the wire included, as the links' counters have it. Milliseconds; medians of 9 sweeps after one to warm up.

use std::sync::{Arc, mpsc};
use std::time::{Duration, Instant};

use async_snmp::handler::{BoxFuture, GetNextResult, GetResult, HandlerResult, MibHandler, RequestContext};
use async_snmp::{Oid, Value};
use lapwing::field::{self, FieldMessage};
use lapwing::plan::snmp::Access;
use lapwing::plan::{Ask, Device, Identity, Link, Plan, Transaction, Transport};
use lapwing_engine::spec::{Raw, Span};

use crate::{quantile, report};

const AGENTS: u32 = 200;
const VARIABLES: u32 = 20;
const SWEEPS: usize = 10;
const PERIOD: Duration = Duration::from_secs(1);
const CARD: [u32; 7] = [1, 3, 6, 1, 4, 1, 99_999];

/// Every variable is its own number; late by so much, once a request.
struct Card(Duration);

impl MibHandler for Card {
    fn get<'a>(&'a self, _: &'a RequestContext, oid: &'a Oid) -> BoxFuture<'a, HandlerResult<GetResult>> {
        Box::pin(async move {
            let last = oid.arcs().last().copied().unwrap_or(0);
            if last == 0 && !self.0.is_zero() {
                tokio::time::sleep(self.0).await;
            }
            Ok(GetResult::Value(Value::Gauge32(last)))
        })
    }

    fn get_next<'a>(&'a self, _: &'a RequestContext, _: &'a Oid) -> BoxFuture<'a, HandlerResult<GetNextResult>> {
        Box::pin(async { Ok(GetNextResult::EndOfMibView) })
    }
}

/// Measures and reports.
pub(crate) fn run() {
    for (name, late) in [("snmp-sweep", Duration::ZERO), ("snmp-sweep-20ms", Duration::from_millis(20))] {
        sweep(name, late);
    }
}

fn sweep(name: &str, late: Duration) {
    let agents = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
    let agents = agents.expect("a runtime");
    let ports: Vec<u16> = (0..AGENTS).map(|_| card(&agents, late)).collect();
    let plan = Arc::new(plan(&ports));
    // The links have a thread of their own, as in the agent.
    let links = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
    let links = links.expect("a runtime");
    let (sender, receiver) = mpsc::channel();
    let deliver: field::Deliver = Arc::new(move |message| {
        if let FieldMessage::Batch(batch) = message {
            let good = batch.raws.iter().all(|raw| !matches!(raw, Raw::Fault(_)));
            // The measurement may have what it wants.
            let _over = sender.send((batch.transaction, good, Instant::now()));
        }
    });
    let (stop, stopped) = tokio::sync::watch::channel(false);
    let begin = Instant::now();
    let mut running = field::start(Arc::clone(&plan), links.handle(), deliver, stopped);
    let (mut sweeps, mut slowest, mut bad) = (Vec::new(), Vec::new(), 0);
    for number in 0..SWEEPS {
        let due = begin + PERIOD * u32::try_from(number).expect("few");
        let mut last = due;
        for _ in 0..AGENTS {
            let (_, good, at) = receiver.recv_timeout(PERIOD * 5).expect("every agent answers or is told");
            last = last.max(at);
            bad += u32::from(!good);
        }
        // The first one finds no sockets yet.
        if number > 0 {
            sweeps.push(last.saturating_duration_since(due).as_secs_f64() * 1000.0);
            let stats = running.stats();
            let latency = (0..AGENTS).map(|device| stats.device(device).latency_us).max().unwrap_or(0);
            slowest.push(Duration::from_micros(latency).as_secs_f64() * 1000.0);
        }
    }
    stop.send_replace(true);
    running.wait_ended();
    let (sweep, slow) = (quantile(&mut sweeps, 0.5), quantile(&mut slowest, 0.5));
    report(name, sweep, "ms", "slowest single answer of the sweep", Some(slow));
    let asked = f64::from(AGENTS) * SWEEPS as f64;
    report(&format!("{name}-good"), (asked - f64::from(bad)) / asked, "of answers due", "all", Some(1.0));
}

fn card(runtime: &tokio::runtime::Runtime, late: Duration) -> u16 {
    let agent = runtime.block_on(async {
        async_snmp::Agent::builder()
            .bind("127.0.0.1:0")
            .community("public")
            .allow_all_access()
            .handler(Oid::from_slice(&CARD), Arc::new(Card(late)))
            .build()
            .await
            .expect("an agent")
    });
    let port = agent.local_addr().port();
    runtime.spawn(async move { agent.run().await });
    port
}

fn plan(ports: &[u16]) -> Plan {
    let mut plan = Plan::default();
    for (number, port) in (0u32..).zip(ports) {
        let access = Access::Community { version_1: false, community: "public".into() };
        plan.links.push(Link {
            name: format!("card-{number}"),
            transport: Transport::Snmp { host: "127.0.0.1".into(), port: *port, access },
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
            name: format!("card-{number}"),
            link: number,
            unit: 0,
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
        plan.transactions.push(Transaction {
            device: number,
            period: PERIOD,
            phase: Duration::ZERO,
            ask: Ask::Snmp { oids: (0..VARIABLES).map(|n| [&CARD[..], &[n]].concat()).collect() },
            points: Span { first: number * VARIABLES, count: VARIABLES },
        });
    }
    plan
}
