//! The fixed vocabulary of alarms: priority, impact, state, condition.
//!
//! States are those of ISA-18.2 / IEC 62682 as shown to the outside: the six process states and the three that hide
//! them. Unlike the records in `alarm`, these need no allocation and serve the engine on every target. Knows no rule of
//! the life-cycle. Never panics.

use serde::{Deserialize, Serialize};

use crate::vocabulary::Vocabulary;

/// How urgent an alarm is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)] // the words are the documentation
pub enum Priority {
    Low,
    Medium,
    High,
    Critical,
}

impl Priority {
    /// The word as in topics and configuration.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::Medium => "medium",
            Self::High => "high",
            Self::Critical => "critical",
        }
    }
}

/// What is at stake while an alarm stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Impact {
    /// Equipment can lose power or cooling now.
    LoadAtRisk,
    /// The next failure would reach the load.
    RedundancyLost,
    /// Something works less well.
    Degraded,
    /// Nothing by itself.
    #[default]
    None,
}

/// The state of an alarm as shown: ISA-18.2 states A to I.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum ShownState {
    /// A: normal.
    Normal,
    /// B: active, not acknowledged.
    Unacknowledged,
    /// C: active, acknowledged.
    Acknowledged,
    /// D: returned to normal, not acknowledged.
    ReturnedUnacknowledged,
    /// E: returned to normal, latched, not acknowledged.
    LatchedUnacknowledged,
    /// F: returned to normal, acknowledged, held until reset.
    LatchedAcknowledged,
    /// G: hidden by a person for a time.
    Shelved,
    /// H: hidden by design.
    Suppressed,
    /// I: removed from service.
    OutOfService,
}

impl ShownState {
    /// The words people see.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Unacknowledged => "active, not acknowledged",
            Self::Acknowledged => "active, acknowledged",
            Self::ReturnedUnacknowledged => "cleared, not acknowledged",
            Self::LatchedUnacknowledged => "cleared, held, not acknowledged",
            Self::LatchedAcknowledged => "cleared, held until reset",
            Self::Shelved => "shelved",
            Self::Suppressed => "suppressed by design",
            Self::OutOfService => "out of service",
        }
    }
}

/// What hides an alarm; several may at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Hiding {
    /// Removed from service by a person, until a person puts it back.
    OutOfService,
    /// By design: a rule says that it means nothing now.
    Suppressed,
    /// By a person, for a time.
    Shelved,
}

/// What an alarm watches for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum ConditionKind {
    /// Above a limit.
    High,
    /// Below a limit.
    Low,
    /// Rising faster than a limit.
    Rise,
    /// Falling faster than a limit.
    Fall,
    /// In one of the named states.
    State,
    /// No believable reading.
    BadMeasurement,
    /// A limit will be reached too soon at the present rate.
    TimeToLimit,
    /// Away from where it should be: a set point, a commanded value, its like.
    Deviation,
    /// Two sensors of one quantity disagree.
    Discrepancy,
    /// Fewer work than are needed or installed.
    FewerThan,
    /// A reading that never changes though it should: the sensor is dead.
    Frozen,
    /// A protection is not shown to be armed.
    NotArmed,
}

/// Whether what is said concerns a live module.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Mode {
    /// The module serves load.
    #[default]
    Live,
    /// A test is in progress.
    Test,
    /// People work on the module.
    Maintenance,
    /// Nothing of it is real.
    Simulated,
}

impl Vocabulary for Priority {
    const WORDS: &'static [(&'static str, Self)] =
        &[("critical", Self::Critical), ("high", Self::High), ("medium", Self::Medium), ("low", Self::Low)];
}

impl Vocabulary for Impact {
    const WORDS: &'static [(&'static str, Self)] = &[
        ("load_at_risk", Self::LoadAtRisk),
        ("redundancy_lost", Self::RedundancyLost),
        ("degraded", Self::Degraded),
        ("none", Self::None),
    ];
}

impl Vocabulary for ShownState {
    const WORDS: &'static [(&'static str, Self)] = &[
        ("normal", Self::Normal),
        ("unacknowledged", Self::Unacknowledged),
        ("acknowledged", Self::Acknowledged),
        ("returned_unacknowledged", Self::ReturnedUnacknowledged),
        ("latched_unacknowledged", Self::LatchedUnacknowledged),
        ("latched_acknowledged", Self::LatchedAcknowledged),
        ("shelved", Self::Shelved),
        ("suppressed", Self::Suppressed),
        ("out_of_service", Self::OutOfService),
    ];
}

impl Vocabulary for Hiding {
    const WORDS: &'static [(&'static str, Self)] =
        &[("out_of_service", Self::OutOfService), ("suppressed", Self::Suppressed), ("shelved", Self::Shelved)];
}

impl Vocabulary for ConditionKind {
    const WORDS: &'static [(&'static str, Self)] = &[
        ("high", Self::High),
        ("low", Self::Low),
        ("rise", Self::Rise),
        ("fall", Self::Fall),
        ("state", Self::State),
        ("bad_measurement", Self::BadMeasurement),
        ("time_to_limit", Self::TimeToLimit),
        ("deviation", Self::Deviation),
        ("discrepancy", Self::Discrepancy),
        ("fewer_than", Self::FewerThan),
        ("frozen", Self::Frozen),
        ("not_armed", Self::NotArmed),
    ];
}

impl Vocabulary for Mode {
    const WORDS: &'static [(&'static str, Self)] = &[
        ("live", Self::Live),
        ("test", Self::Test),
        ("maintenance", Self::Maintenance),
        ("simulated", Self::Simulated),
    ];
}

#[cfg(test)]
mod tests {
    use super::*;

    fn agrees<T: Vocabulary + Serialize + serde::de::DeserializeOwned + core::fmt::Debug>() {
        for (word, value) in T::WORDS {
            assert_eq!(serde_json::to_value(value).expect("serialises"), *word);
            assert_eq!(serde_json::from_value::<T>(serde_json::Value::from(*word)).expect("reads"), *value);
            assert_eq!(value.as_word(), *word);
            assert_eq!(T::from_word(word), Some(*value));
        }
    }

    #[test]
    fn tables_and_serde_agree() {
        agrees::<Priority>();
        agrees::<Impact>();
        agrees::<ShownState>();
        agrees::<Hiding>();
        agrees::<ConditionKind>();
        agrees::<Mode>();
        assert!(Priority::WORDS.iter().all(|(word, priority)| priority.word() == *word));
    }
}
