//! What a UPS card's objects mean: units, named states and well-known alarms of the UPS-MIB.
//!
//! RFC 1628: §4.2 battery, §4.3 input, §4.4 output, §4.5 bypass, §4.6 alarms, §4.7 tests, §4.9 configuration. Object
//! identifiers are full, with their instance: `.0` of a scalar, the row of a column. An alarm that is not in the table is
//! a maker's own and must be shown as it is. Numbers only; strings and the writable control objects are left out. Never
//! panics.

/// Root of the UPS-MIB, 1.3.6.1.2.1.33.
pub const ROOT: [u32; 7] = [1, 3, 6, 1, 2, 1, 33];

/// How an object's integer becomes a number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UpsObject {
    /// Name in the MIB.
    pub name: &'static str,
    /// Power of ten of the integer.
    pub exponent: i8,
    /// UCUM unit.
    pub unit: &'static str,
    /// Least value of its syntax.
    pub least: i64,
    /// Greatest value of its syntax.
    pub most: i64,
}

/// The object of a full identifier, if it is a number of the UPS-MIB with a fitting instance.
#[must_use]
pub fn object(oid: &[u32]) -> Option<&'static UpsObject> {
    let below = oid.strip_prefix(&ROOT)?;
    let (scalar, column) = (below.strip_suffix(&[0]), below.split_last().filter(|(line, _)| **line > 0));
    OBJECTS.iter().find_map(|(arcs, is_column, object)| {
        let at = if *is_column { column.map(|(_, column)| column) } else { scalar };
        (at == Some(arcs)).then_some(object)
    })
}

/// The name of an enumerated object's value; `None` for an unknown object or value.
#[must_use]
pub fn state_name(object: &str, value: i64) -> Option<&'static str> {
    let (_, names) = STATES.iter().find(|(name, _)| *name == object)?;
    // Enumerations of the MIB start at 1.
    usize::try_from(value).ok()?.checked_sub(1).and_then(|index| names.get(index)).copied()
}

/// Whether an object is enumerated.
#[must_use]
pub fn has_states(object: &str) -> bool {
    STATES.iter().any(|(name, _)| *name == object)
}

/// The well-known alarm of an identifier (`upsWellKnownAlarms`, 1.3.6.1.2.1.33.1.6.3.n).
#[must_use]
pub fn alarm_name(oid: &[u32]) -> Option<&'static str> {
    let [1, 6, 3, number] = *oid.strip_prefix(&ROOT)? else { return None };
    usize::try_from(number).ok()?.checked_sub(1).and_then(|index| ALARMS.get(index)).copied()
}

const fn object_of(name: &'static str, exponent: i8, unit: &'static str, least: i64, most: i64) -> UpsObject {
    UpsObject { name, exponent, unit, least, most }
}

const NOT_NEGATIVE: i64 = i32::MAX as i64;
const ANY: i64 = i32::MIN as i64;

type Row = (&'static [u32], bool, UpsObject);

const fn scalar(arcs: &'static [u32], object: UpsObject) -> Row {
    (arcs, false, object)
}

const fn column(arcs: &'static [u32], object: UpsObject) -> Row {
    (arcs, true, object)
}

static OBJECTS: &[Row] = &[
    scalar(&[1, 2, 2], object_of("upsSecondsOnBattery", 0, "s", 0, NOT_NEGATIVE)),
    scalar(&[1, 2, 3], object_of("upsEstimatedMinutesRemaining", 0, "min", 1, NOT_NEGATIVE)),
    scalar(&[1, 2, 4], object_of("upsEstimatedChargeRemaining", 0, "%", 0, 100)),
    scalar(&[1, 2, 5], object_of("upsBatteryVoltage", -1, "V", 0, NOT_NEGATIVE)),
    scalar(&[1, 2, 6], object_of("upsBatteryCurrent", -1, "A", ANY, NOT_NEGATIVE)),
    scalar(&[1, 2, 7], object_of("upsBatteryTemperature", 0, "Cel", ANY, NOT_NEGATIVE)),
    scalar(&[1, 3, 1], object_of("upsInputLineBads", 0, "1", 0, u32::MAX as i64)),
    scalar(&[1, 3, 2], object_of("upsInputNumLines", 0, "1", 0, NOT_NEGATIVE)),
    column(&[1, 3, 3, 1, 2], object_of("upsInputFrequency", -1, "Hz", 0, NOT_NEGATIVE)),
    column(&[1, 3, 3, 1, 3], object_of("upsInputVoltage", 0, "V", 0, NOT_NEGATIVE)),
    column(&[1, 3, 3, 1, 4], object_of("upsInputCurrent", -1, "A", 0, NOT_NEGATIVE)),
    column(&[1, 3, 3, 1, 5], object_of("upsInputTruePower", 0, "W", 0, NOT_NEGATIVE)),
    scalar(&[1, 4, 2], object_of("upsOutputFrequency", -1, "Hz", 0, NOT_NEGATIVE)),
    scalar(&[1, 4, 3], object_of("upsOutputNumLines", 0, "1", 0, NOT_NEGATIVE)),
    column(&[1, 4, 4, 1, 2], object_of("upsOutputVoltage", 0, "V", 0, NOT_NEGATIVE)),
    column(&[1, 4, 4, 1, 3], object_of("upsOutputCurrent", -1, "A", 0, NOT_NEGATIVE)),
    column(&[1, 4, 4, 1, 4], object_of("upsOutputPower", 0, "W", 0, NOT_NEGATIVE)),
    column(&[1, 4, 4, 1, 5], object_of("upsOutputPercentLoad", 0, "%", 0, 200)),
    scalar(&[1, 5, 1], object_of("upsBypassFrequency", -1, "Hz", 0, NOT_NEGATIVE)),
    scalar(&[1, 5, 2], object_of("upsBypassNumLines", 0, "1", 0, NOT_NEGATIVE)),
    column(&[1, 5, 3, 1, 2], object_of("upsBypassVoltage", 0, "V", 0, NOT_NEGATIVE)),
    column(&[1, 5, 3, 1, 3], object_of("upsBypassCurrent", -1, "A", 0, NOT_NEGATIVE)),
    column(&[1, 5, 3, 1, 4], object_of("upsBypassPower", 0, "W", 0, NOT_NEGATIVE)),
    scalar(&[1, 6, 1], object_of("upsAlarmsPresent", 0, "1", 0, u32::MAX as i64)),
    scalar(&[1, 9, 1], object_of("upsConfigInputVoltage", 0, "V", 0, NOT_NEGATIVE)),
    scalar(&[1, 9, 2], object_of("upsConfigInputFreq", -1, "Hz", 0, NOT_NEGATIVE)),
    scalar(&[1, 9, 3], object_of("upsConfigOutputVoltage", 0, "V", 0, NOT_NEGATIVE)),
    scalar(&[1, 9, 4], object_of("upsConfigOutputFreq", -1, "Hz", 0, NOT_NEGATIVE)),
    scalar(&[1, 9, 5], object_of("upsConfigOutputVA", 0, "V.A", 0, NOT_NEGATIVE)),
    scalar(&[1, 9, 6], object_of("upsConfigOutputPower", 0, "W", 0, NOT_NEGATIVE)),
    scalar(&[1, 9, 7], object_of("upsConfigLowBattTime", 0, "min", 0, NOT_NEGATIVE)),
    scalar(&[1, 9, 9], object_of("upsConfigLowVoltageTransferPoint", 0, "V", 0, NOT_NEGATIVE)),
    scalar(&[1, 9, 10], object_of("upsConfigHighVoltageTransferPoint", 0, "V", 0, NOT_NEGATIVE)),
];

static STATES: &[(&str, &[&str])] = &[
    ("upsBatteryStatus", &["unknown", "batteryNormal", "batteryLow", "batteryDepleted"]),
    ("upsOutputSource", &["other", "none", "normal", "bypass", "battery", "booster", "reducer"]),
    ("upsTestResultsSummary", &["donePass", "doneWarning", "doneError", "aborted", "inProgress", "noTestsInitiated"]),
    ("upsConfigAudibleStatus", &["disabled", "enabled", "muted"]),
];

static ALARMS: [&str; 24] = [
    "upsAlarmBatteryBad",
    "upsAlarmOnBattery",
    "upsAlarmLowBattery",
    "upsAlarmDepletedBattery",
    "upsAlarmTempBad",
    "upsAlarmInputBad",
    "upsAlarmOutputBad",
    "upsAlarmOutputOverload",
    "upsAlarmOnBypass",
    "upsAlarmBypassBad",
    "upsAlarmOutputOffAsRequested",
    "upsAlarmUpsOffAsRequested",
    "upsAlarmChargerFailed",
    "upsAlarmUpsOutputOff",
    "upsAlarmUpsSystemOff",
    "upsAlarmFanFailure",
    "upsAlarmFuseFailure",
    "upsAlarmGeneralFault",
    "upsAlarmDiagnosticTestFailed",
    "upsAlarmCommunicationsLost",
    "upsAlarmAwaitingPower",
    "upsAlarmShutdownPending",
    "upsAlarmShutdownImminent",
    "upsAlarmTestInProgress",
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn published_rows() {
        let volts = object(&[1, 3, 6, 1, 2, 1, 33, 1, 2, 5, 0]).expect("O063");
        assert_eq!((volts.name, volts.exponent, volts.unit), ("upsBatteryVoltage", -1, "V"));
        let amps = object(&[1, 3, 6, 1, 2, 1, 33, 1, 4, 4, 1, 3, 2]).expect("O064");
        assert_eq!((amps.name, amps.exponent, amps.unit), ("upsOutputCurrent", -1, "A"));
        assert_eq!(state_name("upsOutputSource", 5), Some("battery"), "O065");
        assert_eq!(alarm_name(&[1, 3, 6, 1, 2, 1, 33, 1, 6, 3, 23]), Some("upsAlarmShutdownImminent"), "O066");
    }

    #[test]
    fn instances_must_fit() {
        assert_eq!(object(&[1, 3, 6, 1, 2, 1, 33, 1, 2, 5]), None, "a scalar without .0");
        assert_eq!(object(&[1, 3, 6, 1, 2, 1, 33, 1, 2, 5, 1]), None, "a scalar is no table");
        assert_eq!(object(&[1, 3, 6, 1, 2, 1, 33, 1, 4, 4, 1, 3, 0]), None, "rows start at 1");
        assert_eq!(object(&[1, 3, 6, 1, 2, 1, 33, 1, 4, 4, 1, 3]), None, "a column without its row");
        assert_eq!(object(&[1, 3, 6, 1, 4, 1, 33, 1, 2, 5, 0]), None, "another MIB");
        assert_eq!(object(&[]), None);
    }

    #[test]
    fn what_is_not_in_the_tables() {
        assert_eq!(state_name("upsOutputSource", 0), None);
        assert_eq!(state_name("upsOutputSource", 8), None);
        assert_eq!(state_name("upsOutputSource", i64::MIN), None);
        assert_eq!(state_name("upsOutputVoltage", 1), None);
        for n in [0, 25, u32::MAX] {
            assert_eq!(alarm_name(&[1, 3, 6, 1, 2, 1, 33, 1, 6, 3, n]), None);
        }
        assert_eq!(alarm_name(&[1, 3, 6, 1, 2, 1, 33, 1, 6, 3]), None);
    }

    #[test]
    fn no_object_twice() {
        for (at, (arcs, _, object)) in OBJECTS.iter().enumerate() {
            assert!(
                OBJECTS[..at].iter().all(|(other, _, known)| other != arcs && known.name != object.name),
                "{}",
                object.name
            );
            assert!(
                object.least < object.most && lapwing_protocol::Unit::parse(object.unit).is_some(),
                "{}",
                object.name
            );
        }
    }
}
