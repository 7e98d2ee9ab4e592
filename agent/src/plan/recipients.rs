//! The part of the Plan that concerns people who are told directly: who, how, of what, and when.
//!
//! Hours are those of the site's time zone, minutes of a week that begins on Monday; a stretch may cross midnight and the
//! end of the week. Decides who is told of an alarm at a wall time, ms since the Unix epoch. Never panics.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::time::Duration;

use jiff::Timestamp;
use jiff::civil::Weekday;
use jiff::tz::TimeZone;
use lapwing_protocol::Priority;

/// Minutes of a week.
pub const WEEK: u16 = 7 * 24 * 60;

/// One who is told directly.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Recipient {
    /// Name, unique.
    pub name: String,
    /// By what.
    pub way: Way,
    /// Priorities it is told of by itself; none: only what others pass on.
    pub priorities: Vec<Priority>,
    /// When it is told.
    pub hours: Hours,
    /// After this time without acknowledgement the next recipient is told too; its index.
    pub then: Option<(Duration, usize)>,
    /// The agent's own point that tells whether it is reached.
    pub state_point: u32,
}

/// How a recipient is reached.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Way {
    /// Electronic mail to this address.
    Email {
        /// The address.
        address: String,
    },
    /// A signed POST.
    Webhook(Webhook),
}

/// Where a signed POST goes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Webhook {
    /// Host name or address; the certificate must carry it.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// Path and query.
    pub path: String,
    /// File of the shared secret.
    pub secret_file: PathBuf,
    /// Certificate authority; `None`: the public ones.
    pub ca: Option<PathBuf>,
}

/// `[mail]`: the server that takes mail.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Mail {
    /// Host and port; `None`: there is none.
    pub server: Option<(String, u16)>,
    /// How the connection is protected.
    pub tls: MailTls,
    /// Certificate authority; `None`: the public ones.
    pub ca: Option<PathBuf>,
    /// User name, if the server asks.
    pub user: Option<String>,
    /// File of the password.
    pub password_file: Option<PathBuf>,
    /// Address that mail comes from.
    pub from: String,
}

/// How the connection to the mail server is protected; never not at all.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum MailTls {
    /// TLS from the first byte (RFC 8314 §3.3, port 465).
    #[default]
    Implicit,
    /// STARTTLS, without which nothing is sent (RFC 3207).
    StartTls,
}

/// When a recipient is told: stretches of minutes of the week, first included, last not. A stretch whose end lies before
/// its beginning goes over the end of the week.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Hours(pub Vec<(u16, u16)>);

impl Hours {
    /// Always.
    #[must_use]
    pub fn always() -> Self {
        Self(vec![(0, WEEK)])
    }

    /// Whether a minute of the week lies in them.
    #[must_use]
    pub fn has(&self, minute: u16) -> bool {
        self.0.iter().any(
            |&(from, to)| {
                if from < to { (from..to).contains(&minute) } else { minute >= from || minute < to }
            },
        )
    }
}

/// One telling that an event brings about.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Telling {
    /// Index of the recipient.
    pub recipient: usize,
    /// How long after the event.
    pub after: Duration,
    /// Only if it is not acknowledged by then.
    pub further: bool,
}

/// The minute of the week at a wall time in a time zone.
#[must_use]
pub fn minute_of_week(t_ms: i64, zone: &TimeZone) -> u16 {
    let at = Timestamp::from_millisecond(t_ms).unwrap_or_default().to_zoned_datetime(zone.clone());
    let day = match at.weekday() {
        Weekday::Monday => 0,
        Weekday::Tuesday => 1,
        Weekday::Wednesday => 2,
        Weekday::Thursday => 3,
        Weekday::Friday => 4,
        Weekday::Saturday => 5,
        Weekday::Sunday => 6,
    };
    let minute = u16::try_from(i16::from(at.hour()) * 60 + i16::from(at.minute())).unwrap_or(0);
    day * 24 * 60 + minute
}

/// Who is told of an alarm of a priority that is announced at `t_ms`, and who further if nobody acknowledges it. A further
/// recipient outside its hours is passed over: its own next one is told in its place.
#[must_use]
pub fn told(recipients: &[Recipient], zone: &TimeZone, priority: Priority, t_ms: i64) -> Vec<Telling> {
    let within = |recipient: &Recipient, after: Duration| {
        let after_ms = i64::try_from(after.as_millis()).unwrap_or(i64::MAX);
        recipient.hours.has(minute_of_week(t_ms.saturating_add(after_ms), zone))
    };
    let mut all = Vec::new();
    let direct: Vec<usize> = (0..recipients.len())
        .filter(|&at| recipients[at].priorities.contains(&priority) && within(&recipients[at], Duration::ZERO))
        .collect();
    let mut known: BTreeSet<usize> = direct.iter().copied().collect();
    all.extend(direct.iter().map(|&recipient| Telling { recipient, after: Duration::ZERO, further: false }));
    for first in direct {
        let (mut at, mut after, mut passed) = (first, Duration::ZERO, BTreeSet::from([first]));
        while let Some((wait, next)) = recipients.get(at).and_then(|recipient| recipient.then) {
            // One that is passed over adds no wait of its own.
            if at == first || within(&recipients[at], after) {
                after += wait;
            }
            let Some(recipient) = recipients.get(next).filter(|_| passed.insert(next)) else { break };
            if within(recipient, after) && known.insert(next) {
                all.push(Telling { recipient: next, after, further: true });
            }
            at = next;
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    fn recipient(name: &str, priorities: &[Priority], hours: Hours, then: Option<(u64, usize)>) -> Recipient {
        Recipient {
            name: name.into(),
            way: Way::Email { address: format!("{name}@saltmarsh.example") },
            priorities: priorities.to_vec(),
            hours,
            then: then.map(|(minutes, next)| (Duration::from_secs(minutes * 60), next)),
            state_point: 0,
        }
    }

    /// 2026-11-25 was a Wednesday.
    fn wednesday(hour: i64) -> i64 {
        1_795_564_800_000 + hour * 3_600_000
    }

    fn names(of: &[Recipient], priority: Priority, t: i64) -> Vec<(&str, u64, bool)> {
        told(of, &TimeZone::UTC, priority, t)
            .into_iter()
            .map(|t| (of[t.recipient].name.as_str(), t.after.as_secs() / 60, t.further))
            .collect()
    }

    #[test]
    fn the_minute_of_the_week_is_the_sites() {
        assert_eq!(minute_of_week(wednesday(0), &TimeZone::UTC), 2 * 24 * 60);
        let east = TimeZone::posix("ABC-3").expect("three hours east");
        assert_eq!(minute_of_week(wednesday(0), &east), 2 * 24 * 60 + 180);
        let west = TimeZone::posix("ABC5").expect("five hours west");
        assert_eq!(minute_of_week(wednesday(0), &west), 2 * 24 * 60 - 300);
        // Summer time: the rule of the European Union (directive 2000/84/EC), as a POSIX zone.
        let summer = TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").expect("a zone");
        let july = 1_783_468_800_000; // 2026-07-08 00:00 UTC, a Wednesday
        assert_eq!(minute_of_week(july, &summer), 2 * 24 * 60 + 120);
    }

    #[test]
    fn hours_may_cross_midnight_and_the_end_of_the_week() {
        let night = Hours(vec![(6 * 1440 + 22 * 60, 6 * 60)]); // Sunday 22:00 to Monday 06:00
        assert!(night.has(WEEK - 1) && night.has(0) && night.has(359));
        assert!(!night.has(360) && !night.has(6 * 1440 + 22 * 60 - 1));
        assert!((0..WEEK).all(|minute| Hours::always().has(minute)));
    }

    #[test]
    fn by_priority_and_hours_and_further_in_turn() {
        let day = Hours((0..7).map(|day| (day * 1440 + 7 * 60, day * 1440 + 19 * 60)).collect());
        let all = [
            recipient("shift", &[Priority::Critical, Priority::High], Hours::always(), Some((10, 1))),
            recipient("lead", &[], day, Some((20, 2))),
            recipient("owner", &[Priority::Low], Hours::always(), None),
        ];
        let high = Priority::High;
        assert_eq!(names(&all, high, wednesday(9)), [("shift", 0, false), ("lead", 10, true), ("owner", 30, true)]);
        // At night the lead is passed over: the owner is told in its place.
        assert_eq!(names(&all, high, wednesday(3)), [("shift", 0, false), ("owner", 10, true)]);
        assert_eq!(names(&all, Priority::Low, wednesday(3)), [("owner", 0, false)]);
        assert_eq!(names(&all, Priority::Medium, wednesday(3)), []);
    }

    #[test]
    fn nobody_is_told_twice_and_a_ring_ends() {
        let all = [
            recipient("a", &[Priority::High], Hours::always(), Some((1, 1))),
            recipient("b", &[Priority::High], Hours::always(), Some((1, 0))),
        ];
        assert_eq!(names(&all, Priority::High, wednesday(3)), [("a", 0, false), ("b", 0, false)]);
    }
}
