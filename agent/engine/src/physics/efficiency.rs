//! Efficiency of a module: energy and water ratios of ISO/IEC 30134 over a period, ratios of powers under other names.
//!
//! PUE (part 2) is the ratio of ENERGIES summed over the same twelve months, never a mean of ratios nor a ratio of
//! powers. Where the IT energy is metered (UPS output, PDU output, equipment input: categories 1 to 3) is the caller's to
//! state. Part 9 (water) from memory. A ratio of powers is none of the standard's and has a name of its own; the cooling
//! load factor, cooling by IT, is the part of PUE − 1 that cooling has (from memory). Sums over a moving period are
//! `energy_period`'s. Energies kWh, water L, powers kW. Never panics.
#![doc = ""]
#![doc = include_str!("efficiency.md")]

use super::{NoNumber, finite, not_negative, outside};

/// Energies by month or other part of the period, summed: total over IT.
///
/// # Errors
/// `DomainError` for no or unequal numbers of parts, negative energies, or a total below the IT energy (the meters
/// disagree); `Undefined` without IT energy.
pub fn pue(e_total_kwh: &[f64], e_it_kwh: &[f64]) -> Result<f64, NoNumber> {
    if e_total_kwh.len() != e_it_kwh.len() {
        return Err(outside("e_total_kwh", "as many as e_it_kwh"));
    }
    let (total, it) = (sum("e_total_kwh", e_total_kwh)?, sum("e_it_kwh", e_it_kwh)?);
    let ratio = by_it(total, it)?;
    if ratio < 1.0 { Err(outside("e_total_kwh", "at least the IT energy: the meters disagree")) } else { Ok(ratio) }
}

/// Partial PUE of a bounded zone: (its overhead + IT)/IT.
///
/// # Errors
/// `DomainError` for negative energies, `Undefined` without IT energy.
pub fn ppue(e_it_kwh: f64, e_sub_overhead_kwh: f64) -> Result<f64, NoNumber> {
    let it = not_negative("e_it_kwh", e_it_kwh)?;
    by_it(it + not_negative("e_sub_overhead_kwh", e_sub_overhead_kwh)?, it)
}

/// Water usage effectiveness, L/kWh: water by IT energy, both summed.
///
/// # Errors
/// `DomainError` for no or unequal numbers of parts or negative numbers; `Undefined` without IT energy.
pub fn wue(water_l: &[f64], e_it_kwh: &[f64]) -> Result<f64, NoNumber> {
    if water_l.len() != e_it_kwh.len() {
        return Err(outside("water_l", "as many as e_it_kwh"));
    }
    by_it(sum("water_l", water_l)?, sum("e_it_kwh", e_it_kwh)?)
}

/// Where the IT energy is metered: ISO/IEC 30134-2's categories.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Category {
    /// At the output of the UPS.
    One,
    /// At the output of the power distribution units.
    Two,
    /// At the input of the IT equipment.
    Three,
}

impl Category {
    /// Its name in the standard.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::One => "category 1 (basic): IT energy at the UPS output",
            Self::Two => "category 2 (intermediate): IT energy at the PDU output",
            Self::Three => "category 3 (advanced): IT energy at the equipment input",
        }
    }
}

/// Ratio of the present total power to the IT power. No PUE: that is of energies over a year.
///
/// # Errors
/// `DomainError` for negative powers, or a total below the IT power; `Undefined` without IT power.
pub fn power_ratio(total_kw: f64, it_kw: f64) -> Result<f64, NoNumber> {
    let (total, it) = (not_negative("total_kw", total_kw)?, not_negative("it_kw", it_kw)?);
    if it == 0.0 {
        return Err(NoNumber::Undefined("there is no IT power"));
    }
    if total < it {
        return Err(outside("total_kw", "at least the IT power: the meters disagree"));
    }
    finite("it_kw", total / it)
}

/// Cooling load factor: power (or energy) of the cooling by that of the IT equipment.
///
/// # Errors
/// `DomainError` for negative numbers, `Undefined` without IT power.
pub fn cooling_load_factor(cooling: f64, it: f64) -> Result<f64, NoNumber> {
    let (cooling, it) = (not_negative("cooling", cooling)?, not_negative("it", it)?);
    if it == 0.0 {
        return Err(NoNumber::Undefined("there is no IT power"));
    }
    finite("it", cooling / it)
}

fn by_it(what: f64, it: f64) -> Result<f64, NoNumber> {
    if it == 0.0 {
        return Err(NoNumber::Undefined("there is no IT energy"));
    }
    finite("e_it_kwh", what / it)
}

fn sum(input: &'static str, parts: &[f64]) -> Result<f64, NoNumber> {
    if parts.is_empty() {
        return Err(outside(input, "at least one"));
    }
    parts.iter().try_fold(0.0, |sum, part| finite(input, sum + not_negative(input, *part)?))
}

#[cfg(test)]
mod tests {
    use super::super::checks::relative;
    use super::*;

    #[test]
    fn published_rows() {
        relative(
            "O070",
            pue(&[52_000.0, 47_000.0, 51_000.0], &[40_000.0, 38_000.0, 39_000.0]),
            1.282_051_282_051_3,
            1e-12,
        );
        relative("O071", ppue(400.0, 22.0), 1.055, 1e-12);
        assert_eq!(pue(&[0.4], &[0.0]).map_err(NoNumber::word), Err("undefined"), "O072");
        relative("water", wue(&[100.0, 80.0], &[50.0, 50.0]), 1.8, 1e-12);
    }

    #[test]
    fn common_practice() {
        // No source: close-coupled on warm water about 1.05, with a chiller plant about 1.25.
        relative("warm water", power_ratio(414.0 + 20.7, 414.0), 1.05, 1e-9);
        relative("cooling load factor", cooling_load_factor(103.5, 414.0), 0.25, 1e-12);
        assert_eq!(power_ratio(400.0, 414.0).map_err(NoNumber::input), Err(Some("total_kw")));
        assert_eq!(power_ratio(1.0, 0.0).map_err(NoNumber::word), Err("undefined"));
        assert_eq!(cooling_load_factor(1.0, 0.0).map_err(NoNumber::word), Err("undefined"));
        assert!(Category::Two.name().starts_with("category 2"));
    }

    #[test]
    fn unsound_inputs() {
        for (total, it) in [
            (&[][..], &[][..]),
            (&[2.0], &[1.0, 1.0]),
            (&[-2.0], &[1.0]),
            (&[1.0], &[2.0]),
            (&[f64::NAN], &[1.0]),
            (&[f64::MAX, f64::MAX], &[1.0, 1.0]),
        ] {
            assert_eq!(pue(total, it).map_err(NoNumber::word), Err("domain_error"), "{total:?} {it:?}");
        }
        assert_eq!(ppue(0.0, 1.0).map_err(NoNumber::word), Err("undefined"));
        assert!(wue(&[1.0], &[]).is_err());
    }
}
