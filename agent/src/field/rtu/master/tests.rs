//! The RTU master against devices that misbehave by script, on a pseudo-terminal and behind a TCP gateway; one file a
//! subject, here the devices.
//!
//! Register n of unit u holds 1000·u + n, so a value tells whose it is.

#[path = "tests/failing.rs"]
mod failing;
#[path = "tests/late.rs"]
mod late;
#[path = "tests/masters.rs"]
mod masters;
#[path = "tests/wire.rs"]
mod wire;

use std::collections::VecDeque;
use std::io::{Read as _, Write as _};
use std::net::TcpListener;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;

use lapwing_protocol::Status;
use serialport::{SerialPort as _, TTYPort};

use super::*;
use crate::field::poll::Trust;
use crate::field::rtu::frame::crc;
use crate::field::rtu::line::{Gateway, Pace};
use crate::field::stats::FieldStats;
use crate::field::testing::*;
use crate::plan::{Parity, Table, Transport};

/// What the devices of a line do with one request.
enum Deed {
    Say(Vec<u8>),
    /// The line goes on meanwhile: several answers may be under way.
    SayLate(Vec<u8>, Duration),
    Ignore,
}

type Script = Arc<dyn Fn(&[u8; 8]) -> Deed + Send + Sync>;

fn sealed(mut body: Vec<u8>) -> Vec<u8> {
    body.extend(crc(&body).to_le_bytes());
    body
}

fn right(request: &[u8; 8]) -> Vec<u8> {
    let [unit, function, s1, s0, c1, c0, ..] = *request;
    let (start, count) = (u16::from_be_bytes([s1, s0]), u16::from_be_bytes([c1, c0]));
    let values: Vec<u8> = match function {
        1 | 2 => vec![0b1010_0110; usize::from(count.div_ceil(8))],
        _ => (start..start + count).flat_map(|n| (n + 1000 * u16::from(unit)).to_be_bytes()).collect(),
    };
    let count = u8::try_from(values.len()).expect("at most 250");
    sealed([vec![unit, function, count], values].concat())
}

/// Serves requests of 8 bytes from a byte stream until it ends or `over`.
fn serve(
    mut read: impl FnMut(&mut [u8]) -> io::Result<usize>,
    write: impl Fn(&[u8]) + Send + Sync + 'static,
    script: &Script,
    over: &AtomicBool,
) {
    let write = Arc::new(write);
    let mut bytes = VecDeque::new();
    while !over.load(Ordering::Relaxed) {
        let mut lump = [0; 64];
        match read(&mut lump) {
            Ok(0) => return,
            Ok(got) => bytes.extend(&lump[..got]),
            Err(error) if matches!(error.kind(), io::ErrorKind::TimedOut | io::ErrorKind::WouldBlock) => {}
            Err(_) => thread::sleep(Duration::from_millis(5)), // nobody has the other end open yet
        }
        while bytes.len() >= REQUEST_LEN {
            let mut request = [0; REQUEST_LEN];
            request.fill_with(|| bytes.pop_front().expect("counted"));
            match script(&request) {
                Deed::Say(answer) => write(&answer),
                Deed::SayLate(answer, after) => {
                    let write = Arc::clone(&write);
                    thread::spawn(move || {
                        thread::sleep(after);
                        write(&answer);
                    });
                }
                Deed::Ignore => {}
            }
        }
    }
}

/// A pseudo-terminal with devices on it.
struct Pty {
    path: PathBuf,
    over: Arc<AtomicBool>,
    server: Option<thread::JoinHandle<()>>,
    _slave: TTYPort,
}

impl Pty {
    fn new(script: impl Fn(&[u8; 8]) -> Deed + Send + Sync + 'static) -> Self {
        let (mut master, slave) = TTYPort::pair().expect("a pseudo-terminal");
        let path = PathBuf::from(slave.name().expect("has a name"));
        let over = Arc::new(AtomicBool::new(false));
        let (script, ended): (Script, _) = (Arc::new(script), Arc::clone(&over));
        let server = thread::spawn(move || {
            master.set_timeout(Duration::from_millis(20)).expect("a time-out");
            let output = Mutex::new(master.try_clone_native().expect("a second handle"));
            let write = move |bytes: &[u8]| output.lock().expect("no panic").write_all(bytes).unwrap_or(());
            serve(|into| master.read(into), write, &script, &ended);
        });
        Self { path, over, server: Some(server), _slave: slave }
    }

    fn transport(&self) -> Transport {
        Transport::Serial { path: self.path.clone(), baud: 115_200, parity: Parity::None, stop_bits: 1 }
    }
}

impl Drop for Pty {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        let ended = self.server.take().map(thread::JoinHandle::join);
        assert!(thread::panicking() || ended.is_some_and(|e| e.is_ok()), "the script must not panic");
    }
}

fn gateway(script: impl Fn(&[u8; 8]) -> Deed + Send + Sync + 'static) -> Transport {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = listener.local_addr().expect("bound").port();
    let script: Script = Arc::new(script);
    thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            let script = Arc::clone(&script);
            thread::spawn(move || {
                let mut input = stream.try_clone().expect("a second handle");
                let output = Mutex::new(stream);
                let write = move |bytes: &[u8]| output.lock().expect("no panic").write_all(bytes).unwrap_or(());
                serve(|into| input.read(into), write, &script, &AtomicBool::new(false));
            });
        }
    });
    Transport::ModbusRtuTcp { host: "127.0.0.1".into(), port, baud: 115_200 }
}

const STARTS: std::ops::Range<u16> = 0..6;

/// Three units, six reads of one length each.
fn alike(transport: Transport, timeout_ms: u64) -> Sketch {
    let mut sketch = Sketch::default().link(transport, timeout_ms);
    for unit in 1..=3 {
        sketch = sketch.device(unit);
        for n in STARTS {
            sketch = sketch.reads(Table::Holding, n * 50, 4);
        }
    }
    sketch
}

/// Good batches, and those among them with a value that belongs elsewhere.
fn good_and_wrong(all: &[crate::field::FieldMessage]) -> (usize, usize) {
    let (mut right, mut wrong) = (0, 0);
    for transaction in 0..18u16 {
        let first = 1000 * (transaction / 6 + 1) + transaction % 6 * 50;
        for batch in good(all, u32::from(transaction)) {
            if registers(batch) == [first, first + 1, first + 2, first + 3] { right += 1 } else { wrong += 1 }
        }
    }
    (right, wrong)
}

/// A line that is only numbers: what the master writes, and when, against what it was given to read.
struct Paper {
    pace: Pace,
    script: VecDeque<Vec<u8>>,
    unread: VecDeque<u8>,
    sent_at: Arc<Mutex<Vec<Instant>>>,
}

impl Line for Paper {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        assert_eq!(bytes.len(), REQUEST_LEN);
        self.sent_at.lock().expect("no panic").push(Instant::now());
        self.unread.extend(self.script.pop_front().unwrap_or_default());
        Ok(())
    }

    fn read(&mut self, into: &mut [u8], until: Instant) -> io::Result<usize> {
        if self.unread.is_empty() {
            thread::sleep(until.saturating_duration_since(Instant::now()));
            return Ok(0);
        }
        let got = self.unread.len().min(into.len());
        into[..got].fill_with(|| self.unread.pop_front().expect("counted"));
        Ok(got)
    }

    fn has_bytes(&mut self) -> io::Result<bool> {
        Ok(!self.unread.is_empty())
    }

    fn pace(&self) -> Pace {
        self.pace
    }

    fn is_connection(&self) -> bool {
        false
    }
}

fn paper(pace: Pace, script: Vec<Vec<u8>>, unread: &[u8]) -> (Master, Arc<Mutex<Vec<Instant>>>) {
    let sent_at = Arc::default();
    let line =
        Paper { pace, script: script.into(), unread: unread.iter().copied().collect(), sent_at: Arc::clone(&sent_at) };
    (Master::new(Box::new(line)), sent_at)
}

const LUMP: Duration = Duration::from_millis(20);

fn four() -> Read {
    Read::new(Table::Holding, 0, 4).expect("allowed")
}
