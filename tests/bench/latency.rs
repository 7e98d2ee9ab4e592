//! Change at the wire → event at a subscriber, less the disk's sync and the broker's round trip measured beside each.
//!
//! The clock starts just before the Modbus answer with the changed register is written and stops when the event arrives
//! at an MQTT client. Each sample has its own sync (4 KiB, `fdatasync`, same directory as the store) and its own bare
//! round trip (QoS 1 through the same broker) taken right after it. Milliseconds; p50 and p99 of 200 samples. `stalled`
//! takes 400 pairs, one of each with history's writer held still.

use std::fs::File;
use std::io::{Seek, SeekFrom, Write};
use std::process::Command;
use std::time::{Duration, Instant};

use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::place::{TempDir, python, sources};
use lapwing_tests::process::Process;
use serde_json::Value;

use crate::modbus_server::Server;
use crate::mqtt::Listener;
use crate::{quantile, report};

const SAMPLES: usize = 200;
const STALLED_SAMPLES: usize = 400;
const LONG: Duration = Duration::from_secs(10);

const MAP: &str = "schema = 1\n\n[[point]]\npath = \"water/flow\"\nquantity = \"volume_flow\"\nunit = \"m3/h\"\n\
                   register = \"holding:0\"\nas = \"u16\"\nscale = 0.1\nscan_period = \"50ms\"\n";

/// How long history's writer is held still.
const STALL: Duration = Duration::from_millis(150);

/// A running agent that watches one register, and both ends of its way.
struct Bay {
    home: TempDir,
    server: Server,
    listener: Listener,
    talker: Listener,
    agent: Agent,
    _broker: Broker,
}

impl Bay {
    /// Started, and seen to work.
    fn up(name: &str) -> Self {
        let home = TempDir::new(name);
        let broker = Broker::start();
        let server = Server::start();
        server.change(0, 600);
        home.write("map.toml", MAP);
        let config = home.write(
            "module.toml",
            &format!(
                "[module]\nsite = \"testbay\"\nname = \"t1\"\nmode = \"test\"\n\n[mqtt]\nbroker = \"{}\"\n\n[store]\ndir = \"{}\"\n\n\
                 [http]\nenabled = false\n\n[[link]]\nname = \"plant\"\nmodbus_tcp = \"{}\"\n\n\
                 [[device]]\nname = \"plant\"\nlink = \"plant\"\nunit = 1\nmap = \"map.toml\"\n\n\
                 [[alarm]]\nid = \"low-flow\"\npoint = \"water/flow\"\nlow = 20.0\ndeadband = 1.0\npriority = \"critical\"\n\
                 text = \"Flow {{value}} is below {{limit}}\"\nconsequence = \"c\"\nresponse = \"r\"\n",
                broker.address(),
                home.join("data").display(),
                server.address()
            ),
        );
        let topics = ["lapwing/testbay/t1/event", "bench/echo"];
        let listener = Listener::subscribe(broker.port(), "bench-listener", &topics);
        let talker = Listener::subscribe(broker.port(), "bench-talker", &[]);
        let agent = Agent::run(&config);
        // Until it reads, a change could not be seen: the first raise shows that everything stands.
        trip(&server, &listener, 100);
        Self { home, server, listener, talker, agent, _broker: broker }
    }

    /// The event of sample `n`, ms from the wire to the subscriber.
    fn trip(&self, n: usize) -> f64 {
        let value = if n.is_multiple_of(2) { 600 } else { 100 };
        trip(&self.server, &self.listener, value)
    }
}

/// Not in step with the scan, whose period is 50 ms.
fn pause(n: usize) {
    std::thread::sleep(Duration::from_millis(60 + (n as u64 * 7) % 31));
}

/// Measures and reports.
pub(crate) fn run() {
    let bay = Bay::up("bench-latency");
    let mut disk = File::create(bay.home.join("sync-probe")).expect("a file can be made");
    let (mut whole, mut syncs, mut trips, mut net) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for sample in 0..SAMPLES {
        pause(sample);
        let took = bay.trip(sample);
        let sync = sync(&mut disk);
        let round = round_trip(&bay.talker, &bay.listener, sample);
        whole.push(took);
        syncs.push(sync);
        trips.push(round);
        net.push(took - sync - round);
    }
    assert!(bay.agent.terminate().0.success(), "the agent ended with a mistake");

    let sync_p50 = quantile(&mut syncs, 0.5);
    let trip_p50 = quantile(&mut trips, 0.5);
    report("change_to_event_p50", quantile(&mut whole, 0.5), "ms", "sync + round trip, p50", Some(sync_p50 + trip_p50));
    let (sync_p99, trip_p99) = (quantile(&mut syncs, 0.99), quantile(&mut trips, 0.99));
    report(
        "change_to_event_p99",
        quantile(&mut whole, 0.99),
        "ms",
        "sync + round trip, p99",
        Some(sync_p99 + trip_p99),
    );
    report("change_to_event_net_p50", quantile(&mut net, 0.5), "ms", "goal", Some(5.0));
    report("change_to_event_net_p99", quantile(&mut net, 0.99), "ms", "goal", Some(5.0));
    report("sync_p50", sync_p50, "ms", "none", None);
    report("round_trip_p50", trip_p50, "ms", "none", None);
}

/// What a stall of history's writer adds: every other sample is taken while that thread is held still (ptrace(2)) for
/// 150 ms, so that what the machine does beside meets both alike.
pub(crate) fn stalled() {
    let bay = Bay::up("bench-stall");
    let script = sources().join("peers/hold_thread.py");
    let id = bay.agent.id().to_string();
    let mut hold = Process::start("hold_thread", Command::new(python()).arg(script).args([&id, "history", "-"]));
    hold.out.wait("ready", 0, LONG, |line| (line.text == "ready").then_some(()));
    let (mut free, mut held, mut outlasted) = (Vec::new(), Vec::new(), 0);
    for sample in 0..2 * STALLED_SAMPLES {
        pause(sample);
        let of_pair = sample / 2;
        // Whether the held one comes first changes from pair to pair.
        if (sample + of_pair).is_multiple_of(2) {
            free.push(bay.trip(sample));
            continue;
        }
        let mark = hold.out.mark();
        hold.tell(&STALL.as_secs_f64().to_string());
        hold.out.wait("held", mark, LONG, |line| (line.text == "held").then_some(()));
        held.push(bay.trip(sample));
        let over = hold.out.find(mark, Duration::ZERO, |line| (line.text == "released").then_some(()));
        outlasted += u32::from(over.is_none());
        hold.out.wait("released", mark, LONG, |line| (line.text == "released").then_some(()));
    }
    // A thread that is watched takes no signal by itself: the agent could not be ended.
    drop(hold);
    assert!(bay.agent.terminate().0.success(), "the agent ended with a mistake");
    let p99 = |samples: &mut [f64]| quantile(samples, 0.99);
    let (free_p99, held_p99) = (p99(&mut free), p99(&mut held));
    report(
        "change_to_event_history_held_p50",
        quantile(&mut held, 0.5),
        "ms",
        "history free",
        Some(quantile(&mut free, 0.5)),
    );
    report("change_to_event_history_held_p99", held_p99, "ms", "history free", Some(free_p99));
    report("history_stall_adds_p99", held_p99 - free_p99, "ms", "limit", Some(5.0));
    report("events_told_within_the_stall", f64::from(outlasted) / held.len() as f64 * 100.0, "%", "none", None);
}

/// Changes the flow and waits for the event that follows: milliseconds from the wire to the subscriber.
fn trip(server: &Server, listener: &Listener, value: u16) -> f64 {
    listener.clear();
    server.change(0, value);
    let arrived = listener.wait(LONG, |arrival| {
        let event: Value = serde_json::from_slice(&arrival.payload).ok()?;
        (event["alarm"] == "low-flow").then_some(arrival.at)
    });
    let arrived = arrived.expect("the event of a change arrives");
    let sent = server.sent().expect("the changed register was sent before its event");
    ms(arrived.saturating_duration_since(sent))
}

fn sync(disk: &mut File) -> f64 {
    let begun = Instant::now();
    disk.seek(SeekFrom::Start(0)).and_then(|_| disk.write_all(&[0x5A; 4096])).expect("the probe can be written");
    disk.sync_data().expect("the probe can be synced");
    ms(begun.elapsed())
}

fn round_trip(talker: &Listener, listener: &Listener, sample: usize) -> f64 {
    // As long as an event.
    let payload = format!("{sample:0>900}");
    let begun = Instant::now();
    talker.publish("bench/echo", payload.as_bytes());
    let back = listener.wait(LONG, |arrival| (arrival.payload == payload.as_bytes()).then_some(arrival.at));
    ms(back.expect("an echo comes back").saturating_duration_since(begun))
}

fn ms(duration: Duration) -> f64 {
    duration.as_secs_f64() * 1000.0
}
