//! The agent ends suddenly and starts again: numbers go on without gaps, no alarm is announced twice; a new store is a
//! new log; presence tells.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::time::Duration;

use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::modbus::ModbusPeer;
use lapwing_tests::place::TempDir;
use lapwing_tests::readings::without_repeats;
use lapwing_tests::subscriber::Subscriber;
use lapwing_tests::testbay::{calm_controller, one_controller};
use serde_json::Value;

const SOON: Duration = Duration::from_secs(30);
/// What people and programs read of a change that the agent did not see happen.
const FOUND_SO: &str = "It was so already at the first reading after the agent's start.";
const REASON: &str = "so already at the first reading after the start";

struct Bay {
    home: TempDir,
    broker: Broker,
    controller: ModbusPeer,
    config: PathBuf,
    subscriber: Subscriber,
}

impl Bay {
    fn new(name: &str) -> Self {
        let home = TempDir::new(name);
        let broker = Broker::start();
        let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
        calm_controller(&mut controller);
        let config = one_controller(&home, &controller.address(), &broker.address());
        let subscriber = Subscriber::start(broker.port());
        Self { home, broker, controller, config, subscriber }
    }
}

fn alarm_events<'a>(events: &'a [Value], id: &str, to: &str) -> Vec<&'a Value> {
    events.iter().filter(|event| event["alarm"] == id && event["to"] == to).collect()
}

#[test]
fn killed_during_alarms_it_goes_on_with_the_next_number() {
    let mut bay = Bay::new("kill");
    let mut agent = Agent::run(&bay.config);
    bay.subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online");
    bay.controller.set(1, "holding", 0, &[215]);
    bay.subscriber.alarm("supply-water-warm", "unacknowledged", 0, SOON);
    let mut flows = 0;
    for _ in 0..4 {
        // Killed the moment the event arrives: acknowledged or not, it must not come back under another number.
        let mark = bay.subscriber.mark();
        bay.controller.set(1, "holding", 1, &[150]);
        flows += 1;
        // The raise before may come once more: it was sent, and the agent killed before it heard that it had arrived.
        bay.subscriber.topic("event", mark, SOON, |event| {
            event["alarm"] == "low-flow" && event["to"] == "unacknowledged" && event["occurrence"] == flows
        });
        agent.kill();
        bay.controller.set(1, "holding", 1, &[615]);
        agent = Agent::run(&bay.config);
        agent.alarm("low-flow", "returned_unacknowledged", 0, SOON);
    }
    let last = agent.said().into_iter().filter_map(|(said, _)| said["seq"].as_u64()).max().expect("numbered events");
    bay.subscriber.topic("event", 0, SOON, |event| event["seq"] == last);
    let logs = without_repeats(&bay.subscriber.events());
    assert_eq!(logs.len(), 1, "kills made no new log: {:?}", logs.keys());
    let events = logs.values().next().expect("one log");
    assert_eq!(
        alarm_events(events, "supply-water-warm", "unacknowledged").len(),
        1,
        "it stood all the time: one raise"
    );
    assert_eq!(alarm_events(events, "low-flow", "unacknowledged").len(), flows, "each raise once");
    // What cleared while the agent was off is told as such, what it saw happen is not.
    for (to, found_so) in [("returned_unacknowledged", true), ("unacknowledged", false)] {
        for event in alarm_events(events, "low-flow", to) {
            let said = event["text"].as_str().is_some_and(|text| text.ends_with(FOUND_SO));
            assert_eq!((event["reason"] == REASON, said), (found_so, found_so), "{event}");
        }
    }
    let occurrences: BTreeSet<u64> = alarm_events(events, "low-flow", "unacknowledged")
        .iter()
        .map(|event| event["occurrence"].as_u64().expect("an occurrence is a number"))
        .collect();
    assert_eq!(occurrences.len(), flows, "each life has its own number");
    let boots: BTreeSet<u64> = events.iter().filter_map(|event| event["boot"].as_u64()).collect();
    assert_eq!(boots.len(), 5, "{boots:?}");
    let announced = bay.subscriber.all().into_iter().filter(|message| {
        message.below() == "announce/high" && message.payload.as_str().is_some_and(|text| text.contains("Supply water"))
    });
    assert_eq!(announced.count(), 1, "the standing alarm was announced once");
    // Its retained record says so too.
    let late = Subscriber::named(bay.broker.port(), "late-subscriber");
    let record = late.topic("alarm/supply-water-warm", 0, SOON, |payload| payload.is_object()).payload;
    assert_eq!(record["active"], true);
    assert!(agent.terminate().0.success());
    bay.subscriber.all_fit_their_schemas();
}

#[test]
fn what_came_while_it_was_off_is_told_as_such_and_what_comes_after_is_not() {
    let mut bay = Bay::new("off");
    let agent = Agent::run(&bay.config);
    bay.subscriber.topic("event", 0, SOON, |event| event["change"] == "started");
    agent.kill();
    bay.controller.set(1, "holding", 1, &[150]);
    let agent = Agent::run(&bay.config);
    let (came, _) = agent.alarm("low-flow", "unacknowledged", 0, SOON);
    assert_eq!(came["reason"], REASON, "{came}");
    assert!(came["text"].as_str().is_some_and(|text| text.ends_with(FOUND_SO)), "{came}");
    bay.controller.set(1, "holding", 0, &[215]);
    let (later, _) = agent.alarm("supply-water-warm", "unacknowledged", 0, SOON);
    assert_eq!(later["reason"], Value::Null, "{later}");
}

#[test]
fn what_was_printed_is_kept() {
    let mut bay = Bay::new("printed");
    let mut printed = Vec::new();
    for round in 0..6 {
        let agent = Agent::run(&bay.config);
        let wanted = if round % 2 == 0 { "unacknowledged" } else { "returned_unacknowledged" };
        bay.controller.set(1, "holding", 1, &[if round % 2 == 0 { 150 } else { 615 }]);
        // Killed the moment the event is printed: by then it must be on disk under its number.
        agent.alarm("low-flow", wanted, 0, SOON);
        printed.extend(agent.said().into_iter().map(|(said, _)| said).filter(|said| said["seq"].is_u64()));
        agent.kill();
    }
    let agent = Agent::run(&bay.config);
    let presence = agent.wait("start", 0, SOON, |said| (said["kind"] == "agent").then(|| said.clone())).0;
    let last = presence["seq"].as_u64().expect("a number");
    bay.subscriber.topic("event", 0, SOON, |event| event["seq"] == last);
    assert!(agent.terminate().0.success());
    let logs = without_repeats(&bay.subscriber.events());
    let events = logs.values().next().expect("one log");
    for event in &printed {
        assert!(events.contains(event), "printed but never published: {event}");
    }
}

#[test]
fn a_deleted_store_is_a_new_log() {
    let mut bay = Bay::new("deleted");
    let agent = Agent::run(&bay.config);
    let first = bay.subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online").payload;
    bay.controller.set(1, "holding", 1, &[150]);
    bay.subscriber.alarm("low-flow", "unacknowledged", 0, SOON);
    assert!(agent.terminate().0.success());
    bay.subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "offline");

    std::fs::remove_dir_all(bay.home.join("data")).expect("the store was there");
    let mark = bay.subscriber.mark();
    let agent = Agent::run(&bay.config);
    let second = bay.subscriber.topic("presence", mark, SOON, |payload| payload["state"] == "online").payload;
    assert_ne!(first["log"], second["log"]);
    bay.subscriber.alarm("low-flow", "unacknowledged", mark, SOON);
    assert!(agent.terminate().0.success());
    let logs = without_repeats(&bay.subscriber.events());
    assert_eq!(logs.len(), 2);
    for log in [&first, &second] {
        let log = log["log"].as_str().expect("presence names the log");
        assert_eq!(logs[log].first().and_then(|event| event["seq"].as_u64()), Some(1), "a log starts at 1");
    }
    bay.subscriber.all_fit_their_schemas();
}

#[test]
fn the_store_is_kept_between_two_runs() {
    let mut bay = Bay::new("kept");
    let agent = Agent::run(&bay.config);
    let first = bay.subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online").payload;
    bay.controller.set(1, "holding", 1, &[150]);
    bay.subscriber.alarm("low-flow", "unacknowledged", 0, SOON);
    assert!(agent.terminate().0.success());
    bay.subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "offline");
    let mark = bay.subscriber.mark();
    let agent = Agent::run(&bay.config);
    let second = bay.subscriber.topic("presence", mark, SOON, |payload| payload["state"] == "online").payload;
    assert_eq!(first["log"], second["log"]);
    assert_eq!(second["boot"].as_u64(), first["boot"].as_u64().map(|boot| boot + 1));
    assert_eq!(first["catalogue"], second["catalogue"], "the same points keep their numbers");
    let printed = agent.mark();
    bay.controller.set(1, "holding", 1, &[615]);
    agent.alarm("low-flow", "returned_unacknowledged", printed, SOON);
    assert!(agent.terminate().0.success());
    let logs = without_repeats(&bay.subscriber.events());
    let events = logs.values().next().expect("one log");
    assert_eq!(alarm_events(events, "low-flow", "unacknowledged").len(), 1);
}

#[test]
fn presence_says_offline_after_a_kill() {
    let bay = Bay::new("will");
    let agent = Agent::run(&bay.config);
    bay.subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online");
    let mark = bay.subscriber.mark();
    agent.kill();
    let will = bay.subscriber.topic("presence", mark, SOON, |payload| payload["state"] == "offline").payload;
    assert_eq!(will["mode"], "test");
    let late = Subscriber::named(bay.broker.port(), "late-subscriber");
    assert!(late.topic("presence", 0, SOON, |payload| payload["state"] == "offline").retain);
}

#[test]
fn a_removed_alarm_and_point_clear_their_topics() {
    let bay = Bay::new("removed");
    let agent = Agent::run(&bay.config);
    bay.subscriber.topic("alarm/pump-stopped", 0, SOON, |payload| payload.is_object());
    bay.subscriber.topic("point/pump/1/state", 0, SOON, |payload| payload.is_object());
    assert!(agent.terminate().0.success());

    let text = std::fs::read_to_string(&bay.config).expect("the configuration is there");
    let (before, after) = text.split_once("[[alarm]]\nid = \"pump-stopped\"").expect("the alarm is there");
    let after = after.split_once("[[alarm]]").map_or(String::new(), |(_, rest)| format!("[[alarm]]{rest}"));
    bay.home.write("module.toml", &format!("{before}{after}"));
    let map = std::fs::read_to_string(bay.home.join("maps/controller.toml")).expect("the map is there");
    let (before, after) = map.split_once("[[point]]\npath = \"pump/1/state\"").expect("the point is there");
    let after = after.split_once("[[point]]").map_or(String::new(), |(_, rest)| format!("[[point]]{rest}"));
    bay.home.write("maps/controller.toml", &format!("{before}{after}"));

    let mark = bay.subscriber.mark();
    let agent = Agent::run(&bay.config);
    bay.subscriber.topic("alarm/pump-stopped", mark, SOON, Value::is_null);
    bay.subscriber.topic("point/pump/1/state", mark, SOON, Value::is_null);
    bay.subscriber.topic("presence", mark, SOON, |payload| payload["state"] == "online");
    assert!(agent.terminate().0.success());
    bay.subscriber.all_fit_their_schemas();
}

/// The agent is off while a device is exchanged for one with another serial number: nobody but its own memory can tell.
#[test]
fn a_device_exchanged_while_the_agent_was_off_is_named_until_it_is_confirmed() {
    let mut bay = Bay::new("exchanged");
    let text = std::fs::read_to_string(&bay.config).expect("written above");
    let known = text.replacen("unit = 1\n", "unit = 1\nidentity = [\"holding:60-61\"]\n", 1);
    assert_ne!(known, text, "the device has its key");
    std::fs::write(&bay.config, &known).expect("writable");
    bay.controller.set(1, "holding", 60, &[1, 9]);
    // It is known first and read then: an alarm on a reading shows that its identity was taken.
    let agent = Agent::run(&bay.config);
    bay.controller.set(1, "holding", 1, &[150]);
    agent.alarm("low-flow", "unacknowledged", 0, SOON);
    assert!(agent.terminate().0.success());
    bay.controller.set(1, "holding", 60, &[1, 10]);
    // Started once more it is no less another one.
    for _ in 0..2 {
        let agent = Agent::run(&bay.config);
        let named = |said: &Value| {
            let text = said["text"].as_str().filter(|_| said["kind"] == "device")?;
            (text.contains("replaced or re-configured") && text.contains("65546, no longer 65545")).then_some(())
        };
        agent.wait("the device is named", 0, SOON, named);
        assert!(agent.terminate().0.success());
    }
    let confirmed = known.replacen("identity =", "confirmed = \"2026-03-14 AB, replaced\"\nidentity =", 1);
    std::fs::write(&bay.config, confirmed).expect("writable");
    let agent = Agent::run(&bay.config);
    agent.alarm("fault/device/controller/identity", "returned_unacknowledged", 0, SOON);
    assert!(agent.terminate().0.success());
    let raises = alarm_events(&bay.subscriber.events(), "fault/device/controller/identity", "unacknowledged").len();
    assert_eq!(raises, 1, "one occurrence from the exchange to its confirmation");
}

/// Energy that was summed before a restart counts afterwards; of a point that is computed in another way it does not.
#[test]
fn summed_energy_is_kept_over_a_restart() {
    let mut bay = Bay::new("energy");
    let map = std::fs::read_to_string(bay.home.join("maps/controller.toml")).expect("the map is there");
    let power = |path: &str, register: u16| {
        format!(
            "\n[[point]]\npath = \"{path}\"\nquantity = \"power\"\nunit = \"kW\"\nregister = \"holding:{register}\"\n\
             as = \"u16\"\nscale = 0.1\nscan_period = \"1s\"\n"
        )
    };
    bay.home.write("maps/controller.toml", &format!("{map}{}{}", power("it/power", 50), power("rest/power", 51)));
    let text = std::fs::read_to_string(&bay.config).expect("the configuration is there");
    let derived = |gap: u32| {
        format!(
            "{text}\n[[derived]]\npath = \"efficiency/partial-pue\"\ncompute = \"ppue_period\"\n\
             from = {{ it_kw = [\"it/power\"], other_kw = [\"rest/power\"] }}\n\
             with = {{ it_metered_at = \"ups_output\", longest_gap_s = {gap} }}\nresolution = 0.001\n"
        )
    };
    let first_good = |subscriber: &Subscriber, mark: usize| {
        let good = |payload: &Value| payload["value"].is_number() && payload["quality"] == 0;
        let said = subscriber.topic("point/efficiency/partial-pue", mark, SOON, good).payload;
        said["value"].as_f64().expect("a number")
    };
    bay.controller.set(1, "holding", 50, &[1000, 1000]);
    bay.home.write("module.toml", &derived(30));
    let agent = Agent::run(&bay.config);
    assert_eq!(first_good(&bay.subscriber, 0), 2.0);
    for _ in 0..5 {
        let mark = bay.subscriber.mark();
        bay.subscriber.topic("frame", mark, SOON, |_| true);
    }
    assert!(agent.terminate().0.success());
    bay.controller.set(1, "holding", 51, &[0]);
    let mark = bay.subscriber.mark();
    let agent = Agent::run(&bay.config);
    let again = first_good(&bay.subscriber, mark);
    assert!(again > 1.5, "what was summed before counts: {again}");
    agent.kill();
    bay.home.write("module.toml", &derived(20));
    let mark = bay.subscriber.mark();
    let agent = Agent::run(&bay.config);
    assert_eq!(first_good(&bay.subscriber, mark), 1.0, "computed in another way it begins anew");
    assert!(agent.terminate().0.success());
}

#[test]
fn history_of_a_newer_format_is_left_alone_and_people_are_told() {
    let mut bay = Bay::new("newer");
    let agent = Agent::run(&bay.config);
    bay.subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online");
    assert!(agent.terminate().0.success());
    // `user_version` is a 4-byte big-endian number at offset 60 of the file (SQLite database file format, §1.3).
    let raw = bay.home.join("data/history/raw-000001.sqlite");
    let mut bytes = std::fs::read(&raw).expect("a day of history");
    bytes[60..64].copy_from_slice(&77_u32.to_be_bytes());
    std::fs::write(&raw, &bytes).expect("written");
    let mark = bay.subscriber.mark();
    let agent = Agent::run(&bay.config);
    let told = bay
        .subscriber
        .topic("event", mark, SOON, |event| event["kind"] == "store" && event["change"] == "no history")
        .payload;
    let reason = told["reason"].as_str().expect("it says why");
    assert!(reason.contains("raw-000001.sqlite has format version 77"), "{told}");
    bay.controller.set(1, "holding", 1, &[150]);
    bay.subscriber.alarm("low-flow", "unacknowledged", mark, SOON);
    assert!(agent.terminate().0.success());
    assert_eq!(std::fs::read(&raw).expect("still there"), bytes, "nothing of it was changed");
    bay.subscriber.all_fit_their_schemas();
}
