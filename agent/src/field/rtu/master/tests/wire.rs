//! What is accepted from a wire and when it is used: whatever lies in the line, and how long characters
//! take.

use super::*;

#[test]
fn bytes_that_lay_in_the_line_are_thrown_away_first() {
    let pace = Pace::of(115_200, Parity::None, 1, false, LUMP);
    let answer = right(&request(7, four()));
    let stale = sealed([&[7, 3, 8][..], &[0xEE; 8]].concat());
    let (mut master, _) = paper(pace, vec![answer], &stale);
    let values = master.ask(7, four(), Duration::from_millis(100), Duration::ZERO);
    assert_eq!(values, Ok(Values::Registers(vec![7000, 7001, 7002, 7003])));
    assert_eq!(master.stray_bytes, 13);
}

#[test]
fn a_late_answer_of_another_unit_is_passed_over() {
    let pace = Pace::of(115_200, Parity::None, 1, false, LUMP);
    let (late, answer) = (right(&request(8, four())), right(&request(7, four())));
    let (mut master, _) = paper(pace, vec![[late.clone(), answer].concat(), late], &[]);
    let timeout = Duration::from_millis(50);
    assert_eq!(master.ask(7, four(), timeout, Duration::ZERO), Ok(Values::Registers(vec![7000, 7001, 7002, 7003])));
    let only_late = master.ask(7, four(), timeout, Duration::ZERO);
    assert_eq!(only_late, Err(Failure::Garbled(Garble::Unit { asked: 7, got: 8 })));
}

#[test]
fn on_a_wire_nothing_is_accepted_before_the_request_has_left() {
    // At 1200 bit/s a request takes 67 ms: an answer that is there at once cannot be one.
    let pace = Pace::of(1200, Parity::None, 1, true, LUMP);
    let (mut master, _) = paper(pace, vec![right(&request(7, four()))], &[]);
    let early = master.ask(7, four(), Duration::from_millis(50), Duration::ZERO);
    assert_eq!(early, Err(Failure::Garbled(Garble::Early)));
}

/// Somebody sends whole frames of another unit without end, always a byte of the next one with them.
#[test]
fn a_line_that_never_falls_silent_keeps_nobody_longer_than_the_time_out() {
    struct Babble(Pace, Vec<u8>, bool);
    impl Line for Babble {
        fn write(&mut self, _bytes: &[u8]) -> io::Result<()> {
            self.2 = true;
            Ok(())
        }
        fn read(&mut self, into: &mut [u8], _until: Instant) -> io::Result<usize> {
            let got = self.1.len().min(into.len());
            into[..got].copy_from_slice(&self.1[..got]);
            self.1.rotate_left(got);
            Ok(got)
        }
        fn has_bytes(&mut self) -> io::Result<bool> {
            Ok(self.2)
        }
        fn pace(&self) -> Pace {
            self.0
        }
        fn is_connection(&self) -> bool {
            false
        }
    }
    let two = right(&request(8, four())).repeat(2);
    // 14 bytes a time: the frame that is whole, and the beginning of the next.
    let line = Babble(Pace::of(115_200, Parity::None, 1, false, LUMP), two, false);
    let mut master = Master::new(Box::new(line));
    let begun = Instant::now();
    let outcome = master.ask(7, four(), Duration::from_millis(50), Duration::ZERO);
    assert!(matches!(outcome, Err(Failure::Garbled(Garble::Unit { asked: 7, got: 8 }))), "{outcome:?}");
    assert!(begun.elapsed() < Duration::from_secs(5), "{:?}", begun.elapsed());
}

/// A reply that comes after the request but sooner than its characters take was not asked for by us.
#[test]
fn on_a_wire_nothing_is_accepted_sooner_than_its_characters_take() {
    struct Hasty(Paced, Duration);
    impl Line for Hasty {
        fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
            self.0.write(bytes)?;
            self.0.arrives = Instant::now() + self.1;
            Ok(())
        }
        fn read(&mut self, into: &mut [u8], until: Instant) -> io::Result<usize> {
            self.0.read(into, until)
        }
        fn has_bytes(&mut self) -> io::Result<bool> {
            self.0.has_bytes()
        }
        fn pace(&self) -> Pace {
            self.0.pace
        }
        fn is_connection(&self) -> bool {
            false
        }
    }
    // At 4800 bit/s the request takes 17 ms and the reply of 13 bytes 27 ms.
    let pace = Pace::of(4800, Parity::None, 1, true, LUMP);
    for (after_ms, believed) in [(25, false), (60, true)] {
        let answer = right(&request(7, four()));
        let line = Paced { pace, answer, arrives: Instant::now(), unread: Vec::new() };
        let mut master = Master::new(Box::new(Hasty(line, Duration::from_millis(after_ms))));
        let outcome = master.ask(7, four(), Duration::from_millis(200), Duration::ZERO);
        match outcome {
            Ok(values) => assert!(believed && values == Values::Registers(vec![7000, 7001, 7002, 7003])),
            Err(failure) => assert!(!believed && failure == Failure::Garbled(Garble::Early), "{failure}"),
        }
    }
}

#[test]
fn requests_keep_the_silence_and_hardly_more() {
    for (baud, silence_us) in [(19_200, 2005), (115_200, 1750)] {
        let pace = Pace::of(baud, Parity::Even, 1, false, LUMP);
        let script = (0..40).map(|_| right(&request(7, four()))).collect();
        let (mut master, sent_at) = paper(pace, script, &[]);
        for _ in 0..40 {
            master.ask(7, four(), Duration::from_millis(50), Duration::ZERO).expect("answered at once");
        }
        let sent_at = sent_at.lock().expect("no panic");
        let mut gaps: Vec<u128> = sent_at.windows(2).map(|w| (w[1] - w[0]).as_micros()).collect();
        gaps.sort_unstable();
        assert!(gaps[0] >= silence_us, "a silence of {} µs", gaps[0]);
        // The machine may be busy; the typical gap shows what the master adds.
        assert!(gaps[gaps.len() / 4] <= silence_us + 400, "{gaps:?}");
    }
}

/// A line on which bytes take their time and the device answers after exactly one silence.
struct Paced {
    pace: Pace,
    answer: Vec<u8>,
    arrives: Instant,
    unread: Vec<u8>,
}

impl Line for Paced {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.unread.clone_from(&self.answer);
        self.arrives = Instant::now() + self.pace.silence + self.pace.characters(bytes.len() + self.answer.len());
        Ok(())
    }

    fn read(&mut self, into: &mut [u8], until: Instant) -> io::Result<usize> {
        sleep_until(self.arrives.min(until));
        if Instant::now() < self.arrives {
            return Ok(0);
        }
        let got = self.unread.len().min(into.len());
        into[..got].copy_from_slice(&self.unread[..got]);
        self.unread.drain(..got);
        Ok(got)
    }

    fn has_bytes(&mut self) -> io::Result<bool> {
        Ok(!self.unread.is_empty())
    }

    fn pace(&self) -> Pace {
        self.pace
    }

    fn is_connection(&self) -> bool {
        false
    }
}

/// How near the line's limit it comes is measured by the benchmark of the serial line; that it keeps the silences is a rule.
#[test]
fn a_line_is_never_used_faster_than_its_silences_allow() {
    for (baud, parity, registers) in
        [(19_200, Parity::Even, 10), (115_200, Parity::None, 50), (115_200, Parity::None, 10)]
    {
        let pace = Pace::of(baud, parity, 1, true, LUMP);
        let read = Read::new(Table::Holding, 0, registers).expect("allowed");
        let answer = right(&request(7, read));
        let ideal = pace.characters(REQUEST_LEN + answer.len()) + pace.silence * 2;
        let line = Paced { pace, answer, arrives: Instant::now(), unread: Vec::new() };
        let mut master = Master::new(Box::new(line));
        for _ in 0..24 {
            let begun = Instant::now();
            master.ask(7, read, Duration::from_millis(200), Duration::ZERO).expect("answered");
            let cycle = begun.elapsed();
            assert!(cycle >= ideal.mul_f64(0.99), "{baud} bit/s, {registers} registers: {cycle:?}, {ideal:?} at least");
        }
    }
}
