//! What a point measures: quantities by name, with the units each accepts and how often each is read by default.
//!
//! A quantity says more than a dimension: a temperature and a difference of temperatures are both kelvins, a level and a
//! distance both metres. Default scan periods follow how fast the quantity can hurt: a full module warms by kelvins a
//! second, so anything that announces a loss of cooling or power is read every second (common practice, no source).
//! Knows no point. Never panics.

use serde::{Deserialize, Serialize};

use crate::unit::{Dimension, Unit};
use crate::vocabulary::Vocabulary;

/// What a point measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    /// Temperature of air, water or a surface; also dew point.
    Temperature,
    /// Difference of two temperatures.
    TemperatureDifference,
    /// Rate of change of a temperature.
    TemperatureRate,
    /// Relative humidity.
    RelativeHumidity,
    /// Mass of water vapour for a mass of dry air.
    HumidityRatio,
    /// Pressure against vacuum or atmosphere.
    Pressure,
    /// Difference of two pressures.
    DifferentialPressure,
    /// Volume flow of air or water.
    VolumeFlow,
    /// Mass flow.
    MassFlow,
    /// Speed of air or water.
    Velocity,
    /// Rotational speed.
    Speed,
    /// Voltage.
    Voltage,
    /// Current.
    Current,
    /// Active power; also heat flow.
    Power,
    /// Apparent power.
    ApparentPower,
    /// Reactive power.
    ReactivePower,
    /// Power factor.
    PowerFactor,
    /// Energy, counted.
    Energy,
    /// Frequency of the supply.
    Frequency,
    /// Electrical resistance.
    Resistance,
    /// Electric charge of a battery.
    Charge,
    /// Charge of a battery as part of its full charge.
    ChargeLevel,
    /// A duration.
    Time,
    /// Filling of a tank, as part or height.
    Level,
    /// A length or position.
    Length,
    /// One number over another: load, opening, effectiveness, unbalance.
    Ratio,
    /// Amount of a substance in air or water.
    Concentration,
    /// Electrical conductivity of water.
    Conductivity,
    /// pH of water.
    Acidity,
    /// Mass by volume of a fluid.
    Density,
    /// Enthalpy by mass.
    Enthalpy,
    /// Heat capacity of a body.
    HeatCapacity,
    /// Heat capacity by mass.
    SpecificHeat,
    /// Heat carried by a difference of temperatures: a coil's conductance, a stream's capacity flow.
    HeatTransfer,
    /// A volume.
    Volume,
    /// Water used for an energy.
    WaterByEnergy,
    /// How many.
    Count,
    /// One of several named states.
    State,
}

impl Quantity {
    /// Its name as in maps and the catalogue.
    #[must_use]
    pub fn name(self) -> &'static str {
        self.as_word()
    }

    /// The quantity of a name.
    #[must_use]
    pub fn parse(name: &str) -> Option<Self> {
        Self::from_word(name)
    }

    /// How often such a point is read unless its map says otherwise, in milliseconds.
    #[must_use]
    pub const fn scan_period_ms(self) -> u32 {
        match self {
            Self::Temperature
            | Self::TemperatureDifference
            | Self::TemperatureRate
            | Self::Pressure
            | Self::DifferentialPressure
            | Self::VolumeFlow
            | Self::MassFlow
            | Self::Velocity
            | Self::Speed
            | Self::Voltage
            | Self::Current
            | Self::Power
            | Self::ApparentPower
            | Self::ReactivePower
            | Self::PowerFactor
            | Self::Frequency
            | Self::Ratio
            | Self::State => 1_000,
            Self::Charge | Self::ChargeLevel | Self::Time | Self::Level | Self::Length | Self::Count => 5_000,
            Self::RelativeHumidity | Self::HumidityRatio | Self::Concentration | Self::Density | Self::Enthalpy => {
                10_000
            }
            Self::HeatTransfer => 1_000,
            Self::HeatCapacity | Self::SpecificHeat | Self::Volume | Self::WaterByEnergy => 60_000,
            Self::Energy | Self::Resistance | Self::Conductivity | Self::Acidity => 60_000,
        }
    }

    /// Whether a unit fits.
    #[must_use]
    pub fn accepts(self, unit: &Unit) -> bool {
        let dimension = unit.dimension();
        match self {
            Self::Temperature => dimension == Dimension::Temperature,
            // A unit with its own zero cannot state a difference.
            Self::TemperatureDifference => dimension == Dimension::Temperature && !unit.has_offset(),
            Self::TemperatureRate => dimension == Dimension::TemperatureRate,
            Self::RelativeHumidity | Self::HumidityRatio | Self::PowerFactor | Self::ChargeLevel | Self::Ratio => {
                dimension == Dimension::Number
            }
            Self::Count | Self::State => unit.code() == "1",
            Self::Pressure | Self::DifferentialPressure => dimension == Dimension::Pressure,
            Self::VolumeFlow => dimension == Dimension::VolumeFlow,
            Self::MassFlow => dimension == Dimension::MassFlow,
            Self::Velocity => dimension == Dimension::Velocity,
            Self::Speed | Self::Frequency => dimension == Dimension::Frequency,
            Self::Voltage => dimension == Dimension::Voltage,
            Self::Current => dimension == Dimension::Current,
            Self::Power => dimension == Dimension::Power,
            Self::ApparentPower => dimension == Dimension::ApparentPower,
            Self::ReactivePower => dimension == Dimension::ReactivePower,
            Self::Energy => dimension == Dimension::Energy,
            Self::Resistance => dimension == Dimension::Resistance,
            Self::Charge => dimension == Dimension::Charge,
            Self::Time => dimension == Dimension::Time,
            Self::Level => matches!(dimension, Dimension::Number | Dimension::Length),
            Self::Length => dimension == Dimension::Length,
            Self::Concentration => matches!(dimension, Dimension::Number | Dimension::Density),
            Self::Conductivity => dimension == Dimension::Conductivity,
            Self::Acidity => dimension == Dimension::Acidity,
            Self::Density => dimension == Dimension::Density,
            Self::Enthalpy => dimension == Dimension::Enthalpy,
            Self::HeatCapacity => dimension == Dimension::HeatCapacity,
            Self::SpecificHeat => dimension == Dimension::SpecificHeat,
            Self::HeatTransfer => dimension == Dimension::HeatTransfer,
            Self::Volume => dimension == Dimension::Volume,
            Self::WaterByEnergy => dimension == Dimension::WaterByEnergy,
        }
    }

    /// The units that fit, for a message that says what would be right.
    pub fn units(self) -> impl Iterator<Item = &'static Unit> {
        Unit::all().iter().filter(move |unit| self.accepts(unit))
    }
}

impl Vocabulary for Quantity {
    const WORDS: &'static [(&'static str, Self)] = &[
        ("temperature", Self::Temperature),
        ("temperature_difference", Self::TemperatureDifference),
        ("temperature_rate", Self::TemperatureRate),
        ("relative_humidity", Self::RelativeHumidity),
        ("humidity_ratio", Self::HumidityRatio),
        ("pressure", Self::Pressure),
        ("differential_pressure", Self::DifferentialPressure),
        ("volume_flow", Self::VolumeFlow),
        ("mass_flow", Self::MassFlow),
        ("velocity", Self::Velocity),
        ("speed", Self::Speed),
        ("voltage", Self::Voltage),
        ("current", Self::Current),
        ("power", Self::Power),
        ("apparent_power", Self::ApparentPower),
        ("reactive_power", Self::ReactivePower),
        ("power_factor", Self::PowerFactor),
        ("energy", Self::Energy),
        ("frequency", Self::Frequency),
        ("resistance", Self::Resistance),
        ("charge", Self::Charge),
        ("charge_level", Self::ChargeLevel),
        ("time", Self::Time),
        ("level", Self::Level),
        ("length", Self::Length),
        ("ratio", Self::Ratio),
        ("concentration", Self::Concentration),
        ("conductivity", Self::Conductivity),
        ("acidity", Self::Acidity),
        ("density", Self::Density),
        ("enthalpy", Self::Enthalpy),
        ("heat_capacity", Self::HeatCapacity),
        ("specific_heat", Self::SpecificHeat),
        ("heat_transfer", Self::HeatTransfer),
        ("volume", Self::Volume),
        ("water_by_energy", Self::WaterByEnergy),
        ("count", Self::Count),
        ("state", Self::State),
    ];
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_serdes_names() {
        for (name, quantity) in Quantity::WORDS {
            assert_eq!(serde_json::to_value(quantity).expect("serialises"), *name);
            assert_eq!(Quantity::parse(name), Some(*quantity));
        }
        assert_eq!(Quantity::parse("Temperature"), None);
    }

    #[test]
    fn every_quantity_has_units_and_every_unit_a_quantity() {
        for (name, quantity) in Quantity::WORDS {
            assert!(quantity.units().next().is_some(), "{name} accepts no unit");
            assert!(quantity.scan_period_ms() >= 1_000);
        }
        for unit in Unit::all() {
            assert!(Quantity::WORDS.iter().any(|(_, q)| q.accepts(unit)), "{} fits nothing", unit.code());
        }
    }

    #[test]
    fn celsius_is_no_difference() {
        let celsius = Unit::parse("Cel").expect("in the table");
        let kelvin = Unit::parse("K").expect("in the table");
        assert!(Quantity::Temperature.accepts(celsius) && Quantity::Temperature.accepts(kelvin));
        assert!(!Quantity::TemperatureDifference.accepts(celsius));
        assert!(Quantity::TemperatureDifference.accepts(kelvin));
        assert!(!Quantity::Power.accepts(Unit::parse("V.A").expect("in the table")));
    }
}
