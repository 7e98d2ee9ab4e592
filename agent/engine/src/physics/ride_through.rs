//! Ride-through: how fast air and water warm up when cooling is lost.
//!
//! Two nodes, air and equipment mass, joined by a heat transfer; the water loop by its volume alone. The shape (steep
//! at first, then as slow as the whole mass) is that of the ASHRAE Transactions 117(1) paper on the rate of heating;
//! the closed form is ours. The answers depend mostly on the heat transfer between mass and air, which must be fitted
//! at a load test. Heat kW, capacities kJ/K, heat transfer kW/K, volumes m³, densities kg/m³, specific heats
//! kJ/(kg K), times s. Never panics.
#![doc = ""]
#![doc = include_str!("ride_through.md")]

use super::{NoNumber, finite, not_negative, positive};

/// Rate of rise of the air alone, K/s: the upper bound.
///
/// # Errors
/// `DomainError` for negative heat or anything else that is not positive.
pub fn air_only_rate(q_kw: f64, volume_m3: f64, rho: f64, cp: f64) -> Result<f64, NoNumber> {
    rate(q_kw, ("volume_m3", volume_m3), rho, cp)
}

/// Rate of rise of a water loop whose chiller is lost while pumps and fans run, K/s.
///
/// # Errors
/// `DomainError` for negative heat or anything else that is not positive.
pub fn loop_rate(q_kw: f64, loop_m3: f64, rho: f64, cp: f64) -> Result<f64, NoNumber> {
    rate(q_kw, ("loop_m3", loop_m3), rho, cp)
}

/// Far more than it takes: each step doubles the digits that are right.
const MOST_STEPS: usize = 100;

/// Time until the air has risen by `dt_k`, s, in the two-node model:
/// ΔT(t) = Q t/(Ca+Cs) + Cs/(Ca+Cs) · Q/Ca · τ (1 − e^(−t/τ)), τ = Ca Cs/((Ca+Cs) hA).
///
/// # Errors
/// `None` without heat; `DomainError` for a negative rise or heat, or capacities or transfer that are not positive.
pub fn two_node_time_to_rise(q_kw: f64, c_air: f64, c_mass: f64, ha_kw_k: f64, dt_k: f64) -> Result<f64, NoNumber> {
    let q = not_negative("q_kw", q_kw)?;
    let (ca, cs) = (positive("c_air", c_air)?, positive("c_mass", c_mass)?);
    let ha = positive("ha_kw_k", ha_kw_k)?;
    let rise = not_negative("dt_k", dt_k)?;
    if rise == 0.0 {
        return Ok(0.0);
    }
    if q == 0.0 {
        return Err(NoNumber::None("without heat nothing warms up"));
    }
    let both = ca + cs;
    let tau = ca / both * cs / ha;
    // The rise less what is asked for, and its slope: steep at first, falling to that of the whole mass.
    let missing = |t: f64| {
        let gone = -libm::expm1(-t / tau);
        let risen = q * t / both + cs / both * (q / ca) * tau * gone;
        (rise - risen, q / both + cs / both * (q / ca) * (1.0 - gone))
    };
    // Newton from the earliest it can be: a tangent lies above the rise, which bends down, so no step leads too far.
    let mut t = rise * ca / q;
    for _ in 0..MOST_STEPS {
        let (missing, slope) = missing(t);
        let next = t + missing / slope;
        if next > t {
            t = next;
        } else {
            break; // as near as numbers are, or no number at all
        }
    }
    finite("dt_k", t)
}

/// Which cooling is lost. Air always stores; with fans running so does the coil; with flow so does the loop.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lost {
    /// Fans stand still.
    AirMovement,
    /// No water flows; fans run.
    WaterFlow,
    /// The chiller plant stands; water flows, fans run.
    Chiller,
}

/// Heat capacities of a module, kJ/K, and the heat transfer between equipment and air, kW/K.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Store {
    /// Free air.
    pub c_air: f64,
    /// Equipment.
    pub c_mass: f64,
    /// Between equipment and air.
    pub ha_kw_k: f64,
    /// Metal and water of the coil.
    pub c_coil: f64,
    /// Water of the loop.
    pub c_loop: f64,
}

/// Heat transfer until it is fitted, kW/K: an equipment time constant of 600 s, the slow end of what is known ("several
/// minutes", ASHRAE Transactions 117(1)); a slower transfer warms the air sooner, which is the safe side.
///
/// # Errors
/// `DomainError` for a capacity that is not positive.
pub fn conservative_ha(c_mass: f64) -> Result<f64, NoNumber> {
    Ok(positive("c_mass", c_mass)? / 600.0)
}

/// Seconds until the warmest inlet reaches its limit when this cooling is lost now; 0 at the limit and beyond.
///
/// # Errors
/// `None` without heat; `DomainError` as `two_node_time_to_rise`, and for negative capacities of coil or loop.
pub fn seconds_to_limit(lost: Lost, q_kw: f64, store: &Store, t_now_c: f64, limit_c: f64) -> Result<f64, NoNumber> {
    let rise = (finite("limit_c", limit_c)? - finite("t_now_c", t_now_c)?).max(0.0);
    let coil = not_negative("c_coil", store.c_coil)?;
    let water = not_negative("c_loop", store.c_loop)?;
    let fast = positive("c_air", store.c_air)?
        + match lost {
            Lost::AirMovement => 0.0,
            Lost::WaterFlow => coil,
            Lost::Chiller => coil + water,
        };
    two_node_time_to_rise(q_kw, fast, store.c_mass, store.ha_kw_k, rise).map_err(|none| none.renamed("dt_k", "limit_c"))
}

/// What is left of a ride-through when the supply fails now, s: the time to the limit less that until the cooling works
/// again. What hangs on a UPS does not stop with the supply: nothing is deducted then.
///
/// # Errors
/// `DomainError` for negative times.
pub fn ride_through_margin(
    seconds: f64,
    on_ups: bool,
    generator_start_s: f64,
    transfer_s: f64,
    restart_s: f64,
) -> Result<f64, NoNumber> {
    let seconds = not_negative("seconds", seconds)?;
    let start = not_negative("generator_start_s", generator_start_s)?;
    let away = start + not_negative("transfer_s", transfer_s)? + not_negative("restart_s", restart_s)?;
    finite("restart_s", if on_ups { seconds } else { seconds - away })
}

fn rate(q_kw: f64, (name, volume): (&'static str, f64), rho: f64, cp: f64) -> Result<f64, NoNumber> {
    finite(
        "q_kw",
        not_negative("q_kw", q_kw)? / (positive(name, volume)? * positive("rho", rho)? * positive("cp", cp)?),
    )
}

#[cfg(test)]
mod tests {
    use super::super::checks::{absolute, relative};
    use super::*;

    #[test]
    fn published_rows() {
        // O075 to O077, closed forms; the other cases are those of the table of ride-through times.
        relative("O075", air_only_rate(420.0, 120.0, 1.16, 1.007), 2.996_267_506_763_004_5, 1e-4);
        relative("O076", two_node_time_to_rise(420.0, 140.0, 7650.0, 25.5, 20.0), 76.344_117_302_788_92, 1e-3);
        relative("O077", loop_rate(420.0, 5.0, 998.0, 4.186), 0.020_107_103_839_786_596, 1e-4);
        let cases = [
            (180.0, 420.0, 7.0, 4.0, 0.05),
            (180.0, 420.0, 20.0, 194.0, 0.5),
            (600.0, 420.0, 20.0, 10.2, 0.05),
            (300.0, 210.0, 20.0, 447.0, 0.5),
        ];
        for (tau_s, q, rise, expected, tolerance) in cases {
            absolute("table", two_node_time_to_rise(q, 140.0, 7650.0, 7650.0 / tau_s, rise), expected, tolerance);
        }
    }

    #[test]
    fn edges() {
        assert_eq!(two_node_time_to_rise(420.0, 140.0, 7650.0, 25.5, 0.0), Ok(0.0));
        assert_eq!(two_node_time_to_rise(0.0, 140.0, 7650.0, 25.5, 20.0).map_err(NoNumber::word), Err("none"));
        assert_eq!(
            two_node_time_to_rise(420.0, 140.0, 7650.0, 0.0, 20.0).map_err(NoNumber::input),
            Err(Some("ha_kw_k"))
        );
        assert_eq!(two_node_time_to_rise(420.0, 140.0, 7650.0, 25.5, -1.0).map_err(NoNumber::input), Err(Some("dt_k")));
        assert_eq!(air_only_rate(420.0, 0.0, 1.16, 1.007).map_err(NoNumber::input), Err(Some("volume_m3")));
        assert_eq!(loop_rate(f64::NAN, 5.0, 998.0, 4.186).map_err(NoNumber::input), Err(Some("q_kw")));
        assert_eq!(air_only_rate(0.0, 120.0, 1.16, 1.007), Ok(0.0));
    }

    #[test]
    fn three_clocks_in_their_order() {
        let store = Store { c_air: 140.0, c_mass: 7650.0, ha_kw_k: 25.5, c_coil: 800.0, c_loop: 6680.0 };
        let to_limit = |lost| seconds_to_limit(lost, 420.0, &store, 25.0, 45.0);
        absolute("air movement: the table's +20 K", to_limit(Lost::AirMovement), 76.3, 0.1);
        let seconds = [Lost::AirMovement, Lost::WaterFlow, Lost::Chiller].map(|lost| to_limit(lost).expect("sound"));
        assert!(seconds[0] < seconds[1] && seconds[1] < seconds[2], "{seconds:?}");
        // The loop's capacity alone is a lower bound: 20 K of 7620 kJ/K at 420 kW.
        assert!(seconds[2] > 20.0 * 7620.0 / 420.0);
        assert_eq!(seconds_to_limit(Lost::Chiller, 420.0, &store, 46.0, 45.0), Ok(0.0), "past the limit");
        assert_eq!(
            seconds_to_limit(Lost::Chiller, 420.0, &Store { c_loop: -1.0, ..store }, 25.0, 45.0)
                .map_err(NoNumber::input),
            Err(Some("c_loop"))
        );
        // Until fitted: slower transfer, sooner at the limit.
        let unfitted = Store { ha_kw_k: conservative_ha(store.c_mass).expect("sound"), ..store };
        assert!(seconds_to_limit(Lost::AirMovement, 420.0, &unfitted, 25.0, 45.0).expect("sound") < 11.0);
    }

    #[test]
    fn what_hangs_on_a_ups_does_not_stop() {
        assert_eq!(ride_through_margin(90.0, false, 8.0, 2.0, 60.0), Ok(20.0));
        assert_eq!(ride_through_margin(30.0, false, 8.0, 2.0, 60.0), Ok(-40.0));
        assert_eq!(ride_through_margin(3.0, true, 8.0, 2.0, 60.0), Ok(3.0));
        assert_eq!(
            ride_through_margin(3.0, true, -8.0, 2.0, 60.0).map_err(NoNumber::input),
            Err(Some("generator_start_s"))
        );
    }

    proptest::proptest! {
        #[test]
        fn the_time_gives_the_rise_back(q in 1.0_f64..1000.0, ca in 10.0_f64..1000.0, cs in 100.0_f64..20_000.0, ha in 0.1_f64..100.0, rise in 0.01_f64..50.0) {
            let t = two_node_time_to_rise(q, ca, cs, ha, rise).expect("sound");
            // The two nodes stepped by hand, fine enough for parts in a thousand.
            let steps = 20_000;
            let dt = t / f64::from(steps);
            let (mut air, mut mass) = (0.0, 0.0);
            for _ in 0..steps {
                let exchange = ha * (air - mass);
                air += (q - exchange) / ca * dt;
                mass += exchange / cs * dt;
            }
            if dt * ha / ca < 0.01 {
                proptest::prop_assert!((air / rise - 1.0).abs() < 0.01, "{} {}", air, rise);
            }
        }
    }
}
