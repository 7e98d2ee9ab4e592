//! From events to a message: what a person reads in a mail, and the body of a POST.
//!
//! The sentences are the events' own; this room orders them: first what stands and what to do, then what belongs to it,
//! then what has become of it since, in the site's language. Times are shown in the site's zone. Never panics.

use std::fmt::Write as _;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use lapwing_protocol::event::Detail;
use lapwing_protocol::{AlarmChange, AlarmRecord, Event, Mode, Notification, Priority, SCHEMA, ShownState, Word};

use crate::plan::Module;
use crate::words::{Words, filled, lasting};

/// Related alarms told in one message; more are counted.
const RELATED: usize = 20;

/// What a message is made of.
#[derive(Debug)]
pub(super) struct Material<'a> {
    pub(super) recipient: &'a str,
    pub(super) zone: &'a TimeZone,
    pub(super) words: &'static Words,
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
    let Material { recipient, zone, words, alarms, mut related, unacknowledged_ms, given_up } = material;
    let say = &words.message;
    let first = alarms.first().map(|(event, _)| event.clone())?;
    let told: Vec<(&str, u64)> = alarms.iter().map(|(event, _)| (event.log.as_str(), event.seq)).collect();
    related.retain(|event| belongs(event) && !told.contains(&(event.log.as_str(), event.seq)));
    let more = related.len().saturating_sub(RELATED);
    related.truncate(RELATED);
    let priority = alarms.iter().filter_map(|(event, _)| event.alarm()?.priority.known()).max();
    let unacknowledged_for_s = unacknowledged_ms.map(|ms| ms / 1000);
    let subject = subject(words, &first, priority, alarms.len(), unacknowledged_for_s);
    let mut text = String::new();
    if let Some(seconds) = unacknowledged_for_s {
        line(&mut text, &filled(&say.unacknowledged, &[("time", &lasting(seconds))]));
        text.push('\n');
    }
    for (event, now) in &alarms {
        about(&mut text, words, event, now.as_ref(), zone);
        text.push('\n');
    }
    if !related.is_empty() {
        line(&mut text, &say.belongs);
        for event in &related {
            line(&mut text, &format!("  {} {}", time(event.t, zone), event.text));
        }
        if more > 0 {
            line(&mut text, &format!("  {}", filled(&say.more, &[("count", &more.to_string())])));
        }
        text.push('\n');
    }
    if given_up > 0 {
        line(&mut text, &filled(&say.given_up, &[("count", &given_up.to_string()), ("recipient", recipient)]));
        text.push('\n');
    }
    let gaps = [
        ("site", first.site.as_str()),
        ("module", &first.module),
        ("seq", &first.seq.to_string()),
        ("log", &first.log),
    ];
    line(&mut text, &filled(&say.source, &gaps));
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
pub(super) fn test_message(recipient: &str, module: &Module, t_ms: i64) -> Message {
    let say = &Words::of(module.language).message;
    let (site, module, zone) = (module.site.as_str(), module.name.as_str(), &module.time_zone);
    let named = [("site", site), ("module", module)];
    let said = filled(&say.test, &named);
    let sent = filled(&say.test_sent, &[("time", &time(t_ms, zone)), ("recipient", recipient)]);
    let text = format!("{said}\n\n{sent}\n");
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
    let subject = filled(&say.test_subject, &named);
    Message { id, subject, text, thread: None, body: bytes(&notification) }
}

fn bytes(notification: &Notification) -> Vec<u8> {
    serde_json::to_vec(notification).expect("invariant: text keys and finite numbers only")
}

/// Raises that nobody is told of by themselves.
fn belongs(event: &Event) -> bool {
    event.alarm().is_some_and(|change| change.to.known() == Some(ShownState::Unacknowledged) && !change.announced)
}

fn subject(
    words: &Words,
    first: &Event,
    priority: Option<Priority>,
    alarms: usize,
    unacknowledged_for_s: Option<u64>,
) -> String {
    let say = &words.message;
    let mode = match first.mode.known() {
        Some(Mode::Live) | None => String::new(),
        Some(mode @ (Mode::Test | Mode::Maintenance | Mode::Simulated)) => {
            format!("[{}] ", words.mode(mode).to_uppercase())
        }
    };
    let priority = priority.map(|priority| format!(", {}", words.priority(priority))).unwrap_or_default();
    let mut said = first.text.clone();
    if unacknowledged_for_s.is_some() {
        said = filled(&say.not_acknowledged, &[("sentence", &said)]);
    }
    if alarms > 1 {
        said = filled(&say.and_more, &[("sentence", &said), ("count", &(alarms - 1).to_string())]);
    }
    let all = format!("{mode}{} {}{priority}: {said}", first.site, first.module);
    // A header has no line ends of its own, and a long one helps nobody.
    let mut plain: String = all.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    lapwing_protocol::text::shorten(&mut plain, 200);
    plain
}

fn about(text: &mut String, words: &Words, event: &Event, now: Option<&AlarmRecord>, zone: &TimeZone) {
    match &event.detail {
        Detail::Alarm(change) => alarm(text, words, event, change, now, zone),
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

fn alarm(
    text: &mut String,
    words: &Words,
    event: &Event,
    change: &AlarmChange,
    now: Option<&AlarmRecord>,
    zone: &TimeZone,
) {
    let say = &words.message;
    let priority = change.priority.known().map_or(change.priority.as_str(), |priority| words.priority(priority));
    line(text, &format!("{}: {}", priority.to_uppercase(), event.text));
    let labels = [
        &say.stake,
        &say.place,
        &say.since,
        &say.means,
        &say.look,
        &say.act,
        &say.safety,
        &say.left,
        &say.read,
        &say.time,
        &say.now,
    ];
    let width = labels.into_iter().map(|label| label.chars().count()).max().unwrap_or(0) + 1;
    let mut field = |label: &str, said: &str| {
        if !said.is_empty() {
            line(text, &format!("  {label:<width$}{said}"));
        }
    };
    let place = match (&change.location, &change.tag) {
        (Some(location), Some(tag)) => format!("{location} ({tag})"),
        (Some(place), None) | (None, Some(place)) => place.clone(),
        (None, None) => String::new(),
    };
    field(&say.stake, change.impact.known().map_or("", |impact| words.impact(impact)));
    field(&say.place, &place);
    field(&say.since, &time(change.raised_at.unwrap_or(event.t), zone));
    field(&say.means, &change.consequence);
    field(&say.look, &change.first_check);
    field(&say.act, &change.response);
    field(&say.safety, &change.safety);
    if let (Some(seconds), Some(limit)) = (change.seconds_left, &change.left_to) {
        field(&say.left, &filled(&say.left_to, &[("time", &lasting(u64::from(seconds))), ("limit", limit)]));
    }
    field(&say.read, change.document.as_deref().unwrap_or_default());
    if let Some(seconds) = change.respond_within_s {
        field(&say.time, &filled(&say.within, &[("time", &lasting(u64::from(seconds)))]));
    }
    let Some(now) = now else { return };
    if now.occurrence != change.occurrence {
        field(&say.now, &say.come_again);
    } else if now.state != change.to {
        field(&say.now, words.state(now.state.known()));
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notify::testing::event;
    use crate::plan::Language;

    fn material(alarms: Vec<(Event, Option<AlarmRecord>)>, related: Vec<Event>) -> Material<'static> {
        let zone: &'static TimeZone =
            Box::leak(Box::new(TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").expect("a zone")));
        let words = Words::of(Language::English);
        Material { recipient: "shift", zone, words, alarms, related, unacknowledged_ms: None, given_up: 0 }
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
              At stake: Works with less reserve\n  \
              Where:    coil bay, left (TT-101)\n  \
              Since:    2025-11-24 17:00:17 +01:00\n  \
              Means:    The coil cannot hold the cold aisle.\n  \
              Do:       Check the chiller plant.\n  \
              Time:     within 3 min\n\n\
            2 older messages to shift were given up: they did not get through.\n\n\
            saltmarsh m1; event 17 of log a3f0.\n";
        assert_eq!(message.text, expected);
        assert_eq!((message.id.as_str(), message.thread.as_deref()), ("a3f0-17-shift", Some("a3f0-incident-17")));
        let body: Notification = serde_json::from_slice(&message.body).expect("reads");
        assert_eq!((body.id, body.unacknowledged_for_s, body.given_up), (message.id, Some(600), Some(2)));
    }

    #[test]
    fn the_same_in_the_language_of_the_site() {
        let related = vec![event(18, "flow-low", 17, false)];
        let mut with = material(vec![(event(17, "supply-water-warm", 17, true), None)], related);
        with.words = Words::of(Language::German);
        with.unacknowledged_ms = Some(600_000);
        let message = message(with).expect("something to tell");
        assert_eq!(message.subject, "saltmarsh m1, hoch: nicht quittiert: supply-water-warm stands.");
        let expected = "Seit 10 min hat das niemand quittiert.\n\n\
            HOCH: supply-water-warm stands.\n  \
              Lage:   Läuft mit weniger Reserve\n  \
              Wo:     coil bay, left (TT-101)\n  \
              Seit:   2025-11-24 17:00:17 +01:00\n  \
              Folge:  The coil cannot hold the cold aisle.\n  \
              Tun:    Check the chiller plant.\n  \
              Frist:  innerhalb von 3 min\n\n\
            Was dazugehört:\n  2025-11-24 17:00:18 +01:00 flow-low stands.\n\n\
            saltmarsh m1; Ereignis 17 im Protokoll a3f0.\n";
        assert_eq!(message.text, expected);
        let module =
            Module { site: "saltmarsh".into(), name: "m1".into(), language: Language::German, ..Module::default() };
        let test = test_message("shift", &module, 0);
        assert_eq!(test.subject, "saltmarsh m1: Probenachricht");
        assert!(test.text.starts_with("Dies ist eine Probenachricht von saltmarsh m1"), "{}", test.text);
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
