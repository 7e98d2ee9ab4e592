//! Wires that play what a fuzz input holds: a byte stream for TCP, a line for RTU.
//!
//! They end instead of waiting: what has been played is over, so no input takes longer than its bytes. They keep what was
//! written, so that a target can demand that nothing but reads was sent.

use std::collections::VecDeque;
use std::io;
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::task::{Context, Poll};
use std::time::{Duration, Instant};

use lapwing::field::rtu::line::{Line, Pace};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};

use super::input::Input;

/// What was written.
pub(super) type Written = Arc<Mutex<Vec<Vec<u8>>>>;

/// What was written, one piece a call.
pub(super) fn heard(written: &Written) -> Vec<Vec<u8>> {
    written.lock().unwrap_or_else(PoisonError::into_inner).clone()
}

/// A stream that plays pieces, and then ends.
#[derive(Debug)]
pub(super) struct Stream {
    pieces: VecDeque<Vec<u8>>,
    /// Each question's first two bytes become those of the next piece: the transaction number of Modbus TCP.
    echoes: bool,
    written: Written,
}

impl Stream {
    pub(super) fn new(pieces: Vec<Vec<u8>>, echoes: bool) -> (Self, Written) {
        let written = Written::default();
        (Self { pieces: pieces.into(), echoes, written: Arc::clone(&written) }, written)
    }
}

impl AsyncRead for Stream {
    fn poll_read(mut self: Pin<&mut Self>, _: &mut Context<'_>, into: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        if let Some(mut piece) = self.pieces.pop_front() {
            let rest = piece.split_off(piece.len().min(into.remaining()));
            into.put_slice(&piece);
            if !rest.is_empty() {
                self.pieces.push_front(rest);
            }
        }
        Poll::Ready(Ok(()))
    }
}

impl AsyncWrite for Stream {
    fn poll_write(mut self: Pin<&mut Self>, _: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        if self.echoes
            && let (Some(piece), [first, second, ..]) = (self.pieces.front_mut(), bytes)
            && let [a, b, ..] = &mut piece[..]
        {
            (*a, *b) = (*first, *second);
        }
        self.written.lock().unwrap_or_else(PoisonError::into_inner).push(bytes.to_vec());
        Poll::Ready(Ok(bytes.len()))
    }

    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }
}

/// A line without time: pieces lie in it before the agent speaks, and come after it has spoken.
#[derive(Debug)]
pub(super) struct Wire {
    before: VecDeque<Vec<u8>>,
    after: VecDeque<Vec<u8>>,
    written: Written,
}

impl Wire {
    pub(super) fn new(before: Vec<Vec<u8>>, after: Vec<Vec<u8>>) -> (Self, Written) {
        let written = Written::default();
        (Self { before: before.into(), after: after.into(), written: Arc::clone(&written) }, written)
    }

    fn now(&mut self) -> &mut VecDeque<Vec<u8>> {
        let spoken = !self.written.lock().unwrap_or_else(PoisonError::into_inner).is_empty();
        if spoken { &mut self.after } else { &mut self.before }
    }
}

impl Line for Wire {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.written.lock().unwrap_or_else(PoisonError::into_inner).push(bytes.to_vec());
        Ok(())
    }

    fn read(&mut self, into: &mut [u8], _until: Instant) -> io::Result<usize> {
        let Some(mut piece) = self.now().pop_front() else {
            // Before the agent has spoken that is silence; afterwards all is played, and waiting would only take time.
            return if heard(&self.written).is_empty() { Ok(0) } else { Err(io::ErrorKind::UnexpectedEof.into()) };
        };
        let rest = piece.split_off(piece.len().min(into.len()));
        into[..piece.len()].copy_from_slice(&piece);
        if !rest.is_empty() {
            self.now().push_front(rest);
        }
        Ok(piece.len())
    }

    fn has_bytes(&mut self) -> io::Result<bool> {
        Ok(!self.now().is_empty())
    }

    fn pace(&self) -> Pace {
        let none = Duration::ZERO;
        Pace { character: none, silence: none, wire: false, lump: none }
    }

    fn is_connection(&self) -> bool {
        false
    }
}

/// Cuts input into pieces: each begins with a length byte.
pub(super) fn pieces(mut input: Input<'_>) -> Vec<Vec<u8>> {
    let mut pieces = Vec::new();
    while !input.0.is_empty() && pieces.len() < 64 {
        let length = usize::from(input.byte());
        let piece = input.take(length);
        if !piece.is_empty() {
            pieces.push(piece.to_vec());
        }
    }
    pieces
}

/// The bytes that [`pieces`] cuts into these; pieces of at most 255 bytes.
pub(super) fn joined(pieces: &[&[u8]]) -> Vec<u8> {
    let one = |piece: &&[u8]| [&[u8::try_from(piece.len()).expect("a short piece")][..], *piece].concat();
    pieces.iter().flat_map(one).collect()
}

/// Runs something to its end on a runtime of this thread.
pub(super) fn wait<T>(what: impl Future<Output = T>) -> T {
    thread_local! {
        static RUNTIME: tokio::runtime::Runtime =
            tokio::runtime::Builder::new_current_thread().enable_time().build().expect("a runtime");
    }
    RUNTIME.with(|runtime| runtime.block_on(what))
}
