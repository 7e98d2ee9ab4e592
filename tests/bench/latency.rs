//! Change at the wire → event at a subscriber, less the disk's sync and the broker's round trip measured beside each.
//!
//! The clock starts just before the Modbus answer with the changed register is written and stops when the event arrives
//! at an MQTT client. Each sample has its own sync (4 KiB, `fdatasync`, same directory as the store) and its own bare
//! round trip (QoS 1 through the same broker) taken right after it. Milliseconds; p50 and p99 of 200 samples.

use std::fs::File;
use std::io::{Seek, SeekFrom, Write};
use std::time::{Duration, Instant};

use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::place::TempDir;
use serde_json::Value;

use crate::modbus_server::Server;
use crate::mqtt::Listener;
use crate::{quantile, report};

const SAMPLES: usize = 200;
const LONG: Duration = Duration::from_secs(10);

const MAP: &str = "schema = 1\n\n[[point]]\npath = \"water/flow\"\nquantity = \"volume_flow\"\nunit = \"m3/h\"\n\
                   register = \"holding:0\"\nas = \"u16\"\nscale = 0.1\nscan_period = \"50ms\"\n";

/// Measures and reports.
pub(crate) fn run() {
    let home = TempDir::new("bench-latency");
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
    let listener = Listener::subscribe(broker.port(), "bench-listener", &["lapwing/testbay/t1/event", "bench/echo"]);
    let talker = Listener::subscribe(broker.port(), "bench-talker", &[]);
    let agent = Agent::run(&config);
    // Until it reads, a change could not be seen: the first raise shows that everything stands.
    trip(&server, &listener, 100);
    let mut disk = File::create(home.join("sync-probe")).expect("a file can be made");

    let (mut whole, mut syncs, mut trips, mut net) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for sample in 0..SAMPLES {
        let value = if sample % 2 == 0 { 600 } else { 100 };
        // Not in step with the scan, whose period is 50 ms.
        std::thread::sleep(Duration::from_millis(60 + (sample as u64 * 7) % 31));
        let took = trip(&server, &listener, value);
        let sync = sync(&mut disk);
        let round = round_trip(&talker, &listener, sample);
        whole.push(took);
        syncs.push(sync);
        trips.push(round);
        net.push(took - sync - round);
    }
    assert!(agent.terminate().0.success(), "the agent ended with a mistake");

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
