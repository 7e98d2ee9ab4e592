//! What would be right, for each mistake: one sentence a person can act on.
//!
//! Knows neither file nor line. Never panics.

use super::{Wrong, did_you_mean, maps_first};

impl Wrong {
    /// What would be right, as one sentence.
    pub(crate) fn mend(&self) -> String {
        match self {
            Self::Derived(wrong) => wrong.mend(),
            Self::Tiers(wrong) => wrong.mend(),
            Self::Recipients(wrong) => wrong.mend(),
            Self::Translations(wrong) => wrong.mend(),
            Self::Review { finding, .. } => finding.mend.clone(),
            Self::UnknownFinding { near, .. } => did_you_mean(near.as_ref(), "copy the code from what `lapwing check --json` says", &[]),
            Self::AcceptsNothing { .. } => "remove it, or correct what it is about".into(),
            Self::ClockNotInSeconds { .. } => "name a point in s, such as a ride-through".into(),
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
                "name it LAPWING__TABLE__KEY with a table of module, mqtt, store, http, log, snmp, overview, mail, review, or unset it".into()
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
            Self::NoCondition => {
                "add one of high, low, rise_per_min, fall_per_min, state, rises_to or falls_to with within, deviation, \
                 discrepancy, fewer_than, frozen, bad_measurement = true"
                    .into()
            }
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
            Self::TooFewPeers { .. } => "name a pattern of at least two other points, or compare with one by from_point".into(),
            Self::OtherUnit { .. } => "name points of one unit, or give `times` what turns the one into the other".into(),
            Self::UnlikePoints { .. } => "name points of one kind".into(),
            Self::NoTest => "add state = \"…\", above = … or below = …".into(),
            Self::TwoTests => "keep one of state, above and below".into(),
            Self::ShortChain { .. } => "write at least two steps, cause first; or name the alarms of one cause in `together`".into(),
            Self::NoSuchAlarm { near, incomplete, .. } => {
                did_you_mean(near.as_ref(), "name an [[alarm]] by its id; * stands for any part of it", &[]) + maps_first(*incomplete)
            }
            Self::BadAlarmPattern { .. } => "write an id with * for any part of it, such as \"pump-*-tripped\"".into(),
            Self::TwiceInChain { .. } => "leave it in the step where it belongs".into(),
            Self::NotInChain { .. } => "name alarms of the chain only, or add them to it".into(),
            Self::LimitOutsideValid { .. } => "correct the limit, or widen `valid` if the sensor can really read so far".into(),
            Self::AlarmSaysNothing { .. } => {
                "write it: an alarm needs a consequence and a response with time to carry it out, else it is only an event".into()
            }
            Self::AlarmMayChatter { .. } => "add a deadband of about the signal's noise, or an off_delay".into(),
            Self::LinkWithoutDevice { .. } => "add a [[device]] on it, or remove the link".into(),
            Self::NoAlarm => "add at least one [[alarm]]; only faults of links, devices and sensors are told now".into(),
        }
    }
}
