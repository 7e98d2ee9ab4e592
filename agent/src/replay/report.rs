//! A replay in words and as JSON lines.
//!
//! Times are RFC 3339 in UTC. Decides no outcome. Never panics.

use std::fmt::Write as _;
use std::path::Path;
use std::time::Duration;

use serde_json::{Value, json};

use super::lives::{Compared, Life, Sum, differ};
use super::{Change, Replayed};
use crate::core::clock::rfc3339;
use crate::core::figures::Asked;

/// Points named one by one; more are counted.
const NAMED: usize = 8;
/// Alarms told most often that are named.
const TOP: usize = 5;

/// For people.
#[must_use]
pub fn in_words(replayed: &Replayed, config: &Path) -> String {
    let mut out = String::new();
    head(&mut out, replayed, config);
    settings(&mut out, replayed);
    limits(&mut out, replayed);
    out.push('\n');
    totals(&mut out, replayed);
    figures(&mut out, replayed);
    for compared in replayed.alarms.iter().filter(|compared| compared.differs()) {
        out.push('\n');
        alarm(&mut out, compared);
    }
    out.push('\n');
    verdict(&mut out, replayed);
    out
}

// What is written into a String always fits.

fn head(out: &mut String, replayed: &Replayed, config: &Path) {
    let _fits = writeln!(
        out,
        "Replayed {} to {}: {}, {} of {} in {:.2} s, {:.0} times as fast as it happened.",
        rfc3339(replayed.from),
        rfc3339(replayed.to),
        span(replayed.span),
        count(replayed.readings, "reading"),
        count(replayed.points as u64, "point"),
        replayed.took.as_secs_f64(),
        speed(replayed)
    );
    let starts = if replayed.starts == 0 {
        String::new()
    } else {
        format!(" {} of the agent in it.", count(replayed.starts as u64, "start"))
    };
    let _fits = writeln!(out, "Judged by {}.{starts}", config.display());
}

fn settings(out: &mut String, replayed: &Replayed) {
    let changes = &replayed.changes;
    if let Some(why) = &changes.unknown {
        let _fits = writeln!(out, "Settings of then are not known: {}", why.trim_end());
    }
    if changes.is_empty() {
        out.push_str("The settings are those of then.\n");
        return;
    }
    let mut said = Vec::new();
    if changes.alarms() > 0 {
        said.push(format!("{} set otherwise", count(changes.alarms() as u64, "alarm")));
    }
    if !changes.added.is_empty() {
        said.push(format!("{} new", changes.added.len()));
    }
    if !changes.removed.is_empty() {
        said.push(format!("{} gone", changes.removed.len()));
    }
    if !said.is_empty() {
        let _fits = writeln!(out, "Against the settings of then: {}.", said.join(", "));
    }
    if changes.thens > 1 {
        let _fits = writeln!(out, "In this time {} different settings were in force.", changes.thens);
    }
    for around in changes.around.iter().take(NAMED) {
        let _fits = writeln!(out, "Also changed: {around}.");
    }
    if changes.around.len() > NAMED {
        let _fits = writeln!(out, "Also changed: {} more.", changes.around.len() - NAMED);
    }
}

/// What this replay cannot know.
fn limits(out: &mut String, replayed: &Replayed) {
    if !replayed.from_begin {
        let _fits = writeln!(
            out,
            "What stood before {} is taken from the event log; readings are played from then on, so that delays and rates \
             are known when the range begins.",
            rfc3339(replayed.warm_from)
        );
        if let Some(longest) = replayed.not_known {
            let _fits = writeln!(
                out,
                "Not known at its begin: delays that had run for longer; the longest of these settings is {}.",
                span(longest)
            );
        }
    }
    if replayed.holes > 0 {
        let _fits = writeln!(
            out,
            "The history has {}; behind each, states are those of the event log and delays begin anew.",
            count(replayed.holes as u64, "hole")
        );
    }
    if replayed.dropped > 0 {
        let _fits = writeln!(out, "{} are missing: the disk did not keep up then.", count(replayed.dropped, "reading"));
    }
    if replayed.refused > 0 {
        let _fits = writeln!(
            out,
            "{} that people did then found nothing to act on with these settings.",
            count(replayed.refused, "thing")
        );
    }
    if !replayed.missing.is_empty() {
        let named: Vec<&str> = replayed.missing.iter().take(NAMED).map(String::as_str).collect();
        let more = replayed.missing.len().saturating_sub(NAMED);
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        let _fits = writeln!(
            out,
            "Not judged, because the history does not have them in this unit: {}{more}.",
            named.join(", ")
        );
    }
    for loss in &replayed.losses {
        let _fits = writeln!(out, "Left out because it is damaged: {loss}.");
    }
}

fn totals(out: &mut String, replayed: &Replayed) {
    if replayed.alarms.is_empty() {
        out.push_str("No alarm was raised then, and none is now.\n");
        return;
    }
    let width = replayed.alarms.iter().map(|compared| compared.id.chars().count()).max().unwrap_or(0).max(10);
    let _fits = writeln!(out, "{:width$}  {:^24}  {:^24}", "", "then", "now");
    let _fits = writeln!(
        out,
        "{:width$}  {:>6} {:>11} {:>5}  {:>6} {:>11} {:>5}",
        "alarm", "raised", "stood", "told", "raised", "stood", "told"
    );
    let (mut then, mut now) = (Sum::default(), Sum::default());
    for compared in &replayed.alarms {
        let mark = if compared.differs() { "  *" } else { "" };
        let _fits = writeln!(out, "{:width$}  {}  {}{mark}", compared.id, sum(&compared.then), sum(&compared.now));
        add(&mut then, &compared.then);
        add(&mut now, &compared.now);
    }
    let _fits = writeln!(out, "{:width$}  {}  {}", "all", sum(&then), sum(&now));
}

/// What was asked of people: figures of the alarm system.
fn figures(out: &mut String, replayed: &Replayed) {
    let (then, now) = &replayed.asked;
    if then.announced == 0 && now.announced == 0 {
        return;
    }
    let _fits = writeln!(out, "\n{:<22}  {:>8}  {:>8}", "asked of people", "then", "now");
    let mut row = |name: &str, of: &dyn Fn(&Asked) -> String| {
        let _fits = writeln!(out, "{name:<22}  {:>8}  {:>8}", of(then), of(now));
    };
    let percent = |share: f64| format!("{share:.1} %");
    row("told in all", &|asked| asked.announced.to_string());
    row("most in ten minutes", &|asked| asked.most_in_10_min.to_string());
    row("time in flood", &|asked| percent(asked.in_flood_share));
    row("critical", &|asked| percent(asked.share_critical));
    row("high", &|asked| percent(asked.share_high));
    row("medium", &|asked| percent(asked.share_medium));
    row("low", &|asked| percent(asked.share_low));
    row("gone within 5 s", &|asked| asked.fleeting.to_string());
    row("alarms that chattered", &|asked| asked.chattering.to_string());
    for (which, asked) in [("then", then), ("now", now)] {
        let top: Vec<String> = asked.top.iter().take(TOP).map(|top| format!("{} ({})", top.alarm, top.count)).collect();
        if !top.is_empty() {
            let _fits = writeln!(out, "told most often {which}: {}", top.join(", "));
        }
    }
}

fn add(all: &mut Sum, one: &Sum) {
    all.raised += one.raised;
    all.stood_ms += one.stood_ms;
    all.told += one.told;
}

fn sum(sum: &Sum) -> String {
    format!("{:>6} {:>11} {:>5}", sum.raised, span(Duration::from_millis(sum.stood_ms)), sum.told)
}

fn alarm(out: &mut String, compared: &Compared) {
    let changed: Vec<String> = compared.changed.iter().map(change).collect();
    let because = if changed.is_empty() { "its own settings are the same".to_owned() } else { changed.join(", ") };
    let _fits = writeln!(out, "{}: {because}", compared.id);
    for (then, now) in compared.lives.iter().filter(|(then, now)| differ(then.as_ref(), now.as_ref())) {
        let _fits = match (then, now) {
            (Some(then), Some(now)) => writeln!(out, "  then {}; now {}", life(then), life(now)),
            (Some(then), None) => writeln!(out, "  then {}; now not raised", life(then)),
            (None, Some(now)) => writeln!(out, "  then not raised; now {}", life(now)),
            (None, None) => Ok(()),
        };
    }
    for (key, sum) in &compared.alone {
        let _fits = writeln!(
            out,
            "  {key} alone: raised {}, stood {}, told {}",
            sum.raised,
            span(Duration::from_millis(sum.stood_ms)),
            sum.told
        );
    }
}

fn change(change: &Change) -> String {
    let or_none = |text: &str| if text.is_empty() { "none".to_owned() } else { text.to_owned() };
    let when = match (change.since, change.until) {
        (None, None) => String::new(),
        (Some(since), None) => format!(" (since {})", rfc3339(since)),
        (None, Some(until)) => format!(" (until {})", rfc3339(until)),
        (Some(since), Some(until)) => format!(" ({} to {})", rfc3339(since), rfc3339(until)),
    };
    format!("{} {} → {}{when}", change.key, or_none(&change.then), or_none(&change.now))
}

fn life(life: &Life) -> String {
    let stood = match (life.raised, life.cleared) {
        (Some(raised), Some(cleared)) => {
            format!("{} for {}", rfc3339(raised), span(ms(cleared.saturating_sub(raised))))
        }
        (Some(raised), None) => format!("{} and still at the end", rfc3339(raised)),
        (None, Some(cleared)) => format!("from before until {}", rfc3339(cleared)),
        (None, None) => "from before and still at the end".into(),
    };
    let told = match (&life.follows, life.told) {
        (_, true) => ", told".to_owned(),
        (Some(cause), false) => format!(", not told by itself: it follows {cause}"),
        (None, false) => ", not told".to_owned(),
    };
    stood + &told
}

fn verdict(out: &mut String, replayed: &Replayed) {
    let (then, now, same) = replayed.events;
    let _fits = if then == now && now == same {
        writeln!(out, "{} of the event log come again, to the millisecond.", count(then as u64, "alarm event"))
    } else {
        writeln!(
            out,
            "{} of the event log, {} now; {same} of them are the same to the millisecond.",
            count(then as u64, "alarm event"),
            now
        )
    };
}

/// For programs: what was replayed, each alarm with its lives, and the sum.
#[must_use]
pub fn in_json(replayed: &Replayed, config: &Path) -> Vec<Value> {
    let changes = &replayed.changes;
    let mut lines = vec![json!({ "replay": {
        "from": replayed.from, "to": replayed.to, "config": config.display().to_string(),
        "starts": replayed.starts, "from_begin": replayed.from_begin, "readings_from": replayed.warm_from,
        "not_known_before_s": replayed.not_known.map(|longest| longest.as_secs()),
        "holes": replayed.holes, "dropped": replayed.dropped, "refused": replayed.refused,
        "not_judged": replayed.missing, "damaged": replayed.losses.iter().map(ToString::to_string).collect::<Vec<_>>(),
        "settings": {
            "same": changes.is_empty(), "unknown": changes.unknown, "alarms": changes.alarms(), "added": changes.added,
            "removed": changes.removed, "around": changes.around, "of_then": changes.thens,
        },
    }})];
    let sum = |sum: &Sum| json!({ "raised": sum.raised, "stood_ms": sum.stood_ms, "told": sum.told });
    let life = |life: &Option<Life>| {
        life.as_ref().map(|life| {
            json!({ "occurrence": life.occurrence, "raised": life.raised, "cleared": life.cleared, "told": life.told,
                    "follows": life.follows })
        })
    };
    for compared in &replayed.alarms {
        let lives: Vec<Value> =
            compared.lives.iter().map(|(then, now)| json!({ "then": life(then), "now": life(now) })).collect();
        let alone: serde_json::Map<String, Value> =
            compared.alone.iter().map(|(key, alone)| ((*key).to_owned(), sum(alone))).collect();
        lines.push(json!({ "alarm": {
            "id": compared.id, "differs": compared.differs(), "then": sum(&compared.then), "now": sum(&compared.now),
            "changed": compared.changed, "alone": alone, "lives": lives,
        }}));
    }
    let (then, now, same) = replayed.events;
    lines.push(json!({ "summary": {
        "events_then": then, "events_now": now, "events_same": same,
        "figures": { "then": replayed.asked.0, "now": replayed.asked.1 },
        "alarms": replayed.alarms.len(), "differ": replayed.alarms.iter().filter(|compared| compared.differs()).count(),
        "readings": replayed.readings, "points": replayed.points, "seconds": replayed.span.as_secs_f64(),
        "took_s": replayed.took.as_secs_f64(), "times_real_time": speed(replayed).round(),
    }}));
    lines
}

fn speed(replayed: &Replayed) -> f64 {
    replayed.span.as_secs_f64() / replayed.took.as_secs_f64().max(1e-9)
}

fn ms(ms: i64) -> Duration {
    Duration::from_millis(u64::try_from(ms).unwrap_or(0))
}

fn count(n: u64, one: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") }
}

/// A length of time as people say it.
fn span(duration: Duration) -> String {
    let seconds = duration.as_secs();
    match (seconds / 86_400, seconds / 3600 % 24, seconds / 60 % 60, seconds % 60) {
        (0, 0, 0, _) => format!("{:.1} s", duration.as_secs_f64()),
        (0, 0, minutes, seconds) => format!("{minutes} min {seconds} s"),
        (0, hours, minutes, _) => format!("{hours} h {minutes} min"),
        (days, hours, ..) => format!("{days} d {hours} h"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_said_as_people_say_them() {
        let said = |ms: u64| span(Duration::from_millis(ms));
        assert_eq!(said(1250), "1.2 s");
        assert_eq!(said(123_000), "2 min 3 s");
        assert_eq!(said(3_720_000), "1 h 2 min");
        assert_eq!(said(90_000_000), "1 d 1 h");
    }

    #[test]
    fn a_life_is_told_with_its_ends() {
        let told = |raised, cleared, told, follows: Option<&str>| {
            life(&Life { occurrence: 1, raised, cleared, told, follows: follows.map(str::to_owned) })
        };
        assert_eq!(told(Some(0), Some(1500), true, None), "1970-01-01T00:00:00.000Z for 1.5 s, told");
        assert_eq!(told(None, None, false, None), "from before and still at the end, not told");
        assert!(told(None, Some(5), false, Some("pump-trip")).ends_with("it follows pump-trip"));
    }
}
