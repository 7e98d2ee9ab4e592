//! Everything the agent sends to the field, captured between it and the peers: only functions that read.
//!
//! Modbus functions 01 to 04 and 43 with MEI type 14 (MODBUS Application Protocol V1.1b3 §6), SNMP GetRequest,
//! GetNextRequest and GetBulkRequest (RFC 3416 §3).

use std::process::Command;
use std::time::{Duration, Instant};

use lapwing_tests::agent::Agent;
use lapwing_tests::broker::Broker;
use lapwing_tests::modbus::ModbusPeer;
use lapwing_tests::place::{TempDir, lapwing, python, repository, sources};
use lapwing_tests::proxy;
use lapwing_tests::snmp::SnmpPeer;
use lapwing_tests::subscriber::Subscriber;
use lapwing_tests::testbay::{CONTROLLER_ALARMS, calm_controller, head, maps};
use serde_json::Value;

const SOON: Duration = Duration::from_secs(20);

#[test]
fn only_reading_functions_reach_the_field() {
    let home = TempDir::new("read-only");
    let broker = Broker::start();
    let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
    calm_controller(&mut controller);
    let mut air = ModbusPeer::pymodbus_rtu_over_tcp(&[7]);
    air.set(7, "input", 0, &[2365, 447]);
    let ups = SnmpPeer::start(&[
        ("2.4.0", "integer", "97"),
        ("2.7.0", "integer", "24"),
        ("2.5.0", "integer", "5421"),
        ("4.1.0", "integer", "3"),
    ]);
    let (plant, plant_sent) = proxy::tcp(&controller.address());
    let (environment, environment_sent) = proxy::tcp(&air.address());
    let (card, card_sent) = proxy::udp(&ups.address());
    maps(&home);
    let config = home.write(
        "module.toml",
        &format!(
            "{}\n[[link]]\nname = \"plant\"\nmodbus_tcp = \"{plant}\"\n\n[[link]]\nname = \"environment\"\nmodbus_rtu_tcp = \"{environment}\"\n\n\
             [[link]]\nname = \"ups-a1\"\nsnmp = \"{card}\"\n\n\
             [[device]]\nname = \"controller\"\nlink = \"plant\"\nunit = 1\nmap = \"maps/controller.toml\"\n\n\
             [[device]]\nname = \"air\"\nlink = \"environment\"\nunit = 7\nmap = \"maps/air.toml\"\n\n\
             [[device]]\nname = \"card\"\nlink = \"ups-a1\"\nmap = \"maps/ups.toml\"\n{CONTROLLER_ALARMS}",
            head(&home, &broker.address(), "json")
        ),
    );
    let subscriber = Subscriber::start(broker.port());
    let agent = Agent::run(&config);
    for path in ["coil/water/flow", "cold-aisle/temperature", "ups/a1/battery/charge"] {
        subscriber.topic(&format!("point/{path}"), 0, SOON, |payload| payload["quality"] == 0);
    }
    // Also while alarms come and go, and while a device refuses.
    controller.set(1, "holding", 1, &[150]);
    subscriber.alarm("low-flow", "unacknowledged", 0, SOON);
    controller.manner(1, "exception 4");
    air.manner(7, "garbage");
    subscriber.topic("point/coil/water/flow", 0, SOON, |payload| payload["quality"] != 0);
    controller.manner(1, "well");
    air.manner(7, "well");
    controller.set(1, "holding", 1, &[615]);
    subscriber.alarm("low-flow", "returned_unacknowledged", 0, SOON);
    let asked = Instant::now();
    while environment_sent.sent().iter().map(Vec::len).sum::<usize>() < 6 * 8 {
        assert!(asked.elapsed() < SOON, "the air sensor is hardly asked any more");
        std::thread::sleep(Duration::from_millis(50));
    }
    assert!(agent.terminate().0.success());

    let mut requests = 0;
    for connection in plant_sent.sent() {
        // MBAP header: transaction, protocol 0, length, unit; then the function.
        let mut rest = connection.as_slice();
        while rest.len() >= 8 {
            let length = usize::from(u16::from_be_bytes([rest[4], rest[5]]));
            assert_eq!(rest[2..4], [0, 0], "no Modbus header: {rest:02x?}");
            reads_only(rest[7], rest.get(8).copied());
            requests += 1;
            rest = rest.get(6 + length..).unwrap_or_default();
        }
    }
    assert!(requests > 10, "only {requests} requests were captured on Modbus TCP");
    let mut requests = 0;
    for connection in environment_sent.sent() {
        // Reading requests are all eight bytes long on a serial line, identification seven.
        let mut rest = connection.as_slice();
        while rest.len() >= 7 {
            reads_only(rest[1], rest.get(2).copied());
            requests += 1;
            rest = rest.get(if rest[1] == 43 { 7 } else { 8 }..).unwrap_or_default();
        }
        assert!(rest.is_empty(), "bytes that are no whole request: {rest:02x?}");
    }
    assert!(requests > 5, "only {requests} requests were captured on RTU over TCP");
    let datagrams = card_sent.sent();
    assert!(datagrams.len() > 3, "only {} datagrams were captured", datagrams.len());
    for datagram in datagrams {
        let kind = pdu_kind(&datagram).unwrap_or_else(|| panic!("no SNMP message: {datagram:02x?}"));
        assert!(matches!(kind, 0xA0 | 0xA1 | 0xA5), "SNMP PDU {kind:#x} is none that reads");
    }
}

/// The same of the demo's whole field, serial line included, captured and decoded by programs of others. The long form with
/// every scenario is `tests/run capture`.
#[test]
fn decoded_by_others_the_whole_demo_only_reads() {
    let done = Command::new(python())
        .arg(sources().join("peers/capture.py"))
        .arg(lapwing())
        .arg(repository().join("examples/saltmarsh"))
        .args(["15", "pump-trip"])
        .output()
        .expect("Python runs");
    let (out, err) = (String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
    if done.status.code() == Some(2) && err.contains("may not capture") {
        eprintln!("not tried: this user may not capture packets; run as root, or give tcpdump the right to");
        return;
    }
    assert!(done.status.success(), "{out}{err}");
    let found: Value = serde_json::from_str(out.lines().next().unwrap_or_default()).expect("a line of JSON");
    for kind in ["plant function 3", "fans function 4", "environment function 4", "ups-a1 SNMPget"] {
        assert!(found["requests"][kind].as_u64() > Some(3), "{kind} is missing: {out}");
    }
}

fn reads_only(function: u8, next: Option<u8>) {
    assert!(
        matches!(function, 1..=4) || (function == 43 && next == Some(14)),
        "Modbus function {function} was sent to the field"
    );
}

/// Tag of the PDU in an SNMP message: after version and community (RFC 1157 §4, BER).
fn pdu_kind(message: &[u8]) -> Option<u8> {
    let (0x30, inner, _) = element(message)? else { return None };
    let (_, _, after_version) = element(inner)?;
    let (_, _, pdu) = element(after_version)?;
    pdu.first().copied()
}

/// Tag, content and what follows of the first BER element.
fn element(bytes: &[u8]) -> Option<(u8, &[u8], &[u8])> {
    let (&tag, rest) = bytes.split_first()?;
    let (&first, rest) = rest.split_first()?;
    let (length, rest) = if first < 0x80 {
        (usize::from(first), rest)
    } else {
        let count = usize::from(first & 0x7F);
        let digits = rest.get(..count)?;
        (digits.iter().fold(0, |sum, &byte| sum * 256 + usize::from(byte)), rest.get(count..)?)
    };
    Some((tag, rest.get(..length)?, rest.get(length..)?))
}
