//! Messages for tests: one of each kind, every key filled.

use alloc::boxed::Box;
use alloc::string::String;
use alloc::vec;

use crate::{
    AlarmChange, AlarmRecord, CataloguePage, CataloguePoint, Command, CommandAction, CommandReply, ConditionKind,
    Decimal, Detail, Event, EventLast, Frame, FrameBuilder, Hiding, Impact, LinkChange, Mode, Notification, PointValue,
    Presence, PresenceState, Priority, Quantity, SCHEMA, ShownState, Status,
};

/// An alarm's event with every key.
pub(crate) fn alarm_event() -> Event {
    event(Detail::Alarm(Box::new(AlarmChange {
        alarm: "supply-water-warm".into(),
        occurrence: 3,
        incident: Some(17),
        condition: ConditionKind::High.into(),
        from: ShownState::Normal.into(),
        to: ShownState::Unacknowledged.into(),
        active: true,
        acknowledged: false,
        hidden_by: vec![Hiding::Shelved.into()],
        priority: Priority::High.into(),
        impact: Impact::LoadAtRisk.into(),
        point: "coil/water/supply/temperature".into(),
        tag: Some("TT-101".into()),
        location: Some("coil bay, left".into()),
        value: Some(Decimal::new(214, -1)),
        limit: Some(Decimal::new(21, 0)),
        unit: "Cel".into(),
        limit_unit: Some("Cel".into()),
        quality: Status::UNCERTAIN_SUB_NORMAL,
        true_since: Some(1_764_000_000_000),
        raised_at: Some(1_764_000_005_000),
        rate_per_min: Some(Decimal::new(12, -1)),
        seconds_left: Some(85),
        left_to: Some("inlets at 27 °C".into()),
        first_out: true,
        follows: Some("water-flow-low".into()),
        tie: true,
        announced: true,
        consequence: "The coil cannot hold the cold aisle; inlets pass 27 °C within minutes.".into(),
        response: "Check the chiller plant; if it is lost, shed load by the site's plan.".into(),
        first_check: "Pump running lamp.".into(),
        safety: "Hot pipes.".into(),
        document: Some("OM-12 §4".into()),
        respond_within_s: Some(180),
        by: Some("operator".into()),
        reason: Some("value".into()),
        until: Some(1_764_000_100_000),
    })))
}

/// An event of a kind with few keys.
pub(crate) fn link_event() -> Event {
    event(Detail::Link(LinkChange { link: "plant".into(), up: false, reason: Some("connection refused".into()) }))
}

/// The same head for every event.
pub(crate) fn event(detail: Detail) -> Event {
    Event {
        schema: SCHEMA,
        log: "a3f09c5e11d20b47".into(),
        seq: 4711,
        boot: 2,
        t: 1_764_000_005_123,
        time: "2025-11-24T16:00:05.123Z".into(),
        clock_synced: true,
        mode: Mode::Simulated.into(),
        site: "saltmarsh".into(),
        module: "m1".into(),
        text: "Supply water 21.4 °C is above 21 °C".into(),
        durable: true,
        detail,
    }
}

/// An alarm's state with every key.
pub(crate) fn alarm_record() -> AlarmRecord {
    AlarmRecord {
        schema: SCHEMA,
        log: "a3f09c5e11d20b47".into(),
        seq: Some(4711),
        t: 1_764_000_005_123,
        mode: Mode::Live.into(),
        site: "saltmarsh".into(),
        module: "m1".into(),
        alarm: "supply-water-warm".into(),
        state: ShownState::Shelved.into(),
        active: true,
        acknowledged: false,
        hidden_by: vec![Hiding::Suppressed.into(), Hiding::Shelved.into()],
        occurrence: 3,
        incident: Some(17),
        condition: ConditionKind::High.into(),
        limit: Some(Decimal::new(21, 0)),
        deadband: Some(Decimal::new(5, -1)),
        states: vec!["open".into()],
        on_delay_s: Decimal::new(5, 0),
        off_delay_s: Decimal::new(25, -1),
        latching: true,
        priority: Priority::High.into(),
        impact: Impact::RedundancyLost.into(),
        point: "coil/water/supply/temperature".into(),
        tag: Some("TT-101".into()),
        location: Some("coil bay, left".into()),
        unit: "Cel".into(),
        limit_unit: Some("K/min".into()),
        value: Some(Decimal::new(214, -1)),
        quality: Status::GOOD,
        true_since: Some(1_764_000_000_000),
        raised_at: Some(1_764_000_005_000),
        first_out: true,
        follows: Some("water-flow-low".into()),
        tie: true,
        until: Some(1_764_000_100_000),
        text: "Supply water 21.4 °C is above 21 °C".into(),
        consequence: "Inlets pass 27 °C within minutes.".into(),
        response: "Check the chiller plant.".into(),
        first_check: "Pump running lamp.".into(),
        safety: String::from("Hot pipes."),
        document: Some("OM-12 §4".into()),
        respond_within_s: Some(180),
    }
}

/// The agent is there.
pub(crate) fn presence() -> Presence {
    Presence {
        schema: SCHEMA,
        state: PresenceState::Online.into(),
        mode: Mode::Live.into(),
        log: "a3f09c5e11d20b47".into(),
        boot: 2,
        version: "0.1.0".into(),
        catalogue: "0123456789abcdef".into(),
    }
}

/// A good reading of one point.
pub(crate) fn point_value() -> PointValue {
    PointValue {
        t: 1_764_000_005_123,
        value: Some(Decimal::new(214, -1)),
        unit: "Cel".into(),
        quality: Status::GOOD,
        mode: Mode::Simulated.into(),
    }
}

/// The number of the last event.
pub(crate) fn event_last() -> EventLast {
    EventLast { log: "a3f09c5e11d20b47".into(), seq: 4711, t: 1_764_000_005_123 }
}

/// A page with a point that has every key.
pub(crate) fn catalogue_page() -> CataloguePage {
    CataloguePage {
        schema: SCHEMA,
        hash: "0123456789abcdef".into(),
        page: 1,
        pages: 2,
        points: vec![CataloguePoint {
            id: 17,
            path: "door/north".into(),
            quantity: Quantity::State.into(),
            unit: "1".into(),
            unit_text: String::new(),
            exponent: 0,
            scan_period_ms: 1000,
            valid: Some([Decimal::new(0, 0), Decimal::new(15, -1)]),
            device: Some("contacts".into()),
            tag: Some("ZS-7".into()),
            location: Some("north end".into()),
            states: CataloguePoint::states_from(&[(0, "closed".into()), (1, "open".into())]),
            state_texts: CataloguePoint::states_from(&[(0, "zu".into()), (1, "offen".into())]),
        }],
    }
}

/// Two runs, a bad and an uncertain reading, sent again.
pub(crate) fn frame() -> Frame {
    let mut builder = FrameBuilder::new("a3f09c5e11d20b47", 2, "0123456789abcdef", 99);
    builder.push(10, 1_764_000_005_000, Some(214), Status::GOOD);
    builder.push(11, 1_764_000_005_000, None, Status::BAD_SENSOR_FAILURE);
    builder.push(20, 1_764_000_005_040, Some(-70_000), Status::UNCERTAIN_SUB_NORMAL);
    builder.finish().remove(0).with_late(true)
}

/// A message to a recipient.
pub(crate) fn notification() -> Notification {
    Notification {
        schema: 1,
        id: "a3f09c5e11d20b47-17-shift".into(),
        recipient: "shift".into(),
        site: "saltmarsh".into(),
        module: "m1".into(),
        mode: Mode::Live.into(),
        text: "Supply water 21.6 °C is above 21.0 °C.".into(),
        priority: Some(Priority::High.into()),
        unacknowledged_for_s: Some(600),
        test: true,
        alarms: vec![alarm_event()],
        related: vec![link_event()],
        given_up: Some(3),
    }
}

/// A command with every key.
pub(crate) fn command() -> Command {
    Command {
        id: "a1-0001".into(),
        action: CommandAction::Shelve.into(),
        alarm: Some("supply-water-warm".into()),
        occurrence: Some(3),
        reason: Some("Valve is being replaced".into()),
        rule: Some("pump-1-maintenance".into()),
        mode: Some(Mode::Maintenance.into()),
        for_s: Some(3600),
        until: Some(1_764_003_605_123),
        iat: Some(1_764_000_005),
        exp: Some(1_764_000_065),
        aud: Some("saltmarsh/m1".into()),
    }
}

/// An answer with every key.
pub(crate) fn command_reply() -> CommandReply {
    CommandReply {
        schema: SCHEMA,
        id: Some("a1-0001".into()),
        by: Some("ada".into()),
        t: 1_764_000_005_123,
        done: false,
        log: Some("a3f09c5e11d20b47".into()),
        seq: Some(4711),
        until: Some(1_764_003_605_123),
        code: Some("still_active".into()),
        text: "The alarm is still active.".into(),
    }
}
