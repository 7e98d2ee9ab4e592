//! Each mistake a configuration can hold: one variant a mistake, with what is wrong, how to mend it, and a stable code.
//!
//! Knows neither file nor line. `near` fields carry the nearest known name, if one is near. Never panics.

mod derived;
mod tiers;

use thiserror::Error;

pub(crate) use derived::OfDerived;
pub(crate) use tiers::OfTiers;

/// One kind of mistake or finding.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[rustfmt::skip]
pub(crate) enum Wrong {
    // Of one room.
    #[error(transparent)]
    Derived(#[from] OfDerived),
    #[error(transparent)]
    Tiers(#[from] OfTiers),
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
    // Findings: the agent runs with them.
    #[error("{count} points of device `{device}` ask for shorter scan periods than it allows, the first is `{path}`: they are read every {least}")]
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
    /// What would be right, as one sentence.
    pub(crate) fn mend(&self) -> String {
        match self {
            Self::Derived(wrong) => wrong.mend(),
            Self::Tiers(wrong) => wrong.mend(),
            Self::Unreadable { .. } => "check that the file exists and that this user may read it".into(),
            Self::Syntax { .. } => "correct the text here; what follows it may have been read wrongly too".into(),
            Self::UnknownSchema { .. } => "write schema = 1, or use a newer lapwing".into(),
            Self::UnknownKey { near, known, .. } | Self::UnknownTable { near, known, .. } => did_you_mean(near.as_ref(), "remove it", known),
            Self::MissingKey { key, example } => format!("add {key} = {example}"),
            Self::OtherType { mend, .. } => mend.clone(),
            Self::OutOfRange { low, high, .. } => format!("write a number from {low} to {high}"),
            Self::NotOneOf { near, .. } => did_you_mean(near.as_ref(), "choose one of them", &[]),
            Self::BadDuration { .. } => "write a whole number and its unit: \"300ms\", \"5s\", \"3m\", \"1h\" or \"1d\"".into(),
            Self::BadNumber { .. } => "write a decimal number such as 21.5".into(),
            Self::BadName { what, .. } => format!("use lower-case letters, digits, - and _ in {what}"),
            Self::UnknownVariable { near: Some(near), .. } => format!("did you mean {near}?"),
            Self::UnknownVariable { near: None, .. } => {
                "name it LAPWING__TABLE__KEY with a table of module, mqtt, store, http, log, snmp, or unset it".into()
            }
            Self::VariableIntoList { .. } => "unset it and change the file".into(),
            Self::BadVariable { why, .. } => why.mend(),
            Self::UnknownOverride { .. } => "give the link in the configuration that name, or leave the address out".into(),
            Self::BadAddress { example, .. } => format!("write it as {example}"),
            Self::NoTransport { .. } => "add one of modbus_tcp, modbus_tls, modbus_rtu_tcp, serial, snmp, redfish".into(),
            Self::TwoTransports { .. } => "keep one and make another [[link]] for the other".into(),
            Self::KeyHasNoMeaning { mend, .. } => mend.clone(),
            Self::WeakAccess { mend, .. } => (*mend).into(),
            Self::Duplicate { what, .. } => format!("give each {what} a name of its own"),
            Self::UnknownLink { near, .. } => did_you_mean(near.as_ref(), "name a [[link]] of this file", &[]),
            Self::SameUnit { .. } => "give each device the unit it really has, or put one of them on another link".into(),
            Self::SeveralOnSnmp { .. } => "give each SNMP device a [[link]] of its own".into(),
            Self::UnknownMap { near, .. } => {
                did_you_mean(near.as_ref(), "name a map file, relative to the directory of the module file", &[])
            }
            Self::BadRegister { .. } => {
                "write \"holding:0\", \"input:0\", \"coil:0\" or \"discrete:0\" with an address from 0 to 65535".into()
            }
            Self::BadOid { .. } => "write the whole OID in digits with its instance, such as \"1.3.6.1.2.1.33.1.2.1.0\"".into(),
            Self::BadResource { .. } => "write resource and JSON pointer, such as \"/redfish/v1/Chassis/1/Thermal#/Temperatures/0/ReadingCelsius\"".into(),
            Self::NotBuiltIn { feature, .. } => format!("use a build with the feature `{feature}` (cargo build --features {feature})"),
            Self::BeyondTable { .. } => "correct the address or the layout".into(),
            Self::ReadsForbidden { .. } => "leave the point out, or take its registers out of `forbid`".into(),
            Self::NoSource => "add register = \"holding:0\", oid = \"1.3.6.1.…\" or redfish = \"/redfish/v1/…#/…\"".into(),
            Self::TwoSources => "keep one of them".into(),
            Self::OtherSource { .. } => "use a map of the link's own protocol, or another link".into(),
            Self::UnknownQuantity { near, known, .. } => did_you_mean(near.as_ref(), "choose one", known),
            Self::UnknownUnit { near, .. } => did_you_mean(near.as_ref(), "use the unit's UCUM code", &[]),
            Self::UnitNotOfQuantity { units, .. } => format!("choose one of: {}", units.join(", ")),
            Self::DuplicatePath { .. } => "give each point a path of its own".into(),
            Self::DuplicatePaths { .. } => "give the device a prefix of its own, such as prefix = \"rack/07\"".into(),
            Self::ReservedPath { .. } => "choose another first segment".into(),
            Self::MissingResolution { .. } => "add the smallest step that matters, such as resolution = 0.1".into(),
            Self::BadResolution { .. } => "write a step such as 0.1, 0.05, 0.2, 1 or 10".into(),
            Self::FinerThanResolution { .. } => "round it to the resolution, or give the point a finer resolution".into(),
            Self::TooLargeAtResolution { .. } => "write a smaller number, or give the point a coarser resolution".into(),
            Self::EmptyRange { .. } => "write the lower bound first: valid = [low, high]".into(),
            Self::AbsentTooWide { .. } => "write the bit pattern as the device sends it, such as 0x8000 for 16 bits".into(),
            Self::MaskTooWide { .. } => "write a mask for the registers the value has".into(),
            Self::BitWithoutMask => "add the mask of the bit, such as mask = 0x0004 for bit 2".into(),
            Self::NotABit { .. } => "write as = \"bit\", or name a holding or input register".into(),
            Self::BadWords { low, high, .. } if low == high => format!("leave it out or write words = {low}"),
            Self::BadWords { low, high, .. } => format!("write words = {low} to {high}"),
            Self::ScaleTooFar { most, .. } => format!("both must lie within {most} registers: check both addresses"),
            Self::ScaleOtherTable { table, .. } => format!("name a register of the {table} table"),
            Self::GroupTooWide { .. } => "make the group smaller, or leave `group` out".into(),
            Self::BadStateNumber { .. } => "write names as { 0 = \"closed\", 1 = \"open\" }".into(),
            Self::ScanTooShort { .. } => "write at least \"10ms\"".into(),
            Self::UnknownPoint { near, incomplete, .. } => {
                did_you_mean(near.as_ref(), "name a point of a map in use or a derived point", &[]) + maps_first(*incomplete)
            }
            Self::NothingMatches { near, incomplete, .. } => {
                let near = near.as_ref().map(|path| format!("the nearest point is {path}"));
                near.unwrap_or_else(|| "check its segments: {name} and * stand for one each".into()) + maps_first(*incomplete)
            }
            Self::BadPattern { .. } => "write segments between slashes; {name} captures one segment, * stands for one".into(),
            Self::BadPointPattern { .. } => "write a path with * in a segment and ** for any number of them, such as \"coil/**\"".into(),
            Self::TwoConditions { .. } => "keep one; the other is an alarm of its own".into(),
            Self::NoCondition => "add one of high, low, rise_per_min, fall_per_min, state, bad_measurement = true".into(),
            Self::SameAlarmId { .. } => "name the varying segment in the pattern, as {place}, and use {place} in the id".into(),
            Self::ReservedAlarm { .. } => "choose another first segment".into(),
            Self::UnknownPlaceholder { known, .. } => format!("use one of {}, or capture it in `point`", known.join(", ")),
            Self::Negative { .. } => "write it as a distance, without a sign".into(),
            Self::UnknownState { near: Some(near), .. } => format!("did you mean `{near}`?"),
            Self::UnknownState { near: None, known, .. } => format!("choose one of: {}", known.join(", ")),
            Self::NoStates { .. } => "give the point names = { 0 = \"…\", 1 = \"…\" } in its map, or use high or low".into(),
            Self::StateTooHigh { .. } => "map the value with mask and shift, or watch it with high or low".into(),
            Self::KeyNotOfCondition { key, .. } => format!("remove {key}"),
            Self::TwoWindows { .. } => "give all rate alarms of a point the same `over`".into(),
            Self::WindowTooShort { .. } => "write `over` of at least three scan periods, or read the point more often".into(),
            Self::NotOfDevice { .. } => "name a point of the device's own map, with its prefix".into(),
            Self::BelowInterval { least, .. } => format!("write at least \"{least}\", or lower min_interval_ms"),
            Self::ScanHeldBack { least, .. } => format!("write scan_period = \"{least}\" or longer in the map, or lower min_interval_ms"),
            Self::LinkOverloaded { mend, .. } | Self::AlarmTooLate { mend, .. } => mend.clone(),
            Self::LimitOutsideValid { .. } => "correct the limit, or widen `valid` if the sensor can really read so far".into(),
            Self::AlarmSaysNothing { .. } => {
                "write it: an alarm needs a consequence and a response with time to carry it out, else it is only an event".into()
            }
            Self::AlarmMayChatter { .. } => "add a deadband of about the signal's noise, or an off_delay".into(),
            Self::LinkWithoutDevice { .. } => "add a [[device]] on it, or remove the link".into(),
            Self::NoAlarm => "add at least one [[alarm]]; only faults of links, devices and sensors are told now".into(),
        }
    }

    /// Stable code: used in `--json` and in documentation.
    pub(crate) fn code(&self) -> &'static str {
        match self {
            Self::Derived(wrong) => wrong.code(),
            Self::Tiers(wrong) => wrong.code(),
            Self::Unreadable { .. } => "unreadable",
            Self::Syntax { .. } => "syntax",
            Self::UnknownSchema { .. } => "unknown_schema",
            Self::UnknownKey { .. } => "unknown_key",
            Self::UnknownTable { .. } => "unknown_table",
            Self::MissingKey { .. } => "missing_key",
            Self::OtherType { .. } => "wrong_type",
            Self::OutOfRange { .. } => "out_of_range",
            Self::NotOneOf { .. } => "not_one_of",
            Self::BadDuration { .. } => "bad_duration",
            Self::BadNumber { .. } => "bad_number",
            Self::BadName { .. } => "bad_name",
            Self::UnknownVariable { .. } => "unknown_variable",
            Self::VariableIntoList { .. } => "variable_into_list",
            Self::BadVariable { .. } => "bad_variable",
            Self::UnknownOverride { .. } => "unknown_override",
            Self::BadAddress { .. } => "bad_address",
            Self::NoTransport { .. } => "no_transport",
            Self::TwoTransports { .. } => "two_transports",
            Self::KeyHasNoMeaning { .. } => "key_has_no_meaning",
            Self::WeakAccess { .. } => "weak_access",
            Self::Duplicate { .. } => "duplicate",
            Self::UnknownLink { .. } => "unknown_link",
            Self::SameUnit { .. } => "same_unit",
            Self::SeveralOnSnmp { .. } => "several_on_snmp",
            Self::UnknownMap { .. } => "unknown_map",
            Self::BadRegister { .. } => "bad_register",
            Self::BadOid { .. } => "bad_oid",
            Self::BadResource { .. } => "bad_resource",
            Self::NotBuiltIn { .. } => "not_built_in",
            Self::BeyondTable { .. } => "beyond_table",
            Self::ReadsForbidden { .. } => "reads_forbidden",
            Self::NoSource => "no_source",
            Self::TwoSources => "two_sources",
            Self::OtherSource { .. } => "wrong_source",
            Self::UnknownQuantity { .. } => "unknown_quantity",
            Self::UnknownUnit { .. } => "unknown_unit",
            Self::UnitNotOfQuantity { .. } => "unit_not_of_quantity",
            Self::DuplicatePath { .. } => "duplicate_path",
            Self::DuplicatePaths { .. } => "duplicate_paths",
            Self::ReservedPath { .. } => "reserved_path",
            Self::MissingResolution { .. } => "missing_resolution",
            Self::BadResolution { .. } => "bad_resolution",
            Self::FinerThanResolution { .. } => "finer_than_resolution",
            Self::TooLargeAtResolution { .. } => "too_large_at_resolution",
            Self::EmptyRange { .. } => "empty_range",
            Self::AbsentTooWide { .. } => "absent_too_wide",
            Self::MaskTooWide { .. } => "mask_too_wide",
            Self::BitWithoutMask => "bit_without_mask",
            Self::NotABit { .. } => "not_a_bit",
            Self::BadWords { .. } => "bad_words",
            Self::ScaleTooFar { .. } => "scale_too_far",
            Self::ScaleOtherTable { .. } => "scale_other_table",
            Self::GroupTooWide { .. } => "group_too_wide",
            Self::BadStateNumber { .. } => "bad_state_number",
            Self::ScanTooShort { .. } => "scan_too_short",
            Self::UnknownPoint { .. } => "unknown_point",
            Self::NothingMatches { .. } => "nothing_matches",
            Self::BadPattern { .. } => "bad_pattern",
            Self::BadPointPattern { .. } => "bad_point_pattern",
            Self::TwoConditions { .. } => "two_conditions",
            Self::NoCondition => "no_condition",
            Self::SameAlarmId { .. } => "same_alarm_id",
            Self::ReservedAlarm { .. } => "reserved_alarm",
            Self::UnknownPlaceholder { .. } => "unknown_placeholder",
            Self::Negative { .. } => "negative",
            Self::UnknownState { .. } => "unknown_state",
            Self::NoStates { .. } => "no_states",
            Self::StateTooHigh { .. } => "state_too_high",
            Self::KeyNotOfCondition { .. } => "key_not_of_condition",
            Self::WindowTooShort { .. } => "window_too_short",
            Self::TwoWindows { .. } => "two_windows",
            Self::NotOfDevice { .. } => "not_of_device",
            Self::BelowInterval { .. } => "below_interval",
            Self::ScanHeldBack { .. } => "scan_held_back",
            Self::LinkOverloaded { .. } => "link_overloaded",
            Self::AlarmTooLate { .. } => "alarm_too_late",
            Self::LimitOutsideValid { .. } => "limit_outside_valid",
            Self::AlarmSaysNothing { .. } => "alarm_says_nothing",
            Self::AlarmMayChatter { .. } => "alarm_may_chatter",
            Self::LinkWithoutDevice { .. } => "link_without_device",
            Self::NoAlarm => "no_alarm",
        }
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
