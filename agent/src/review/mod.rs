//! The review of an alarm set: what a practised engineer would question in it, each with its reason and its mend.
//!
//! A pure function over the Plan, one file a family of questions. It knows neither files nor lines (`config` finds where
//! things are written) and refuses nothing: whatever it finds, the agent runs. What is found is after ISA-18.2 /
//! IEC 62682 and EEMUA 191 (from memory where no clause is named). Never panics.

mod coverage;
mod ground;
mod groups;
mod lacking;
mod limits;
mod possible;
mod split;
mod timing;
mod twins;
mod words;

use crate::plan::Plan;

use ground::Ground;

/// How grave a finding is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// It could be better.
    Minor,
    /// It will bother people, or tell them late.
    Moderate,
    /// The alarm cannot do what it is for, or something goes unseen.
    Serious,
}

impl Severity {
    /// The word people see.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Minor => "minor",
            Self::Moderate => "moderate",
            Self::Serious => "serious",
        }
    }
}

/// What a finding is about.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct About {
    /// What kind of thing.
    pub kind: Kind,
    /// Its id, path or name.
    pub name: String,
}

/// Kinds of things.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// An alarm, by id.
    Alarm,
    /// A point, by path.
    Point,
    /// A group, by name.
    Group,
    /// A rule of suppression, by name.
    Rule,
    /// A tier of the power distribution, as it is called.
    Tier,
    /// The module as a whole, or a role that nothing in it has.
    Module,
}

/// One thing a person should look at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// Stable code.
    pub code: &'static str,
    /// How grave.
    pub severity: Severity,
    /// What it is about.
    pub about: About,
    /// What is wrong, and why that matters.
    pub what: String,
    /// What would mend it.
    pub mend: String,
}

/// Codes of all findings.
pub const CODES: [&str; 37] = [
    "accepts_nothing",
    "always_raised",
    "breaker_unwatched",
    "clock_unguarded",
    "deadband_below_noise",
    "deadband_below_step",
    "deadband_too_wide",
    "failover_unwatched",
    "frozen_too_short",
    "groups_in_circle",
    "hidden_when_true",
    "late_for_clock",
    "late_for_urgency",
    "late_for_window",
    "left_to_out_of_reach",
    "limit_out_of_reach",
    "meters_unwatched",
    "needs_protection",
    "never_in_use",
    "never_raised",
    "no_first_check",
    "no_response",
    "no_roles",
    "not_translated",
    "nothing_new",
    "point_unwatched",
    "priority_split",
    "protection_unwatched",
    "rate_below_noise",
    "role_missing",
    "role_unwatched",
    "same_condition",
    "same_text",
    "supply_unwatched",
    "told_twice",
    "urgency_changes_nothing",
    "window_too_long",
];

/// Everything that is found, family by family.
#[must_use]
pub fn review(plan: &Plan) -> Vec<Finding> {
    let ground = Ground::of(plan);
    let mut found = Vec::new();
    for family in [
        limits::review,
        timing::review,
        twins::review,
        words::review,
        coverage::review,
        split::review,
        possible::review,
        groups::review,
        lacking::review,
    ] {
        family(&ground, &mut found);
    }
    found
}

/// A finding about an alarm.
fn alarm(code: &'static str, severity: Severity, id: &str, what: String, mend: impl Into<String>) -> Finding {
    about(code, severity, Kind::Alarm, id, what, mend)
}

fn about(
    code: &'static str,
    severity: Severity,
    kind: Kind,
    name: impl Into<String>,
    what: String,
    mend: impl Into<String>,
) -> Finding {
    Finding { code, severity, about: About { kind, name: name.into() }, what, mend: mend.into() }
}
