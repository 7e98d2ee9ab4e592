//! The network between agent and broker fails without telling either end: half open, cut in both directions, and a broker
//! that starts again meanwhile. Nothing is lost, and the agent finds out by itself.
//!
//! Broker and subscriber live in a network namespace at the end of a cable of the kernel's. Needs root; without it nothing
//! is tried, and the test says so.

use std::time::{Duration, Instant};

use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::modbus::ModbusPeer;
use lapwing_tests::network::Network;
use lapwing_tests::place::TempDir;
use lapwing_tests::readings::everything_arrives;
use lapwing_tests::subscriber::Subscriber;
use lapwing_tests::testbay::{calm_controller, one_controller};

const SOON: Duration = Duration::from_secs(60);
/// A broker that confirms nothing is given up after 20 s, or after one and a half keep-alives of 5 s here.
const FOUND_OUT: Duration = Duration::from_secs(30);

struct Bay {
    _home: TempDir,
    network: Network,
    broker: Broker,
    controller: ModbusPeer,
    subscriber: Subscriber,
    agent: Agent,
}

impl Bay {
    fn beyond(network: Network, name: &str) -> Self {
        let home = TempDir::new(name);
        let broker = Broker::behind(&network);
        let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
        calm_controller(&mut controller);
        let address = format!("{}:{}", network.address(), broker.port());
        let config = one_controller(&home, &controller.address(), &address);
        let subscriber = Subscriber::behind(&network, broker.port());
        let agent = Agent::run(&config);
        subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online");
        Self { _home: home, network, broker, controller, subscriber, agent }
    }

    /// Raises and clears the flow alarm, waiting for the agent to have said both.
    fn trip(&mut self) {
        let mark = self.agent.mark();
        self.controller.set(1, "holding", 1, &[150]);
        self.agent.alarm("low-flow", "unacknowledged", mark, SOON);
        self.controller.set(1, "holding", 1, &[615]);
        self.agent.alarm("low-flow", "returned_unacknowledged", mark, SOON);
    }

    /// Waits until the agent has said that it has lost the broker; how long after the fault.
    fn found_out(&self, mark: usize, begun: Instant) -> Duration {
        let ((), at) = self.agent.wait("lost broker", mark, FOUND_OUT, |said| {
            (said["kind"] == "agent" && said["change"].as_str().is_some_and(|change| change.contains("broker")))
                .then_some(())
        });
        at.saturating_duration_since(begun)
    }

    /// Everything the agent has printed so far arrives, whole and in order.
    fn all_arrives(&self) {
        everything_arrives(&self.agent, &self.subscriber, SOON);
    }
}

#[test]
fn half_open_and_cut_connections_lose_nothing() {
    let Some(network) = Network::lay() else { return };
    let mut bay = Bay::beyond(network, "partition");
    bay.trip();
    bay.all_arrives();

    // What is sent arrives, no confirmation comes back.
    let (mark, begun) = (bay.agent.mark(), Instant::now());
    bay.network.deafen();
    bay.trip();
    println!("half open: found out after {:?}", bay.found_out(mark, begun));
    bay.trip();
    bay.network.mend();
    bay.all_arrives();

    // Nothing passes at all.
    let (mark, begun) = (bay.agent.mark(), Instant::now());
    bay.network.cut();
    bay.trip();
    println!("cut: found out after {:?}", bay.found_out(mark, begun));
    bay.trip();
    bay.network.mend();
    bay.all_arrives();

    // The broker is started again while the agent's connection hangs: to the new one it means nothing.
    bay.network.cut();
    bay.broker.end();
    bay.broker.go();
    bay.trip();
    bay.network.mend();
    bay.all_arrives();
    bay.trip();
    bay.all_arrives();
    assert!(bay.agent.terminate().0.success());
    bay.subscriber.all_fit_their_schemas();
}
