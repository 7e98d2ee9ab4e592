//! The RTU master against devices that misbehave by script, on a pseudo-terminal and behind a TCP gateway.
//!
//! Register n of unit u holds 1000·u + n, so a value tells whose it is.

#[path = "tests/masters.rs"]
mod masters;

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

/// Every fourth answer comes 0.5 to 3.5 time-outs late, without end and without order.
fn unpunctual(timeout_ms: u64) -> impl Fn(&[u8; 8]) -> Deed + Send + Sync + 'static {
    let asked = AtomicU64::new(0);
    move |request| {
        let n = asked.fetch_add(1, Ordering::Relaxed);
        let late_ms = timeout_ms / 2 + timeout_ms * (n * 37 % 31) / 10;
        if n % 4 == 3 {
            Deed::SayLate(right(request), Duration::from_millis(late_ms))
        } else {
            Deed::Say(right(request))
        }
    }
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

#[test]
fn values_of_all_tables_and_units_arrive_over_a_serial_line() {
    let pty = Pty::new(|request| match request[1] {
        1..=3 => Deed::Say(right(request)),
        _ => Deed::Say(sealed(vec![request[0], request[1] | 0x80, 2])),
    });
    let mut rig = Rig::new();
    let sketch = Sketch::default().link(pty.transport(), 200).device(1).reads(Table::Holding, 10, 125);
    let sketch = sketch.reads(Table::Coil, 0, 11).device(2).reads(Table::Holding, 0, 2).reads(Table::Input, 0, 1);
    rig.start(sketch.plan());
    (0..3).for_each(|transaction| rig.inbox.wait_good(transaction, 3));
    rig.inbox.wait("a refusal", |all| faults(all, 3).len() >= 2);
    let figures = rig.stats().link(0);
    let all = rig.end();
    assert_eq!(registers(good(&all, 0)[0])[124], 1134);
    let bits: Vec<bool> =
        good(&all, 1)[0].raws.iter().map(|raw| *raw == lapwing_engine::spec::Raw::Bit(true)).collect();
    assert_eq!(bits, [false, true, true, false, false, true, false, true, false, true, true]);
    assert_eq!(registers(good(&all, 2)[0]), [2000, 2001]);
    assert!(faults(&all, 3).iter().all(|s| *s == Status::BAD_NOT_FOUND));
    assert_eq!((figures.timeouts, figures.garbled), (0, 0), "{figures:?}");
}

#[test]
fn late_answers_on_a_serial_line_never_become_another_reading() {
    let pty = Pty::new(unpunctual(40));
    let mut rig = Rig::new();
    rig.start(alike(pty.transport(), 40).plan());
    rig.inbox.wait("many good scans", |all| good_and_wrong(all).0 >= 60);
    let stats = rig.stats();
    let (right, wrong) = good_and_wrong(&rig.end());
    assert!(stats.link(0).timeouts >= 6, "{:?}", stats.link(0));
    assert_eq!(wrong, 0, "of {right}");
}

#[test]
fn late_answers_behind_a_gateway_never_become_another_reading() {
    let mut rig = Rig::new();
    rig.start(alike(gateway(unpunctual(40)), 40).plan());
    rig.inbox.wait("many good scans", |all| good_and_wrong(all).0 >= 60);
    let (right, wrong) = good_and_wrong(&rig.end());
    assert_eq!(wrong, 0, "of {right}");
}

/// The control: the same line and the same late answers, believed as if they named their request.
#[test]
fn without_the_quarantine_the_same_line_gives_wrong_readings() {
    let Transport::ModbusRtuTcp { host, port, baud } = gateway(unpunctual(120)) else { panic!("a gateway") };
    let transport = Transport::ModbusRtuTcp { host: host.clone(), port, baud };
    let plan = alike(transport, 120).plan();
    let inbox = Inbox::default();
    let stop = watch::Sender::new(false);
    let poll = Poll::new(Arc::clone(&plan), 0, Arc::new(FieldStats::of(&plan)), inbox.deliver(), Trust::Named);
    let stopped = stop.subscribe();
    let open = move || Ok(Box::new(Gateway::open(&host, port, baud, Duration::from_secs(1))?) as Box<dyn Line>);
    let master = thread::spawn(move || run(poll, open, Duration::ZERO, &stopped));
    inbox.wait("a wrong reading", |all| good_and_wrong(all).1 > 0);
    stop.send_replace(true);
    master.join().expect("no panic");
}

/// Statuses of a line's faults when every answer is spoilt in this way.
fn spoilt(spoil: impl Fn(Vec<u8>) -> Vec<u8> + Send + Sync + 'static) -> Status {
    let pty = Pty::new(move |request| Deed::Say(spoil(right(request))));
    let mut rig = Rig::new();
    rig.start(Sketch::default().link(pty.transport(), 40).device(7).reads(Table::Holding, 0, 4).plan());
    rig.inbox.wait("faults", |all| faults(all, 0).len() >= 3);
    let all = rig.end();
    assert!(good(&all, 0).is_empty());
    faults(&all, 0)[0]
}

#[test]
fn a_spoilt_answer_is_a_fault_with_its_reason() {
    let garbled = Status::BAD_COMMUNICATION_ERROR;
    let noise = |n: u8| (0..40u8).map(|k| k.wrapping_mul(91) ^ n).collect::<Vec<u8>>();
    assert_eq!(spoilt(move |answer| [noise(3), answer].concat()), garbled, "noise before it");
    assert_eq!(spoilt(move |answer| [answer, noise(5)].concat()), garbled, "noise after it");
    let with = |at: usize, byte: u8| {
        move |mut answer: Vec<u8>| {
            answer[at] = byte;
            answer
        }
    };
    assert_eq!(spoilt(with(3, 0x55)), garbled, "damaged");
    assert_eq!(spoilt(|_| sealed(vec![8, 3, 8, 0, 1, 0, 2, 0, 3, 0, 4])), garbled, "another unit");
    assert_eq!(spoilt(|_| sealed(vec![7, 4, 8, 0, 1, 0, 2, 0, 3, 0, 4])), garbled, "another function");
    assert_eq!(spoilt(|_| sealed(vec![7, 3, 6, 0, 1, 0, 2, 0, 3])), garbled, "three registers for four");
    assert_eq!(spoilt(|answer| answer[..9].to_vec()), garbled, "cut short");
    assert_eq!(spoilt(|_| Vec::new()), Status::BAD_NO_COMMUNICATION, "silence");
}

#[test]
fn a_damaged_answer_now_and_then_costs_a_scan_and_no_alarm() {
    let asked = AtomicU64::new(0);
    let pty = Pty::new(move |request| {
        let mut answer = right(request);
        if asked.fetch_add(1, Ordering::Relaxed) % 40 == 20 {
            answer[4] ^= 0x10;
        }
        Deed::Say(answer)
    });
    let mut rig = Rig::new();
    rig.start(alike(pty.transport(), 40).plan());
    rig.inbox.wait("many scans", |all| good_and_wrong(all).0 >= 300);
    let all = rig.end();
    assert_eq!(good_and_wrong(&all).1, 0);
    assert!(states(&all).iter().all(|(_, _, up)| *up), "{:?}", states(&all));
}

#[test]
fn a_dead_device_leaves_its_neighbours_their_scans() {
    let dead = Arc::new(AtomicBool::new(false));
    let silent = Arc::clone(&dead);
    let pty = Pty::new(move |request| match request[0] {
        2 if silent.load(Ordering::Relaxed) => Deed::Ignore,
        _ => Deed::Say(right(request)),
    });
    let period = Duration::from_millis(250);
    let mut sketch = Sketch::default().link(pty.transport(), 100);
    for unit in 1..=3 {
        sketch =
            sketch.device(unit).reads_every(Table::Holding, 0, 4, period).reads_every(Table::Holding, 50, 10, period);
    }
    let mut rig = Rig::new();
    rig.start(sketch.plan());
    rig.inbox.wait_good(2, 2);
    let since = Instant::now();
    dead.store(true, Ordering::Relaxed);
    rig.inbox.wait("device down", |all| states(all).contains(&("device", 1, false)));
    assert!(since.elapsed() < Duration::from_secs(10), "told after {:?}", since.elapsed());
    dead.store(false, Ordering::Relaxed);
    rig.inbox.wait("its return", |all| states(all).last() == Some(&("device", 1, true)));
    let good_before = good(&rig.inbox.all(), 2).len();
    rig.inbox.wait_good(2, good_before + 2);
    let stats = rig.stats();
    let all = rig.end();
    assert!(faults(&all, 0).is_empty() && faults(&all, 5).is_empty(), "the neighbours' scans stay good");
    assert_eq!(stats.link(0).scans_skipped, 0);
    assert!(!states(&all).contains(&("link", 0, false)));
}

#[test]
fn a_device_of_single_registers_comes_back_too() {
    let dead = Arc::new(AtomicBool::new(true));
    let silent = Arc::clone(&dead);
    let pty =
        Pty::new(move |request| if silent.load(Ordering::Relaxed) { Deed::Ignore } else { Deed::Say(right(request)) });
    let mut rig = Rig::new();
    let sketch = Sketch::default().link(pty.transport(), 40).device(5);
    rig.start(sketch.reads(Table::Holding, 3, 1).reads(Table::Holding, 90, 1).plan());
    rig.inbox.wait("faults", |all| faults(all, 0).len() >= 2);
    dead.store(false, Ordering::Relaxed);
    rig.inbox.wait_good(0, 2);
    rig.inbox.wait_good(1, 2);
    rig.end();
}

#[test]
fn a_missing_line_is_a_state_until_it_is_plugged_in() {
    let pty = Pty::new(|request| Deed::Say(right(request)));
    let link = std::env::temp_dir().join(format!("lapwing-line-{}", std::process::id()));
    let transport = Transport::Serial { path: link.clone(), baud: 19_200, parity: Parity::Even, stop_bits: 1 };
    let mut rig = Rig::new();
    rig.start(Sketch::default().link(transport, 100).device(1).reads(Table::Holding, 0, 2).plan());
    rig.inbox.wait("link down", |all| states(all) == [("link", 0, false)]);
    std::os::unix::fs::symlink(&pty.path, &link).expect("a free name");
    rig.inbox.wait("link up", |all| states(all) == [("link", 0, false), ("link", 0, true)]);
    rig.inbox.wait_good(0, 1);
    std::fs::remove_file(&link).expect("made above");
    rig.end();
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

#[test]
fn bytes_that_lay_in_the_line_are_thrown_away_first() {
    let pace = Pace::of(115_200, Parity::None, 1, false, LUMP);
    let answer = right(&request(7, four()));
    let stale = sealed([&[7, 3, 8][..], &[0xEE; 8]].concat());
    let (mut master, _) = paper(pace, vec![answer], &stale);
    let values = master.ask(7, four(), Duration::from_millis(100), Duration::ZERO);
    assert_eq!(values, Ok(Values::Registers(vec![7000, 7001, 7002, 7003])));
    assert_eq!(master.stray_bytes, 13);
}

#[test]
fn a_late_answer_of_another_unit_is_passed_over() {
    let pace = Pace::of(115_200, Parity::None, 1, false, LUMP);
    let (late, answer) = (right(&request(8, four())), right(&request(7, four())));
    let (mut master, _) = paper(pace, vec![[late.clone(), answer].concat(), late], &[]);
    let timeout = Duration::from_millis(50);
    assert_eq!(master.ask(7, four(), timeout, Duration::ZERO), Ok(Values::Registers(vec![7000, 7001, 7002, 7003])));
    let only_late = master.ask(7, four(), timeout, Duration::ZERO);
    assert_eq!(only_late, Err(Failure::Garbled(Garble::Unit { asked: 7, got: 8 })));
}

#[test]
fn on_a_wire_nothing_is_accepted_before_the_request_has_left() {
    // At 1200 bit/s a request takes 67 ms: an answer that is there at once cannot be one.
    let pace = Pace::of(1200, Parity::None, 1, true, LUMP);
    let (mut master, _) = paper(pace, vec![right(&request(7, four()))], &[]);
    let early = master.ask(7, four(), Duration::from_millis(50), Duration::ZERO);
    assert_eq!(early, Err(Failure::Garbled(Garble::Early)));
}

/// Somebody sends whole frames of another unit without end, always a byte of the next one with them.
#[test]
fn a_line_that_never_falls_silent_keeps_nobody_longer_than_the_time_out() {
    struct Babble(Pace, Vec<u8>, bool);
    impl Line for Babble {
        fn write(&mut self, _bytes: &[u8]) -> io::Result<()> {
            self.2 = true;
            Ok(())
        }
        fn read(&mut self, into: &mut [u8], _until: Instant) -> io::Result<usize> {
            let got = self.1.len().min(into.len());
            into[..got].copy_from_slice(&self.1[..got]);
            self.1.rotate_left(got);
            Ok(got)
        }
        fn has_bytes(&mut self) -> io::Result<bool> {
            Ok(self.2)
        }
        fn pace(&self) -> Pace {
            self.0
        }
        fn is_connection(&self) -> bool {
            false
        }
    }
    let two = right(&request(8, four())).repeat(2);
    // 14 bytes a time: the frame that is whole, and the beginning of the next.
    let line = Babble(Pace::of(115_200, Parity::None, 1, false, LUMP), two, false);
    let mut master = Master::new(Box::new(line));
    let begun = Instant::now();
    let outcome = master.ask(7, four(), Duration::from_millis(50), Duration::ZERO);
    assert!(matches!(outcome, Err(Failure::Garbled(Garble::Unit { asked: 7, got: 8 }))), "{outcome:?}");
    assert!(begun.elapsed() < Duration::from_secs(5), "{:?}", begun.elapsed());
}

/// A reply that comes after the request but sooner than its characters take was not asked for by us.
#[test]
fn on_a_wire_nothing_is_accepted_sooner_than_its_characters_take() {
    struct Hasty(Paced, Duration);
    impl Line for Hasty {
        fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
            self.0.write(bytes)?;
            self.0.arrives = Instant::now() + self.1;
            Ok(())
        }
        fn read(&mut self, into: &mut [u8], until: Instant) -> io::Result<usize> {
            self.0.read(into, until)
        }
        fn has_bytes(&mut self) -> io::Result<bool> {
            self.0.has_bytes()
        }
        fn pace(&self) -> Pace {
            self.0.pace
        }
        fn is_connection(&self) -> bool {
            false
        }
    }
    // At 4800 bit/s the request takes 17 ms and the reply of 13 bytes 27 ms.
    let pace = Pace::of(4800, Parity::None, 1, true, LUMP);
    for (after_ms, believed) in [(25, false), (60, true)] {
        let answer = right(&request(7, four()));
        let line = Paced { pace, answer, arrives: Instant::now(), unread: Vec::new() };
        let mut master = Master::new(Box::new(Hasty(line, Duration::from_millis(after_ms))));
        let outcome = master.ask(7, four(), Duration::from_millis(200), Duration::ZERO);
        match outcome {
            Ok(values) => assert!(believed && values == Values::Registers(vec![7000, 7001, 7002, 7003])),
            Err(failure) => assert!(!believed && failure == Failure::Garbled(Garble::Early), "{failure}"),
        }
    }
}

#[test]
fn requests_keep_the_silence_and_hardly_more() {
    for (baud, silence_us) in [(19_200, 2005), (115_200, 1750)] {
        let pace = Pace::of(baud, Parity::Even, 1, false, LUMP);
        let script = (0..40).map(|_| right(&request(7, four()))).collect();
        let (mut master, sent_at) = paper(pace, script, &[]);
        for _ in 0..40 {
            master.ask(7, four(), Duration::from_millis(50), Duration::ZERO).expect("answered at once");
        }
        let sent_at = sent_at.lock().expect("no panic");
        let mut gaps: Vec<u128> = sent_at.windows(2).map(|w| (w[1] - w[0]).as_micros()).collect();
        gaps.sort_unstable();
        assert!(gaps[0] >= silence_us, "a silence of {} µs", gaps[0]);
        // The machine may be busy; the typical gap shows what the master adds.
        assert!(gaps[gaps.len() / 4] <= silence_us + 400, "{gaps:?}");
    }
}

/// A line on which bytes take their time and the device answers after exactly one silence.
struct Paced {
    pace: Pace,
    answer: Vec<u8>,
    arrives: Instant,
    unread: Vec<u8>,
}

impl Line for Paced {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.unread.clone_from(&self.answer);
        self.arrives = Instant::now() + self.pace.silence + self.pace.characters(bytes.len() + self.answer.len());
        Ok(())
    }

    fn read(&mut self, into: &mut [u8], until: Instant) -> io::Result<usize> {
        sleep_until(self.arrives.min(until));
        if Instant::now() < self.arrives {
            return Ok(0);
        }
        let got = self.unread.len().min(into.len());
        into[..got].copy_from_slice(&self.unread[..got]);
        self.unread.drain(..got);
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

/// How near the line's limit it comes is measured by the benchmark of the serial line; that it keeps the silences is a rule.
#[test]
fn a_line_is_never_used_faster_than_its_silences_allow() {
    for (baud, parity, registers) in
        [(19_200, Parity::Even, 10), (115_200, Parity::None, 50), (115_200, Parity::None, 10)]
    {
        let pace = Pace::of(baud, parity, 1, true, LUMP);
        let read = Read::new(Table::Holding, 0, registers).expect("allowed");
        let answer = right(&request(7, read));
        let ideal = pace.characters(REQUEST_LEN + answer.len()) + pace.silence * 2;
        let line = Paced { pace, answer, arrives: Instant::now(), unread: Vec::new() };
        let mut master = Master::new(Box::new(line));
        for _ in 0..24 {
            let begun = Instant::now();
            master.ask(7, read, Duration::from_millis(200), Duration::ZERO).expect("answered");
            let cycle = begun.elapsed();
            assert!(cycle >= ideal.mul_f64(0.99), "{baud} bit/s, {registers} registers: {cycle:?}, {ideal:?} at least");
        }
    }
}
