//! Events and tellings for this room's tests.

use std::sync::Arc;

use lapwing_protocol::{AlarmChange, ConditionKind, Detail, Event, Impact, Mode, Priority, SCHEMA, ShownState, Status};

use crate::store::{Telling, TellingRow};

/// A raise: event `seq` of log `a3f0`, so many seconds after the epoch's 1764000000.
pub(crate) fn event(seq: u64, alarm: &str, incident: u64, announced: bool) -> Event {
    let t = 1_764_000_000_000 + i64::try_from(seq).unwrap_or(0) * 1000;
    Event {
        schema: SCHEMA,
        log: "a3f0".into(),
        seq,
        boot: 1,
        t,
        time: crate::core::clock::rfc3339(t),
        clock_synced: true,
        mode: Mode::Live.into(),
        site: "saltmarsh".into(),
        module: "m1".into(),
        text: format!("{alarm} stands."),
        durable: true,
        detail: Detail::from(AlarmChange {
            alarm: alarm.into(),
            occurrence: 1,
            incident: Some(incident),
            condition: ConditionKind::High.into(),
            from: ShownState::Normal.into(),
            to: ShownState::Unacknowledged.into(),
            active: true,
            acknowledged: false,
            hidden_by: Vec::new(),
            priority: Priority::High.into(),
            impact: Impact::Degraded.into(),
            point: "coil/water/supply/temperature".into(),
            tag: Some("TT-101".into()),
            location: Some("coil bay, left".into()),
            value: None,
            limit: None,
            unit: "Cel".into(),
            limit_unit: None,
            quality: Status::GOOD,
            true_since: Some(t),
            raised_at: Some(t),
            rate_per_min: None,
            seconds_left: None,
            left_to: None,
            first_out: false,
            follows: None,
            tie: false,
            announced,
            consequence: "The coil cannot hold the cold aisle.".into(),
            response: "Check the chiller plant.".into(),
            first_check: String::new(),
            safety: String::new(),
            document: None,
            respond_within_s: Some(180),
            by: None,
            reason: None,
            until: None,
        }),
    }
}

/// A telling of such an event, due at once.
pub(crate) fn telling(row: u64, recipient: &str, incident: u64) -> TellingRow {
    telling_of(row, recipient, incident, 0, 0, false)
}

/// The same with its time.
pub(crate) fn telling_of(
    row: u64,
    recipient: &str,
    incident: u64,
    due_ms: i64,
    after_ms: u64,
    further: bool,
) -> TellingRow {
    TellingRow {
        row,
        log: Arc::from("a3f0"),
        seq: row,
        telling: Telling { recipient: recipient.into(), due_ms, after_ms, further },
        payload: event(row, "supply-water-warm", incident, true).to_bytes(),
        volatile: false,
    }
}
