//! A small module with banks filled by hand, and the foreign clients that ask it; shared by the tests beside it.
//!
//! No plant model: values are told by each test. The clients are pymodbus (through `modbus_client.py`) and whatever
//! program a test runs. Panics are test failures.
#![allow(dead_code)] // each test program uses its own part

use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::{Duration, Instant};

use lapwing_simulator::bank::{Bank, Carrier, Manner, Reached, SharedBank, SimDevice, SimLink, Variable};
use lapwing_simulator::runtime::{Options, Simulator, Source};
use serde_json::{Value, json};

pub(crate) struct ByHand(Vec<SimLink>);

impl Source for ByHand {
    type Note = ();

    fn links(&self) -> Vec<SimLink> {
        self.0.clone()
    }

    fn step(&mut self, _: u32, _: &mut dyn FnMut(())) {}
}

pub(crate) struct Module {
    pub(crate) simulator: Simulator<()>,
    pub(crate) link: SimLink,
}

impl Module {
    /// One link with these devices.
    pub(crate) fn start(carrier: Carrier, devices: Vec<SimDevice>) -> Self {
        let link = SimLink {
            name: "link".to_owned(),
            carrier,
            devices,
            up: Arc::new(AtomicBool::new(true)),
            second_master: Arc::default(),
        };
        let simulator = Simulator::start(ByHand(vec![link.clone()]), &Options::default()).expect("simulator starts");
        Self { simulator, link }
    }

    pub(crate) fn address(&self) -> String {
        self.simulator.addresses().remove(0).1
    }

    pub(crate) fn bank(&self, device: usize) -> &SharedBank {
        &self.link.devices[device].bank
    }

    pub(crate) fn manner(&self, device: usize, manner: Manner) {
        self.bank(device).lock().manner = manner;
    }
}

/// A unit whose holding register n is 100·unit + n, input register n 1000·unit + n, every third coil and second
/// discrete input on.
pub(crate) fn unit(number: u8) -> SimDevice {
    let base = u16::from(number);
    let bank = SharedBank::default();
    *bank.lock() = Bank {
        coils: (0..20).map(|n| n % 3 == 0).collect(),
        discrete: (0..10).map(|n| n % 2 == 0).collect(),
        holding: (0..150).map(|n| 100 * base + n).collect(),
        input: (0..5).map(|n| 1000 * base + n).collect(),
        ..Bank::default()
    };
    SimDevice { name: format!("unit-{number:02}"), reached: Reached::Unit(number), bank }
}

/// A card with a few variables of RFC 1628 and their system group.
pub(crate) fn card() -> SimDevice {
    let bank = SharedBank::default();
    let ups = |tail: &[u32]| [&[1, 3, 6, 1, 2, 1, 33, 1][..], tail].concat();
    bank.lock().variables = [
        (vec![1, 3, 6, 1, 2, 1, 1, 1, 0], Variable::Text("invented card".to_owned())),
        (vec![1, 3, 6, 1, 2, 1, 1, 2, 0], Variable::Oid(vec![1, 3, 6, 1, 2, 1, 33])),
        (vec![1, 3, 6, 1, 2, 1, 1, 3, 0], Variable::TimeTicks(4200)),
        (ups(&[2, 3, 0]), Variable::Integer(-4)),
        (ups(&[2, 4, 0]), Variable::Gauge(3_000_000_000)),
        (ups(&[3, 1, 0]), Variable::Counter(7)),
        (ups(&[4, 4, 1, 2, 1]), Variable::Integer(230)),
        (ups(&[4, 4, 1, 2, 2]), Variable::Integer(231)),
        (ups(&[4, 4, 1, 2, 10]), Variable::Integer(232)),
    ]
    .into();
    SimDevice { name: "ups-a1".to_owned(), reached: Reached::Agent, bank }
}

/// pymodbus in a process of its own; ends with the value.
pub(crate) struct Client {
    process: Child,
    to: ChildStdin,
    from: BufReader<ChildStdout>,
}

impl Client {
    pub(crate) fn connect(arguments: &[&str]) -> Self {
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/modbus_client.py");
        let mut process = Command::new("python3")
            .arg(script)
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("python3 starts; the tests need it with pymodbus and pyserial");
        let to = process.stdin.take().expect("invariant: piped");
        let from = BufReader::new(process.stdout.take().expect("invariant: piped"));
        let mut client = Self { process, to, from };
        assert_eq!(client.answer(), json!({"connected": true}));
        client
    }

    pub(crate) fn ask(&mut self, request: Value) -> Value {
        writeln!(self.to, "{request}").expect("client takes a request");
        self.answer()
    }

    pub(crate) fn read(&mut self, call: &str, unit: u8, address: u16, count: u16) -> Value {
        let mut answer = self.ask(json!({"call": call, "unit": unit, "address": address, "count": count}));
        answer.as_object_mut().expect("an answer is an object").remove("ms");
        answer
    }

    pub(crate) fn holding(&mut self, unit: u8, address: u16, count: u16) -> Value {
        self.read("read_holding_registers", unit, address, count)
    }

    fn answer(&mut self) -> Value {
        let mut line = String::new();
        self.from.read_line(&mut line).expect("client answers");
        serde_json::from_str(&line).expect("client answers in JSON; the tests need pymodbus and pyserial")
    }
}

impl Drop for Client {
    fn drop(&mut self) {
        self.process.kill().expect("invariant: our own child");
        self.process.wait().expect("invariant: our own child");
    }
}

/// The four read functions, limits, refusals and identification, as every carrier has to give them.
pub(crate) fn check_functions(client: &mut Client, module: &Module) {
    assert_eq!(client.holding(1, 3, 3), json!({"registers": [103, 104, 105]}));
    assert_eq!(client.holding(2, 0, 1), json!({"registers": [200]}));
    assert_eq!(client.read("read_input_registers", 2, 1, 2), json!({"registers": [2001, 2002]}));
    assert_eq!(client.read("read_coils", 1, 0, 10), json!({"bits": [1, 0, 0, 1, 0, 0, 1, 0, 0, 1]}));
    assert_eq!(client.read("read_discrete_inputs", 1, 1, 3), json!({"bits": [0, 1, 0]}));
    let longest = client.holding(1, 0, 125);
    assert_eq!(longest["registers"].as_array().map(Vec::len), Some(125));
    assert_eq!(client.holding(1, 149, 2), json!({"exception": 2}));
    assert_eq!(client.read("read_input_registers", 1, 5, 1), json!({"exception": 2}));

    let before = module.bank(0).lock().clone();
    for (call, value) in [
        ("write_register", json!(1)),
        ("write_coil", json!(true)),
        ("write_registers", json!([1, 2])),
        ("write_coils", json!([true, false])),
    ] {
        let answer = client.ask(json!({"call": call, "unit": 1, "address": 0, "value": value}));
        assert_eq!(answer["exception"], 1, "{call}: {answer}");
    }
    assert_eq!(module.simulator.traffic().write_attempts, 4);
    let after = module.bank(0).lock().clone();
    assert_eq!((before.holding, before.coils), (after.holding, after.coils), "a write changes nothing");

    let identity = client.ask(json!({"call": "read_device_information", "unit": 2, "code": 1}));
    assert_eq!(
        identity["identification"],
        json!({"0": "Saltmarsh (invented)", "1": "unit-02", "2": "1.0"}),
        "{identity}"
    );
}

/// Calls until `what` is true; a test that waits longer has failed.
pub(crate) fn wait_until(what: &str, mut holds: impl FnMut() -> bool) {
    let patience = Instant::now() + Duration::from_secs(10);
    while !holds() {
        assert!(Instant::now() < patience, "waited 10 s for: {what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}
