//! Each mistake a configuration can hold: one variant a mistake, with what is wrong, how to mend it, and a stable code.
//!
//! Knows neither file nor line. `near` fields carry the nearest known name, if one is near. Never panics.

mod code;
mod derived;
mod mend;
mod recipients;
mod tiers;
mod translations;

use thiserror::Error;

pub(crate) use derived::OfDerived;
pub(crate) use recipients::OfRecipients;
pub(crate) use tiers::OfTiers;
pub(crate) use translations::OfTranslations;

/// One kind of mistake or finding.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[rustfmt::skip]
pub(crate) enum Wrong {
    // Of one room.
    #[error(transparent)]
    Derived(#[from] OfDerived),
    #[error(transparent)]
    Tiers(#[from] OfTiers),
    #[error(transparent)]
    Recipients(#[from] OfRecipients),
    #[error(transparent)]
    Translations(#[from] OfTranslations),
    // Files.
    #[error("{what} cannot be read: {why}")]
    Unreadable { what: String, why: String },
    #[error("not valid TOML: {why}")]
    Syntax { why: String },
    #[error("schema {found} is not known here")]
    UnknownSchema { found: i64 },
    // Keys and types.
    #[error("unknown key `{key}`")]
    UnknownKey { key: String, near: Option<String>, known: Vec<&'static str> },
    #[error("unknown table `{key}`")]
    UnknownTable { key: String, near: Option<String>, known: Vec<&'static str> },
    #[error("`{key}` is missing")]
    MissingKey { key: &'static str, example: &'static str },
    #[error("wrong type: {found} where {expected} belongs")]
    OtherType { expected: &'static str, found: String, mend: String },
    #[error("{value} is outside {low} to {high}")]
    OutOfRange { value: String, low: String, high: String },
    #[error("`{value}` is none of: {}", known.join(", "))]
    NotOneOf { value: String, near: Option<String>, known: Vec<&'static str> },
    #[error("`{value}` is no duration")]
    BadDuration { value: String },
    #[error("{value} is not a number that can be used: {why}")]
    BadNumber { value: String, why: String },
    #[error("`{name}` cannot be used as {what}: {why}")]
    BadName { name: String, what: &'static str, why: String },
    // Environment and overrides.
    #[error("environment variable {variable} names no setting")]
    UnknownVariable { variable: String, near: Option<String> },
    #[error("environment variable {variable} would reach into a list, which only the file may set")]
    VariableIntoList { variable: String },
    #[error("environment variable {variable}: {why}")]
    BadVariable { variable: String, why: Box<Wrong> },
    #[error("an address was given for the link `{link}`, which the configuration does not have")]
    UnknownOverride { link: String },
    // Links and devices.
    #[error("`{address}` is not an address that can be reached: {why}")]
    BadAddress { address: String, why: String, example: &'static str },
    #[error("{what}")]
    WeakAccess { what: String, mend: &'static str },
    #[error("link `{link}` names no connection")]
    NoTransport { link: String },
    #[error("link `{link}` names two connections, `{first}` and `{second}`")]
    TwoTransports { link: String, first: &'static str, second: &'static str },
    #[error("`{key}` has no meaning for `{of}`")]
    KeyHasNoMeaning { key: &'static str, of: String, mend: String },
    #[error("the {what} `{name}` exists already ({first})")]
    Duplicate { what: &'static str, name: String, first: String },
    #[error("no link is called `{name}`")]
    UnknownLink { name: String, near: Option<String> },
    #[error("devices `{first}` and `{second}` both answer as unit {unit} on link `{link}`")]
    SameUnit { first: String, second: String, unit: u8, link: String },
    #[error("link `{link}` speaks SNMP and has two devices, `{first}` and `{second}`")]
    SeveralOnSnmp { link: String, first: String, second: String },
    #[error("the map `{map}` cannot be read: {why}")]
    UnknownMap { map: String, why: String, near: Option<String> },
    #[error("`{register}` is no register: {why}")]
    BadRegister { register: String, why: String },
    #[error("`{oid}` is no instance OID: {why}")]
    BadOid { oid: String, why: &'static str },
    #[error("`{resource}` is no place in a Redfish resource: {why}")]
    BadResource { resource: String, why: &'static str },
    #[error("this build has no {what}")]
    NotBuiltIn { what: &'static str, feature: &'static str },
    #[error("{what} at {table}:{start} needs {words} registers and would end beyond 65535")]
    BeyondTable { what: &'static str, table: &'static str, start: u32, words: u32 },
    #[error("a forbidden register lies inside {register}")]
    ReadsForbidden { register: String },
    // Points.
    #[error("the point names no place to read it: neither register nor OID nor Redfish resource")]
    NoSource,
    #[error("the point names more than one of register, OID and Redfish resource")]
    TwoSources,
    #[error("the map reads {found}, but device `{device}` is on an {link} link")]
    OtherSource { found: &'static str, device: String, link: &'static str },
    #[error("unknown quantity `{quantity}`")]
    UnknownQuantity { quantity: String, near: Option<String>, known: Vec<&'static str> },
    #[error("unknown unit `{unit}`")]
    UnknownUnit { unit: String, near: Option<String> },
    #[error("`{unit}` is no unit of the quantity `{quantity}`")]
    UnitNotOfQuantity { unit: String, quantity: String, units: Vec<&'static str> },
    #[error("the path `{path}` exists already ({first})")]
    DuplicatePath { path: String, first: String },
    #[error("device `{device}` brings {count} paths that exist already, the first is `{path}` ({first})")]
    DuplicatePaths { device: String, count: usize, path: String, first: String },
    #[error("`{path}` begins with `agent/`, where the agent keeps its own points")]
    ReservedPath { path: String },
    #[error("`resolution` is missing: {why}")]
    MissingResolution { why: &'static str },
    #[error("the resolution {value} is not 1, 2 or 5 times a power of ten")]
    BadResolution { value: String },
    #[error("{value} is finer than the resolution {resolution} of `{point}`")]
    FinerThanResolution { value: String, resolution: String, point: String },
    #[error("{value} does not fit a point with resolution {resolution}")]
    TooLargeAtResolution { value: String, resolution: String },
    #[error("the valid range {low} to {high} is empty")]
    EmptyRange { low: String, high: String },
    #[error("{pattern} does not fit {bits} bits")]
    AbsentTooWide { pattern: String, bits: u32 },
    #[error("the mask {mask:#x} does not fit {bits} bits")]
    MaskTooWide { mask: u64, bits: u32 },
    #[error("`as = \"bit\"` on a register needs a mask of exactly one bit")]
    BitWithoutMask,
    #[error("`{layout}` cannot be read from a {table} table, which holds single bits")]
    NotABit { layout: &'static str, table: &'static str },
    #[error("`words` is {words}, but `{layout}` takes {low} to {high} registers")]
    BadWords { words: u64, layout: &'static str, low: u64, high: u64 },
    #[error("the scale factor at {factor} is too far from {register} to be read with it")]
    ScaleTooFar { factor: String, register: String, most: u16 },
    #[error("the scale factor is in the {found} table, the value in the {table} table")]
    ScaleOtherTable { found: &'static str, table: &'static str },
    #[error("the group `{group}` cannot come from one transaction: {why}")]
    GroupTooWide { group: String, why: String },
    #[error("`{name}` is no whole number, which a state is")]
    BadStateNumber { name: String },
    #[error("the scan period is too short: {value}")]
    ScanTooShort { value: String },
    // Derived points.
    // Alarms.
    #[error("no point is called `{path}`")]
    UnknownPoint { path: String, near: Option<String>, incomplete: bool },
    #[error("the pattern `{pattern}` matches no point")]
    NothingMatches { pattern: String, near: Option<String>, incomplete: bool },
    #[error("`{pattern}` is no pattern: {why}")]
    BadPattern { pattern: String, why: String },
    #[error("`{pattern}` is no pattern of points: {why}")]
    BadPointPattern { pattern: String, why: String },
    #[error("two conditions in one alarm, `{first}` and `{second}`")]
    TwoConditions { first: &'static str, second: &'static str },
    #[error("the alarm has no condition")]
    NoCondition,
    #[error("alarm id `{id}` would be given to `{first}` and to `{second}`")]
    SameAlarmId { id: String, first: String, second: String },
    #[error("`{id}` begins with `fault/`, where the agent keeps its own alarms")]
    ReservedAlarm { id: String },
    #[error("`{{{name}}}` in `{key}` is neither captured by the pattern nor known")]
    UnknownPlaceholder { name: String, key: &'static str, known: Vec<String> },
    #[error("{key} cannot be negative: {value}")]
    Negative { key: &'static str, value: String },
    #[error("the point `{point}` has no state called `{state}`")]
    UnknownState { point: String, state: String, near: Option<String>, known: Vec<String> },
    #[error("the point `{point}` has no named states")]
    NoStates { point: String },
    #[error("state `{state}` is number {number}; an alarm can watch states 0 to 63")]
    StateTooHigh { state: String, number: i64 },
    #[error("`{key}` has no meaning for a {condition} alarm")]
    KeyNotOfCondition { key: &'static str, condition: &'static str },
    #[error("the window {over} of `{point}` is too short for a point read every {scan_period}")]
    WindowTooShort { over: String, point: String, scan_period: String },
    #[error("rate alarms of `{point}` use windows of {first} and {second}")]
    TwoWindows { point: String, first: String, second: String },
    #[error("the point `{path}` is not read from device `{device}`")]
    NotOfDevice { path: String, device: String },
    #[error("{period} is below the {least} that device `{device}` allows")]
    BelowInterval { period: String, least: String, device: String },
    // Groups, rules, conditions of use.
    #[error("the condition tests nothing")]
    NoTest,
    #[error("the condition tests two things")]
    TwoTests,
    #[error("a chain of {steps} step explains nothing")]
    ShortChain { steps: usize },
    #[error("no alarm is called `{pattern}`")]
    NoSuchAlarm { pattern: String, near: Option<String>, incomplete: bool },
    #[error("`{pattern}` is no pattern of alarms: {why}")]
    BadAlarmPattern { pattern: String, why: String },
    #[error("alarm `{id}` stands in two steps of the chain, by `{first}` and by `{second}`")]
    TwiceInChain { id: String, first: String, second: String },
    #[error("`{pattern}` names alarms that are not in the chain, the first is `{id}`")]
    NotInChain { pattern: String, id: String },
    #[error("the pattern `{pattern}` leaves {count} peers to compare with")]
    TooFewPeers { pattern: String, count: usize },
    #[error("`{point}` is in {unit}, `{other}` in {other_unit}: they cannot be compared")]
    OtherUnit { point: String, unit: String, other: String, other_unit: String },
    #[error("the points of `{pattern}` cannot be counted together: their states or resolutions differ")]
    UnlikePoints { pattern: String },
    #[error("`{path}` is in {unit}: a clock counts seconds")]
    ClockNotInSeconds { path: String, unit: String },
    // Findings: the agent runs with them.
    #[error("{}{}", finding.what, more(*others, &finding.about.name))]
    Review { finding: Box<crate::review::Finding>, others: usize },
    #[error("no finding of the review has the code `{code}`")]
    UnknownFinding { code: String, near: Option<String> },
    #[error("nothing of the review is accepted by this: no `{code}` about `{about}`")]
    AcceptsNothing { code: String, about: String },
    #[error("points of device `{device}` ask for shorter scan periods than it allows and are read every {least}: `{path}` is the first of {count}")]
    ScanHeldBack { device: String, count: usize, path: String, least: String },
    #[error("{what}")]
    LinkOverloaded { what: String, mend: String },
    #[error("alarm `{id}` may be told {worst} after the change at its worst, which leaves nothing of the {within} to respond: {parts}")]
    AlarmTooLate { id: String, worst: String, within: String, parts: String, mend: String },
    #[error("the limit {limit} lies outside the valid range {low} to {high} of `{point}`: the alarm can never be raised")]
    LimitOutsideValid { limit: String, low: String, high: String, point: String },
    #[error("alarm `{id}` says nothing about {}", missing.join(" or "))]
    AlarmSaysNothing { id: String, missing: Vec<&'static str> },
    #[error("alarm `{id}` has neither deadband nor off-delay: noise at the limit repeats it")]
    AlarmMayChatter { id: String },
    #[error("link `{link}` has no device")]
    LinkWithoutDevice { link: String },
    #[error("the configuration has no alarm")]
    NoAlarm,
}

impl Wrong {
    /// How grave it is, if it is of the review.
    pub(crate) fn severity(&self) -> Option<crate::review::Severity> {
        if matches!(self, Self::AcceptsNothing { .. }) {
            return Some(crate::review::Severity::Minor);
        }
        self.reviewed().map(|finding| finding.severity)
    }

    /// What it is about, if it is of the review.
    pub(crate) fn about(&self) -> Option<String> {
        self.reviewed().map(|finding| finding.about.name.clone())
    }

    fn reviewed(&self) -> Option<&crate::review::Finding> {
        if let Self::Review { finding, .. } = self { Some(finding) } else { None }
    }
}

/// The others that one stands for.
fn more(others: usize, name: &str) -> String {
    match others {
        0 => String::new(),
        others => format!(" (`{name}` and {others} more like it)"),
    }
}

fn did_you_mean(near: Option<&String>, otherwise: &str, known: &[&str]) -> String {
    match near {
        Some(near) => format!("did you mean `{near}`?"),
        None if known.is_empty() => otherwise.to_string(),
        None => format!("{otherwise}; known here: {}", known.join(", ")),
    }
}

const fn maps_first(incomplete: bool) -> &'static str {
    if incomplete { " (a map that could not be read may bring it: mend that first)" } else { "" }
}
