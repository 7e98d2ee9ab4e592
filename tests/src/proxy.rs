//! Stands between the agent and a peer and keeps what the agent sent: the proof that it only reads.
//!
//! Forwards bytes as they come, knows no protocol. One thread a direction; ends with the test's process.

use std::io::{Read, Write};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream, UdpSocket};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// Bytes sent by the agent: one list a connection (TCP) or a datagram (UDP).
#[derive(Clone, Debug, Default)]
pub struct Capture(Arc<Mutex<Vec<Vec<u8>>>>);

impl Capture {
    /// What was sent so far.
    #[must_use]
    pub fn sent(&self) -> Vec<Vec<u8>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn open(&self) -> usize {
        let mut list = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        list.push(Vec::new());
        list.len() - 1
    }

    fn keep(&self, connection: usize, bytes: &[u8]) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)[connection].extend_from_slice(bytes);
    }
}

/// Forwards TCP connections to a peer; gives the address to use instead.
///
/// # Panics
/// When loopback gives no port.
#[must_use]
pub fn tcp(peer: &str) -> (String, Capture) {
    let capture = Capture::default();
    let kept = capture.clone();
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback has a free port");
    let address = listener.local_addr().expect("a bound socket has an address").to_string();
    let peer: SocketAddr = peer.parse().expect("the peer's address is one");
    std::thread::spawn(move || {
        for client in listener.incoming().flatten() {
            let Ok(server) = TcpStream::connect(peer) else { continue };
            let (Ok(from_server), Ok(to_client)) = (server.try_clone(), client.try_clone()) else { continue };
            let (kept, connection) = (kept.clone(), kept.open());
            std::thread::spawn(move || pass(client, server, |bytes| kept.keep(connection, bytes)));
            std::thread::spawn(move || pass(from_server, to_client, |_| {}));
        }
    });
    (address, capture)
}

fn pass(mut from: TcpStream, mut to: TcpStream, seen: impl Fn(&[u8])) {
    let mut buffer = [0; 4096];
    while let Ok(got) = from.read(&mut buffer) {
        if got == 0 {
            break;
        }
        seen(&buffer[..got]);
        if to.write_all(&buffer[..got]).is_err() {
            break;
        }
    }
    // The other direction may already be gone.
    let _ = to.shutdown(Shutdown::Both);
    let _ = from.shutdown(Shutdown::Both);
}

/// Forwards datagrams to a peer and its answers back to the last sender.
///
/// # Panics
/// When loopback gives no port.
#[must_use]
pub fn udp(peer: &str) -> (String, Capture) {
    let capture = Capture::default();
    let kept = capture.clone();
    let front = UdpSocket::bind("127.0.0.1:0").expect("loopback has a free port");
    let back = UdpSocket::bind("127.0.0.1:0").expect("loopback has a free port");
    back.connect(peer).expect("the peer's address is one");
    back.set_read_timeout(Some(Duration::from_secs(2))).expect("a time-out can be set");
    let address = front.local_addr().expect("a bound socket has an address").to_string();
    std::thread::spawn(move || {
        let mut buffer = [0; 65_536];
        while let Ok((got, sender)) = front.recv_from(&mut buffer) {
            let connection = kept.open();
            kept.keep(connection, &buffer[..got]);
            if back.send(&buffer[..got]).is_ok()
                && let Ok(got) = back.recv(&mut buffer)
            {
                let _ = front.send_to(&buffer[..got], sender);
            }
        }
    });
    (address, capture)
}
