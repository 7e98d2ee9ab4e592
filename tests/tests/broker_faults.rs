//! What networks and brokers do to the connection: stalls, half-open connections, refusals, cuts in the middle of a packet,
//! a slow reader, a packet over the broker's limit, a broker that comes back empty. Nothing is lost, memory stays bounded,
//! live events are not behind late frames.

use std::process::Command;
use std::time::Duration;

use lapwing::store::Store;
use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::frames::all_complete;
use lapwing_tests::hostile::{Hostile, Way};
use lapwing_tests::modbus::ModbusPeer;
use lapwing_tests::place::{TempDir, lapwing};
use lapwing_tests::readings::everything_arrives;
use lapwing_tests::subscriber::Subscriber;
use lapwing_tests::testbay::{calm_controller, one_controller};
use serde_json::Value;

const SOON: Duration = Duration::from_secs(60);

struct Bay {
    home: TempDir,
    broker: Broker,
    controller: ModbusPeer,
    hostile: Hostile,
    subscriber: Subscriber,
    agent: Agent,
}

impl Bay {
    fn new(name: &str) -> Self {
        Self::with(name, Broker::start(), "1s")
    }

    fn with(name: &str, broker: Broker, frame_period: &str) -> Self {
        let home = TempDir::new(name);
        let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
        calm_controller(&mut controller);
        let hostile = Hostile::before(&broker.address());
        let config = one_controller(&home, &controller.address(), hostile.address());
        let subscriber = Subscriber::start(broker.port());
        let mut command = Command::new(lapwing());
        command.arg("run").arg("--config").arg(&config).arg("--json").env("LAPWING__MQTT__FRAME_PERIOD", frame_period);
        let agent = Agent::start(&mut command);
        subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online");
        Self { home, broker, controller, hostile, subscriber, agent }
    }

    /// Raises and clears the flow alarm, waiting for the agent to have said both.
    fn trip(&mut self) {
        let mark = self.agent.mark();
        self.controller.set(1, "holding", 1, &[150]);
        self.agent.alarm("low-flow", "unacknowledged", mark, SOON);
        self.controller.set(1, "holding", 1, &[615]);
        self.agent.alarm("low-flow", "returned_unacknowledged", mark, SOON);
    }

    /// Everything the agent has printed so far arrives, whole and in order.
    fn all_arrives(&self) {
        everything_arrives(&self.agent, &self.subscriber, SOON);
    }
}

#[test]
fn stalls_half_open_connections_refusals_and_cuts_lose_nothing() {
    let mut bay = Bay::new("hostile");
    bay.trip();
    let ways = [
        Way::Delay(Duration::from_millis(300)),
        Way::Stall,
        Way::Deaf,
        Way::Refuse,
        Way::CutAfter(3000),
        Way::CutAfter(700),
        Way::Trickle,
    ];
    for way in ways {
        bay.hostile.set(way);
        bay.trip();
        bay.trip();
        if matches!(way, Way::CutAfter(_)) {
            // Several cuts, each in another place of the stream.
            std::thread::sleep(Duration::from_secs(2));
        }
        bay.hostile.set(Way::Pass);
        bay.all_arrives();
    }
    bay.trip();
    bay.all_arrives();
    assert!(bay.agent.terminate().0.success());
    bay.subscriber.all_fit_their_schemas();
}

#[test]
fn a_broker_that_comes_back_empty_is_told_everything_that_is_retained() {
    let mut bay = Bay::new("empty");
    bay.trip();
    bay.all_arrives();
    bay.broker.end();
    bay.broker.forget();
    bay.trip();
    bay.broker.go();
    let late = Subscriber::named(bay.broker.port(), "after-the-loss");
    late.topic("presence", 0, SOON, |payload| payload["state"] == "online");
    late.topic("alarm/low-flow", 0, SOON, |payload| payload["active"] == false);
    bay.trip();
    late.alarm("low-flow", "returned_unacknowledged", 0, SOON);
    assert!(bay.agent.terminate().0.success());
    late.all_fit_their_schemas();
}

#[test]
fn an_outage_under_load_leaves_memory_where_it_was() {
    let mut bay = Bay::new("memory");
    for _ in 0..5 {
        bay.trip();
    }
    let before = bay.agent.usage().resident;
    bay.hostile.set(Way::Refuse);
    for _ in 0..15 {
        bay.trip();
    }
    let after = bay.agent.usage().resident;
    bay.hostile.set(Way::Pass);
    bay.all_arrives();
    println!("resident before the outage {} KiB, at its end {} KiB", before / 1024, after / 1024);
    // Frames, events and states that wait are bounded; a megabyte is what allocators keep.
    assert!(after < before + 4 * 1024 * 1024, "{before} bytes before, {after} after");
    assert!(bay.agent.terminate().0.success());
}

#[test]
fn a_reader_slower_than_the_traffic_gets_events_first_and_everything_in_the_end() {
    let mut bay = Bay::with("slow", Broker::start(), "100ms");
    bay.trip();
    bay.all_arrives();
    let before = bay.agent.usage().resident;
    // What is said takes two or three times this: the window fills, then frames are dropped.
    bay.hostile.set(Way::Slow(300));
    std::thread::sleep(Duration::from_secs(25));
    let mark = bay.subscriber.mark();
    bay.controller.set(1, "holding", 1, &[150]);
    bay.subscriber.alarm("low-flow", "unacknowledged", mark, SOON);
    let after = bay.agent.usage().resident;
    println!("resident before the slow reader {} KiB, then {} KiB", before / 1024, after / 1024);
    assert!(after < before + 4 * 1024 * 1024, "{before} bytes before, {after} after");
    let mark = bay.subscriber.mark();
    bay.hostile.set(Way::Pass);
    bay.all_arrives();
    // It was slower indeed: frames had to be sent again.
    bay.subscriber.topic("frame", mark, SOON, |frame| frame["late"] == true);
    all_complete(&bay.subscriber, SOON);
    assert!(bay.agent.terminate().0.success());
    bay.subscriber.all_fit_their_schemas();
}

#[test]
fn live_events_are_not_behind_late_frames_on_a_connection_that_is_cut_again_and_again() {
    let mut bay = Bay::with("late-cuts", Broker::start(), "100ms");
    bay.trip();
    bay.all_arrives();
    bay.hostile.set(Way::Refuse);
    // A hundred frames and more: at the agent's own pace that takes half a second, over this connection much longer.
    std::thread::sleep(Duration::from_secs(40));
    let mark = bay.subscriber.mark();
    bay.hostile.set(Way::CutAfter(20_000));
    bay.subscriber.topic("frame", mark, SOON, |frame| frame["late"] == true);
    let late = |from| bay.subscriber.since(from).iter().filter(|said| said.payload["late"] == true).count();
    let mut at_the_alarms = Vec::new();
    for _ in 0..4 {
        let at = bay.subscriber.mark();
        bay.controller.set(1, "holding", 1, &[150]);
        bay.subscriber.alarm("low-flow", "unacknowledged", at, SOON);
        bay.controller.set(1, "holding", 1, &[615]);
        bay.subscriber.alarm("low-flow", "returned_unacknowledged", at, SOON);
        at_the_alarms.push(late(mark));
    }
    bay.hostile.set(Way::Pass);
    all_complete(&bay.subscriber, SOON);
    println!("late frames that had come with each alarm: {at_the_alarms:?}, in the end {}", late(mark));
    assert!(at_the_alarms[0] < late(mark), "the late frames were over before the first alarm: nothing was shown");
    bay.all_arrives();
    assert!(bay.agent.terminate().0.success());
    bay.subscriber.all_fit_their_schemas();
}

#[test]
fn packets_over_the_brokers_limit_are_set_aside_and_told_and_the_rest_goes_on() {
    // This broker ends the connection on any larger packet. An alarm's event is larger, the agent's others are not.
    let mut bay = Bay::with("limit", Broker::start_with("max_packet_size 700\n"), "1s");
    bay.trip();
    let said = bay
        .subscriber
        .topic("event", 0, Duration::from_secs(150), |event| {
            event["change"] == "packet refused" && event["reason"].as_str().is_some_and(|why| why.starts_with("event "))
        })
        .payload;
    let reason = said["reason"].as_str().expect("asked for");
    let seq: u64 = reason["event ".len()..].split(':').next().and_then(|n| n.parse().ok()).expect("names its number");
    // What follows is not held up.
    let after = bay.subscriber.topic("event", 0, SOON, |event| event["seq"].as_u64() > Some(seq)).payload;
    assert_eq!(after["log"], said["log"]);
    assert!(bay.agent.terminate().0.success());
    assert!(bay.subscriber.events().iter().all(|event| event["seq"] != seq), "it never came");
    let (store, _) = Store::open(&bay.home.join("data"), 512).expect("the event log opens");
    let kept = store.events_after(seq - 1, 1).expect("the event log can be read");
    let event: Value = serde_json::from_slice(&kept[0].payload).expect("an event as it would be published");
    assert_eq!(event["seq"], seq, "the event log still has it");
    assert!(kept[0].payload.len() > 600);
    bay.subscriber.all_fit_their_schemas();
}
