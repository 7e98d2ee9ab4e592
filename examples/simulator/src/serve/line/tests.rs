//! Time and bytes on the line: pace, silence, late answers, collisions, another master.

use std::sync::Arc;

use super::*;
use crate::bank::{Manner, SharedBank};
use crate::serve::rtu::checked;
use crate::serve::{Traffic, Unit};

fn line(baud: u32) -> (Line, SharedBank) {
    let bank = SharedBank::default();
    bank.lock().holding = vec![7, 8, 9, 10];
    let unit = Unit { unit: 1, name: "fan-01".to_owned(), bank: bank.clone() };
    (Line::new(baud, Slaves::new(vec![unit], Arc::new(Traffic::default()))), bank)
}

fn ask(count: u8) -> Vec<u8> {
    with_crc(vec![1, 3, 0, 0, 0, count])
}

/// Lets time go on as a serial line's thread does; the bytes heard and when the last of them came.
fn hear(line: &mut Line, until: Duration, second_master: bool) -> (Vec<u8>, Duration) {
    let (mut heard, mut last) = (Vec::new(), Duration::ZERO);
    while let Some(at) = line.next_at(3).filter(|at| *at <= until) {
        let before = heard.len();
        line.advance(at, second_master, &mut heard);
        assert!(heard.len() - before <= 3, "at most three characters at once");
        if heard.len() > before {
            last = at;
        }
    }
    line.advance(until, second_master, &mut heard);
    (heard, last)
}

const fn ms(count: u64) -> Duration {
    Duration::from_millis(count)
}

#[test]
fn an_exchange_takes_its_time_on_the_line() {
    let (mut line, _) = line(19_200);
    line.master_sends(ms(100), &ask(2));
    let (heard, last) = hear(&mut line, ms(1000), false);
    assert_eq!(checked(&heard), Some(&[1, 3, 4, 0, 7, 0, 8][..]));
    // 8 characters out, 3.5 silent, turnaround, 9 characters back, at 11 bits each
    let expected = ms(100) + TURNAROUND + Duration::from_secs_f64(20.5 * 11.0 / 19_200.0);
    assert!(last.abs_diff(expected) < Duration::from_micros(10), "{last:?} {expected:?}");
    assert_eq!(line.next_at(3), None);
}

#[test]
fn silence_above_19200_baud_is_fixed() {
    let (mut line, _) = line(115_200);
    line.master_sends(ms(1), &ask(1));
    let (_, last) = hear(&mut line, ms(100), false);
    let expected = ms(1) + TURNAROUND + Duration::from_micros(1750) + Duration::from_secs_f64(15.0 * 11.0 / 115_200.0);
    assert!(last.abs_diff(expected) < Duration::from_micros(10), "{last:?} {expected:?}");
}

#[test]
fn a_request_in_two_pieces_with_silence_between_is_none() {
    let (mut line, _) = line(19_200);
    let ask = ask(1);
    line.master_sends(ms(10), &ask[..5]);
    line.master_sends(ms(10) + line.span(5) + line.silence, &ask[5..]);
    assert_eq!(hear(&mut line, ms(100), false).0, []);
    line.master_sends(ms(200), &ask[..5]);
    line.master_sends(ms(200) + line.span(6), &ask[5..]);
    assert_eq!(hear(&mut line, ms(300), false).0.len(), 7);
}

#[test]
fn a_late_answer_comes_late_and_whole_when_the_line_is_free() {
    let (mut line, bank) = line(19_200);
    bank.lock().manner = Manner::Slow { delay_ms: 400 };
    line.master_sends(ms(0), &ask(1));
    bank.lock().manner = Manner::Well;
    line.master_sends(ms(200), &ask(3));
    let (first, _) = hear(&mut line, ms(390), false);
    assert_eq!(first.len(), 5 + 6);
    let (late, _) = hear(&mut line, ms(800), false);
    assert_eq!(checked(&late), Some(&[1, 3, 2, 0, 7][..]));
}

#[test]
fn an_answer_that_meets_a_request_garbles_both() {
    let (mut line, bank) = line(19_200);
    bank.lock().manner = Manner::Slow { delay_ms: 400 };
    line.master_sends(ms(0), &ask(4));
    bank.lock().manner = Manner::Well;
    let begin = line.to_come.front().expect("late answer is to come").end;
    line.master_sends(begin, &ask(1));
    let (heard, _) = hear(&mut line, ms(1000), false);
    assert_eq!(heard.len(), 13, "only the late answer was on the line, the new request got none");
    assert_eq!(checked(&heard), None);
    line.master_sends(ms(1100), &ask(1));
    assert_eq!(hear(&mut line, ms(1200), false).0.len(), 7, "the line is well again");
}

#[test]
fn two_devices_with_one_address_garble_each_other() {
    let (mut line, bank) = line(19_200);
    bank.lock().manner = Manner::Doubled;
    for turn in 0..6 {
        line.master_sends(ms(turn * 100), &ask(3));
        let (heard, _) = hear(&mut line, ms(turn * 100 + 90), false);
        assert!((11..=13).contains(&heard.len()), "{} characters", heard.len());
        assert_eq!(checked(&heard), None);
    }
}

#[test]
fn another_master_is_heard_and_answered() {
    let (mut line, _) = line(19_200);
    let mut heard = Vec::new();
    line.advance(ms(1), true, &mut heard);
    let (mut rest, _) = hear(&mut line, ms(500), true);
    heard.append(&mut rest);
    assert_eq!(&heard[..8], &ask(2), "its request");
    assert_eq!(checked(&heard[8..]), Some(&[1, 3, 4, 0, 7, 0, 8][..]), "and the answer to it");
    assert!(hear(&mut line, ms(800), true).0.len() >= 8, "again, 700 ms later");
    line.advance(ms(900), false, &mut heard);
    assert_eq!(hear(&mut line, ms(3000), false).0, [], "silent once it is gone");
}

#[test]
fn another_master_collides() {
    let (mut line, _) = line(19_200);
    let mut heard = Vec::new();
    line.advance(ms(1), true, &mut heard);
    line.master_sends(ms(3), &ask(1));
    let (rest, _) = hear(&mut line, ms(500), true);
    heard.extend(rest);
    assert_eq!(heard.len(), 8, "a garbled request and no answer to either");
    assert_ne!(heard, ask(2));
}

#[test]
fn a_cut_forgets_what_was_under_way() {
    let (mut line, _) = line(19_200);
    line.master_sends(ms(0), &ask(4));
    line.cut();
    assert_eq!(hear(&mut line, ms(100), false).0, []);
}

#[test]
fn a_flood_of_requests_to_a_slow_device_stays_small() {
    let (mut line, bank) = line(19_200);
    bank.lock().manner = Manner::Slow { delay_ms: 600_000 };
    let mut heard = Vec::new();
    for round in 0..100_000 {
        line.master_sends(ms(round), &ask(4));
        line.advance(ms(round), false, &mut heard);
    }
    assert!(line.to_come.len() <= WAITING_MAX);
    assert!(line.heard_until <= ms(100_000) + line.span(WAITING_MAX));
    bank.lock().manner = Manner::Well;
    line.advance(ms(900_000), false, &mut heard);
    line.master_sends(ms(900_001), &ask(1));
    assert_eq!(hear(&mut line, ms(900_200), false).0.len(), 7, "the line is well again");
}
