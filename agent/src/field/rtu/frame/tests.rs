//! Frames: published examples, then every truncation, every single-bit flip and every wrong neighbour of right replies.

use super::*;
use crate::plan::Table;
use proptest::prelude::*;

fn read(table: Table, start: u16, count: u16) -> Read {
    Read::new(table, start, count).expect("a read the protocol allows")
}

fn sealed(body: &[u8]) -> Vec<u8> {
    let mut frame = body.to_vec();
    frame.extend(crc(body).to_le_bytes());
    frame
}

fn reply(unit: u8, read: Read) -> Vec<u8> {
    let mut body = vec![unit, read.function(), read.byte_count()];
    body.extend((0..read.byte_count()).map(|n| n.wrapping_mul(37)));
    sealed(&body)
}

#[test]
fn the_known_request_has_the_known_crc() {
    // 01 03 00 00 00 0A → C5 CD: reference value for the serial line CRC, low byte first.
    assert_eq!(request(1, read(Table::Holding, 0, 10)), [0x01, 0x03, 0x00, 0x00, 0x00, 0x0A, 0xC5, 0xCD]);
    // Modbus over Serial Line V1.02 §6.2.2 worked example: 02 07 → 41 12.
    assert_eq!(crc(&[0x02, 0x07]).to_le_bytes(), [0x41, 0x12]);
}

#[test]
fn only_functions_one_to_four_can_be_sent() {
    for (table, function) in [(Table::Coil, 1), (Table::Discrete, 2), (Table::Holding, 3), (Table::Input, 4)] {
        assert_eq!(request(9, read(table, 0x1234, 5))[..6], [9, function, 0x12, 0x34, 0, 5]);
    }
}

#[test]
fn right_replies_are_believed() {
    for asked in [
        read(Table::Coil, 3, 19),
        read(Table::Discrete, 0, 2000),
        read(Table::Holding, 0, 125),
        read(Table::Input, 9, 1),
    ] {
        let frame = reply(17, asked);
        assert_eq!(examine(&frame, 17, asked), Reception::Values(&frame[3..frame.len() - 2]));
    }
}

#[test]
fn every_truncation_waits_for_more() {
    for asked in [read(Table::Holding, 0, 4), read(Table::Coil, 0, 20)] {
        let frame = reply(17, asked);
        for len in 0..frame.len() {
            let expected = if len < 3 { EXCEPTION_LEN } else { frame.len() };
            assert_eq!(examine(&frame[..len], 17, asked), Reception::More(expected), "{len} bytes");
        }
    }
}

#[test]
fn no_single_flipped_bit_gives_a_value_or_a_refusal() {
    for asked in [read(Table::Holding, 0, 1), read(Table::Input, 0, 125), read(Table::Coil, 0, 20)] {
        let right = reply(17, asked);
        for bit in 0..right.len() * 8 {
            let mut frame = right.clone();
            frame[bit / 8] ^= 1 << (bit % 8);
            let got = examine(&frame, 17, asked);
            assert!(matches!(got, Reception::Wrong(_) | Reception::More(_)), "bit {bit}: {got:?}");
        }
    }
    let exception = sealed(&[17, 0x83, 2]);
    for bit in 0..40 {
        let mut frame = exception.clone();
        frame[bit / 8] ^= 1 << (bit % 8);
        assert!(matches!(examine(&frame, 17, read(Table::Holding, 0, 4)), Reception::Wrong(_) | Reception::More(_)));
    }
}

#[test]
fn replies_to_other_requests_are_told_apart() {
    let asked = read(Table::Holding, 0, 4);
    assert_eq!(examine(&reply(18, asked), 17, asked), Reception::Foreign { unit: 18, len: 13 });
    assert_eq!(
        examine(&reply(17, read(Table::Input, 0, 4)), 17, asked),
        Reception::Wrong(Garble::Function { asked: 3, got: 4 })
    );
    assert_eq!(
        examine(&reply(17, read(Table::Holding, 0, 5)), 17, asked),
        Reception::Wrong(Garble::Length { asked: 4, got: 5 })
    );
    let mut long = reply(17, asked);
    long.push(0);
    assert_eq!(examine(&long, 17, asked), Reception::Wrong(Garble::Long));
    assert_eq!(
        examine(&request(17, asked), 17, asked),
        Reception::Wrong(Garble::Length { asked: 4, got: 0 }),
        "our own echo"
    );
}

#[test]
fn refusals_carry_their_code() {
    let asked = read(Table::Discrete, 0, 4);
    assert_eq!(examine(&sealed(&[17, 0x82, 0x0B]), 17, asked), Reception::Exception(0x0B));
    assert_eq!(examine(&sealed(&[17, 0x83, 2]), 17, asked), Reception::Wrong(Garble::Function { asked: 2, got: 0x83 }));
    assert_eq!(examine(&sealed(&[9, 0x83, 2]), 17, asked), Reception::Foreign { unit: 9, len: 5 });
}

proptest! {
    #[test]
    fn any_bytes_are_survived(bytes in prop::collection::vec(any::<u8>(), 0..300), unit in 1u8..=247, count in 1u16..=125) {
        let asked = read(Table::Holding, 0, count);
        if let Reception::Values(values) = examine(&bytes, unit, asked) {
            prop_assert_eq!(values.len(), usize::from(count) * 2);
            prop_assert_eq!(bytes.len(), reply_len(asked));
        }
    }
}

#[test]
fn our_own_request_is_no_reply_even_where_it_has_the_shape_of_one() {
    for table in [Table::Coil, Table::Discrete, Table::Holding, Table::Input] {
        for start in [0x0300, 0x03FF, 0x0200, 0x0100] {
            for count in [1, 8, 17, 24] {
                let read = Read::new(table, start, count).expect("allowed");
                let echo = request(7, read);
                assert!(!matches!(examine(&echo, 7, read), Reception::Values(_)), "{table:?} {start:04X} {count}");
            }
        }
    }
    let read = Read::new(Table::Coil, 0x0310, 20).expect("allowed");
    assert_eq!(examine(&request(7, read), 7, read), Reception::Wrong(Garble::Echo));
}
