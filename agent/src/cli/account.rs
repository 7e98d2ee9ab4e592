//! The live account: what happened, what it means, what to do, in time order and in plain sentences.
//!
//! Writes for a person who follows along on a terminal. It reads events as published and decides nothing. Times shown
//! are minutes and seconds since the start. Never panics.

use std::fmt::Write as _;
use std::time::Instant;

use lapwing_protocol::event::Detail;
use lapwing_protocol::{AlarmChange, Event, ShownState};

use super::output::Output;
use crate::core::figures::Summary;
use crate::core::run::Told;
use crate::plan::Language;
use crate::words::{Words, filled, lasting};

/// Width of the column that holds the time.
const INDENT: &str = "          ";

/// Tells a run to a person, or as JSON lines to a program.
#[derive(Clone, Debug)]
pub(super) struct Account {
    output: Output,
    json: bool,
    words: &'static Words,
    start: Instant,
}

impl Account {
    /// Begins now, in the module's language.
    #[must_use]
    pub(super) fn begin(output: Output, json: bool, language: Language) -> Self {
        Self { output, json, words: Words::of(language), start: Instant::now() }
    }

    /// A line for people only.
    #[cfg(feature = "demo")]
    pub(super) fn say(&self, text: &str) {
        if !self.json {
            self.output.line(text.to_owned());
        }
    }

    /// A sentence with its time, for people only.
    pub(super) fn tell(&self, text: &str) {
        if !self.json {
            self.output.line(format!("{}  {text}", self.stamp()));
        }
    }

    /// An object for programs only.
    pub(super) fn object(&self, value: &impl serde::Serialize) {
        if self.json {
            self.output.json(value);
        }
    }

    /// What the core did.
    pub(super) fn told(&self, told: &Told) {
        match told {
            Told::Event(payload) if self.json => self.output.line(String::from_utf8_lossy(payload).into_owned()),
            Told::Event(payload) => match serde_json::from_slice::<Event>(payload) {
                Ok(event) => self.tell(&sentence(self.words, &event)),
                Err(error) => tracing::error!(%error, "an event could not be read back; please report this"),
            },
            Told::State(text) => self.tell(text),
            Told::Fault => {}
        }
    }

    /// The end.
    pub(super) fn summary(&self, summary: &Summary) {
        if self.json {
            self.output.json(&serde_json::json!({ "summary": summary }));
            return;
        }
        for line in in_words(summary) {
            self.output.line(line);
        }
    }

    fn stamp(&self) -> String {
        let seconds = self.start.elapsed().as_secs();
        format!("{:02}:{:02}:{:02}", seconds / 3600, seconds / 60 % 60, seconds % 60)
    }
}

/// An event as a person reads it.
fn sentence(words: &Words, event: &Event) -> String {
    match &event.detail {
        Detail::Alarm(change) => alarm(words, event, change),
        Detail::Operator(_)
        | Detail::Link(_)
        | Detail::Device(_)
        | Detail::Agent(_)
        | Detail::Clock(_)
        | Detail::Store(_)
        | Detail::Config(_)
        | Detail::Other(_) => event.text.clone(),
    }
}

fn alarm(words: &Words, event: &Event, change: &AlarmChange) -> String {
    let raised = change.to.known() == Some(ShownState::Unacknowledged);
    if !raised {
        return event.text.clone();
    }
    // What follows from what was told is one line: the person has been told what to do.
    if change.follows.is_some() && !change.announced {
        return format!("  {}", event.text);
    }
    let priority = change.priority.known().map_or(change.priority.as_str(), |priority| words.priority(priority));
    let mut text = format!("{} — {}", priority.to_uppercase(), event.text);
    let say = &words.message;
    let mut line = |label: &str, said: &str| {
        if !said.is_empty() {
            // Writing to a string cannot fail.
            let _infallible = write!(text, "\n{INDENT}{label:<10}{said}");
        }
    };
    let place = match (&change.location, &change.tag) {
        (Some(location), Some(tag)) => format!("{location} ({tag})"),
        (Some(location), None) => location.clone(),
        (None, Some(tag)) => tag.clone(),
        (None, None) => String::new(),
    };
    line(&say.stake, change.impact.known().map_or("", |impact| words.impact(impact)));
    line(&say.place, &place);
    line(&say.means, &change.consequence);
    line(&say.look, &change.first_check);
    line(&say.act, &change.response);
    line(&say.safety, &change.safety);
    if let (Some(seconds), Some(left_to)) = (change.seconds_left, &change.left_to) {
        let time = lasting(u64::from(seconds));
        line(&say.left, &filled(&say.left_to, &[("time", &time), ("limit", left_to)]));
    }
    line(&say.read, change.document.as_deref().unwrap_or_default());
    if let Some(seconds) = change.respond_within_s {
        line(&say.time, &filled(&say.within, &[("time", &lasting(u64::from(seconds)))]));
    }
    text
}

fn in_words(summary: &Summary) -> Vec<String> {
    let mut lines = vec![
        String::new(),
        format!(
            "Readings: {} of {} due were good ({:.2} %); {} scans were skipped; the longest wait from reading to judging was {:.3} s.",
            summary.readings_good,
            summary.readings_due,
            summary.good_fraction * 100.0,
            summary.scans_skipped,
            summary.worst_scan_lateness_s
        ),
        format!("Events: {}, of which {} wait for the broker.", summary.events, summary.unsent_events),
    ];
    if summary.alarms.is_empty() {
        lines.push("No alarm was raised.".into());
    } else {
        let load = &summary.alarm_load;
        lines.push(format!(
            "People were told {}, at most {} in ten minutes. Alarms raised:",
            times(load.announced),
            times(u64::from(load.most_in_ten_minutes))
        ));
    }
    let mut alarms: Vec<_> = summary.alarms.iter().collect();
    alarms.sort_by(|a, b| {
        let key = |s: Option<f64>| s.unwrap_or(f64::INFINITY);
        key(a.1.seconds_to_announce).total_cmp(&key(b.1.seconds_to_announce))
    });
    for (id, figures) in alarms {
        let times = times(u64::from(figures.occurrences));
        let soon = figures.seconds_to_announce.map(|s| format!(", first {s:.1} s after the fault")).unwrap_or_default();
        let told = match figures.announced {
            0 if summary.alarm_load.announced == 0 => ", told nobody",
            0 => ", attached to what was told",
            _ => "",
        };
        lines.push(format!("  {id}: {times}{soon}{told}"));
    }
    lines
}

/// How often, as people say it.
fn times(count: u64) -> String {
    if count == 1 { "once".to_owned() } else { format!("{count} times") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_earliest_alarm_is_told_first() {
        let mut summary = Summary::default();
        for (id, after) in [("late", Some(20.0)), ("soon", Some(1.5)), ("unknown", None)] {
            summary.alarms.insert(
                id.into(),
                crate::core::figures::AlarmFigures {
                    occurrences: 1,
                    announced: 1,
                    fleeting: 0,
                    seconds_to_announce: after,
                },
            );
        }
        let lines = in_words(&summary);
        let place = |id: &str| lines.iter().position(|line| line.contains(id)).expect("listed");
        assert!(place("soon") < place("late") && place("late") < place("unknown"));
    }
}
