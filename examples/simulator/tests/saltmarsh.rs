//! The whole module behind its protocols: every link is reached and a fault is told and seen on the wire.
//!
//! Uses the plant model as shipped and checks no physics. Needs python3 with pymodbus and pyserial, and `snmpget`.
//! Panics are test failures.

mod module;

use std::io::Read;
use std::net::TcpStream;
use std::process::Command;
use std::time::{Duration, Instant};

use lapwing_simulator::bank::{Carrier, Reached};
use lapwing_simulator::plant::Plant;
use lapwing_simulator::runtime::{Options, Simulator};
use lapwing_simulator::scenario::Scenario;
use module::Client;

#[test]
fn every_device_of_the_module_answers() {
    let scenario = Scenario::named("calm").expect("a scenario of that name");
    let plant = Plant::new(&scenario, 1);
    let links = plant.links();
    let simulator = Simulator::start(plant, &Options::default()).expect("starts");
    let addresses = simulator.addresses();
    assert_eq!(
        addresses.iter().map(|(name, _)| name).collect::<Vec<_>>(),
        links.iter().map(|link| &link.name).collect::<Vec<_>>()
    );
    for (link, (_, address)) in links.iter().zip(&addresses) {
        let mut client = match link.carrier {
            Carrier::ModbusTcp => Client::connect(&["tcp", address]),
            Carrier::RtuOverTcp => Client::connect(&["rtu_tcp", address]),
            Carrier::Serial { baud } => Client::connect(&["serial", address, &baud.to_string()]),
            Carrier::Snmp => {
                let output = Command::new("snmpget")
                    .args(["-v2c", "-c", "public", "-On", &format!("udp:{address}"), "1.3.6.1.2.1.1.3.0"])
                    .output()
                    .expect("net-snmp's programs are installed");
                assert!(output.status.success(), "{}: {output:?}", link.name);
                continue;
            }
        };
        for device in &link.devices {
            let Reached::Unit(unit) = device.reached else { panic!("a unit: {device:?}") };
            let bank = device.bank.lock().clone();
            let tables = [
                ("read_holding_registers", bank.holding.len()),
                ("read_input_registers", bank.input.len()),
                ("read_discrete_inputs", bank.discrete.len()),
                ("read_coils", bank.coils.len()),
            ];
            for (call, length) in tables {
                if length > 0 {
                    let answer = client.read(call, unit, 0, u16::try_from(length.min(100)).expect("small"));
                    assert!(answer.get("registers").or(answer.get("bits")).is_some(), "{}: {answer}", device.name);
                }
            }
        }
    }
    assert_eq!(simulator.traffic().write_attempts, 0);
    assert_eq!(simulator.traffic().undecodable, 0);
}

#[test]
fn a_fault_is_told_when_it_happens_and_seen_on_the_wire() {
    let text = "[[fault]]\nat_s = 1.0\nname = \"link-cut\"\ntarget = \"plant\"\n";
    let scenario = Scenario::from_toml("own.toml", text).expect("a scenario");
    let mut simulator = Simulator::start(Plant::new(&scenario, 1), &Options::default()).expect("starts");
    let begin = Instant::now();
    let plant = simulator.addresses().into_iter().find(|(name, _)| name == "plant").expect("a link of that name").1;
    let mut connection = TcpStream::connect(plant).expect("connects before the fault");
    let mut notes = simulator.take_notes().expect("first to ask");
    let note = notes.blocking_recv().expect("a note");
    let took = begin.elapsed();
    assert_eq!(note.name, "link-cut");
    assert!((note.t_s - 1.0).abs() < 0.051, "{note:?}");
    assert!(took > Duration::from_millis(900) && took < Duration::from_secs(5), "{took:?}");
    let closed = connection.read(&mut [0]).expect_err("the connection is reset");
    assert_eq!(closed.kind(), std::io::ErrorKind::ConnectionReset);
}
