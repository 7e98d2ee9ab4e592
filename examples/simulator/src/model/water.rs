//! The water loop: duty and standby pump, valve, strainer, static pressure, and the two halves of the loop's volume.
//!
//! Pump curve and resistances are parabolas, so the flow follows from one square root. The controller calls the standby
//! pump when the flow stays low for two seconds. Loop: standards for thermal ride-through, rate Q/(ρ V c_p).
//! Flow m³/h, pressure kPa, volume m³. Never panics.

use super::layout::PUMPS;
use super::truth::{PumpState, Truth};
use super::upset::Upset;

/// Heat capacity flow of 1 m³/h of water near 20 °C, kW/K: 998.3 kg/m³ · 4.184 kJ/(kg K) / 3600 s.
pub const KW_PER_K_A_M3H: f64 = 998.3 * 4.184 / 3600.0;

// Invented, for 36 m³/h with one pump at full speed.
const SHUT_OFF_KPA: f64 = 180.0;
const PUMP_CURVE: f64 = 0.03;
const PIPES: f64 = 0.05;
const VALVE: f64 = 0.0231;
const STRAINER: f64 = 0.0116;
const EFFICIENCY: f64 = 0.62;
/// Between chiller plant and coil, m³.
const SUPPLY_M3: f64 = 1.0;
/// Between coil and chiller plant, m³.
const RETURN_M3: f64 = 0.6;
/// Flow below which the controller believes it lost, m³/h.
const LOST_M3H: f64 = 18.0;
/// How long before it calls the standby pump, s.
const CALL_STANDBY_S: f64 = 2.0;
/// Running up and coasting down.
const PUMP_TAU_S: f64 = 1.0;
const STATIC_KPA: f64 = 200.0;
/// The controller never closes the valve further: the chiller plant needs its flow.
const LEAST_OPEN: f64 = 0.3;
/// Supply air the controller holds with the valve, °C.
pub const SUPPLY_AIR_SETPOINT_C: f64 = 23.0;
/// Clogging is shown faster than in life, so that a demo of a minute sees it.
const CLOG_PER_S: f64 = 0.08;
const WORST_CLOG: f64 = 5.0;

/// State that is not a true value a card could show.
#[derive(Clone, Debug)]
pub struct WaterLoop {
    clog: f64,
    valve_integral: f64,
    low_flow_s: f64,
}

/// Near its steady state at full load.
impl Default for WaterLoop {
    fn default() -> Self {
        Self { clog: 1.0, valve_integral: 0.65, low_flow_s: 0.0 }
    }
}

impl WaterLoop {
    /// Pumps, valve and flow for a step.
    pub fn step_flow(&mut self, dt_s: f64, upset: &Upset, truth: &mut Truth) {
        // Valve: closes when the air is too cold. Its motor is not modelled faster than this.
        let error = truth.coil_leaving_air_c - SUPPLY_AIR_SETPOINT_C;
        self.valve_integral = (self.valve_integral + 0.000_6 * error * dt_s).clamp(LEAST_OPEN, 1.0);
        let wanted = (self.valve_integral + 0.02 * error).clamp(LEAST_OPEN, 1.0);
        let stroke = 0.02 * dt_s;
        truth.valve += (wanted - truth.valve).clamp(-stroke, stroke);

        self.low_flow_s = if truth.water_flow_m3h < LOST_M3H { self.low_flow_s + dt_s } else { 0.0 };
        self.run_pumps(dt_s, upset, truth);
        if upset.strainer_clogging {
            self.clog = (self.clog + CLOG_PER_S * dt_s).min(WORST_CLOG);
        }
        let speed = truth.pumps.iter().fold(0.0_f64, |a, p| a.max(p.speed));
        let resistance = PIPES + VALVE / (truth.valve * truth.valve) + STRAINER * self.clog;
        let flow = speed * libm::sqrt(SHUT_OFF_KPA / (PUMP_CURVE + resistance));
        truth.water_flow_m3h = flow;
        truth.pump_rise_kpa = SHUT_OFF_KPA * speed * speed - PUMP_CURVE * flow * flow;
        truth.strainer_kpa = STRAINER * self.clog * flow * flow;
        for pump in &mut truth.pumps {
            let share = if speed > 0.0 { pump.speed / speed } else { 0.0 };
            let running = pump.state == PumpState::Running;
            let shaft = truth.pump_rise_kpa * flow / 3600.0 / EFFICIENCY;
            pump.power_kw = if running { shaft * share + 0.05 } else { 0.0 };
            if running {
                pump.run_h += dt_s / 3600.0;
            }
        }
        let wanted_kpa = if upset.static_pressure_falls { 40.0 } else { STATIC_KPA };
        truth.static_kpa += (wanted_kpa - truth.static_kpa).clamp(-3.0 * dt_s, 3.0 * dt_s);
    }

    /// Temperatures of the two halves of the loop for a step; the coil's outlet is what the coil made of it.
    pub fn step_temperatures(&self, dt_s: f64, coil_outlet_c: f64, truth: &mut Truth) {
        let moved_m3 = truth.water_flow_m3h * dt_s / 3600.0;
        truth.supply_water_c +=
            (truth.chiller_leaving_c - truth.supply_water_c) * (1.0 - libm::exp(-moved_m3 / SUPPLY_M3));
        truth.return_water_c += (coil_outlet_c - truth.return_water_c) * (1.0 - libm::exp(-moved_m3 / RETURN_M3));
    }

    fn run_pumps(&mut self, dt_s: f64, upset: &Upset, truth: &mut Truth) {
        let nothing_runs = truth.pumps.iter().all(|p| p.state != PumpState::Running);
        for (p, pump) in truth.pumps.iter_mut().enumerate() {
            pump.state = match (pump.state, upset.pump_tripped[p]) {
                (_, true) => PumpState::Tripped,
                (PumpState::Tripped, false) => PumpState::Standby,
                (PumpState::FailedToStart, false) if !upset.standby_fails => PumpState::Standby,
                (state, false) => state,
            };
        }
        if self.low_flow_s >= CALL_STANDBY_S
            && nothing_runs
            && truth.cooling_panel_live
            && let Some(standby) = truth.pumps.iter_mut().find(|p| p.state == PumpState::Standby)
        {
            standby.state = if upset.standby_fails { PumpState::FailedToStart } else { PumpState::Running };
        }
        let share = 1.0 - libm::exp(-dt_s / PUMP_TAU_S);
        for pump in &mut truth.pumps {
            let runs = pump.state == PumpState::Running && truth.cooling_panel_live;
            pump.speed += (if runs { 1.0 } else { 0.0 } - pump.speed) * share;
        }
    }
}

const _: () = assert!(PUMPS == 2, "invariant: one duty and one standby pump");
