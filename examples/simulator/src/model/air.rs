//! Air and equipment mass: cold aisle, racks, hot aisle; recirculation when the fans move less than the servers.
//!
//! The two-node ride-through model (air node and mass node: ASHRAE Trans. 117(1)) with the mass divided over the racks:
//! C_s T_s' = −hA(T_s − T_air), τ_s = C_s/hA = 300 s. Air in a rack is quasi-static. Updates are exponential, so that no
//! step is too long. Temperatures °C, flows m³/s, heat kW. Never panics.

use super::layout::{RACK_KW, RACKS};
use super::truth::Truth;
use super::upset::Upset;

/// Heat capacity of a cubic metre of air near 25 °C and 101 kPa, kJ/(m³ K): 1.184 kg/m³ · 1.006 kJ/(kg K).
pub const AIR_KJ_PER_M3K: f64 = 1.184 * 1.006;

const COLD_AISLE_M3: f64 = 45.0;
const HOT_AISLE_M3: f64 = 75.0;
/// 850 kg of equipment at 0.5 kJ/(kg K).
const RACK_KJ_PER_K: f64 = 425.0;
/// Server time constant, s.
const TAU_S: f64 = 300.0;
/// Rise through the servers that their fans hold, K.
const SERVER_RISE_K: f64 = 12.2;
/// Leakage through blanking gaps as a share of the hot air, by place.
const LEAK: f64 = 0.012;
/// More hot air comes over the top of a rack than under it.
const HEIGHT: [f64; 3] = [1.7, 0.9, 0.4];

/// State that is not a true value a card could show.
#[derive(Clone, Debug)]
pub struct Air {
    mass_c: [f64; RACKS],
    /// Hot air that the racks draw through gaps; it does not come out of the cold aisle.
    leak_m3s: f64,
}

/// Near its steady state at full load.
impl Default for Air {
    fn default() -> Self {
        Self { mass_c: [29.3; RACKS], leak_m3s: 0.35 }
    }
}

impl Air {
    /// All air and mass temperatures for a step.
    pub fn step(&mut self, dt_s: f64, upset: &Upset, truth: &mut Truth) {
        let fan_kw: f64 = truth.fans.iter().map(|f| f.power_w).sum::<f64>() / 1000.0;
        let supply = truth.air_flow_m3s;
        let drawn = truth.server_air_flow_m3s;
        let supply_air_c = truth.coil_leaving_air_c + fan_kw / (AIR_KJ_PER_M3K * supply.max(0.5));
        // An open cold-aisle door lets hot air round; without doors only a shortage does.
        let through_door = if upset.door_open[0] { 0.06 * drawn } else { 0.0 };
        let from_cold = drawn - self.leak_m3s;
        let short = (from_cold - supply).max(0.0) + through_door;
        let surplus = (supply - from_cold).max(0.0) + through_door;

        let into_cold = supply + short;
        let cold_mix = (supply * supply_air_c + short * truth.hot_aisle_c) / into_cold.max(1e-6);
        truth.cold_aisle_c += (cold_mix - truth.cold_aisle_c) * (1.0 - libm::exp(-into_cold * dt_s / COLD_AISLE_M3));

        let mut drawn_now = 0.0;
        let mut leaked = 0.0;
        let mut out_heat = 0.0;
        let mass_share = 1.0 - libm::exp(-dt_s / TAU_S);
        let span = truth.hot_aisle_c - truth.cold_aisle_c;
        let round = short / drawn.max(1e-6);
        for (r, rated_kw) in RACK_KW.into_iter().enumerate() {
            // Racks at the ends of the row catch more of it.
            let place = if r % 9 == 0 || r % 9 == 8 { 1.6 } else { 0.8 };
            let (mut inlet, mut gaps) = (0.0, 0.0);
            for (k, height) in HEIGHT.iter().enumerate() {
                let share = (LEAK * place * height + 0.4 * round * (height - 1.0)).clamp(-0.3, 0.6);
                truth.inlet_c[r][k] = truth.cold_aisle_c + share * span;
                inlet += truth.inlet_c[r][k] / 3.0;
                gaps += share / 3.0;
            }
            let flow = (truth.rack_kw[r] + 0.02 * rated_kw) / (AIR_KJ_PER_M3K * SERVER_RISE_K)
                * (1.0 + 0.03 * (inlet - 27.0).clamp(0.0, 12.0));
            let c = AIR_KJ_PER_M3K * flow;
            let h = RACK_KJ_PER_K / TAU_S;
            let outlet =
                (inlet * (1.0 - h / (2.0 * c)) + (truth.rack_kw[r] + h * self.mass_c[r]) / c) / (1.0 + h / (2.0 * c));
            self.mass_c[r] += (0.5 * (inlet + outlet) - self.mass_c[r]) * mass_share;
            truth.outlet_c[r] = outlet;
            drawn_now += flow;
            leaked += gaps * flow;
            out_heat += flow * outlet;
        }
        truth.server_air_flow_m3s = drawn_now;
        self.leak_m3s = leaked;
        let into_hot = drawn_now + surplus;
        let hot_mix = (out_heat + surplus * truth.cold_aisle_c) / into_hot.max(1e-6);
        truth.hot_aisle_c += (hot_mix - truth.hot_aisle_c) * (1.0 - libm::exp(-into_hot * dt_s / HOT_AISLE_M3));
    }

    /// Heat in the air of both aisles and in the equipment, above 0 °C, kJ.
    #[must_use]
    pub fn stored_kj(&self, truth: &Truth) -> f64 {
        let air = COLD_AISLE_M3 * truth.cold_aisle_c + HOT_AISLE_M3 * truth.hot_aisle_c;
        AIR_KJ_PER_M3K * air + RACK_KJ_PER_K * self.mass_c.iter().sum::<f64>()
    }

    /// How much of its work a server still does at an inlet temperature: throttles from 45 °C, off at 65 °C
    /// (common practice, no source).
    #[must_use]
    pub fn work_share(inlet_c: f64) -> f64 {
        ((65.0 - inlet_c) / 20.0).clamp(0.0, 1.0)
    }
}
