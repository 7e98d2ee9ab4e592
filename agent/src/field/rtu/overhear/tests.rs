//! Conversations of another master: whole, in every lump, damaged in every bit, cut at every byte, between noise.

use super::*;
use crate::field::rtu::frame::request;
use proptest::prelude::*;

fn read(table: Table, start: u16, count: u16) -> Read {
    Read::new(table, start, count).expect("allowed")
}

fn reply(unit: u8, read: Read) -> Vec<u8> {
    let mut frame = vec![unit, read.function(), read.byte_count()];
    frame.extend((0..read.byte_count()).map(|n| n.wrapping_mul(29).wrapping_add(unit)));
    frame.extend(crc(&frame).to_le_bytes());
    frame
}

fn hear(lumps: &[&[u8]]) -> (Vec<Heard>, Overhear) {
    let (mut overhear, mut heard) = (Overhear::default(), Vec::new());
    for lump in lumps {
        overhear.push(lump, &mut |found| heard.push(found));
    }
    overhear.silence(&mut |found| heard.push(found));
    (heard, overhear)
}

fn values(unit: u8, read: Read) -> Heard {
    let frame = reply(unit, read);
    Heard::Values { unit, read, bytes: frame[3..frame.len() - 2].to_vec() }
}

fn asked(unit: u8, read: Read) -> Heard {
    Heard::Request { unit, function: read.function() }
}

#[test]
fn a_conversation_is_understood_in_every_lump() {
    let (a, b, c) = (read(Table::Holding, 10, 4), read(Table::Input, 0, 1), read(Table::Coil, 5, 9));
    let mut talk = Vec::new();
    let mut expected = Vec::new();
    for (unit, read) in [(3, a), (7, b), (3, c)] {
        talk.extend(request(unit, read));
        talk.extend(reply(unit, read));
        expected.extend([asked(unit, read), values(unit, read)]);
    }
    for lump in 1..=talk.len() {
        let lumps: Vec<&[u8]> = talk.chunks(lump).collect();
        let (heard, overhear) = hear(&lumps);
        assert_eq!(heard, expected, "lumps of {lump}");
        assert_eq!(overhear.noise, 0);
    }
}

#[test]
fn a_reply_without_its_request_directly_before_it_is_nothing() {
    let four = read(Table::Holding, 10, 4);
    let (ask, say) = (request(3, four), reply(3, four));
    assert_eq!(hear(&[&say]).0, []);
    assert_eq!(hear(&[&ask, &[0x55], &say]).0, [asked(3, four)], "a byte between them");
    assert_eq!(hear(&[&ask, &reply(4, four)]).0, [asked(3, four)], "another unit");
    assert_eq!(hear(&[&ask, &reply(3, read(Table::Input, 10, 4))]).0, [asked(3, four)], "another function");
    assert_eq!(hear(&[&ask, &reply(3, read(Table::Holding, 10, 5))]).0, [asked(3, four)], "another length");
    assert_eq!(hear(&[&ask, &say, &say]).0, [asked(3, four), values(3, four)], "once");
    let other = request(5, four);
    assert_eq!(hear(&[&ask, &other, &say]).0, [asked(3, four), asked(5, four)], "a later question took its place");
}

#[test]
fn no_flipped_bit_makes_a_value() {
    let four = read(Table::Holding, 10, 4);
    let talk = [request(3, four).to_vec(), reply(3, four)].concat();
    for bit in 0..talk.len() * 8 {
        let mut damaged = talk.clone();
        damaged[bit / 8] ^= 1 << (bit % 8);
        let (heard, _) = hear(&[&damaged]);
        assert!(!heard.iter().any(|found| matches!(found, Heard::Values { .. })), "bit {bit}: {heard:?}");
    }
    for len in 0..talk.len() {
        assert!(!hear(&[&talk[..len]]).0.iter().any(|found| matches!(found, Heard::Values { .. })), "{len} bytes");
    }
}

#[test]
fn noise_between_conversations_costs_none_of_them() {
    let four = read(Table::Holding, 10, 4);
    let noise: Vec<u8> = (0..60u8).map(|n| n.wrapping_mul(91) ^ 0x3C).collect();
    let talk = [&noise[..], &request(3, four), &reply(3, four), &noise, &request(4, four), &reply(4, four)].concat();
    let expected = [asked(3, four), values(3, four), asked(4, four), values(4, four)];
    assert_eq!(hear(&[&talk]).0, expected);
}

#[test]
fn a_reply_that_looks_like_a_request_accuses_nobody() {
    // Twenty bits: three bytes of values, eight in all. As a request it would ask for 0x0102 bits.
    let mut frame = vec![9, 1, 3, 0, 1, 2];
    frame.extend(crc(&frame).to_le_bytes());
    assert_eq!(hear(&[&frame]).0, []);
    let twenty = read(Table::Coil, 0, 20);
    let (heard, _) = hear(&[&request(9, twenty), &frame]);
    assert_eq!(heard, [asked(9, twenty), Heard::Values { unit: 9, read: twenty, bytes: vec![0, 1, 2] }]);
    let far = read(Table::Coil, 0x0310, 4);
    assert_eq!(hear(&[&request(9, far), &reply(9, far)]).0, [asked(9, far), values(9, far)], "its reply proves it");
}

#[test]
fn writes_and_refusals_are_heard() {
    let four = read(Table::Holding, 10, 4);
    let sealed = |body: &[u8]| [body, &crc(body).to_le_bytes()].concat();
    let refusal = sealed(&[3, 0x83, 2]);
    assert_eq!(hear(&[&request(3, four), &refusal]).0, [asked(3, four), Heard::Refusal { unit: 3, code: 2 }]);
    let write = sealed(&[3, 0x10, 0, 1, 0, 1, 2, 0, 9]);
    let done = sealed(&[3, 0x10, 0, 1, 0, 1]);
    let write_heard = Heard::Request { unit: 3, function: 0x10 };
    assert_eq!(hear(&[&write, &done]).0, [write_heard, Heard::Confirmed { unit: 3 }]);
}

proptest! {
    #[test]
    fn any_bytes_are_answered(lumps in proptest::collection::vec(proptest::collection::vec(any::<u8>(), 0..80), 0..12)) {
        let lumps: Vec<&[u8]> = lumps.iter().map(Vec::as_slice).collect();
        let (heard, overhear) = hear(&lumps);
        prop_assert!(overhear.bytes.is_empty());
        prop_assert!(heard.iter().all(|found| !matches!(found, Heard::Values { .. })), "no CRC by chance");
    }
}
