//! `lapwing demo`: the simulated module, a broker and the agent together, without any set-up.
//!
//! Binds free loopback ports only. Data and configuration lie in a directory of their own that is removed at the end
//! unless `--data` names one. Everything it publishes says that it is simulated. Prints either the live account or, with
//! `--json`, the contract's lines. Ends by itself after `--seconds`, or on Ctrl-C. Never panics.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::thread::JoinHandle;

use lapwing_protocol::Mode;
use lapwing_simulator::plant::{FaultNote, Plant};
use lapwing_simulator::runtime::{Options, Simulator};
use lapwing_simulator::scenario::Scenario;

use super::account::Account;
use super::output::Output;
use super::run::{addresses, could_not, join, tell_all};
use super::stop::Signals;
use super::{DemoArgs, End, check, start_log};
use crate::config;
use crate::core::run::telling;
use crate::core::{Door, Message};
use crate::publish::broker::Broker;
use crate::service::Service;

/// Told things that wait for the printing thread; more are dropped, never waited for.
const TOLD: usize = 8192;

/// The demo's configuration, part of the binary so that it runs anywhere.
const FILES: &[(&str, &str)] = lapwing_simulator::saltmarsh::FILES;

/// Runs the demo.
pub(super) fn demo(args: &DemoArgs) -> End {
    start_log("warn,rumqttd=off,async_snmp=off");
    let scenario = match scenario(args) {
        Ok(scenario) => scenario,
        Err(end) => return end,
    };
    let mut signals = match Signals::catch() {
        Ok(signals) => signals,
        Err(error) => return could_not("catch signals", &error),
    };
    let directory = match Directory::new(args.data.as_deref()) {
        Ok(directory) => directory,
        Err(error) => return could_not("make the data directory", &error),
    };
    let (output, printer) = match Output::start() {
        Ok(started) => started,
        Err(error) => return could_not("start printing", &error),
    };
    let mut simulator = match Simulator::start(Plant::new(&scenario, args.seed), &Options::default()) {
        Ok(simulator) => simulator,
        Err(error) => return could_not("start the simulated module", &error),
    };
    let (_broker, broker_address) = match Broker::start() {
        Ok(started) => started,
        Err(error) => return could_not("start the demo's broker", &error),
    };
    let file = match write_configuration(&directory.path) {
        Ok(file) => file,
        Err(error) => return could_not("write the demo's configuration", &error),
    };
    let overrides = config::Overrides {
        link_addresses: simulator.addresses().into_iter().collect::<BTreeMap<_, _>>(),
        mode: Some(Mode::Simulated),
        store_dir: Some(directory.path.join("store")),
        broker: Some(broker_address.to_string()),
        page: Some(page_address(args.json)),
        review: false,
    };
    // The demo takes no environment of the machine: it must run the same everywhere.
    let language = args.language.iter().map(|word| ("LAPWING__MODULE__LANGUAGE".to_owned(), word.clone()));
    let plan = match config::load(&file, language, &overrides).map(|loaded| loaded.plan) {
        Ok(plan) => plan,
        Err(mistakes) => return check::print_mistakes(&mistakes, args.json),
    };

    let account = Account::begin(output, args.json, plan.module.language);
    let (told, listener) = telling(TOLD);
    let service = match Service::start(plan, told) {
        Ok(service) => service,
        Err(error) => {
            eprintln!("The agent could not start: {error}");
            return End::NotTried;
        }
    };
    // Nothing the agent tells is printed before this: the teller starts below.
    account.object(&serde_json::json!({ "addresses": addresses(service.plan(), service.page_address()) }));
    greet(&account, args, service.plan(), service.page_address(), &directory);
    let faults = simulator.take_notes().map(|notes| tell_faults(account.clone(), notes, Some(service.door().clone())));
    let teller = tell_all(account.clone(), listener);
    signals.wait(args.seconds);
    signals.insist();
    let summary = service.stop();
    join(teller);
    simulator.stop();
    if let Some(faults) = faults {
        join(faults);
    }
    account.summary(&summary);
    drop(account);
    printer.finish();
    directory.remove();
    End::Done
}

/// The scenario of a name or file; says what there is when there is no such one.
pub(super) fn scenario(args: &DemoArgs) -> Result<Scenario, End> {
    Scenario::load(&args.scenario).map_err(|error| {
        eprintln!("{error}");
        End::NotTried
    })
}

/// Tells each fault as it is applied, and lets the core count from it.
pub(super) fn tell_faults(
    account: Account,
    mut notes: tokio::sync::mpsc::Receiver<FaultNote>,
    door: Option<Door>,
) -> JoinHandle<()> {
    std::thread::spawn(move || {
        while let Some(note) = notes.blocking_recv() {
            if let Some(door) = &door {
                door.hand_in(Message::Fault);
            }
            account.object(&serde_json::json!({ "fault": note.name, "t": now_ms(), "text": note.text }));
            account.tell(&format!("(In the simulated module: {})", note.text));
        }
    })
}

fn now_ms() -> u64 {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap_or_default();
    u64::try_from(since.as_millis()).unwrap_or(u64::MAX)
}

/// The page's usual address if it is free, else any: a demo runs beside another agent. A program is told the address, and may
/// start several at one moment: it gets any.
fn page_address(read_by_a_program: bool) -> std::net::SocketAddr {
    let usual = std::net::SocketAddr::from(([127, 0, 0, 1], 8467));
    if !read_by_a_program && std::net::TcpListener::bind(usual).is_ok() {
        usual
    } else {
        std::net::SocketAddr::from(([127, 0, 0, 1], 0))
    }
}

fn greet(
    account: &Account,
    args: &DemoArgs,
    plan: &crate::plan::Plan,
    page: Option<std::net::SocketAddr>,
    directory: &Directory,
) {
    let (host, port) = &plan.mqtt.broker;
    account.say("Saltmarsh M1, an invented data-centre module of 18 racks and 420 kW. Everything here is simulated.");
    account.say(&format!(
        "  Broker   {host}:{port}, topics {}/{}/{}/#",
        plan.mqtt.base, plan.module.site, plan.module.name
    ));
    if let Some(page) = page {
        account.say(&format!("  Page     http://{page}/"));
    }
    if let serde_json::Value::Object(links) = &addresses(plan, page)["links"] {
        let said: Vec<String> =
            links.iter().map(|(name, at)| format!("{name} {}", at.as_str().unwrap_or_default())).collect();
        account.say(&format!("  Links    {}", said.join(", ")));
    }
    let kept = if directory.temporary { " (removed at the end)" } else { "" };
    account.say(&format!("  Data     {}{kept}", directory.path.display()));
    let end = args.seconds.map_or_else(|| "until Ctrl-C".to_owned(), |n| format!("for {n} s"));
    account.say(&format!("  Playing  {}, {end}, seed {}", args.scenario, args.seed));
    account.say(&format!("  Try      mosquitto_sub -h {host} -p {port} -t '{}/#' -v", plan.mqtt.base));
    account.say("");
}

/// Writes the demo's configuration into the data directory, where one may read and change it.
fn write_configuration(dir: &Path) -> std::io::Result<PathBuf> {
    let root = dir.join("config");
    for (name, text) in FILES {
        let path = root.join(name);
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent)?;
        }
        std::fs::write(path, text)?;
    }
    Ok(root.join("module.toml"))
}

/// Where the demo keeps its data.
#[derive(Debug)]
struct Directory {
    path: PathBuf,
    temporary: bool,
}

impl Directory {
    fn new(asked: Option<&Path>) -> std::io::Result<Self> {
        let (path, temporary) = match asked {
            Some(path) => (path.to_owned(), false),
            None => (std::env::temp_dir().join(format!("lapwing-demo-{}", std::process::id())), true),
        };
        std::fs::create_dir_all(&path)?;
        Ok(Self { path, temporary })
    }

    /// Removes what nobody asked to keep.
    fn remove(self) {
        if self.temporary
            && let Err(error) = std::fs::remove_dir_all(&self.path)
        {
            eprintln!("{} could not be removed: {error}", self.path.display());
        }
    }
}
