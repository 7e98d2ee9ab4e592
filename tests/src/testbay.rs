//! The invented module `t1` at `testbay`: configurations written for peers that the project did not write.
//!
//! `Field` is every kind of link at once; `one_controller` is the small module that most tests need: one pymodbus unit
//! with three alarms. Initial values are calm: no alarm stands.

use std::path::PathBuf;

use crate::field::SerialLine;
use crate::modbus::ModbusPeer;
use crate::place::{TempDir, sources};
use crate::snmp::SnmpPeer;

/// A peer for every kind of link.
#[derive(Debug)]
pub struct Field {
    /// pymodbus on TCP, unit 1.
    pub controller: ModbusPeer,
    /// libmodbus on TCP, unit 1.
    pub meter: ModbusPeer,
    /// libmodbus as RTU on the serial line, unit 5.
    pub fan: ModbusPeer,
    /// The serial line.
    pub line: SerialLine,
    /// pymodbus with RTU frames over TCP, unit 7.
    pub air: ModbusPeer,
    /// snmpd with UPS-MIB variables.
    pub ups: SnmpPeer,
}

impl Field {
    /// Starts all peers with calm values.
    #[must_use]
    pub fn start() -> Self {
        let mut controller = ModbusPeer::pymodbus_tcp(&[1]);
        calm_controller(&mut controller);
        let mut meter = ModbusPeer::libmodbus_tcp();
        // 71.234 kW in two registers; 230.1 V; 152.30 A with a scale factor of −2.
        meter.set(1, "input", 0, &[0x0001, 0x1642]);
        meter.set(1, "input", 2, &[2301]);
        meter.set(1, "input", 4, &[15230, 0xFFFE]);
        let line = SerialLine::lay();
        let mut fan = ModbusPeer::libmodbus_serial(&line.peer, 5);
        fan.set(5, "input", 0, &[1480, 412]);
        let mut air = ModbusPeer::pymodbus_rtu_over_tcp(&[7]);
        air.set(7, "input", 0, &[2365, 447]);
        let ups = SnmpPeer::start(&[
            ("2.4.0", "integer", "97"),
            ("2.7.0", "integer", "24"),
            ("2.5.0", "integer", "5421"),
            ("4.1.0", "integer", "3"),
        ]);
        Self { controller, meter, fan, line, air, ups }
    }

    /// Writes the configuration that reads them.
    #[must_use]
    pub fn configure(&self, home: &TempDir, broker: &str, frames: &str) -> PathBuf {
        maps(home);
        let text = format!(
            r#"{head}
[[link]]
name = "plant"
modbus_tcp = "{controller}"
timeout_ms = 500

[[link]]
name = "power"
modbus_tcp = "{meter}"
timeout_ms = 500

[[link]]
name = "fans"
serial = "{line}"
listen_first = "0s"
baud = 19200
parity = "even"
timeout_ms = 300

[[link]]
name = "environment"
modbus_rtu_tcp = "{air}"
timeout_ms = 500

[[link]]
name = "ups-a1"
snmp = "{ups}"
timeout_ms = 1000

[[device]]
name = "controller"
link = "plant"
unit = 1
map = "maps/controller.toml"

[[device]]
name = "meter-a1"
link = "power"
unit = 1
map = "maps/meter.toml"

[[device]]
name = "fan-01"
link = "fans"
unit = 5
map = "maps/fan.toml"

[[device]]
name = "air"
link = "environment"
unit = 7
map = "maps/air.toml"

[[device]]
name = "ups-a1"
link = "ups-a1"
map = "maps/ups.toml"

[[derived]]
path = "cold-aisle/dew-point"
compute = "dew_point"
from = {{ t_c = "cold-aisle/temperature", rh = "cold-aisle/humidity" }}
resolution = 0.1
{CONTROLLER_ALARMS}
[[alarm]]
id = "current-high"
point = "busway/a1/l1/current"
high = 200.0
deadband = 5.0
priority = "high"
text = "Phase current {{value}} is above {{limit}}"
consequence = "The breaker trips."
response = "Move load to the other side."

[[alarm]]
id = "fan-slow"
point = "fan/01/speed"
low = 1000.0
deadband = 50.0
priority = "medium"
text = "Fan speed {{value}} is below {{limit}}"
consequence = "One fan less moves air."
response = "Check the fan."

[[alarm]]
id = "aisle-hot"
point = "cold-aisle/temperature"
high = 27.0
deadband = 0.5
priority = "high"
text = "Cold aisle {{value}} is above {{limit}}"
consequence = "Inlets follow."
response = "Check the coil."

[[alarm]]
id = "ups-on-battery"
point = "ups/a1/output/source"
state = "battery"
priority = "high"
text = "UPS is on {{state}}"
consequence = "The load is lost when the battery is empty."
response = "Check the supply."
"#,
            head = head(home, broker, frames),
            controller = self.controller.address(),
            meter = self.meter.address(),
            line = self.line.agent.display(),
            air = self.air.address(),
            ups = self.ups.address(),
        );
        home.write("module.toml", &text)
    }
}

/// Alarms on the controller's points.
pub const CONTROLLER_ALARMS: &str = r#"
[[alarm]]
id = "supply-water-warm"
point = "coil/water/supply/temperature"
high = 21.0
deadband = 0.5
priority = "high"
impact = "degraded"
text = "Supply water {value} is above {limit}"
consequence = "The coil cannot hold the cold aisle."
response = "Check the chiller plant."
respond_within = "3m"

[[alarm]]
id = "low-flow"
point = "coil/water/flow"
low = 20.0
deadband = 2.0
priority = "critical"
impact = "load_at_risk"
text = "Water flow {value} is below {limit}"
consequence = "The coil stops cooling within a minute."
response = "Start the standby pump."
respond_within = "1m"

[[alarm]]
id = "pump-stopped"
point = "pump/1/state"
state = "stopped"
priority = "medium"
text = "Pump 1 is {state}"
consequence = "The standby pump must carry the load."
response = "Check the pump's drive."
"#;

/// Everything before the links.
#[must_use]
pub fn head(home: &TempDir, broker: &str, frames: &str) -> String {
    format!(
        "[module]\nsite = \"testbay\"\nname = \"t1\"\nmode = \"test\"\nannounce_in = [\"live\", \"test\"]\n\n\
         [mqtt]\nbroker = \"{broker}\"\nframes = \"{frames}\"\npoints = [\"**\"]\nkeep_alive = \"5s\"\n\n\
         [store]\ndir = \"{}\"\n\n[http]\nenabled = false\n",
        home.join("data").display()
    )
}

/// Puts the maps beside a configuration.
///
/// # Panics
/// When they cannot be copied.
pub fn maps(home: &TempDir) {
    for map in ["controller", "meter", "fan", "air", "ups"] {
        let text = std::fs::read_to_string(sources().join(format!("maps/{map}.toml"))).expect("the map is there");
        home.write(&format!("maps/{map}.toml"), &text);
    }
}

/// Calm values of the controller's registers.
pub fn calm_controller(controller: &mut ModbusPeer) {
    // 18.2 °C; 61.5 m³/h; 312.25 kPa as a float, low word first (0x439C2000); 123 456 kWh; pump running.
    controller.set(1, "holding", 0, &[182, 615, 0x2000, 0x439C, 0x0001, 0xE240]);
    controller.set(1, "discrete", 0, &[1]);
    controller.set(1, "coil", 3, &[0]);
}

/// The small module: one pymodbus controller.
#[must_use]
pub fn one_controller(home: &TempDir, controller: &str, broker: &str) -> PathBuf {
    one_controller_at(home, controller, broker, &home.join("data"))
}

/// The small module with its data in a directory of its own.
#[must_use]
pub fn one_controller_at(home: &TempDir, controller: &str, broker: &str, data: &std::path::Path) -> PathBuf {
    maps(home);
    let here = home.join("data").display().to_string();
    let text = format!(
        "{}\n[[link]]\nname = \"plant\"\nmodbus_tcp = \"{controller}\"\ntimeout_ms = 500\n\n\
         [[device]]\nname = \"controller\"\nlink = \"plant\"\nunit = 1\nmap = \"maps/controller.toml\"\n{CONTROLLER_ALARMS}",
        head(home, broker, "json").replace(&here, &data.display().to_string()),
    );
    home.write("module.toml", &text)
}
