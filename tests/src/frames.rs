//! Frames as a subscriber got them: none missing, and one that came twice said the same.
//!
//! Knows numbers, not readings: those are `readings`. Panics where the contract is broken, with the frame.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::subscriber::Subscriber;

/// Frames of each start by number, as they arrived; one that came twice must have said the same.
///
/// # Panics
/// When it did not.
#[must_use]
pub fn frames(subscriber: &Subscriber) -> BTreeMap<u64, BTreeMap<u64, Value>> {
    let mut starts: BTreeMap<u64, BTreeMap<u64, Value>> = BTreeMap::new();
    for message in subscriber.all().into_iter().filter(|message| message.below() == "frame") {
        let number = |key: &str| message.payload[key].as_u64().expect("a number");
        let (boot, seq) = (number("boot"), number("seq"));
        let mut frame = message.payload.clone();
        let late = frame.as_object_mut().expect("an object").remove("late").is_some();
        if let Some(known) = starts.entry(boot).or_default().insert(seq, frame.clone()) {
            assert_eq!(known, frame, "frame {seq} of start {boot} came twice, late: {late}, and differs");
        }
    }
    starts
}

/// Waits until no start has a gap in its frames.
///
/// # Panics
/// When there is still one after the time.
pub fn all_complete(subscriber: &Subscriber, within: Duration) {
    let until = Instant::now() + within;
    while !frames(subscriber).values().all(complete) {
        let numbers = |starts: BTreeMap<u64, BTreeMap<u64, Value>>| {
            starts.into_iter().map(|(boot, of)| (boot, of.into_keys().collect::<Vec<_>>())).collect::<Vec<_>>()
        };
        assert!(Instant::now() < until, "gaps: {:?}", numbers(frames(subscriber)));
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn complete(frames: &BTreeMap<u64, Value>) -> bool {
    frames.keys().copied().eq(1..=frames.len() as u64)
}
