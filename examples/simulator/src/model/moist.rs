//! Moisture of the module's air: what leaks in, what the coil takes out, and the dew point that follows.
//!
//! Saturation pressure: ASHRAE Handbook Fundamentals ch. 1 eq. 6 (Hyland–Wexler), over liquid water, 0–200 °C; inside
//! the module it is never colder. Humidity ratio kg/kg, temperature °C, pressure Pa. Never panics.

use super::truth::Truth;
use super::upset::Upset;

const PRESSURE_PA: f64 = 101_215.0; // 9 m above the sea
const AIR_KG: f64 = 140.0;
/// Outside air on a fair day, and on the humid day of the fault.
const OUTSIDE: f64 = 0.0075;
const HUMID_OUTSIDE: f64 = 0.0175;
/// Leakage of a closed module, one with an open door, one with a broken air seal, kg/s.
const LEAK_KG_S: f64 = 0.01;
const DOOR_KG_S: f64 = 0.12;
const BROKEN_SEAL_KG_S: f64 = 2.4;

/// Condensate and leakage.
#[derive(Clone, Debug, Default)]
pub struct Moist {
    /// Water in the condensate pan, kg.
    pan_kg: f64,
}

impl Moist {
    /// Humidity ratio, dew point and relative humidities for a step.
    pub fn step(&mut self, dt_s: f64, upset: &Upset, truth: &mut Truth) {
        let doors = upset.door_open.iter().filter(|d| **d).count() as f64;
        let (outside, mut leak) =
            (if upset.humid_air { HUMID_OUTSIDE } else { OUTSIDE }, LEAK_KG_S + doors * DOOR_KG_S);
        if upset.humid_air {
            leak += BROKEN_SEAL_KG_S;
        }
        truth.humidity_ratio += (outside - truth.humidity_ratio) * (1.0 - libm::exp(-leak * dt_s / AIR_KG));
        // The coldest of the coil's surface is about a kelvin above the water.
        let at_surface = ratio_of(saturation_pa(truth.supply_water_c + 1.0));
        if truth.humidity_ratio > at_surface {
            let through_coil = (truth.air_flow_m3s * 1.18 * 0.3 * dt_s / AIR_KG).min(1.0);
            let taken = (truth.humidity_ratio - at_surface) * through_coil;
            truth.humidity_ratio -= taken;
            self.pan_kg += taken * AIR_KG;
        }
        // The drain takes a little.
        self.pan_kg = (self.pan_kg - 0.002 * dt_s).clamp(0.0, 6.0);
        truth.condensate_high = upset.condensate_high || self.pan_kg > 3.0;
        let vapour = PRESSURE_PA * truth.humidity_ratio / (0.621_945 + truth.humidity_ratio);
        truth.dew_point_c = dew_point_c(vapour, truth.dew_point_c);
        truth.cold_aisle_rh = 100.0 * (vapour / saturation_pa(truth.cold_aisle_c)).min(1.0);
        truth.hot_aisle_rh = 100.0 * (vapour / saturation_pa(truth.hot_aisle_c)).min(1.0);
    }
}

/// Saturation pressure over liquid water, Pa.
#[must_use]
pub fn saturation_pa(celsius: f64) -> f64 {
    libm::exp(ln_saturation(celsius + 273.15))
}

/// Its logarithm by the absolute temperature.
fn ln_saturation(t: f64) -> f64 {
    -5.800_220_6e3 / t + 1.391_499_3 - 4.864_023_9e-2 * t + 4.176_476_8e-5 * t * t - 1.445_209_3e-8 * t * t * t
        + 6.545_967_3 * libm::log(t)
}

fn ratio_of(vapour_pa: f64) -> f64 {
    0.621_945 * vapour_pa / (PRESSURE_PA - vapour_pa)
}

/// Dew point by Newton on ln p from a guess nearby; the logarithm is nearly linear: three rounds are exact to a
/// microkelvin from 5 K away, and a step moves it by far less.
fn dew_point_c(vapour_pa: f64, guess_c: f64) -> f64 {
    let mut t = guess_c.clamp(0.0, 60.0);
    let wanted = libm::log(vapour_pa);
    for _ in 0..3 {
        let k = t + 273.15;
        let slope =
            5.800_220_6e3 / (k * k) - 4.864_023_9e-2 + 8.352_953_6e-5 * k - 4.335_627_9e-8 * k * k + 6.545_967_3 / k;
        t = (t - (ln_saturation(k) - wanted) / slope).clamp(0.0, 60.0);
    }
    t
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn saturation_pressure_is_the_published_one() {
        // ASHRAE's equation as a reference library has it: 5 °C 872.487, 25 °C 3169.22, 50 °C 12349.9 Pa.
        for (t, pa) in [(5.0, 872.487), (25.0, 3169.22), (50.0, 12349.9)] {
            // Six digits are published.
            assert!((saturation_pa(t) / pa - 1.0).abs() < 5e-6, "{t}");
        }
    }

    #[test]
    fn dew_point_undoes_saturation() {
        for t in [1.0, 9.5, 17.0, 24.0, 40.0] {
            for guess in [t - 5.0, t + 5.0] {
                assert!((dew_point_c(saturation_pa(t), guess) - t).abs() < 1e-6, "{t} from {guess}");
            }
        }
    }
}
