//! The board: values and qualities as the engine's, refresh from changes, neighbours from one answer.

use super::*;
use crate::config::{Overrides, load};
use crate::field::Batch;
use crate::field::why::{Difference, Why};
use crate::plan::Mark;

const MODULE: &str = r#"
[module]
site = "saltmarsh"
name = "m1"

[[link]]
name = "plant"
modbus_tcp = "127.0.0.1:15020"

[[device]]
name = "coil"
link = "plant"
map = "map.toml"
"#;

const POINT: &str = r#"
[[point]]
path = "NAME/temperature"
quantity = "temperature"
unit = "Cel"
register = "holding:AT"
as = "i16"
scale = 0.1
valid = [0.0, 50.0]
"#;

/// Two registers as two points, read in one answer.
fn plan(name: &str) -> Plan {
    let dir = std::env::temp_dir().join(format!("lapwing-board-{name}-{}", std::process::id()));
    std::fs::create_dir_all(&dir).expect("a directory");
    let point = |name, at| POINT.replace("NAME", name).replace("AT", at);
    std::fs::write(dir.join("module.toml"), MODULE).expect("written");
    std::fs::write(dir.join("map.toml"), point("left", "10") + &point("right", "11")).expect("written");
    let loaded = load(&dir.join("module.toml"), std::iter::empty(), &Overrides::default()).expect("no mistakes");
    std::fs::remove_dir_all(&dir).expect("our own");
    assert_eq!(loaded.plan.transactions.len(), 1, "the test's own ground");
    loaded.plan
}

fn word(value: u16) -> Raw {
    Raw::Words { words: [value, 0, 0, 0, 0, 0, 0, 0], len: 1, scale_factor: 0 }
}

fn batch(at: Instant, raws: Vec<Raw>) -> FieldMessage {
    FieldMessage::Batch(Batch { transaction: 0, at, raws })
}

const LATENCY: Duration = Duration::from_millis(3);

#[test]
fn values_are_decoded_and_judged() {
    let board = Board::new(plan("judged"));
    assert_eq!(board.seen(0), None);
    let judged = board.take(&batch(Instant::now(), vec![word(207), word(501)]), |_| LATENCY);
    assert_eq!((judged[0].value, judged[0].status), (Some(207), Status::GOOD));
    assert_eq!((judged[1].value, judged[1].status), (None, Status::BAD_SENSOR_FAILURE), "published as bad");
    let seen = board.seen(1).expect("seen");
    assert_eq!((seen.value, seen.latency), (Some(501), LATENCY), "but a person sees what it reads");
}

#[test]
fn the_refresh_is_the_distance_of_changes_and_a_gap_spoils_none() {
    let board = Board::new(plan("refresh"));
    let start = Instant::now();
    let mut at = start;
    let mut say = |after_s: u64, raw: Raw| {
        at += Duration::from_secs(after_s);
        board.take(&batch(at, vec![raw, word(1)]), |_| LATENCY);
    };
    // A device that refreshes every 2 s, read every second.
    for n in 0..6 {
        say(1, word(n));
        say(1, word(n));
    }
    // Silence for a minute, then it goes on.
    say(60, Raw::Fault(Status::BAD_NO_COMMUNICATION));
    for n in 10..13 {
        say(1, word(n));
        say(1, word(n));
    }
    let seen = board.seen(0).expect("seen");
    assert_eq!(seen.refresh(), Some(Duration::from_secs(2)));
    assert!(seen.between.iter().all(|d| *d == Duration::from_secs(2)), "{:?}", seen.between);
    assert_eq!(board.seen(1).expect("seen").refresh(), None, "a value that never changes shows no refresh");
}

#[test]
fn neighbours_come_from_the_same_answer() {
    let board = Board::new(plan("neighbours"));
    board.take(&batch(Instant::now(), vec![word(7), word(9)]), |_| LATENCY);
    assert_eq!(board.neighbour(0, 1), Some(word(9)));
    assert_eq!(board.neighbour(1, -1), Some(word(7)));
    assert_eq!(board.neighbour(0, -1), None);
    assert_eq!(board.neighbour(1, 1), None);
}

#[test]
fn why_a_point_is_silent_is_known_while_it_is() {
    let board = Board::new(plan("why"));
    let state = |up| FieldMessage::LinkState { link: 0, up, why: Why::NoneAnswers { devices: 2 }, at: Instant::now() };
    board.take(&state(false), |_| LATENCY);
    assert_eq!(
        board.why_down(1).as_deref(),
        Some("none of its 2 devices answers: check the line, the gateway and its power")
    );
    board.take(&state(true), |_| LATENCY);
    assert_eq!(board.why_down(1), None);
}

#[test]
fn a_stranger_is_doubted_until_the_right_device_is_back() {
    let board = Board::new(plan("stranger"));
    let ratio =
        Difference::NotExpected { feature: "ratio".into(), shows: Mark::Number(400), expected: Mark::Number(200) };
    let why = Why::Differs(vec![ratio]);
    let identity = |fits| FieldMessage::Identity { device: 0, fits, why: why.clone(), at: Instant::now() };
    let read = || board.take(&batch(Instant::now(), vec![word(7), word(9)]), |_| LATENCY)[0].status;
    board.take(&identity(false), |_| LATENCY);
    assert_eq!(read(), Status::UNCERTAIN_SENSOR_NOT_ACCURATE);
    assert!(board.doubts(1)[0].contains("ratio shows 400"), "{:?}", board.doubts(1));
    assert_eq!(board.why_down(1), None, "it is there all the same");
    board.take(&identity(true), |_| LATENCY);
    assert_eq!((read(), board.doubts(1).len()), (Status::GOOD, 0));
    let masters =
        |another| FieldMessage::Masters { link: 0, another, why: Why::Foreign { unit: 9 }, at: Instant::now() };
    board.take(&masters(true), |_| LATENCY);
    assert!(board.doubts(0)[0].contains("another master"), "{:?}", board.doubts(0));
    board.take(&masters(false), |_| LATENCY);
    assert!(board.doubts(0).is_empty());
}

#[test]
fn one_can_wait_for_news() {
    let board = std::sync::Arc::new(Board::new(plan("wait")));
    let other = std::sync::Arc::clone(&board);
    let teller = std::thread::spawn(move || {
        for n in 0..=5 {
            other.take(&batch(Instant::now(), vec![word(n), word(n)]), |_| LATENCY);
        }
    });
    let seen = board.wait(0, Duration::from_secs(10), |seen| seen.value == Some(5));
    assert_eq!(seen.and_then(|seen| seen.value), Some(5));
    teller.join().expect("told");
    let same = board.wait(0, Duration::ZERO, |_| false);
    assert_eq!(same.and_then(|seen| seen.value), Some(5), "what is there when the time is over");
}
