//! The fan wall: fans at work against fans needed, what one less costs, air flow and filter loading from pressures.
//!
//! All fans share the coil's pressure. At equal total flow that pressure stays, so each remaining fan must move N/(N−1)
//! of its flow against the SAME pressure: how much faster that is lies between 1 and N/(N−1) and follows from the fan's
//! own curve, here a parabola dp = s² dp_0 − k q². A stopped fan without a closing damper is a way back for the air and
//! turns backwards. Pressure over coil or filter goes with the square of the flow (fully rough; common practice, no
//! source). Flows m³/s, pressures Pa, speeds rpm or shares of full speed. Never panics.

use super::{NoNumber, finite, not_negative, outside, positive, within};

/// What the fans of a wall do.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct AtWork {
    /// Fans that turn forwards at no less than 80 % of what is commanded.
    pub working: u32,
    /// Fans that are driven backwards: air comes back through them.
    pub backwards: u32,
}

/// Counts fans at work. A fan counts from 80 % of the commanded speed (common practice, no source), and whatever is
/// commanded, from 2 % of full speed.
///
/// # Errors
/// `DomainError` for speeds that are not finite, a command outside 0…1, or a full speed that is not positive.
pub fn at_work(speeds_rpm: &[f64], command: f64, full_rpm: f64) -> Result<AtWork, NoNumber> {
    let (command, full) = (within("command", command, 0.0, 1.0)?, positive("full_rpm", full_rpm)?);
    let enough = full * (0.8 * command).max(0.02);
    let mut found = AtWork::default();
    for speed in speeds_rpm {
        let speed = finite("speed_rpm", *speed)?;
        found.working += u32::from(speed >= enough);
        found.backwards += u32::from(speed <= -0.01 * full);
    }
    Ok(found)
}

/// A fan of a wall.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FanCurve {
    /// Pressure without flow at full speed, Pa.
    pub shut_off_pa: f64,
    /// Pressure lost by its own flow, Pa/(m³/s)².
    pub slope: f64,
}

/// Speed of the remaining fans, as a multiple of the present one, that keeps the total flow when one of `n` stops (its
/// damper closed).
///
/// # Errors
/// `DomainError` for fewer than two fans or inputs that are not positive; `None` when the fans cannot turn that fast.
pub fn one_fan_less(n: f64, speed: f64, dp_pa: f64, curve: FanCurve) -> Result<f64, NoNumber> {
    let n = within("n", n, 2.0, 1e4)?;
    let (speed, dp) = (within("speed", speed, 1e-3, 1.0)?, not_negative("dp_pa", dp_pa)?);
    let shut_off = positive("shut_off_pa", curve.shut_off_pa)?;
    positive("slope", curve.slope)?;
    let own = speed * speed * shut_off - dp; // k q² of one fan now
    if own < 0.0 {
        return Err(outside("dp_pa", "within what the fan reaches at this speed"));
    }
    let more = n / (n - 1.0);
    let needed = libm::sqrt((dp + own * more * more) / shut_off);
    if needed > 1.0 {
        return Err(NoNumber::None("the remaining fans cannot turn that fast: the flow falls"));
    }
    finite("n", needed / speed)
}

/// Air flow through a coil from its pressure drop and one pair of values measured when it was clean and dry.
///
/// # Errors
/// `DomainError` for a reference that is not positive or a pressure drop that is not finite; backwards counts as none.
pub fn flow_from_drop(dp_pa: f64, ref_dp_pa: f64, ref_flow_m3s: f64) -> Result<f64, NoNumber> {
    let drop = finite("dp_pa", dp_pa)?.max(0.0);
    finite("dp_pa", positive("ref_flow_m3s", ref_flow_m3s)? * libm::sqrt(drop / positive("ref_dp_pa", ref_dp_pa)?))
}

/// Uncertainty of that flow, m³/s: half the relative uncertainty of the pressure drop, and the reference's own.
///
/// # Errors
/// As `flow_from_drop`; `DomainError` for negative uncertainties.
pub fn flow_from_drop_uncertainty(
    dp_pa: f64,
    ref_dp_pa: f64,
    ref_flow_m3s: f64,
    u_dp_pa: f64,
    ref_rel: f64,
) -> Result<f64, NoNumber> {
    let (u, reference) = (not_negative("u_dp_pa", u_dp_pa)?, not_negative("ref_rel", ref_rel)?);
    let flow = flow_from_drop(dp_pa, ref_dp_pa, ref_flow_m3s)?;
    // Near zero a square root has no slope: the flow of the uncertainty itself bounds it.
    let edge = flow_from_drop(u, ref_dp_pa, ref_flow_m3s)?;
    let by_dp = if dp_pa > u { flow * 0.5 * u / dp_pa } else { edge };
    finite("dp_pa", libm::hypot(by_dp, flow * reference))
}

/// Filter loading: its resistance as a multiple of the clean filter's, at equal flow: (dp/dp_clean)(V_clean/V)².
///
/// # Errors
/// `DomainError` for a clean filter's values that are not positive or a negative pressure; `Undefined` below three
/// tenths of the clean filter's flow, where the pressures are mostly noise.
pub fn filter_loading(dp_pa: f64, flow_m3s: f64, clean_dp_pa: f64, clean_flow_m3s: f64) -> Result<f64, NoNumber> {
    let (dp, clean_flow) = (not_negative("dp_pa", dp_pa)?, positive("clean_flow_m3s", clean_flow_m3s)?);
    let share = not_negative("flow_m3s", flow_m3s)? / clean_flow;
    if share < 0.3 {
        return Err(NoNumber::Undefined("too little air flows to judge the filter by"));
    }
    finite("dp_pa", dp / positive("clean_dp_pa", clean_dp_pa)? / (share * share))
}

#[cfg(test)]
mod tests {
    use super::super::checks::relative;
    use super::*;

    #[test]
    fn fans_at_work() {
        let got = at_work(&[1600.0, 1590.0, 1200.0, 0.0, -200.0], 0.92, 1750.0).expect("sound");
        assert_eq!(got, AtWork { working: 2, backwards: 1 }, "1288 rpm are needed");
        assert_eq!(at_work(&[0.0, 10.0], 0.0, 1750.0).expect("sound").working, 0, "nothing commanded, nothing turns");
        assert_eq!(at_work(&[f64::NAN], 0.9, 1750.0).map_err(NoNumber::input), Err(Some("speed_rpm")));
        assert_eq!(at_work(&[1.0], 92.0, 1750.0).map_err(NoNumber::input), Err(Some("command")));
        assert_eq!(at_work(&[], 0.9, 1750.0), Ok(AtWork::default()));
    }

    #[test]
    fn one_less_costs_less_than_the_flow_ratio() {
        let curve = FanCurve { shut_off_pa: 400.0, slope: 32.0 };
        // Fourteen at 0.93 against 200 Pa: own = 345.96 − 200; needed = √((200 + 145.96·(14/13)²)/400).
        let by_hand = libm::sqrt((200.0 + 145.96 * (14.0 / 13.0) * (14.0 / 13.0)) / 400.0) / 0.93;
        relative("by hand", one_fan_less(14.0, 0.93, 200.0, curve), by_hand, 1e-12);
        assert!(by_hand > 1.0 && by_hand < 14.0 / 13.0, "affinity alone overstates it");
        assert_eq!(one_fan_less(12.0, 1.0, 200.0, curve).map_err(NoNumber::word), Err("none"));
        assert_eq!(one_fan_less(14.0, 0.5, 200.0, curve).map_err(NoNumber::input), Err(Some("dp_pa")));
        assert!(one_fan_less(1.0, 0.9, 100.0, curve).is_err());
    }

    #[test]
    fn flows_and_filters() {
        relative("a quarter of the pressure is half the flow", flow_from_drop(27.5, 110.0, 30.0), 15.0, 1e-12);
        assert_eq!(flow_from_drop(-3.0, 110.0, 30.0), Ok(0.0));
        relative("half of 1 %", flow_from_drop_uncertainty(110.0, 110.0, 30.0, 1.1, 0.0), 0.15, 1e-9);
        assert!(flow_from_drop_uncertainty(0.0, 110.0, 30.0, 1.1, 0.0).expect("sound") > 2.9, "unknown near zero");
        relative("loading", filter_loading(45.0, 15.0, 90.0, 30.0), 2.0, 1e-12);
        assert_eq!(filter_loading(1.0, 2.0, 90.0, 30.0).map_err(NoNumber::word), Err("undefined"));
        assert!(filter_loading(f64::INFINITY, 20.0, 90.0, 30.0).is_err());
    }
}
