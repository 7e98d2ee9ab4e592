//! The maps that ship under `examples/maps/`, each on a simulated device whose every value is known: what comes out of
//! the field and the engine is compared point by point, so that no address, scale or state is wrong or forgotten.
//!
//! The devices are servers of the libraries on loopback; only loading, polling and decoding are ours.

mod sensors;
mod sunspec;
mod ups;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, mpsc};
use std::time::{Duration, Instant};

use async_snmp::handler::{BoxFuture, GetNextResult, GetResult, HandlerResult, MibHandler, RequestContext};
use async_snmp::{Oid, Value, VarBind};
use lapwing::config::{self, Overrides};
use lapwing::core::judge::Judge;
use lapwing::field::{self, FieldMessage};
use lapwing::plan::Plan;
use lapwing_engine::spec::{Millis, Raw};
use lapwing_engine::{AlarmState, Engine, PointState, Window};
use lapwing_protocol::{Decimal, Status};
use tokio::runtime::Runtime;

/// Longest wait for every point to be read once.
const LONG: Duration = Duration::from_secs(20);

fn map(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/maps").join(name)
}

/// The plan of one device with a map, on a link given as one line.
fn plan(map_name: &str, link: &str) -> Plan {
    static NUMBER: AtomicU32 = AtomicU32::new(0);
    let number = NUMBER.fetch_add(1, Ordering::Relaxed);
    let dir = std::env::temp_dir().join(format!("lapwing-maps-{}-{number}", std::process::id()));
    std::fs::create_dir_all(&dir).expect("a directory");
    let module = dir.join("module.toml");
    let text = format!(
        "[module]\nsite = \"testbay\"\nname = \"t1\"\nmode = \"test\"\n\n[[link]]\nname = \"only\"\n{link}\n\n\
         [[device]]\nname = \"only\"\nlink = \"only\"\nmap = \"{}\"\n",
        map(map_name).display()
    );
    std::fs::write(&module, text).expect("written");
    let loaded = config::load(&module, std::iter::empty(), &Overrides::default());
    let _gone_anyway = std::fs::remove_dir_all(&dir);
    loaded.unwrap_or_else(|mistakes| panic!("{mistakes}")).plan
}

/// What one round of polling made of every field point, and what was noticed.
struct Round {
    readings: BTreeMap<String, Result<Decimal, Status>>,
    notices: Vec<String>,
}

/// Polls until every transaction has come once, and decodes.
fn poll(runtime: &Runtime, plan: Plan) -> Round {
    let plan = Arc::new(plan);
    let (sender, receiver) = mpsc::channel();
    let (stop, stopped) = tokio::sync::watch::channel(false);
    let deliver: field::Deliver = Arc::new(move |message| {
        let _over = sender.send(message); // the test may have what it wants
    });
    let mut running = field::start(Arc::clone(&plan), runtime.handle(), deliver, stopped);
    let (mut raws, mut notices): (BTreeMap<u32, Vec<Raw>>, Vec<String>) = (BTreeMap::new(), Vec::new());
    let until = Instant::now() + LONG;
    while raws.len() < plan.transactions.len() {
        match receiver.recv_timeout(until.saturating_duration_since(Instant::now())).expect("every transaction in time")
        {
            FieldMessage::Batch(batch) => drop(raws.insert(batch.transaction, batch.raws)),
            FieldMessage::Notice { what, .. } => notices.push(what.to_string()),
            _ => {}
        }
    }
    stop.send_replace(true);
    running.wait_ended();

    let mut points = vec![PointState::default(); plan.engine.points.len()];
    let mut alarms = vec![AlarmState::default(); plan.engine.alarms.len()];
    let mut windows = vec![Window::default(); plan.engine.windows.len()];
    let engine = Engine::new(plan.engine.tables(), &mut points, &mut alarms, &mut windows).expect("the plan fits");
    let mut judge = Judge::new(&plan, engine);
    for (transaction, raws) in &raws {
        judge.batch(Millis(1000), Millis(1000), *transaction, raws);
    }
    let mut readings = BTreeMap::new();
    for (index, point) in (0u32..).zip(&plan.points).filter(|(_, point)| point.device.is_some()) {
        let reading = judge.reading(index);
        let value = Decimal::new(reading.value, point.exponent);
        readings.insert(point.path.clone(), if reading.status.is_good() { Ok(value) } else { Err(reading.status) });
    }
    Round { readings, notices }
}

impl Round {
    /// Every point has the value expected, and there is no other point.
    fn is(&self, expected: &[(&str, f64)]) {
        let mut left = self.readings.clone();
        for (path, value) in expected {
            let reading = left.remove(*path).unwrap_or_else(|| panic!("no point {path}, or expected twice"));
            let read = reading.unwrap_or_else(|status| panic!("{path}: {status:?}"));
            assert!((read.to_f64() - value).abs() < 1e-9, "{path} is {read}, not {value}");
        }
        assert!(left.is_empty(), "points that nothing was expected of: {left:?}");
    }
}

/// An SNMP agent of known variables.
struct Known(BTreeMap<Vec<u32>, Value>);

impl MibHandler for Known {
    fn get<'a>(&'a self, _: &'a RequestContext, oid: &'a Oid) -> BoxFuture<'a, HandlerResult<GetResult>> {
        let found = self.0.get(oid.arcs()).cloned();
        Box::pin(async move { Ok(found.map_or(GetResult::NoSuchInstance, GetResult::Value)) })
    }

    fn get_next<'a>(&'a self, _: &'a RequestContext, oid: &'a Oid) -> BoxFuture<'a, HandlerResult<GetNextResult>> {
        let after = (std::ops::Bound::Excluded(oid.arcs().to_vec()), std::ops::Bound::Unbounded);
        let next = self.0.range(after).next().map(|(oid, value)| VarBind::new(Oid::from_slice(oid), value.clone()));
        Box::pin(async move { Ok(next.map_or(GetNextResult::EndOfMibView, GetNextResult::Value)) })
    }
}

/// Starts an agent; the line of its link.
fn agent(runtime: &Runtime, variables: BTreeMap<Vec<u32>, Value>) -> String {
    let agent = runtime.block_on(async {
        async_snmp::Agent::builder()
            .bind("127.0.0.1:0")
            .community("public")
            .allow_all_access()
            .without_builtin_handlers()
            .handler(Oid::from([1, 3]), Arc::new(Known(variables)))
            .build()
            .await
            .expect("an agent")
    });
    let port = agent.local_addr().port();
    runtime.spawn(async move { agent.run().await });
    format!("snmp = \"127.0.0.1:{port}\"")
}

fn oid(text: &str) -> Vec<u32> {
    text.split('.').map(|arc| arc.parse().expect("a number")).collect()
}

fn runtime() -> Runtime {
    tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().expect("a runtime")
}
