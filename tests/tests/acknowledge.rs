//! Who acknowledges, and how urgency changes a priority: the agent with a real device and a real broker.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::modbus::ModbusPeer;
use lapwing_tests::place::TempDir;
use lapwing_tests::subscriber::Subscriber;
use lapwing_tests::testbay::{calm_controller, one_controller};

const SOON: Duration = Duration::from_secs(60);

struct Bay {
    _home: TempDir,
    broker: Broker,
    controller: ModbusPeer,
    config: PathBuf,
}

impl Bay {
    /// The small module with a text of its configuration replaced.
    fn with(name: &str, old: &str, new: &str) -> Self {
        let home = TempDir::new(name);
        let broker = Broker::start();
        let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
        calm_controller(&mut controller);
        let config = one_controller(&home, &controller.address(), &broker.address());
        let text = std::fs::read_to_string(&config).expect("the configuration is there");
        assert!(text.contains(old), "{old} is not in the configuration");
        std::fs::write(&config, text.replacen(old, new, 1)).expect("written");
        Self { _home: home, broker, controller, config }
    }
}

/// Raises the alarm and clears it; the states it went through until it is normal, with who acknowledged.
fn life(bay: &mut Bay) -> Vec<(String, Option<String>)> {
    let agent = Agent::run(&bay.config);
    let subscriber = Subscriber::start(bay.broker.port());
    bay.controller.set(1, "holding", 0, &[215]);
    agent.alarm("supply-water-warm", "unacknowledged", 0, SOON);
    bay.controller.set(1, "holding", 0, &[182]);
    agent.alarm("supply-water-warm", "normal", 0, SOON);
    let mut states = Vec::new();
    for (said, _) in agent.said() {
        if said["alarm"] == "supply-water-warm" && said["kind"] == "alarm" {
            let to = said["to"].as_str().expect("a state").to_owned();
            states.push((to, said["by"].as_str().map(str::to_owned)));
        }
    }
    let record = subscriber.topic("alarm/supply-water-warm", 0, SOON, |record| record["state"] == "normal").payload;
    assert_eq!((&record["active"], &record["acknowledged"]), (&false.into(), &true.into()));
    assert!(agent.terminate().0.success());
    subscriber.all_fit_their_schemas();
    states
}

#[test]
fn where_the_site_acknowledges_an_alarm_does_so_itself_when_it_clears() {
    for who in ["elsewhere", "both"] {
        let mut bay = Bay::with(who, "mode = \"test\"\n", &format!("mode = \"test\"\nacknowledge = \"{who}\"\n"));
        let states = life(&mut bay);
        let plain: Vec<(&str, Option<&str>)> = states.iter().map(|(to, by)| (to.as_str(), by.as_deref())).collect();
        assert_eq!(
            plain,
            [("unacknowledged", None), ("returned_unacknowledged", None), ("normal", Some("the site's own system")),],
            "{who}"
        );
    }
}

#[test]
fn an_alarm_with_little_time_left_becomes_urgent_and_is_told_again() {
    let urgent =
        "high = 21.0\nleft_to = 60.0\nover = \"10s\"\nurgent_below = \"60s\"\nurgent_priority = \"critical\"\n";
    let mut bay = Bay::with("urgent", "high = 21.0\n", urgent);
    let agent = Agent::run(&bay.config);
    let subscriber = Subscriber::start(bay.broker.port());
    // Slowly over the limit: 0.1 K a second leaves minutes to 60 °C.
    let mut tenths = 200_u16;
    let start = Instant::now();
    let mut step = |bay: &mut Bay, by: u16| {
        tenths = (tenths + by).min(580);
        bay.controller.set(1, "holding", 0, &[tenths]);
        // The pace of the water, not of the test.
        std::thread::sleep(Duration::from_secs(1));
    };
    let priority = |wanted: &str| {
        agent.said().into_iter().any(|(said, _)| {
            said["alarm"] == "supply-water-warm" && said["to"] == "unacknowledged" && said["priority"] == wanted
        })
    };
    while !priority("high") {
        assert!(start.elapsed() < SOON, "it was never raised");
        step(&mut bay, 1);
    }
    assert!(!priority("critical"), "minutes are left");
    // Then 2 K a second: less than twenty seconds are left.
    let fast = Instant::now();
    while !priority("critical") {
        assert!(fast.elapsed() < SOON, "it never became urgent");
        step(&mut bay, 20);
    }
    let events: Vec<_> = agent
        .said()
        .into_iter()
        .map(|(said, _)| said)
        .filter(|said| said["alarm"] == "supply-water-warm" && said["to"] == "unacknowledged")
        .collect();
    let said: Vec<&str> = events.iter().filter_map(|event| event["priority"].as_str()).collect();
    assert_eq!(said, ["high", "critical"], "once each");
    assert_eq!(events[0]["occurrence"], events[1]["occurrence"], "one occurrence");
    assert!(events[1]["seconds_left"].as_u64().is_some_and(|left| left <= 60), "{}", events[1]);
    let record =
        subscriber.topic("alarm/supply-water-warm", 0, SOON, |record| record["priority"] == "critical").payload;
    assert_eq!(record["active"], true);
    subscriber.topic("announce/critical", 0, SOON, |text| text.is_string());
    assert!(agent.terminate().0.success());
}
