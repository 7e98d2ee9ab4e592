//! What the publishing tests stand on: a real broker process, a wire that can be cut, a subscriber, a store.
//!
//! Everything listens on free loopback ports and ends with the test.

use std::collections::HashSet;
use std::io::{Read as _, Write as _};
use std::net::{Ipv4Addr, Shutdown, SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, mpsc};
use std::thread::JoinHandle;
use std::time::Duration;

use rumqttc::{Client, Event, MqttOptions, Packet, QoS};

use crate::plan;
use crate::publish::{Notice, Publisher, Session};
use crate::store::tests::{TestDir, wait_until};
use crate::store::{Commit, EventRow, Store, SubmitError, Writer};

pub(super) const BASE: &str = "lapwing/saltmarsh/m1";

pub(super) fn free_port() -> u16 {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a free port");
    listener.local_addr().expect("it has an address").port()
}

/// A mosquitto process, ended by its id.
pub(super) struct Mosquitto {
    child: Option<Child>,
    config: PathBuf,
    pub(super) address: SocketAddr,
}

impl Mosquitto {
    pub(super) fn start(dir: &TestDir, more: &str) -> Self {
        let address = SocketAddr::from((Ipv4Addr::LOCALHOST, free_port()));
        Self::start_at(dir, address, more)
    }

    pub(super) fn start_at(dir: &TestDir, address: SocketAddr, more: &str) -> Self {
        let config = dir.path().join(format!("broker-{}.conf", address.port()));
        let text = format!(
            "listener {} 127.0.0.1\npersistence false\nset_tcp_nodelay true\n\
             max_queued_messages 0\nmax_inflight_messages 0\n{}{more}\n",
            address.port(),
            if more.contains("allow_anonymous") { "" } else { "allow_anonymous true\n" }
        );
        std::fs::write(&config, text).expect("the broker's configuration can be written");
        let mut broker = Self { child: None, config, address };
        broker.run();
        broker
    }

    pub(super) fn run(&mut self) {
        let found =
            ["/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto"].into_iter().find(|path| Path::new(path).exists());
        let child = Command::new(found.unwrap_or("mosquitto"))
            .arg("-c")
            .arg(&self.config)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto is installed (apt install mosquitto)");
        self.child = Some(child);
        wait_until("mosquitto accepts", || TcpStream::connect(self.address).is_ok());
    }

    /// SIGKILL: nothing it held in memory survives.
    pub(super) fn kill(&mut self) {
        if let Some(mut child) = self.child.take() {
            child.kill().expect("our own child can be killed");
            child.wait().expect("it ends");
        }
    }
}

impl Mosquitto {
    /// SIGSTOP or SIGCONT: it holds its connections and says nothing.
    pub(super) fn freeze(&self, frozen: bool) {
        let child = self.child.as_ref().expect("it runs");
        let id = rustix::process::Pid::from_child(child);
        let signal = if frozen { rustix::process::Signal::STOP } else { rustix::process::Signal::CONT };
        rustix::process::kill_process(id, signal).expect("our own child");
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        self.kill();
    }
}

/// A wire between publisher and broker that can be cut and closed.
pub(super) struct Wire {
    pub(super) address: SocketAddr,
    open: Arc<AtomicBool>,
    /// Bytes that may still pass towards the broker before the wire is cut by itself.
    budget: Arc<AtomicU64>,
    pub(super) cuts: Arc<AtomicU64>,
    /// How long each piece from the broker is held back, ms.
    delay_ms: Arc<AtomicU64>,
    streams: Arc<Mutex<Vec<TcpStream>>>,
}

impl Wire {
    pub(super) fn to(broker: SocketAddr) -> Self {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a free port");
        let wire = Self {
            address: listener.local_addr().expect("it has an address"),
            open: Arc::new(AtomicBool::new(true)),
            budget: Arc::new(AtomicU64::new(u64::MAX)),
            cuts: Arc::default(),
            delay_ms: Arc::default(),
            streams: Arc::default(),
        };
        let (open, budget, cuts, streams) =
            (Arc::clone(&wire.open), Arc::clone(&wire.budget), Arc::clone(&wire.cuts), Arc::clone(&wire.streams));
        let delay = Arc::clone(&wire.delay_ms);
        std::thread::spawn(move || {
            for near in listener.incoming() {
                let Ok(near) = near else { return };
                if !open.load(Ordering::SeqCst) {
                    continue;
                }
                let Ok(far) = TcpStream::connect(broker) else { continue };
                {
                    let mut held = streams.lock().expect("no test thread panics with it");
                    held.extend([near.try_clone(), far.try_clone()].into_iter().flatten());
                }
                let back = (far.try_clone().expect("cloned"), near.try_clone().expect("cloned"));
                let delay = Arc::clone(&delay);
                std::thread::spawn(move || carry(back.0, back.1, None, &delay));
                let limit = (Arc::clone(&budget), Arc::clone(&cuts));
                std::thread::spawn(move || carry(near, far, Some(limit), &AtomicU64::new(0)));
            }
        });
        wire
    }

    /// Cuts what is connected; with `false` nothing new gets through either.
    pub(super) fn set_open(&self, open: bool) {
        self.open.store(open, Ordering::SeqCst);
        if !open {
            for stream in self.streams.lock().expect("no test thread panics with it").drain(..) {
                let _already_gone = stream.shutdown(Shutdown::Both);
            }
        }
    }

    /// Holds back everything the broker says.
    pub(super) fn delay_answers(&self, delay: Duration) {
        self.delay_ms.store(u64::try_from(delay.as_millis()).unwrap_or(u64::MAX), Ordering::SeqCst);
    }

    /// Cuts the wire in the middle of whatever passes after so many more bytes.
    pub(super) fn cut_after(&self, bytes: u64) {
        self.budget.store(bytes, Ordering::SeqCst);
    }
}

fn carry(
    mut from: TcpStream,
    mut to: TcpStream,
    limit: Option<(Arc<AtomicU64>, Arc<AtomicU64>)>,
    delay_ms: &AtomicU64,
) {
    let mut buffer = [0_u8; 1024];
    while let Ok(count) = from.read(&mut buffer) {
        if count == 0 {
            break;
        }
        std::thread::sleep(Duration::from_millis(delay_ms.load(Ordering::SeqCst)));
        let mut pass = count;
        if let Some((budget, cuts)) = &limit {
            let left = budget.load(Ordering::SeqCst);
            if left < count as u64 {
                pass = usize::try_from(left).unwrap_or(0);
                budget.store(u64::MAX, Ordering::SeqCst);
                cuts.fetch_add(1, Ordering::SeqCst);
            } else if left != u64::MAX {
                budget.store(left - count as u64, Ordering::SeqCst);
            }
        }
        if to.write_all(&buffer[..pass]).is_err() || pass < count {
            break;
        }
    }
    let _already_gone = (from.shutdown(Shutdown::Both), to.shutdown(Shutdown::Both));
}

/// One message as received.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Heard {
    /// Below the base.
    pub(super) topic: String,
    pub(super) payload: Vec<u8>,
    pub(super) retain: bool,
}

/// An independent client that hears everything below the base.
pub(super) struct Subscriber {
    heard: Arc<Mutex<Vec<Heard>>>,
    client: Client,
    thread: Option<JoinHandle<()>>,
}

impl Subscriber {
    /// Connects and returns once the subscription stands.
    pub(super) fn start(broker: SocketAddr) -> Self {
        static NEXT: AtomicU64 = AtomicU64::new(0);
        let id = format!("listener-{}", NEXT.fetch_add(1, Ordering::SeqCst));
        let mut options = MqttOptions::new(id, broker.ip().to_string(), broker.port());
        options.set_max_packet_size(1 << 20, 1 << 20).set_keep_alive(Duration::from_secs(60));
        let (client, mut connection) = Client::new(options, 10);
        client.subscribe(format!("{BASE}/#"), QoS::AtLeastOnce).expect("the channel has room");
        let heard: Arc<Mutex<Vec<Heard>>> = Arc::default();
        let (ready, wait) = mpsc::channel();
        let list = Arc::clone(&heard);
        let thread = std::thread::spawn(move || {
            for event in connection.iter() {
                match event {
                    Ok(Event::Incoming(Packet::SubAck(_))) => {
                        let _only_the_first_is_awaited = ready.send(());
                    }
                    Ok(Event::Incoming(Packet::Publish(p))) => {
                        let topic = p.topic.strip_prefix(BASE).and_then(|t| t.strip_prefix('/')).unwrap_or("?");
                        let heard = Heard { topic: topic.to_owned(), payload: p.payload.to_vec(), retain: p.retain };
                        list.lock().expect("no test thread panics with it").push(heard);
                    }
                    Ok(_) => {}
                    Err(_) => return,
                }
            }
        });
        wait.recv_timeout(Duration::from_secs(10)).expect("the subscription stands");
        Self { heard, client, thread: Some(thread) }
    }

    pub(super) fn heard(&self) -> Vec<Heard> {
        self.heard.lock().expect("no test thread panics with it").clone()
    }

    /// Payloads of one topic, in the order received.
    pub(super) fn on(&self, topic: &str) -> Vec<String> {
        let heard = self.heard.lock().expect("no test thread panics with it");
        let texts = heard.iter().filter(|h| h.topic == topic);
        texts.map(|h| String::from_utf8_lossy(&h.payload).into_owned()).collect()
    }

    /// Event numbers in the order received.
    pub(super) fn seqs(&self) -> Vec<u64> {
        self.on("event").iter().filter_map(|text| text.split(' ').nth(1)?.parse().ok()).collect()
    }

    pub(super) fn distinct(&self) -> usize {
        self.seqs().into_iter().collect::<HashSet<_>>().len()
    }
}

impl Drop for Subscriber {
    fn drop(&mut self) {
        let _broker_may_be_gone = self.client.disconnect();
        if let Some(thread) = self.thread.take() {
            let _ended = thread.join();
        }
    }
}

pub(super) fn settings(broker: SocketAddr) -> plan::Mqtt {
    plan::Mqtt {
        broker: (broker.ip().to_string(), broker.port()),
        client_id: "saltmarsh-m1".into(),
        ..plan::Mqtt::default()
    }
}

pub(super) fn session(catalogue: &str) -> Session {
    Session {
        base: BASE.into(),
        presence_topic: "presence".into(),
        online: format!("online {catalogue}").into_bytes(),
        offline: format!("offline {catalogue}").into_bytes(),
        catalogue: vec![
            (format!("catalogue/{catalogue}/0"), b"page 0".as_slice().into()),
            (format!("catalogue/{catalogue}/1"), vec![b'p'; 60_000].into()),
        ],
        event_topic: "event".into(),
        last_topic: "event/last".into(),
        last: |log, seq, t_ms| format!("last {log} {seq} {t_ms}").into_bytes(),
        lost: Arc::new(|log, seq, _| format!("lost {log} {seq}").into_bytes()),
    }
}

/// A runtime on a thread of its own, as the agent has for links and MQTT.
pub(super) struct Background {
    pub(super) handle: tokio::runtime::Handle,
    end: Option<tokio::sync::oneshot::Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl Background {
    pub(super) fn start() -> Self {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        let handle = runtime.handle().clone();
        let (end, ended) = tokio::sync::oneshot::channel::<()>();
        let thread = std::thread::spawn(move || {
            let _dropped_is_ended_too = runtime.block_on(ended);
        });
        Self { handle, end: Some(end), thread: Some(thread) }
    }
}

impl Drop for Background {
    fn drop(&mut self) {
        drop(self.end.take());
        if let Some(thread) = self.thread.take() {
            let _ended = thread.join();
        }
    }
}

/// Store, writer and publisher, put together as the agent does.
pub(super) struct Agent {
    pub(super) publisher: Publisher,
    pub(super) writer: Writer,
    pub(super) notices: Arc<Mutex<Vec<Notice>>>,
    pub(super) log: String,
    next: AtomicU64,
    pub(super) runtime: Background,
}

impl Agent {
    pub(super) fn start(dir: &TestDir, settings: plan::Mqtt) -> Self {
        Self::start_with(dir, settings, session("c1"))
    }

    pub(super) fn start_with(dir: &TestDir, settings: plan::Mqtt, session: Session) -> Self {
        let (store, opened) = Store::open(dir.path(), 64).expect("the store opens");
        let slot: Arc<Mutex<Option<Publisher>>> = Arc::default();
        let forward = Arc::clone(&slot);
        let writer = store
            .spawn_writer(move |durable| {
                if let Some(publisher) = &*forward.lock().expect("no test thread panics with it") {
                    publisher.durable(durable.rows);
                }
            })
            .expect("the writer starts");
        let runtime = Background::start();
        let notices: Arc<Mutex<Vec<Notice>>> = Arc::default();
        let list = Arc::clone(&notices);
        let publisher = Publisher::start(&runtime.handle, settings, session, writer.clone(), move |notice| {
            list.lock().expect("no test thread panics with it").push(notice);
        })
        .expect("the session can be published");
        *slot.lock().expect("no test thread panics with it") = Some(publisher.clone());
        let next = AtomicU64::new(opened.last_seq + 1);
        Self { publisher, writer, notices, log: opened.log, next, runtime }
    }

    /// The number the next event gets.
    pub(super) fn begin_at(&self, seq: u64) {
        self.next.store(seq, Ordering::SeqCst);
    }

    /// Submits events one by one, waiting when the store's queue is full.
    pub(super) fn events(&self, count: u64) {
        for _ in 0..count {
            self.event(|_| {});
        }
    }

    pub(super) fn event(&self, change: impl FnOnce(&mut EventRow)) {
        let mut row = crate::store::tests::event(self.next.fetch_add(1, Ordering::SeqCst));
        change(&mut row);
        let mut kept = Some(Commit { events: vec![row], ..Commit::default() });
        while let Some(commit) = kept.take() {
            match self.writer.submit(commit) {
                Ok(_) => {}
                Err(SubmitError::Full(commit)) => {
                    kept = Some(commit);
                    std::thread::sleep(Duration::from_millis(1));
                }
                Err(other) => panic!("{other}"),
            }
        }
    }

    pub(super) fn noticed(&self, wanted: impl Fn(&Notice) -> bool) -> bool {
        self.notices.lock().expect("no test thread panics with it").iter().any(wanted)
    }

    /// Waits for first contact and lets events go.
    pub(super) fn release(&self) {
        wait_until("first contact", || self.noticed(|n| matches!(n, Notice::Remembered(_))));
        self.publisher.release();
    }

    pub(super) fn stop(self) {
        self.publisher.stop();
        assert!(self.publisher.wait_stopped(Duration::from_secs(5)), "a clean end in time");
        assert_eq!(self.writer.stop(), 0);
    }
}
