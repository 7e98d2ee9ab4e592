//! SNMP agents of the simulator asked by net-snmp's programs: GET, GETNEXT, GETBULK, SET refused, every manner.
//!
//! Needs `snmpget`, `snmpgetnext`, `snmpbulkwalk` and `snmpset`. Panics are test failures.

mod module;

use std::process::Command;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use lapwing_simulator::bank::{Carrier, Manner};
use module::{Module, card};

const WALK: [&str; 9] = [
    ".1.3.6.1.2.1.1.1.0 \"invented card\"",
    ".1.3.6.1.2.1.1.2.0 .1.3.6.1.2.1.33",
    ".1.3.6.1.2.1.1.3.0 0:0:00:42.00",
    ".1.3.6.1.2.1.33.1.2.3.0 -4",
    ".1.3.6.1.2.1.33.1.2.4.0 3000000000",
    ".1.3.6.1.2.1.33.1.3.1.0 7",
    ".1.3.6.1.2.1.33.1.4.4.1.2.1 230",
    ".1.3.6.1.2.1.33.1.4.4.1.2.2 231",
    ".1.3.6.1.2.1.33.1.4.4.1.2.10 232",
];

fn start() -> Module {
    Module::start(Carrier::Snmp, vec![card()])
}

/// Standard output's lines if the program succeeded, else what it said on either output.
fn snmp(program: &str, module: &Module, arguments: &[&str]) -> Result<Vec<String>, String> {
    let address = module.address();
    let output = Command::new(program)
        .args(["-v2c", "-c", "public", "-m", "", "-On", "-OQ", "-t", "1", "-r", "0"])
        .arg(format!("udp:{address}"))
        .args(arguments)
        .output()
        .expect("net-snmp's programs are installed");
    let text = String::from_utf8_lossy(&output.stdout).replace(" = ", " ");
    if output.status.success() {
        // At the end of a walk the program repeats the last name with the exception endOfMibView in words.
        let lines = text.lines().filter(|line| !line.contains("No more variables"));
        Ok(lines.map(str::to_owned).collect())
    } else {
        Err(format!("{text}{}", String::from_utf8_lossy(&output.stderr)))
    }
}

#[test]
fn get_getnext_and_bulk() {
    let module = start();
    let got = snmp("snmpget", &module, &["1.3.6.1.2.1.33.1.2.4.0", "1.3.6.1.2.1.33.1.2.3.0"]);
    assert_eq!(got.as_deref(), Ok(&[WALK[4].to_owned(), WALK[3].to_owned()][..]));
    let next = snmp("snmpgetnext", &module, &["1.3.6.1.2.1.33.1.4.4.1.2.2"]);
    assert_eq!(next.as_deref(), Ok(&[WALK[8].to_owned()][..]), "10 comes after 2: arcs are numbers");
    let walk = snmp("snmpbulkwalk", &module, &["1.3.6.1.2.1"]);
    assert_eq!(walk.as_deref(), Ok(&WALK.map(str::to_owned)[..]));
    let missing = snmp("snmpget", &module, &["1.3.6.1.2.1.33.9.0"]).expect("answers");
    assert!(missing[0].contains("No Such Object"), "{missing:?}");
}

#[test]
fn set_is_refused_and_counted() {
    let module = start();
    let refused = snmp("snmpset", &module, &["1.3.6.1.2.1.33.1.2.3.0", "i", "5"]).expect_err("refused");
    assert!(refused.contains("notWritable"), "{refused}");
    assert_eq!(module.simulator.traffic().write_attempts, 1);
    let got = snmp("snmpget", &module, &["1.3.6.1.2.1.33.1.2.3.0"]);
    assert_eq!(got.as_deref(), Ok(&[WALK[3].to_owned()][..]));
}

#[test]
fn another_community_gets_no_answer() {
    let module = start();
    let address = format!("udp:{}", module.address());
    let output = Command::new("snmpget")
        .args(["-v2c", "-c", "secret", "-t", "0.5", "-r", "0", &address, "1.3.6.1.2.1.1.1.0"])
        .output()
        .expect("net-snmp's programs are installed");
    assert!(!output.status.success());
}

#[test]
fn silent_slow_garbled_doubled_and_cut() {
    let module = start();
    let get = |module: &Module| snmp("snmpget", module, &["1.3.6.1.2.1.1.1.0"]);
    let right = Ok(vec![WALK[0].to_owned()]);

    module.manner(0, Manner::Silent);
    assert!(get(&module).expect_err("silent").contains("Timeout"));

    module.manner(0, Manner::Slow { delay_ms: 400 });
    let begin = Instant::now();
    let walk = snmp("snmpbulkwalk", &module, &["1.3.6.1.2.1.33"]);
    assert_eq!(walk.map(|lines| lines.len()), Ok(6));
    let took = begin.elapsed();
    assert!(took >= Duration::from_millis(400), "{took:?}");
    assert!(took < Duration::from_millis(2400), "late once a datagram, not once a variable: {took:?}");

    module.manner(0, Manner::Garbage);
    for _ in 0..3 {
        get(&module).expect_err("garbage is not believed");
    }
    module.manner(0, Manner::Doubled);
    assert_eq!(get(&module), right);

    module.manner(0, Manner::Well);
    module.link.up.store(false, Ordering::Relaxed);
    assert!(get(&module).expect_err("cut").contains("Timeout"));
    module.link.up.store(true, Ordering::Relaxed);
    assert_eq!(get(&module), right);
}
