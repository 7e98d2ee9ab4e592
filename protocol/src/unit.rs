//! Units by their case-sensitive UCUM code, with what people see and how each converts.
//!
//! The table holds the units a module's devices use; a code that is not in it is unknown. Conversion is `value × factor +
//! offset` to the SI unit of the dimension, in f64; the caller quantises. Definitions: The Unified Code for Units of
//! Measure, version 2.1 (from memory; an independent UCUM converter agrees with every factor but those of mercury and
//! water columns, where it uses other reference densities than UCUM). UCUM has no var: `V.A{reactive}` is its
//! apparent-power unit with an annotation, kept apart here as its own dimension. UCUM's special unit `Cel` may not be
//! combined, so a rate is `K/min`. Never panics.

use core::fmt;

use crate::decimal::{Decimal, DecimalError};

/// What a unit measures, with the SI unit that conversions pass through.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Dimension {
    /// Pure number (1).
    Number,
    /// Temperature (K).
    Temperature,
    /// Change of temperature by time (K/s).
    TemperatureRate,
    /// Pressure (Pa).
    Pressure,
    /// Volume flow (m3/s).
    VolumeFlow,
    /// Mass flow (kg/s).
    MassFlow,
    /// Velocity (m/s).
    Velocity,
    /// Frequency and rotational speed (1/s).
    Frequency,
    /// Voltage (V).
    Voltage,
    /// Current (A).
    Current,
    /// Active power (W).
    Power,
    /// Apparent power (V.A).
    ApparentPower,
    /// Reactive power (V.A).
    ReactivePower,
    /// Energy (J).
    Energy,
    /// Resistance (Ohm).
    Resistance,
    /// Electric charge (C).
    Charge,
    /// Time (s).
    Time,
    /// Length (m).
    Length,
    /// Mass by volume (kg/m3).
    Density,
    /// Conductivity (S/m).
    Conductivity,
    /// pH.
    Acidity,
    /// Energy by mass (J/kg).
    Enthalpy,
    /// Energy by temperature (J/K).
    HeatCapacity,
    /// Energy by mass and temperature (J/(kg.K)).
    SpecificHeat,
    /// Power by temperature (W/K).
    HeatTransfer,
    /// Volume (m3).
    Volume,
    /// Volume by energy (m3/J).
    WaterByEnergy,
}

/// One unit of the table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unit {
    code: &'static str,
    text: &'static str,
    dimension: Dimension,
    factor: f64,
    offset: f64,
}

/// Why a conversion has no answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum UnitError {
    /// The two units measure different things.
    Incompatible,
    /// The converted number does not fit at the wanted exponent.
    Number(DecimalError),
}

impl fmt::Display for UnitError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Incompatible => {
                f.write_str("the two units measure different things; give a unit of the same quantity")
            }
            Self::Number(error) => write!(f, "the converted number is {error}"),
        }
    }
}

impl core::error::Error for UnitError {}

impl Unit {
    /// The unit of a UCUM code.
    #[must_use]
    pub fn parse(code: &str) -> Option<&'static Self> {
        TABLE.iter().find(|unit| unit.code == code)
    }

    /// Every unit known, for suggestions.
    #[must_use]
    pub const fn all() -> &'static [Self] {
        TABLE
    }

    /// UCUM code, as on the wire.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        self.code
    }

    /// What people see after the number; empty for a pure number.
    #[must_use]
    pub const fn text(&self) -> &'static str {
        self.text
    }

    /// What it measures.
    #[must_use]
    pub const fn dimension(&self) -> Dimension {
        self.dimension
    }

    /// Whether its zero is not the dimension's zero.
    #[must_use]
    pub fn has_offset(&self) -> bool {
        self.offset != 0.0
    }

    /// A number in this unit as a number in another.
    ///
    /// # Errors
    /// `Incompatible` when the units measure different things.
    pub fn convert(&self, value: f64, to: &Self) -> Result<f64, UnitError> {
        if self.dimension != to.dimension {
            return Err(UnitError::Incompatible);
        }
        if self.code == to.code {
            return Ok(value);
        }
        Ok((value * self.factor + self.offset - to.offset) / to.factor)
    }

    /// A decimal in this unit as a decimal in another, at an exponent, half to even.
    ///
    /// # Errors
    /// `Incompatible` when the units measure different things, `Number` when the result does not fit.
    pub fn convert_decimal(&self, value: Decimal, to: &Self, exponent: i8) -> Result<Decimal, UnitError> {
        if self.code == to.code {
            return value.rescale(exponent).map_err(UnitError::Number);
        }
        Decimal::quantise(self.convert(value.to_f64(), to)?, exponent).map_err(UnitError::Number)
    }

    /// UCUM code of a change of this unit by minute: `Cel` → `K/min`, `bar` → `bar/min`, `1` → `/min`. `None` for units
    /// with their own zero other than `Cel`, whose differences UCUM cannot name.
    #[cfg(feature = "alloc")]
    #[must_use]
    pub fn per_minute(&self) -> Option<alloc::string::String> {
        match self.code {
            "Cel" => Some("K/min".into()),
            "1" => Some("/min".into()),
            _ if self.has_offset() => None,
            code => Some(alloc::format!("{code}/min")),
        }
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.text)
    }
}

const fn unit(code: &'static str, text: &'static str, dimension: Dimension, factor: f64, offset: f64) -> Unit {
    Unit { code, text, dimension, factor, offset }
}

use Dimension as D;

/// ITS-90: 0 °C is 273.15 K.
const ICE_POINT_K: f64 = 273.15;
/// UCUM `[psi]`: 4.4482216152605 N over (0.0254 m)².
const PSI_PA: f64 = 6_894.757_293_168_361;
/// UCUM `m[H2O]`: 9.80665 kPa.
const METRE_OF_WATER_PA: f64 = 9_806.65;
/// UCUM `m[Hg]`: 133.3220 kPa.
const METRE_OF_MERCURY_PA: f64 = 133_322.0;
/// UCUM `[gal_us]`: 231 cubic inches.
const GALLON_M3: f64 = 0.003_785_411_784;
/// Cubic foot: (0.3048 m)³.
const CUBIC_FOOT_M3: f64 = 0.028_316_846_592;

const TABLE: &[Unit] = &[
    unit("1", "", D::Number, 1.0, 0.0),
    unit("%", "%", D::Number, 0.01, 0.0),
    unit("[ppth]", "‰", D::Number, 1e-3, 0.0),
    unit("[ppm]", "ppm", D::Number, 1e-6, 0.0),
    unit("[ppb]", "ppb", D::Number, 1e-9, 0.0),
    unit("g/kg", "g/kg", D::Number, 1e-3, 0.0),
    unit("kg/kg", "kg/kg", D::Number, 1.0, 0.0),
    unit("Cel", "°C", D::Temperature, 1.0, ICE_POINT_K),
    unit("K", "K", D::Temperature, 1.0, 0.0),
    unit("[degF]", "°F", D::Temperature, 5.0 / 9.0, ICE_POINT_K - 32.0 * 5.0 / 9.0),
    unit("K/s", "K/s", D::TemperatureRate, 1.0, 0.0),
    unit("K/min", "K/min", D::TemperatureRate, 1.0 / 60.0, 0.0),
    unit("K/h", "K/h", D::TemperatureRate, 1.0 / 3600.0, 0.0),
    unit("Pa", "Pa", D::Pressure, 1.0, 0.0),
    unit("hPa", "hPa", D::Pressure, 1e2, 0.0),
    unit("kPa", "kPa", D::Pressure, 1e3, 0.0),
    unit("MPa", "MPa", D::Pressure, 1e6, 0.0),
    unit("mbar", "mbar", D::Pressure, 1e2, 0.0),
    unit("bar", "bar", D::Pressure, 1e5, 0.0),
    unit("[psi]", "psi", D::Pressure, PSI_PA, 0.0),
    unit("m[H2O]", "mH₂O", D::Pressure, METRE_OF_WATER_PA, 0.0),
    unit("mm[H2O]", "mmH₂O", D::Pressure, METRE_OF_WATER_PA * 1e-3, 0.0),
    unit("[in_i'H2O]", "inH₂O", D::Pressure, METRE_OF_WATER_PA * 0.0254, 0.0),
    unit("mm[Hg]", "mmHg", D::Pressure, METRE_OF_MERCURY_PA * 1e-3, 0.0),
    unit("m3/s", "m³/s", D::VolumeFlow, 1.0, 0.0),
    unit("m3/min", "m³/min", D::VolumeFlow, 1.0 / 60.0, 0.0),
    unit("m3/h", "m³/h", D::VolumeFlow, 1.0 / 3600.0, 0.0),
    unit("L/s", "L/s", D::VolumeFlow, 1e-3, 0.0),
    unit("L/min", "L/min", D::VolumeFlow, 1e-3 / 60.0, 0.0),
    unit("L/h", "L/h", D::VolumeFlow, 1e-3 / 3600.0, 0.0),
    unit("[gal_us]/min", "gal/min", D::VolumeFlow, GALLON_M3 / 60.0, 0.0),
    unit("[cft_i]/min", "ft³/min", D::VolumeFlow, CUBIC_FOOT_M3 / 60.0, 0.0),
    unit("kg/s", "kg/s", D::MassFlow, 1.0, 0.0),
    unit("kg/h", "kg/h", D::MassFlow, 1.0 / 3600.0, 0.0),
    unit("m/s", "m/s", D::Velocity, 1.0, 0.0),
    unit("[ft_i]/min", "ft/min", D::Velocity, 0.3048 / 60.0, 0.0),
    unit("Hz", "Hz", D::Frequency, 1.0, 0.0),
    unit("kHz", "kHz", D::Frequency, 1e3, 0.0),
    unit("/s", "/s", D::Frequency, 1.0, 0.0),
    unit("/min", "/min", D::Frequency, 1.0 / 60.0, 0.0),
    unit("{rev}/min", "rpm", D::Frequency, 1.0 / 60.0, 0.0),
    unit("{rpm}", "rpm", D::Frequency, 1.0 / 60.0, 0.0),
    unit("V", "V", D::Voltage, 1.0, 0.0),
    unit("mV", "mV", D::Voltage, 1e-3, 0.0),
    unit("kV", "kV", D::Voltage, 1e3, 0.0),
    unit("A", "A", D::Current, 1.0, 0.0),
    unit("mA", "mA", D::Current, 1e-3, 0.0),
    unit("kA", "kA", D::Current, 1e3, 0.0),
    unit("W", "W", D::Power, 1.0, 0.0),
    unit("kW", "kW", D::Power, 1e3, 0.0),
    unit("MW", "MW", D::Power, 1e6, 0.0),
    unit("V.A", "VA", D::ApparentPower, 1.0, 0.0),
    unit("kV.A", "kVA", D::ApparentPower, 1e3, 0.0),
    unit("MV.A", "MVA", D::ApparentPower, 1e6, 0.0),
    unit("V.A{reactive}", "var", D::ReactivePower, 1.0, 0.0),
    unit("kV.A{reactive}", "kvar", D::ReactivePower, 1e3, 0.0),
    unit("J", "J", D::Energy, 1.0, 0.0),
    unit("kJ", "kJ", D::Energy, 1e3, 0.0),
    unit("MJ", "MJ", D::Energy, 1e6, 0.0),
    unit("W.h", "Wh", D::Energy, 3.6e3, 0.0),
    unit("kW.h", "kWh", D::Energy, 3.6e6, 0.0),
    unit("MW.h", "MWh", D::Energy, 3.6e9, 0.0),
    unit("Ohm", "Ω", D::Resistance, 1.0, 0.0),
    unit("mOhm", "mΩ", D::Resistance, 1e-3, 0.0),
    unit("kOhm", "kΩ", D::Resistance, 1e3, 0.0),
    unit("MOhm", "MΩ", D::Resistance, 1e6, 0.0),
    unit("A.h", "Ah", D::Charge, 3.6e3, 0.0),
    unit("ms", "ms", D::Time, 1e-3, 0.0),
    unit("s", "s", D::Time, 1.0, 0.0),
    unit("min", "min", D::Time, 60.0, 0.0),
    unit("h", "h", D::Time, 3600.0, 0.0),
    unit("d", "d", D::Time, 86_400.0, 0.0),
    unit("mm", "mm", D::Length, 1e-3, 0.0),
    unit("cm", "cm", D::Length, 1e-2, 0.0),
    unit("m", "m", D::Length, 1.0, 0.0),
    unit("kg/m3", "kg/m³", D::Density, 1.0, 0.0),
    unit("g/m3", "g/m³", D::Density, 1e-3, 0.0),
    unit("mg/m3", "mg/m³", D::Density, 1e-6, 0.0),
    unit("ug/m3", "µg/m³", D::Density, 1e-9, 0.0),
    unit("mg/L", "mg/L", D::Density, 1e-3, 0.0),
    unit("S/m", "S/m", D::Conductivity, 1.0, 0.0),
    unit("mS/cm", "mS/cm", D::Conductivity, 1e-1, 0.0),
    unit("uS/cm", "µS/cm", D::Conductivity, 1e-4, 0.0),
    unit("[pH]", "pH", D::Acidity, 1.0, 0.0),
    unit("J/kg", "J/kg", D::Enthalpy, 1.0, 0.0),
    unit("kJ/kg", "kJ/kg", D::Enthalpy, 1e3, 0.0),
    unit("J/K", "J/K", D::HeatCapacity, 1.0, 0.0),
    unit("kJ/K", "kJ/K", D::HeatCapacity, 1e3, 0.0),
    unit("J/(kg.K)", "J/(kg K)", D::SpecificHeat, 1.0, 0.0),
    unit("kJ/(kg.K)", "kJ/(kg K)", D::SpecificHeat, 1e3, 0.0),
    unit("W/K", "W/K", D::HeatTransfer, 1.0, 0.0),
    unit("kW/K", "kW/K", D::HeatTransfer, 1e3, 0.0),
    unit("L", "L", D::Volume, 1e-3, 0.0),
    unit("m3", "m³", D::Volume, 1.0, 0.0),
    unit("L/(kW.h)", "L/kWh", D::WaterByEnergy, 1e-3 / 3.6e6, 0.0),
    unit("m3/(MW.h)", "m³/MWh", D::WaterByEnergy, 1.0 / 3.6e9, 0.0),
];

#[cfg(test)]
mod tests {
    use super::*;

    fn converted(value: f64, from: &str, to: &str) -> f64 {
        let (from, to) = (Unit::parse(from).expect("in the table"), Unit::parse(to).expect("in the table"));
        from.convert(value, to).expect("same dimension")
    }

    fn near(actual: f64, expected: f64) {
        assert!((actual - expected).abs() <= expected.abs() * 1e-12 + 1e-12, "{actual} is not {expected}");
    }

    #[test]
    fn published_values() {
        near(converted(0.0, "Cel", "K"), 273.15); // ITS-90
        near(converted(212.0, "[degF]", "Cel"), 100.0); // NIST SP 811 B.8
        near(converted(-40.0, "Cel", "[degF]"), -40.0);
        near(converted(1.0, "[psi]", "Pa"), 4.448_221_615_260_5 / (0.0254 * 0.0254)); // NIST SP 811 B.8: 6.894757 kPa
        near(converted(1.0, "bar", "kPa"), 100.0);
        assert!((converted(1.0, "[in_i'H2O]", "Pa") - 249.0889).abs() < 1e-4); // NIST SP 811: conventional, 249.0889
        near(converted(1.0, "[gal_us]/min", "L/min"), 3.785_411_784); // NIST SP 811: 231 cubic inches
        near(converted(1.0, "[cft_i]/min", "m3/h"), 0.3048 * 0.3048 * 0.3048 * 60.0);
        near(converted(1.0, "kW.h", "MJ"), 3.6);
        near(converted(3000.0, "{rpm}", "Hz"), 50.0);
        near(converted(36.2, "m3/h", "L/s"), 36.2 / 3.6);
        near(converted(50.0, "%", "1"), 0.5);
    }

    #[test]
    fn codes_are_unique_and_case_counts() {
        for (at, unit) in TABLE.iter().enumerate() {
            assert!(TABLE[..at].iter().all(|other| other.code != unit.code), "{} twice", unit.code);
            assert!(unit.factor > 0.0 && unit.code.is_ascii());
        }
        assert_ne!(Unit::parse("mV.A").map(Unit::code), Some("MV.A"));
        assert_eq!(Unit::parse("cel"), None);
        assert_eq!(Unit::parse("Kw"), None);
        assert_eq!(Unit::parse("Cel/min"), None);
    }

    #[test]
    fn there_and_back() {
        for from in TABLE {
            for to in TABLE.iter().filter(|to| to.dimension == from.dimension) {
                let there = from.convert(21.4, to).expect("same dimension");
                let back = to.convert(there, from).expect("same dimension");
                assert!((back - 21.4).abs() < 1e-6, "{} to {} and back: {back}", from.code, to.code);
            }
        }
    }

    #[test]
    fn different_things_do_not_convert() {
        let (kw, kva) = (Unit::parse("kW").expect("in the table"), Unit::parse("kV.A").expect("in the table"));
        assert_eq!(kw.convert(1.0, kva), Err(UnitError::Incompatible));
        assert_eq!(kw.convert_decimal(Decimal::new(1, 0), kva, 0), Err(UnitError::Incompatible));
    }

    #[test]
    fn decimals_stay_exact_in_their_own_unit() {
        let celsius = Unit::parse("Cel").expect("in the table");
        let kelvin = Unit::parse("K").expect("in the table");
        assert_eq!(celsius.convert_decimal(Decimal::new(i64::MAX, -1), celsius, -1), Ok(Decimal::new(i64::MAX, -1)));
        assert_eq!(celsius.convert_decimal(Decimal::new(214, -1), kelvin, -2), Ok(Decimal::new(29_455, -2)));
    }
}
