//! RTU frames: a reply judged by itself, one exchange of the master on a line, and what is overheard of others.

use lapwing::field::fuzzing;
use lapwing::field::request::Read;
use lapwing::field::rtu::frame::{Reception, examine, reply_len, request};
use lapwing::field::rtu::overhear::{Heard, Overhear};
use lapwing::plan::Table;

use super::input::{Input, is_sealed, sealed, values, written};
use super::tape::{Wire, heard, joined, pieces};

/// Judges one reception; odd first bytes put a right CRC behind the bytes.
pub(super) fn reply(data: &[u8]) {
    let mut input = Input(data);
    let seal = input.byte() & 1 == 1;
    let unit = input.byte();
    let read = input.read();
    let bytes = if seal { sealed(input.0) } else { input.0.to_vec() };
    assert_eq!(request(unit, read)[..2], [unit, read.function()]);
    assert!(is_sealed(&request(unit, read)));
    match examine(&bytes, unit, read) {
        Reception::More(whole) => assert!(whole > bytes.len(), "it waits for what is there: {bytes:02X?}"),
        Reception::Values(found) => {
            let head = [unit, read.function(), read.byte_count()];
            assert_eq!(bytes, sealed(&[&head, found].concat()), "believed although it is no such reply");
            assert_eq!((found.len(), bytes.len()), (usize::from(read.byte_count()), reply_len(read)));
            for end in 0..bytes.len() {
                let part = examine(&bytes[..end], unit, read);
                assert!(matches!(part, Reception::More(_)), "{end} bytes of a right reply are {part:?}");
            }
        }
        Reception::Exception(code) => assert_eq!(bytes, sealed(&[unit, read.function() | 0x80, code])),
        Reception::Foreign { unit: other, len } => {
            assert!(other != unit && bytes[0] == other && len <= bytes.len() && is_sealed(&bytes[..len]));
        }
        Reception::Wrong(_) => {}
    }
}

pub(super) fn reply_seeds() -> Vec<Vec<u8>> {
    let mut seeds = Vec::new();
    for read in reads() {
        let body = vec![0x5A; usize::from(read.byte_count())];
        let right = [&[7, read.function(), read.byte_count()][..], &body].concat();
        for frame in [&right[..], &[7, read.function() | 0x80, 2], &[9, 3, 2, 0, 1], &right[..right.len() / 2]] {
            seeds.push([&[1, 7][..], &written(read), frame].concat());
        }
        seeds.push([&[0, 7][..], &written(read), &sealed(&right)].concat());
    }
    seeds
}

/// One exchange: pieces before and after the request; the first byte's lowest bit puts a CRC behind each piece.
pub(super) fn line(data: &[u8]) {
    let mut input = Input(data);
    let flags = input.byte();
    let before = usize::from(input.byte() % 4);
    let unit = input.byte();
    let read = input.read();
    let mut after = pieces(input);
    if flags & 1 == 1 {
        after = after.iter().map(|piece| sealed(piece)).collect();
    }
    let before = after.drain(..before.min(after.len())).collect();
    let played = after.concat();
    let (wire, sent) = Wire::new(before, after);
    let outcome = fuzzing::rtu(Box::new(wire), unit, read);
    let sent = heard(&sent);
    assert!(sent.len() <= 1 && sent.iter().all(|frame| frame[..] == request(unit, read)), "{sent:02X?}");
    let Ok(found) = outcome else { return };
    // Whole frames of others may come first; then exactly the reply, and nothing behind it.
    let len = reply_len(read);
    assert!(sent.len() == 1 && played.len() >= len, "believed without a reply");
    let (mut others, frame) = played.split_at(played.len() - len);
    assert!(is_sealed(frame) && frame[..3] == [unit, read.function(), read.byte_count()], "{frame:02X?}");
    assert_eq!(found, values(&frame[3..len - 2], read));
    while !others.is_empty() {
        let length = match others {
            [other, 1..=4, count, ..] if *other != unit => 5 + usize::from(*count),
            [other, 0x81..=0x84, ..] if *other != unit => 5,
            _ => panic!("bytes before the reply that are no frame of another unit: {others:02X?}"),
        };
        assert!(is_sealed(&others[..length]));
        others = &others[length..];
    }
}

pub(super) fn line_seeds() -> Vec<Vec<u8>> {
    let mut seeds = Vec::new();
    // More late frames than one buffer holds, then the reply: the frames of others are no part of it.
    let many = Read::new(Table::Holding, 100, 2).expect("a read");
    let late: Vec<&[u8]> = vec![&[9, 3, 2, 0, 1]; 60];
    seeds.push([&[1, 0, 7][..], &written(many), &joined(&[&late[..], &[&[7, 3, 4, 0, 1, 0, 2]]].concat())].concat());
    for read in reads() {
        let value = vec![0xA5; usize::from(read.byte_count())];
        let right = [&[7, read.function(), read.byte_count()][..], &value].concat();
        let late = [9, 3, 2, 0, 1];
        let head = |before: u8| [&[1, before, 7][..], &written(read)].concat();
        seeds.push([head(0), joined(&[&right])].concat());
        seeds.push([head(0), joined(&[&late, &right])].concat());
        seeds.push([head(1), joined(&[&[7, 3, 0, 0, 0, 1], &right])].concat());
        let whole = sealed(&right);
        let (first, second) = whole.split_at(whole.len() / 2);
        seeds.push([&[0, 0, 7][..], &written(read), &joined(&[first, second])].concat());
    }
    seeds
}

/// What others say on a line; a piece of length zero is silence, the first byte's lowest bit puts CRCs behind pieces.
pub(super) fn overheard(data: &[u8]) {
    let mut input = Input(data);
    let seal = input.byte() & 1 == 1;
    let mut overhear = Overhear::default();
    let mut stream = Vec::new();
    while !input.0.is_empty() {
        let length = usize::from(input.byte());
        let mut found = Vec::new();
        if length == 0 {
            overhear.silence(&mut |heard| found.push(heard));
            overhear.give_up();
            assert!(!overhear.awaits_reply());
        } else {
            let piece = input.take(length);
            let piece = if seal { sealed(piece) } else { piece.to_vec() };
            stream.extend_from_slice(&piece);
            overhear.push(&piece, &mut |heard| found.push(heard));
        }
        for heard in found {
            was_said(&heard, &stream);
        }
        assert!(overhear.noise <= stream.len() as u64, "more noise than bytes");
    }
}

fn was_said(heard: &Heard, stream: &[u8]) {
    let stands = |frame: &[u8]| stream.windows(frame.len()).any(|window| window == frame);
    match heard {
        Heard::Values { unit, read, bytes } => {
            assert_eq!(bytes.len(), usize::from(read.byte_count()));
            assert!(stands(&sealed(&[&[*unit, read.function(), read.byte_count()], &bytes[..]].concat())));
            assert!(stands(&request(*unit, *read)), "an answer to a question that nobody asked");
        }
        Heard::Refusal { unit, code } => {
            let mut functions = 0x81..=0x90_u8;
            assert!(functions.any(|function| stands(&sealed(&[*unit, function, *code]))));
        }
        Heard::Request { unit, function } => {
            let is_one = |frame: &[u8]| frame[..2] == [*unit, *function] && is_sealed(frame);
            let mut lengths = (8..=9).chain(10..=264);
            assert!(lengths.any(|length| stream.windows(length).any(is_one)), "a request that nobody made");
        }
        Heard::Confirmed { unit } => {
            assert!(stream.windows(8).any(|frame| frame[0] == *unit && is_sealed(frame)));
        }
    }
}

pub(super) fn overheard_seeds() -> Vec<Vec<u8>> {
    let mut seeds = Vec::new();
    for read in reads() {
        let (question, value) = (request(5, read), vec![0x11; usize::from(read.byte_count())]);
        let answer = [&[5, read.function(), read.byte_count()][..], &value].concat();
        let refusal = [5, read.function() | 0x80, 2];
        seeds.push([&[1][..], &joined(&[&question[..6], &answer])].concat());
        seeds.push([&[1][..], &joined(&[&question[..6], &refusal, &[], &answer])].concat());
        let whole = [&question[..], &sealed(&answer)].concat();
        let (first, second) = whole.split_at(whole.len() / 2);
        seeds.push([&[0][..], &joined(&[first, second])].concat());
    }
    let write: &[u8] = &[5, 16, 0, 1, 0, 2, 4, 1, 2, 3, 4];
    seeds.push([&[1][..], &joined(&[write, &[5, 16, 0, 1, 0, 2]])].concat());
    seeds
}

fn reads() -> Vec<Read> {
    [(Table::Coil, 0x0301, 24), (Table::Discrete, 0, 9), (Table::Holding, 100, 2), (Table::Input, 0, 110)]
        .map(|(table, start, count)| Read::new(table, start, count).expect("a read"))
        .to_vec()
}
