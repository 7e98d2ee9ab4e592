//! The broker goes away in the middle, and is not there at the start: no event is lost, none gets two numbers, and
//! frames that were lost come later, equal to what they were.
//!
//! The outage lasts 3 s, or `LAPWING_TEST_OUTAGE_S` seconds (`tests/run outage`).

use std::time::{Duration, Instant};

use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::frames::{all_complete, frames};
use lapwing_tests::modbus::ModbusPeer;
use lapwing_tests::place::{TempDir, lapwing};
use lapwing_tests::readings::without_repeats;
use lapwing_tests::subscriber::Subscriber;
use lapwing_tests::testbay::{calm_controller, one_controller};

const SOON: Duration = Duration::from_secs(30);

fn outage() -> Duration {
    let seconds = std::env::var("LAPWING_TEST_OUTAGE_S").ok().and_then(|text| text.parse().ok());
    Duration::from_secs(seconds.unwrap_or(3))
}

/// Raises and clears the flow alarm once, waiting for the agent to have seen both.
fn trip(controller: &mut ModbusPeer, agent: &Agent) {
    let mark = agent.mark();
    controller.set(1, "holding", 1, &[150]);
    agent.alarm("low-flow", "unacknowledged", mark, SOON);
    controller.set(1, "holding", 1, &[615]);
    agent.alarm("low-flow", "returned_unacknowledged", mark, SOON);
}

#[test]
fn a_broker_that_is_killed_and_restarted_loses_no_event() {
    let home = TempDir::new("outage");
    let mut broker = Broker::start();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let config = one_controller(&home, &controller.address(), &broker.address());
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);
    let presence = subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online").payload;

    trip(&mut controller, &agent);
    let mark = 0;
    subscriber.alarm("low-flow", "returned_unacknowledged", mark, SOON);
    // The broker saves sessions every second; what it acknowledged before that is on its disk.
    std::thread::sleep(Duration::from_millis(2500));

    let mark = subscriber.mark();
    broker.kill();
    subscriber.loses_the_broker(mark);
    let gone = Instant::now();
    let mut trips = 0;
    while gone.elapsed() < outage() || trips < 2 {
        trip(&mut controller, &agent);
        trips += 1;
    }
    broker.go();

    // A last trip after the return; everything before it must have arrived by then.
    trip(&mut controller, &agent);
    // Printed events are those published: the same numbers, the same content. Taken once: more may follow.
    let printed: Vec<_> = agent
        .said()
        .into_iter()
        .map(|(said, _)| said)
        .filter(|said| said["seq"].is_u64() && said["kind"].is_string())
        .collect();
    let last = printed.iter().filter_map(|said| said["seq"].as_u64()).max().expect("the agent printed numbered events");
    subscriber.topic("event", 0, SOON, |event| event["seq"] == last);
    let logs = without_repeats(&subscriber.events());
    let log = presence["log"].as_str().expect("presence names the log");
    let arrived = &logs[log];
    assert_eq!(logs.len(), 1);
    for event in &printed {
        assert!(arrived.contains(event), "never arrived: {event}");
    }
    let raised = arrived.iter().filter(|event| event["alarm"] == "low-flow" && event["to"] == "unacknowledged").count();
    assert!(raised >= trips + 2, "{raised} raises arrived of {}", trips + 2);

    // The retained topics are back too: the restarted broker keeps them or the agent published them again.
    let late = Subscriber::named(broker.port(), "late-subscriber");
    late.topic("presence", 0, SOON, |payload| payload["state"] == "online");
    late.topic("alarm/low-flow", 0, SOON, |payload| payload.is_object());
    late.topic("event/last", 0, SOON, |payload| payload["seq"].as_u64() >= Some(last));
    assert!(agent.terminate().0.success());
    subscriber.all_fit_their_schemas();
}

#[test]
fn a_broker_that_is_down_at_the_start_gets_everything_later() {
    let home = TempDir::new("late-broker");
    let mut broker = Broker::prepared();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let config = one_controller(&home, &controller.address(), &broker.address());
    let agent = Agent::run(&config);
    trip(&mut controller, &agent);
    trip(&mut controller, &agent);

    broker.go();
    // The subscriber may come after the agent: the broker has no session for it yet. What it must see is what is sent
    // from now on, and the number of the last event, which tells it what it missed.
    let subscriber = Subscriber::start(broker.port());
    let last = subscriber.topic("event/last", 0, SOON, |payload| payload["seq"].as_u64() > Some(3)).payload;
    trip(&mut controller, &agent);
    subscriber.alarm("low-flow", "returned_unacknowledged", 0, SOON);
    let logs = without_repeats(&subscriber.events());
    let log = last["log"].as_str().expect("event/last names the log");
    assert!(logs.contains_key(log), "{log} is none of {:?}", logs.keys());
    subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online" && payload["log"] == log);
    assert!(agent.terminate().0.success());
    subscriber.all_fit_their_schemas();
}

#[test]
fn frames_lost_in_an_outage_and_at_a_crash_are_sent_again() {
    let home = TempDir::new("late-frames");
    let mut broker = Broker::start();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let config = one_controller(&home, &controller.address(), &broker.address());
    let quick = |config: &std::path::Path| {
        let mut command = std::process::Command::new(lapwing());
        command.arg("run").arg("--config").arg(config).arg("--json").env("LAPWING__MQTT__FRAME_PERIOD", "100ms");
        Agent::start(&mut command)
    };
    let subscriber = Subscriber::start(broker.port());
    let agent = quick(&config);
    subscriber.topic("frame", 0, SOON, |frame| frame["seq"].as_u64() >= Some(5));
    std::thread::sleep(Duration::from_millis(2500)); // what the broker has acknowledged is on its disk

    let mark = subscriber.mark();
    broker.kill();
    subscriber.loses_the_broker(mark);
    for flow in 0..40 {
        controller.set(1, "holding", 1, &[600 + flow]);
        std::thread::sleep(Duration::from_millis(100));
    }
    let mark = subscriber.mark();
    broker.go();
    subscriber.topic("frame", mark, SOON, |frame| frame["late"] == true);
    all_complete(&subscriber, SOON);

    // The agent is killed while the broker is away: the next start sends what the last one could not.
    broker.kill();
    let raised = agent.mark();
    std::thread::sleep(Duration::from_secs(4));
    controller.set(1, "holding", 1, &[150]);
    agent.alarm("low-flow", "unacknowledged", raised, SOON); // and what led to it is durable
    std::thread::sleep(Duration::from_millis(500));
    agent.kill();
    let mark = subscriber.mark();
    broker.go();
    let agent = quick(&config);
    let first_boot = *frames(&subscriber).keys().next().expect("frames came");
    subscriber.topic("frame", mark, SOON, |frame| frame["late"] == true && frame["boot"].as_u64() == Some(first_boot));
    all_complete(&subscriber, SOON);
    assert!(agent.terminate().0.success());
    subscriber.all_fit_their_schemas();
}
