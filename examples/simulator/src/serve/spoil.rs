//! The carrier below the Modbus TCP server: a TCP stream that can be cut, and that can spoil one answer on its way.
//!
//! The server library writes whole answers; a mark set by the service makes the next one leave as bytes that are no
//! valid answer. When the link's switch goes off, reads and writes fail at once and the close is a reset. Knows
//! nothing of units or banks. Never panics. MODBUS Messaging on TCP/IP Implementation Guide V1.0b §3.1.3 (header).
//!
//! ```text
//! transaction (2) | protocol 0 (2) | length of what follows (2) | unit | function | data …
//! ```

use std::fmt;
use std::future::Future;
use std::io;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::task::{Context, Poll, ready};

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::sync::watch;

/// A mark that the next answer is to be spoilt, and how; 0 means not.
#[derive(Clone, Debug, Default)]
pub(crate) struct Spoil(Arc<AtomicU32>);

impl Spoil {
    /// Spoils the next answer in the way of this turn.
    pub(crate) fn next(&self, turn: u32) {
        self.0.store(turn % WAYS + 1, Ordering::Relaxed);
    }
}

/// One connection.
pub(crate) struct Wire {
    stream: TcpStream,
    spoil: Spoil,
    cut: Pin<Box<dyn Future<Output = ()> + Send>>,
    /// A spoilt answer on its way, how much of it is sent, and how many bytes of the right one it stands for.
    instead: Vec<u8>,
    sent: usize,
    stands_for: usize,
}

impl fmt::Debug for Wire {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.debug_struct("Wire").field("stream", &self.stream).finish_non_exhaustive()
    }
}

const WAYS: u32 = 8;

impl Wire {
    pub(crate) fn new(stream: TcpStream, spoil: Spoil, mut up: watch::Receiver<bool>) -> Self {
        let cut = Box::pin(async move {
            // An error means that the simulator is gone, which cuts the link as well.
            let _gone = up.wait_for(|up| !up).await.is_err();
        });
        Self { stream, spoil, cut, instead: Vec::new(), sent: 0, stands_for: 0 }
    }

    fn check_cut(&mut self, context: &mut Context<'_>) -> io::Result<()> {
        if self.cut.as_mut().poll(context).is_pending() {
            return Ok(());
        }
        self.cut = Box::pin(async {}); // stays cut, and may be polled again
        self.stream.set_zero_linger()?;
        Err(io::ErrorKind::ConnectionReset.into())
    }
}

impl AsyncRead for Wire {
    fn poll_read(self: Pin<&mut Self>, context: &mut Context<'_>, buffer: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let wire = self.get_mut();
        wire.check_cut(context)?;
        Pin::new(&mut wire.stream).poll_read(context, buffer)
    }
}

impl AsyncWrite for Wire {
    fn poll_write(self: Pin<&mut Self>, context: &mut Context<'_>, answer: &[u8]) -> Poll<io::Result<usize>> {
        let wire = self.get_mut();
        wire.check_cut(context)?;
        if wire.instead.is_empty() {
            match wire.spoil.0.swap(0, Ordering::Relaxed) {
                0 => return Pin::new(&mut wire.stream).poll_write(context, answer),
                way => {
                    wire.instead = spoilt(answer, way);
                    wire.sent = 0;
                    wire.stands_for = answer.len();
                }
            }
        }
        while wire.sent < wire.instead.len() {
            let rest = &wire.instead[wire.sent..];
            wire.sent += ready!(Pin::new(&mut wire.stream).poll_write(context, rest))?;
        }
        wire.instead.clear();
        Poll::Ready(Ok(wire.stands_for))
    }

    fn poll_flush(self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.get_mut().stream).poll_flush(context)
    }

    fn poll_shutdown(self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.get_mut().stream).poll_shutdown(context)
    }
}

/// Bytes that are no valid answer to what `answer` answers; each way breaks one thing a client has to check.
fn spoilt(answer: &[u8], way: u32) -> Vec<u8> {
    let mut bytes = answer.to_vec();
    let mut flip = |at: usize, with: u8| {
        if let Some(byte) = bytes.get_mut(at) {
            *byte ^= with;
        }
    };
    match way {
        1 => flip(1, 0x40),                                                        // another transaction
        2 => flip(2, 0x4D),                                                        // not Modbus
        3 => flip(6, 0x1F),                                                        // another unit
        4 => flip(7, 0x07),                                                        // another function
        5 => flip(8, 0x02),                                                        // byte count that does not fit
        6 => bytes.truncate(answer.len() / 2),                                     // cut short: the rest never comes
        7 => flip(5, 0x10),                                                        // length that does not fit
        _ => bytes.iter_mut().for_each(|byte| *byte = byte.rotate_left(3) ^ 0xA5), // nothing of a frame
    }
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_way_changes_the_answer() {
        let answer = [0, 9, 0, 0, 0, 5, 1, 3, 2, 0, 7];
        for way in 1..=WAYS {
            let bytes = spoilt(&answer, way);
            assert!(!bytes.is_empty() && bytes != answer, "way {way}");
        }
        for length in 0..8 {
            for way in 1..=WAYS {
                assert!(spoilt(&answer[..length], way).len() <= length);
            }
        }
    }
}
