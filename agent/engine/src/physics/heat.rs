//! Heat in a water circuit with how sure it is, from the classes of its sensors and below the meter's cut-off.
//!
//! Below the flow meter's cut-off nothing is carried, and the temperatures are those of standing water at the probes:
//! the heat is zero and doubtful. Temperature sensors by IEC 60751 classes ±(0.15 + 0.002 |t|) K (A), ±(0.1 + 0.0017 |t|)
//! (AA), ±(0.3 + 0.005 |t|) (B), or a pair matched to 0.05 K in difference, EN 1434 (from memory). The tolerance is taken
//! as the uncertainty. (u_Q/Q)² = (u_V/V)² + (u_ΔT/ΔT)², with √2 of one sensor for a pair that is not matched.
//! Temperatures °C, flows m³/h, heat kW. Never panics.

use super::air::temperature;
use super::water::{Meter, water_cp, water_density, water_heat_kw};
use super::{NoNumber, within};

/// How good the two temperature sensors are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SensorClass {
    /// IEC 60751 class AA.
    Aa,
    /// IEC 60751 class A.
    A,
    /// IEC 60751 class B.
    B,
    /// Two sensors matched to each other.
    Pair,
}

impl SensorClass {
    /// Uncertainty of a difference of two temperatures, K.
    #[must_use]
    pub fn difference_k(self, t_one_c: f64, t_other_c: f64) -> f64 {
        let one = |t: f64| match self {
            Self::Aa => 0.1 + 0.0017 * libm::fabs(t),
            Self::A => 0.15 + 0.002 * libm::fabs(t),
            Self::B => 0.3 + 0.005 * libm::fabs(t),
            Self::Pair => 0.05 / core::f64::consts::SQRT_2,
        };
        libm::hypot(one(t_one_c), one(t_other_c))
    }
}

/// A circuit's readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Circuit {
    /// Flow, m³/h.
    pub flow_m3h: f64,
    /// Supply temperature, °C.
    pub t_supply_c: f64,
    /// Return temperature, °C.
    pub t_return_c: f64,
    /// Pressure, Pa.
    pub p_pa: f64,
    /// Where the flow meter sits.
    pub meter: Meter,
    /// Flow below which the meter shows nothing that counts, m³/h.
    pub cut_off_m3h: f64,
}

/// A circuit's heat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heat {
    /// Heat taken up, kW; negative when the return is colder.
    pub kw: f64,
    /// The flow is above the cut-off, so that the temperatures are those of the water that flows.
    pub flows: bool,
}

/// Heat with its sign; zero below the cut-off. A small backward flow of a meter at rest counts as none.
///
/// # Errors
/// As `water_heat_kw`; `DomainError` for a cut-off outside 0…10⁵ m³/h or a flow that is not finite.
pub fn water_heat(circuit: &Circuit) -> Result<Heat, NoNumber> {
    let cut_off = within("cut_off_m3h", circuit.cut_off_m3h, 0.0, 1e5)?;
    let flow = within("flow_m3h", circuit.flow_m3h, -cut_off, 1e6)?;
    if flow <= cut_off {
        temperature("t_supply_c", circuit.t_supply_c)?;
        temperature("t_return_c", circuit.t_return_c)?;
        return Ok(Heat { kw: 0.0, flows: false });
    }
    let kw = water_heat_kw(flow, circuit.t_supply_c, circuit.t_return_c, circuit.p_pa, circuit.meter)?;
    Ok(Heat { kw, flows: true })
}

/// Uncertainty of that heat, kW. Without flow it is what the cut-off could carry unseen.
///
/// # Errors
/// As `water_heat`; `DomainError` for an uncertainty of the flow outside 0…10.
pub fn water_heat_uncertainty(circuit: &Circuit, flow_rel: f64, class: SensorClass) -> Result<f64, NoNumber> {
    let rel = within("flow_rel", flow_rel, 0.0, 10.0)?;
    let heat = water_heat(circuit)?;
    let (supply, back) = (circuit.t_supply_c, circuit.t_return_c);
    let flow = if heat.flows { circuit.flow_m3h } else { circuit.cut_off_m3h };
    let mean = (supply + back) / 2.0;
    let named = |none: NoNumber| none.renamed("t_c", "t_return_c");
    let per_k = flow / 3600.0
        * water_density(mean, circuit.p_pa).map_err(named)?
        * water_cp(mean, circuit.p_pa).map_err(named)?;
    if !heat.flows {
        return Ok(per_k * libm::fabs(back - supply));
    }
    Ok(libm::hypot(heat.kw * rel, per_k * class.difference_k(supply, back)))
}

#[cfg(test)]
mod tests {
    use super::super::checks::{absolute, relative};
    use super::*;

    const CIRCUIT: Circuit = Circuit {
        flow_m3h: 36.2,
        t_supply_c: 17.0,
        t_return_c: 27.0,
        p_pa: 300_000.0,
        meter: Meter::Supply,
        cut_off_m3h: 1.0,
    };

    #[test]
    fn four_hundred_and_twenty_kilowatts() {
        // 420 kW at 10 K is 10.05 L/s (standards, worked number).
        relative("heat", water_heat(&CIRCUIT).map(|heat| heat.kw), 420.5, 2e-3);
        let warm = Circuit { t_supply_c: 27.0, t_return_c: 17.0, ..CIRCUIT };
        assert!(water_heat(&warm).expect("sound").kw < -400.0, "its sign is kept");
    }

    #[test]
    fn classes_as_published() {
        // Standards: 0.19 K each at 20 °C over 6 K is 4.5 %, class AA 3.2 %, a matched pair 1.2 % or less.
        let six = Circuit { t_supply_c: 20.0, t_return_c: 26.0, ..CIRCUIT };
        let share =
            |class| Ok(water_heat_uncertainty(&six, 0.0, class).expect("sound") / water_heat(&six).expect("sound").kw);
        absolute("A", share(SensorClass::A), 0.045, 2e-3);
        absolute("AA", share(SensorClass::Aa), 0.032, 2e-3);
        assert!(share(SensorClass::Pair).expect("sound") < 0.012);
        let with_flow = water_heat_uncertainty(&CIRCUIT, 0.02, SensorClass::Pair).expect("sound");
        relative("flow 2 % and 0.05 K of 10 K", Ok(with_flow / 420.5), libm::hypot(0.02, 0.005), 1e-2);
    }

    #[test]
    fn below_the_cut_off_there_is_no_heat_and_doubt() {
        for flow_m3h in [1.0, 0.3, 0.0, -0.9] {
            let still = Circuit { flow_m3h, ..CIRCUIT };
            assert_eq!(water_heat(&still), Ok(Heat { kw: 0.0, flows: false }));
            relative("unseen", water_heat_uncertainty(&still, 0.02, SensorClass::A), 11.6, 0.01);
        }
        let backward = Circuit { flow_m3h: -1.1, ..CIRCUIT };
        assert_eq!(water_heat(&backward).map_err(NoNumber::input), Err(Some("flow_m3h")));
        let nan = Circuit { flow_m3h: f64::NAN, ..CIRCUIT };
        assert!(water_heat(&nan).is_err());
    }
}
