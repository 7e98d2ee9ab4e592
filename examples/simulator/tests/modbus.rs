//! Modbus devices of the simulator asked by pymodbus: over TCP, RTU over TCP, and on a pseudo-terminal.
//!
//! Checks what a client written by others makes of the answers, in every manner and over a cut. Needs python3 with
//! pymodbus and pyserial. Panics are test failures.

mod module;

use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use lapwing_simulator::bank::{Carrier, Manner};
use module::{Client, Module, check_functions, unit, wait_until};
use serde_json::json;

const SERIAL: Carrier = Carrier::Serial { baud: 19_200 };

fn start(carrier: Carrier) -> (Module, Client) {
    let module = Module::start(carrier, vec![unit(1), unit(2)]);
    let address = module.address();
    let client = match carrier {
        Carrier::ModbusTcp => Client::connect(&["tcp", &address]),
        Carrier::RtuOverTcp => Client::connect(&["rtu_tcp", &address]),
        Carrier::Serial { baud } => Client::connect(&["serial", &address, &baud.to_string()]),
        Carrier::Snmp => panic!("not Modbus"),
    };
    (module, client)
}

fn no_answer(client: &mut Client, unit: u8) {
    let answer = client.holding(unit, 0, 2);
    assert!(answer.get("failed").is_some(), "{answer}");
    assert_eq!(client.ask(json!({"call": "reconnect"}))["connected"], true);
}

#[test]
fn tcp_functions() {
    let (module, mut client) = start(Carrier::ModbusTcp);
    check_functions(&mut client, &module);
    assert_eq!(client.holding(9, 0, 1), json!({"exception": 0x0B}));
    assert_eq!(module.simulator.traffic().unknown_units, 1);
}

#[test]
fn rtu_over_tcp_functions() {
    let (module, mut client) = start(Carrier::RtuOverTcp);
    check_functions(&mut client, &module);
    no_answer(&mut client, 9);
}

#[test]
fn serial_functions() {
    let (module, mut client) = start(SERIAL);
    check_functions(&mut client, &module);
    no_answer(&mut client, 9);
}

#[test]
fn a_serial_exchange_takes_the_time_of_the_line() {
    let (_module, mut client) = start(SERIAL);
    let answer = client.ask(json!({"call": "read_holding_registers", "unit": 1, "address": 0, "count": 125}));
    // 8 + 255 characters and 3.5 silent, 11 bits each: 152.7 ms
    let took = answer["ms"].as_u64().expect("a time");
    assert!(took >= 152, "{took} ms");
}

#[test]
fn silent_and_slow_units_leave_their_neighbours_alone() {
    for carrier in [Carrier::ModbusTcp, Carrier::RtuOverTcp, SERIAL] {
        let (module, mut client) = start(carrier);
        module.manner(0, Manner::Silent);
        no_answer(&mut client, 1);
        assert_eq!(client.holding(2, 0, 1), json!({"registers": [200]}), "{carrier:?}");

        module.manner(0, Manner::Slow { delay_ms: 300 });
        let late = client.ask(json!({"call": "read_holding_registers", "unit": 1, "address": 0, "count": 1}));
        assert_eq!(late["registers"], json!([100]), "{carrier:?}");
        assert!(late["ms"].as_u64() >= Some(300), "{late}");
        assert_eq!(client.holding(2, 0, 1), json!({"registers": [200]}));

        module.manner(0, Manner::Well);
        assert_eq!(client.holding(1, 0, 1), json!({"registers": [100]}));
    }
}

#[test]
fn garbage_never_looks_like_the_right_answer() {
    for carrier in [Carrier::ModbusTcp, Carrier::RtuOverTcp, SERIAL] {
        let (module, mut client) = start(carrier);
        module.manner(0, Manner::Garbage);
        let refused = (0..8)
            .filter(|_| {
                let answer = client.holding(1, 0, 2);
                client.ask(json!({"call": "reconnect"}));
                answer.get("registers").is_none()
            })
            .count();
        // This client believes some of it: that it finds the frame behind noise is no fault of it.
        assert!(refused >= 5, "{carrier:?}: {refused} of 8 refused");
        module.manner(0, Manner::Well);
        assert_eq!(client.holding(1, 0, 2), json!({"registers": [100, 101]}));
    }
}

#[test]
fn two_devices_with_one_address() {
    let (module, mut client) = start(SERIAL);
    module.manner(0, Manner::Doubled);
    for _ in 0..3 {
        no_answer(&mut client, 1);
    }
    assert_eq!(client.holding(2, 0, 1), json!({"registers": [200]}));

    let (module, mut client) = start(Carrier::ModbusTcp);
    module.manner(0, Manner::Doubled);
    assert_eq!(client.holding(1, 0, 1), json!({"exception": 0x0B}));
}

#[test]
fn a_cut_link_resets_connections_and_comes_back_on_the_same_port() {
    for carrier in [Carrier::ModbusTcp, Carrier::RtuOverTcp] {
        let module = Module::start(carrier, vec![unit(1)]);
        let mut open = TcpStream::connect(module.address()).expect("connects");
        module.link.up.store(false, Ordering::Relaxed);
        let mut buffer = [0; 16];
        let kind = open.read(&mut buffer).expect_err("the connection is reset").kind();
        assert_eq!(kind, std::io::ErrorKind::ConnectionReset, "{carrier:?}");
        let mut again = TcpStream::connect(module.address()).expect("the host still accepts");
        assert!(again.read(&mut buffer).is_err(), "and resets at once");
        module.link.up.store(true, Ordering::Relaxed);
        let how = if carrier == Carrier::ModbusTcp { "tcp" } else { "rtu_tcp" };
        wait_until("an answer on the same port", || {
            let mut client = Client::connect(&[how, &module.address()]);
            client.holding(1, 0, 1) == json!({"registers": [100]})
        });
    }
}

#[test]
fn a_cut_serial_line_is_silent_and_comes_back() {
    let (module, mut client) = start(SERIAL);
    module.link.up.store(false, Ordering::Relaxed);
    wait_until("silence", || client.holding(1, 0, 1).get("failed").is_some());
    module.link.up.store(true, Ordering::Relaxed);
    wait_until("an answer", || client.holding(1, 0, 1) == json!({"registers": [100]}));
}

#[test]
fn a_late_answer_behind_a_serial_server_meets_the_next_connection() {
    let module = Module::start(Carrier::RtuOverTcp, vec![unit(1)]);
    module.manner(0, Manner::Slow { delay_ms: 200 });
    let request = [0x01, 0x03, 0, 0, 0, 1, 0x84, 0x0A];
    let mut first = TcpStream::connect(module.address()).expect("connects");
    first.write_all(&request).expect("sends");
    wait_until("the request is heard", || module.simulator.traffic().requests == 1);
    drop(first);
    std::thread::sleep(Duration::from_millis(400)); // the answer falls due while nobody is connected
    let mut second = TcpStream::connect(module.address()).expect("connects");
    second.set_read_timeout(Some(Duration::from_secs(5))).expect("sets a time-out");
    let mut answer = [0; 7];
    second.read_exact(&mut answer).expect("the old answer");
    assert_eq!(answer[..5], [1, 3, 2, 0, 100]);
}

#[test]
fn another_master_is_heard_on_the_serial_line() {
    let module = Module::start(SERIAL, vec![unit(1), unit(2)]);
    let mut listener = std::fs::File::open(module.address()).expect("terminal opens");
    module.link.second_master.store(true, Ordering::Relaxed);
    let begin = Instant::now();
    let mut heard = [0; 8 + 9 + 8 + 9];
    listener.read_exact(&mut heard).expect("foreign traffic");
    assert!(begin.elapsed() >= Duration::from_millis(700), "one request every 700 ms");
    assert_eq!(heard[..6], [1, 3, 0, 0, 0, 2]);
    assert_eq!(heard[8..15], [1, 3, 4, 0, 100, 0, 101]);
    assert_eq!(heard[17..23], [2, 3, 0, 0, 0, 2]);
    assert_eq!(heard[25..32], [2, 3, 4, 0, 200, 0, 201]);
}

#[test]
fn damaged_tcp_requests_never_stop_the_server() {
    let module = Module::start(Carrier::ModbusTcp, vec![unit(1)]);
    let request = [0, 1, 0, 0, 0, 6, 1, 3, 0, 0, 0, 1];
    for bit in 0..request.len() * 8 {
        let mut damaged = request;
        damaged[bit / 8] ^= 1 << (bit % 8);
        let mut stream = TcpStream::connect(module.address()).expect("connects");
        stream.write_all(&damaged).expect("sends");
        stream.shutdown(std::net::Shutdown::Write).expect("closes its side");
        let mut answer = Vec::new();
        if stream.read_to_end(&mut answer).is_ok() && !answer.is_empty() {
            assert_eq!(answer[..4], damaged[..4], "bit {bit}: same transaction");
            assert_eq!(usize::from(answer[5]), answer.len() - 6, "bit {bit}: whole answers only");
        }
    }
    for length in 0..request.len() {
        let mut stream = TcpStream::connect(module.address()).expect("connects");
        stream.write_all(&request[..length]).expect("sends");
        stream.shutdown(std::net::Shutdown::Write).expect("closes its side");
        let mut answer = Vec::new();
        let got = stream.read_to_end(&mut answer);
        assert!(answer.is_empty(), "cut to {length}: {answer:02X?} {got:?}");
    }
    let mut client = Client::connect(&["tcp", &module.address()]);
    assert_eq!(client.holding(1, 0, 1), json!({"registers": [100]}));
}

#[test]
fn a_serial_line_is_free_again_after_its_master_was_killed() {
    let (module, client) = start(SERIAL);
    drop(client); // by a kill: it had no chance to give the terminal back
    let mut next = Client::connect(&["serial", &module.address(), "19200"]);
    assert_eq!(next.holding(1, 0, 1), json!({"registers": [100]}));
}
