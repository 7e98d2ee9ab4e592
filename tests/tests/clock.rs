//! The wall clock is set forward, back, to 1970 and to 2099 under the running agent: delays, shelves and readings do not
//! notice, every correction is an event with its size, stamps follow the clock.
//!
//! libfaketime moves the wall clock of the agent's process alone, its monotonic clock stays; the library is Debian's
//! package of that name. Where it is not installed nothing is tried, and the test says so.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::modbus::ModbusPeer;
use lapwing_tests::place::{TempDir, lapwing, program};
use lapwing_tests::readings::without_repeats;
use lapwing_tests::subscriber::Subscriber;
use lapwing_tests::testbay::{calm_controller, one_controller};

const SOON: Duration = Duration::from_secs(30);
const HOUR_MS: i64 = 3_600_000;
/// A shelf that is set before a leap second and ends behind it, seconds.
const SHELF_S: u64 = 7;

fn library() -> Option<PathBuf> {
    let folders = std::fs::read_dir("/usr/lib").ok()?.flatten();
    folders.map(|folder| folder.path().join("faketime/libfaketime.so.1")).find(|path| path.exists())
}

/// Replaced whole, so that the process never reads half of it.
fn set(file: &Path, offset: &str) {
    let next = file.with_extension("next");
    std::fs::write(&next, offset).expect("a file can be written");
    std::fs::rename(next, file).expect("a file can be replaced");
}

/// Lets an operator act on the topic of a panel.
fn operator(home: &TempDir, config: &Path) {
    let text = std::fs::read_to_string(config).expect("the configuration is there");
    let with = text.replace("keep_alive = \"5s\"", "keep_alive = \"5s\"\ncommands = \"topic\"");
    assert_ne!(text, with);
    std::fs::write(config, with).expect("written");
    let mut child = Command::new(lapwing())
        .args(["account", "add", "ada", "--role", "operator", "--data"])
        .arg(home.join("data"))
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .expect("the agent's binary runs");
    child.stdin.take().expect("piped").write_all(b"4711\n").expect("it reads");
    assert!(child.wait().expect("it ends").success());
}

/// Shelves an alarm that is calm, which ends by itself; the moment it was shelved, by the subscriber's clock.
fn shelve(broker: &Broker, subscriber: &Subscriber, id: &str) -> f64 {
    let mark = subscriber.mark();
    let command =
        format!(r#"{{"id":"{id}","action":"shelve","alarm":"pump-stopped","for_s":{SHELF_S},"reason":"test"}}"#);
    let done = Command::new(program("mosquitto_pub"))
        .args(["-h", "127.0.0.1", "-p", &broker.port().to_string(), "-q", "1", "-m", &command])
        .args(["-t", "lapwing/testbay/t1/command/panel/ada"])
        .status();
    assert!(done.expect("it runs").success());
    subscriber.alarm("pump-stopped", "shelved", mark, SOON).at
}

/// The shelf ends after its time, whatever the wall showed meanwhile: never early.
fn shelf_ends(subscriber: &Subscriber, mark: usize, shelved: f64, what: &str) {
    let ended =
        subscriber.topic("event", mark, SOON, |event| event["alarm"] == "pump-stopped" && event["from"] == "shelved");
    let lasted = ended.at - shelved;
    #[allow(clippy::cast_precision_loss)] // a few seconds
    let shelf = SHELF_S as f64;
    // A tenth for the way of the two messages; not more than the loop's second and the machine's delays longer.
    assert!((shelf - 0.1..shelf + 4.0).contains(&lasted), "{what}: the shelf lasted {lasted:.2} s");
}

#[test]
fn a_clock_that_jumps_disturbs_no_delay_and_is_recorded() {
    let Some(library) = library() else {
        println!("not tried: libfaketime is not installed");
        return;
    };
    let home = TempDir::new("clock");
    let offset = home.write("offset", "+0");
    let broker = Broker::start();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let config = one_controller(&home, &controller.address(), &broker.address());
    let text = std::fs::read_to_string(&config).expect("the configuration is there");
    let delayed = text.replace("low = 20.0\n", "low = 20.0\non_delay = \"4s\"\n");
    assert_ne!(text, delayed, "the alarm has a delay");
    std::fs::write(&config, delayed).expect("written");
    operator(&home, &config);
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::start(
        Command::new(lapwing())
            .args(["run", "--json", "--config"])
            .arg(&config)
            .env("LD_PRELOAD", library)
            .env("FAKETIME_TIMESTAMP_FILE", &offset)
            .env("FAKETIME_NO_CACHE", "1")
            .env("FAKETIME_DONT_FAKE_MONOTONIC", "1"),
    );
    subscriber.topic("presence", 0, SOON, |payload| payload["state"] == "online");

    // To 1970 and to 2099 as an offset from today, and back.
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).expect("after 1970").as_secs();
    let to_1970 = format!("-{}", now - 86_400);
    let to_2099 = format!("+{}", 4_070_908_800 - now); // 2099-01-01T00:00:00Z
    for (to, low, high) in [
        ("+3600", HOUR_MS - 5000, HOUR_MS + 5000),
        ("+0", -HOUR_MS - 5000, -HOUR_MS + 5000),
        (to_1970.as_str(), i64::MIN, -1000 * HOUR_MS),
        (to_2099.as_str(), 1000 * HOUR_MS, i64::MAX),
        ("+0", i64::MIN, -1000 * HOUR_MS),
        // A leap second: the host shows one second twice; then one that is left out.
        ("-1", -1100, -900),
        ("+0", 900, 1100),
    ] {
        let mark = subscriber.mark();
        let leap = ["-1", "+0"].contains(&to) && high < 2000 && low > -2000;
        let shelved = leap.then(|| shelve(&broker, &subscriber, &format!("leap{}", low > 0)));
        let begun = Instant::now();
        // The delay has begun when the clock jumps.
        controller.set(1, "holding", 1, &[150]);
        std::thread::sleep(Duration::from_millis(1500));
        set(&offset, to);
        let step = subscriber
            .topic("event", mark, SOON, |event| event["kind"] == "clock" && event["step_ms"].is_i64())
            .payload;
        let by = step["step_ms"].as_i64().expect("checked");
        assert!((low..=high).contains(&by), "the clock went to {to}: {step}");
        subscriber.alarm("low-flow", "unacknowledged", mark, SOON);
        let took = begun.elapsed();
        assert!(took >= Duration::from_secs(4), "the delay was cut short: {took:?}");
        assert!(took < Duration::from_secs(12), "the delay grew: {took:?}");
        controller.set(1, "holding", 1, &[615]);
        subscriber.alarm("low-flow", "returned_unacknowledged", mark, SOON);
        if let Some(shelved) = shelved {
            shelf_ends(&subscriber, mark, shelved, to);
        }
    }
    // One that is smeared, a twentieth at a time: nobody is told, and the delay does not notice.
    let mark = subscriber.mark();
    let shelved = shelve(&broker, &subscriber, "smeared");
    let begun = Instant::now();
    controller.set(1, "holding", 0, &[182, 150]);
    for part in 1..=20 {
        set(&offset, &format!("-{}.{:02}", part / 20, part % 20 * 5));
        std::thread::sleep(Duration::from_millis(150));
    }
    subscriber.alarm("low-flow", "unacknowledged", mark, SOON);
    let took = begun.elapsed();
    assert!((Duration::from_secs(4)..Duration::from_secs(12)).contains(&took), "the delay took {took:?}");
    shelf_ends(&subscriber, mark, shelved, "smeared");
    let events = subscriber.events();
    let steps = events.iter().filter(|event| event["kind"] == "clock" && event["step_ms"].is_i64()).count();
    assert_eq!(steps, 7, "each step once, the smeared second never");
    let logs = without_repeats(&events);
    assert_eq!(logs.len(), 1, "a clock makes no new log");
    assert!(agent.terminate().0.success());
    subscriber.all_fit_their_schemas();
}
