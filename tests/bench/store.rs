//! What the store asks of a disk and what it gives: bytes to the block device, events a second, the start after a cut.
//!
//! The disk is ext4 on a loop device, for which the kernel counts what was written; that needs root. Bytes of an event: one
//! at a time, synced, confirmed by a broker, the removal from the outbox included. Bytes of a day: the demo for a quarter of
//! an hour in which one slot of the history is closed (`LAPWING_BENCH_SLOTS` of them, 1 unless given), times 96; roll-ups of
//! a whole day come on top, see `history`. Events a second: store and publisher in this process against the bare MQTT
//! client with the same payloads, window and broker, by turns. The start: the agent is killed, fifty thousand events
//! wait in the outbox, time from its start to its first frame.

use std::path::Path;
use std::time::{Duration, Instant};

use lapwing::store::{Commit, EventRow, Store};
use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::mount::Mount;
use lapwing_tests::place::TempDir;
use lapwing_tests::saltmarsh;
use rumqttc::{AsyncClient, Event, MqttOptions, NetworkOptions, Packet, QoS};

use crate::mqtt::Listener;
use crate::own::{EVENT_BYTES, Own};
use crate::{quantile, report};

/// Unconfirmed packets at one time: the publisher's own window.
const WINDOW: usize = 90;
const SLOT: Duration = Duration::from_secs(900);
const WAITING: u64 = 50_000;

/// Measures and reports.
pub(crate) fn run() {
    rate();
    let Some(mount) = Mount::on_loop(1024) else { return };
    an_event(&mount);
    demo(&mount);
}

/// Events a second through store and broker, and packets a second of the bare client.
fn rate() {
    const EVENTS: u64 = 20_000;
    let home = TempDir::new("bench-rate");
    let broker = Broker::start();
    let mut own = Own::start(home.path(), broker.port());
    own.release();
    let (mut ours, mut bare) = (Vec::new(), Vec::new());
    for _ in 0..5 {
        let begun = Instant::now();
        for _ in 0..EVENTS {
            own.event();
        }
        own.all_confirmed();
        ours.push(EVENTS as f64 / begun.elapsed().as_secs_f64());
        bare.push(EVENTS as f64 / plain(broker.port(), EVENTS).as_secs_f64());
    }
    report(
        "events_through_store_and_broker",
        quantile(&mut ours, 0.5),
        "1/s",
        "bare client, same window",
        Some(quantile(&mut bare, 0.5)),
    );
    own.stop();
}

/// How long the bare client takes for so many packets, all confirmed.
fn plain(port: u16, packets: u64) -> Duration {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let mut options = MqttOptions::new("bench-bare", "127.0.0.1", port);
        options.set_inflight(1023);
        let (client, mut events) = AsyncClient::new(options, WINDOW + 8);
        let mut network = NetworkOptions::new();
        network.set_tcp_nodelay(true);
        events.set_network_options(network);
        while !matches!(events.poll().await.expect("the broker is there"), Event::Incoming(Packet::ConnAck(_))) {}
        let payload = vec![b'e'; EVENT_BYTES];
        let begun = Instant::now();
        let (mut handed, mut confirmed) = (0, 0);
        while confirmed < packets {
            while handed < packets && handed - confirmed < WINDOW as u64 {
                client
                    .try_publish("lapwing/bench/own/event", QoS::AtLeastOnce, false, payload.clone())
                    .expect("invariant: the channel holds the window");
                handed += 1;
            }
            if let Event::Incoming(Packet::PubAck(_)) = events.poll().await.expect("the connection holds") {
                confirmed += 1;
            }
        }
        begun.elapsed()
    })
}

/// Bytes to the device of one event.
fn an_event(mount: &Mount) {
    const EVENTS: u64 = 300;
    let broker = Broker::start();
    let mut own = Own::start(&mount.path().join("event"), broker.port());
    own.release();
    let one = |own: &mut Own| {
        own.event();
        own.all_confirmed();
        // Long enough that the removal from the outbox goes alone.
        std::thread::sleep(Duration::from_millis(300));
    };
    (0..20).for_each(|_| one(&mut own));
    let before = settled(mount);
    let begun = Instant::now();
    (0..EVENTS).for_each(|_| one(&mut own));
    let bytes = settled(mount) - before;
    own.stop();
    report(
        "device_bytes_an_event",
        bytes as f64 / EVENTS as f64 / 1024.0,
        "KiB",
        "its payload",
        Some(EVENT_BYTES as f64 / 1024.0),
    );
    eprintln!("{EVENTS} events one by one in {:.0} s", begun.elapsed().as_secs_f64());
}

/// Bytes to the device of a day of the demo; then the start after a cut.
fn demo(mount: &Mount) {
    let slots = std::env::var("LAPWING_BENCH_SLOTS").ok().and_then(|text| text.parse().ok()).unwrap_or(1_u32);
    let home = TempDir::new("bench-store");
    let broker = Broker::start();
    let simulator = Agent::simulate(&["--scenario", "calm"]);
    std::os::unix::fs::symlink(mount.path(), home.join("data")).expect("a link to the disk");
    let config = saltmarsh::configure(&home, &simulator.addresses()["links"], &broker.address());
    let agent = Agent::run(&config);
    std::thread::sleep(Duration::from_secs(60));
    let before = settled(mount);
    std::thread::sleep(SLOT * slots);
    let bytes = settled(mount) - before;
    let a_day = bytes as f64 / f64::from(slots) * 96.0;
    report("device_bytes_a_day_of_the_demo", a_day / f64::from(1 << 20), "MiB", "none", None);
    agent.kill();
    drop(broker);

    fill(mount.path());
    let broker = Broker::start();
    let config = saltmarsh::configure(&home, &simulator.addresses()["links"], &broker.address());
    let listener = Listener::subscribe(broker.port(), "bench-listener", &["lapwing/+/+/frame"]);
    let begun = Instant::now();
    let agent = Agent::run(&config);
    let first = listener.wait(Duration::from_secs(120), |arrival| Some(arrival.at)).expect("a frame comes");
    let took = first.saturating_duration_since(begun).as_secs_f64();
    report("start_after_a_cut_to_first_frame", took, "s", "goal from power on", Some(60.0));
    assert!(agent.terminate().0.success(), "the agent ended with a mistake");
    assert!(simulator.terminate().0.success(), "the simulator ended with a mistake");
}

/// Events the broker has not got, as after an outage.
fn fill(data: &Path) {
    let (store, opened) = Store::open(data, 512).expect("the store opens after a kill");
    let writer = store.spawn_writer(|_| ()).expect("the writer starts");
    for seq in opened.last_seq + 1..=opened.last_seq + WAITING {
        let row = EventRow {
            seq,
            t_ms: 1_800_000_000_000,
            kind: "alarm",
            payload: vec![b'{'; EVENT_BYTES],
            announce: None,
            tellings: Vec::new(),
        };
        while writer.state().waiting > 1000 {
            std::thread::sleep(Duration::from_millis(1));
        }
        writer.submit(Commit { events: vec![row], ..Commit::default() }).expect("there is room");
    }
    assert_eq!(writer.stop(), 0, "everything is durable");
}

/// Bytes written to the device once nothing waits in the kernel.
fn settled(mount: &Mount) -> u64 {
    let place = std::fs::File::open(mount.path()).expect("the disk is there");
    rustix::fs::syncfs(place).expect("the disk takes what waits");
    mount.written()
}
