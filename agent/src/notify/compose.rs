//! From events to a message: what a person reads in a mail, and the body of a POST.
//!
//! The sentences are the events' own; this room orders them: first what stands and what to do, then what belongs to it,
//! then what has become of it since. Times are shown in the site's zone. Never panics.

use std::fmt::Write as _;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use lapwing_protocol::event::Detail;
use lapwing_protocol::{AlarmChange, AlarmRecord, Event, Mode, Notification, Priority, SCHEMA, ShownState, Word};

/// Related alarms told in one message; more are counted.
const RELATED: usize = 20;

/// What a message is made of.
#[derive(Debug)]
pub(super) struct Material<'a> {
    pub(super) recipient: &'a str,
    pub(super) zone: &'a TimeZone,
    /// The alarms' events, oldest first, each with what stands now if that is known.
    pub(super) alarms: Vec<(Event, Option<AlarmRecord>)>,
    /// Later events of the same incidents.
    pub(super) related: Vec<Event>,
    /// How long nobody has acknowledged, ms, if it is passed on for that.
    pub(super) unacknowledged_ms: Option<u64>,
    pub(super) given_up: u64,
}

/// A message ready to leave.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Message {
    /// The same when it is sent again.
    pub(super) id: String,
    pub(super) subject: String,
    pub(super) text: String,
    /// What all messages of one incident share, for programs that show them together.
    pub(super) thread: Option<String>,
    /// Body of a POST.
    pub(super) body: Vec<u8>,
}

/// Makes a message; `None` if there is nothing to tell.
pub(super) fn message(material: Material<'_>) -> Option<Message> {
    let Material { recipient, zone, alarms, mut related, unacknowledged_ms, given_up } = material;
    let first = alarms.first().map(|(event, _)| event.clone())?;
    let told: Vec<(&str, u64)> = alarms.iter().map(|(event, _)| (event.log.as_str(), event.seq)).collect();
    related.retain(|event| belongs(event) && !told.contains(&(event.log.as_str(), event.seq)));
    let more = related.len().saturating_sub(RELATED);
    related.truncate(RELATED);
    let priority = alarms.iter().filter_map(|(event, _)| event.alarm()?.priority.known()).max();
    let unacknowledged_for_s = unacknowledged_ms.map(|ms| ms / 1000);
    let subject = subject(&first, priority, alarms.len(), unacknowledged_for_s);
    let mut text = String::new();
    if let Some(seconds) = unacknowledged_for_s {
        line(&mut text, &format!("Nobody has acknowledged this for {}.", spoken(seconds)));
        text.push('\n');
    }
    for (event, now) in &alarms {
        about(&mut text, event, now.as_ref(), zone);
        text.push('\n');
    }
    if !related.is_empty() {
        line(&mut text, "What belongs to it:");
        for event in &related {
            line(&mut text, &format!("  {} {}", time(event.t, zone), event.text));
        }
        if more > 0 {
            line(&mut text, &format!("  … and {more} more."));
        }
        text.push('\n');
    }
    if given_up > 0 {
        line(&mut text, &format!("{given_up} older messages to {recipient} were given up: they did not get through."));
        text.push('\n');
    }
    line(&mut text, &format!("{} {}; event {} of log {}.", first.site, first.module, first.seq, first.log));
    let id = format!("{}-{}-{recipient}", first.log, first.seq);
    let incident = first.alarm().and_then(|change| change.incident);
    let thread = incident.map(|incident| format!("{}-incident-{incident}", first.log));
    let notification = Notification {
        schema: SCHEMA,
        id: id.clone(),
        recipient: recipient.to_owned(),
        site: first.site.clone(),
        module: first.module.clone(),
        mode: first.mode.clone(),
        text: first.text.clone(),
        priority: priority.map(Word::from),
        unacknowledged_for_s,
        test: false,
        alarms: alarms.into_iter().map(|(event, _)| event).collect(),
        related,
        given_up: (given_up > 0).then_some(given_up),
    };
    Some(Message { id, subject, text, thread, body: bytes(&notification) })
}

/// A message that says only that messages get through.
pub(super) fn test_message(recipient: &str, site: &str, module: &str, t_ms: i64, zone: &TimeZone) -> Message {
    let said = format!("This is a test message from {site} {module}: no alarm, nothing to do.");
    let text = format!("{said}\n\nSent {} to {recipient}.\n", time(t_ms, zone));
    let id = format!("test-{t_ms}-{recipient}");
    let notification = Notification {
        schema: SCHEMA,
        id: id.clone(),
        recipient: recipient.to_owned(),
        site: site.to_owned(),
        module: module.to_owned(),
        mode: Word::from(Mode::Test),
        text: said,
        priority: None,
        unacknowledged_for_s: None,
        test: true,
        alarms: Vec::new(),
        related: Vec::new(),
        given_up: None,
    };
    let subject = format!("{site} {module}: test message");
    Message { id, subject, text, thread: None, body: bytes(&notification) }
}

fn bytes(notification: &Notification) -> Vec<u8> {
    serde_json::to_vec(notification).expect("invariant: text keys and finite numbers only")
}

/// Raises that nobody is told of by themselves.
fn belongs(event: &Event) -> bool {
    event.alarm().is_some_and(|change| change.to.known() == Some(ShownState::Unacknowledged) && !change.announced)
}

fn subject(first: &Event, priority: Option<Priority>, alarms: usize, unacknowledged_for_s: Option<u64>) -> String {
    let mode = match first.mode.known() {
        Some(Mode::Live) | None => String::new(),
        Some(Mode::Test | Mode::Maintenance | Mode::Simulated) => format!("[{}] ", first.mode.as_str().to_uppercase()),
    };
    let priority = priority.map(|priority| format!(", {}", priority.word())).unwrap_or_default();
    let passed = unacknowledged_for_s.map(|_| "not acknowledged: ").unwrap_or_default();
    let more = if alarms > 1 { format!(" (and {} more)", alarms - 1) } else { String::new() };
    let all = format!("{mode}{} {}{priority}: {passed}{}{more}", first.site, first.module, first.text);
    // A header has no line ends of its own, and a long one helps nobody.
    let mut plain: String = all.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    lapwing_protocol::text::shorten(&mut plain, 200);
    plain
}

fn about(text: &mut String, event: &Event, now: Option<&AlarmRecord>, zone: &TimeZone) {
    match &event.detail {
        Detail::Alarm(change) => alarm(text, event, change, now, zone),
        Detail::Operator(_)
        | Detail::Link(_)
        | Detail::Device(_)
        | Detail::Agent(_)
        | Detail::Clock(_)
        | Detail::Store(_)
        | Detail::Config(_)
        | Detail::Other(_) => line(text, &event.text),
    }
}

fn alarm(text: &mut String, event: &Event, change: &AlarmChange, now: Option<&AlarmRecord>, zone: &TimeZone) {
    line(text, &format!("{}: {}", change.priority.as_str().to_uppercase(), event.text));
    let mut field = |label: &str, said: &str| {
        if !said.is_empty() {
            line(text, &format!("  {label:<9}{said}"));
        }
    };
    let place = match (&change.location, &change.tag) {
        (Some(location), Some(tag)) => format!("{location} ({tag})"),
        (Some(place), None) | (None, Some(place)) => place.clone(),
        (None, None) => String::new(),
    };
    field("Where:", &place);
    field("Since:", &time(change.raised_at.unwrap_or(event.t), zone));
    field("Means:", &change.consequence);
    field("Look at:", &change.first_check);
    field("Do:", &change.response);
    field("Safety:", &change.safety);
    if let (Some(seconds), Some(left_to)) = (change.seconds_left, &change.left_to) {
        field("Left:", &format!("{} to {left_to} at this rate", spoken(u64::from(seconds))));
    }
    field("Read:", change.document.as_deref().unwrap_or_default());
    if let Some(seconds) = change.respond_within_s {
        field("Time:", &format!("within {}", spoken(u64::from(seconds))));
    }
    let Some(now) = now else { return };
    if now.occurrence != change.occurrence {
        field("Now:", "it has cleared and come again since");
    } else if now.state != change.to {
        field("Now:", words(now));
    }
}

/// What stands now, as people say it.
fn words(record: &AlarmRecord) -> &'static str {
    match record.state.known() {
        Some(ShownState::Normal) => "cleared",
        Some(ShownState::Unacknowledged) => "standing, not acknowledged",
        Some(ShownState::Acknowledged) => "standing, acknowledged",
        Some(ShownState::ReturnedUnacknowledged) => "cleared, not acknowledged",
        Some(ShownState::LatchedUnacknowledged) => "cleared and latched, not acknowledged",
        Some(ShownState::LatchedAcknowledged) => "cleared and latched, acknowledged",
        Some(ShownState::Shelved) => "shelved",
        Some(ShownState::Suppressed) => "suppressed",
        Some(ShownState::OutOfService) => "out of service",
        None => "in a state that this version does not know",
    }
}

/// One line of plain text: control characters cannot make another of it.
fn line(text: &mut String, said: &str) {
    text.extend(said.chars().map(|c| if c.is_control() { ' ' } else { c }));
    // Writing to a string cannot fail.
    let _infallible = writeln!(text);
}

fn time(t_ms: i64, zone: &TimeZone) -> String {
    let at = Timestamp::from_millisecond(t_ms).unwrap_or_default().to_zoned_datetime(zone.clone());
    at.strftime("%Y-%m-%d %H:%M:%S %:z").to_string()
}

/// Seconds as people say them.
fn spoken(seconds: u64) -> String {
    match (seconds / 3600, seconds / 60 % 60, seconds % 60) {
        (0, 0, s) => format!("{s} s"),
        (0, m, 0) => format!("{m} min"),
        (0, m, s) => format!("{m} min {s} s"),
        (h, 0, _) => format!("{h} h"),
        (h, m, _) => format!("{h} h {m} min"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notify::testing::event;

    fn material(alarms: Vec<(Event, Option<AlarmRecord>)>, related: Vec<Event>) -> Material<'static> {
        let zone: &'static TimeZone =
            Box::leak(Box::new(TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").expect("a zone")));
        Material { recipient: "shift", zone, alarms, related, unacknowledged_ms: None, given_up: 0 }
    }

    #[test]
    fn a_person_reads_what_stands_where_and_what_to_do() {
        let mut with = material(vec![(event(17, "supply-water-warm", 17, true), None)], vec![]);
        with.unacknowledged_ms = Some(600_000);
        with.given_up = 2;
        let message = message(with).expect("something to tell");
        assert_eq!(message.subject, "saltmarsh m1, high: not acknowledged: supply-water-warm stands.");
        let expected = "Nobody has acknowledged this for 10 min.\n\n\
            HIGH: supply-water-warm stands.\n  \
              Where:   coil bay, left (TT-101)\n  \
              Since:   2025-11-24 17:00:17 +01:00\n  \
              Means:   The coil cannot hold the cold aisle.\n  \
              Do:      Check the chiller plant.\n  \
              Time:    within 3 min\n\n\
            2 older messages to shift were given up: they did not get through.\n\n\
            saltmarsh m1; event 17 of log a3f0.\n";
        assert_eq!(message.text, expected);
        assert_eq!((message.id.as_str(), message.thread.as_deref()), ("a3f0-17-shift", Some("a3f0-incident-17")));
        let body: Notification = serde_json::from_slice(&message.body).expect("reads");
        assert_eq!((body.id, body.unacknowledged_for_s, body.given_up), (message.id, Some(600), Some(2)));
    }

    #[test]
    fn what_belongs_to_it_stands_below_and_nothing_twice() {
        let first = event(17, "pump-tripped", 17, true);
        let follows = event(18, "flow-low", 17, false);
        let announced = event(19, "inlet-hot", 17, true);
        let related = vec![first.clone(), follows, announced.clone()];
        let message = message(material(vec![(first, None), (announced, None)], related)).expect("a message");
        assert_eq!(message.text.matches("stands.").count(), 3);
        assert!(message.text.contains("What belongs to it:\n  2025-11-24 17:00:18 +01:00 flow-low stands.\n"));
        assert!(message.subject.ends_with("(and 1 more)"), "{}", message.subject);
        let body: Notification = serde_json::from_slice(&message.body).expect("reads");
        assert_eq!((body.alarms.len(), body.related.len()), (2, 1));
    }

    #[test]
    fn no_line_end_of_an_event_makes_a_header_or_a_line() {
        let mut bent = event(17, "a", 17, true);
        bent.text = "x\r\nBcc: evil@saltmarsh.example\r\n\r\nbody".into();
        let message = message(material(vec![(bent, None)], vec![])).expect("a message");
        assert!(!message.subject.contains(['\r', '\n']));
        assert!(!message.text.contains("\nBcc"), "{}", message.text);
    }

    #[test]
    fn nothing_to_tell_is_no_message() {
        assert_eq!(message(material(vec![], vec![])), None);
    }

    #[test]
    fn a_bounded_message() {
        let alarms: Vec<_> = (0..20).map(|n| (event(n, "a", 17, true), None)).collect();
        let related: Vec<_> = (100..600).map(|n| event(n, "b", 17, false)).collect();
        let message = message(material(alarms, related)).expect("a message");
        assert!(message.text.contains("… and 480 more."));
        assert!(message.body.len() < 200_000 && message.text.len() < 40_000);
    }
}
