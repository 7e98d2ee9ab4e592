//! RTU frames over TCP as a transparent serial server gives them: what the line says goes to everyone connected.
//!
//! Decides who hears what and in which pieces: a frame is sent when its last character has passed on the line behind
//! (19200 baud). Up to [`CLIENTS_MAX`] connections; a further one is closed. Bytes that come while nobody is
//! connected are kept, [`KEPT_MAX`] at most, and given to the next one: such servers do that, and a late answer then
//! meets the wrong connection. A client that does not read loses bytes. Knows nothing of frames. Never panics.

use std::io;
use std::time::Duration;

use tokio::io::AsyncReadExt;
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{mpsc, watch};
use tokio::task::AbortHandle;
use tokio::time::{Instant, sleep, sleep_until};

use super::line::Line;

/// Bits a second of the line behind the server.
pub(crate) const BAUD_BEHIND: u32 = 19_200;
const CLIENTS_MAX: usize = 8;
const KEPT_MAX: usize = 256;

struct Client {
    number: u64,
    out: OwnedWriteHalf,
    _reader: Reader,
}

/// The task that reads from a client; ends with it.
struct Reader(AbortHandle);

impl Drop for Reader {
    fn drop(&mut self) {
        self.0.abort();
    }
}

enum Heard {
    Bytes(Vec<u8>),
    Closed(u64),
}

/// Serves until the task is dropped. `up` false closes every connection and resets new ones.
pub(crate) async fn serve(listener: TcpListener, mut line: Line, mut up: watch::Receiver<bool>) {
    let start = Instant::now();
    let (to_line, mut from_clients) = mpsc::channel(32); // full: a client's bytes wait in its socket
    let mut clients: Vec<Client> = Vec::new();
    let mut kept = Vec::new();
    let mut next_number = 0;
    loop {
        let next = line.next_at(usize::MAX).map(|at| start + at);
        tokio::select! {
            accepted = listener.accept() => match accepted {
                Ok((stream, _)) if !*up.borrow() || clients.len() >= CLIENTS_MAX => refuse(&stream),
                Ok((stream, _)) => {
                    next_number += 1;
                    match welcome(stream, next_number, to_line.clone()) {
                        Ok(client) => clients.push(client),
                        Err(error) => tracing::debug!(%error, "connection lost at once"),
                    }
                }
                Err(error) => {
                    tracing::warn!(%error, "cannot accept");
                    sleep(Duration::from_millis(100)).await;
                }
            },
            Some(heard) = from_clients.recv() => match heard {
                Heard::Bytes(bytes) => line.master_sends(start.elapsed(), &bytes),
                Heard::Closed(number) => clients.retain(|client| client.number != number),
            },
            () = sleep_until(next.unwrap_or(start)), if next.is_some() => {}
            changed = up.changed() => {
                if changed.is_err() {
                    return; // the simulator is gone
                }
                if !*up.borrow() {
                    for client in clients.drain(..) {
                        refuse(client.out.as_ref());
                        client.out.forget(); // its drop would close in the usual way before the reset
                    }
                    kept.clear();
                    line.cut();
                }
            }
        }
        line.advance(start.elapsed(), false, &mut kept);
        if !kept.is_empty() && !clients.is_empty() {
            clients.retain(|client| match client.out.try_write(&kept) {
                Ok(_) => true,
                Err(error) => error.kind() == io::ErrorKind::WouldBlock,
            });
            kept.clear();
        }
        let too_many = kept.len().saturating_sub(KEPT_MAX);
        kept.drain(..too_many);
    }
}

/// Makes the close that follows a reset.
fn refuse(stream: &TcpStream) {
    if let Err(error) = stream.set_zero_linger() {
        tracing::debug!(%error, "connection is closed in the usual way instead of reset");
    }
}

fn welcome(stream: TcpStream, number: u64, to_line: mpsc::Sender<Heard>) -> io::Result<Client> {
    stream.set_nodelay(true)?;
    let (read_half, out) = stream.into_split();
    let reader = Reader(tokio::spawn(read(read_half, number, to_line)).abort_handle());
    Ok(Client { number, out, _reader: reader })
}

async fn read(mut stream: OwnedReadHalf, number: u64, to_line: mpsc::Sender<Heard>) {
    let mut buffer = [0u8; 512];
    loop {
        let heard = match stream.read(&mut buffer).await {
            Ok(0) | Err(_) => Heard::Closed(number),
            Ok(count) => Heard::Bytes(buffer[..count].to_vec()),
        };
        let closed = matches!(heard, Heard::Closed(_));
        if to_line.send(heard).await.is_err() || closed {
            return;
        }
    }
}
