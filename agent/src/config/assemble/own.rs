//! The agent's own points and alarms: states of links and devices, and sensors without a believable reading.
//!
//! One cause is one alarm: a link with a single device has no device point, since both would say one thing; a point whose
//! bad measurement is watched by a configured alarm gets none of its own; all points that a device does not give are one
//! alarm on its map. Links and devices are judged where they are
//! polled, which takes its time: their alarms have no further delay. Times to respond: common practice, no source. Never
//! panics.

use std::time::Duration;

use lapwing_engine::spec::{AlarmSpec, Condition, PointSpec};
use lapwing_protocol::{ConditionKind, Impact, Priority, Quantity, Unit};

use crate::config::units;
use crate::plan::recipients::{Recipient, Way};
use crate::plan::{Alarm, Device, Link, Point, Redfish, Transport};
use crate::words::{Own, OwnAlarm, filled};

use super::alarms::Tables;
use super::{Draft, Points, index};

/// Longest time an own alarm may be shelved: a working day, as for configured ones.
const MAX_SHELF_MS: u32 = 8 * 3_600_000;

/// Adds the state points of links and devices.
pub(crate) fn points(links: &mut [Link], devices: &mut [Device], points: &mut Points) {
    for link in links.iter_mut() {
        link.state_point = add(points, format!("agent/link/{}/state", link.name));
        let (first, count) = (link.devices.first as usize, link.devices.count as usize);
        for device in devices.iter_mut().skip(first).take(count) {
            device.state_point =
                if count == 1 { link.state_point } else { add(points, format!("agent/device/{}/state", device.name)) };
            let states = ["gives all its points", "lacks points"];
            device.map_point = Some(add_states(points, format!("agent/device/{}/map", device.name), states));
            if !device.identity.checks.is_empty() {
                let states = ["as expected", "another device"];
                device.identity.point =
                    Some(add_states(points, format!("agent/device/{}/identity", device.name), states));
            }
        }
        // Where another master is what the agent came for, it is no news.
        link.masters_point = (is_line(link) && !link.listen).then(|| {
            add_states(points, format!("agent/link/{}/masters", link.name), ["one master", "another master speaks"])
        });
        let counts = COUNTS.map(|count| add_count(points, format!("agent/link/{}/{count}", link.name)));
        link.count_points = counts.first().copied();
    }
}

/// Adds the state points of recipients.
pub(crate) fn recipients(recipients: &mut [Recipient], points: &mut Points) {
    for recipient in recipients {
        recipient.state_point = add(points, format!("agent/recipient/{}/state", recipient.name));
    }
}

/// Messages that do not get through for so long are an alarm: a server that restarts is none.
const NOT_REACHED_MS: u32 = 5 * 60_000;

/// Adds the alarms on them.
pub(crate) fn recipient_alarms(recipients: &[Recipient], own: &Own, tables: &mut Tables) {
    for recipient in recipients {
        let (texts, host, port) = match &recipient.way {
            Way::Email { .. } => (&own.mail, "", String::new()),
            Way::Webhook(hook) => (&own.webhook, hook.host.as_str(), hook.port.to_string()),
        };
        let gaps = [("recipient", recipient.name.as_str()), ("host", host), ("port", &port)];
        let alarm = Texts::of(texts, format!("fault/recipient/{}", recipient.name), None, &gaps);
        let (point, priority) = (recipient.state_point, Priority::Medium);
        tables.push(
            alarm.about(point, ConditionKind::State, priority, 60),
            spec(point, failed(), priority, NOT_REACHED_MS),
        );
    }
}

/// What the alarm system asks of people, in the order of `core::run::load`; a state and shares come after these.
const LOAD: [&str; 6] = ["announced-10min", "announced-hour", "announced-day", "standing", "stale", "chattering"];

/// Counts since the start of the agent, after the state of the flood.
const LOAD_SINCE_START: [&str; 3] = ["announced", "announced-10min-most", "fleeting"];

/// Shares since the start of the agent: of each priority in what was announced, of the time in floods.
const LOAD_SHARES: [&str; 5] = ["share-critical", "share-high", "share-medium", "share-low", "time-in-flood"];

/// Adds the points about alarms. Returns the first.
pub(crate) fn load(points: &mut Points) -> u32 {
    let counts = LOAD.map(|count| add_count(points, format!("agent/alarms/{count}")));
    add_states(points, "agent/alarms/flood".into(), ["none", "flood"]);
    for count in LOAD_SINCE_START {
        add_count(points, format!("agent/alarms/{count}"));
    }
    for share in LOAD_SHARES {
        add_share(points, format!("agent/alarms/{share}"));
    }
    counts[0]
}

/// What is counted on a link, in the order of `FieldMessage::Counts`.
const COUNTS: [&str; 4] = ["requests", "answers", "timeouts", "garbled"];

/// Whether several masters could speak on it.
const fn is_line(link: &Link) -> bool {
    match &link.transport {
        Transport::Serial { .. } | Transport::ModbusRtuTcp { .. } => true,
        Transport::ModbusTcp { .. } | Transport::ModbusTls { .. } | Transport::Snmp { .. } | Transport::Redfish(_) => {
            false
        }
    }
}

fn add(points: &mut Points, path: String) -> u32 {
    add_states(points, path, ["working", "failed"])
}

fn add_count(points: &mut Points, path: String) -> u32 {
    let point = Point {
        path,
        quantity: Quantity::Count.name().to_string(),
        unit: "1".into(),
        scan_period: Duration::from_secs(10),
        ..Point::default()
    };
    add_own(points, point)
}

/// A share in tenths of a percent.
fn add_share(points: &mut Points, path: String) -> u32 {
    let point = Point {
        path,
        quantity: Quantity::Ratio.name().to_string(),
        unit: "%".into(),
        exponent: -1,
        scan_period: Duration::from_secs(10),
        ..Point::default()
    };
    add_own(points, point)
}

fn add_states(points: &mut Points, path: String, states: [&str; 2]) -> u32 {
    let point = Point {
        path,
        quantity: Quantity::State.name().to_string(),
        unit: "1".into(),
        scan_period: Duration::from_secs(1),
        states: (0..).zip(states.map(str::to_string)).collect(),
        ..Point::default()
    };
    add_own(points, point)
}

fn add_own(points: &mut Points, point: Point) -> u32 {
    let exponent = point.exponent;
    let draft = Draft {
        has_states: !point.states.is_empty(),
        spec: PointSpec { exponent, ..PointSpec::default() },
        unit: Some(Unit::parse(&point.unit).unwrap_or_else(units::one)),
        point,
        exponent: Some(exponent),
        absent: Vec::new(),
        origin: "the agent".into(),
    };
    // Taken only where two links or devices share a name, which was told.
    points.add(draft).map_or(0, index)
}

/// Adds the alarms on them, and one for each field point that no alarm for bad measurement covers.
pub(crate) fn alarms(links: &[Link], devices: &[Device], points: &Points, own: &Own, tables: &mut Tables) {
    for link in links {
        let behind: Vec<&str> = devices
            .iter()
            .skip(link.devices.first as usize)
            .take(link.devices.count as usize)
            .map(|device| device.name.as_str())
            .collect();
        let behind = behind.join(", ");
        let (texts, host, port, path) = match &link.transport {
            Transport::ModbusTcp { host, port }
            | Transport::ModbusTls { host, port, .. }
            | Transport::ModbusRtuTcp { host, port, .. }
            | Transport::Redfish(Redfish { host, port, .. })
            | Transport::Snmp { host, port, .. } => (&own.link, host.clone(), port.to_string(), String::new()),
            Transport::Serial { path, .. } => (&own.line, String::new(), String::new(), path.display().to_string()),
        };
        let gaps =
            [("link", link.name.as_str()), ("devices", &behind), ("host", &host), ("port", &port), ("path", &path)];
        let alarm = Texts::of(texts, format!("fault/link/{}", link.name), None, &gaps);
        tables.push(
            alarm.about(link.state_point, ConditionKind::State, Priority::High, 15),
            spec(link.state_point, failed(), Priority::High, 0),
        );
        if let Some(point) = link.masters_point {
            let gaps = [("link", link.name.as_str())];
            let alarm = Texts::of(&own.masters, format!("fault/link/{}/masters", link.name), None, &gaps);
            let priority = Priority::Medium;
            tables.push(alarm.about(point, ConditionKind::State, priority, 60), spec(point, failed(), priority, 0));
        }
        for device in devices.iter().skip(link.devices.first as usize).take(link.devices.count as usize) {
            if let Some(point) = device.identity.point {
                let (alarm, priority) = (identity(device, link, own), Priority::Medium);
                tables.push(alarm.about(point, ConditionKind::State, priority, 60), spec(point, failed(), priority, 0));
            }
            if let Some(point) = device.map_point {
                let (alarm, priority) = (map(device, link, own), Priority::Medium);
                tables.push(
                    alarm.about(point, ConditionKind::State, priority, 8 * 60),
                    spec(point, failed(), priority, 0),
                );
            }
            if link.devices.count < 2 {
                continue;
            }
            let unit = device.unit.to_string();
            let gaps = [("device", device.name.as_str()), ("link", &link.name), ("unit", &unit)];
            let id = format!("fault/device/{}", device.name);
            let alarm = Texts::of(&own.device, id, Some(link.name.clone()), &gaps);
            let (point, priority) = (device.state_point, Priority::Medium);
            tables.push(alarm.about(point, ConditionKind::State, priority, 60), spec(point, failed(), priority, 0));
        }
    }
    for (at, draft) in points.drafts.iter().enumerate() {
        let point = index(at);
        if draft.point.device.is_none() || tables.covers(point) {
            continue;
        }
        let path = &draft.point.path;
        let place = draft.point.location.as_ref().map_or_else(String::new, |place| format!(" ({place})"));
        let named = draft.point.tag.as_ref().map_or_else(|| path.clone(), |tag| format!("{tag}, {path}"));
        let gaps = [("point", named.as_str()), ("place", &place)];
        let alarm = Texts::of(&own.point, format!("fault/point/{path}"), None, &gaps);
        let priority = Priority::Medium;
        tables.push(
            alarm.about(point, ConditionKind::BadMeasurement, priority, 8 * 60),
            spec(point, Condition::BadMeasurement, priority, 2000),
        );
    }
}

fn map(device: &Device, link: &Link, own: &Own) -> Texts {
    let gaps = [("device", device.name.as_str()), ("link", &link.name)];
    // A link that is down hides nothing of this and explains nothing.
    Texts::of(&own.map, format!("fault/device/{}/map", device.name), None, &gaps)
}

fn identity(device: &Device, link: &Link, own: &Own) -> Texts {
    let known: Vec<&str> =
        device.identity.checks.iter().flat_map(|check| &check.features).map(|feature| feature.name.as_str()).collect();
    let gaps = [("device", device.name.as_str()), ("link", &link.name), ("known", &known.join(", "))];
    Texts::of(&own.identity, format!("fault/device/{}/identity", device.name), Some(link.name.clone()), &gaps)
}

/// State 1: failed.
const fn failed() -> Condition {
    Condition::State { states: 1 << 1 }
}

pub(super) const fn spec(point: u32, condition: Condition, priority: Priority, on_delay_ms: u32) -> AlarmSpec {
    AlarmSpec {
        point,
        condition,
        on_delay_ms,
        off_delay_ms: 2000,
        latching: false,
        priority,
        max_shelf_ms: MAX_SHELF_MS,
        only_while: None,
    }
}

pub(super) struct Texts {
    pub(super) id: String,
    pub(super) text: String,
    pub(super) consequence: String,
    pub(super) response: String,
    pub(super) first_check: String,
    pub(super) link: Option<String>,
}

impl Texts {
    /// The words of one of the agent's own alarms with their gaps filled.
    pub(super) fn of(words: &OwnAlarm, id: String, link: Option<String>, gaps: &[(&str, &str)]) -> Self {
        let [text, consequence, response, first_check] =
            [&words.text, &words.consequence, &words.response, &words.first_check].map(|text| filled(text, gaps));
        Self { id, text, consequence, response, first_check, link }
    }

    pub(super) fn about(self, point: u32, condition: ConditionKind, priority: Priority, minutes: u64) -> Alarm {
        Alarm {
            id: self.id,
            point,
            condition,
            limit: None,
            limit_unit: None,
            priority,
            impact: Impact::Degraded,
            text: self.text,
            consequence: self.consequence,
            response: self.response,
            first_check: self.first_check,
            safety: String::new(),
            document: None,
            respond_within: Some(Duration::from_secs(minutes * 60)),
            left_to: None,
            urgent: None,
            clock: None,
            protection: None,
            own: true,
            link: self.link,
            digest: 0,
        }
    }
}
