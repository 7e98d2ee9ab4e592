//! A device that was replaced and is confirmed by a person: doubted before, believed from then on, also after a restart.
//!
//! The device is a small Modbus TCP server of this test: its register 201 is its serial number, which the test changes while
//! the agent runs; then it cuts the connection, as a replacement does. No broker is there.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU16, AtomicU32, Ordering};
use std::sync::mpsc::{Receiver, sync_channel};
use std::time::{Duration, Instant};

use lapwing::config::{self, Overrides};
use lapwing::core::Message;
use lapwing::core::operator::{Action, Answer, Refused, Reply, Request, Role};
use lapwing::core::run::Told;
use lapwing::service::Service;
use serde_json::Value;

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

struct Agent {
    service: Service,
    told: Receiver<Told>,
}

impl Agent {
    fn start(dir: &Path) -> Self {
        let overrides = Overrides { store_dir: Some(dir.join("store")), ..Overrides::default() };
        let loaded = config::load(&dir.join("module.toml"), std::iter::empty(), &overrides).expect("valid");
        let (tell, told) = sync_channel(4096);
        Self { service: Service::start(loaded.plan, tell).expect("starts"), told }
    }

    fn event(&self, what: &str, wanted: impl Fn(&Value) -> bool) -> Value {
        let until = Instant::now() + Duration::from_secs(60);
        while let Ok(told) = self.told.recv_timeout(until.saturating_duration_since(Instant::now())) {
            let Told::Event(payload) = told else { continue };
            let event: Value = serde_json::from_slice(&payload).expect("an event");
            if wanted(&event) {
                return event;
            }
        }
        panic!("no event: {what}");
    }

    fn confirms(&self, role: Role, device: &str, reason: Option<&str>) -> Answer {
        let (reply, answer) = sync_channel(1);
        let request = Request {
            who: "Engineer on site".into(),
            role,
            action: Action::ConfirmDevice { device: device.into() },
            alarm: None,
            occurrence: None,
            reason: reason.map(str::to_owned),
            once: None,
            reply: Reply::to(move |answer| reply.send(answer).expect("somebody waits")),
        };
        self.service.door().hand_in_surely(Message::Operator(Box::new(request)));
        answer.recv_timeout(Duration::from_secs(60)).expect("an answer")
    }
}

struct Dir(PathBuf);

impl Drop for Dir {
    fn drop(&mut self) {
        let _left = std::fs::remove_dir_all(&self.0);
    }
}

#[test]
fn a_replaced_device_is_confirmed_by_an_engineer_and_stays_so() {
    let dir = Dir(std::env::temp_dir().join(format!("lapwing-confirm-{}", std::process::id())));
    std::fs::create_dir_all(&dir.0).expect("a directory");
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = listener.local_addr().expect("bound").port();
    std::fs::write(dir.0.join("module.toml"), MODULE.replace("PORT", &port.to_string())).expect("written");
    std::fs::write(dir.0.join("coil.toml"), COIL).expect("written");
    let device = Arc::new(Device::default());
    device.serial.store(7, Ordering::SeqCst);
    Arc::clone(&device).serve(listener);

    let agent = Agent::start(&dir.0);
    device.is_known();
    device.replaced_by(8);
    let raised = |event: &Value| event["alarm"] == ALARM && event["to"] == "unacknowledged";
    agent.event("another device", raised);

    let operator = agent.confirms(Role::Operator, "coil", Some("x"));
    assert_eq!(operator, Err(Refused::NotAllowed { role: Role::Operator, needs: Role::Engineer }));
    assert_eq!(agent.confirms(Role::Engineer, "coil", None), Err(Refused::NoReason));
    let slip = agent.confirms(Role::Engineer, "coyl", Some("x"));
    assert_eq!(slip, Err(Refused::UnknownDevice { name: "coyl".into(), near: Some("coil".into()) }));
    agent.confirms(Role::Engineer, "coil", Some("meter replaced, order 12")).expect("done");
    let told = agent.event("the person", |event| event["action"] == "confirm device" && event["refused"].is_null());
    assert_eq!(told["reason"], "meter replaced, order 12");
    agent.event("it is right", |event| event["alarm"] == ALARM && event["active"] == false);
    let _summary = agent.service.stop();

    // The next start remembers the new one: it is the old one that is strange now.
    let agent = Agent::start(&dir.0);
    device.is_known();
    device.replaced_by(7);
    agent.event("another device again", raised);
    let _summary = agent.service.stop();
}
