//! The tables of a language's file, key by key; the English file is their documentation.
//!
//! A key that is missing in a file, or one too many, is an error when it is read. Decides nothing. Never panics.

use serde::Deserialize;

/// What is said of transitions.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)] // the English file is the documentation
pub struct Tell {
    pub unknown_rate: String,
    pub all_points: String,
    pub quoted: String,
    pub by: String,
    pub elsewhere: String,
    pub cleared: String,
    pub cleared_at: String,
    pub acknowledged: String,
    pub reset: String,
    pub shelved: String,
    pub unshelved: String,
    pub shelf_ended: String,
    pub suppressed: String,
    pub released: String,
    pub suppression_ended: String,
    pub removed: String,
    pub returned: String,
    pub follows: String,
    pub follows_tie: String,
    pub explains: String,
    pub explains_tie: String,
    pub found_so: String,
    pub r#where: String,
    pub test: String,
    pub maintenance: String,
    pub simulated: String,
}

/// What people did.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)] // the English file is the documentation
pub struct Operator {
    pub acknowledges: String,
    pub acknowledges_incident: String,
    pub resets: String,
    pub shelves: String,
    pub shelves_once: String,
    pub unshelves: String,
    pub removes: String,
    pub returns: String,
    pub suppresses: String,
    pub releases: String,
    pub sets_mode: String,
    pub confirms: String,
    pub notes: String,
    pub notes_on: String,
    pub because: String,
    pub refused: String,
    pub nobody: String,
    pub an_alarm: String,
}

/// What has changed around the alarms.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)] // the English file is the documentation
pub struct Change {
    pub mode: String,
    pub mode_until: String,
    pub by_hand: String,
    pub time_over: String,
    pub rule_limit: String,
    pub rule_started: String,
    pub rule_ended: String,
    pub chatters: String,
    pub flood_begun: String,
    pub flood_ended: String,
    pub recipient_reached: String,
    pub recipient_not_reached: String,
}

/// What a recipient reads.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)] // the English file is the documentation
pub struct Message {
    pub unacknowledged: String,
    pub not_acknowledged: String,
    pub and_more: String,
    pub belongs: String,
    pub more: String,
    pub given_up: String,
    pub source: String,
    pub place: String,
    pub stake: String,
    pub since: String,
    pub means: String,
    pub look: String,
    pub act: String,
    pub safety: String,
    pub left: String,
    pub left_to: String,
    pub read: String,
    pub time: String,
    pub within: String,
    pub now: String,
    pub come_again: String,
    pub test: String,
    pub test_sent: String,
    pub test_subject: String,
}

/// The agent's own alarms.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)] // the English file is the documentation
pub struct Own {
    pub link: OwnAlarm,
    pub line: OwnAlarm,
    pub masters: OwnAlarm,
    pub device: OwnAlarm,
    pub identity: OwnAlarm,
    pub map: OwnAlarm,
    pub point: OwnAlarm,
    pub store: OwnAlarm,
    pub clock: OwnAlarm,
    pub disk: OwnAlarm,
    pub unsent: OwnAlarm,
    pub certificate: OwnAlarm,
    pub certificate_ends: OwnAlarm,
    pub certificate_unreadable: OwnAlarm,
    pub mail: OwnAlarm,
    pub webhook: OwnAlarm,
}

/// One of them.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OwnAlarm {
    /// Its sentence.
    pub text: String,
    /// What follows if nobody acts.
    pub consequence: String,
    /// What to do.
    pub response: String,
    /// What to look at first.
    pub first_check: String,
}

/// Which racks hang on what an alarm is about.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)] // the English file is the documentation
pub struct Feeds {
    pub one: String,
    pub several: String,
    pub all: String,
    pub after_one: String,
    pub after_several: String,
}

/// What links and devices do.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)] // the English file is the documentation
pub struct Field {
    pub link_works: String,
    pub link_failed: String,
    pub device_answers: String,
    pub device_silent: String,
    pub identity_fits: String,
    pub identity_differs: String,
    pub another_master: String,
    pub one_master: String,
    pub gives_all: String,
    pub lacks: String,
    pub lacks_because: String,
    pub of_device: String,
    pub of_none: String,
    pub only_point: String,
    pub all_of: String,
    pub some_of: String,
    pub list: String,
    pub list_more: String,
}

/// What the agent itself does.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)] // the English file is the documentation
pub struct Agent {
    pub started: String,
    pub point: String,
    pub points: String,
    pub link: String,
    pub links: String,
    pub alarm: String,
    pub alarms: String,
    pub not_normal: String,
    pub not_normal_more: String,
    pub not_ended: String,
    pub stops: String,
    pub stops_anew: String,
    pub alarm_removed: String,
    pub broker_reached: String,
    pub broker_lost: String,
    pub commands_unheard: String,
    pub commands_unproved: String,
    pub packet_refused: String,
    pub clock_forward: String,
    pub clock_back: String,
}

/// What becomes of event store and history.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)] // the English file is the documentation
pub struct Store {
    pub takes_none: String,
    pub takes_again: String,
    pub takes_again_lost: String,
    pub put_back: String,
    pub put_back_kept: String,
    pub disk_is_there: String,
    pub another_disk: String,
    pub set_aside: String,
    pub memory_only: String,
    pub damaged: String,
    pub event_damaged: String,
    pub new: String,
    pub older_copy: String,
    pub no_history: String,
    pub history_damaged: String,
    pub history_more_damaged: String,
    pub history_failing: String,
    pub history_works: String,
    pub history_lost: String,
}

/// What a changed configuration brings.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)] // the English file is the documentation
pub struct Config {
    pub refused: String,
    pub same: String,
    pub changed: String,
    pub points: String,
    pub alarms: String,
    pub links: String,
    pub count_added: String,
    pub count_removed: String,
    pub count_changed: String,
    pub mode: String,
}
