//! The part of the Plan that concerns alarms: what they say, what they are compared with, what follows from what, what
//! hides them.
//!
//! Indexes are those of `Plan::alarms` and `Plan::points`; values integers at their point's exponent. Decides nothing.

use std::time::Duration;

use lapwing_engine::alarm::group::{GroupSpec, GroupTables, Member};
use lapwing_engine::spec::{Span, Test};
use lapwing_protocol::{ConditionKind, Decimal, Impact, Priority};

/// What an alarm says to people; how it is judged stands in `engine.alarms`.
#[derive(Clone, Debug)]
pub struct Alarm {
    /// Identifier, unique: a topic.
    pub id: String,
    /// Index of its point.
    pub point: u32,
    /// What it watches for.
    pub condition: ConditionKind,
    /// Limit in the point's unit; per minute for rates; `None` for states and bad measurement.
    pub limit: Option<Decimal>,
    /// Its unit where it is not the point's (rates: `Cel/min`).
    pub limit_unit: Option<String>,
    /// How urgent.
    pub priority: Priority,
    /// What is at stake.
    pub impact: Impact,
    /// Sentence with `{value}`, `{limit}`, `{state}` and pattern captures already filled but these.
    pub text: String,
    /// What follows if nobody acts.
    pub consequence: String,
    /// What to do.
    pub response: String,
    /// What to look at first.
    pub first_check: String,
    /// What can hurt whoever goes there.
    pub safety: String,
    /// Where to read on.
    pub document: Option<String>,
    /// Time a person has.
    pub respond_within: Option<Duration>,
    /// What counts as too late, an integer at its point's exponent: the time left to it is told.
    pub left_to: Option<i64>,
    /// Below so much time left it has this priority.
    pub urgent: Option<(Duration, Priority)>,
    /// The point that says how many seconds there are once its condition holds.
    pub clock: Option<u32>,
    /// The point that shows that what acts by itself in time is armed.
    pub protection: Option<u32>,
    /// Made by the agent itself (`fault/…`), not configured.
    pub own: bool,
    /// The link whose failure explains it, by name; own alarms on devices only.
    pub link: Option<String>,
    /// Digest of its condition: a changed one is judged anew.
    pub digest: u64,
}

/// Who acknowledges alarms.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Acknowledge {
    /// People, through this agent.
    #[default]
    Here,
    /// People, in the site's own system: alarms acknowledge themselves when they clear.
    Elsewhere,
    /// Both: what nobody acknowledged here does so itself when it clears.
    Both,
}

/// What the review of the alarm set reckons with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Review {
    /// How long a person takes from hearing of it to having done something.
    pub human_response: Duration,
    /// Heat at which the time left is reckoned, kW; `None`: what the cooling takes out for hours.
    pub design_load_kw: Option<f64>,
    /// Inlet air at which a loss of cooling begins, °C.
    pub design_inlet_c: f64,
}

impl Default for Review {
    fn default() -> Self {
        Self { human_response: HUMAN_RESPONSE, design_load_kw: None, design_inlet_c: DESIGN_INLET_C }
    }
}

/// Three minutes (common practice, no source).
pub const HUMAN_RESPONSE: Duration = Duration::from_secs(180);
/// The upper end of the recommended envelope (ASHRAE TC 9.9, 2021).
pub const DESIGN_INLET_C: f64 = 27.0;

/// Which alarms follow from which, as the engine's room `alarm::group` reads it.
#[derive(Clone, Debug, Default)]
pub struct Groups {
    /// Names, in the order of `specs`.
    pub names: Vec<String>,
    /// Groups.
    pub specs: Vec<GroupSpec>,
    /// Places of alarms in them, those of one alarm together.
    pub members: Vec<Member>,
    /// By alarm: its stretch of `members`.
    pub of_alarm: Vec<Span>,
    /// By alarm: within this time the order of two changes cannot be told, ms.
    pub scan_ms: Vec<u32>,
    /// How many steps all groups have together.
    pub steps: u32,
    /// How many rules tell a consequence again.
    pub rules: u32,
}

impl Groups {
    /// The tables as the engine borrows them.
    #[must_use]
    pub fn tables(&self) -> GroupTables<'_> {
        GroupTables { groups: &self.specs, members: &self.members, of_alarm: &self.of_alarm, scan_ms: &self.scan_ms }
    }
}

/// A rule that hides alarms while a declared condition holds.
#[derive(Clone, Debug)]
pub struct Suppress {
    /// Name, unique.
    pub name: String,
    /// Why the alarms mean nothing then.
    pub text: String,
    /// The alarms, by index, ascending.
    pub alarms: Vec<u32>,
    /// Longest time it hides at a stretch.
    pub at_most: Duration,
    /// Holds by itself while this does; `None`: a person starts and ends it.
    pub when: Option<(u32, Test)>,
}

/// A point made of others for an alarm: a difference or a count.
#[derive(Clone, Debug, PartialEq)]
pub struct Compared {
    /// Index of the point it fills.
    pub point: u32,
    /// The point that is compared; a count has none.
    pub subject: Option<u32>,
    /// With what.
    pub with: Comparison,
}

/// What a point is compared with.
#[derive(Clone, Debug, PartialEq)]
pub enum Comparison {
    /// A set point, an integer at the subject's exponent.
    Value(i64),
    /// Another point, times this.
    Point {
        /// Its index.
        point: u32,
        /// Factor.
        times: f64,
    },
    /// The median of these.
    Median(Vec<u32>),
    /// How many of these pass the test; fewer than `needed` is the alarm.
    Count {
        /// The points.
        members: Vec<u32>,
        /// The test.
        test: Test,
        /// How many must.
        needed: i64,
    },
}
