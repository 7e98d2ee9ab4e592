//! Batteries: how long they hold, and how fast heat ages them.
//!
//! A maker's constant-power table (kW, minutes), interpolated on logarithmic axes, on which discharge curves are nearly
//! straight (common practice, no source). The table holds for its own range only: outside, the nearest row's time is
//! given and marked as outside, because nothing is known there. New battery at the table's temperature; age, health and
//! cold are the caller's factors. Power kW, time minutes. Never panics.
#![doc = ""]
#![doc = include_str!("battery.md")]

use super::{NoNumber, finite, outside, positive, within};

/// A time on battery.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Runtime {
    /// Minutes at this power.
    pub minutes: f64,
    /// The power lies inside the table; outside, the time is the nearest row's and uncertain.
    pub within_table: bool,
}

/// Minutes at a constant power, from a table of (kW, minutes) in rising order of power.
///
/// # Errors
/// `DomainError` for a power that is not positive, or a table with fewer than two rows, numbers that are not positive,
/// or powers that do not rise.
pub fn runtime_const_power_min(kw: f64, table: &[(f64, f64)]) -> Result<Runtime, NoNumber> {
    let kw = positive("kw", kw)?;
    let bad_table = outside("table_kw_min", "two rows or more of positive numbers, power rising");
    let rises = table.windows(2).all(|pair| pair[0].0 < pair[1].0);
    let sound = table.iter().all(|(kw, min)| *kw > 0.0 && *min > 0.0 && kw.is_finite() && min.is_finite());
    let (Some(first), Some(last), true, true) = (table.first(), table.last(), rises, sound && table.len() >= 2) else {
        return Err(bad_table);
    };
    if kw < first.0 {
        return Ok(Runtime { minutes: first.1, within_table: false });
    }
    if kw > last.0 {
        return Ok(Runtime { minutes: last.1, within_table: false });
    }
    let Some([low, high]) = table.array_windows().find(|[_, high]| kw <= high.0) else { return Err(bad_table) };
    let part = libm::log(kw / low.0) / libm::log(high.0 / low.0);
    let minutes = low.1 * libm::exp(part * libm::log(high.1 / low.1));
    Ok(Runtime { minutes: finite("table_kw_min", minutes)?, within_table: true })
}

/// Hours at a constant current by Peukert's law, t = H (C/(I H))ᵏ, from the capacity at the H-hour rate. k is 1.05–1.3
/// for lead acid (from memory). Poor where the answer is minutes.
///
/// # Errors
/// `DomainError` for capacity, hours or current that are not positive, an exponent outside 1…2, or too large an answer.
pub fn peukert_h(c_ah: f64, h: f64, i_a: f64, k: f64) -> Result<f64, NoNumber> {
    let (c, h, i) = (positive("c_ah", c_ah)?, positive("h", h)?, positive("i_a", i_a)?);
    finite("i_a", h * libm::pow(c / (i * h), within("k", k, 1.0, 2.0)?))
}

/// Part of the rated life left to a battery kept at a temperature, 2^−((t − 25)/10): it halves with each 10 K above
/// 25 °C and doubles below. The rule of IEEE 450 and 1188 guidance, from memory; the text of IEEE 450 halves each 8.3 K.
///
/// # Errors
/// `DomainError` outside −40…80 °C.
pub fn battery_life_factor(t_c: f64) -> Result<f64, NoNumber> {
    Ok(libm::exp2((25.0 - within("t_c", t_c, -40.0, 80.0)?) / 10.0))
}

#[cfg(test)]
mod tests {
    use super::super::checks::{absolute, relative};
    use super::*;

    const TABLE: [(f64, f64); 4] = [(4.0, 22.0), (8.0, 9.5), (12.0, 5.6), (16.0, 3.8)];

    #[test]
    fn published_runtime() {
        // Row O068, closed form of the log-log interpolation.
        let got = runtime_const_power_min(13.5, &TABLE).expect("inside");
        relative("O068", Ok(got.minutes), 4.777_929_570_616_994, 1e-3);
        assert!(got.within_table);
    }

    #[test]
    fn published_laws() {
        relative("O067", peukert_h(100.0, 20.0, 10.0, 1.2), 8.705_505_632_961_2, 1e-9);
        relative("the rate itself", peukert_h(100.0, 20.0, 5.0, 1.3), 20.0, 1e-12);
        relative("O069", battery_life_factor(35.0), 0.5, 1e-12);
        relative("25 °C", battery_life_factor(25.0), 1.0, 1e-12);
        assert!(peukert_h(100.0, 20.0, 0.0, 1.2).is_err() && peukert_h(100.0, 20.0, 10.0, 0.9).is_err());
        assert!(battery_life_factor(81.0).is_err() && battery_life_factor(f64::NAN).is_err());
    }

    #[test]
    fn rows_are_met_and_outside_is_said() {
        for (kw, minutes) in TABLE {
            absolute("row", runtime_const_power_min(kw, &TABLE).map(|got| got.minutes), minutes, 1e-9);
        }
        assert_eq!(runtime_const_power_min(20.0, &TABLE), Ok(Runtime { minutes: 3.8, within_table: false }));
        assert_eq!(runtime_const_power_min(1.0, &TABLE), Ok(Runtime { minutes: 22.0, within_table: false }));
    }

    #[test]
    fn unsound_inputs() {
        assert_eq!(runtime_const_power_min(0.0, &TABLE).map_err(NoNumber::input), Err(Some("kw")));
        assert_eq!(runtime_const_power_min(f64::NAN, &TABLE).map_err(NoNumber::input), Err(Some("kw")));
        let tables: [&[(f64, f64)]; 5] = [
            &[],
            &[(4.0, 22.0)],
            &[(8.0, 9.0), (4.0, 22.0)],
            &[(4.0, 22.0), (8.0, 0.0)],
            &[(4.0, 22.0), (f64::NAN, 1.0)],
        ];
        for table in tables {
            assert_eq!(runtime_const_power_min(5.0, table).map_err(NoNumber::input), Err(Some("table_kw_min")));
        }
    }
}
