//! Mistakes and findings about recipients: ways, hours, who passes on to whom, priorities nobody hears of.
//!
//! Part of `wrong`. Never panics.

use thiserror::Error;

use super::did_you_mean;

/// One kind of mistake or finding.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[rustfmt::skip]
pub(crate) enum OfRecipients {
    #[error("the recipient has neither email nor webhook")]
    NoWay,
    #[error("the recipient has both email and webhook")]
    TwoWays,
    #[error("`{address}` is no mail address: {why}")]
    BadMailAddress { address: String, why: &'static str },
    #[error("`{url}` is no address to post to: {why}")]
    BadWebhook { url: String, why: String },
    #[error("`{text}` are no hours: {why}")]
    BadHours { text: String, why: String },
    #[error("the list of hours is empty: the recipient would never be told")]
    NoHours,
    #[error("`{zone}` is no time zone that this machine knows")]
    BadZone { zone: String },
    #[error("no recipient is called `{name}`")]
    UnknownRecipient { name: String, near: Option<String> },
    #[error("recipients pass on in a circle: {circle}")]
    PassedInCircle { circle: String },
    #[error("the recipient `{name}` is told of nothing: it has no priorities, and nobody passes on to it")]
    ToldOfNothing { name: String },
    #[error("mail is sent, but [mail] names no server")]
    NoMailServer,
    // Findings.
    #[error("no recipient is told of priority {priority}, and there are alarms of it")]
    NobodyFor { priority: &'static str },
    #[error("of priority {priority} nobody is told {gap}")]
    GapInHours { priority: &'static str, gap: String },
    #[error("`unacknowledged_for` passes on what is acknowledged in the site's own system too: this agent does not hear of that")]
    AcknowledgedElsewhere,
}

impl OfRecipients {
    /// What would be right.
    #[rustfmt::skip]
    pub(super) fn mend(&self) -> String {
        match self {
            Self::NoWay => "add email = \"shift@saltmarsh.example\", or webhook = \"https://…\" with secret_file".into(),
            Self::TwoWays => "keep one, and make another [[recipient]] for the other".into(),
            Self::BadMailAddress { .. } => "write it as \"shift@saltmarsh.example\"".into(),
            Self::BadWebhook { .. } => "write it as \"https://hooks.saltmarsh.example/m1\"".into(),
            Self::BadHours { .. } => "write days and times, such as \"mon-fri 07:00-18:00\" or \"daily 22:00-06:00\"".into(),
            Self::NoHours => "leave hours out for always, or write some".into(),
            Self::BadZone { .. } => {
                "write a name as \"Europe/Zurich\" (the host's package tzdata must be there), or a POSIX rule as \"CET-1CEST,M3.5.0,M10.5.0/3\"".into()
            }
            Self::UnknownRecipient { near, .. } => did_you_mean(near.as_ref(), "name a [[recipient]] of this file", &[]),
            Self::PassedInCircle { .. } => "leave `then` out at the last of them".into(),
            Self::ToldOfNothing { .. } => "add priorities = [\"critical\", \"high\"], or name it in another's `then`".into(),
            Self::NoMailServer => "add [mail] with server = \"mail.saltmarsh.example:465\" and from = \"m1@saltmarsh.example\"".into(),
            Self::NobodyFor { priority } => format!("add \"{priority}\" to the priorities of a recipient"),
            Self::GapInHours { .. } => "widen somebody's hours, or know that such an alarm waits for somebody to look".into(),
            Self::AcknowledgedElsewhere => "leave it out, or acknowledge here (acknowledge = \"here\" under [module])".into(),
        }
    }

    /// Stable code.
    pub(super) fn code(&self) -> &'static str {
        match self {
            Self::NoWay => "no_way_to_recipient",
            Self::TwoWays => "two_ways_to_recipient",
            Self::BadMailAddress { .. } => "bad_mail_address",
            Self::BadWebhook { .. } => "bad_webhook",
            Self::BadHours { .. } => "bad_hours",
            Self::NoHours => "no_hours",
            Self::BadZone { .. } => "bad_time_zone",
            Self::UnknownRecipient { .. } => "unknown_recipient",
            Self::PassedInCircle { .. } => "passed_in_circle",
            Self::ToldOfNothing { .. } => "told_of_nothing",
            Self::NoMailServer => "no_mail_server",
            Self::NobodyFor { .. } => "nobody_for_priority",
            Self::GapInHours { .. } => "gap_in_hours",
            Self::AcknowledgedElsewhere => "acknowledged_elsewhere",
        }
    }
}
