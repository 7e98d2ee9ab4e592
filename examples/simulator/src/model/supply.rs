//! Utility, generator and transfer switch: which of them feeds the module's main supply.
//!
//! The generator starts a second after the utility fails and carries the load after about ten (NFPA 110 Type 10: 10 s,
//! from memory). After the utility is back the switch waits, then goes over without a gap. Seconds, volts line to
//! neutral, Hz. Never panics.

use super::truth::Truth;
use super::upset::Upset;

const NOTICE_S: f64 = 1.0;
const START_S: f64 = 8.0;
const TRANSFER_S: f64 = 10.0;
/// The generator gives up cranking.
const FAIL_S: f64 = 15.0;
/// Before going back to the utility; minutes in life, shortened so that a demo of a minute sees it.
const RETURN_S: f64 = 12.0;
const COOL_DOWN_S: f64 = 60.0;
/// How the main's load lies on its phases, and its displacement and distortion together. Invented.
pub const PHASE_SHARES: [f64; 3] = [0.336, 0.332, 0.332];
/// See [`PHASE_SHARES`].
pub const POWER_FACTOR: f64 = 0.96;

/// Timers of the changeover.
#[derive(Clone, Debug, Default)]
pub struct Supply {
    lost_s: f64,
    back_s: f64,
}

impl Supply {
    /// Sources and main voltage for a step.
    pub fn step(&mut self, dt_s: f64, upset: &Upset, truth: &mut Truth) {
        truth.utility_healthy = !upset.utility_lost;
        let may_start = !(upset.generator_blocked || upset.generator_not_in_auto || upset.generator_start_battery_low);
        if truth.utility_healthy {
            self.lost_s = 0.0;
            self.back_s += dt_s;
            truth.generator_failed = false;
            if truth.on_generator && self.back_s >= RETURN_S {
                truth.on_generator = false;
            }
            if self.back_s >= RETURN_S + COOL_DOWN_S {
                truth.generator_running = false;
            }
        } else {
            self.back_s = 0.0;
            self.lost_s += dt_s;
            if may_start && self.lost_s >= START_S {
                truth.generator_running = true;
            }
            truth.generator_failed =
                !truth.generator_running && !upset.generator_not_in_auto && self.lost_s >= NOTICE_S + FAIL_S;
            if truth.generator_running && self.lost_s >= TRANSFER_S {
                truth.on_generator = true;
            }
        }
        truth.main_breaker_closed = !upset.emergency_off;
        let source_live = if truth.on_generator { truth.generator_running } else { truth.utility_healthy };
        let live = source_live && truth.main_breaker_closed;
        truth.main_volts = match (live, truth.on_generator) {
            (false, _) => [0.0; 3],
            (true, true) => [229.0, 229.2, 228.8],
            (true, false) => [231.2, 230.6, 231.9],
        };
        truth.main_hz = match (live, truth.on_generator) {
            (false, _) => 0.0,
            (true, true) => 50.2,
            (true, false) => 50.0,
        };
    }

    /// Currents of the main supply by its power and voltages.
    pub fn carry(truth: &mut Truth) {
        for (p, share) in PHASE_SHARES.into_iter().enumerate() {
            let volts = truth.main_volts[p];
            truth.main_amps[p] =
                if volts > 100.0 { truth.main_kw * share * 1000.0 / (volts * POWER_FACTOR) } else { 0.0 };
        }
    }

    /// Whether the main supply lives.
    #[must_use]
    pub fn live(truth: &Truth) -> bool {
        truth.main_volts[0] > 100.0
    }
}
