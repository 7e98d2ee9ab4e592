//! What networks and brokers do to the connection: stalls, half-open connections, refusals, cuts in the middle of a packet,
//! a slow reader, a broker that comes back empty. Nothing is lost, memory stays bounded.

use std::time::Duration;

use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::hostile::{Hostile, Way};
use lapwing_tests::modbus::ModbusPeer;
use lapwing_tests::place::TempDir;
use lapwing_tests::readings::without_repeats;
use lapwing_tests::subscriber::Subscriber;
use lapwing_tests::testbay::{calm_controller, one_controller};
use serde_json::Value;

const SOON: Duration = Duration::from_secs(60);

struct Bay {
    _home: TempDir,
    broker: Broker,
    controller: ModbusPeer,
    hostile: Hostile,
    subscriber: Subscriber,
    agent: Agent,
}

impl Bay {
    fn new(name: &str) -> Self {
        let home = TempDir::new(name);
        let broker = Broker::start();
        let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
        calm_controller(&mut controller);
        let hostile = Hostile::before(&broker.address());
        let config = one_controller(&home, &controller.address(), hostile.address());
        let subscriber = Subscriber::start(broker.port());
        let agent = Agent::run(&config);
        subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online");
        Self { _home: home, broker, controller, hostile, subscriber, agent }
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
        let printed: Vec<Value> = self.agent.said().into_iter().map(|(said, _)| said).collect();
        let events: Vec<&Value> =
            printed.iter().filter(|said| said["seq"].is_u64() && said["kind"].is_string()).collect();
        let last = events.last().expect("the agent printed events");
        self.subscriber.topic("event", 0, SOON, |event| event["log"] == last["log"] && event["seq"] == last["seq"]);
        let logs = without_repeats(&self.subscriber.events());
        for event in events {
            let log = event["log"].as_str().expect("a log");
            assert!(logs[log].contains(event), "never arrived: {event}");
        }
        for arrived in logs.values() {
            assert_eq!(arrived[0]["seq"], 1);
        }
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
