//! The reply path of Modbus TCP: pieces of a stream after one request.

use std::time::Duration;

use lapwing::field::fuzzing;
use lapwing::field::request::Read;
use lapwing::plan::Table;

use super::input::{Input, values, written};
use super::tape::{Stream, heard, joined, pieces, wait};

/// A read and its answer; the first byte's lowest bit gives the answer the request's transaction number.
pub(super) fn run(data: &[u8]) {
    let mut input = Input(data);
    let echoes = input.byte() & 1 == 1;
    let unit = input.byte();
    let read = input.read();
    let pieces = pieces(input);
    let mut played = pieces.concat();
    let (stream, sent) = Stream::new(pieces, echoes);
    let outcome = wait(fuzzing::modbus_tcp(stream, unit, read, Duration::from_secs(1)));
    let sent = heard(&sent).concat();
    let ([s1, s0], [c1, c0]) = (read.start().to_be_bytes(), read.count().to_be_bytes());
    let asked = [0, 0, 0, 6, unit, read.function(), s1, s0, c1, c0];
    assert_eq!(sent.get(2..), Some(&asked[..]), "something else than one read was sent");
    let Ok(found) = outcome else { return };
    if let ([a, b, ..], true) = (&mut played[..], echoes) {
        (*a, *b) = (sent[0], sent[1]);
    }
    let bytes = usize::from(read.byte_count());
    let length = u16::try_from(3 + bytes).expect("a short frame").to_be_bytes();
    let head = [sent[0], sent[1], 0, 0, length[0], length[1], unit, read.function(), read.byte_count()];
    assert_eq!(played.get(..9), Some(&head[..]), "believed although its head is not that of the answer");
    assert_eq!(found, values(&played[9..9 + bytes], read));
}

pub(super) fn seeds() -> Vec<Vec<u8>> {
    let mut seeds = Vec::new();
    for (table, count) in [(Table::Coil, 10), (Table::Discrete, 1), (Table::Holding, 125), (Table::Input, 2)] {
        let read = Read::new(table, 7, count).expect("a read");
        let bytes = vec![0x3C; usize::from(read.byte_count())];
        let length = u8::try_from(3 + bytes.len()).expect("short");
        let right = [&[0, 0, 0, 0, 0, length, 5, read.function(), read.byte_count()][..], &bytes].concat();
        let refusal = [0, 0, 0, 0, 0, 3, 5, read.function() | 0x80, 2];
        let head = [&[1, 5][..], &written(read)].concat();
        let (first, second) = right.split_at(8);
        seeds.push([&head[..], &joined(&[first, second])].concat());
        seeds.push([&head[..], &joined(&[&refusal])].concat());
    }
    seeds
}
