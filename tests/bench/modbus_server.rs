//! A Modbus TCP server of the bench's own that knows the moment at which a changed register first left it.
//!
//! Function 03 and 04 only, one bank of registers for every unit (MODBUS Application Protocol V1.1b3 §6.3). Blocking, a
//! thread a connection. Panics when loopback gives no port.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

const SIZE: usize = 64;

#[derive(Debug)]
struct Inside {
    registers: [u16; SIZE],
    /// Register whose change waits to be seen, and the moment its new value was sent.
    watched: Option<u16>,
    sent: Option<Instant>,
}

/// A running server.
#[derive(Clone, Debug)]
pub(crate) struct Server {
    inside: Arc<Mutex<Inside>>,
    address: String,
}

impl Server {
    /// Starts one on a free port.
    pub(crate) fn start() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("loopback has a free port");
        let address = listener.local_addr().expect("a bound socket has an address").to_string();
        let inside = Arc::new(Mutex::new(Inside { registers: [0; SIZE], watched: None, sent: None }));
        let shared = Arc::clone(&inside);
        std::thread::spawn(move || {
            for client in listener.incoming().flatten() {
                let shared = Arc::clone(&shared);
                std::thread::spawn(move || serve(client, &shared));
            }
        });
        Self { inside, address }
    }

    /// As configuration wants it.
    pub(crate) fn address(&self) -> &str {
        &self.address
    }

    /// Changes a register and watches for the answer that carries it.
    pub(crate) fn change(&self, register: u16, value: u16) {
        let mut inside = self.inside.lock().unwrap_or_else(PoisonError::into_inner);
        inside.registers[usize::from(register)] = value;
        inside.watched = Some(register);
        inside.sent = None;
    }

    /// When the watched change was first sent.
    pub(crate) fn sent(&self) -> Option<Instant> {
        self.inside.lock().unwrap_or_else(PoisonError::into_inner).sent
    }
}

fn serve(mut client: TcpStream, shared: &Mutex<Inside>) {
    // Without it the kernel holds small answers back, which would be measured as the agent's time.
    let _ = client.set_nodelay(true);
    let mut header = [0; 7];
    while client.read_exact(&mut header).is_ok() {
        let length = usize::from(u16::from_be_bytes([header[4], header[5]]));
        let mut body = vec![0; length.saturating_sub(1)];
        if client.read_exact(&mut body).is_err() {
            return;
        }
        let [function, a, b, c, d] = body[..] else { return };
        let (start, count) = (usize::from(u16::from_be_bytes([a, b])), usize::from(u16::from_be_bytes([c, d])));
        let mut inside = shared.lock().unwrap_or_else(PoisonError::into_inner);
        let mut reply = header[..4].to_vec();
        match inside.registers.get(start..start + count) {
            Some(registers) if matches!(function, 3 | 4) && count <= 125 => {
                let bytes = u8::try_from(count * 2).expect("invariant: at most 250");
                reply.extend_from_slice(&(u16::from(bytes) + 3).to_be_bytes());
                reply.extend_from_slice(&[header[6], function, bytes]);
                reply.extend(registers.iter().flat_map(|register| register.to_be_bytes()));
            }
            Some(_) | None => reply.extend_from_slice(&[0, 3, header[6], function | 0x80, 2]),
        }
        // Taken just before the bytes go: the change is at the wire now.
        let carries = inside.watched.is_some_and(|register| (start..start + count).contains(&usize::from(register)));
        if carries {
            inside.sent = Some(Instant::now());
            inside.watched = None;
        }
        drop(inside);
        if client.write_all(&reply).is_err() {
            return;
        }
    }
}
