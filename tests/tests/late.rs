//! Late answers never become another reading: the short form, over every way. `tests/run late` runs the long one.

use std::time::Duration;

use lapwing_tests::late::{Count, Way, agent, plain_rtu};

const SHORT: Duration = Duration::from_secs(6);

fn none_wrong(way: Way, at_least: u64) -> Count {
    let count = agent(way, 600, SHORT);
    println!("{way:?}: {count:?}");
    assert_eq!(count.wrong, 0, "{way:?}: {count:?}");
    assert!(count.late >= 10 && count.right >= at_least, "{way:?}: {count:?}");
    count
}

#[test]
fn late_answers_on_every_way_are_never_believed() {
    std::thread::scope(|threads| {
        for way in [Way::Serial, Way::RtuOverTcp, Way::Tcp] {
            threads.spawn(move || none_wrong(way, 100));
        }
    });
}

/// The control: without the agent's master the same device gives wrong readings.
#[test]
fn plain_library_use_believes_them() {
    let count = plain_rtu(600);
    println!("plain: {count:?}");
    assert!(count.wrong > 0, "{count:?}");
}

#[test]
#[ignore = "minutes; tests/run late"]
fn ten_thousand_transactions_and_none_wrong() {
    for way in [Way::Serial, Way::RtuOverTcp, Way::Tcp] {
        let count = agent(way, 10_000, Duration::from_secs(1200));
        println!("{way:?}: {count:?}");
        assert_eq!(count.wrong, 0, "{way:?}: {count:?}");
        assert!(count.transactions >= 10_000 && count.late >= 500, "{way:?}: {count:?}");
    }
}
