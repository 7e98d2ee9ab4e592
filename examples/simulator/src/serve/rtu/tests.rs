//! Frames of requests and answers: right ones, every truncation, every flipped bit, bytes at random.

use super::*;
use crate::bank::SharedBank;

fn slaves() -> (Slaves, SharedBank, Arc<Traffic>) {
    let bank = SharedBank::default();
    bank.lock().holding = vec![0x0102, 0x0304, 0xFFFF];
    bank.lock().coils = vec![true, false, true, true, false, false, false, false, true];
    let traffic = Arc::new(Traffic::default());
    let unit = Unit { unit: 0x11, name: "fan-01".to_owned(), bank: bank.clone() };
    (Slaves::new(vec![unit], Arc::clone(&traffic)), bank, traffic)
}

/// Everything the devices say to `bytes` followed by silence.
fn said(slaves: &mut Slaves, bytes: &[u8]) -> Vec<Reply> {
    let (mut framer, mut replies) = (Framer::default(), Vec::new());
    framer.push(bytes, &mut |frame| slaves.hear(frame, &mut replies));
    framer.silence(&mut |frame| slaves.hear(frame, &mut replies));
    assert!(!framer.waiting());
    replies
}

fn request(pdu: &[u8]) -> Vec<u8> {
    with_crc([&[0x11], pdu].concat())
}

fn requests() -> Vec<Vec<u8>> {
    let pdus: [&[u8]; 14] = [
        &[1, 0, 0, 0, 9],
        &[2, 0, 0, 0, 1],
        &[3, 0, 0, 0, 3],
        &[4, 0, 0, 0, 1],
        &[5, 0, 0, 0xFF, 0],
        &[6, 0, 0, 0, 1],
        &[7],
        &[15, 0, 0, 0, 1, 1, 1],
        &[16, 0, 0, 0, 1, 2, 0, 1],
        &[20, 7, 6, 0, 4, 0, 1, 0, 2],
        &[22, 0, 4, 0, 0xF2, 0, 0x25],
        &[23, 0, 0, 0, 1, 0, 0, 0, 1, 2, 0, 1],
        &[43, 14, 1, 0],
        &[100, 1, 2, 3],
    ];
    pdus.iter().map(|pdu| request(pdu)).collect()
}

#[test]
fn checksum_is_the_published_one() {
    // MODBUS over Serial Line V1.02, appendix B: a frame 02 07 has the checksum 1241 hex, low byte first 41 12.
    assert_eq!(with_crc(vec![0x02, 0x07]), [0x02, 0x07, 0x41, 0x12]);
    assert_eq!(checked(&[0x02, 0x07, 0x41, 0x12]), Some(&[0x02, 0x07][..]));
}

#[test]
fn reads_and_refusals() {
    let (mut slaves, _bank, traffic) = slaves();
    let mut one = |pdu: &[u8]| {
        let mut replies = said(&mut slaves, &request(pdu));
        assert_eq!(replies.len(), 1, "{pdu:?}");
        checked(&replies.remove(0).frame).expect("checksum right").to_vec()
    };
    assert_eq!(one(&[3, 0, 1, 0, 2]), [0x11, 3, 4, 3, 4, 0xFF, 0xFF]);
    assert_eq!(one(&[1, 0, 0, 0, 9]), [0x11, 1, 2, 0b0000_1101, 1]);
    assert_eq!(one(&[3, 0, 2, 0, 2]), [0x11, 0x83, 2]);
    assert_eq!(one(&[3, 0, 0, 0, 126]), [0x11, 0x83, 3]);
    assert_eq!(one(&[6, 0, 0, 0, 1]), [0x11, 0x86, 1]);
    assert_eq!(one(&[16, 0, 0, 0, 1, 2, 0, 1]), [0x11, 0x90, 1]);
    assert_eq!(one(&[100, 9]), [0x11, 0xE4, 1]);
    assert_eq!(one(&[43, 14, 4, 1]), [&[0x11, 43, 14, 4, 0x81, 0, 0, 1, 1, 6][..], b"fan-01"].concat());
    assert_eq!(traffic.count().write_attempts, 2);
    assert_eq!(said(&mut slaves, &with_crc(vec![0x12, 3, 0, 0, 0, 1])), []);
    assert_eq!(said(&mut slaves, &with_crc(vec![0, 3, 0, 0, 0, 1])), []);
    assert_eq!(traffic.count().unknown_units, 1);
}

#[test]
fn a_truncated_or_damaged_request_is_not_answered() {
    let (mut slaves, _bank, _) = slaves();
    for frame in requests() {
        assert_eq!(said(&mut slaves, &frame).len(), 1, "{frame:02X?}");
        for length in 0..frame.len() {
            assert_eq!(said(&mut slaves, &frame[..length]), [], "{frame:02X?} cut to {length}");
        }
        for bit in 0..frame.len() * 8 {
            let mut damaged = frame.clone();
            damaged[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(said(&mut slaves, &damaged), [], "{frame:02X?} bit {bit}");
        }
    }
}

#[test]
fn a_damaged_request_with_a_right_checksum_is_answered_by_shape_or_not_at_all() {
    let (mut slaves, _bank, _) = slaves();
    for frame in requests() {
        let body = checked(&frame).expect("checksum right");
        for bit in 0..body.len() * 8 {
            let mut damaged = body.to_vec();
            damaged[bit / 8] ^= 1 << (bit % 8);
            let function = damaged[1];
            for reply in said(&mut slaves, &with_crc(damaged)) {
                let answer = checked(&reply.frame).expect("checksum right");
                assert_eq!(answer[0], 0x11);
                assert!(answer[1] == function || answer[1] == function | 0x80);
            }
        }
    }
}

#[test]
fn bytes_at_random_never_panic() {
    let (mut slaves, bank, _) = slaves();
    let mut state = 0x9E37_79B9_7F4A_7C15u64;
    let mut random = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state
    };
    for round in 0..20_000u32 {
        bank.lock().manner = [Manner::Well, Manner::Garbage, Manner::Doubled][round as usize % 3].clone();
        let mut bytes: Vec<u8> = (0..random() % 300).map(|_| random() as u8).collect();
        if round % 2 == 0 && bytes.len() > 2 {
            bytes[0] = 0x11;
            bytes = with_crc(bytes);
        }
        said(&mut slaves, &bytes);
    }
}

#[test]
fn out_of_step_until_silence_then_in_step_again() {
    let (mut slaves, _bank, _) = slaves();
    let good = request(&[3, 0, 0, 0, 1]);
    assert_eq!(said(&mut slaves, &[&[0x00][..], &good].concat()), []);
    assert_eq!(said(&mut slaves, &good).len(), 1);
    let (mut framer, mut found) = (Framer::default(), 0);
    for byte in &good {
        framer.push(&[*byte], &mut |_| found += 1);
    }
    assert_eq!(found, 1, "byte by byte is the same frame");
}

#[test]
fn manners() {
    let (mut slaves, bank, _) = slaves();
    let ask = request(&[3, 0, 0, 0, 3]);
    let right = said(&mut slaves, &ask).remove(0).frame;

    bank.lock().manner = Manner::Silent;
    assert_eq!(said(&mut slaves, &ask), []);

    bank.lock().manner = Manner::Slow { delay_ms: 450 };
    let late = said(&mut slaves, &ask).remove(0);
    assert_eq!((late.late, &late.frame), (Duration::from_millis(450), &right));

    bank.lock().manner = Manner::Doubled;
    let both = said(&mut slaves, &ask);
    assert_eq!(both.len(), 2);
    assert_eq!(both[0].frame, right);
    assert_ne!(both[1].frame, right);
    assert!(checked(&both[1].frame).is_some());

    bank.lock().manner = Manner::Garbage;
    let mut kinds = std::collections::BTreeSet::new();
    for _ in 0..7 {
        let bad = said(&mut slaves, &ask).remove(0).frame;
        assert_ne!(bad, right);
        kinds.insert(bad);
    }
    assert_eq!(kinds.len(), 7, "seven kinds of bad answer, each in its turn");
}
