//! The points of the agent's own health, and the few alarms on them that a person can act on.
//!
//! Alarms: the store takes no events, the disk has less left than the reserve history keeps, events wait for the broker, readings are dropped, the clock is not
//! synchronised. Limits and times to respond: common practice, no source. What has an alarm of its own elsewhere (a link,
//! a device, a sensor) gets none here: one cause is one alarm. Never panics.

use std::time::Duration;

use lapwing_engine::spec::{Condition, PointSpec};
use lapwing_protocol::{ConditionKind, Decimal, Priority, Quantity, Unit};

use crate::config::units;
use crate::plan::{Health, Link, Point, Store};
use crate::words::{Own, OwnAlarm};

use super::alarms::Tables;
use super::own::{Texts, spec};
use super::{Draft, Points, index};

/// Adds the points.
pub(super) fn points(links: &[Link], points: &mut Points) -> Health {
    let mut count = |path: &str| add(points, path, Quantity::Count, "1", 0, &[]);
    let (skipped, waiting, dropped) =
        (count("agent/scans/skipped"), count("agent/core/waiting"), count("agent/core/dropped"));
    let (unsent, written, disk_free_mib, memory, starts) = (
        count("agent/events/unsent"),
        count("agent/disk/written-kib"),
        count("agent/disk/free-mib"),
        count("agent/memory-mib"),
        count("agent/starts"),
    );
    let mut share = |path: &str| add(points, path, Quantity::Ratio, "%", -1, &[]);
    let (good, disk_free, cpu) = (share("agent/readings/good"), share("agent/disk/free"), share("agent/processor"));
    let errors = links.iter().map(|link| share(&format!("agent/link/{}/errors", link.name))).collect();
    let mut time = |path: &str, unit: &str| add(points, path, Quantity::Time, unit, 0, &[]);
    let (lateness, oldest, commit) =
        (time("agent/scans/lateness", "ms"), time("agent/events/oldest-unsent", "s"), time("agent/store/commit", "ms"));
    let mut state = |path: &str, states: [&str; 2]| add(points, path, Quantity::State, "1", 0, &states);
    let store = state("agent/store/state", ["working", "in memory only"]);
    let clock = state("agent/clock/state", ["synchronised", "not synchronised"]);
    Health {
        good,
        skipped,
        lateness,
        waiting,
        dropped,
        unsent,
        oldest,
        store,
        commit,
        disk_free,
        disk_free_mib,
        written,
        clock,
        cpu,
        memory,
        starts,
        errors,
        certificates: Vec::new(),
    }
}

pub(super) fn add(
    points: &mut Points,
    path: &str,
    quantity: Quantity,
    unit: &str,
    exponent: i8,
    states: &[&str],
) -> u32 {
    let point = Point {
        path: path.into(),
        quantity: quantity.name().to_string(),
        unit: unit.into(),
        exponent,
        scan_period: Duration::from_secs(10),
        states: (0..).zip(states.iter().map(ToString::to_string)).collect(),
        ..Point::default()
    };
    let draft = Draft {
        has_states: !point.states.is_empty(),
        point,
        spec: PointSpec { exponent, ..PointSpec::default() },
        unit: Some(Unit::parse(unit).unwrap_or_else(units::one)),
        exponent: Some(exponent),
        absent: Vec::new(),
        origin: "the agent".into(),
    };
    // Nothing of a configuration may begin with agent/.
    points.add(draft).map_or(0, index)
}

/// Adds the alarms.
pub(super) fn alarms(health: &Health, store: &Store, own: &Own, tables: &mut Tables) {
    let minute_ms = 60_000;
    let texts = |id: &str, words: &OwnAlarm| Texts::of(words, format!("fault/agent/{id}"), None, &[]);
    let bad_state = Condition::State { states: 1 << 1 };
    let full = texts("store", &own.store);
    tables.push(
        full.about(health.store, ConditionKind::State, Priority::High, 60),
        spec(health.store, bad_state, Priority::High, 0),
    );
    let clock = texts("clock", &own.clock);
    // A box that was just started needs its time; an hour without is worth a word.
    tables.push(
        clock.about(health.clock, ConditionKind::State, Priority::Low, 24 * 60),
        spec(health.clock, bad_state, Priority::Low, 60 * minute_ms),
    );
    // History gives up what it holds rather than go below the reserve: at half of it something else fills the disk. A
    // share of the disk would say nothing: a twentieth of a large one is room for years.
    let reserve_mib = store.history.unwrap_or_default().reserve_mib;
    let limit_mib = i64::from((reserve_mib / 2).max(8));
    let disk = texts("disk", &own.disk);
    let low = Condition::Low { limit: limit_mib, deadband: limit_mib / 4 };
    let mut alarm = disk.about(health.disk_free_mib, ConditionKind::Low, Priority::Medium, 8 * 60);
    alarm.limit = Some(Decimal::new(limit_mib, 0));
    tables.push(alarm, spec(health.disk_free_mib, low, Priority::Medium, minute_ms));
    let unsent = texts("events-waiting", &own.unsent);
    let high = Condition::High { limit: 300, deadband: 60 };
    let mut alarm = unsent.about(health.oldest, ConditionKind::High, Priority::Medium, 60);
    alarm.limit = Some(Decimal::new(300, 0));
    tables.push(alarm, spec(health.oldest, high, Priority::Medium, 0));
}
