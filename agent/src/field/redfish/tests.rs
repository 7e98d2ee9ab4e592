//! Redfish against a local HTTPS server that serves the standard's shapes, and one that misbehaves.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use lapwing_protocol::Status;
use rustls::ServerConfig;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpListener;
use tokio_rustls::TlsAcceptor;

use super::*;
use crate::field::FieldMessage;
use crate::field::testing::{Rig, Sketch, batches, faults, good, states};
use crate::plan::{Tls, Transport};
use crate::tls::testing::{Certificates, chain, key};

/// Shapes of published schemas (Thermal, Power, Sensor, the metrics of a rack PDU's outlet), cut to what is read; property
/// names from memory of DSP2046.
fn resources() -> BTreeMap<&'static str, String> {
    let thermal = r##"{"@odata.id":"/redfish/v1/Chassis/1/Thermal","@odata.type":"#Thermal.v1_7_0.Thermal","Id":"Thermal",
        "Temperatures":[{"MemberId":"0","Name":"Inlet","Status":{"State":"Enabled","Health":"OK"},"ReadingCelsius":23.5,
        "UpperThresholdCritical":45,"PhysicalContext":"Intake"},{"MemberId":"1","Status":{"State":"Absent"},"ReadingCelsius":null}],
        "Fans":[{"Name":"Fan 1","Reading":5400,"ReadingUnits":"RPM","Status":{"State":"Enabled"}}]}"##;
    let power = r##"{"@odata.type":"#Power.v1_7_0.Power","PowerControl":[{"PowerConsumedWatts":412.25,"PowerCapacityWatts":800}],
        "PowerSupplies":[{"LineInputVoltage":229.6,"Status":{"State":"Enabled","Health":"OK"}}]}"##;
    let sensor = r##"{"@odata.type":"#Sensor.v1_7_0.Sensor","Id":"CabinetTemp","ReadingType":"Temperature","ReadingUnits":"Cel",
        "Reading":31.6,"Status":{"State":"Enabled","Health":"OK"}}"##;
    let outlet = r##"{"@odata.type":"#Outlet.v1_4_0.Outlet","PowerState":"On","Voltage":{"Reading":230.1},
        "PowerWatts":{"DataSourceUri":"/redfish/v1/PowerEquipment/RackPDUs/1/Sensors/PWR1","Reading":118}}"##;
    BTreeMap::from([
        ("/redfish/v1/Chassis/1/Thermal", thermal.to_owned()),
        ("/redfish/v1/Chassis/1/Power", power.to_owned()),
        ("/redfish/v1/Chassis/1/Sensors/CabinetTemp", sensor.to_owned()),
        ("/redfish/v1/PowerEquipment/RackPDUs/1/Outlets/A1", outlet.to_owned()),
    ])
}

#[derive(Default)]
struct Seen {
    connections: AtomicUsize,
    requests: Mutex<Vec<String>>,
    now: AtomicUsize,
    most: AtomicUsize,
}

/// What a service answers to a request's first lines; `None` hangs up.
type Script = dyn Fn(&str) -> Option<Vec<u8>> + Send + Sync;

struct Service {
    port: u16,
    seen: Arc<Seen>,
}

impl Service {
    fn start(rig: &Rig, at: &Certificates, delay: Duration, script: Arc<Script>) -> Self {
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let config = ServerConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .expect("versions the provider has")
            .with_no_client_auth()
            .with_single_cert(chain(&at.file("server.pem")), key(&at.file("server.key")))
            .expect("a certificate and its key");
        let acceptor = TlsAcceptor::from(Arc::new(config));
        let listener = rig.runtime.block_on(TcpListener::bind("127.0.0.1:0")).expect("a port");
        let port = listener.local_addr().expect("bound").port();
        let seen: Arc<Seen> = Arc::default();
        let noted = Arc::clone(&seen);
        rig.runtime.spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                let (acceptor, seen, script) = (acceptor.clone(), Arc::clone(&noted), Arc::clone(&script));
                tokio::spawn(async move {
                    let Ok(mut stream) = acceptor.accept(stream).await else { return };
                    seen.connections.fetch_add(1, Ordering::Relaxed);
                    let mut head = Vec::new();
                    while let Ok(byte) = stream.read_u8().await {
                        head.push(byte);
                        if !head.ends_with(b"\r\n\r\n") {
                            continue;
                        }
                        let request = String::from_utf8_lossy(&head).into_owned();
                        head.clear();
                        let now = seen.now.fetch_add(1, Ordering::Relaxed) + 1;
                        seen.most.fetch_max(now, Ordering::Relaxed);
                        sleep(delay).await;
                        seen.now.fetch_sub(1, Ordering::Relaxed);
                        let answer = script(&request);
                        seen.requests.lock().expect("nobody panics with it").push(request);
                        let Some(answer) = answer else { return };
                        if stream.write_all(&answer).await.is_err() || stream.flush().await.is_err() {
                            return;
                        }
                    }
                });
            }
        });
        Self { port, seen }
    }

    fn requests(&self) -> Vec<String> {
        self.seen.requests.lock().expect("nobody panics with it").clone()
    }
}

fn ok(body: &str) -> Vec<u8> {
    format!("HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}", body.len())
        .into_bytes()
}

fn status(line: &str) -> Vec<u8> {
    format!("HTTP/1.1 {line}\r\nContent-Length: 2\r\n\r\n{{}}").into_bytes()
}

fn path(request: &str) -> &str {
    request.split(' ').nth(1).unwrap_or("")
}

/// Serves the shapes to the right user.
fn standard() -> Arc<Script> {
    let resources = resources();
    Arc::new(move |request| {
        // "m1:secret" in Base64 (RFC 4648).
        if !request.to_ascii_lowercase().contains("authorization: basic bte6c2vjcmv0\r\n") {
            return Some(status("401 Unauthorized"));
        }
        Some(resources.get(path(request)).map_or_else(|| status("404 Not Found"), |body| ok(body)))
    })
}

fn always(answer: Vec<u8>) -> Arc<Script> {
    Arc::new(move |_| Some(answer.clone()))
}

struct Ground {
    at: Certificates,
    password: PathBuf,
}

impl Ground {
    fn new(name: &str) -> Self {
        let at = Certificates::new(&format!("redfish-{name}"));
        let password = at.file("password");
        std::fs::write(&password, "secret\n").expect("written");
        Self { at, password }
    }

    fn link(&self, sketch: Sketch, port: u16) -> Sketch {
        let service = Redfish {
            host: "127.0.0.1".into(),
            port,
            tls: Tls { ca: self.at.authority(), server_name: None, client: None },
            user: "m1".into(),
            password_file: self.password.clone(),
        };
        sketch.link(Transport::Redfish(service), 2000).device(0)
    }
}

fn asks(sketch: Sketch, resource: &str, pointers: &[&str]) -> Sketch {
    let points = u32::try_from(pointers.len()).expect("few");
    let ask = Ask::Redfish { resource: resource.into(), pointers: pointers.iter().map(|p| (*p).into()).collect() };
    sketch.asks(ask, points, Duration::from_millis(50))
}

fn inlet(sketch: Sketch) -> Sketch {
    asks(sketch, "/redfish/v1/Chassis/1/Thermal", &["/Temperatures/0/ReadingCelsius"])
}

#[test]
fn published_shapes_are_read_over_one_kept_connection() {
    let ground = Ground::new("shapes");
    let mut rig = Rig::new();
    let service = Service::start(&rig, &ground.at, Duration::ZERO, standard());
    let thermal = ["/Temperatures/0/ReadingCelsius", "/Temperatures/1/ReadingCelsius", "/Fans/0/Reading"];
    let mut sketch = asks(ground.link(Sketch::default(), service.port), "/redfish/v1/Chassis/1/Thermal", &thermal);
    let power = ["/PowerControl/0/PowerConsumedWatts", "/PowerSupplies/0/LineInputVoltage"];
    sketch = asks(sketch, "/redfish/v1/Chassis/1/Power", &power);
    sketch = asks(sketch, "/redfish/v1/Chassis/1/Sensors/CabinetTemp", &["/Reading"]);
    let outlet = ["/Voltage/Reading", "/PowerWatts/Reading"];
    sketch = asks(sketch, "/redfish/v1/PowerEquipment/RackPDUs/1/Outlets/A1", &outlet);
    sketch = asks(sketch, "/redfish/v1/Chassis/2/Thermal", &["/Temperatures/0/ReadingCelsius"]);
    rig.start(sketch.plan());
    (1..4).for_each(|transaction| rig.inbox.wait_good(transaction, 5));
    rig.inbox.wait("a refusal", |all| !faults(all, 4).is_empty());
    let all = rig.end();
    let absent = Raw::Fault(Status::BAD_NOT_CONNECTED);
    assert_eq!(batches(&all, 0)[0].raws, [Raw::Real(23.5), absent, Raw::Whole(5400)]);
    assert_eq!(good(&all, 1)[0].raws, [Raw::Real(412.25), Raw::Real(229.6)]);
    assert_eq!(good(&all, 2)[0].raws, [Raw::Real(31.6)]);
    assert_eq!(good(&all, 3)[0].raws, [Raw::Real(230.1), Raw::Whole(118)]);
    assert!(faults(&all, 4).iter().all(|status| *status == Status::BAD_NOT_FOUND), "404 names the map");
    assert_eq!(states(&all), [("link", 0, true)], "a missing resource is no silence");
    assert_eq!(service.seen.connections.load(Ordering::Relaxed), 1, "the connection is kept");
    let requests = service.requests();
    assert!(requests.len() >= 20 && requests.iter().all(|r| r.starts_with("GET /redfish/v1/")), "only GET is sent");
}

#[test]
fn a_service_that_closes_after_each_answer_is_read_all_the_same() {
    let ground = Ground::new("closes");
    let mut rig = Rig::new();
    let body = resources().remove("/redfish/v1/Chassis/1/Thermal").expect("there");
    let answers = AtomicUsize::new(0);
    // Every second request on a connection finds it closed without a word.
    let script: Arc<Script> =
        Arc::new(move |_| answers.fetch_add(1, Ordering::Relaxed).is_multiple_of(2).then(|| ok(&body)));
    let service = Service::start(&rig, &ground.at, Duration::ZERO, script);
    rig.start(inlet(ground.link(Sketch::default(), service.port)).plan());
    rig.inbox.wait_good(0, 6);
    let all = rig.end();
    assert!(faults(&all, 0).is_empty(), "a closed idle connection costs no reading");
    assert!(service.seen.connections.load(Ordering::Relaxed) >= 6);
}

/// Why the link is down.
fn refusal(mut rig: Rig, sketch: Sketch) -> String {
    rig.start(inlet(sketch).plan());
    rig.inbox.wait("link down", |all| states(all).contains(&("link", 0, false)));
    let all = rig.end();
    assert!(good(&all, 0).is_empty(), "nothing may be read");
    let why = all.into_iter().find_map(|message| match message {
        FieldMessage::LinkState { up: false, why, .. } => Some(why.to_string()),
        _ => None,
    });
    why.expect("it was told")
}

#[test]
fn a_wrong_user_is_told_and_a_mended_password_is_used() {
    let ground = Ground::new("user");
    std::fs::write(&ground.password, "wrong\n").expect("written");
    let mut rig = Rig::new();
    let service = Service::start(&rig, &ground.at, Duration::ZERO, standard());
    rig.start(inlet(ground.link(Sketch::default(), service.port)).plan());
    rig.inbox.wait("link down", |all| states(all).contains(&("link", 0, false)));
    std::fs::write(&ground.password, "secret\n").expect("written");
    rig.inbox.wait_good(0, 1);
    let told = rig
        .end()
        .into_iter()
        .any(|message| matches!(message, FieldMessage::LinkState { up: false, why, .. } if why.to_string().contains("check user")));
    assert!(told, "the words say what to check");
    let rig = Rig::new();
    let missing = Ground { password: PathBuf::from("/nowhere/password"), at: Certificates::new("redfish-missing") };
    let why = refusal(rig, missing.link(Sketch::default(), service.port));
    assert!(why.contains("/nowhere/password"), "{why}");
}

#[test]
fn nothing_damaged_is_believed() {
    let whole = ok("{\"Temperatures\":[{\"ReadingCelsius\":23.5}]}");
    let mut wrong: Vec<Vec<u8>> = vec![
        b"{\"Temperatures\":[{\"ReadingCelsius\":23.5}]}\r\n\r\n".to_vec(),
        ok("{\"Temperatures\":[{\"ReadingCelsius\":23.5}]"),
        ok(""),
        ok("<html>23.5</html>"),
        format!("HTTP/1.1 200 OK\r\nContent-Length: {}\r\n\r\n{}", MOST_BYTES + 1, " ".repeat(MOST_BYTES + 1)).into(),
        b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nZZ\r\n".to_vec(),
        b"HTTP/1.1 302 Found\r\nLocation: http://127.0.0.1/elsewhere\r\nContent-Length: 0\r\n\r\n".to_vec(),
        status("503 Service Unavailable"),
        status("500 Internal Server Error"),
    ];
    // Cut in its body the announced length is missed; cut in its head there is no answer.
    wrong.extend([whole.len() - 1, whole.len() - 20, 30, 9].map(|len| whole[..len].to_vec()));
    let ground = Ground::new("damaged");
    let mut rig = Rig::new();
    let mut sketch = Sketch::default();
    for answer in &wrong {
        let answer = answer.clone();
        // One damaged answer a connection, then the service hangs up, so that nobody waits for its rest.
        let count = AtomicUsize::new(0);
        let script: Arc<Script> =
            Arc::new(move |_| count.fetch_add(1, Ordering::Relaxed).is_multiple_of(2).then(|| answer.clone()));
        let service = Service::start(&rig, &ground.at, Duration::ZERO, script);
        sketch = ground.link(sketch, service.port);
        sketch.plan.links.last_mut().expect("just made").timeout = Duration::from_millis(300);
        sketch.plan.devices.last_mut().expect("just made").timeout = Duration::from_millis(300);
        sketch = inlet(sketch);
    }
    rig.start(sketch.plan());
    for transaction in 0..u32::try_from(wrong.len()).expect("few") {
        rig.inbox.wait("a fault", |all| faults(all, transaction).len() >= 2);
    }
    let all = rig.end();
    for transaction in 0..u32::try_from(wrong.len()).expect("few") {
        assert!(good(&all, transaction).is_empty(), "answer {transaction} was believed");
    }
}

#[test]
fn the_password_never_leaves_without_tls() {
    let ground = Ground::new("plain");
    let rig = Rig::new();
    let listener = rig.runtime.block_on(TcpListener::bind("127.0.0.1:0")).expect("a port");
    let port = listener.local_addr().expect("bound").port();
    let heard: Arc<Mutex<Vec<u8>>> = Arc::default();
    let ear = Arc::clone(&heard);
    rig.runtime.spawn(async move {
        while let Ok((mut stream, _)) = listener.accept().await {
            let _sent = stream.write_all(b"HTTP/1.1 200 OK\r\n\r\n").await;
            let mut bytes = vec![0; 4096];
            if let Ok(count) = stream.read(&mut bytes).await {
                ear.lock().expect("nobody panics with it").extend(&bytes[..count]);
            }
        }
    });
    let why = refusal(rig, ground.link(Sketch::default(), port));
    assert!(why.contains("TLS with"), "{why}");
    let heard = heard.lock().expect("nobody panics with it").clone();
    assert!(!heard.is_empty() && !heard.windows(5).any(|part| part == b"Basic"), "it began with TLS");
}

#[test]
fn many_services_share_a_bounded_number_of_requests() {
    let ground = Ground::new("many");
    let mut rig = Rig::new();
    let body = resources().remove("/redfish/v1/Chassis/1/Thermal").expect("there");
    // One server stands for all: every link has a connection of its own.
    let service = Service::start(&rig, &ground.at, Duration::from_millis(100), always(ok(&body)));
    let links = 100;
    let mut sketch = Sketch::default();
    for _ in 0..links {
        sketch = inlet(ground.link(sketch, service.port));
    }
    rig.start(sketch.plan());
    (0..links).for_each(|link| rig.inbox.wait_good(link, 2));
    rig.end();
    let most = service.seen.most.load(Ordering::Relaxed);
    assert!(most <= MOST_IN_FLIGHT, "{most} at a time");
    assert!(most > MOST_IN_FLIGHT / 2, "{most} at a time: they are not asked one after another");
    assert_eq!(service.seen.connections.load(Ordering::Relaxed), links as usize, "connections are kept");
}

/// A few hundred to two thousand services are what a module's servers come to.
#[test]
fn two_thousand_services_are_read_over_two_thousand_kept_connections() {
    let links: u32 = 2000;
    // Both ends of every connection are in this process.
    let files = rustix::process::getrlimit(rustix::process::Resource::Nofile);
    assert!(files.current.is_none_or(|most| most >= 4500), "raise the limit of open files (ulimit -n 8192): {files:?}");
    let ground = Ground::new("thousands");
    let mut rig = Rig::new();
    let body = resources().remove("/redfish/v1/Chassis/1/Thermal").expect("there");
    let service = Service::start(&rig, &ground.at, Duration::from_millis(5), always(ok(&body)));
    let mut sketch = Sketch::default();
    for _ in 0..links {
        let ask = Ask::Redfish {
            resource: "/redfish/v1/Chassis/1/Thermal".into(),
            pointers: vec!["/Temperatures/0/ReadingCelsius".into()],
        };
        sketch = ground.link(sketch, service.port).asks(ask, 1, Duration::from_secs(5));
        let timeout = Duration::from_secs(30);
        sketch.plan.links.last_mut().expect("just made").timeout = timeout;
        sketch.plan.devices.last_mut().expect("just made").timeout = timeout;
    }
    let before = resident_kib();
    rig.start(sketch.plan());
    let begun = Instant::now();
    let read = || {
        let mut times = vec![0_u32; links as usize];
        for message in rig.inbox.all() {
            if let FieldMessage::Batch(batch) = message
                && matches!(batch.raws[..], [Raw::Real(value)] if value == 23.5)
            {
                times[batch.transaction as usize] += 1;
            }
        }
        times
    };
    // Two thousand handshakes on one core of a busy machine take their time; each link must be read twice all the same.
    while read().iter().any(|times| *times < 2) {
        assert!(begun.elapsed() < Duration::from_secs(180), "some were not read twice");
        std::thread::sleep(Duration::from_millis(200));
    }
    let (took, used) = (begun.elapsed(), resident_kib().saturating_sub(before));
    let connections = service.seen.connections.load(Ordering::Relaxed);
    let most = service.seen.most.load(Ordering::Relaxed);
    let all = rig.end();
    println!(
        "{links} services read twice in {took:.1?}; {connections} connections, at most {most} requests at a time; \
         {used} KiB for both ends of all of them"
    );
    assert!(most <= MOST_IN_FLIGHT, "{most} at a time");
    assert_eq!(connections, links as usize, "connections are kept");
    assert!(!states(&all).iter().any(|(_, _, up)| !up), "none is down");
    // Both ends with their TLS buffers: a bound against leaks and against a body kept a connection, not a measurement.
    assert!(used < u64::from(links) * 256, "{used} KiB");
}

/// Resident memory of this process (proc(5)).
fn resident_kib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").expect("Linux");
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).expect("VmRSS");
    line.split_whitespace().nth(1).and_then(|kib| kib.parse().ok()).expect("a number of KiB")
}
