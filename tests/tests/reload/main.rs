//! SIGHUP: the configuration is read anew while alarms stand. Nothing is announced twice, nothing is dropped, numbers go
//! on; what did not change goes on; a bad file is refused whole and the one before goes on. `manager` is what the service
//! manager hears of it.

mod manager;

use std::collections::{BTreeMap, BTreeSet};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use lapwing_tests::agent::{Agent, output};
use lapwing_tests::broker::Broker;
use lapwing_tests::modbus::ModbusPeer;
use lapwing_tests::place::TempDir;
use lapwing_tests::readings::without_repeats;
use lapwing_tests::saltmarsh;
use lapwing_tests::subscriber::{Message, Subscriber};
use lapwing_tests::testbay::{calm_controller, one_controller};
use rustix::process::Signal;
use serde_json::Value;

const SOON: Duration = Duration::from_secs(30);
/// What may come on top over a hundred reloads: allocator, caches of the library.
const SLACK_BYTES: u64 = 3 * 1024 * 1024;

fn change(config: &Path, from: &str, to: &str) {
    let text = std::fs::read_to_string(config).expect("the configuration is there");
    assert!(text.contains(from), "{from} is not in the configuration");
    std::fs::write(config, text.replace(from, to)).expect("it can be written");
}

fn add(config: &Path, more: &str) {
    let text = std::fs::read_to_string(config).expect("the configuration is there");
    std::fs::write(config, text + more).expect("it can be written");
}

/// Reads it anew and gives the event that says how that went.
fn reload(agent: &Agent, subscriber: &Subscriber) -> Value {
    let mark = subscriber.mark();
    agent.signal(Signal::HUP);
    subscriber.topic("event", mark, SOON, |event| event["kind"] == "config").payload
}

/// A page of the interface, as JSON.
fn page(agent: &Agent, path: &str) -> Value {
    let address = agent.addresses()["http"].as_str().expect("the page is served");
    let mut stream = TcpStream::connect(address).expect("the page answers");
    let request = format!("GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n");
    stream.write_all(request.as_bytes()).expect("asked");
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).expect("answered");
    let answer = String::from_utf8_lossy(&answer);
    let body = answer.split_once("\r\n\r\n").map(|(_, body)| body).unwrap_or_else(|| panic!("no answer: {answer}"));
    // Chunks have their lengths between; the body is the JSON between the first and the last bracket.
    let json: String = match (body.find('{'), body.rfind('}')) {
        (Some(first), Some(last)) => body[first..=last].to_owned(),
        _ => panic!("no JSON: {answer}"),
    };
    serde_json::from_str(&json).unwrap_or_else(|error| panic!("{error}: {answer}"))
}

fn now_ms() -> u128 {
    SystemTime::now().duration_since(UNIX_EPOCH).expect("after 1970").as_millis()
}

/// Events of each alarm that raise it, by occurrence; none may come twice.
fn raises(events: &[Value]) -> BTreeMap<(String, u64), usize> {
    let mut raised = BTreeMap::new();
    for event in events.iter().filter(|e| e["kind"] == "alarm" && e["from"] == "normal" && e["to"] == "unacknowledged")
    {
        let alarm = event["alarm"].as_str().expect("an alarm has an id").to_owned();
        let occurrence = event["occurrence"].as_u64().expect("a number");
        *raised.entry((alarm, occurrence)).or_default() += 1;
    }
    raised
}

/// Frames by number, each once unless it came late; checks that numbers have no gap and each explains itself.
fn frames_without_a_gap(subscriber: &Subscriber) -> BTreeMap<u64, Value> {
    let all: Vec<Message> = subscriber.all();
    let mut frames: BTreeMap<u64, Value> = BTreeMap::new();
    let mut hashes = BTreeSet::new();
    for message in all.iter().filter(|message| message.below() == "frame") {
        let frame = &message.payload;
        hashes.insert(frame["catalogue"].as_str().expect("a frame names its catalogue").to_owned());
        let bare = |frame: &Value| {
            let mut bare = frame.clone();
            bare.as_object_mut().expect("an object").remove("late");
            bare
        };
        let seq = frame["seq"].as_u64().expect("a frame has a number");
        if let Some(before) = frames.insert(seq, frame.clone()) {
            assert_eq!(bare(&before), bare(frame), "one number for two frames");
        }
    }
    for hash in &hashes {
        let catalogue = subscriber.catalogue(hash);
        for frame in frames.values().filter(|frame| frame["catalogue"] == hash.as_str()) {
            let _readings = catalogue.readings(frame); // panics where it cannot be read
        }
    }
    let numbers: Vec<u64> = frames.keys().copied().collect();
    let (first, last) = (numbers.first().copied().unwrap_or(1), numbers.last().copied().unwrap_or(0));
    let missing: Vec<u64> = (first..=last).filter(|seq| !frames.contains_key(seq)).collect();
    assert!(missing.is_empty(), "frames are missing: {missing:?} of {first} to {last}");
    frames
}

#[test]
fn alarms_edited_removed_and_added_while_they_stand() {
    let home = TempDir::new("reload");
    let broker = Broker::start();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let config = one_controller(&home, &controller.address(), &broker.address());
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);
    let first = subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online").payload;
    controller.set(1, "holding", 0, &[215, 150]);
    subscriber.alarm("low-flow", "unacknowledged", 0, SOON);
    subscriber.alarm("supply-water-warm", "unacknowledged", 0, SOON);

    // One limit edited while active, one alarm removed while active, one added that holds at once.
    change(&config, "high = 21.0", "high = 21.2");
    change(&config, "id = \"low-flow\"", "id = \"flow-lost\"");
    let mark = subscriber.mark();
    let said = reload(&agent, &subscriber);
    assert_eq!((&said["accepted"], &said["catalogue"]), (&Value::Bool(true), &first["catalogue"]), "{said}");
    assert_eq!(said["alarms"], serde_json::json!({"added": 1, "removed": 1, "changed": 1}), "{said}");
    assert_eq!(said["links"], serde_json::json!({"added": 0, "removed": 0, "changed": 0}), "{said}");
    assert!(said["text"].as_str().is_some_and(|text| text.contains("1 added, 1 removed, 1 changed")), "{said}");
    subscriber.alarm("flow-lost", "unacknowledged", mark, SOON);
    subscriber.topic("event", mark, SOON, |event| event["change"] == "alarm removed" && event["reason"] == "low-flow");
    subscriber.topic("alarm/low-flow", mark, SOON, Value::is_null);
    let record = subscriber.topic("alarm/supply-water-warm", mark, SOON, |record| record["limit"] == 21.2).payload;
    assert_eq!((&record["state"], &record["occurrence"]), (&"unacknowledged".into(), &1.into()), "{record}");
    // An edit that is not true any more clears it in the same occurrence.
    change(&config, "high = 21.2", "high = 25.0");
    let mark = subscriber.mark();
    assert_eq!(reload(&agent, &subscriber)["accepted"], true);
    let cleared = subscriber.alarm("supply-water-warm", "returned_unacknowledged", mark, SOON).payload;
    assert_eq!(cleared["occurrence"], 1);
    change(&config, "high = 25.0", "high = 21.2");
    let mark = subscriber.mark();
    assert_eq!(reload(&agent, &subscriber)["accepted"], true);
    assert_eq!(subscriber.alarm("supply-water-warm", "unacknowledged", mark, SOON).payload["occurrence"], 2);
    // Only texts: nothing moves.
    change(&config, "Supply water {value}", "Water {value}");
    let mark = subscriber.mark();
    assert_eq!(reload(&agent, &subscriber)["accepted"], true);
    subscriber.topic("frame", mark, SOON, |_| true);
    assert!(!subscriber.since(mark).iter().any(|message| message.payload["kind"] == "alarm"));

    // Many in a row while the flow comes and goes.
    for round in 0..6 {
        let mark = subscriber.mark();
        controller.set(1, "holding", 1, &[if round % 2 == 0 { 615 } else { 150 }]);
        std::thread::sleep(Duration::from_millis(200 * round));
        assert_eq!(reload(&agent, &subscriber)["accepted"], true);
        let to = if round % 2 == 0 { "returned_unacknowledged" } else { "unacknowledged" };
        subscriber.alarm("flow-lost", to, mark, SOON);
    }
    let events = subscriber.events();
    assert!(!events.iter().any(|event| event["kind"] == "link" || event["kind"] == "device"), "no link had failed");
    assert!(raises(&events).values().all(|times| *times == 1), "{:?}", raises(&events));
    let logs = without_repeats(&events);
    let log = first["log"].as_str().expect("presence names the log");
    assert_eq!(logs.keys().collect::<Vec<_>>(), [log], "numbers go on in one log");
    assert_eq!(logs[log].iter().filter(|event| event["change"] == "started").count(), 1);
    frames_without_a_gap(&subscriber);
    assert!(agent.terminate().0.success());
    subscriber.all_fit_their_schemas();
}

#[test]
fn points_added_are_in_catalogue_page_and_history_and_a_bad_file_is_refused() {
    let home = TempDir::new("reload-points");
    let broker = Broker::start();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let mut meter = ModbusPeer::libmodbus_tcp();
    meter.set(1, "input", 0, &[0x0001, 0x1642]);
    meter.set(1, "input", 2, &[2301, 0, 15230, 0xFFFE]);
    let config = one_controller(&home, &controller.address(), &broker.address());
    change(&config, "[http]\nenabled = false\n", "[http]\nlisten = \"127.0.0.1:0\"\n");
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);
    let first = subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online").payload;
    subscriber.topic("frame", 0, SOON, |_| true);
    let about = page(&agent, "/api/about");
    assert_eq!(about["catalogue"], first["catalogue"]);
    let good = std::fs::read_to_string(&config).expect("readable");

    // Bad in two places: refused whole, with both places.
    change(&config, "high = 21.0", "high = \"warm\"");
    change(&config, "unit = 1\n", "unit = 1000\n");
    let refused = reload(&agent, &subscriber);
    assert_eq!(refused["accepted"], false);
    let why = refused["reason"].as_str().expect("a reason");
    assert!(why.matches("module.toml:").count() >= 2 && why.contains("a number belongs"), "{why}");
    // What only a restart can change is refused too.
    std::fs::write(&config, good.replace("keep_alive = \"5s\"", "keep_alive = \"6s\"")).expect("written");
    let refused = reload(&agent, &subscriber);
    let why = refused["reason"].as_str().unwrap_or_default();
    assert!(refused["accepted"] == false && why.contains("[mqtt]") && why.contains("restart"), "{refused}");
    // No file at all.
    std::fs::remove_file(&config).expect("it was there");
    assert_eq!(reload(&agent, &subscriber)["accepted"], false);
    assert_eq!(page(&agent, "/api/about")["catalogue"], first["catalogue"], "the one before goes on");

    // A link with a device and an alarm more.
    std::fs::write(&config, &good).expect("written");
    let link = format!(
        "\n[[link]]\nname = \"power\"\nmodbus_tcp = \"{}\"\ntimeout_ms = 500\n\n\
         [[device]]\nname = \"meter-a1\"\nlink = \"power\"\nunit = 1\nmap = \"maps/meter.toml\"\n\n\
         [[alarm]]\nid = \"power-high\"\npoint = \"busway/a1/power\"\nhigh = 60.0\ndeadband = 2.0\npriority = \"high\"\n\
         text = \"Power {{value}} is above {{limit}}\"\nconsequence = \"The breaker trips.\"\nresponse = \"Move load.\"\n",
        meter.address()
    );
    add(&config, &link);
    let begun = now_ms();
    let mark = subscriber.mark();
    let said = reload(&agent, &subscriber);
    assert_eq!(said["accepted"], true, "{said}");
    assert_eq!(said["links"], serde_json::json!({"added": 1, "removed": 0, "changed": 0}), "{said}");
    let hash = said["catalogue"].as_str().expect("a catalogue");
    assert_ne!(said["catalogue"], first["catalogue"]);
    subscriber.topic("presence", mark, SOON, |presence| presence["catalogue"] == hash);
    let catalogue = subscriber.catalogue(hash);
    assert!(catalogue.points.values().any(|point| point["path"] == "busway/a1/power"));
    subscriber.alarm("power-high", "unacknowledged", mark, SOON);
    subscriber.topic("point/busway/a1/power", mark, SOON, |point| point["value"] == 71.234);
    subscriber.topic("frame", mark, SOON, |frame| frame["catalogue"] == hash);
    // The page shows it, with what was read before of the others.
    assert_eq!(page(&agent, "/api/about")["catalogue"], hash);
    let points = page(&agent, "/api/points");
    let points = points["points"].as_array().expect("a list");
    let id_of = |path: &str| {
        points
            .iter()
            .find(|point| point["path"] == path)
            .map(|point| point["id"].clone())
            .unwrap_or_else(|| panic!("no {path}"))
    };
    let now = page(&agent, "/api/now");
    let value = |path: &str| {
        let id = id_of(path);
        let rows = now["values"].as_array().expect("a list");
        rows.iter().find(|row| row[0] == id).map(|row| row[1].clone()).unwrap_or_else(|| panic!("no value of {path}"))
    };
    assert_eq!((value("busway/a1/power"), value("coil/water/supply/temperature")), (71.234.into(), 18.2.into()));
    let alarms = page(&agent, "/api/alarms");
    assert!(alarms["alarms"].as_array().is_some_and(|all| all.iter().any(|record| record["alarm"] == "power-high")));
    let links = page(&agent, "/api/links");
    let figures = |name: &str| {
        let all = links["links"].as_array().expect("a list");
        all.iter()
            .find(|link| link["name"] == name)
            .map(|link| link["figures"].clone())
            .unwrap_or_else(|| panic!("no {name}"))
    };
    assert!(figures("plant")["requests"].as_u64() > figures("power")["requests"].as_u64(), "{links}");
    // History has both on one axis, across the change.
    std::thread::sleep(Duration::from_millis(1500));
    let path = format!(
        "/api/readings?point=busway/a1/power&point=coil/water/supply/temperature&from={}&to={}&buckets=200",
        begun - 60_000,
        now_ms()
    );
    let kept = page(&agent, &path);
    let series = kept["points"].as_array().expect("a list");
    let times = |n: usize| series[n]["t"].as_array().expect("times").len();
    assert!(times(0) > 0 && times(1) > times(0), "{kept}");

    // And away again, while its alarm stands.
    std::fs::write(&config, &good).expect("written");
    let mark = subscriber.mark();
    let said = reload(&agent, &subscriber);
    assert_eq!((&said["accepted"], &said["catalogue"]), (&Value::Bool(true), &first["catalogue"]), "{said}");
    subscriber
        .topic("event", mark, SOON, |event| event["change"] == "alarm removed" && event["reason"] == "power-high");
    subscriber.topic("alarm/power-high", mark, SOON, Value::is_null);
    subscriber.topic("point/busway/a1/power", mark, SOON, Value::is_null);
    let alarms = page(&agent, "/api/alarms");
    assert!(!alarms["alarms"].as_array().is_some_and(|all| all.iter().any(|record| record["alarm"] == "power-high")));
    subscriber.topic("frame", mark, SOON, |frame| frame["catalogue"] == first["catalogue"]);

    let events = subscriber.events();
    assert_eq!(without_repeats(&events).len(), 1);
    assert!(!events.iter().any(|event| event["kind"] == "link" && event["link"] == "plant"), "it was not torn down");
    frames_without_a_gap(&subscriber);
    assert!(agent.terminate().0.success());
    subscriber.all_fit_their_schemas();

    // The next start finds its store and history in order.
    let mark = subscriber.mark();
    let agent = Agent::run(&config);
    subscriber.topic("event", mark, SOON, |event| event["change"] == "started");
    let path = format!(
        "/api/readings?point=coil/water/supply/temperature&from={}&to={}&buckets=200",
        begun - 60_000,
        now_ms()
    );
    let kept = page(&agent, &path);
    assert!(kept["points"][0]["t"].as_array().is_some_and(|times| times.len() > 3), "{kept}");
    assert!(agent.terminate().0.success());
    // What is no longer read can still be taken out.
    let (data, out) = (home.join("data").display().to_string(), home.join("out.csv").display().to_string());
    let asked = ["--from", "2020-01-01T00:00:00Z", "--to", "2099-01-01T00:00:00Z", "--point", "busway/**", "--out"];
    let arguments = [&["export", "--data", &data][..], &asked, &[&out]].concat();
    let (code, _, err) = output(&arguments, &[]);
    assert_eq!(code, 0, "{err}");
    let rows = std::fs::read_to_string(&out).expect("exported");
    assert!(rows.contains("busway/a1/power") && rows.contains("71.234"), "{rows}");
}

#[test]
fn twenty_edits_of_the_demo_under_load_with_alarms_standing() {
    let home = TempDir::new("reload-load");
    let broker = Broker::start();
    let simulator = Agent::simulate(&["--scenario", "pump-trip-standby-fails", "--seed", "7"]);
    let config = saltmarsh::configure(&home, &simulator.addresses()["links"], &broker.address());
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);
    subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online");
    subscriber.topic("event", 0, Duration::from_secs(60), |event| event["to"] == "unacknowledged");
    let shipped = std::fs::read_to_string(&config).expect("readable");
    let more = "\n[[alarm]]\nid = \"edited\"\npoint = \"coil/water/supply/temperature\"\nhigh = -5.0\ndeadband = 0.5\n\
                priority = \"low\"\ntext = \"Supply {value} is above {limit}\"\nconsequence = \"None; a test.\"\n\
                response = \"None.\"\n";
    for round in 0..20 {
        let text = match round % 4 {
            0 => format!("{shipped}{more}"),
            1 => format!("{shipped}{}", more.replace("high = -5.0", "high = -6.0")),
            2 => format!("{shipped}{}", more.replace("a test", "still a test")),
            _ => shipped.clone(),
        };
        std::fs::write(&config, text).expect("written");
        let mark = subscriber.mark();
        let said = reload(&agent, &subscriber);
        assert_eq!(said["accepted"], true, "{said}");
        if round % 4 == 0 {
            subscriber.alarm("edited", "unacknowledged", mark, SOON);
        }
        std::thread::sleep(Duration::from_millis(400 + 100 * (round % 5)));
    }
    subscriber.topic("frame", subscriber.mark(), SOON, |_| true);
    let (status, summary) = agent.terminate();
    assert!(status.success());
    let summary = summary.expect("a summary");
    // The subscriber hears the last event, then nothing is missing before it.
    subscriber.topic("event", 0, SOON, |event| event["change"] == "stopping");
    let events = subscriber.events();
    let logs = without_repeats(&events);
    assert_eq!(logs.len(), 1, "numbers go on in one log");
    let edited = raises(&events).keys().filter(|(alarm, _)| alarm == "edited").count();
    let (again, twice): (Vec<_>, Vec<_>) =
        raises(&events).into_iter().filter(|((_, _), times)| *times > 1).partition(|((alarm, _), _)| alarm == "edited");
    // Removed and added anew it begins to count anew: five lives, each told once.
    assert!(twice.is_empty(), "{twice:?}");
    assert_eq!(edited.max(again.iter().map(|(_, times)| *times).sum()), 5, "{:?}", raises(&events));
    let links: Vec<_> = events.iter().filter(|event| event["kind"] == "link").collect();
    assert!(links.is_empty(), "no link was torn down: {links:?}");
    let good =
        summary["readings_good"].as_f64().expect("a number") / summary["readings_due"].as_f64().expect("a number");
    assert!(good > 0.98, "readings go on: {summary}");
    frames_without_a_gap(&subscriber);
    subscriber.all_fit_their_schemas();
    println!("{} events, {good:.4} of the readings good", events.len());
}

#[test]
fn memory_does_not_grow_over_a_hundred_reloads() {
    let home = TempDir::new("reload-memory");
    let broker = Broker::start();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let config = one_controller(&home, &controller.address(), &broker.address());
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);
    subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online");
    let descriptors = || std::fs::read_dir(format!("/proc/{}/fd", agent.id())).map_or(0, Iterator::count);
    let mut settled = None;
    for round in 0..120 {
        // A link anew each time, and an alarm.
        let (from, to) = if round % 2 == 0 { ("500", "600") } else { ("600", "500") };
        change(&config, &format!("timeout_ms = {from}"), &format!("timeout_ms = {to}"));
        let (from, to) = if round % 2 == 0 { ("21.0", "21.5") } else { ("21.5", "21.0") };
        change(&config, &format!("high = {from}"), &format!("high = {to}"));
        assert_eq!(reload(&agent, &subscriber)["accepted"], true);
        if round == 19 {
            settled = Some((agent.usage().resident, descriptors()));
        }
    }
    let (memory, open) = settled.expect("there were twenty");
    let (memory_now, open_now) = (agent.usage().resident, descriptors());
    println!(
        "{} KiB resident, after a hundred more {} KiB; {open} descriptors, then {open_now}",
        memory / 1024,
        memory_now / 1024
    );
    assert!(memory_now < memory + SLACK_BYTES, "memory grew from {memory} to {memory_now}");
    assert!(open_now <= open + 4, "descriptors grew from {open} to {open_now}");
    assert_eq!(without_repeats(&subscriber.events()).len(), 1);
    assert!(agent.terminate().0.success());
}
