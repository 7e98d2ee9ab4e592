//! Identification over both framings against scripted devices: right, refused, damaged in every way, silent.

use std::collections::VecDeque;
use std::io;

use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

use super::*;
use crate::field::rtu::line::Pace;
use crate::plan::Parity;

fn pdu() -> Vec<u8> {
    let mut pdu = vec![0x2B, 0x0E, 0x01, 0x01, 0x00, 0x00, 2];
    for (id, text) in [(0u8, "Saltmarsh"), (1, "fan")] {
        pdu.extend([id, u8::try_from(text.len()).expect("short")]);
        pdu.extend(text.as_bytes());
    }
    pdu
}

fn framed(number: [u8; 2], unit: u8, pdu: &[u8]) -> Vec<u8> {
    let mut frame = vec![number[0], number[1], 0, 0];
    frame.extend(u16::try_from(pdu.len() + 1).expect("short").to_be_bytes());
    frame.push(unit);
    frame.extend(pdu);
    frame
}

/// What a stream device makes of the answer it owes.
fn stream_outcome(bend: impl FnOnce(Vec<u8>) -> Vec<u8> + Send + 'static) -> Result<Identity, NoIdentity> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let (mut ours, mut theirs) = tokio::io::duplex(1024);
        let device = tokio::spawn(async move {
            let mut request = [0; 11];
            theirs.read_exact(&mut request).await.expect("a request");
            assert_eq!(request[7..], [0x2B, 0x0E, 0x01, 0x00]);
            let answer = bend(framed([request[0], request[1]], request[6], &pdu()));
            theirs.write_all(&answer).await.expect("written");
        });
        let outcome = over_stream(&mut ours, 9, Duration::from_secs(5)).await;
        device.await.expect("the device played its part");
        outcome
    })
}

#[test]
fn a_stream_device_is_identified() {
    assert_eq!(stream_outcome(|answer| answer).expect("identified").to_string(), "Saltmarsh, fan");
    assert_eq!(
        stream_outcome(|answer| framed([answer[0], answer[1]], answer[6], &[0xAB, 1])),
        Err(NoIdentity::Refused(1))
    );
}

#[test]
fn on_a_stream_nothing_cut_or_foreign_is_believed() {
    let whole = framed([0, 0], 9, &pdu()).len();
    for len in 0..whole {
        assert!(stream_outcome(move |answer| answer[..len].to_vec()).is_err(), "{len} bytes");
    }
    // A flipped bit of the header never gives an identity; in a text it cannot be seen.
    for bit in 0..7 * 8 {
        let bent = move |mut answer: Vec<u8>| {
            answer[bit / 8] ^= 1 << (bit % 8);
            answer
        };
        assert!(stream_outcome(bent).is_err(), "bit {bit}");
    }
}

/// A line on which the answers lie ready; each is given once its request was written.
struct Scripted {
    answers: VecDeque<Vec<u8>>,
    waiting: Vec<u8>,
    written: Vec<Vec<u8>>,
}

impl Line for Scripted {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.written.push(bytes.to_vec());
        self.waiting.extend(self.answers.pop_front().unwrap_or_default());
        Ok(())
    }

    fn read(&mut self, into: &mut [u8], until: Instant) -> io::Result<usize> {
        if self.waiting.is_empty() {
            std::thread::sleep(until.saturating_duration_since(Instant::now()));
        }
        // Dribbles, as lines do.
        let count = self.waiting.len().min(into.len()).min(5);
        into[..count].copy_from_slice(&self.waiting[..count]);
        self.waiting.drain(..count);
        Ok(count)
    }

    fn has_bytes(&mut self) -> io::Result<bool> {
        Ok(!self.waiting.is_empty())
    }

    fn pace(&self) -> Pace {
        Pace::of(115_200, Parity::Even, 1, false, Duration::from_millis(1))
    }

    fn is_connection(&self) -> bool {
        false
    }
}

fn rtu(unit: u8, pdu: &[u8]) -> Vec<u8> {
    let mut frame = vec![unit];
    frame.extend(pdu);
    frame.extend(crc(&frame).to_le_bytes());
    frame
}

fn line_outcome(noise: &[u8], answer: Vec<u8>) -> Result<Identity, NoIdentity> {
    let mut line = Scripted { answers: VecDeque::from([answer]), waiting: noise.to_vec(), written: Vec::new() };
    let outcome = over_line(&mut line, 9, Duration::from_millis(3), Duration::ZERO);
    assert_eq!(line.written, [rtu(9, &[0x2B, 0x0E, 0x01, 0x00])], "one question, and nothing but that");
    outcome
}

#[test]
fn a_device_on_a_line_is_identified_through_noise_before_it() {
    assert_eq!(line_outcome(&[1, 2, 3], rtu(9, &pdu())).expect("identified").to_string(), "Saltmarsh, fan");
    assert_eq!(line_outcome(&[], rtu(9, &[0xAB, 1])), Err(NoIdentity::Refused(1)));
    assert_eq!(line_outcome(&[], Vec::new()), Err(NoIdentity::Silence { timeout_ms: 3 }));
}

#[test]
fn on_a_line_nothing_damaged_or_foreign_is_believed() {
    assert_eq!(line_outcome(&[], rtu(8, &pdu())), Err(NoIdentity::Damaged));
    let whole = rtu(9, &pdu());
    for len in 1..whole.len() {
        assert_eq!(line_outcome(&[], whole[..len].to_vec()), Err(NoIdentity::Damaged), "{len} bytes");
    }
    for bit in 0..whole.len() * 8 {
        let mut bent = whole.clone();
        bent[bit / 8] ^= 1 << (bit % 8);
        assert_eq!(line_outcome(&[], bent), Err(NoIdentity::Damaged), "bit {bit}");
    }
}

#[test]
fn on_a_line_where_somebody_speaks_nothing_is_asked() {
    let line = |noise: &[u8]| -> Box<dyn Line> {
        Box::new(Scripted { answers: VecDeque::new(), waiting: noise.to_vec(), written: Vec::new() })
    };
    let first = Duration::from_millis(20);
    assert!(quiet(line(&[1, 3, 0, 0, 0, 1]), first).is_err_and(|why| why.contains("somebody else speaks")));
    let since = Instant::now();
    assert!(quiet(line(&[]), first).is_ok() && since.elapsed() >= first);
}
