//! A device that was replaced and is confirmed by a person: doubted before, believed from then on, also after a restart.
//!
//! The device is a small Modbus TCP server of this test: its register 201 is its serial number, which the test changes while
//! the agent runs; then it cuts the connection, as a replacement does.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU16, AtomicU32, Ordering};
use std::time::{Duration, Instant};

use lapwing::core::operator::{Action, Answer, Refused, Role};
use serde_json::Value;

use crate::rig::{Agent, Asked, Site};

const MODULE: &str = r#"
[module]
site = "saltmarsh"
name = "m1"

[mqtt]
broker = "127.0.0.1:1"

[http]
enabled = false

[[link]]
name = "plant"
modbus_tcp = "127.0.0.1:PORT"
timeout_ms = 500

[[device]]
name = "coil"
link = "plant"
map = "coil.toml"
identity = ["holding:201"]
"#;

const COIL: &str = r#"
[[point]]
path = "coil/temperature"
quantity = "temperature"
unit = "Cel"
register = "holding:0"
as = "i16"
scale = 0.1
scan_period = "200ms"
"#;

const ALARM: &str = "fault/device/coil/identity";

/// The device: its serial number, whether its connection is to be cut, how often its temperature was read on this one.
#[derive(Default)]
struct Device {
    serial: AtomicU16,
    cut: AtomicBool,
    scans: AtomicU32,
}

impl Device {
    fn serve(self: Arc<Self>, listener: TcpListener) {
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                self.cut.store(false, Ordering::SeqCst);
                self.scans.store(0, Ordering::SeqCst);
                // Ends when the other side does.
                let _ended = self.talk(stream);
            }
        });
    }

    fn talk(&self, mut stream: TcpStream) -> std::io::Result<()> {
        while !self.cut.load(Ordering::SeqCst) {
            let mut ask = [0_u8; 12];
            stream.read_exact(&mut ask)?;
            let (start, count) = (u16::from_be_bytes([ask[8], ask[9]]), u16::from_be_bytes([ask[10], ask[11]]));
            let values =
                (start..start + count).map(|at| if at == 201 { self.serial.load(Ordering::SeqCst) } else { 215 });
            let registers: Vec<u8> = values.flat_map(u16::to_be_bytes).collect();
            let bytes = u8::try_from(registers.len()).expect("few registers");
            let mut answer = vec![ask[0], ask[1], 0, 0, 0, bytes + 3, ask[6], 3, bytes];
            answer.extend(registers);
            stream.write_all(&answer)?;
            if start == 0 {
                self.scans.fetch_add(1, Ordering::SeqCst);
            }
        }
        Ok(())
    }

    /// Read twice: who it is was asked before the first time.
    fn is_known(&self) {
        let until = Instant::now() + Duration::from_secs(60);
        while self.scans.load(Ordering::SeqCst) < 2 {
            assert!(Instant::now() < until, "the agent does not read the device");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    fn replaced_by(&self, serial: u16) {
        self.serial.store(serial, Ordering::SeqCst);
        self.cut.store(true, Ordering::SeqCst);
    }
}

fn confirms(agent: &Agent, role: Role, device: &str, reason: Option<&str>) -> Answer {
    let action = Action::ConfirmDevice { device: device.into() };
    agent.asks("Engineer on site", role, Asked { action, alarm: None, occurrence: None, reason })
}

#[test]
fn a_replaced_device_is_confirmed_by_an_engineer_and_stays_so() {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = listener.local_addr().expect("bound").port();
    let site = Site::new("confirm", &MODULE.replace("PORT", &port.to_string()), COIL);
    let device = Arc::new(Device::default());
    device.serial.store(7, Ordering::SeqCst);
    Arc::clone(&device).serve(listener);

    let mut agent = Agent::start(&site);
    device.is_known();
    device.replaced_by(8);
    let raised = |event: &Value| event["alarm"] == ALARM && event["to"] == "unacknowledged";
    agent.event("another device", raised);

    let operator = confirms(&agent, Role::Operator, "coil", Some("x"));
    assert_eq!(operator, Err(Refused::NotAllowed { role: Role::Operator, needs: Role::Engineer }));
    assert_eq!(confirms(&agent, Role::Engineer, "coil", None), Err(Refused::NoReason));
    let slip = confirms(&agent, Role::Engineer, "coyl", Some("x"));
    assert_eq!(slip, Err(Refused::UnknownDevice { name: "coyl".into(), near: Some("coil".into()) }));
    confirms(&agent, Role::Engineer, "coil", Some("meter replaced, order 12")).expect("done");
    let told = agent.event("the person", |event| event["action"] == "confirm device" && event["refused"].is_null());
    assert_eq!(told["reason"], "meter replaced, order 12");
    agent.event("it is right", |event| event["alarm"] == ALARM && event["active"] == false);
    let _told = agent.stop();

    // The next start remembers the new one: it is the old one that is strange now.
    let mut agent = Agent::start(&site);
    device.is_known();
    device.replaced_by(7);
    agent.event("another device again", raised);
    let _told = agent.stop();
}
