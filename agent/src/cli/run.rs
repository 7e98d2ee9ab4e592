//! `lapwing run --config PATH`: the agent, until it is asked to stop.
//!
//! With `--json` it prints the contract's lines: addresses first, then each event as published, at the end the summary.

use flume::Receiver;

use super::account::Account;
use super::output::Output;
use super::stop::{Signals, Why};
use super::{End, RunArgs, check, start_log};
use crate::config;
use crate::core::run::{Told, telling};
use crate::plan::{Plan, Redfish, Transport};
use crate::service::Service;

/// Told things that wait for the printing thread's thread; more are dropped by the core, never waited for.
const TOLD: usize = 8192;

/// Runs the agent.
pub(super) fn run(args: &RunArgs) -> End {
    // What else was loaded is for `check`: it must not last as long as the agent.
    let loaded = config::load(&args.config, config::environment(), &config::Overrides::default());
    let mut plan = match loaded.map(|loaded| loaded.plan) {
        Ok(plan) => plan,
        Err(mistakes) => return check::print_mistakes(&mistakes, args.json),
    };
    start_log(&format!("{},async_snmp=off", plan.log.level)); // the library calls every failed request an error
    let (output, printer) = match Output::start() {
        Ok(started) => started,
        Err(error) => return could_not("start printing", &error),
    };
    let mut signals = match Signals::catch().and_then(|mut signals| signals.catch_reload().map(|()| signals)) {
        Ok(signals) => signals,
        Err(error) => return could_not("catch signals", &error),
    };
    let account = Account::begin(output, args.json, plan.module.language);
    let mut first = true;
    let summary = loop {
        let (told, listener) = telling(TOLD);
        let mut service = match Service::start(plan, told) {
            Ok(service) => service,
            Err(error) => {
                eprintln!("The agent could not start: {error}");
                return End::NotTried;
            }
        };
        // Nothing the agent tells is printed before this: the teller starts below.
        if std::mem::take(&mut first) {
            account.object(&serde_json::json!({ "addresses": addresses(service.plan(), service.page_address()) }));
        }
        let teller = tell_all(account.clone(), listener);
        let why = loop {
            match signals.wait_or(None, &service.anew()) {
                Why::Reload => reload(&args.config, &mut service),
                why @ (Why::Anew | Why::TimeIsOver | Why::Asked) => break why,
            }
        };
        if why == Why::Anew {
            plan = service.plan().clone();
            let _of_the_part_before = service.stop();
            join(teller);
            continue;
        }
        signals.insist();
        let summary = service.stop();
        join(teller);
        break summary;
    };
    account.summary(&summary);
    drop(account);
    printer.finish();
    End::Done
}

/// Mistakes told in the event; all of them are in the log.
const MISTAKES_TOLD: usize = 5;

/// Reads the configuration anew and takes it up; a bad one is refused whole, and the one before goes on.
fn reload(path: &std::path::Path, service: &mut Service) {
    tell_manager(true);
    match config::load(path, config::environment(), &config::Overrides::default()) {
        Ok(loaded) => {
            let hash: String = loaded.plan.digest.iter().map(|byte| format!("{byte:02x}")).collect();
            match service.apply(loaded.plan) {
                Ok(()) => tracing::info!(hash, "the configuration was read anew and is in force"),
                Err(error) => {
                    tracing::error!("the changed configuration was refused: {error}");
                    service.refuse(hash, error.to_string());
                }
            }
        }
        Err(mistakes) => {
            for mistake in mistakes.list() {
                tracing::error!("the changed configuration was refused: {mistake}");
            }
            // Place and mistake stand in the first line; what is marked below it is for a terminal.
            let line = |mistake: &config::Mistake| {
                mistake.to_string().lines().next().unwrap_or_default().trim_end_matches('.').to_owned()
            };
            let told: Vec<String> = mistakes.list().iter().take(MISTAKES_TOLD).map(line).collect();
            let more = mistakes.list().len().saturating_sub(MISTAKES_TOLD);
            let more =
                if more > 0 { format!("; and {more} more: lapwing check tells them all") } else { String::new() };
            service.refuse(String::new(), format!("{}{more}.", told.join("; ")));
        }
    }
    tell_manager(false);
}

/// systemd waits with `systemctl reload` until READY comes again (sd_notify(3)).
fn tell_manager(begins: bool) {
    let states = if begins {
        let Ok(now) = sd_notify::NotifyState::monotonic_usec_now() else { return };
        vec![sd_notify::NotifyState::Reloading, now]
    } else {
        vec![sd_notify::NotifyState::Ready]
    };
    // Without a service manager there is nobody to tell.
    let _nobody = sd_notify::notify(&states);
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
