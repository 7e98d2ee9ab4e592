//! Every point crosses its limit at once: from the first of the readings to the last event on disk, with the whole agent.
//!
//! The agent runs in this process on a configuration of `POINTS` points with an alarm each; its link leads to a port where
//! nobody listens, and the readings are handed in at the core's door as a link would, 125 points a transaction; what the dead link says
//! meanwhile neither raises nor clears an alarm of a point. An event is
//! told when it is on disk. What an alarm takes in memory is the resident memory of the agent's process with two alarms a
//! point against one, both at rest. Times are wall time. Panics when anything cannot be set up.

use std::fmt::Write as _;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use lapwing::config::{Overrides, load};
use lapwing::core::Message;
use lapwing::core::run::{Receiver, Told, telling};
use lapwing::field::{Batch, FieldMessage};
use lapwing::plan::Plan;
use lapwing::service::Service;
use lapwing_engine::spec::Raw;
use lapwing_tests::agent::Agent;
use lapwing_tests::place::TempDir;

use crate::{quantile, report};

/// Points that cross.
const POINTS: u32 = 10_000;
const ROUNDS: usize = 5;
/// The longest a step may take, also in a build without optimisation.
const PATIENCE: Duration = Duration::from_secs(300);

/// Measures and reports.
pub(crate) fn run() {
    let (mut to_disk, mut to_first) = (Vec::new(), Vec::new());
    for round in 0..ROUNDS {
        let home = TempDir::new(&format!("bench-storm-{round}"));
        let config = written(home.path(), 1);
        let overrides = Overrides { store_dir: Some(home.join("store")), ..Overrides::default() };
        let plan = load(&config, std::iter::empty(), &overrides).unwrap_or_else(|wrong| panic!("{wrong}")).plan;
        let (tell, told) = telling(8 * POINTS as usize);
        let transactions = plan.clone();
        let service = Service::start(plan, tell).expect("the agent starts");
        let storm = Storm { service: &service, plan: &transactions, told: &told };
        storm.told(1, |event| event["change"] == "started");
        storm.read(2000);
        storm.judged();
        let begun = Instant::now();
        storm.read(3500);
        let first = storm.raised(1);
        to_first.push((first - begun).as_secs_f64() * 1e3);
        let last = storm.raised(POINTS - 1);
        to_disk.push((last - begun).as_secs_f64());
        let _summary = service.stop();
    }
    let took = quantile(&mut to_disk, 0.5);
    report("storm_first_event_on_disk", quantile(&mut to_first, 0.5), "ms", "one alarm alone may take", Some(1000.0));
    report("storm_last_event_on_disk", took, "s for 10 000 alarms", "none", None);
    report("storm_events", f64::from(POINTS) / took, "events a second", "none", None);
    memory();
}

struct Storm<'a> {
    service: &'a Service,
    plan: &'a Plan,
    told: &'a Receiver<Told>,
}

impl Storm<'_> {
    /// Every point is read once.
    fn read(&self, value: u16) {
        let raw = Raw::Words { words: [value, 0, 0, 0, 0, 0, 0, 0], len: 1, scale_factor: 0 };
        for (transaction, about) in (0_u32..).zip(&self.plan.transactions) {
            let raws = vec![raw; about.points.count as usize];
            let batch = Batch { transaction, at: Instant::now(), raws };
            self.service.door().hand_in_surely(Message::Field(FieldMessage::Batch(batch)));
        }
    }

    /// Waits until the readings have been taken.
    fn judged(&self) {
        let until = Instant::now() + PATIENCE;
        while self.service.door().waiting() > 0 {
            assert!(Instant::now() < until, "the readings were not taken in time");
            std::thread::sleep(Duration::from_millis(2)); // looks again; what is timed has not begun
        }
    }

    /// When so many more alarms of points were on disk.
    fn raised(&self, count: u32) -> Instant {
        self.told(count, |event| event["alarm"].as_str().is_some_and(|alarm| alarm.starts_with("high-")))
    }

    /// When so many more events of a kind were on disk.
    fn told(&self, count: u32, wanted: impl Fn(&serde_json::Value) -> bool) -> Instant {
        let (mut left, until) = (count, Instant::now() + PATIENCE);
        while left > 0 {
            let told = self.told.recv_timeout(until.saturating_duration_since(Instant::now()));
            if let Told::Event(payload) = told.expect("every event is told in time") {
                let event: serde_json::Value = serde_json::from_slice(&payload).expect("an event");
                left -= u32::from(wanted(&event));
            }
        }
        Instant::now()
    }
}

/// What one more configured alarm takes in the whole agent, its texts included.
fn memory() {
    let resident = |alarms: u32| -> f64 {
        let home = TempDir::new("bench-storm-memory");
        let config = written(home.path(), alarms);
        let agent = Agent::run(&config);
        agent.wait("the start", 0, PATIENCE, |said| (said["change"] == "started").then_some(()));
        agent.usage().resident as f64
    };
    let each = (resident(3) - resident(1)) / (2.0 * f64::from(POINTS));
    report("memory_per_alarm_in_the_agent", each, "bytes resident, texts included", "none", None);
}

/// A module of that many points, each with so many alarms.
fn written(dir: &Path, alarms: u32) -> PathBuf {
    let closed = || TcpListener::bind("127.0.0.1:0").expect("a port").local_addr().expect("bound").port();
    let mut module = format!(
        "[module]\nsite = \"saltmarsh\"\nname = \"m1\"\n[mqtt]\nbroker = \"127.0.0.1:{}\"\n[http]\nenabled = false\n\
         [store]\ndir = \"{}\"\n",
        closed(),
        dir.join("store").display()
    );
    // A unit has 65 536 registers; a thousand points a device keep a link's devices few.
    for device in 0..POINTS / 1000 {
        let _written = write!(
            module,
            "[[link]]\nname = \"l{device}\"\nmodbus_tcp = \"127.0.0.1:{}\"\n[[device]]\nname = \"d{device}\"\nlink = \"l{device}\"\nunit = 1\n\
             map = \"map.toml\"\nprefix = \"p/{device}\"\n",
            closed()
        );
    }
    for alarm in 0..alarms {
        let (name, limit) =
            if alarm == 0 { ("high".to_owned(), 3000) } else { (format!("higher{alarm}"), 9000 + alarm) };
        let _written = write!(
            module,
            "[[alarm]]\nid = \"{name}-{{d}}-{{n}}\"\npoint = \"p/{{d}}/{{n}}/value\"\nhigh = {limit}\ndeadband = 20\npriority = \"low\"\n\
             text = \"Point {{n}} of {{d}} is {{value}}, above {{limit}}\"\nconsequence = \"What it feeds grows warm.\"\n\
             response = \"Look after it.\"\nfirst_check = \"Is it on?\"\nrespond_within = \"8h\"\n"
        );
    }
    let mut map = String::new();
    for point in 0..1000 {
        let _written = write!(
            map,
            "[[point]]\npath = \"{point}/value\"\nquantity = \"count\"\nunit = \"1\"\nregister = \"holding:{point}\"\nas = \"u16\"\n\
             valid = [0, 10000]\nscan_period = \"1h\"\n"
        );
    }
    std::fs::write(dir.join("module.toml"), module).expect("written");
    std::fs::write(dir.join("map.toml"), map).expect("written");
    dir.join("module.toml")
}
