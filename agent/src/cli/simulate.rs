//! `lapwing simulate`: only the simulated module's devices, for other clients.
//!
//! Prints where each link is reached, then each fault as it is applied. Same options as `demo`; nothing is published and
//! nothing is kept. Never panics.

use lapwing_simulator::plant::Plant;
use lapwing_simulator::runtime::{Options, Simulator};

use super::account::Account;
use super::demo::{scenario, tell_faults};
use super::output::Output;
use super::run::{could_not, join};
use super::stop::Signals;
use super::{DemoArgs, End, start_log};

/// Runs the simulated devices.
pub(super) fn simulate(args: &DemoArgs) -> End {
    start_log("warn,rumqttd=off,async_snmp=off");
    let scenario = match scenario(args) {
        Ok(scenario) => scenario,
        Err(end) => return end,
    };
    let mut signals = match Signals::catch() {
        Ok(signals) => signals,
        Err(error) => return could_not("catch signals", &error),
    };
    let (output, printer) = match Output::start() {
        Ok(started) => started,
        Err(error) => return could_not("start printing", &error),
    };
    let mut simulator = match Simulator::start(Plant::new(&scenario, args.seed), &Options::default()) {
        Ok(simulator) => simulator,
        Err(error) => return could_not("start the simulated module", &error),
    };
    let account = Account::begin(output, args.json, crate::plan::Language::English);
    let links: serde_json::Map<String, serde_json::Value> =
        simulator.addresses().into_iter().map(|(name, at)| (name, at.into())).collect();
    for (name, at) in &links {
        account.say(&format!("{name}\t{}", at.as_str().unwrap_or_default()));
    }
    account.object(&serde_json::json!({ "addresses": { "links": links } }));
    let faults = simulator.take_notes().map(|notes| tell_faults(account.clone(), notes, None));
    signals.wait(args.seconds);
    signals.insist();
    let (traffic, pace) = (simulator.traffic(), simulator.pace());
    simulator.stop();
    if let Some(faults) = faults {
        join(faults);
    }
    account.say(&format!("{} steps of the model, {} left out; {traffic:?}", pace.steps, pace.steps_left_out));
    account.object(&serde_json::json!({ "summary": { "steps": pace.steps, "steps_left_out": pace.steps_left_out } }));
    drop(account);
    printer.finish();
    End::Done
}
