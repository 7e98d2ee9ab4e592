//! Counts what a run did: readings due and good, events, and for each alarm how often and how soon it was told.
//!
//! Only counts; decides nothing. Durations are seconds. The summary is what `demo` and `run` print at their end. Never
//! panics; counters saturate.

use std::collections::BTreeMap;

use lapwing_engine::alarm::load::Load;
use lapwing_engine::spec::Millis;
use lapwing_protocol::Priority;
use schemars::JsonSchema;
use serde::Serialize;

/// Counters of one run.
#[derive(Clone, Debug, Default)]
pub struct Figures {
    readings_due: u64,
    readings_good: u64,
    events: u64,
    alarms: BTreeMap<String, AlarmFigures>,
    worst_lateness_ms: u64,
    alarm_load: AlarmLoad,
    recent_lateness_ms: u64,
    skipped_scans: u64,
    /// Since when shares of the time are counted.
    since: Option<Millis>,
}

/// One alarm's share.
#[derive(Clone, Debug, Default, Serialize)]
pub struct AlarmFigures {
    /// How often it was raised.
    pub occurrences: u32,
    /// How often people were told; the other raises were attached to what was told already.
    pub announced: u32,
    /// How often it was gone within five seconds.
    #[serde(skip_serializing_if = "is_zero")]
    pub fleeting: u32,
    /// From the last fault of the simulator to its first raise after it, seconds; absent without a simulator.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub seconds_to_announce: Option<f64>,
}

/// What the alarm system asked of people: figures after ISA-18.2 clause 16 (from memory).
#[derive(Clone, Debug, Default, Serialize)]
pub struct AlarmLoad {
    /// Announcements.
    pub announced: u64,
    /// By priority.
    pub by_priority: BTreeMap<&'static str, u64>,
    /// Most in any ten minutes.
    pub most_in_ten_minutes: u32,
    /// Time spent in floods, s.
    pub flood_s: f64,
    /// The ten alarms that were announced most, with their numbers.
    pub top: Vec<(String, u32)>,
}

/// What the alarm system asks of people now, for whoever looks on; counted since the start where no time is named.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
pub struct Asked {
    /// Announced in the last ten minutes.
    pub per_10_min: u32,
    /// Announced in the last hour.
    pub per_hour: u32,
    /// Announced in the last day.
    pub per_day: u32,
    /// Announced.
    pub announced: u64,
    /// Most announced in any ten minutes.
    pub most_in_10_min: u32,
    /// A flood is on.
    pub flood: bool,
    /// Share of the time spent in floods, %.
    pub in_flood_share: f64,
    /// Alarms that stand and are shown.
    pub standing: u32,
    /// Alarms that stand for more than a day.
    pub stale: u32,
    /// Alarms that chatter.
    pub chattering: u32,
    /// Alarms gone within five seconds.
    pub fleeting: u32,
    /// Share of each priority in what was announced, %.
    pub share_critical: f64,
    /// The same.
    pub share_high: f64,
    /// The same.
    pub share_medium: f64,
    /// The same.
    pub share_low: f64,
    /// The alarms announced most, at most ten.
    pub top: Vec<TopAlarm>,
}

/// An alarm that is announced often.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct TopAlarm {
    /// Its id.
    pub alarm: String,
    /// How often it was announced.
    pub count: u32,
}

/// What a run did, as printed at its end.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Summary {
    /// Readings that should have come.
    pub readings_due: u64,
    /// Readings that came and were good.
    pub readings_good: u64,
    /// Good of those due.
    pub good_fraction: f64,
    /// Scans skipped because the one before was not done.
    pub scans_skipped: u64,
    /// Events numbered.
    pub events: u64,
    /// Alarms that were raised, by id.
    pub alarms: BTreeMap<String, AlarmFigures>,
    /// What the alarm system asked of people.
    pub alarm_load: AlarmLoad,
    /// Longest time from a reading to its judging, seconds.
    pub worst_scan_lateness_s: f64,
    /// Events the broker has not confirmed at the end.
    pub unsent_events: u64,
    /// Age of the oldest of them, seconds.
    pub oldest_unsent_event_s: f64,
}

impl Figures {
    /// A transaction brought this many readings, so many of them good, judged so long after they were taken.
    pub fn batch(&mut self, due: u64, good: u64, lateness_ms: u64) {
        self.readings_due = self.readings_due.saturating_add(due);
        self.readings_good = self.readings_good.saturating_add(good);
        self.worst_lateness_ms = self.worst_lateness_ms.max(lateness_ms);
        self.recent_lateness_ms = self.recent_lateness_ms.max(lateness_ms);
    }

    /// Scans were skipped, with so many readings in them.
    pub fn skipped(&mut self, scans: u64, readings: u64) {
        self.skipped_scans = self.skipped_scans.saturating_add(scans);
        self.readings_due = self.readings_due.saturating_add(readings);
    }

    /// Readings due and good so far.
    #[must_use]
    pub const fn readings(&self) -> (u64, u64) {
        (self.readings_due, self.readings_good)
    }

    /// Scans skipped so far.
    #[must_use]
    pub const fn skipped_scans(&self) -> u64 {
        self.skipped_scans
    }

    /// Longest time from a reading to its judging since the last call, ms.
    pub fn take_lateness_ms(&mut self) -> u64 {
        std::mem::take(&mut self.recent_lateness_ms)
    }

    /// An event was numbered.
    pub fn event(&mut self) {
        self.events = self.events.saturating_add(1);
    }

    /// An alarm was raised, so long after the last fault the simulator applied, if it applied one.
    pub fn raised(&mut self, id: &str, since_fault_s: Option<f64>) {
        let figures = self.alarms.entry(id.to_owned()).or_default();
        figures.occurrences = figures.occurrences.saturating_add(1);
        if figures.seconds_to_announce.is_none() {
            figures.seconds_to_announce = since_fault_s.map(|s| (s * 1000.0).round() / 1000.0);
        }
    }

    /// People were told of an alarm.
    pub fn announced(&mut self, id: &str, priority: Priority) {
        let count = self.alarm_load.by_priority.entry(priority.word()).or_default();
        *count = count.saturating_add(1);
        let figures = self.alarms.entry(id.to_owned()).or_default();
        figures.announced = figures.announced.saturating_add(1);
    }

    /// An alarm was gone before anybody could act.
    pub fn fleeting(&mut self, id: &str) {
        let figures = self.alarms.entry(id.to_owned()).or_default();
        figures.fleeting = figures.fleeting.saturating_add(1);
    }

    /// What the alarm system asked of people.
    pub fn load(&mut self, load: &Load, now: Millis) {
        self.alarm_load.announced = load.total();
        self.alarm_load.most_in_ten_minutes = load.most_in_ten_minutes();
        #[allow(clippy::cast_precision_loss)] // years in ms stay far below 2^52
        let flood_s = load.flood_ms(now) as f64 / 1000.0;
        self.alarm_load.flood_s = flood_s;
        let mut top: Vec<(&String, u32)> = self.alarms.iter().map(|(id, figures)| (id, figures.announced)).collect();
        top.retain(|(_, announced)| *announced > 0);
        top.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(b.0)));
        self.alarm_load.top = top.into_iter().take(10).map(|(id, count)| (id.clone(), count)).collect();
    }

    /// What the alarm system asks of people now. `standing`, `stale` and `chattering` count alarms.
    pub fn asked(&mut self, load: &Load, now: Millis, [standing, stale, chattering]: [u32; 3]) -> Asked {
        let since = *self.since.get_or_insert(now);
        self.load(load, now);
        let announced = self.alarm_load.announced;
        let share = |part: f64, whole: f64| if whole > 0.0 { (1000.0 * part / whole).round() / 10.0 } else { 0.0 };
        #[allow(clippy::cast_precision_loss)] // counts and ms stay far below 2^52
        let of = |priority: Priority| {
            let count = self.alarm_load.by_priority.get(priority.word()).copied().unwrap_or(0);
            share(count as f64, announced as f64)
        };
        #[allow(clippy::cast_precision_loss)]
        let in_flood_share = share(self.alarm_load.flood_s * 1000.0, now.since(since) as f64).min(100.0);
        Asked {
            per_10_min: load.within_minutes(10),
            per_hour: load.within_minutes(60),
            per_day: load.within_minutes(1440),
            announced,
            most_in_10_min: self.alarm_load.most_in_ten_minutes,
            flood: load.is_flood(),
            in_flood_share,
            standing,
            stale,
            chattering,
            fleeting: self.alarms.values().map(|figures| figures.fleeting).fold(0, u32::saturating_add),
            share_critical: of(Priority::Critical),
            share_high: of(Priority::High),
            share_medium: of(Priority::Medium),
            share_low: of(Priority::Low),
            top: self
                .alarm_load
                .top
                .iter()
                .map(|(alarm, count)| TopAlarm { alarm: alarm.clone(), count: *count })
                .collect(),
        }
    }

    /// The summary, with what still waits for the broker.
    #[must_use]
    pub fn summary(&self, unsent_events: u64, oldest_unsent_event_s: f64) -> Summary {
        #[allow(clippy::cast_precision_loss)] // counts of readings stay far below 2^52
        let good_fraction =
            if self.readings_due == 0 { 0.0 } else { self.readings_good as f64 / self.readings_due as f64 };
        #[allow(clippy::cast_precision_loss)]
        let worst_scan_lateness_s = self.worst_lateness_ms as f64 / 1000.0;
        Summary {
            readings_due: self.readings_due,
            readings_good: self.readings_good,
            good_fraction: (good_fraction * 1e6).round() / 1e6,
            scans_skipped: self.skipped_scans,
            events: self.events,
            alarms: self.alarms.clone(),
            alarm_load: self.alarm_load.clone(),
            worst_scan_lateness_s,
            unsent_events,
            oldest_unsent_event_s,
        }
    }
}

/// For serde: what is nothing is left out.
#[allow(clippy::trivially_copy_pass_by_ref)] // serde's form
fn is_zero(count: &u32) -> bool {
    *count == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_asked_of_people_in_shares() {
        let (mut figures, mut load) = (Figures::default(), Load::default());
        let none = figures.asked(&load, Millis(0), [0; 3]);
        assert_eq!(none, Asked::default(), "nothing was announced yet");
        for (n, priority) in [Priority::Low, Priority::Low, Priority::Low, Priority::Critical].into_iter().enumerate() {
            let at = Millis(1000 * n as u64);
            load.announced(at);
            figures.announced(if n < 2 { "door-open" } else { "flow-low" }, priority);
        }
        figures.fleeting("door-open");
        let asked = figures.asked(&load, Millis(60_000), [3, 1, 0]);
        assert_eq!((asked.per_10_min, asked.per_hour, asked.announced, asked.fleeting), (4, 4, 4, 1));
        assert_eq!((asked.standing, asked.stale, asked.chattering), (3, 1, 0));
        assert!((asked.share_low - 75.0).abs() < 1e-9 && (asked.share_critical - 25.0).abs() < 1e-9);
        assert!(!asked.flood && asked.in_flood_share == 0.0);
        assert_eq!(
            asked.top.iter().map(|one| (one.alarm.as_str(), one.count)).collect::<Vec<_>>(),
            [("door-open", 2), ("flow-low", 2)]
        );
        for n in 0..20 {
            load.announced(Millis(70_000 + n));
        }
        let flooded = figures.asked(&load, Millis(140_000), [0; 3]);
        assert!(flooded.flood && (flooded.in_flood_share - 50.0).abs() < 0.2, "{flooded:?}");
    }

    #[test]
    fn skipped_scans_count_as_due_and_the_first_announcement_stays() {
        let mut figures = Figures::default();
        figures.batch(9, 9, 3);
        figures.skipped(1, 1);
        figures.raised("flow-low", Some(2.4));
        figures.raised("flow-low", Some(40.0));
        let summary = figures.summary(0, 0.0);
        assert!((summary.good_fraction - 0.9).abs() < 1e-9);
        assert_eq!(summary.alarms["flow-low"].occurrences, 2);
        assert_eq!(summary.alarms["flow-low"].seconds_to_announce, Some(2.4));
    }
}
