//! Devices that misbehave: garbage, truncated frames, exceptions, wrong units, wrong lengths, silence. Each gives bad
//! readings with the right reason, never a number; the neighbour behind the same address goes on.

use std::collections::BTreeMap;
use std::time::Duration;

use lapwing_protocol::Status;
use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::field::SerialLine;
use lapwing_tests::modbus::ModbusPeer;
use lapwing_tests::place::TempDir;
use lapwing_tests::readings::Reading;
use lapwing_tests::subscriber::Subscriber;
use lapwing_tests::testbay::{head, maps};

const SOON: Duration = Duration::from_secs(30);

const NO_ANSWER: u64 = Status::BAD_NO_COMMUNICATION.number() as u64;
const GARBLED: u64 = Status::BAD_COMMUNICATION_ERROR.number() as u64;
const REFUSED: u64 = Status::BAD_NOT_FOUND.number() as u64;
const BROKEN: u64 = Status::BAD_DEVICE_FAILURE.number() as u64;

/// What a peer does, and the reasons that may be given for it. Half a frame and bytes that never make a frame cannot be
/// told from silence by who waits for a whole one.
const MANNERS: &[(&str, &[u64])] = &[
    ("silent", &[NO_ANSWER]),
    ("garbage", &[GARBLED, NO_ANSWER]),
    ("truncated", &[GARBLED, NO_ANSWER]),
    ("wrong-unit", &[GARBLED, NO_ANSWER]),
    ("short", &[GARBLED]),
    ("exception 2", &[REFUSED]),
    ("exception 4", &[BROKEN]),
];

/// One way to reach two units of a peer, and the keys of its `[[link]]`.
struct Way {
    link: String,
    peer: ModbusPeer,
    _line: Option<SerialLine>,
}

fn run(name: &str, way: impl FnOnce() -> Way) {
    let home = TempDir::new(name);
    let broker = Broker::start();
    let Way { link, mut peer, _line } = way();
    for unit in [7, 8] {
        peer.set(unit, "input", 0, &[2365, 447]);
    }
    maps(&home);
    let config = home.write(
        "module.toml",
        &format!(
            "{}\n[[link]]\nname = \"field\"\n{link}\ntimeout_ms = 200\nretries = 0\n\n\
             [[device]]\nname = \"good\"\nlink = \"field\"\nunit = 7\nmap = \"maps/air.toml\"\nprefix = \"good\"\n\n\
             [[device]]\nname = \"odd\"\nlink = \"field\"\nunit = 8\nmap = \"maps/air.toml\"\nprefix = \"odd\"\n\n\
             [[alarm]]\nid = \"odd-hot\"\npoint = \"odd/cold-aisle/temperature\"\nhigh = 27.0\ndeadband = 0.5\npriority = \"high\"\n\
             text = \"{{value}} is above {{limit}}\"\nconsequence = \"c\"\nresponse = \"r\"\n",
            head(&home, &broker.address(), "json")
        ),
    );
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);
    let presence = subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online").payload;
    let hash = presence["catalogue"].as_str().expect("presence names the catalogue").to_owned();
    let point = "point/odd/cold-aisle/temperature";
    subscriber.topic(point, 0, SOON, |payload| payload["quality"] == 0);

    for (manner, reasons) in MANNERS {
        let mark = subscriber.mark();
        peer.manner(8, manner);
        let bad = subscriber.topic(point, mark, SOON, |payload| payload["quality"] != 0);
        assert!(bad.payload["value"].is_null(), "{manner}: {}", bad.payload);
        let reason = bad.payload["quality"].as_u64().expect("a quality is a number");
        assert!(reasons.contains(&reason), "{manner}: {reason:#x} is none of {reasons:x?}");
        // While it lasts, no reading of it carries a number, and the neighbour keeps coming.
        let mark = subscriber.mark();
        let catalogue = subscriber.catalogue(&hash);
        let mut odd = 0;
        let mut good: BTreeMap<i64, f64> = BTreeMap::new();
        subscriber.wait(&format!("four good readings of the neighbour under {manner}"), mark, SOON, |message| {
            if message.below() == "frame" {
                for reading in catalogue.readings(&message.payload) {
                    if reading.path.starts_with("odd/") {
                        assert!(
                            reading.value.is_none(),
                            "{manner}: a number from a device that gave none: {reading:?}"
                        );
                        odd += 1;
                    } else if reading.path == "good/cold-aisle/temperature"
                        && let Some(value) = reading.value
                    {
                        good.insert(reading.t, value);
                    }
                }
            }
            (good.len() >= 4).then_some(())
        });
        assert!(odd > 0, "{manner}: its readings are not even told as bad");
        let first = good.keys().next().expect("four");
        let last = good.keys().next_back().expect("four");
        assert!(last - first < 10_000, "{manner}: the neighbour's four readings took {} ms", last - first);
        assert!(good.values().all(|value| (value - 23.65).abs() < 1e-9), "{manner}: {good:?}");

        let mark = subscriber.mark();
        peer.manner(8, "well");
        subscriber.topic(point, mark, SOON, |payload| payload["quality"] == 0);
    }

    // In the whole run no number but the true one was ever said, and no process alarm was raised by bad readings.
    let all = subscriber.all();
    let catalogue = subscriber.catalogue(&hash);
    let readings: Vec<Reading> = all
        .iter()
        .filter(|message| message.below() == "frame")
        .flat_map(|message| catalogue.readings(&message.payload))
        .filter(|reading| reading.path.ends_with("cold-aisle/temperature"))
        .collect();
    assert!(readings.len() > 40, "only {} readings", readings.len());
    for reading in readings {
        assert!(reading.value.is_none_or(|value| (value - 23.65).abs() < 1e-9), "{reading:?}");
    }
    assert!(!subscriber.events().iter().any(|event| event["alarm"] == "odd-hot"), "a bad reading is no alarm");
    // The dead device was told once, not once a point. That a busy machine's disk was slow meanwhile is another matter.
    let told: Vec<_> = subscriber
        .events()
        .into_iter()
        .filter(|event| event["kind"] == "alarm" && event["to"] == "unacknowledged")
        .filter_map(|event| event["alarm"].as_str().map(str::to_owned))
        .filter(|id| id != "fault/agent/store")
        .collect();
    let one =
        |id: &String| id == "fault/device/odd" || id == "fault/device/odd/map" || id.starts_with("fault/point/odd/");
    assert!(told.iter().all(one), "{told:?}");
    assert!(told.iter().any(|id| id == "fault/device/odd"), "{told:?}");
    assert!(agent.terminate().0.success());
    subscriber.all_fit_their_schemas();
}

#[test]
fn on_modbus_tcp() {
    run("faults-tcp", || {
        let peer = ModbusPeer::pymodbus_tcp(&[7, 8]);
        Way { link: format!("modbus_tcp = \"{}\"", peer.address()), peer, _line: None }
    });
}

#[test]
fn on_rtu_over_tcp() {
    run("faults-rtu-tcp", || {
        let peer = ModbusPeer::pymodbus_rtu_over_tcp(&[7, 8]);
        Way { link: format!("modbus_rtu_tcp = \"{}\"", peer.address()), peer, _line: None }
    });
}

#[test]
fn on_a_serial_line() {
    run("faults-serial", || {
        let line = SerialLine::lay();
        let peer = ModbusPeer::pymodbus_serial(&[7, 8], &line.peer);
        Way {
            link: format!("serial = \"{}\"\nbaud = 19200\nlisten_first = \"0s\"", line.agent.display()),
            peer,
            _line: Some(line),
        }
    });
}

#[test]
fn a_dead_device_does_not_slow_its_neighbour_on_the_line() {
    let home = TempDir::new("dead-neighbour");
    let broker = Broker::start();
    let line = SerialLine::lay();
    // Six silent units beside one that answers. Played by pymodbus: a libmodbus server takes the next request for the
    // answer of a foreign unit that stays silent.
    let mut fan = ModbusPeer::pymodbus_serial(&[5, 11, 12, 13, 14, 15, 16], &line.peer);
    fan.set(5, "input", 0, &[1480, 412]);
    for unit in 11..17 {
        fan.manner(unit, "silent");
    }
    maps(&home);
    let dead: String = (11..17)
        .map(|unit| {
            format!("[[device]]\nname = \"dead-{unit}\"\nlink = \"fans\"\nunit = {unit}\nmap = \"maps/fan.toml\"\nprefix = \"dead/{unit}\"\n\n")
        })
        .collect();
    let config = home.write(
        "module.toml",
        &format!(
            "{}\n[[link]]\nname = \"fans\"\nserial = \"{}\"\nbaud = 19200\nlisten_first = \"0s\"\ntimeout_ms = 200\n\n\
             [[device]]\nname = \"fan-01\"\nlink = \"fans\"\nunit = 5\nmap = \"maps/fan.toml\"\n\n{dead}",
            head(&home, &broker.address(), "json"),
            line.agent.display()
        ),
    );
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);
    let presence = subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online").payload;
    let hash = presence["catalogue"].as_str().expect("presence names the catalogue").to_owned();
    for unit in 11..17 {
        subscriber.alarm(&format!("fault/device/dead-{unit}"), "unacknowledged", 0, SOON);
    }
    let mark = subscriber.mark();
    let catalogue = subscriber.catalogue(&hash);
    let mut times = Vec::new();
    subscriber.wait("twelve good readings of the living fan", mark, SOON, |message| {
        if message.below() == "frame" {
            for reading in catalogue.readings(&message.payload) {
                if reading.path == "fan/01/speed" && reading.value == Some(1480.0) {
                    times.push(reading.t);
                }
                assert!(!reading.path.starts_with("dead/") || reading.value.is_none(), "{reading:?}");
            }
        }
        (times.len() >= 12).then_some(())
    });
    // Its period is 1 s: twelve readings take 11 s when nothing slows them; six dead units asked each time would add 14 s.
    let took = times.last().expect("twelve") - times[0];
    assert!(took < 18_000, "twelve readings of the living fan took {took} ms: {times:?}");
    assert!(agent.terminate().0.success());
    subscriber.all_fit_their_schemas();
}

#[test]
fn a_link_that_is_gone_is_one_alarm_and_comes_back() {
    let home = TempDir::new("link-gone");
    let broker = Broker::start();
    let mut peer = ModbusPeer::pymodbus_tcp(&[7, 8]);
    let port = peer.port();
    for unit in [7, 8] {
        peer.set(unit, "input", 0, &[2365, 447]);
    }
    maps(&home);
    let config = home.write(
        "module.toml",
        &format!(
            "{}\n[[link]]\nname = \"field\"\nmodbus_tcp = \"{}\"\ntimeout_ms = 300\n\n\
             [[device]]\nname = \"a\"\nlink = \"field\"\nunit = 7\nmap = \"maps/air.toml\"\nprefix = \"a\"\n\n\
             [[device]]\nname = \"b\"\nlink = \"field\"\nunit = 8\nmap = \"maps/air.toml\"\nprefix = \"b\"\n",
            head(&home, &broker.address(), "json"),
            peer.address()
        ),
    );
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);
    subscriber.topic("point/a/cold-aisle/temperature", 0, SOON, |payload| payload["quality"] == 0);
    let mark = subscriber.mark();
    peer.kill();
    subscriber.alarm("fault/link/field", "unacknowledged", mark, SOON);
    subscriber.topic("point/a/cold-aisle/temperature", mark, SOON, |payload| payload["quality"] == NO_ANSWER);

    let mut peer = ModbusPeer::pymodbus_tcp_at(&[7, 8], port);
    for unit in [7, 8] {
        peer.set(unit, "input", 0, &[2365, 447]);
    }
    subscriber.alarm("fault/link/field", "returned_unacknowledged", mark, SOON);
    subscriber.topic("point/b/cold-aisle/temperature", mark, SOON, |payload| {
        payload["quality"] == 0 && payload["value"].as_f64() == Some(23.65)
    });
    let raised: Vec<_> = subscriber
        .events()
        .into_iter()
        .filter(|event| event["kind"] == "alarm" && event["to"] == "unacknowledged")
        .map(|event| event["alarm"].clone())
        .collect();
    assert_eq!(raised, ["fault/link/field"], "one cause, one alarm");
    assert!(agent.terminate().0.success());
    subscriber.all_fit_their_schemas();
}
