//! `lapwing run --config PATH`: the agent, until it is asked to stop.
//!
//! With `--json` it prints the contract's lines: addresses first, then each event as published, at the end the summary.

use std::sync::mpsc::{Receiver, sync_channel};

use super::account::Account;
use super::output::Output;
use super::stop::{Signals, Why};
use super::{End, RunArgs, check, start_log};
use crate::config;
use crate::core::run::Told;
use crate::plan::{Plan, Redfish, Transport};
use crate::service::Service;

/// Told things that wait for the printing thread's thread; more are dropped by the core, never waited for.
const TOLD: usize = 8192;

/// Runs the agent.
pub(super) fn run(args: &RunArgs) -> End {
    let loaded = match config::load(&args.config, config::environment(), &config::Overrides::default()) {
        Ok(loaded) => loaded,
        Err(mistakes) => return check::print_mistakes(&mistakes, args.json),
    };
    start_log(&format!("{},async_snmp=off", loaded.plan.log.level)); // the library calls every failed request an error
    let (output, printer) = match Output::start() {
        Ok(started) => started,
        Err(error) => return could_not("start printing", &error),
    };
    let mut signals = match Signals::catch() {
        Ok(signals) => signals,
        Err(error) => return could_not("catch signals", &error),
    };
    let account = Account::begin(output, args.json);
    let plan = loaded.plan;
    let mut first = true;
    let summary = loop {
        let (told, listener) = sync_channel(TOLD);
        let service = match Service::start(plan.clone(), told) {
            Ok(service) => service,
            Err(error) => {
                eprintln!("The agent could not start: {error}");
                return End::NotTried;
            }
        };
        // Nothing the agent tells is printed before this: the teller starts below.
        if std::mem::take(&mut first) {
            account.object(&serde_json::json!({ "addresses": addresses(&plan, service.page_address()) }));
        }
        let teller = tell_all(account.clone(), listener);
        match signals.wait_or(None, &service.anew()) {
            Why::Anew => {
                let _of_the_part_before = service.stop();
                join(teller);
            }
            Why::TimeIsOver | Why::Asked => {
                signals.insist();
                let summary = service.stop();
                join(teller);
                break summary;
            }
        }
    };
    account.summary(&summary);
    drop(account);
    printer.finish();
    End::Done
}

/// Where links, broker and page are, as the first line of `--json` says it.
pub(super) fn addresses(plan: &Plan, page: Option<std::net::SocketAddr>) -> serde_json::Value {
    let links: serde_json::Map<String, serde_json::Value> = plan
        .links
        .iter()
        .map(|link| {
            let address = match &link.transport {
                Transport::ModbusTcp { host, port }
                | Transport::ModbusTls { host, port, .. }
                | Transport::ModbusRtuTcp { host, port, .. }
                | Transport::Redfish(Redfish { host, port, .. })
                | Transport::Snmp { host, port, .. } => {
                    format!("{host}:{port}")
                }
                Transport::Serial { path, .. } => path.display().to_string(),
            };
            (link.name.clone(), address.into())
        })
        .collect();
    let mut said =
        serde_json::json!({ "mqtt": format!("{}:{}", plan.mqtt.broker.0, plan.mqtt.broker.1), "links": links });
    if let Some(page) = page {
        said["http"] = page.to_string().into();
    }
    said
}

/// Tells everything the core does, on a thread of its own, until the core has ended.
pub(super) fn tell_all(account: Account, listener: Receiver<Told>) -> std::thread::JoinHandle<()> {
    std::thread::spawn(move || {
        for told in listener {
            account.told(&told);
        }
    })
}

/// Waits for a thread that reports its own panic.
pub(super) fn join(thread: std::thread::JoinHandle<()>) {
    let _ended = thread.join();
}

/// Says what the host refused.
pub(super) fn could_not(what: &str, error: &dyn std::error::Error) -> End {
    eprintln!("Could not {what}: {error}");
    End::NotTried
}
