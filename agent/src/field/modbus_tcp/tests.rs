//! The Modbus TCP link against a library's server and against servers that misbehave by script.

use std::future;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use lapwing_engine::spec::Raw;
use lapwing_protocol::Status;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio_modbus::server::Service;
use tokio_modbus::server::tcp::{Server, accept_tcp_connection};
use tokio_modbus::{ExceptionCode, SlaveRequest};

use super::*;
use crate::field::testing::*;

/// Register n holds n plus 1000 times the unit; bit n is set where n is a multiple of three.
struct Library(Arc<AtomicBool>);

impl Service for Library {
    type Request = SlaveRequest<'static>;
    type Response = Option<Response>;
    type Exception = ExceptionCode;
    type Future = future::Ready<Result<Self::Response, Self::Exception>>;

    fn call(&self, SlaveRequest { slave, request }: Self::Request) -> Self::Future {
        if slave == 9 && self.0.load(Ordering::Relaxed) {
            return future::ready(Ok(None)); // a dead unit
        }
        let registers = |start: u16, count| (start..start + count).map(|n| n + 1000 * u16::from(slave)).collect();
        let bits = |start: u16, count| (start..start + count).map(|n| n % 3 == 0).collect();
        future::ready(match request {
            Request::ReadHoldingRegisters(start, count) if start < 500 => {
                Ok(Some(Response::ReadHoldingRegisters(registers(start, count))))
            }
            Request::ReadInputRegisters(start, count) => {
                Ok(Some(Response::ReadInputRegisters(registers(start, count))))
            }
            Request::ReadCoils(start, count) => Ok(Some(Response::ReadCoils(bits(start, count)))),
            Request::ReadDiscreteInputs(start, count) => Ok(Some(Response::ReadDiscreteInputs(bits(start, count)))),
            _ => Err(ExceptionCode::IllegalDataAddress),
        })
    }
}

fn library_server(rig: &Rig, dead: &Arc<AtomicBool>) -> u16 {
    let listener = rig.runtime.block_on(TcpListener::bind("127.0.0.1:0")).expect("a port");
    let port = listener.local_addr().expect("bound").port();
    let dead = Arc::clone(dead);
    rig.runtime.spawn(async move {
        let accept = |stream, address: SocketAddr| {
            let dead = Arc::clone(&dead);
            async move { accept_tcp_connection(stream, address, |_| Ok(Some(Library(Arc::clone(&dead))))) }
        };
        Server::new(listener).serve(&accept, |_| ()).await
    });
    port
}

/// What a scripted server does with one request.
enum Deed {
    Say(Vec<u8>),
    SayLate(Vec<u8>, Duration),
    Ignore,
    HangUp,
}

fn scripted_server(rig: &Rig, script: impl Fn(&[u8]) -> Deed + Send + Sync + 'static) -> u16 {
    let listener = rig.runtime.block_on(TcpListener::bind("127.0.0.1:0")).expect("a port");
    let port = listener.local_addr().expect("bound").port();
    let script = Arc::new(script);
    rig.runtime.spawn(async move {
        while let Ok((stream, _)) = listener.accept().await {
            let script = Arc::clone(&script);
            tokio::spawn(async move {
                let (mut input, output) = stream.into_split();
                let output = Arc::new(tokio::sync::Mutex::new(output));
                let mut request = [0; 12];
                while input.read_exact(&mut request).await.is_ok() {
                    let say = |bytes: Vec<u8>, after| {
                        let output = Arc::clone(&output);
                        tokio::spawn(async move {
                            sleep(after).await;
                            output.lock().await.write_all(&bytes).await
                        })
                    };
                    match script(&request) {
                        Deed::Say(bytes) => drop(say(bytes, Duration::ZERO).await),
                        Deed::SayLate(bytes, after) => drop(say(bytes, after)),
                        Deed::Ignore => {}
                        Deed::HangUp => return,
                    }
                }
            });
        }
    });
    port
}

/// The right answer to a register read: register n holds n.
pub(super) fn right(request: &[u8]) -> Vec<u8> {
    let start = u16::from_be_bytes([request[8], request[9]]);
    let count = u16::from_be_bytes([request[10], request[11]]);
    let mut answer = request[..4].to_vec();
    answer.extend((3 + 2 * count).to_be_bytes());
    answer.extend([request[6], request[7], u8::try_from(2 * count).expect("at most 250")]);
    answer.extend((start..start + count).flat_map(u16::to_be_bytes));
    answer
}

#[test]
fn values_of_all_tables_and_units_arrive() {
    let mut rig = Rig::new();
    let port = library_server(&rig, &Arc::default());
    let sketch = Sketch::default().tcp(port, 500).device(1).reads(Table::Holding, 10, 3).reads(Table::Coil, 2, 9);
    let sketch =
        sketch.device(7).reads(Table::Input, 0, 125).reads(Table::Discrete, 0, 2000).reads(Table::Holding, 600, 1);
    rig.start(sketch.plan());
    (0..4).for_each(|transaction| rig.inbox.wait_good(transaction, 3));
    rig.inbox.wait("a refusal", |all| !faults(all, 4).is_empty());
    let stats = rig.stats();
    let all = rig.end();
    assert_eq!(registers(good(&all, 0)[0]), [1010, 1011, 1012]);
    let bits: Vec<Raw> = (2..11).map(|n| Raw::Bit(n % 3 == 0)).collect();
    assert_eq!(good(&all, 1)[0].raws, bits);
    assert_eq!(registers(good(&all, 2)[0])[124], 7124);
    assert_eq!(good(&all, 3)[0].raws.len(), 2000);
    assert!(faults(&all, 4).iter().all(|s| *s == Status::BAD_NOT_FOUND));
    let mut told = states(&all);
    told.sort_unstable();
    assert_eq!(told, [("device", 0, true), ("device", 1, true), ("link", 0, true)], "a refusal is no silence");
    let figures = stats.link(0);
    assert!(figures.answers >= 12 && figures.timeouts == 0 && figures.exceptions >= 1, "{figures:?}");
}

#[test]
fn a_dead_unit_is_told_and_hardly_costs_its_neighbours() {
    let mut rig = Rig::new();
    let dead = Arc::new(AtomicBool::new(false));
    let port = library_server(&rig, &dead);
    let second = Duration::from_millis(250);
    let sketch = Sketch::default().tcp(port, 100).device(1).reads_every(Table::Holding, 0, 5, second);
    rig.start(sketch.device(9).reads_every(Table::Holding, 0, 5, second).plan());
    rig.inbox.wait_good(1, 2);
    let since = Instant::now();
    dead.store(true, Ordering::Relaxed);
    rig.inbox.wait("device down", |all| states(all).contains(&("device", 1, false)));
    assert!(since.elapsed() < Duration::from_secs(10), "told after {:?}", since.elapsed());
    rig.inbox.wait("a while", |all| faults(all, 1).len() >= 20);
    dead.store(false, Ordering::Relaxed);
    rig.inbox.wait("its return", |all| states(all).last() == Some(&("device", 1, true)));
    let stats = rig.stats();
    let all = rig.end();
    assert!(faults(&all, 0).is_empty(), "the neighbour's scans stay good");
    assert_eq!(stats.device(0).scans_skipped, 0);
    assert!(stats.device(1).timeouts <= 6, "{:?}", stats.device(1));
    assert!(faults(&all, 1).iter().all(|s| *s == Status::BAD_NO_COMMUNICATION));
    assert!(!states(&all).contains(&("link", 0, false)));
}

#[test]
fn late_answers_never_become_another_reading() {
    let mut rig = Rig::new();
    let asked = AtomicU64::new(0);
    // Every fourth answer comes half a time-out to three time-outs of 40 ms late.
    let port = scripted_server(&rig, move |request| {
        let n = asked.fetch_add(1, Ordering::Relaxed);
        let late_ms = if n % 4 == 3 { 20 + n * 37 % 11 * 10 } else { 0 };
        Deed::SayLate(right(request), Duration::from_millis(late_ms))
    });
    let mut sketch = Sketch::default().tcp(port, 40).device(1);
    for start in 0..8 {
        sketch = sketch.reads(Table::Holding, start * 100, 4);
    }
    rig.start(sketch.plan());
    rig.inbox.wait("many scans", |all| (0..8).all(|t| good(all, t).len() >= 5));
    assert!(rig.stats().device(0).timeouts >= 3);
    let all = rig.end();
    for (transaction, start) in (0..8).zip((0..).step_by(100)) {
        for batch in good(&all, transaction) {
            assert_eq!(registers(batch), [start, start + 1, start + 2, start + 3]);
        }
    }
}

/// Statuses of the first faults when every answer is spoilt in this way.
fn spoilt(spoil: impl Fn(Vec<u8>) -> Deed + Send + Sync + 'static) -> Vec<Status> {
    let mut rig = Rig::new();
    let port = scripted_server(&rig, move |request| spoil(right(request)));
    rig.start(Sketch::default().tcp(port, 60).device(1).reads(Table::Holding, 100, 4).plan());
    rig.inbox.wait("faults", |all| faults(all, 0).len() >= 2);
    let all = rig.end();
    assert!(good(&all, 0).is_empty());
    faults(&all, 0)
}

#[test]
fn a_spoilt_answer_is_a_fault_with_its_reason() {
    let garbled = Status::BAD_COMMUNICATION_ERROR;
    let with = |at: usize, byte: u8| {
        move |mut answer: Vec<u8>| {
            answer[at] = byte;
            Deed::Say(answer)
        }
    };
    let shorter = |mut answer: Vec<u8>| {
        answer.truncate(15);
        (answer[5], answer[8]) = (9, 6);
        Deed::Say(answer)
    };
    let longer = |mut answer: Vec<u8>| {
        answer.extend([0, 0]);
        (answer[5], answer[8]) = (13, 10);
        Deed::Say(answer)
    };
    assert_eq!(spoilt(with(0, 0x55))[0], garbled, "transaction");
    assert_eq!(spoilt(with(2, 1))[0], garbled, "protocol");
    assert_eq!(spoilt(with(6, 2))[0], garbled, "unit");
    assert_eq!(spoilt(with(7, 4))[0], garbled, "function");
    assert_eq!(spoilt(shorter)[0], garbled, "three registers for four");
    assert_eq!(spoilt(longer)[0], garbled, "five registers for four");
    assert_eq!(spoilt(|_| Deed::Say(vec![0; 20]))[0], garbled, "noise");
    // Another protocol altogether: its text reads as the start of a message of 12 081 bytes that never ends.
    assert_eq!(spoilt(|_| Deed::Say(b"HTTP/1.1 400 Bad Request\r\n\r\n".to_vec()))[0], Status::BAD_NO_COMMUNICATION);
    assert_eq!(spoilt(|_| Deed::Ignore)[0], Status::BAD_NO_COMMUNICATION);
    assert_eq!(spoilt(|_| Deed::HangUp)[0], Status::BAD_NO_COMMUNICATION);
    let exception = |code| move |answer: Vec<u8>| Deed::Say([&answer[..5], &[3, answer[6], 0x83, code]].concat());
    assert_eq!(spoilt(exception(2))[0], Status::BAD_NOT_FOUND);
    assert_eq!(spoilt(exception(4))[0], Status::BAD_DEVICE_FAILURE);
    assert_eq!(spoilt(exception(6))[0], garbled);
    assert_eq!(spoilt(exception(0x0B))[0], Status::BAD_NO_COMMUNICATION);
}

#[test]
fn no_truncation_and_no_flipped_header_bit_gives_a_value() {
    let mut rig = Rig::new();
    let next = Mutex::new(0usize);
    // 17 truncations, then 72 flips of header, function and byte count, over and over.
    let port = scripted_server(&rig, move |request| {
        let mut answer = right(request);
        let mut next = next.lock().expect("no panic in the script");
        let n = *next % 89;
        *next += 1;
        if n < 17 {
            answer.truncate(n);
        } else {
            answer[(n - 17) / 8] ^= 1 << ((n - 17) % 8);
        }
        Deed::Say(answer)
    });
    // One device a try: each its own link, so that none is held back for long.
    let mut sketch = Sketch::default();
    for _ in 0..100 {
        sketch = sketch.tcp(port, 100).device(1).reads_every(Table::Holding, 100, 4, Duration::from_secs(1));
    }
    rig.start(sketch.plan());
    rig.inbox.wait("every link's fault", |all| (0..100).all(|t| !faults(all, t).is_empty()));
    let all = rig.end();
    assert!((0..100).all(|t| good(&all, t).is_empty()));
}

#[test]
fn a_refused_connection_is_a_state_and_no_exit() {
    let mut rig = Rig::new();
    let reserved = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = reserved.local_addr().expect("bound");
    drop(reserved);
    rig.start(Sketch::default().tcp(address.port(), 100).device(1).reads(Table::Holding, 0, 1).plan());
    rig.inbox.wait("link down", |all| states(all) == [("link", 0, false)]);
    assert!(faults(&rig.inbox.all(), 0).iter().all(|s| *s == Status::BAD_NO_COMMUNICATION));
    rig.inbox.clear();
    let listener = rig.runtime.block_on(TcpListener::bind(address)).expect("the port again");
    rig.runtime.spawn(async move {
        while let Ok((mut stream, _)) = listener.accept().await {
            tokio::spawn(async move {
                let mut request = [0; 12];
                while stream.read_exact(&mut request).await.is_ok() && stream.write_all(&right(&request)).await.is_ok()
                {
                }
            });
        }
    });
    rig.inbox.wait_good(0, 2);
    let all = rig.end();
    assert_eq!(states(&all), [("link", 0, true)]);
}

#[test]
fn an_unknown_host_is_a_state() {
    let mut rig = Rig::new();
    let transport = crate::plan::Transport::ModbusTcp { host: "no-such-host.invalid".into(), port: 502 };
    rig.start(Sketch::default().link(transport, 100).device(1).reads(Table::Holding, 0, 1).plan());
    rig.inbox.wait("link down", |all| states(all) == [("link", 0, false)]);
    rig.end();
}
