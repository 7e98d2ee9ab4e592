//! A TCP proxy that does to a connection what networks and peers do: delay, stall, cut in the middle, accept and say nothing.
//!
//! The behaviour can be changed at any time and holds for open connections too. Knows no protocol. Two threads a
//! connection, which end with it or with the test's process. Panics when loopback gives no port.

use std::io::{Read, Write};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// What happens to the bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// They pass.
    Pass,
    /// They pass, each piece so much later.
    Delay(Duration),
    /// They pass a few at a time: a slow reader at the other end.
    Trickle,
    /// To the peer so many bytes a second pass, everything back: a reader that may be slower than what is said.
    Slow(u32),
    /// They stay where they are; the connection stays open.
    Stall,
    /// To the peer they pass, nothing comes back: half open.
    Deaf,
    /// The connection is closed as soon as it is made.
    Refuse,
    /// The connection is reset in the middle of a packet, after so many bytes to the peer.
    CutAfter(u64),
}

/// Read at once where the pace is slow.
const SLOW_BYTES: usize = 64;

/// The proxy.
#[derive(Clone, Debug)]
pub struct Hostile {
    address: String,
    way: Arc<Mutex<Way>>,
    forwarded: Arc<AtomicU64>,
}

impl Hostile {
    /// Stands before a peer.
    ///
    /// # Panics
    /// When loopback gives no port.
    #[must_use]
    pub fn before(peer: &str) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("loopback has a free port");
        let address = listener.local_addr().expect("a bound socket has an address").to_string();
        let peer: SocketAddr = peer.parse().expect("the peer's address is one");
        let proxy = Self { address, way: Arc::new(Mutex::new(Way::Pass)), forwarded: Arc::default() };
        let shared = proxy.clone();
        std::thread::spawn(move || {
            for client in listener.incoming().flatten() {
                if shared.way() == Way::Refuse {
                    let _ = client.shutdown(Shutdown::Both);
                    continue;
                }
                let Ok(server) = TcpStream::connect(peer) else { continue };
                let (Ok(from_server), Ok(to_client)) = (server.try_clone(), client.try_clone()) else { continue };
                let (out, back) = (shared.clone(), shared.clone());
                std::thread::spawn(move || out.pass(client, server, true));
                std::thread::spawn(move || back.pass(from_server, to_client, false));
            }
        });
        proxy
    }

    /// The address to use instead of the peer's.
    #[must_use]
    pub fn address(&self) -> &str {
        &self.address
    }

    /// Changes what happens from now on.
    pub fn set(&self, way: Way) {
        *self.way.lock().unwrap_or_else(PoisonError::into_inner) = way;
    }

    /// Bytes that went to the peer so far.
    #[must_use]
    pub fn forwarded(&self) -> u64 {
        self.forwarded.load(Ordering::Relaxed)
    }

    fn way(&self) -> Way {
        *self.way.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn pass(&self, mut from: TcpStream, mut to: TcpStream, outward: bool) {
        let begun = self.forwarded();
        let mut buffer = [0; 4096];
        // A look at the way at least so often.
        let _ = from.set_read_timeout(Some(Duration::from_millis(20)));
        loop {
            match self.way() {
                Way::Stall => {
                    std::thread::sleep(Duration::from_millis(20));
                    continue;
                }
                Way::Deaf if !outward => {
                    std::thread::sleep(Duration::from_millis(20));
                    continue;
                }
                Way::Refuse => break,
                Way::Pass | Way::Delay(_) | Way::Trickle | Way::Slow(_) | Way::Deaf | Way::CutAfter(_) => {}
            }
            let room = match self.way() {
                Way::Trickle => 16,
                Way::Slow(_) if outward => SLOW_BYTES,
                Way::Pass | Way::Delay(_) | Way::Slow(_) | Way::Stall | Way::Deaf | Way::Refuse | Way::CutAfter(_) => {
                    buffer.len()
                }
            };
            let got = match from.read(&mut buffer[..room]) {
                Ok(0) => break,
                Ok(got) => got,
                Err(error) if matches!(error.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut) => {
                    continue;
                }
                Err(_) => break,
            };
            let mut bytes = &buffer[..got];
            let mut cut = false;
            match self.way() {
                Way::Delay(by) => std::thread::sleep(by),
                Way::Trickle => std::thread::sleep(Duration::from_millis(5)),
                Way::Slow(a_second) if outward => {
                    std::thread::sleep(Duration::from_secs(1).mul_f64(got as f64 / f64::from(a_second.max(1))));
                }
                Way::CutAfter(limit) if outward => {
                    let left = limit.saturating_sub(self.forwarded() - begun);
                    cut = left <= got as u64;
                    bytes = &bytes[..got.min(usize::try_from(left).unwrap_or(got))];
                }
                Way::Pass | Way::Slow(_) | Way::Stall | Way::Deaf | Way::Refuse | Way::CutAfter(_) => {}
            }
            if outward {
                self.forwarded.fetch_add(bytes.len() as u64, Ordering::Relaxed);
            }
            if to.write_all(bytes).is_err() || cut {
                break;
            }
        }
        // The other direction may already be gone.
        let _ = to.shutdown(Shutdown::Both);
        let _ = from.shutdown(Shutdown::Both);
    }
}
