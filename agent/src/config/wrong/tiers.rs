//! Mistakes and findings about the power distribution: feeders, sides, ratings, meters.
//!
//! Part of `wrong`. Never panics.

use thiserror::Error;

use super::did_you_mean;

/// One kind of mistake or finding.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[rustfmt::skip]
pub(crate) enum OfTiers {
    #[error("a {kind} is fed from one place")]
    SeveralFeeders { kind: &'static str },
    #[error("no tier is called `{name}`")]
    UnknownFeeder { name: String, near: Option<String> },
    #[error("`{name}` is a {kind}, which does not stand above it")]
    FeederNotAbove { name: String, kind: &'static str },
    #[error("`{point}` is in {unit}, where a meter's current belongs")]
    MeterUnit { point: String, unit: String },
    #[error("rack {rack} has both its cords on one side: {on}")]
    NotTwoSides { rack: String, on: String },
    #[error("rack {rack} has cords = \"single\", yet hangs on both sides")]
    NotSingle { rack: String },
    #[error("{name} is rated {rating} A, more than {feeder} that feeds it ({above} A)")]
    RatingAboveFeeder { name: String, rating: String, feeder: String, above: String },
    #[error("{name} feeds nothing")]
    FeedsNothing { name: String },
    #[error("{name} has no meter")]
    Unmetered { name: String },
    #[error("what {name} would carry after the loss of the other side cannot be told: {why}")]
    NoFailover { name: String, why: String },
    #[error("the text speaks of {{feeds}}, but `{point}` is below the meter of no tier that feeds a rack")]
    FeedsNoRack { point: String },
    #[error("`{point}` does not tell what feeds a UPS: it has no state 5, battery")]
    NotASource { point: String },
    #[error("the meter of {name} cannot be compared: something below it has no meter")]
    NoSumBelow { name: String },
}

impl OfTiers {
    /// What would be right.
    #[rustfmt::skip]
    pub(super) fn mend(&self) -> String {
        match self {
            Self::SeveralFeeders { .. } => "keep one name in fed_by".into(),
            Self::UnknownFeeder { near, .. } => did_you_mean(near.as_ref(), "name a tier of this file of a kind further up: main, busway, tap-off, PDU, rack", &[]),
            Self::FeederNotAbove { .. } => "name a tier of a kind further up: main, busway, tap-off, PDU, rack".into(),
            Self::MeterUnit { .. } => "give the path before l1/current of the meter".into(),
            Self::NotTwoSides { .. } => "name one of side A and one of side B, or say cords = \"single\"".into(),
            Self::NotSingle { .. } => "remove cords, or one of the two".into(),
            Self::RatingAboveFeeder { .. } => "check both ratings".into(),
            Self::FeedsNothing { .. } => "say what it feeds by fed_by there, or remove it".into(),
            Self::Unmetered { .. } => "name its meter, or know that its load, failover and capacity are not watched".into(),
            Self::NoFailover { .. } => "meter that cord or the tap-off in front of it".into(),
            Self::FeedsNoRack { .. } => "take {feeds} out of the text, or name the meter of its tier in [[busway]], [[tapoff]] or [[pdu]]".into(),
            Self::NotASource { .. } => "name the point of upsOutputSource (RFC 1628), such as ups/a1/output/source".into(),
            Self::NoSumBelow { .. } => "meter it, or know that a wrong meter shows nowhere".into(),
        }
    }

    /// Stable code.
    pub(super) fn code(&self) -> &'static str {
        match self {
            Self::SeveralFeeders { .. } => "several_feeders",
            Self::UnknownFeeder { .. } => "unknown_feeder",
            Self::FeederNotAbove { .. } => "feeder_not_above",
            Self::MeterUnit { .. } => "meter_unit",
            Self::NotTwoSides { .. } => "not_two_sides",
            Self::NotSingle { .. } => "not_single",
            Self::RatingAboveFeeder { .. } => "rating_above_feeder",
            Self::FeedsNothing { .. } => "feeds_nothing",
            Self::Unmetered { .. } => "unmetered",
            Self::NoFailover { .. } => "no_failover",
            Self::FeedsNoRack { .. } => "feeds_no_rack",
            Self::NotASource { .. } => "not_a_source",
            Self::NoSumBelow { .. } => "no_sum_below",
        }
    }
}
