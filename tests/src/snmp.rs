//! net-snmp's snmpd on a free UDP port with variables of RFC 1628 (UPS-MIB), changed with its own snmpset; its traps and
//! informs.
//!
//! Read community `public`, write community `private` (the tests' own tool writes, never the agent); user `lapwing` of
//! version 3 with SHA-256 and AES-128, authenticated and encrypted.

use std::process::Command;
use std::time::Duration;

use crate::place::{TempDir, free_udp_port, program};
use crate::process::Process;

/// A running snmpd.
#[derive(Debug)]
pub struct SnmpPeer {
    home: TempDir,
    port: u16,
    process: Process,
}

/// UPS-MIB (RFC 1628), below `mib-2`.
pub const UPS: &str = "1.3.6.1.2.1.33.1";
/// Passwords of the user `lapwing`, authentication and encryption.
pub const PASSWORDS: [&str; 2] = ["authentic-and-long", "private-and-long"];

impl SnmpPeer {
    /// Starts one with these variables: OID below `UPS`, type as snmpd.conf names it, value.
    ///
    /// # Panics
    /// When it does not come up.
    #[must_use]
    pub fn start(variables: &[(&str, &str, &str)]) -> Self {
        let home = TempDir::new("snmpd");
        let mut text = format!(
            "rocommunity public 127.0.0.1\nrwcommunity private 127.0.0.1\nrouser lapwing authpriv\n\
             createUser lapwing SHA-256 \"{}\" AES \"{}\"\n",
            PASSWORDS[0], PASSWORDS[1]
        );
        for (oid, kind, value) in variables {
            text.push_str(&format!("override -rw .{UPS}.{oid} {kind} {value}\n"));
        }
        home.write("snmpd.conf", &text);
        // Another program may take the port between finding and binding it: try again with another.
        for _ in 0..3 {
            let port = free_udp_port();
            if let Some(process) = run(&home, port, &[]) {
                return Self { home, port, process };
            }
        }
        panic!("snmpd does not come up on a free UDP port");
    }

    /// Kills it and starts it on the same port: with another engine id, as a card swapped for a new one, or with its own.
    ///
    /// # Panics
    /// When it does not come up.
    pub fn restart(&mut self, engine_id: Option<&str>) {
        self.process.kill();
        let mut more = Vec::new();
        if let Some(id) = engine_id {
            std::fs::remove_dir_all(self.home.join("persistent")).expect("snmpd kept its engine there");
            let other = self.home.write("engine.conf", &format!("exactEngineID {id}\n"));
            more.push(other.display().to_string());
        }
        self.process = run(&self.home, self.port, &more).expect("snmpd comes up again");
    }

    /// As configuration wants it.
    #[must_use]
    pub fn address(&self) -> String {
        format!("127.0.0.1:{}", self.port)
    }

    /// Changes an integer variable.
    ///
    /// # Panics
    /// When snmpd refuses.
    pub fn set(&self, oid: &str, value: i32) {
        let done = Command::new(program("snmpset"))
            .args(["-v2c", "-c", "private", "-t", "3", "-r", "1"])
            .arg(self.address())
            .args([&format!(".{UPS}.{oid}"), "i", &value.to_string()])
            .env("MIBS", "")
            .env("SNMP_PERSISTENT_DIR", self.home.join("persistent"))
            .output()
            .expect("snmpset runs");
        assert!(done.status.success(), "snmpset: {}", String::from_utf8_lossy(&done.stderr));
    }
}

/// Sends a notification to an address with net-snmp's own program: `snmptrap` or `snmpinform`. Returns whether that
/// program was content, which of an inform means that it was acknowledged.
///
/// # Panics
/// When the program is missing.
#[must_use]
pub fn notify(program_name: &str, to: &str, access: &[&str]) -> bool {
    let home = TempDir::new("snmptrap");
    let done = Command::new(program(program_name))
        .args(access)
        .args(["-t", "1", "-r", "2", to, "", ".1.3.6.1.2.1.33.2.1"])
        .env("MIBS", "")
        .env("SNMP_PERSISTENT_DIR", home.join("persistent"))
        .output()
        .expect("net-snmp's programs are installed");
    done.status.success()
}

fn run(home: &TempDir, port: u16, more: &[String]) -> Option<Process> {
    let files = [&[home.join("snmpd.conf").display().to_string()], more].concat().join(",");
    let process = Process::start(
        "snmpd",
        Command::new(program("snmpd"))
            .args(["-f", "-Lo", "-C", "-c", &files])
            .arg("-p")
            .arg(home.join("pid"))
            .arg(format!("udp:127.0.0.1:{port}"))
            .env("MIBS", "")
            .env("SNMP_PERSISTENT_DIR", home.join("persistent")),
    );
    let up = process.out.find(0, Duration::from_secs(10), |line| line.text.contains("NET-SNMP version").then_some(()));
    up.map(|()| process)
}
