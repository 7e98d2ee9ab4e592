//! Hours of alarms, faults and broker restarts in a short time: memory, descriptors and disk do not grow.
//!
//! Ignored in the usual run; `tests/run soak` runs it for `LAPWING_TEST_SOAK_S` seconds (20 without it). The first fifth
//! is for filling what has a bound; from then on nothing may grow beyond what an allocator keeps. One part is a single device
//! and alarms without end; the other two hundred devices on four links, of which one is always stalled, refused, cut in the
//! middle of an answer, deaf or slow, the way to the broker too, and a store so small that its retention acts.

use std::path::Path;
use std::time::{Duration, Instant};

use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::hostile::{Hostile, Way};
use lapwing_tests::modbus::ModbusPeer;
use lapwing_tests::place::TempDir;
use lapwing_tests::readings::without_repeats;
use lapwing_tests::subscriber::Subscriber;
use lapwing_tests::testbay::{calm_controller, head, maps, one_controller};

/// What may come on top in the long run: allocator, caches of the library.
const SLACK_BYTES: u64 = 4 * 1024 * 1024;
/// What a slot of the history that is closed, or read again for late frames, takes while that lasts; it first happens a
/// quarter of an hour after the start.
const SLOT_BYTES: u64 = 32 * 1024 * 1024;
/// Connections on their way.
const SLACK_DESCRIPTORS: usize = 4;

fn seconds() -> u64 {
    std::env::var("LAPWING_TEST_SOAK_S").ok().and_then(|text| text.parse().ok()).unwrap_or(20)
}

fn descriptors(agent: &Agent) -> usize {
    std::fs::read_dir(format!("/proc/{}/fd", agent.id())).map_or(0, Iterator::count)
}

fn bytes_in(dir: &Path) -> u64 {
    let entries = std::fs::read_dir(dir).into_iter().flatten().flatten();
    entries
        .map(|entry| {
            entry.metadata().map_or(0, |about| if about.is_dir() { bytes_in(&entry.path()) } else { about.len() })
        })
        .sum()
}

#[test]
#[ignore = "by name: tests/run soak"]
fn nothing_grows() {
    let seconds = seconds();
    let home = TempDir::new("soak");
    let mut broker = Broker::start();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let config = one_controller(&home, &controller.address(), &broker.address());
    let agent = Agent::run(&config);
    let begun = Instant::now();
    let mut settled = None;
    let mut rounds: u64 = 0;
    while begun.elapsed() < Duration::from_secs(seconds) {
        rounds += 1;
        let (supply, flow) = if rounds.is_multiple_of(2) { (215, 150) } else { (182, 615) };
        controller.set(1, "holding", 0, &[supply, flow]);
        std::thread::sleep(Duration::from_millis(1200));
        if rounds.is_multiple_of(25) {
            broker.end();
            std::thread::sleep(Duration::from_millis(500));
            broker.go();
        }
        if settled.is_none() && begun.elapsed() > Duration::from_secs(seconds) / 5 {
            settled = Some((agent.usage().resident, descriptors(&agent)));
        }
    }
    let (memory, open) = settled.expect("the first fifth is over");
    let (memory_now, open_now) = (agent.usage().resident, descriptors(&agent));
    let disk = bytes_in(&home.join("data"));
    println!(
        "{rounds} rounds in {seconds} s: {} KiB resident, then {} KiB; {open} descriptors, then {open_now}; {} KiB on disk",
        memory / 1024,
        memory_now / 1024,
        disk / 1024
    );
    assert!(memory_now < memory + SLACK_BYTES, "memory grew");
    assert!(open_now <= open + SLACK_DESCRIPTORS, "descriptors grew");
    // Events are about 1.5 kB each, with outbox, indices and the write-ahead log beside them.
    assert!(disk < 8 * 1024 * 1024 + rounds * 16 * 1024, "the disk grew beyond its events");
    assert!(agent.terminate().0.success());
}

const LINKS: usize = 4;
const DEVICES_A_LINK: u8 = 50;
/// Limits of the event store and the history here, MiB.
const STORE_MIB: u64 = 16;
const HISTORY_MIB: u64 = 64;

/// Two hundred controllers, each with a low-flow alarm, behind proxies.
fn many(home: &TempDir, links: &[Hostile], broker: &str) -> std::path::PathBuf {
    use std::fmt::Write as _;
    maps(home);
    let mut text = head(home, broker, "json").replace("points = [\"**\"]\n", "").replace(
        "\n\n[http]",
        &format!("\nmax_mib = {STORE_MIB}\nhistory_max_mib = {HISTORY_MIB}\nreserve_mib = 16\n\n[http]"),
    );
    let mut say = |line: String| writeln!(text, "{line}").expect("invariant: a text takes what is written");
    for (n, link) in links.iter().enumerate() {
        say(format!("\n[[link]]\nname = \"link-{n}\"\nmodbus_tcp = \"{}\"\ntimeout_ms = 500", link.address()));
        for unit in 1..=DEVICES_A_LINK {
            say(format!(
                "\n[[device]]\nname = \"device-{n}-{unit}\"\nlink = \"link-{n}\"\nunit = {unit}\n\
                 map = \"maps/controller.toml\"\nprefix = \"device/{n}-{unit}\""
            ));
        }
    }
    say("\n[[alarm]]\nid = \"low-flow-{d}\"\npoint = \"device/{d}/coil/water/flow\"\nlow = 20.0\ndeadband = 2.0\n\
         priority = \"high\"\ntext = \"Water flow {value} is below {limit}\"\nconsequence = \"The coil stops cooling.\"\n\
         response = \"Start the standby pump.\""
        .into());
    home.write("module.toml", &text)
}

#[test]
#[ignore = "by name: tests/run soak"]
fn two_hundred_devices_with_faults_throughout() {
    let seconds = seconds();
    let home = TempDir::new("soak-many");
    let mut broker = Broker::start();
    let to_broker = Hostile::before(&broker.address());
    let mut peers: Vec<ModbusPeer> = (0..LINKS).map(|_| ModbusPeer::libmodbus_tcp()).collect();
    peers.iter_mut().for_each(calm_controller);
    let links: Vec<Hostile> = peers.iter().map(|peer| Hostile::before(&peer.address())).collect();
    let config = many(&home, &links, to_broker.address());
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);
    let ways = [
        Way::Stall,
        Way::Refuse,
        Way::CutAfter(700),
        Way::Deaf,
        Way::Trickle,
        Way::Delay(Duration::from_millis(200)),
        Way::Slow(2000),
    ];
    let begun = Instant::now();
    let mut settled = None;
    let mut most = (0_u64, 0_usize);
    let mut rounds = 0_usize;
    while begun.elapsed() < Duration::from_secs(seconds) {
        rounds += 1;
        let (hit, way) = (rounds % LINKS, ways[rounds % ways.len()]);
        links[hit].set(way);
        if rounds % 3 == 1 {
            to_broker.set(ways[rounds / 3 % ways.len()]);
        }
        // Alarms of another link than the one that suffers, fifty at once.
        let storm = &mut peers[(hit + 1) % LINKS];
        let flow = if (rounds / LINKS).is_multiple_of(2) { 150 } else { 615 };
        storm.set(1, "holding", 1, &[flow]);
        std::thread::sleep(Duration::from_secs(3));
        links[hit].set(Way::Pass);
        if rounds % 3 == 2 {
            to_broker.set(Way::Pass);
        }
        if rounds.is_multiple_of(20) {
            broker.end();
            std::thread::sleep(Duration::from_secs(2));
            broker.go();
        }
        let now = (agent.usage().resident, descriptors(&agent));
        if begun.elapsed() > Duration::from_secs(seconds) / 5 {
            settled.get_or_insert(most);
            if rounds.is_multiple_of(25) {
                println!("{rounds} rounds: {} KiB resident, {} descriptors", now.0 / 1024, now.1);
            }
        }
        most = (most.0.max(now.0), most.1.max(now.1));
    }
    to_broker.set(Way::Pass);
    let (memory, open) = settled.expect("the first fifth is over");
    let (events, history) =
        (bytes_in(&home.join("data")) - bytes_in(&home.join("data/history")), bytes_in(&home.join("data/history")));
    println!(
        "{rounds} rounds in {seconds} s: at most {} KiB resident and {open} descriptors in the first fifth, then {} KiB and {}; \
         {} KiB of events, {} KiB of history on disk",
        memory / 1024,
        most.0 / 1024,
        most.1,
        events / 1024,
        history / 1024
    );
    assert!(most.0 < memory + SLACK_BYTES + SLOT_BYTES, "memory grew");
    assert!(most.1 <= open + SLACK_DESCRIPTORS, "descriptors grew");
    // The write-ahead log beside the store keeps a few MiB.
    assert!(events < (STORE_MIB + 8) * 1024 * 1024, "the event store grew beyond its limit");
    assert!(history < HISTORY_MIB * 1024 * 1024, "the history grew beyond its limit");
    // Everything said arrives in the end, without a gap.
    // Whatever state the storm left it in: seen calm, seen low.
    let mark = agent.mark();
    for flow in [615, 150] {
        peers[0].set(1, "holding", 1, &[flow]);
        std::thread::sleep(Duration::from_secs(5));
    }
    let (last, _) = agent.wait("last alarm", mark, Duration::from_secs(60), |said| {
        let raised = said["alarm"].as_str().is_some_and(|id| id.starts_with("low-flow-0-"));
        (raised && said["to"] == "unacknowledged").then(|| said.clone())
    });
    subscriber.topic("event", 0, Duration::from_secs(120), |event| {
        event["log"] == last["log"] && event["seq"].as_u64() >= last["seq"].as_u64()
    });
    for arrived in without_repeats(&subscriber.events()).values() {
        assert_eq!(arrived[0]["seq"], 1);
    }
    assert!(agent.terminate().0.success());
    subscriber.all_fit_their_schemas();
}
