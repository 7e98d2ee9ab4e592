//! Modbus servers that others wrote: pymodbus and libmodbus, on TCP, on a serial line and as RTU over TCP.
//!
//! Both are told by lines what their registers hold; every change is confirmed before the call returns. Panics when a
//! peer does not start, refuses a change or is not installed.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use serde_json::Value;

use crate::place::{TempDir, program, python, sources};
use crate::process::Process;

const START: Duration = Duration::from_secs(20);
const ANSWER: Duration = Duration::from_secs(10);

/// A Modbus server in a process of its own.
#[derive(Debug)]
pub struct ModbusPeer {
    process: Process,
    port: u16,
    _home: Option<TempDir>,
}

impl ModbusPeer {
    /// pymodbus as Modbus TCP.
    #[must_use]
    pub fn pymodbus_tcp(units: &[u8]) -> Self {
        Self::pymodbus(units, &["--framer", "socket"], 0)
    }

    /// pymodbus as Modbus TCP on a port given: for a device that comes back.
    #[must_use]
    pub fn pymodbus_tcp_at(units: &[u8], port: u16) -> Self {
        Self::pymodbus(units, &["--framer", "socket"], port)
    }

    /// pymodbus with RTU frames over TCP.
    #[must_use]
    pub fn pymodbus_rtu_over_tcp(units: &[u8]) -> Self {
        Self::pymodbus(units, &["--framer", "rtu"], 0)
    }

    /// pymodbus as RTU on a serial line.
    #[must_use]
    pub fn pymodbus_serial(units: &[u8], path: &Path) -> Self {
        let path = path.display().to_string();
        Self::pymodbus(units, &["--framer", "rtu", "--serial", &path], 0)
    }

    fn pymodbus(units: &[u8], options: &[&str], port: u16) -> Self {
        let units = units.iter().map(u8::to_string).collect::<Vec<_>>().join(",");
        let process = Process::start(
            "pymodbus server",
            Command::new(python()).arg(sources().join("peers/modbus_server.py")).args(options).args([
                "--units",
                &units,
                "--port",
                &port.to_string(),
            ]),
        );
        Self::ready(process, None)
    }

    /// libmodbus as Modbus TCP; it answers for every unit.
    #[must_use]
    pub fn libmodbus_tcp() -> Self {
        let (home, server) = compiled("modbus_server.c");
        Self::ready(Process::start("libmodbus server", Command::new(server).arg("tcp")), Some(home))
    }

    /// libmodbus as RTU on a serial line, 19200 baud, even parity.
    #[must_use]
    pub fn libmodbus_serial(path: &Path, unit: u8) -> Self {
        let (home, server) = compiled("modbus_server.c");
        let process = Process::start(
            "libmodbus server",
            Command::new(server).arg("rtu").arg(path).args(["19200", &unit.to_string()]),
        );
        Self::ready(process, Some(home))
    }

    fn ready(process: Process, home: Option<TempDir>) -> Self {
        let found = process.out.find(0, START, |line| {
            let said: Value = serde_json::from_str(&line.text).ok()?;
            Some(said.get("ready")?.get("port").and_then(Value::as_u64).unwrap_or(0))
        });
        let Some(port) = found else {
            panic!("the Modbus server did not start:\n{}\n{}", process.out.tail(), process.err.tail())
        };
        Self { process, port: u16::try_from(port).expect("a port is below 65536"), _home: home }
    }

    /// Its port, 0 on a serial line.
    #[must_use]
    pub fn port(&self) -> u16 {
        self.port
    }

    /// As configuration wants it.
    #[must_use]
    pub fn address(&self) -> String {
        format!("127.0.0.1:{}", self.port)
    }

    /// Changes registers or bits from an address on: `set(1, "holding", 0, &[215])`. libmodbus ignores the unit.
    ///
    /// # Panics
    /// When the peer refuses.
    pub fn set(&mut self, unit: u8, table: &str, address: u16, values: &[u16]) {
        let values = values.iter().map(u16::to_string).collect::<Vec<_>>().join(" ");
        let unit = if self._home.is_some() { String::new() } else { format!("{unit} ") };
        self.obey(&format!("set {unit}{table} {address} {values}"));
    }

    /// Changes how a unit answers (pymodbus only): `silent`, `garbage`, `truncated`, `wrong-unit`, `short`,
    /// `exception 4`, `well`.
    pub fn manner(&mut self, unit: u8, manner: &str) {
        self.obey(&format!("manner {unit} {manner}"));
    }

    fn obey(&mut self, line: &str) {
        let mark = self.process.out.mark();
        self.process.tell(line);
        let (done, _) = self.process.out.wait("confirmation", mark, ANSWER, |line| Some(line.text.clone()));
        assert!(done.contains("done") && !done.contains("false"), "{line:?} was answered with {done}");
    }

    /// Ends it as a power cut would.
    pub fn kill(mut self) {
        self.process.kill();
    }
}

/// A program of `peers/` on libmodbus, compiled into a directory of its own.
///
/// # Panics
/// When compiler or library are not installed, or the source is refused.
#[must_use]
pub fn compiled(source: &str) -> (TempDir, PathBuf) {
    let home = TempDir::new("libmodbus");
    let built = home.join(source.trim_end_matches(".c"));
    let flags = Command::new(program("pkg-config"))
        .args(["--cflags", "--libs", "libmodbus"])
        .output()
        .expect("pkg-config runs");
    assert!(flags.status.success(), "libmodbus-dev is not installed; tests/run installs what is missing");
    let flags = String::from_utf8_lossy(&flags.stdout).into_owned();
    let done = Command::new(program("cc"))
        .args(["-O2", "-Wall", "-o"])
        .arg(&built)
        .arg(sources().join("peers").join(source))
        .args(flags.split_whitespace())
        .output()
        .expect("the C compiler runs");
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    (home, built)
}
