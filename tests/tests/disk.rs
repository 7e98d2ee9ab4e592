//! The disk fails under the running agent: alarms go on being judged and sent within their time, and when it is back the
//! event log has everything.
//!
//! Real file systems: one in memory that is full, ext4 that is frozen (a sync that does not end), ext4 that has given up
//! after an error and is mounted anew. Needs root for the mounts; without it nothing is tried, and the test says so. And
//! people: files deleted, a directory renamed, another disk mounted over the data directory.

use std::path::Path;
use std::process::Command;
use std::time::Duration;

use lapwing::store::Store;
use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::modbus::ModbusPeer;
use lapwing_tests::mount::Mount;
use lapwing_tests::place::{TempDir, python, sources};
use lapwing_tests::process::Process;
use lapwing_tests::readings::without_repeats;
use lapwing_tests::subscriber::Subscriber;
use lapwing_tests::testbay::{calm_controller, one_controller_at};
use serde_json::Value;

const SOON: Duration = Duration::from_secs(30);
/// While the disk fails: the scan of a second, the second a commit may take, and the machine's own delays.
const IN_TIME: Duration = Duration::from_secs(8);

struct Bay {
    home: TempDir,
    broker: Broker,
    controller: ModbusPeer,
    subscriber: Subscriber,
    agent: Agent,
}

impl Bay {
    fn at(data: &Path, name: &str) -> Self {
        let home = TempDir::new(name);
        let broker = Broker::start();
        let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
        calm_controller(&mut controller);
        let config = one_controller_at(&home, &controller.address(), &broker.address(), data);
        let subscriber = Subscriber::start(broker.port());
        let agent = Agent::run(&config);
        subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online");
        let mut bay = Self { home, broker, controller, subscriber, agent };
        bay.trip(true);
        bay
    }

    /// Ends the agent and starts it anew; gives its first event.
    fn restart(self) -> (Self, Value) {
        let Self { home, broker, controller, subscriber, agent } = self;
        let mark = subscriber.mark();
        assert!(agent.terminate().0.success());
        let agent = Agent::run(&home.join("module.toml"));
        let started = subscriber
            .topic("event", mark, SOON, |event| event["kind"] == "agent" && event["change"] == "started")
            .payload;
        (Self { home, broker, controller, subscriber, agent }, started)
    }

    fn on(mount: &Mount, name: &str) -> Self {
        Self::at(&mount.path().join("data"), name)
    }

    /// Raises and clears the flow alarm; both must arrive in time. `durable` says how they are marked, if that is sure.
    fn trip(&mut self, durable: bool) -> (Value, Value) {
        let mark = self.subscriber.mark();
        self.controller.set(1, "holding", 1, &[150]);
        let raised = self.subscriber.alarm("low-flow", "unacknowledged", mark, IN_TIME).payload;
        self.controller.set(1, "holding", 1, &[615]);
        let cleared = self.subscriber.alarm("low-flow", "returned_unacknowledged", mark, IN_TIME).payload;
        for event in [&raised, &cleared] {
            assert_eq!(event["durable"] != false, durable, "{event}");
        }
        (raised, cleared)
    }

    fn store_event(&self, change: &str, mark: usize) -> Value {
        self.subscriber
            .topic("event", mark, SOON, |event| event["kind"] == "store" && event["change"] == change)
            .payload
    }

    /// Ends the agent and compares: every event that arrived is in the event log of its number, and none is missing.
    fn agrees_with(self, data: &Path) {
        assert!(self.agent.terminate().0.success());
        let logs = without_repeats(&self.subscriber.events());
        let (store, opened) = Store::open(data, 512).expect("the event log opens");
        for (log, arrived) in &logs {
            assert!(opened.logs.contains(log), "the store does not know the log {log}");
            assert_eq!(arrived[0]["seq"], 1);
            let kept = store.events_of(log).expect("the event log can be read");
            let kept: Vec<Value> =
                kept.iter().map(|row| serde_json::from_slice(&row.payload).expect("an event as published")).collect();
            for event in arrived {
                assert!(kept.contains(event), "not in the event log: {event}");
            }
            // What the agent said at its very end may have come too late for the subscriber, never the other way round.
            assert!(kept.len() <= arrived.len() + 1, "{} in the log, {} arrived", kept.len(), arrived.len());
        }
        self.subscriber.all_fit_their_schemas();
    }
}

#[test]
fn a_full_disk_delays_no_alarm_and_room_brings_the_log_back() {
    let Some(mount) = Mount::in_memory(6 * 1024) else { return };
    let mut bay = Bay::on(&mount, "full");
    let mark = bay.subscriber.mark();
    let filler = mount.fill();
    // A write-ahead log that was grown before takes a few events more: trip until the disk says no.
    let begun = std::time::Instant::now();
    let raised = loop {
        let at = bay.subscriber.mark();
        bay.controller.set(1, "holding", 1, &[150]);
        let raised = bay.subscriber.alarm("low-flow", "unacknowledged", at, IN_TIME).payload;
        bay.controller.set(1, "holding", 1, &[615]);
        bay.subscriber.alarm("low-flow", "returned_unacknowledged", at, IN_TIME);
        if raised["durable"] == false {
            break raised;
        }
        assert!(begun.elapsed() < Duration::from_secs(120), "the disk never filled");
    };
    let said = bay.store_event("volatile log", mark);
    assert_eq!(said["seq"], 1);
    assert_eq!(said["log"], raised["log"]);
    assert!(said["log_before"].is_string() && said["seq_before"].is_u64() && said["log_before"] != said["log"]);
    bay.trip(false);
    // Presence names the log that events are in now.
    bay.subscriber.topic("presence", mark, SOON, |payload| payload["log"] == said["log"]);
    let mark = bay.subscriber.mark();
    std::fs::remove_file(filler).expect("room again");
    let back = bay.store_event("working again", mark);
    assert_eq!(back["log"], said["log"], "the same log goes on");
    bay.trip(true);
    bay.agrees_with(&mount.path().join("data"));
}

#[test]
fn a_sync_that_takes_five_seconds_delays_no_alarm() {
    let Some(mut mount) = Mount::on_loop(64) else { return };
    let mut bay = Bay::on(&mount, "frozen");
    let mark = bay.subscriber.mark();
    mount.freeze();
    // The first of them waits for the second in which a commit may still come.
    let at = bay.subscriber.mark();
    let begun = std::time::Instant::now();
    bay.controller.set(1, "holding", 1, &[150]);
    bay.subscriber.alarm("low-flow", "unacknowledged", at, IN_TIME);
    bay.controller.set(1, "holding", 1, &[615]);
    bay.subscriber.alarm("low-flow", "returned_unacknowledged", at, IN_TIME);
    bay.store_event("volatile log", mark);
    bay.trip(false);
    std::thread::sleep(Duration::from_secs(5).saturating_sub(begun.elapsed()));
    let mark = bay.subscriber.mark();
    mount.thaw();
    bay.store_event("working again", mark);
    bay.trip(true);
    bay.agrees_with(&mount.path().join("data"));
}

#[test]
fn a_history_that_hangs_delays_no_alarm() {
    let home = TempDir::new("held");
    let broker = Broker::start();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let config = one_controller_at(&home, &controller.address(), &broker.address(), &home.join("data"));
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);
    subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online");
    let script = sources().join("peers/hold_thread.py");
    let seconds = IN_TIME.as_secs() + 4;
    let hold = Process::start(
        "hold_thread",
        Command::new(python()).arg(script).args([&agent.id().to_string(), "history", &seconds.to_string()]),
    );
    if hold.out.find(0, SOON, |line| (line.text == "held").then_some(())).is_none() {
        println!("not tried: a thread cannot be held here ({})", hold.err.tail());
        return;
    }
    let mark = subscriber.mark();
    controller.set(1, "holding", 1, &[150]);
    let raised = subscriber.alarm("low-flow", "unacknowledged", mark, IN_TIME).payload;
    assert!(
        hold.out.find(0, Duration::ZERO, |line| (line.text == "released").then_some(())).is_none(),
        "told too late"
    );
    assert_ne!(raised["durable"], false, "the event store has a writer of its own: {raised}");
    hold.out.wait("released", 0, SOON, |line| (line.text == "released").then_some(()));
    controller.set(1, "holding", 1, &[615]);
    subscriber.alarm("low-flow", "returned_unacknowledged", mark, IN_TIME);
    assert!(agent.terminate().0.success());
}

#[test]
fn a_disk_that_gives_up_and_is_mounted_anew_is_used_again() {
    let Some(mount) = Mount::on_loop(64) else { return };
    let mut bay = Bay::on(&mount, "error");
    let mark = bay.subscriber.mark();
    mount.give_up();
    let at = bay.subscriber.mark();
    bay.controller.set(1, "holding", 1, &[150]);
    bay.subscriber.alarm("low-flow", "unacknowledged", at, IN_TIME);
    bay.controller.set(1, "holding", 1, &[615]);
    bay.subscriber.alarm("low-flow", "returned_unacknowledged", at, IN_TIME);
    bay.store_event("volatile log", mark);
    bay.trip(false);
    let mark = bay.subscriber.mark();
    mount.mount_again();
    bay.store_event("working again", mark);
    bay.trip(true);
    bay.agrees_with(&mount.path().join("data"));
}

#[test]
fn what_was_only_in_memory_moves_to_the_disk_when_it_is_there() {
    let Some(mount) = Mount::in_memory(16 * 1024) else { return };
    let filler = mount.fill();
    let home = TempDir::new("disklater");
    let broker = Broker::start();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let config = one_controller_at(&home, &controller.address(), &broker.address(), &mount.path().join("data"));
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);
    let mut bay = Bay { home, broker, controller, subscriber, agent };
    let first = bay.store_event("in memory only", 0);
    bay.trip(false);
    let mark = bay.subscriber.mark();
    bay.controller.set(1, "holding", 1, &[150]);
    bay.subscriber.alarm("low-flow", "unacknowledged", mark, IN_TIME);
    let mark = bay.subscriber.mark();
    std::fs::remove_file(filler).expect("room again");
    let back = bay.store_event("disk is back", mark);
    assert_eq!(back["log"], first["log"]);
    // The same log goes on after the new start, durable now; the alarm that stands is not told again.
    let started = bay
        .subscriber
        .topic("event", mark, SOON, |event| event["kind"] == "agent" && event["durable"] != false)
        .payload;
    assert_eq!(started["log"], first["log"]);
    assert!(started["seq"].as_u64() > back["seq"].as_u64());
    let mark = bay.subscriber.mark();
    bay.controller.set(1, "holding", 1, &[615]);
    let cleared = bay.subscriber.alarm("low-flow", "returned_unacknowledged", mark, IN_TIME).payload;
    assert!(cleared["durable"] != false);
    bay.trip(true);
    let told = bay.subscriber.events();
    let raised = told.iter().filter(|event| event["alarm"] == "low-flow" && event["to"] == "unacknowledged").count();
    assert_eq!(raised, 3, "each was told once");
    // History is kept from then on.
    assert!(mount.path().join("data/history").exists());
    bay.agrees_with(&mount.path().join("data"));
}

#[test]
fn without_any_disk_it_starts_and_alarms_and_says_so() {
    let Some(mount) = Mount::in_memory(64) else { return };
    let _filler = mount.fill();
    let home = TempDir::new("nodisk");
    let broker = Broker::start();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let config = one_controller_at(&home, &controller.address(), &broker.address(), &mount.path().join("data"));
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);
    let said = subscriber
        .topic("event", 0, SOON, |event| event["kind"] == "store" && event["change"] == "in memory only")
        .payload;
    assert_eq!(said["durable"], false);
    controller.set(1, "holding", 1, &[150]);
    let raised = subscriber.alarm("low-flow", "unacknowledged", 0, IN_TIME).payload;
    assert_eq!(raised["durable"], false);
    assert!(agent.terminate().0.success());
    subscriber.all_fit_their_schemas();
}

/// What a person does to the data directory; then the store goes on in a new log, and nothing of the old one is missing.
fn goes_on_after(name: &str, home: &TempDir, harm: impl FnOnce(&Path)) {
    let data = home.join("data");
    let mut bay = Bay::at(&data, name);
    // An alarm that stands, and is not to be told again.
    let mark = bay.subscriber.mark();
    bay.controller.set(1, "holding", 0, &[215]);
    let stands = bay.subscriber.alarm("supply-water-warm", "unacknowledged", mark, IN_TIME).payload;
    let mark = bay.subscriber.mark();
    harm(&data);
    let said = bay.store_event("volatile log", mark);
    assert!(said["reason"].as_str().is_some_and(|why| why.contains("is not where the agent opened it")), "{said}");
    assert_eq!((&said["seq"], &said["log_before"]), (&1.into(), &stands["log"]));
    let back = bay.store_event("working again", mark);
    assert_eq!(back["log"], said["log"]);
    assert!(back["text"].as_str().is_some_and(|text| text.contains("it was written there again, whole")), "{back}");
    bay.trip(true);
    // Judged by what was saved in the store that was written again.
    let (mut bay, second) = bay.restart();
    assert!(second["log"] == said["log"] && second["durable"] != false, "{second}");
    let mark = bay.subscriber.mark();
    bay.controller.set(1, "holding", 0, &[182]);
    bay.subscriber.alarm("supply-water-warm", "returned_unacknowledged", mark, IN_TIME);
    let told = bay.subscriber.events();
    let raised =
        told.iter().filter(|event| event["alarm"] == "supply-water-warm" && event["to"] == "unacknowledged").count();
    assert_eq!(raised, 1, "told once, over the new log and the restart");
    bay.agrees_with(&data);
}

#[test]
fn a_store_deleted_under_the_running_agent_is_written_again() {
    let home = TempDir::new("deleted");
    goes_on_after("deleted-bay", &home, |data| {
        for file in std::fs::read_dir(data).expect("readable").flatten() {
            let name = file.file_name().to_string_lossy().into_owned();
            if name.starts_with("events.sqlite") {
                std::fs::remove_file(file.path()).expect("removed");
            }
        }
    });
}

#[test]
fn a_data_directory_renamed_under_the_running_agent_is_made_again() {
    let home = TempDir::new("renamed");
    let away = home.join("away");
    goes_on_after("renamed-bay", &home, |data| std::fs::rename(data, &away).expect("renamed"));
    // What was renamed was let alone.
    let (_, as_it_was) = Store::open(&away, 512).expect("it opens");
    assert!(as_it_was.last_seq > 0);
}

#[test]
fn another_disk_mounted_over_the_data_directory_takes_the_store() {
    let home = TempDir::new("mounted");
    let data = home.join("data");
    let Some(mount) = Mount::in_memory(64 * 1024) else { return };
    let mut over = None;
    goes_on_after("mounted-bay", &home, |data| over = Some(mount.over(data)));
    assert!(mount.path().join("events.sqlite").exists(), "it is on the other disk");
    drop(over);
    assert!(data.join("events.sqlite").exists(), "what the first disk had is still there");
}

#[test]
fn a_disk_that_takes_no_writes_from_the_start_keeps_it_from_nothing() {
    let Some(mount) = Mount::on_loop(64) else { return };
    let mut bay = Bay::on(&mount, "read-only");
    // An alarm stands when the agent ends.
    let mark = bay.subscriber.mark();
    bay.controller.set(1, "holding", 0, &[215]);
    bay.subscriber.alarm("supply-water-warm", "unacknowledged", mark, IN_TIME);
    let Bay { home, broker, controller, subscriber, agent } = bay;
    assert!(agent.terminate().0.success());
    mount.read_only(true);
    let mark = subscriber.mark();
    let agent = Agent::run(&home.join("module.toml"));
    let mut bay = Bay { home, broker, controller, subscriber, agent };
    let said = bay.store_event("in memory only", mark);
    assert!(said["text"].as_str().is_some_and(|text| text.contains("takes no writes (read-only)")), "{said}");
    bay.trip(false);
    let log = |event: &Value| event["log"] == said["log"];
    assert!(bay.subscriber.events().iter().filter(|event| log(event)).all(|event| event["durable"] == false));
    // What stood on the disk was read from it: it is not told again, and its end is.
    bay.controller.set(1, "holding", 0, &[182]);
    bay.subscriber.alarm("supply-water-warm", "returned_unacknowledged", mark, IN_TIME);
    let again = bay.subscriber.since(mark);
    let again =
        again.iter().filter(|message| message.below() == "event" && message.payload["alarm"] == "supply-water-warm");
    assert_eq!(again.filter(|message| message.payload["to"] == "unacknowledged").count(), 0);
    let mark = bay.subscriber.mark();
    mount.read_only(false);
    let back = bay.store_event("disk is back", mark);
    assert_eq!(back["log"], said["log"]);
    bay.subscriber.topic("event", mark, SOON, |event| event["change"] == "started" && event["durable"] != false);
    bay.trip(true);
    bay.agrees_with(&mount.path().join("data"));
}

#[test]
fn a_disk_that_has_failed_and_is_exchanged_for_an_empty_one_is_used_with_what_memory_holds() {
    let Some(mut mount) = Mount::on_loop(64) else { return };
    let mut bay = Bay::on(&mount, "exchanged");
    let mark = bay.subscriber.mark();
    bay.controller.set(1, "holding", 0, &[215]);
    bay.subscriber.alarm("supply-water-warm", "unacknowledged", mark, IN_TIME);
    let mark = bay.subscriber.mark();
    mount.give_up();
    bay.controller.set(1, "holding", 1, &[150]);
    bay.subscriber.alarm("low-flow", "unacknowledged", mark, IN_TIME);
    bay.controller.set(1, "holding", 1, &[615]);
    bay.subscriber.alarm("low-flow", "returned_unacknowledged", mark, IN_TIME);
    let said = bay.store_event("volatile log", mark);
    bay.trip(false);
    let mark = bay.subscriber.mark();
    mount.exchange();
    let moves = bay.store_event("another disk", mark);
    assert_eq!(moves["log"], said["log"]);
    let started = bay
        .subscriber
        .topic("event", mark, SOON, |event| event["change"] == "started" && event["durable"] != false)
        .payload;
    assert_eq!(started["log"], said["log"]);
    // What stood since before the disk failed is known, although it was saved on that disk only.
    let mark = bay.subscriber.mark();
    bay.controller.set(1, "holding", 0, &[182]);
    bay.subscriber.alarm("supply-water-warm", "returned_unacknowledged", mark, IN_TIME);
    bay.trip(true);
    let told = bay.subscriber.events();
    let raised =
        told.iter().filter(|event| event["alarm"] == "supply-water-warm" && event["to"] == "unacknowledged").count();
    assert_eq!(raised, 1, "told once");
    assert!(bay.agent.terminate().0.success());
    let logs = without_repeats(&bay.subscriber.events());
    let (store, _) = Store::open(&mount.path().join("data"), 512).expect("the event log opens");
    let log = said["log"].as_str().expect("a log");
    let kept = store.events_of(log).expect("the event log can be read");
    let kept: Vec<Value> =
        kept.iter().map(|row| serde_json::from_slice(&row.payload).expect("an event as published")).collect();
    for event in &logs[log] {
        assert!(kept.contains(event), "not in the event log: {event}");
    }
    bay.subscriber.all_fit_their_schemas();
}
