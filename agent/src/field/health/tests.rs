//! The rules of the header, one test each, on a clock that is only a number.

use super::*;
use crate::field::failure::Failure;

struct Bench {
    health: Health,
    told: Vec<String>,
}

impl Bench {
    fn new(devices: usize, late_max_ms: u64) -> Self {
        let mut bench = Self { health: Health::new(vec![late_max_ms; devices]), told: Vec::new() };
        bench.health.connected(Millis(0));
        for device in 0..devices {
            bench.answer(device, 0);
        }
        bench.told.clear();
        bench
    }

    fn answer(&mut self, device: usize, at: u64) -> bool {
        let told = &mut self.told;
        self.health.answered(device, Millis(at), &mut |c| told.push(words(&c)))
    }

    fn fail(&mut self, device: usize, sent: u64, at: u64) {
        self.health.failed(device, Millis(sent), Millis(at), Why::Failed(Failure::Silence { timeout_ms: 300 }));
        self.review(at);
    }

    fn review(&mut self, at: u64) {
        let told = &mut self.told;
        self.health.review(Millis(at), &mut |c| told.push(words(&c)));
    }
}

fn words(change: &Change) -> String {
    let state = |up| if up { "up" } else { "down" };
    match change {
        Change::Link { up, .. } => format!("link {}", state(*up)),
        Change::Device { device, up, .. } => format!("{device} {}", state(*up)),
    }
}

/// A device that never answers again while the others do once a second: when is it told?
fn silent_for(timeout: u64, late_max: u64) -> u64 {
    let mut bench = Bench::new(3, late_max);
    let mut now = 1000;
    bench.fail(0, now, now + timeout);
    now += timeout;
    while bench.told.is_empty() {
        let (at, device) = bench.health.next_try().expect("suspect");
        assert_eq!(device, 0);
        // A neighbour is asked between two tries.
        let between = (now + at.0) / 2;
        bench.answer(1, between);
        bench.review(between);
        if !bench.told.is_empty() {
            return between - 1000;
        }
        now = at.0 + timeout;
        bench.fail(0, at.0, now);
    }
    assert_eq!(bench.told, ["0 down"]);
    now - 1000
}

#[test]
fn a_silent_device_is_told_within_three_seconds() {
    assert!((1000..=2000).contains(&silent_for(300, 0)), "{}", silent_for(300, 0));
    assert!((1000..=3000).contains(&silent_for(300, 900)), "{}", silent_for(300, 900));
    assert!(silent_for(1000, 0) <= 4000, "{}", silent_for(1000, 0));
}

#[test]
fn one_lost_frame_or_two_are_not_told() {
    let mut bench = Bench::new(2, 0);
    bench.fail(0, 1000, 1300);
    bench.fail(0, 1550, 1850);
    assert!(bench.answer(0, 2400));
    bench.review(9000);
    assert!(bench.told.is_empty(), "{:?}", bench.told);
}

#[test]
fn a_dead_device_is_tried_every_five_seconds_at_last_and_takes_less_than_four_percent_of_its_link() {
    let waits = |devices, timeout_ms| -> Vec<u64> {
        let mut bench = Bench::new(devices, 0);
        bench.fail(0, 0, timeout_ms);
        let mut now = timeout_ms;
        let mut wait = || {
            let (at, _) = bench.health.next_try().expect("suspect");
            let waited = at.0 - now;
            now = at.0 + timeout_ms;
            bench.fail(0, at.0, now);
            waited
        };
        (0..8).map(|_| wait()).collect()
    };
    assert_eq!(waits(2, 200), [250, 500, 1000, 2000, 4000, 5000, 5000, 5000]);
    assert_eq!(waits(2, 1000), [250, 500, 1000, 2000, 4000, 25_000, 25_000, 25_000]);
    // Nobody waits for a device that is alone.
    assert_eq!(waits(1, 1000), [250, 500, 1000, 2000, 4000, 5000, 5000, 5000]);
}

#[test]
fn a_suspect_is_not_asked_before_its_late_answers_have_run_out() {
    let mut bench = Bench::new(2, 900);
    bench.fail(0, 0, 300);
    assert_eq!(bench.health.next_try(), Some((Millis(1200), 0)));
    assert!(!bench.health.is_well(0) && bench.health.is_well(1));
}

#[test]
fn a_cut_line_is_one_report_and_its_return_another() {
    let mut bench = Bench::new(14, 900);
    let mut now = 1000;
    for device in 0..14 {
        bench.fail(device, now, now + 300);
        now += 300;
    }
    assert_eq!(bench.told, ["link down"]);
    bench.review(60_000);
    assert_eq!(bench.told, ["link down"]);
    bench.answer(3, 61_000);
    assert_eq!(bench.told, ["link down", "link up"], "the devices were never told down");
    assert_eq!(bench.health.next_try().map(|(at, _)| at), Some(Millis(61_000)), "the others get their chance at once");
}

#[test]
fn a_return_of_the_link_does_not_shorten_the_wait_for_late_answers() {
    let mut bench = Bench { health: Health::new([900, 900]), told: Vec::new() };
    bench.health.connected(Millis(0));
    bench.fail(0, 0, 300);
    bench.answer(1, 310);
    assert_eq!(bench.told, ["link up", "1 up"]);
    assert_eq!(bench.health.next_try(), Some((Millis(1200), 0)));
}

#[test]
fn after_the_link_came_back_a_device_still_silent_is_told() {
    let mut bench = Bench::new(2, 0);
    for n in 0..4 {
        bench.fail(0, n * 600, n * 600 + 300);
        bench.fail(1, n * 600 + 300, n * 600 + 600);
    }
    assert_eq!(bench.told, ["link down"]);
    bench.answer(0, 10_000);
    bench.fail(1, 10_000, 10_300);
    bench.fail(1, 10_550, 10_850);
    assert_eq!(bench.told, ["link down", "link up"]);
    bench.answer(0, 11_000);
    bench.fail(1, 11_350, 11_650);
    assert_eq!(bench.told, ["link down", "link up", "1 down"]);
}

#[test]
fn two_of_many_devices_are_told_as_two_devices() {
    let mut bench = Bench::new(5, 0);
    for n in 0..4u64 {
        let at = n * 1000;
        bench.fail(0, at, at + 300);
        bench.fail(1, at + 300, at + 600);
        bench.answer(2, at + 700);
    }
    bench.review(4000);
    assert_eq!(bench.told, ["0 down", "1 down"]);
}

#[test]
fn a_lone_device_speaks_through_its_link() {
    let mut bench = Bench::new(1, 0);
    bench.fail(0, 0, 300);
    bench.fail(0, 550, 850);
    bench.fail(0, 1350, 1650);
    bench.answer(0, 2000);
    assert_eq!(bench.told, ["link down", "link up"]);
}

#[test]
fn a_refused_connection_is_told_after_a_second() {
    let mut bench = Bench::new(2, 0);
    bench.health.lost(Millis(5000));
    let mut tried = Vec::new();
    while bench.told.is_empty() {
        let at = bench.health.connect_at().expect("not connected");
        tried.push(at.0);
        bench.health.connect_failed(at, at.plus(1), Why::NotConnected);
        bench.review(at.0 + 1);
    }
    assert_eq!((bench.told.clone(), tried), (vec!["link down".into()], vec![5000, 5251, 5752, 6753]));
    bench.health.connected(Millis(8000));
    bench.review(8000);
    assert_eq!(bench.told.len(), 1, "a connection is not yet an answer");
    bench.answer(1, 8010);
    assert_eq!(bench.told, ["link down", "link up"]);
}

#[test]
fn a_dropped_connection_made_again_at_once_is_no_news() {
    let mut bench = Bench::new(2, 0);
    bench.health.lost(Millis(5000));
    assert_eq!(bench.health.connect_at(), Some(Millis(5000)));
    bench.health.connected(Millis(5002));
    bench.review(20_000);
    assert!(bench.told.is_empty());
}
