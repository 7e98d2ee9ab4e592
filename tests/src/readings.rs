//! Reads catalogue pages and frames as a subscriber would who has only the contract: from plain JSON values.
//!
//! Independent of the protocol crate's own decoding on purpose; only the catalogue's hash is computed with it. Panics
//! where the contract is broken, with the message.

use std::collections::BTreeMap;
use std::time::Duration;

use lapwing_protocol::catalogue::{self, CataloguePoint};
use serde_json::Value;

use crate::agent::Agent;
use crate::subscriber::{Message, Subscriber};

/// What the numbers of frames mean.
#[derive(Clone, Debug)]
pub struct Catalogue {
    /// Its hash.
    pub hash: String,
    /// Points by number.
    pub points: BTreeMap<u64, Value>,
}

/// One reading of a frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// Path, by the catalogue.
    pub path: String,
    /// When it was taken, ms since the Unix epoch.
    pub t: i64,
    /// In the catalogue's unit.
    pub value: Option<f64>,
    /// OPC UA status number.
    pub status: u64,
}

impl Catalogue {
    /// Puts the pages of one catalogue together.
    ///
    /// # Panics
    /// When pages are missing, repeated points differ, or the hash is not that of its points.
    #[must_use]
    pub fn gather(messages: &[Message], hash: &str) -> Self {
        let mut points = BTreeMap::new();
        let mut seen = BTreeMap::new();
        let mut pages = 0;
        let wanted = format!("catalogue/{hash}/");
        for message in messages.iter().filter(|message| message.below().starts_with(&wanted)) {
            if message.payload.is_null() {
                continue;
            }
            assert_eq!(message.payload["hash"], hash, "a page on the topic of another catalogue");
            assert_eq!(message.payload["schema"], 1);
            assert!(message.bytes <= 64 * 1024, "a page of {} bytes", message.bytes);
            pages = message.payload["pages"].as_u64().expect("pages is a number");
            let page = message.payload["page"].as_u64().expect("page is a number");
            assert!(message.below().ends_with(&format!("/{page}")), "page {page} on {}", message.topic);
            seen.insert(page, ());
            for point in message.payload["points"].as_array().expect("points is a list") {
                points.insert(point["id"].as_u64().expect("id is a number"), point.clone());
            }
        }
        assert!(pages > 0, "no page of the catalogue {hash} arrived");
        assert_eq!(seen.len() as u64, pages, "of {pages} pages arrived {:?}", seen.keys());
        let typed: Vec<CataloguePoint> = points
            .values()
            .map(|point| serde_json::from_value(point.clone()).expect("a catalogue point is what its type says"))
            .collect();
        assert_eq!(catalogue::hash(&typed), hash, "the hash is not that of the points");
        Self { hash: hash.into(), points }
    }

    /// The readings of one frame.
    ///
    /// # Panics
    /// When the frame breaks the contract or uses a number that the catalogue does not have.
    #[must_use]
    pub fn readings(&self, frame: &Value) -> Vec<Reading> {
        assert_eq!(frame["catalogue"], self.hash.as_str(), "a frame of another catalogue");
        let t = frame["t"].as_i64().expect("t is a number");
        let values = frame["values"].as_array().expect("values is a list");
        let mut statuses: BTreeMap<u64, u64> = BTreeMap::new();
        for pair in frame["bad"].as_array().into_iter().flatten() {
            let position = pair[0].as_u64().expect("a position is a number");
            assert!(position < values.len() as u64, "position {position} of {} values", values.len());
            statuses.insert(position, pair[1].as_u64().expect("a status is a number"));
        }
        let mut readings = Vec::new();
        for run in frame["runs"].as_array().expect("runs is a list") {
            let first = run[0].as_u64().expect("a first id is a number");
            let count = run[1].as_u64().expect("a count is a number");
            let dt = run[2].as_i64().expect("a time is a number");
            for id in first..first + count {
                let point = self.points.get(&id).unwrap_or_else(|| panic!("point {id} is not in the catalogue"));
                let position = readings.len();
                let raw = values.get(position).unwrap_or_else(|| panic!("more readings in runs than values: {frame}"));
                let status = statuses.get(&(position as u64)).copied().unwrap_or(0);
                assert_eq!(raw.is_null(), status >= 0x8000_0000, "value {raw} with status {status:#x}");
                let exponent = point["exponent"].as_i64().expect("an exponent is a number");
                let power = i32::try_from(exponent).expect("an exponent is small");
                readings.push(Reading {
                    path: point["path"].as_str().expect("a path is text").into(),
                    t: t + dt,
                    value: raw.as_i64().map(|integer| integer as f64 * 10_f64.powi(power)),
                    status,
                });
            }
        }
        assert_eq!(readings.len(), values.len(), "runs and values differ in length: {frame}");
        readings
    }
}

/// Waits until everything the agent has printed so far has arrived at a subscriber, whole and in order.
///
/// # Panics
/// When it does not in time, or an event is missing or another one.
pub fn everything_arrives(agent: &Agent, subscriber: &Subscriber, within: Duration) {
    let printed: Vec<Value> = agent.said().into_iter().map(|(said, _)| said).collect();
    let events: Vec<&Value> = printed.iter().filter(|said| said["seq"].is_u64() && said["kind"].is_string()).collect();
    let last = events.last().expect("the agent printed events");
    subscriber.topic("event", 0, within, |event| event["log"] == last["log"] && event["seq"] == last["seq"]);
    let logs = without_repeats(&subscriber.events());
    for event in events {
        let log = event["log"].as_str().expect("a log");
        assert!(logs[log].contains(event), "never arrived: {event}");
    }
    for arrived in logs.values() {
        assert_eq!(arrived[0]["seq"], 1);
    }
}

/// Checks that events are numbered without gaps, each number once or more with the same content, in order of first
/// arrival; gives the events of each log without repeats.
///
/// # Panics
/// When they are not.
#[must_use]
pub fn without_repeats(events: &[Value]) -> BTreeMap<String, Vec<Value>> {
    let mut logs: BTreeMap<String, Vec<Value>> = BTreeMap::new();
    for event in events {
        let log = event["log"].as_str().expect("an event names its log");
        let seq = event["seq"].as_u64().expect("an event has a number");
        let known = logs.entry(log.into()).or_default();
        // Without gaps so far, a number's place follows from the first.
        let first = known.first().and_then(|first| first["seq"].as_u64()).unwrap_or(seq);
        let place = seq.checked_sub(first).and_then(|place| usize::try_from(place).ok());
        match place.and_then(|place| known.get(place)) {
            Some(earlier) => assert_eq!(earlier, event, "one number for two events"),
            None => {
                if let Some(last) = known.last() {
                    let last = last["seq"].as_u64().expect("checked above");
                    assert_eq!(seq, last + 1, "event {seq} came after {last}: {event}");
                }
                known.push(event.clone());
            }
        }
    }
    logs
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn repeats_are_dropped_and_gaps_found() {
        let event = |seq: u64| json!({"log": "a", "seq": seq});
        assert_eq!(without_repeats(&[event(1), event(2), event(1), event(3)])["a"].len(), 3);
        assert!(std::panic::catch_unwind(|| without_repeats(&[event(1), event(3)])).is_err());
        let other = json!({"log": "a", "seq": 1, "text": "another"});
        assert!(std::panic::catch_unwind(|| without_repeats(&[event(1), other])).is_err());
    }
}
