//! The six UPS units and their batteries.
//!
//! Runtime from a table of constant power against time, interpolated in logarithms (inside the table; clamped
//! outside). A weak battery shows only when it is used. Power kW, time s. All numbers invented. Never panics.

use std::sync::LazyLock;

use super::layout::BUSWAYS;
use super::truth::{OutputSource, Truth};
use super::upset::Upset;

/// Rated output of each UPS, kW.
pub const RATED_KW: f64 = 170.0;
/// Rectifier and inverter together.
pub const EFFICIENCY: f64 = 0.985;
/// Constant power, kW, and how long a sound, full battery carries it, s: about four and a half minutes at the usual
/// load.
const RUNTIME: [(f64, f64); 6] =
    [(20.0, 1500.0), (40.0, 630.0), (60.0, 360.0), (100.0, 174.0), (140.0, 108.0), (170.0, 84.0)];
/// By stretch of the table: how its time falls with the power, in logarithms.
static STEEPNESS: LazyLock<[f64; RUNTIME.len() - 1]> = LazyLock::new(|| {
    core::array::from_fn(|n| {
        let ((p0, t0), (p1, t1)) = (RUNTIME[n], RUNTIME[n + 1]);
        libm::log(t1 / t0) / libm::log(p1 / p0)
    })
});
/// Recharge from empty, s.
const RECHARGE_S: f64 = 14_400.0;

/// Runtime at a constant power, s.
#[must_use]
pub fn runtime_s(kw: f64) -> f64 {
    let kw = kw.clamp(RUNTIME[0].0, RUNTIME[RUNTIME.len() - 1].0);
    let upper = RUNTIME.iter().position(|(p, _)| kw <= *p).unwrap_or(RUNTIME.len() - 1).max(1);
    let (p0, t0) = RUNTIME[upper - 1];
    t0 * libm::exp(libm::log(kw / p0) * STEEPNESS[upper - 1])
}

/// Sources, batteries and output voltages for a step; output powers and currents are those of the step before.
pub fn step(dt_s: f64, upset: &Upset, main_live: bool, truth: &mut Truth) {
    for b in 0..BUSWAYS {
        let main_volts = truth.main_volts;
        let ups = &mut truth.ups[b];
        if ups.input_volts[0] > 100.0 && !main_live {
            ups.input_line_bads = ups.input_line_bads.wrapping_add(3);
        }
        ups.input_volts = main_volts;
        ups.bypass_ordered = upset.ups_on_bypass[b];
        ups.source = if upset.emergency_off {
            OutputSource::None
        } else if main_live {
            if ups.bypass_ordered { OutputSource::Bypass } else { OutputSource::Normal }
        } else if ups.bypass_ordered || ups.charge <= 0.0 {
            OutputSource::None
        } else {
            OutputSource::Battery
        };
        let runtime = runtime_s(ups.output_kw);
        if ups.source == OutputSource::Battery {
            let health = upset.battery_health[b];
            ups.charge = (ups.charge - dt_s / (runtime * health)).max(0.0);
            ups.remaining_s = ups.charge * runtime * health;
            ups.on_battery_s += dt_s;
            ups.battery_volts = 508.0 - 70.0 * (1.0 - ups.charge) - 0.08 * ups.output_kw;
            ups.battery_amps = -ups.output_kw * 1000.0 / EFFICIENCY / ups.battery_volts;
            ups.battery_c += 0.004 * dt_s * ups.output_kw / 70.0;
        } else {
            let charging = main_live && ups.charge < 1.0;
            ups.charge = if charging { (ups.charge + dt_s / RECHARGE_S).min(1.0) } else { ups.charge };
            ups.remaining_s = ups.charge * runtime;
            ups.on_battery_s = 0.0;
            ups.battery_volts = if main_live { 540.0 } else { 470.0 };
            ups.battery_amps = if charging { 12.0 } else { 0.0 };
            ups.battery_c += (24.0 - ups.battery_c) * (dt_s / 3600.0).min(1.0);
        }
        ups.output_volts = match ups.source {
            OutputSource::None => [0.0; 3],
            OutputSource::Bypass => main_volts,
            OutputSource::Normal | OutputSource::Battery => [230.0; 3],
        };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runtime_meets_its_table_and_falls_with_power() {
        for (kw, s) in RUNTIME {
            assert!((runtime_s(kw) / s - 1.0).abs() < 1e-9, "{kw}");
        }
        assert!((250.0..300.0).contains(&runtime_s(72.0)), "about four and a half minutes: {}", runtime_s(72.0));
        let mut last = f64::MAX;
        for kw in (20..=170).step_by(5) {
            let now = runtime_s(f64::from(kw));
            assert!(now < last);
            last = now;
        }
        assert!((runtime_s(0.0) - 1500.0).abs() < 1e-9 && (runtime_s(900.0) - 84.0).abs() < 1e-9, "clamped");
    }
}
