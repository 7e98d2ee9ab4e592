//! The peers themselves, without the agent: they start on free ports, obey and answer. What fails here is the machine's
//! or the tests' own fault, not the agent's.

use lapwing_tests::broker::Broker;
use lapwing_tests::testbay::Field;

#[test]
fn peers_start_and_obey() {
    let mut field = Field::start();
    field.controller.set(1, "coil", 3, &[1]);
    field.controller.manner(1, "silent");
    field.fan.set(5, "discrete", 0, &[1]);
    field.ups.set("4.1.0", 5);
    let mut broker = Broker::start();
    broker.kill();
    broker.go();
}
