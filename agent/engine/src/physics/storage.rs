//! How much heat a module puts into its own mass, or gives back from it, instead of carrying it away.
//!
//! Two signs of it, each a bound in kW. A node whose temperature moves stores its capacity times the slope. And equipment
//! follows a change of its load only with its own time constant, C/hA of the two-node model (`ride_through`): what the load
//! is above or below its own first-order lag is at most what the equipment still stores. The second knows a step at once,
//! before any temperature has moved; the first knows what the load does not show (a valve that hunts, a chiller that comes
//! back). Neither knows what happened before its first reading: the caller waits for a whole window. Heat kW, capacities
//! kJ/K, heat transfer kW/K, slopes K/s, times ms on a clock that does not go back. Never panics.

use super::ride_through::conservative_ha;
use super::{NoNumber, finite, not_negative, positive};

/// Time constant of the equipment, s: capacity by heat transfer; 0 for the transfer takes the safe side until it is fitted.
///
/// # Errors
/// `DomainError` for a capacity that is not positive or a negative transfer.
pub fn time_constant_s(c_mass: f64, ha_kw_k: f64) -> Result<f64, NoNumber> {
    let fitted = not_negative("ha_kw_k", ha_kw_k)?;
    let ha = if fitted == 0.0 { conservative_ha(c_mass)? } else { fitted };
    finite("c_mass", positive("c_mass", c_mass)? / ha)
}

/// Heat that a node stores whose temperature moves so fast, kW; the size, whatever the direction.
///
/// # Errors
/// `DomainError` for a negative capacity or a slope that is not finite.
pub fn by_slope(capacity: f64, k_per_s: f64) -> Result<f64, NoNumber> {
    finite("slope", not_negative("capacity", capacity)? * libm::fabs(k_per_s))
}

/// A load and its own first-order lag.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LaggedLoad {
    /// When it was last read, and the lag then; nothing before the first reading.
    last: Option<(u64, f64)>,
    /// Since when it has been read without a gap.
    begun_ms: u64,
}

impl LaggedLoad {
    /// Takes the load; how much of it the equipment still stores or gives back at most, kW. A gap longer than
    /// `longest_gap_ms` begins anew, with the equipment taken to be in balance; a time that is not later leaves the lag as it
    /// is.
    ///
    /// # Errors
    /// `DomainError` for a negative load or a time constant that is not positive; nothing is taken then.
    pub fn push(&mut self, at_ms: u64, q_kw: f64, tau_s: f64, longest_gap_ms: u64) -> Result<f64, NoNumber> {
        let (q, tau) = (not_negative("q_kw", q_kw)?, positive("tau_s", tau_s)?);
        let lag = match self.last {
            Some((before, lag)) if at_ms.saturating_sub(before) <= longest_gap_ms => {
                #[allow(clippy::cast_precision_loss)] // no longer than a gap
                let step_s = at_ms.saturating_sub(before) as f64 / 1000.0;
                lag - (q - lag) * libm::expm1(-step_s / tau)
            }
            Some(_) | None => {
                self.begun_ms = at_ms;
                q
            }
        };
        self.last = Some((at_ms.max(self.last.map_or(0, |(before, _)| before)), lag));
        Ok(libm::fabs(q - lag))
    }

    /// How long it has been read without a gap, ms.
    #[must_use]
    pub fn read_for_ms(&self) -> u64 {
        self.last.map_or(0, |(last, _)| last.saturating_sub(self.begun_ms))
    }
}

#[cfg(test)]
mod tests {
    use super::super::checks::relative;
    use super::*;

    #[test]
    fn a_moving_node_stores() {
        // 7650 kJ/K at 0.06 K/min: 7.65 kW, up or down.
        relative("up", by_slope(7650.0, 0.001), 7.65, 1e-12);
        relative("down", by_slope(7650.0, -0.001), 7.65, 1e-12);
        assert!(by_slope(-1.0, 0.001).is_err() && by_slope(1.0, f64::NAN).is_err());
        relative("fitted", time_constant_s(7650.0, 25.5), 300.0, 1e-12);
        relative("not fitted", time_constant_s(7650.0, 0.0), 600.0, 1e-12);
        assert!(time_constant_s(0.0, 1.0).is_err() && time_constant_s(1.0, -1.0).is_err());
    }

    #[test]
    fn a_step_of_the_load_fades_with_the_time_constant() {
        let mut load = LaggedLoad::default();
        assert_eq!(load.read_for_ms(), 0);
        for second in 0..100 {
            assert_eq!(load.push(second * 1000, 300.0, 300.0, 30_000), Ok(0.0));
        }
        let mut stored = 0.0;
        for second in 100..=400 {
            stored = load.push(second * 1000, 360.0, 300.0, 30_000).expect("sound");
        }
        // 60 kW after one time constant and the first second's step: 60/e.
        relative("after 300 s", Ok(stored), 60.0 * libm::exp(-301.0 / 300.0), 1e-9);
        assert_eq!(load.read_for_ms(), 400_000);
        // Uneven readings give the same as even ones: the lag is exact for a load that stands between two of them.
        let before = load;
        assert!(load.push(401_000, -1.0, 300.0, 30_000).is_err() && load.push(401_000, 1.0, 0.0, 30_000).is_err());
        assert_eq!(load, before);
        let again = load.push(400_000, 360.0, 300.0, 30_000).expect("not later");
        relative("not later", Ok(again), stored, 1e-9);
        assert_eq!(load.push(500_000, 200.0, 300.0, 30_000), Ok(0.0), "a gap begins anew");
        assert_eq!(load.read_for_ms(), 0);
    }

    #[test]
    fn it_bounds_what_the_two_node_model_stores() {
        // Equipment alone in air that stands still: C T' = q − hA (T − T_air); what it stores is q less what it gives off.
        let (c, ha) = (7650.0, 25.5);
        let (mut t, mut load, mut worst) = (300.0 / ha, LaggedLoad::default(), 0.0_f64);
        for second in 0..3000_u32 {
            let q = if (600..1500).contains(&second) { 400.0 } else { 300.0 };
            let bound = load.push(u64::from(second) * 1000, q, c / ha, 30_000).expect("sound");
            let stored = q - ha * t;
            assert!(libm::fabs(stored) <= bound + 0.4, "{second} s: {stored} kW stored, {bound} kW said");
            worst = worst.max(libm::fabs(stored));
            t += (q - ha * t) / c;
        }
        assert!(worst > 90.0, "{worst}");
    }
}
