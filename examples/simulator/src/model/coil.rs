//! The coil: effectiveness from NTU in counterflow, with a conductance that follows both flows.
//!
//! Heat-transfer textbook relations: ε = (1 − e^(−NTU(1−C_r)))/(1 − C_r e^(−NTU(1−C_r))), C_r = 1: NTU/(1 + NTU);
//! 1/UA = R_w + a·V_air^−0.65 + b·V_water^−0.8 (Wilson plot). A coil of many rows is near counterflow. Flows m³/s and
//! m³/h, heat kW. Never panics.

use super::air::AIR_KJ_PER_M3K;
use super::truth::Truth;
use super::water::KW_PER_K_A_M3H;

// Invented, for about 66 kW/K at 30 m³/s and 36 m³/h.
const WALL: f64 = 0.002;
const AIR_SIDE: f64 = 0.0821;
const WATER_SIDE: f64 = 0.0703;
/// The metal and the water in the coil follow a change this slowly, s.
const TAU_S: f64 = 10.0;

/// Effectiveness in counterflow.
#[must_use]
pub fn effectiveness(ntu: f64, ratio: f64) -> f64 {
    if (1.0 - ratio).abs() < 1e-9 {
        return ntu / (1.0 + ntu);
    }
    let e = libm::exp(-ntu * (1.0 - ratio));
    (1.0 - e) / (1.0 - ratio * e)
}

/// Conductance at an air and a water flow, kW/K.
#[must_use]
pub fn conductance(air_m3s: f64, water_m3h: f64) -> f64 {
    1.0 / (WALL + AIR_SIDE * libm::pow(air_m3s, -0.65) + WATER_SIDE * libm::pow(water_m3h, -0.8))
}

/// Air leaving the coil for a step; returns the water's outlet temperature.
pub fn step(dt_s: f64, truth: &mut Truth) -> f64 {
    // A breath of air and water always moves; it keeps the ratios finite.
    let air_m3s = truth.air_flow_m3s.max(0.05);
    let water_m3h = truth.water_flow_m3h.max(0.02);
    let c_air = AIR_KJ_PER_M3K * air_m3s;
    let c_water = KW_PER_K_A_M3H * water_m3h;
    let (c_min, c_max) = if c_air < c_water { (c_air, c_water) } else { (c_water, c_air) };
    let ua = conductance(air_m3s, water_m3h);
    let span = truth.hot_aisle_c - truth.supply_water_c;
    let heat = effectiveness(ua / c_min, c_min / c_max) * c_min * span;
    let keep = libm::exp(-dt_s / TAU_S);
    let leaving = truth.hot_aisle_c - heat / c_air;
    truth.coil_leaving_air_c = leaving + (truth.coil_leaving_air_c - leaving) * keep;
    truth.coil_heat_kw = heat + (truth.coil_heat_kw - heat) * keep;
    let (low, high) =
        if span > 0.0 { (truth.supply_water_c, truth.hot_aisle_c) } else { (truth.hot_aisle_c, truth.supply_water_c) };
    (truth.supply_water_c + truth.coil_heat_kw / c_water).clamp(low, high)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn effectiveness_has_its_limits() {
        // C_r = 0: 1 − e^(−NTU); C_r = 1: NTU/(1 + NTU); textbook.
        assert!((effectiveness(1.5, 0.0) - (1.0 - libm::exp(-1.5))).abs() < 1e-12);
        assert!((effectiveness(2.0, 1.0) - 2.0 / 3.0).abs() < 1e-12);
        assert!((effectiveness(2.0, 1.0 - 1e-7) - 2.0 / 3.0).abs() < 1e-6, "continuous at C_r = 1");
    }
}
