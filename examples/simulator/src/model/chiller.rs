//! The chiller plant: holds its leaving water temperature while it runs, and takes its time to come back.
//!
//! Stops without supply, trips on lost flow, restarts only after a waiting time (quick restart, or the long one).
//! Temperatures °C, heat and power kW. Invented. Never panics.

use super::truth::{ChillerState, Truth};
use super::upset::Upset;
use super::water::KW_PER_K_A_M3H;

/// Leaving water it holds, °C.
pub const SETPOINT_C: f64 = 17.0;
const CAPACITY_KW: f64 = 500.0;
/// With heat rejection and its own pumps.
const COEFFICIENT_OF_PERFORMANCE: f64 = 5.3;
const RUN_TAU_S: f64 = 15.0;
/// Cold left in the evaporator after it stops.
const STOP_TAU_S: f64 = 6.0;
const NO_FLOW_M3H: f64 = 12.0;
const NO_FLOW_TRIP_S: f64 = 8.0;
const QUICK_RESTART_S: f64 = 60.0;
const LONG_RESTART_S: f64 = 300.0;

/// State that is not a true value a card could show.
#[derive(Clone, Debug, Default)]
pub struct Chiller {
    no_flow_s: f64,
    wait_s: f64,
    dropped_out: bool,
}

impl Chiller {
    /// State, heat taken and leaving temperature for a step; `supplied` says whether the main supply lives.
    pub fn step(&mut self, dt_s: f64, upset: &Upset, supplied: bool, truth: &mut Truth) {
        let flows = truth.water_flow_m3h >= NO_FLOW_M3H;
        self.no_flow_s = if flows { 0.0 } else { self.no_flow_s + dt_s };
        self.decide(dt_s, upset, supplied, flows, truth);

        let c_water = KW_PER_K_A_M3H * truth.water_flow_m3h;
        let running = truth.chiller == ChillerState::Running;
        let wanted =
            if running { (c_water * (truth.return_water_c - SETPOINT_C)).clamp(0.0, CAPACITY_KW) } else { 0.0 };
        let tau = if running { RUN_TAU_S } else { STOP_TAU_S };
        truth.chiller_cooling_kw += (wanted - truth.chiller_cooling_kw) * (1.0 - libm::exp(-dt_s / tau));
        if c_water > 8.0 {
            // It throttles rather than freeze its water; without flow the probe sees what stands there.
            truth.chiller_leaving_c = (truth.return_water_c - truth.chiller_cooling_kw / c_water).max(15.0);
        }
        truth.chiller_power_kw =
            if running { 4.0 + truth.chiller_cooling_kw / COEFFICIENT_OF_PERFORMANCE } else { 0.3 };
        if !supplied {
            truth.chiller_power_kw = 0.0;
        }
    }

    fn decide(&mut self, dt_s: f64, upset: &Upset, supplied: bool, flows: bool, truth: &mut Truth) {
        if upset.chiller_dropped_out && !self.dropped_out {
            truth.chiller = ChillerState::Waiting;
            self.wait_s = LONG_RESTART_S;
        }
        self.dropped_out = upset.chiller_dropped_out;
        truth.chiller = match truth.chiller {
            _ if upset.chiller_tripped => ChillerState::Tripped,
            _ if !supplied => ChillerState::Stopped,
            ChillerState::Running if self.no_flow_s >= NO_FLOW_TRIP_S => {
                self.wait_s = QUICK_RESTART_S;
                ChillerState::Waiting
            }
            ChillerState::Running => ChillerState::Running,
            ChillerState::Tripped | ChillerState::Stopped => {
                self.wait_s = QUICK_RESTART_S;
                ChillerState::Waiting
            }
            ChillerState::Waiting => {
                self.wait_s -= dt_s;
                if self.wait_s <= 0.0 && flows { ChillerState::Running } else { ChillerState::Waiting }
            }
        };
    }
}
