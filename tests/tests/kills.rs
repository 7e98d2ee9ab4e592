//! kill -9 of the agent at random moments, during alarms and restarts of the broker: a subscriber with a session of its
//! own ends with every number of every log, in order, and the event log agrees.
//!
//! 20 kills, or `LAPWING_TEST_KILLS` (`tests/run kills`: 1000). The broker is ended as its service manager would end it:
//! mosquitto saves its sessions then; what it loses when it is killed itself is not the agent's.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use lapwing::store::Store;
use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::modbus::ModbusPeer;
use lapwing_tests::place::TempDir;
use lapwing_tests::readings::without_repeats;
use lapwing_tests::subscriber::Subscriber;
use lapwing_tests::testbay::{calm_controller, one_controller};

const SOON: Duration = Duration::from_secs(60);

/// The same moments in every run (Knuth's MMIX generator).
struct Chance(u64);

impl Chance {
    fn below(&mut self, n: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % n
    }
}

#[test]
fn killed_at_any_moment_no_number_is_missing_and_none_is_two_events() {
    let kills: u64 = std::env::var("LAPWING_TEST_KILLS").ok().and_then(|text| text.parse().ok()).unwrap_or(20);
    let begun = Instant::now();
    let home = TempDir::new("kills");
    let mut broker = Broker::start();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let config = one_controller(&home, &controller.address(), &broker.address());
    let subscriber = Subscriber::start(broker.port());
    let mut chance = Chance(kills);
    let mut printed: BTreeMap<(String, u64), serde_json::Value> = BTreeMap::new();
    for round in 0..kills {
        let agent = Agent::run(&config);
        let until = Instant::now() + Duration::from_millis(chance.below(1500));
        while Instant::now() < until {
            let (flow, supply) =
                (if chance.below(2) == 0 { 150 } else { 615 }, if chance.below(2) == 0 { 215 } else { 182 });
            controller.set(1, "holding", 0, &[supply, flow]);
            std::thread::sleep(Duration::from_millis(chance.below(150)));
        }
        // What it printed was on disk: it must be there to the end.
        let said = agent.said();
        agent.kill();
        for (event, _) in said.into_iter().filter(|(said, _)| said["seq"].is_u64() && said["kind"].is_string()) {
            let key = (event["log"].as_str().expect("a log").to_owned(), event["seq"].as_u64().expect("a number"));
            if let Some(known) = printed.insert(key, event.clone()) {
                assert_eq!(known, event, "one number for two events");
            }
        }
        if round % 7 == 6 {
            broker.end();
            std::thread::sleep(Duration::from_millis(chance.below(800)));
            broker.go();
        }
        if round % 100 == 99 {
            println!("{} of {kills} kills, {} events so far", round + 1, printed.len());
        }
    }
    let agent = Agent::run(&config);
    let mark = subscriber.mark();
    calm_controller(&mut controller);
    // Seen calm before it is raised for the last time.
    subscriber.topic("point/coil/water/flow", mark, SOON, |point| point["value"] == 61.5);
    let mark = agent.mark();
    controller.set(1, "holding", 1, &[150]);
    let (last, _) = agent.alarm("low-flow", "unacknowledged", mark, SOON);
    subscriber.topic("event", 0, SOON, |event| event["log"] == last["log"] && event["seq"] == last["seq"]);
    assert!(agent.terminate().0.success());

    let logs = without_repeats(&subscriber.events());
    let log = last["log"].as_str().expect("an event names its log");
    assert_eq!(logs.keys().collect::<Vec<_>>(), [log], "kills made no new log");
    let arrived = &logs[log];
    assert_eq!(arrived[0]["seq"], 1, "nothing is missing at the beginning");
    for ((log, seq), event) in &printed {
        assert!(arrived.contains(event), "event {seq} of {log} was on disk and never arrived");
    }
    let (store, opened) = Store::open(&home.join("data"), 512).expect("the event log opens");
    assert_eq!(opened.log, log);
    let kept = store.events_after(0, u32::MAX).expect("the event log can be read");
    for event in arrived {
        let seq = event["seq"].as_u64().expect("checked before");
        let row =
            kept.iter().find(|row| row.seq == seq).unwrap_or_else(|| panic!("event {seq} is not in the event log"));
        let logged: serde_json::Value = serde_json::from_slice(&row.payload).expect("an event as it was published");
        assert_eq!(&logged, event, "the event log has another event {seq}");
    }
    subscriber.all_fit_their_schemas();
    println!(
        "{kills} kills in {:.0} s: {} events on the wire and in the log, none missing, none twice under two numbers",
        begun.elapsed().as_secs_f64(),
        arrived.len()
    );
}
