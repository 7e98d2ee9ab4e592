//! net-snmp's snmpd on a free UDP port with variables of RFC 1628 (UPS-MIB), changed with its own snmpset.
//!
//! Read community `public`, write community `private` (the tests' own tool writes, never the agent).

use std::process::Command;
use std::time::Duration;

use crate::place::{TempDir, free_udp_port, program};
use crate::process::Process;

/// A running snmpd.
#[derive(Debug)]
pub struct SnmpPeer {
    home: TempDir,
    port: u16,
    _process: Process,
}

/// UPS-MIB (RFC 1628), below `mib-2`.
pub const UPS: &str = "1.3.6.1.2.1.33.1";

impl SnmpPeer {
    /// Starts one with these variables: OID below `UPS`, type as snmpd.conf names it, value.
    ///
    /// # Panics
    /// When it does not come up.
    #[must_use]
    pub fn start(variables: &[(&str, &str, &str)]) -> Self {
        let home = TempDir::new("snmpd");
        let mut text = String::from("rocommunity public 127.0.0.1\nrwcommunity private 127.0.0.1\n");
        for (oid, kind, value) in variables {
            text.push_str(&format!("override -rw .{UPS}.{oid} {kind} {value}\n"));
        }
        let conf = home.write("snmpd.conf", &text);
        // Another program may take the port between finding and binding it: try again with another.
        for _ in 0..3 {
            let port = free_udp_port();
            let process = Process::start(
                "snmpd",
                Command::new(program("snmpd"))
                    .args(["-f", "-Lo", "-C", "-c"])
                    .arg(&conf)
                    .arg("-p")
                    .arg(home.join("pid"))
                    .arg(format!("udp:127.0.0.1:{port}"))
                    .env("MIBS", "")
                    .env("SNMP_PERSISTENT_DIR", home.join("persistent")),
            );
            let up = process
                .out
                .find(0, Duration::from_secs(10), |line| line.text.contains("NET-SNMP version").then_some(()));
            if up.is_some() {
                return Self { home, port, _process: process };
            }
        }
        panic!("snmpd does not come up on a free UDP port");
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
