//! Steps in time, notes that nobody reads, links that cannot be, and a clean end.

use std::sync::atomic::AtomicBool;
use std::time::{Duration, Instant};

use super::steps::steps_due;
use super::*;
use crate::bank::{Reached, SharedBank, SimDevice};

struct Counting {
    links: Vec<SimLink>,
    steps: u64,
    slow_first: bool,
}

impl Source for Counting {
    type Note = u64;

    fn links(&self) -> Vec<SimLink> {
        self.links.clone()
    }

    fn step(&mut self, _: u32, tell: &mut dyn FnMut(u64)) {
        if std::mem::take(&mut self.slow_first) {
            std::thread::sleep(Duration::from_millis(700));
        }
        self.steps += 1;
        tell(self.steps);
    }
}

fn link(name: &str, carrier: Carrier, reached: Reached) -> SimLink {
    SimLink {
        name: name.to_owned(),
        carrier,
        devices: vec![SimDevice { name: format!("{name}-device"), reached, bank: SharedBank::default() }],
        up: Arc::new(AtomicBool::new(true)),
        second_master: Arc::default(),
    }
}

fn counting(links: Vec<SimLink>) -> Counting {
    Counting { links, steps: 0, slow_first: false }
}

#[test]
fn a_stall_is_made_up_for_a_second_and_no_more() {
    let ms = Duration::from_millis;
    assert_eq!(steps_due(ms(0)), (1, 0));
    assert_eq!(steps_due(ms(49)), (1, 0));
    assert_eq!(steps_due(ms(50)), (2, 0));
    assert_eq!(steps_due(ms(999)), (20, 0));
    assert_eq!(steps_due(ms(1000)), (20, 1));
    assert_eq!(steps_due(ms(3_600_000)), (20, 71_981));
}

#[test]
fn steps_keep_pace_over_a_stall() {
    let source = Counting { slow_first: true, ..counting(Vec::new()) };
    let begin = Instant::now();
    let mut simulator = Simulator::start(source, &Options::default()).expect("starts");
    let mut notes = simulator.take_notes().expect("first to ask");
    for expected in 1..=12 {
        assert_eq!(notes.blocking_recv(), Some(expected));
    }
    let took = begin.elapsed();
    assert!(took >= Duration::from_millis(599), "no step before its time: {took:?}");
    assert!(took < Duration::from_millis(1250), "the stall of 700 ms is made up: {took:?}");
    simulator.stop();
    while notes.blocking_recv().is_some() {}
}

#[test]
fn notes_nobody_reads_are_dropped_and_counted() {
    let simulator = Simulator::start(counting(Vec::new()), &Options { notes_max: 2 }).expect("starts");
    let patience = Instant::now() + Duration::from_secs(10);
    while simulator.pace().notes_dropped < 3 {
        assert!(Instant::now() < patience);
        std::thread::yield_now();
    }
    assert!(simulator.pace().steps >= 4);
    simulator.stop();
}

#[test]
fn addresses_come_in_the_order_of_the_links_and_go_with_the_simulator() {
    let links = vec![
        link("fans", Carrier::Serial { baud: 19_200 }, Reached::Unit(1)),
        link("ups-a1", Carrier::Snmp, Reached::Agent),
        link("plant", Carrier::ModbusTcp, Reached::Unit(1)),
        link("environment", Carrier::RtuOverTcp, Reached::Unit(1)),
    ];
    let simulator = Simulator::start(counting(links), &Options::default()).expect("starts");
    let addresses = simulator.addresses();
    let names: Vec<_> = addresses.iter().map(|(name, _)| name.as_str()).collect();
    assert_eq!(names, ["fans", "ups-a1", "plant", "environment"]);
    assert!(addresses[0].1.starts_with("/dev/pts/"));
    let plant: SocketAddr = addresses[2].1.parse().expect("address and port");
    drop(std::net::TcpStream::connect(plant).expect("listens"));
    let begin = Instant::now();
    simulator.stop();
    assert!(begin.elapsed() < Duration::from_secs(5));
    assert!(std::net::TcpStream::connect(plant).is_err(), "port is closed");
}

#[test]
fn a_device_on_the_wrong_kind_of_link_is_refused_by_name() {
    for (carrier, reached) in [
        (Carrier::ModbusTcp, Reached::Agent),
        (Carrier::Serial { baud: 9600 }, Reached::Agent),
        (Carrier::RtuOverTcp, Reached::Agent),
        (Carrier::Snmp, Reached::Unit(1)),
    ] {
        let source = counting(vec![link("odd", carrier, reached)]);
        match Simulator::start(source, &Options::default()) {
            Err(StartError::Misplaced { link, device }) => {
                assert_eq!((&*link, &*device), ("odd", "odd-device"))
            }
            other => panic!("expected a refusal for {carrier:?}, got {other:?}"),
        }
    }
}

#[test]
fn starts_from_within_an_event_loop() {
    let runtime = tokio::runtime::Builder::new_current_thread().build().expect("event loop");
    runtime.block_on(async {
        let links = vec![link("ups-a1", Carrier::Snmp, Reached::Agent)];
        Simulator::start(counting(links), &Options::default()).expect("starts").stop();
    });
}
