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
    let risen = |t: f64| q * t / both + cs / both * (q / ca) * tau * -libm::expm1(-t / tau);
    // The slow slope alone is the latest, the fast one the earliest; in between the rise is monotonic.
    let (mut early, mut late) = (rise * ca / q, rise * both / q);
    for _ in 0..200 {
        let middle = early + (late - early) / 2.0;
        if middle <= early || middle >= late {
            break;
        }
        if risen(middle) < rise { early = middle } else { late = middle }
    }
    finite("dt_k", late)
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
