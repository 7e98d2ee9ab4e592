//! The fan wall: fourteen fans in parallel behind one common coil and filter, and their speed control.
//!
//! Fan laws (flow ~ N, pressure ~ N², power ~ N³: AMCA, ASHRAE Systems and Equipment, from memory) on a parabolic fan
//! curve; all fans see the common pressure rise. A stopped fan lets air back through its damper, much if the damper
//! stays open. Flows m³/s, pressures Pa, speeds as a share of full speed. Never panics.

use super::layout::FANS;
use super::truth::Truth;
use super::upset::Upset;

/// Full speed, rpm. Invented.
pub const FULL_SPEED_RPM: f64 = 1750.0;
/// Lowest commanded speed, share.
pub const LOWEST_SPEED: f64 = 0.2;

// Invented, for 30 m³/s against 200 Pa with twelve fans at full speed.
const SHUT_OFF_PA: f64 = 400.0;
const CURVE_PA: f64 = 32.0;
const COIL_PA: f64 = 0.1222;
const FILTER_PA: f64 = 0.1;
/// Backward flow through a stopped fan: dp = c·q².
const OPEN_DAMPER_PA: f64 = 60.0;
const CLOSED_DAMPER_PA: f64 = 2500.0;
/// How finely the common pressure is found: 0.4 mPa.
const NOTCHES: u32 = 1 << 20;
const NOTCH_PA: f64 = SHUT_OFF_PA / NOTCHES as f64;
const EFFICIENCY: f64 = 0.64;
/// Bearing and electronics losses of one fan at full speed, W.
const IDLE_W: f64 = 60.0;
const MOTOR_TAU_S: f64 = 240.0;
/// Motor warmth above its air at a power of 1 W.
const MOTOR_K_A_W: f64 = 0.035;
/// Aisle pressure the controller holds, Pa.
const AISLE_SETPOINT_PA: f64 = 3.0;
/// Pressure of a closed cold aisle for a surplus of 1 m³/s, Pa.
const AISLE_PA_A_M3S: f64 = 4.0;
/// Clogging is shown some thousand times faster than in life, so that a demo of a minute sees it.
const CLOG_PER_S: f64 = 0.06;
const WORST_CLOG: f64 = 4.5;

/// State that is not a true value a card could show.
#[derive(Clone, Debug)]
pub struct FanWall {
    /// Filter resistance as a multiple of clean.
    clog: f64,
    /// Integral part of the speed command.
    integral: f64,
}

/// Near its steady state at full load.
impl Default for FanWall {
    fn default() -> Self {
        Self { clog: 1.0, integral: 0.93 }
    }
}

impl FanWall {
    /// Speeds, pressure, flow and power for a step.
    pub fn step(&mut self, dt_s: f64, upset: &Upset, truth: &mut Truth) {
        let door = if upset.door_open[0] { 0.2 } else { 1.0 };
        let surplus = truth.air_flow_m3s - truth.server_air_flow_m3s;
        // Stiff containment leaks at its seams: the pressure flattens out.
        let pressure = AISLE_PA_A_M3S * door * surplus;
        truth.aisle_pa = pressure / (1.0 + pressure.abs() / 40.0);
        let error = AISLE_SETPOINT_PA - truth.aisle_pa;
        self.integral = (self.integral + 0.000_8 * error * dt_s).clamp(LOWEST_SPEED, 1.0);
        let automatic = (self.integral + 0.002 * error).clamp(LOWEST_SPEED, 1.0);
        truth.fan_command = if upset.fans_to_minimum { LOWEST_SPEED } else { automatic };

        self.clog = if upset.filter_clogging { (self.clog + CLOG_PER_S * dt_s).min(WORST_CLOG) } else { self.clog };
        let (up, down) = (1.0 - libm::exp(-dt_s / 2.0), 1.0 - libm::exp(-dt_s / 3.0));
        let dt_h = dt_s / 3600.0;
        let motor_keep = libm::exp(-dt_s / MOTOR_TAU_S);
        for f in 0..FANS {
            let stopped = upset.fan_stopped[f];
            let fan = &mut truth.fans[f];
            fan.stopped_by_fault = stopped;
            let target = if stopped && upset.damper_stuck_open[f] {
                -0.12 * libm::sqrt(truth.fan_wall_pa / 200.0)
            } else if stopped || !truth.cooling_panel_live {
                0.0
            } else {
                truth.fan_command
            };
            fan.speed += (target - fan.speed) * if target > fan.speed { up } else { down };
            if fan.speed > 0.05 {
                fan.run_h += dt_h;
            }
        }
        self.balance(upset, truth);
        for fan in &mut truth.fans {
            let driven = fan.speed.max(0.0);
            let air_w = fan.flow_m3s.max(0.0) * truth.fan_wall_pa / EFFICIENCY;
            let powered = truth.cooling_panel_live && !fan.stopped_by_fault;
            fan.power_w = if powered { air_w + IDLE_W * driven * driven * driven } else { 0.0 };
            let settled = truth.coil_leaving_air_c + MOTOR_K_A_W * fan.power_w;
            fan.motor_c = settled + (fan.motor_c - settled) * motor_keep;
        }
    }

    /// Finds the common pressure rise at which the fans' flow equals the coil's and filter's.
    fn balance(&self, upset: &Upset, truth: &mut Truth) {
        let resistance = COIL_PA + FILTER_PA * self.clog;
        let mut shut_off = [0.0; FANS];
        let mut back = [CLOSED_DAMPER_PA; FANS];
        // Fans that are alike, with how many they are: mostly all of them.
        let mut kinds = [(0.0, 0.0, 0.0); FANS];
        let mut known = 0;
        for f in 0..FANS {
            let speed = truth.fans[f].speed.max(0.0);
            shut_off[f] = SHUT_OFF_PA * speed * speed;
            if upset.damper_stuck_open[f] {
                back[f] = OPEN_DAMPER_PA;
            }
            let alike = |kind: &&mut (f64, f64, f64)| (kind.0, kind.1) == (shut_off[f], back[f]);
            if let Some(kind) = kinds[..known].iter_mut().find(alike) {
                kind.2 += 1.0;
            } else {
                kinds[known] = (shut_off[f], back[f], 1.0);
                known += 1;
            }
        }
        let flow_of = |shut_off: f64, back: f64, pa: f64| {
            let drive = shut_off - pa;
            if drive >= 0.0 { libm::sqrt(drive / CURVE_PA) } else { -libm::sqrt(-drive / back) }
        };
        let too_low = |notch: u32| {
            let pa = f64::from(notch) * NOTCH_PA;
            let fans: f64 = kinds[..known].iter().map(|(shut_off, back, n)| n * flow_of(*shut_off, *back, pa)).sum();
            fans > libm::sqrt(pa / resistance)
        };
        // The surplus falls strictly with the pressure. From one step to the next it moves little: outward from where it
        // was in growing strides, then halving.
        let before = ((truth.fan_wall_pa / NOTCH_PA) as u32).min(NOTCHES);
        let (mut low, mut high, mut stride) = (before, before, 1);
        while low > 0 && !too_low(low) {
            (high, low, stride) = (low, low.saturating_sub(stride), 2 * stride);
        }
        while high < NOTCHES && too_low(high) {
            (low, high, stride) = (high, (high + stride).min(NOTCHES), 2 * stride);
        }
        while high - low > 1 {
            let middle = u32::midpoint(low, high);
            if too_low(middle) { low = middle } else { high = middle }
        }
        let pa = (f64::from(low) + 0.5) * NOTCH_PA;
        for f in 0..FANS {
            truth.fans[f].flow_m3s = flow_of(shut_off[f], back[f], pa);
        }
        truth.fan_wall_pa = pa;
        truth.air_flow_m3s = libm::sqrt(pa / resistance);
        truth.filter_pa = FILTER_PA * self.clog * truth.air_flow_m3s * truth.air_flow_m3s;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at_speed(speed: f64, stopped: usize, upset: &mut Upset) -> Truth {
        let mut truth = Truth::default();
        for (f, fan) in truth.fans.iter_mut().enumerate() {
            fan.speed = if f < stopped { 0.0 } else { speed };
            upset.fan_stopped[f] = f < stopped;
        }
        FanWall::default().balance(upset, &mut truth);
        truth
    }

    #[test]
    fn flow_goes_with_speed_and_pressure_with_its_square() {
        let full = at_speed(1.0, 0, &mut Upset::default());
        let half = at_speed(0.5, 0, &mut Upset::default());
        assert!((half.air_flow_m3s / full.air_flow_m3s - 0.5).abs() < 1e-4);
        assert!((half.fan_wall_pa / full.fan_wall_pa - 0.25).abs() < 1e-4);
    }

    #[test]
    fn twelve_fans_at_full_speed_carry_the_load_and_flow_falls_by_less_than_one_in_n() {
        let fourteen = at_speed(1.0, 0, &mut Upset::default()).air_flow_m3s;
        let thirteen = at_speed(1.0, 1, &mut Upset::default()).air_flow_m3s;
        let twelve = at_speed(1.0, 2, &mut Upset::default()).air_flow_m3s;
        assert!(twelve > 29.0, "{twelve}");
        assert!(thirteen > fourteen * 13.0 / 14.0, "flow falls by less than 1/N with the damper closed");
        let mut open = Upset::default();
        open.damper_stuck_open[0] = true;
        assert!(at_speed(1.0, 1, &mut open).air_flow_m3s < thirteen - 0.5, "an open damper is a short circuit");
    }
}
