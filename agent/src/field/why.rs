//! Why something of the field is as it is, in words: in the site's language for people, in English for programs and logs.
//!
//! What the system or a library says is sorted by `cause`; what has no words is quoted as it comes. Decides nothing, knows no time. Never panics. Every sentence
//! stands in `words` under the code it has here; the tests say every one in every language.

use std::fmt;

use super::failure::{End, Failure, Garble};
use crate::cause::Cause;
use crate::plan::{Language, Mark};
use crate::words::{Words, filled};

/// Most entries of a list that are named.
const MOST_NAMED: usize = 8;

/// Why a link, a device or an identity is as it is told, or what was noticed about them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Why {
    /// It answers.
    Answers,
    /// Its connection was never made yet.
    NotConnected,
    /// Its connection cannot be made.
    Unreached(Unreached),
    /// None of a link's devices answers.
    NoneAnswers {
        /// How many it has.
        devices: usize,
    },
    /// The last exchange failed.
    Failed(Failure),
    /// Two devices seem to answer as one unit.
    TwoAsOne {
        /// The unit.
        unit: u8,
        /// The last failure.
        last: Failure,
    },
    /// On a line that is listened to, nothing of it was heard.
    Unheard {
        /// For so long, s.
        seconds: u64,
    },
    /// The other master does not read some points.
    Unread {
        /// Which, each with its place.
        places: Vec<String>,
    },
    /// A request that was not ours was heard.
    Foreign {
        /// To this unit.
        unit: u8,
    },
    /// No request that was not ours is heard.
    OneMaster,
    /// A device shows what it should.
    Fits,
    /// A device shows something else than it should.
    Differs(Vec<Difference>),
    /// Labels of a table that no row, or more than one, has.
    Labels {
        /// Whether there are several.
        several: bool,
        /// The labels.
        labels: Vec<String>,
        /// The column's object identifier.
        column: String,
    },
    /// A column lists what its map does not know.
    Strange {
        /// The column's object identifier.
        column: String,
        /// What.
        entries: Vec<String>,
    },
    /// It lists that no longer.
    StrangeGone {
        /// The column's object identifier.
        column: String,
        /// What.
        entries: Vec<String>,
    },
    /// It has restarted.
    Restarted {
        /// Seconds ago.
        up_s: u64,
    },
    /// Notifications cannot be received.
    NoNotifications {
        /// Where they would be.
        listen: String,
        /// Why, as the system says it.
        why: Cause,
    },
    /// This build cannot speak to it.
    NotBuilt,
    /// The host gives no thread for the line.
    NoThread {
        /// Why, as the system says it.
        why: Cause,
    },
}

/// Why there is no connection.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Unreached {
    /// A name has no address.
    NoAddress {
        /// The name.
        host: String,
        /// What the system says, if it failed.
        why: Option<Cause>,
    },
    /// It cannot be connected to.
    Refused {
        /// Host and port.
        to: String,
        /// What the system says.
        why: Cause,
    },
    /// Nothing answers in time.
    Silent {
        /// Host and port.
        to: String,
        /// How long was waited, ms.
        within_ms: u64,
    },
    /// TLS cannot be agreed on.
    Tls {
        /// Host and port.
        to: String,
        /// What the library says.
        why: Cause,
    },
    /// TLS is not agreed on in time.
    TlsSilent {
        /// Host and port.
        to: String,
        /// How long was waited, ms.
        within_ms: u64,
    },
    /// No certificate can have this name.
    ServerName {
        /// The name.
        name: String,
        /// What the library says.
        why: Cause,
    },
    /// A serial line cannot be opened.
    Serial {
        /// Its path.
        path: String,
        /// What the system says.
        why: Cause,
    },
    /// A serial line ended while it was listened to.
    LineGone {
        /// What the system says.
        why: Cause,
    },
    /// Somebody else asks on the line.
    AnotherMaster {
        /// Requests heard.
        requests: u32,
        /// Unit of the last.
        unit: u8,
    },
    /// An SNMP agent cannot be spoken to.
    Snmp {
        /// Host and port.
        to: String,
        /// What the library says.
        why: Cause,
    },
    /// An HTTP service cannot be spoken to.
    Http {
        /// Host and port.
        to: String,
        /// What the library says.
        why: Cause,
    },
    /// A file that is needed cannot be read.
    File {
        /// Its path.
        path: String,
        /// What the system says.
        why: Cause,
    },
    /// A password, key or certificate is none.
    Secret {
        /// Whose, and what is wrong with it.
        why: Cause,
    },
}

/// One thing that a device shows and should not.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Difference {
    /// Something else than the configuration expects.
    NotExpected {
        /// The feature.
        feature: String,
        /// What it shows.
        shows: Mark,
        /// What it should.
        expected: Mark,
    },
    /// Something else than before.
    Changed {
        /// The feature.
        feature: String,
        /// What it shows.
        shows: Mark,
        /// What it showed.
        before: Mark,
    },
    /// Nothing that could be compared.
    Nothing {
        /// The feature.
        feature: String,
        /// What with, if that is known.
        expected: Option<Mark>,
    },
    /// It cannot be read.
    Unreadable {
        /// The features.
        features: Vec<String>,
        /// Why.
        failure: Failure,
    },
}

type Gaps = Vec<(&'static str, String)>;

impl Why {
    /// Said in a language: a part of a sentence, without its end.
    #[must_use]
    pub fn said(&self, words: &Words) -> String {
        let (code, gaps): (_, Gaps) = match self {
            Self::Answers => ("answers", vec![]),
            Self::NotConnected => ("not_connected", vec![]),
            Self::Unreached(unreached) => return unreached.said(words),
            Self::NoneAnswers { devices } => ("none_answers", vec![("count", devices.to_string())]),
            Self::Failed(failure) => return failure.said(words),
            Self::TwoAsOne { unit, last } => {
                ("two_as_one", vec![("unit", unit.to_string()), ("last", last.said(words))])
            }
            Self::Unheard { seconds } => ("unheard", vec![("seconds", seconds.to_string())]),
            Self::Unread { places } => ("unread", vec![("places", places.join(", "))]),
            Self::Foreign { unit } => ("foreign", vec![("unit", unit.to_string())]),
            Self::OneMaster => ("one_master", vec![]),
            Self::Fits => ("fits", vec![]),
            Self::Differs(differences) => {
                return differences.iter().map(|difference| difference.said(words)).collect::<Vec<_>>().join("; ");
            }
            Self::Labels { several, labels, column } => (
                if *several { "labels_several" } else { "labels_none" },
                vec![("labels", named(labels, words)), ("column", column.clone())],
            ),
            Self::Strange { column, entries } => {
                ("strange", vec![("column", column.clone()), ("entries", named(entries, words))])
            }
            Self::StrangeGone { column, entries } => {
                ("strange_gone", vec![("column", column.clone()), ("entries", named(entries, words))])
            }
            Self::Restarted { up_s } => ("restarted", vec![("seconds", up_s.to_string())]),
            Self::NoNotifications { listen, why } => {
                ("no_notifications", vec![("listen", listen.clone()), ("why", quoted(why, words))])
            }
            Self::NotBuilt => ("not_built", vec![]),
            Self::NoThread { why } => ("no_thread", vec![("why", quoted(why, words))]),
        };
        say(words, code, &gaps)
    }
}

impl Unreached {
    /// Said in a language: a part of a sentence, without its end.
    #[must_use]
    pub fn said(&self, words: &Words) -> String {
        let (code, gaps): (_, Gaps) = match self {
            Self::NoAddress { host, why: None } => ("no_address", vec![("host", host.clone())]),
            Self::NoAddress { host, why: Some(why) } => {
                ("address_unknown", vec![("host", host.clone()), ("why", quoted(why, words))])
            }
            Self::Refused { to, why } => ("connect_refused", vec![("to", to.clone()), ("why", quoted(why, words))]),
            Self::Silent { to, within_ms } => {
                ("connect_silent", vec![("to", to.clone()), ("within", within_ms.to_string())])
            }
            Self::Tls { to, why } => ("tls_failed", vec![("to", to.clone()), ("why", quoted(why, words))]),
            Self::TlsSilent { to, within_ms } => {
                ("tls_silent", vec![("to", to.clone()), ("within", within_ms.to_string())])
            }
            Self::ServerName { name, why } => {
                ("server_name", vec![("name", name.clone()), ("why", quoted(why, words))])
            }
            Self::Serial { path, why } => ("serial", vec![("path", path.clone()), ("why", quoted(why, words))]),
            Self::LineGone { why } => ("line_gone", vec![("why", quoted(why, words))]),
            Self::AnotherMaster { requests, unit } => {
                ("another_master", vec![("count", requests.to_string()), ("unit", unit.to_string())])
            }
            Self::Snmp { to, why } => ("snmp_unusable", vec![("to", to.clone()), ("why", quoted(why, words))]),
            Self::Http { to, why } => ("http_unusable", vec![("to", to.clone()), ("why", quoted(why, words))]),
            Self::File { path, why } => ("file_unreadable", vec![("path", path.clone()), ("why", quoted(why, words))]),
            Self::Secret { why } => ("secret", vec![("why", quoted(why, words))]),
        };
        say(words, code, &gaps)
    }
}

impl Difference {
    fn said(&self, words: &Words) -> String {
        let (code, gaps): (_, Gaps) = match self {
            Self::NotExpected { feature, shows, expected } => (
                "not_expected",
                vec![("feature", feature.clone()), ("shows", shows.to_string()), ("expected", expected.to_string())],
            ),
            Self::Changed { feature, shows, before } => (
                "changed",
                vec![("feature", feature.clone()), ("shows", shows.to_string()), ("before", before.to_string())],
            ),
            Self::Nothing { feature, expected: None } => ("shows_nothing", vec![("feature", feature.clone())]),
            Self::Nothing { feature, expected: Some(expected) } => {
                ("shows_nothing_like", vec![("feature", feature.clone()), ("expected", expected.to_string())])
            }
            Self::Unreadable { features, failure } => {
                ("feature_unreadable", vec![("features", features.join(", ")), ("why", failure.said(words))])
            }
        };
        say(words, code, &gaps)
    }
}

impl Failure {
    /// Said in a language: a part of a sentence, without its end.
    #[must_use]
    pub fn said(&self, words: &Words) -> String {
        let (code, gaps): (_, Gaps) = match self {
            Self::Silence { timeout_ms } => ("silence", vec![("within", timeout_ms.to_string())]),
            Self::Unanswered { timeout_ms } => ("unanswered", vec![("within", timeout_ms.to_string())]),
            Self::Garbled(garble) => ("garbled", vec![("why", garble.said(words))]),
            Self::Exception { code } => {
                ("exception", vec![("code", format!("{code:02X}")), ("why", words.why(exception(*code)).to_owned())])
            }
            Self::Refused(why) => ("snmp_refused", vec![("why", why.clone())]),
            Self::Access(why) => ("access", vec![("why", why.clone())]),
            Self::Http { status } => {
                ("http", vec![("status", status.to_string()), ("why", words.why(http(*status)).to_owned())])
            }
            Self::AgentFailure => ("agent_failure", vec![]),
            Self::Closed(end) => ("closed", vec![("why", end.said(words))]),
            Self::NoConnection(unreached) => return unreached.said(words),
            Self::Plan(why) => ("plan", vec![("why", (*why).to_owned())]),
        };
        say(words, code, &gaps)
    }
}

impl Garble {
    fn said(self, words: &Words) -> String {
        let (code, gaps): (_, Gaps) = match self {
            Self::Crc => ("crc", vec![]),
            Self::Unit { asked, got } => ("other_unit", vec![("asked", asked.to_string()), ("got", got.to_string())]),
            Self::Function { asked, got } => {
                ("other_function", vec![("asked", asked.to_string()), ("got", got.to_string())])
            }
            Self::Length { asked, got } => {
                ("other_length", vec![("asked", asked.to_string()), ("got", got.to_string())])
            }
            Self::Short { got } => ("short", vec![("got", got.to_string())]),
            Self::Long => ("long", vec![]),
            Self::Echo => ("echo", vec![]),
            Self::Early => ("early", vec![]),
            Self::Order => ("order", vec![]),
            Self::Body => ("body", vec![]),
            Self::Header => ("header", vec![]),
        };
        say(words, code, &gaps)
    }
}

impl End {
    fn said(&self, words: &Words) -> String {
        match self {
            Self::Wordless => say(words, "ended_wordless", &[]),
            Self::ByOther => say(words, "ended", &[]),
            Self::Told(why) => quoted(why, words),
        }
    }
}

/// What an exception code says (MODBUS Application Protocol V1.1b3 §7).
const fn exception(code: u8) -> &'static str {
    match code {
        0x01 => "exception_function",
        0x02 => "exception_address",
        0x03 => "exception_quantity",
        0x04 => "exception_failure",
        0x05 => "exception_at_work",
        0x06 => "exception_busy",
        0x08 => "exception_memory",
        0x0A => "exception_no_path",
        0x0B => "exception_no_answer",
        _ => "exception_own",
    }
}

/// What an HTTP status says (RFC 9110 §15).
const fn http(status: u16) -> &'static str {
    match status {
        300..=399 => "http_elsewhere",
        401 | 403 => "http_user",
        404 | 410 => "http_none",
        408 | 429 | 503 => "http_no_time",
        400..=499 => "http_not_taken",
        500..=599 => "http_failure",
        _ => "http_meaningless",
    }
}

/// What system or library say: programs and logs have it as it comes.
fn quoted(why: &Cause, words: &Words) -> String {
    if std::ptr::eq(words, Words::of(Language::English)) { why.to_string() } else { why.said(words) }
}

fn say(words: &Words, code: &'static str, gaps: &[(&'static str, String)]) -> String {
    let gaps: Vec<(&str, &str)> = gaps.iter().map(|(gap, value)| (*gap, value.as_str())).collect();
    filled(words.why(code), &gaps)
}

fn named(list: &[String], words: &Words) -> String {
    let names = list.iter().take(MOST_NAMED).map(String::as_str).collect::<Vec<_>>().join(", ");
    match list.len().saturating_sub(MOST_NAMED) {
        0 => names,
        more => format!("{names} {}", filled(words.why("and_more"), &[("count", &more.to_string())])),
    }
}

/// In English, for programs and logs.
macro_rules! in_english {
    ($($kind:ty),*) => {$(
        impl fmt::Display for $kind {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.said(Words::of(Language::English)))
            }
        }
    )*};
}

in_english!(Why, Unreached, Failure, End);

#[cfg(test)]
mod tests;
