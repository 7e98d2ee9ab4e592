//! The agent on links to servers that the project did not write: pymodbus, libmodbus, snmpd; read by an MQTT client that
//! it did not write either.

use std::time::Duration;

use lapwing_protocol::Status;
use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::place::TempDir;
use lapwing_tests::readings::{Reading, without_repeats};
use lapwing_tests::subscriber::Subscriber;
use lapwing_tests::testbay::Field;

const SOON: Duration = Duration::from_secs(20);

/// What the peers hold when nothing has changed.
const CALM: &[(&str, f64)] = &[
    ("coil/water/supply/temperature", 18.2),
    ("coil/water/flow", 61.5),
    ("coil/water/pressure", 312.25),
    ("coil/water/energy", 123_456.0),
    ("pump/1/state", 1.0),
    ("valve/bypass/state", 0.0),
    ("busway/a1/power", 71.234),
    ("busway/a1/l1/voltage", 230.1),
    ("busway/a1/l1/current", 152.30),
    ("fan/01/speed", 1480.0),
    ("fan/01/temperature", 41.2),
    ("fan/01/fault", 0.0),
    ("cold-aisle/temperature", 23.65),
    ("cold-aisle/humidity", 44.7),
    // Magnus over water, 17.62 and 243.12 °C (WMO No. 8): γ = 17.62·23.65/266.77 + ln 0.447 = 0.7569, so 10.91 °C.
    ("cold-aisle/dew-point", 10.9),
    ("ups/a1/battery/charge", 97.0),
    ("ups/a1/battery/temperature", 24.0),
    ("ups/a1/battery/voltage", 542.1),
    ("ups/a1/output/source", 3.0),
];

#[test]
fn every_kind_of_link_gives_its_values_and_alarms() {
    let home = TempDir::new("field");
    let broker = Broker::start();
    let mut field = Field::start();
    let config = field.configure(&home, &broker.address(), "json");
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);

    for (path, value) in CALM {
        let message = subscriber.topic(&format!("point/{path}"), 0, SOON, |payload| payload["quality"] == 0);
        let read = message.payload["value"].as_f64().unwrap_or_else(|| panic!("{path}: {}", message.payload));
        assert!((read - value).abs() < 0.051, "{path} is {read}, not {value}");
        assert_eq!(message.payload["mode"], "test");
    }
    let refused = subscriber.topic("point/ups/a1/output/frequency", 0, SOON, |payload| payload["quality"] != 0);
    assert_eq!(refused.payload["value"], serde_json::Value::Null);
    assert_eq!(refused.payload["quality"], Status::BAD_NOT_FOUND.number());
    assert!(
        !subscriber.events().iter().any(|event| event["kind"] == "alarm" && is_process(event)),
        "calm values raised an alarm: {:#?}",
        subscriber.events()
    );

    // Each kind of link: a value goes bad in the process's sense, the alarm comes; it returns, the alarm clears.
    let mark = subscriber.mark();
    field.controller.set(1, "holding", 0, &[215]);
    let raised = subscriber.alarm("supply-water-warm", "unacknowledged", mark, SOON);
    let event = &raised.payload;
    assert_eq!(event["value"].as_f64(), Some(21.5));
    assert_eq!(event["limit"].as_f64(), Some(21.0));
    assert_eq!(event["unit"], "Cel");
    assert_eq!(event["priority"], "high");
    assert_eq!(event["active"], true);
    assert_eq!(event["tag"], "TT-101");
    assert_eq!(event["where"], "coil bay, left");
    assert_eq!(event["site"], "testbay");
    assert_eq!(event["module"], "t1");
    assert_eq!(event["mode"], "test");
    assert_eq!(event["respond_within_s"], 180);
    assert_eq!(event["text"], "Supply water 21.5 °C is above 21.0 °C");
    let sentence = subscriber.wait("announcement", mark, SOON, |message| {
        (message.below() == "announce/high").then(|| message.payload.as_str().unwrap_or_default().to_owned())
    });
    assert!(sentence.contains("21.5"), "{sentence}");

    // Inside the dead band it stays.
    field.controller.set(1, "holding", 0, &[207]);
    subscriber
        .topic("point/coil/water/supply/temperature", mark, SOON, |payload| payload["value"].as_f64() == Some(20.7));
    field.controller.set(1, "holding", 0, &[204]);
    let cleared = subscriber.alarm("supply-water-warm", "returned_unacknowledged", mark, SOON);
    assert_eq!(cleared.payload["value"].as_f64(), Some(20.4));
    assert_eq!(cleared.payload["occurrence"], event["occurrence"]);

    let mark = subscriber.mark();
    field.meter.set(1, "input", 4, &[20150]);
    field.fan.set(5, "input", 0, &[880]);
    field.air.set(7, "input", 0, &[2750]);
    field.ups.set("4.1.0", 5);
    field.controller.set(1, "discrete", 0, &[0]);
    for (alarm, value) in [
        ("current-high", 201.5),
        ("fan-slow", 880.0),
        ("aisle-hot", 27.5),
        ("ups-on-battery", 5.0),
        ("pump-stopped", 0.0),
    ] {
        let raised = subscriber.alarm(alarm, "unacknowledged", mark, SOON);
        assert_eq!(raised.payload["value"].as_f64(), Some(value), "{}", raised.payload);
    }
    field.meter.set(1, "input", 4, &[15230]);
    field.fan.set(5, "input", 0, &[1480]);
    field.air.set(7, "input", 0, &[2365]);
    field.ups.set("4.1.0", 3);
    field.controller.set(1, "discrete", 0, &[1]);
    for alarm in ["current-high", "fan-slow", "aisle-hot", "ups-on-battery", "pump-stopped"] {
        subscriber.alarm(alarm, "returned_unacknowledged", mark, SOON);
    }

    let (status, summary) = agent.terminate();
    assert!(status.success(), "{status}");
    let summary = summary.expect("a summary is printed at the end");
    assert!(summary["readings_due"].as_u64().is_some_and(|due| due > 0), "{summary}");
    subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "offline");
    subscriber.all_fit_their_schemas();
    let logs = without_repeats(&subscriber.events());
    assert_eq!(logs.len(), 1, "one run, one log");
}

#[test]
fn catalogue_and_frames_agree() {
    frames("json");
}

#[test]
fn frames_in_cbor_say_the_same() {
    frames("cbor");
}

fn frames(encoding: &str) {
    let home = TempDir::new("frames");
    let broker = Broker::start();
    let mut field = Field::start();
    let config = field.configure(&home, &broker.address(), encoding);
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);
    let presence = subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online").payload;
    let hash = presence["catalogue"].as_str().expect("presence names the catalogue").to_owned();

    let mark = subscriber.mark();
    field.controller.set(1, "holding", 1, &[633]);
    let good = |reading: &Reading, path: &str, value: f64| {
        reading.path == path && reading.status == 0 && reading.value.is_some_and(|read| (read - value).abs() < 1e-6)
    };
    // Wait until frames carry the change and every other value.
    let mut missing: Vec<(&str, f64)> =
        CALM.iter().copied().filter(|(path, _)| *path != "cold-aisle/dew-point").collect();
    for (path, value) in &mut missing {
        if *path == "coil/water/flow" {
            *value = 63.3;
        }
    }
    let catalogue = subscriber.catalogue(&hash);
    subscriber.wait("frames with every value", mark, SOON, |message| {
        if message.below() == "frame" {
            let readings = catalogue.readings(&message.payload);
            missing.retain(|(path, value)| !readings.iter().any(|reading| good(reading, path, *value)));
        }
        missing.is_empty().then_some(())
    });

    let frames: Vec<_> = subscriber.all().into_iter().filter(|message| message.below() == "frame").collect();
    let mut last_seq = None;
    for frame in &frames {
        assert!(frame.bytes <= 64 * 1024);
        assert!(!frame.retain);
        assert_eq!(frame.payload["log"], presence["log"]);
        assert_eq!(frame.payload["boot"], presence["boot"]);
        let seq = frame.payload["seq"].as_u64().expect("a frame has a number");
        if let Some(last) = last_seq {
            assert_eq!(seq, last + 1, "frames are numbered without gaps");
        }
        last_seq = Some(seq);
        for reading in catalogue.readings(&frame.payload) {
            let age_ms = frame.at * 1000.0 - reading.t as f64;
            assert!((-2000.0..30_000.0).contains(&age_ms), "{reading:?} is {age_ms} ms old at arrival");
        }
    }
    for point in ["unit", "unit_text", "quantity", "scan_period_ms"] {
        assert!(catalogue.points.values().all(|entry| !entry[point].is_null()), "{point} is missing in the catalogue");
    }

    // Who comes later finds presence, catalogue, points, alarms and the last event's number kept by the broker.
    let late = Subscriber::named(broker.port(), "late-subscriber");
    let kept = |below: &str| {
        late.wait(below, 0, SOON, |message| (message.below() == below && message.retain).then(|| message.clone()))
    };
    assert_eq!(kept("presence").payload["state"], "online");
    kept("event/last");
    kept("alarm/low-flow");
    kept("point/fan/01/speed");
    let again = late.catalogue(&hash);
    assert_eq!(again.points, catalogue.points);

    assert!(agent.terminate().0.success());
    subscriber.all_fit_their_schemas();
    late.all_fit_their_schemas();
}

/// Alarms on the process, not on links, devices or sensors.
fn is_process(event: &serde_json::Value) -> bool {
    event["alarm"].as_str().is_some_and(|id| !id.starts_with("fault/"))
}
