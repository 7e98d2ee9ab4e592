//! Fuzz targets: for every decoder of bytes from outside a body that takes any bytes and demands what must hold for them.
//!
//! Each body demands more than "no panic" where there is more to demand: a believed frame has the right unit, function,
//! length and CRC (reckoned here, apart from the agent); what is decoded can be written and reads the same again; a
//! mistake has a place in its file. Demands are `assert!`s: here a panic is a finding. [`seeds`](Target::seeds) are made
//! by this code. The same bodies run as unit tests of the workspace over seeds and bent seeds (`tests.rs`).

mod calc;
mod checkout;
mod command;
mod config;
mod identity;
mod input;
mod messages;
mod modbus_tcp;
mod redfish;
mod registers;
mod rtu;
mod scenario;
mod snmp;
mod tape;
#[cfg(test)]
mod tests;

/// One decoder under test.
#[derive(Clone, Copy, Debug)]
pub struct Target {
    /// Its name: of the binary, of its folder of inputs.
    pub name: &'static str,
    /// Takes any bytes; panics if what must hold does not.
    pub run: fn(&[u8]),
    /// Inputs that reach far into it.
    pub seeds: fn() -> Vec<Vec<u8>>,
}

/// All of them.
#[must_use]
pub fn targets() -> Vec<Target> {
    let target = |name, run, seeds| Target { name, run, seeds };
    vec![
        target("rtu_reply", rtu::reply, rtu::reply_seeds),
        target("rtu_line", rtu::line, rtu::line_seeds),
        target("rtu_overheard", rtu::overheard, rtu::overheard_seeds),
        target("modbus_tcp", modbus_tcp::run, modbus_tcp::seeds),
        target("identity", identity::run, identity::seeds),
        target("snmp", snmp::run, snmp::seeds),
        target("redfish", redfish::run, redfish::seeds),
        target("config", config::run, config::seeds),
        target("messages", messages::run, messages::seeds),
        target("scenario", scenario::run, scenario::seeds),
        target("checkout", checkout::run, checkout::seeds),
        target("command", command::run, command::seeds),
        target("calc", calc::run, calc::seeds),
        target("registers", registers::run, registers::seeds),
    ]
}

/// Runs one target.
///
/// # Panics
/// If what must hold does not, or there is no such target.
pub fn run(name: &str, data: &[u8]) {
    (named(name).run)(data);
}

/// Writes a target's seeds into the folder that `LAPWING_FUZZ_SEEDS` names, if it names one.
///
/// # Panics
/// If the folder cannot be written.
pub fn write_seeds(name: &str) {
    let Some(folder) = std::env::var_os("LAPWING_FUZZ_SEEDS") else { return };
    for (n, seed) in (named(name).seeds)().iter().enumerate() {
        std::fs::write(std::path::Path::new(&folder).join(format!("seed-{n:03}")), seed).expect("the folder of seeds");
    }
}

fn named(name: &str) -> Target {
    targets().into_iter().find(|target| target.name == name).expect("the name of a target")
}
