//! Liquid water: density, heat capacity, enthalpy, and the heat a water circuit carries.
//!
//! IAPWS R7-97 (IF97), region 1, equation 7: the dimensionless Gibbs energy and its derivatives, 273.15–623.15 K up to
//! 100 MPa. Only pure water: with glycol the heat would be overstated by 5–16 %. Temperatures °C, absolute pressures
//! Pa, flow m³/h, heat kW. The sign of the heat is kept. Never panics.
#![doc = ""]
#![doc = include_str!("water.md")]

use super::{KELVIN, NoNumber, finite, not_negative, outside, within};

/// Where the flow meter sits: its water's density counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Meter {
    /// In the supply (the cold side of a cooling circuit).
    Supply,
    /// In the return.
    Return,
}

/// Density, kg/m³.
///
/// # Errors
/// `DomainError` outside 0…350 °C or 0…100 MPa, or where water boils.
pub fn water_density(t_c: f64, p_pa: f64) -> Result<f64, NoNumber> {
    let (t, p) = state(t_c, p_pa)?;
    // v = (R T / p) π γ_π, and π = p / p*.
    Ok(P_STAR / (R * 1000.0 * t * Gibbs::at(t, p).by_pi()))
}

/// Specific isobaric heat capacity, kJ/(kg K).
///
/// # Errors
/// As `water_density`.
pub fn water_cp(t_c: f64, p_pa: f64) -> Result<f64, NoNumber> {
    let (t, p) = state(t_c, p_pa)?;
    let tau = T_STAR / t;
    Ok(-R * tau * tau * Gibbs::at(t, p).by_tau_twice())
}

/// Specific enthalpy, kJ/kg.
///
/// # Errors
/// As `water_density`.
pub fn water_enthalpy(t_c: f64, p_pa: f64) -> Result<f64, NoNumber> {
    let (t, p) = state(t_c, p_pa)?;
    Ok(R * T_STAR * Gibbs::at(t, p).by_tau())
}

/// Heat taken up by a water circuit, kW: mass flow at the meter times the enthalpy difference. Negative when the
/// return is colder than the supply; exactly zero without flow.
///
/// # Errors
/// As `water_density`; `DomainError` for a negative or too large flow.
pub fn water_heat_kw(
    flow_m3h: f64,
    t_supply_c: f64,
    t_return_c: f64,
    p_pa: f64,
    meter: Meter,
) -> Result<f64, NoNumber> {
    let flow = not_negative("flow_m3h", flow_m3h)? / 3600.0;
    let t_meter_c = match meter {
        Meter::Supply => t_supply_c,
        Meter::Return => t_return_c,
    };
    let supply = water_enthalpy(t_supply_c, p_pa).map_err(|none| none.renamed("t_c", "t_supply_c"))?;
    let back = water_enthalpy(t_return_c, p_pa).map_err(|none| none.renamed("t_c", "t_return_c"))?;
    finite("flow_m3h", flow * water_density(t_meter_c, p_pa)? * (back - supply))
}

/// Heat by the rule 500 · gal/min · ΔT(°F), BTU/h (8.33 lb/gal · 60 min/h · 1 BTU/(lb °F) = 499.8; common practice, no
/// source). The sign of the difference is kept.
///
/// # Errors
/// `DomainError` for a negative flow or too large an answer.
pub fn heat_btuh_rule(gpm: f64, dt_f: f64) -> Result<f64, NoNumber> {
    finite("dt_f", 500.0 * not_negative("gpm", gpm)? * finite("dt_f", dt_f)?)
}

/// Relative standard uncertainty of a heat: √(σV² + 2 (σT/ΔT)²), from the flow's and each temperature sensor's own.
///
/// # Errors
/// `DomainError` for negative uncertainties, `Undefined` without a temperature difference.
pub fn heat_rel_uncertainty(flow_rel: f64, t_sensor_abs_k: f64, dt_k: f64) -> Result<f64, NoNumber> {
    let (flow, sensor) = (not_negative("flow_rel", flow_rel)?, not_negative("t_sensor_abs_k", t_sensor_abs_k)?);
    let dt_k = finite("dt_k", dt_k)?;
    if dt_k == 0.0 {
        return Err(NoNumber::Undefined("without a temperature difference there is no heat"));
    }
    let share = sensor / dt_k;
    finite("dt_k", libm::sqrt(flow * flow + 2.0 * share * share))
}

/// Specific gas constant of water, kJ/(kg K) (R7-97 equation 1).
const R: f64 = 0.461_526;
const P_STAR: f64 = 16.53e6;
const T_STAR: f64 = 1386.0;

/// T in K and p in Pa, checked. Below 100 °C water under a hundredth of an atmosphere may boil; the vapour pressure
/// decides (region 4 is not needed for that: ASHRAE's curve agrees within 2·10⁻⁴).
fn state(t_c: f64, p_pa: f64) -> Result<(f64, f64), NoNumber> {
    let t_c = within("t_c", t_c, 0.0, 350.0)?;
    let p_pa = within("p_pa", p_pa, 0.0, 100.0e6)?;
    // No water boils below 100 °C at 0.11 MPa: of a cooling circuit nothing more need be known.
    if t_c < 100.0 && p_pa > 0.11e6 {
        return Ok((t_c + KELVIN, p_pa));
    }
    // Above 200 °C that curve ends; 16.53 MPa, the vapour pressure at 350 °C, is enough anywhere.
    let boils = super::air::sat_vap_pres(t_c).map_or(p_pa < P_STAR, |saturation| p_pa < saturation);
    if boils { Err(outside("p_pa", "above the vapour pressure: this water boils")) } else { Ok((t_c + KELVIN, p_pa)) }
}

/// Highest powers in `TERMS`.
const MOST_A: usize = 32;
const MOST_B: usize = 17;
const LEAST_B: usize = 41;

/// The dimensionless Gibbs energy γ(π, τ) at one state: powers of its two bases, each made once by multiplication, so that
/// they are the same on every target. Neither base is near zero in the region.
struct Gibbs {
    /// Powers of 7.1 − π.
    a: [f64; MOST_A + 1],
    /// Powers of τ − 1.222, from 0 up and from 0 down.
    b: [f64; MOST_B + 1],
    b_down: [f64; LEAST_B + 1],
}

impl Gibbs {
    fn at(t: f64, p: f64) -> Self {
        let (a, b) = (7.1 - p / P_STAR, T_STAR / t - 1.222);
        Self { a: powers(a), b: powers(b), b_down: powers(1.0 / b) }
    }

    /// γ_π.
    fn by_pi(&self) -> f64 {
        -self.sum(|i, _| f64::from(i)) / self.a[1]
    }

    /// γ_τ.
    fn by_tau(&self) -> f64 {
        self.sum(|_, j| f64::from(j)) * self.b_down[1]
    }

    /// γ_ττ.
    fn by_tau_twice(&self) -> f64 {
        self.sum(|_, j| f64::from(j) * (f64::from(j) - 1.0)) * self.b_down[1] * self.b_down[1]
    }

    /// Σ n · factor(I, J) · (7.1 − π)^I (τ − 1.222)^J.
    fn sum(&self, factor: impl Fn(i8, i8) -> f64) -> f64 {
        let term = |&(i, j, n): &(i8, i8, f64)| {
            let b =
                if j < 0 { self.b_down[usize::from(j.unsigned_abs())] } else { self.b[usize::from(j.unsigned_abs())] };
            n * factor(i, j) * self.a[usize::from(i.unsigned_abs())] * b
        };
        TERMS.iter().map(term).sum()
    }
}

fn powers<const N: usize>(base: f64) -> [f64; N] {
    let mut power = 1.0;
    core::array::from_fn(|n| {
        if n > 0 {
            power *= base;
        }
        power
    })
}

/// R7-97 Table 2: I, J, n. From memory of the release; the verification values of its Table 5 prove every digit that
/// matters.
const TERMS: [(i8, i8, f64); 34] = [
    (0, -2, 0.146_329_712_131_67),
    (0, -1, -0.845_481_871_691_14),
    (0, 0, -3.756_360_367_204_0),
    (0, 1, 3.385_516_916_838_5),
    (0, 2, -0.957_919_633_878_72),
    (0, 3, 0.157_720_385_132_28),
    (0, 4, -0.016_616_417_199_501),
    (0, 5, 0.812_146_299_835_68e-3),
    (1, -9, 0.283_190_801_238_04e-3),
    (1, -7, -0.607_063_015_658_74e-3),
    (1, -1, -0.018_990_068_218_419),
    (1, 0, -0.032_529_748_770_505),
    (1, 1, -0.021_841_717_175_414),
    (1, 3, -0.528_383_579_699_30e-4),
    (2, -3, -0.471_843_210_732_67e-3),
    (2, 0, -0.300_017_807_930_26e-3),
    (2, 1, 0.476_613_939_069_87e-4),
    (2, 3, -0.441_418_453_308_46e-5),
    (2, 17, -0.726_949_962_975_94e-15),
    (3, -4, -0.316_796_448_450_54e-4),
    (3, 0, -0.282_707_979_853_12e-5),
    (3, 6, -0.852_051_281_201_03e-9),
    (4, -5, -0.224_252_819_080_00e-5),
    (4, -2, -0.651_712_228_956_01e-6),
    (4, 10, -0.143_417_299_379_24e-12),
    (5, -8, -0.405_169_968_601_17e-6),
    (8, -11, -0.127_343_017_416_41e-8),
    (8, -6, -0.174_248_712_306_34e-9),
    (21, -29, -0.687_621_312_955_31e-18),
    (23, -31, 0.144_783_078_285_21e-19),
    (29, -38, 0.263_357_816_627_95e-22),
    (30, -39, -0.119_476_226_400_71e-22),
    (31, -40, 0.182_280_945_814_04e-23),
    (32, -41, -0.935_370_872_924_58e-25),
];

#[cfg(test)]
mod tests {
    use super::super::checks::{absolute, relative};
    use super::*;

    #[test]
    fn verification_values_of_the_release() {
        // R7-97 Table 5: T, p, v, h, cp, printed to nine digits.
        let rows = [
            (300.0, 3.0e6, 0.100_215_168e-2, 115.331_273, 4.173_012_18),
            (300.0, 80.0e6, 0.971_180_894e-3, 184.142_828, 4.010_089_87),
            (500.0, 3.0e6, 0.120_241_800e-2, 975.542_239, 4.655_806_82),
        ];
        for (t, p, v, h, cp) in rows {
            let gibbs = Gibbs::at(t, p);
            let tau = T_STAR / t;
            relative("v", Ok(R * 1000.0 * t * gibbs.by_pi() / P_STAR), v, 5e-9);
            relative("h", Ok(R * T_STAR * gibbs.by_tau()), h, 5e-9);
            relative("cp", Ok(-R * tau * tau * gibbs.by_tau_twice()), cp, 5e-9);
        }
    }

    #[test]
    fn published_properties() {
        relative("O026", water_density(20.0, 3.0e5), 998.296_953_380_13, 2e-4);
        relative("O027", water_density(15.0, 3.0e5), 999.193_775_076_01, 2e-4);
        relative("O028", water_cp(20.0, 3.0e5), 4.184_175_834_011_5, 5e-4);
        relative("O029", water_density(26.85, 3.0e6), 997.852_939_786_52, 1e-4);
    }

    #[test]
    fn published_heat() {
        let heat = |flow, supply, back| water_heat_kw(flow, supply, back, 3.0e5, Meter::Supply);
        relative("O033", heat(51.6, 18.0, 28.0), 598.707_705_012_6, 2e-3);
        relative("O034", heat(40.0, 20.0, 27.5), 347.909_053_340_78, 2e-3);
        relative("O035", heat(30.0, 20.0, 18.5), -52.219_877_015_376, 2e-3);
        absolute("O036", heat(0.0, 18.0, 31.0), 0.0, 1e-9);
        // The same volume at the warmer meter is less mass.
        let back = water_heat_kw(51.6, 18.0, 28.0, 3.0e5, Meter::Return);
        relative("meter in the return", back, 598.707_705_012_6 * 996.322_2 / 998.684_6, 1e-4);
    }

    #[test]
    fn published_rules() {
        relative("O037", heat_btuh_rule(228.0, 18.0), 2_052_000.0, 1e-12);
        relative("O038", heat_rel_uncertainty(0.01, 0.19, 6.0), 0.045_886_332_993_121, 1e-9);
        // IEC 60751 class AA sensors at 20 °C, 6 K: 3.2 %.
        absolute("class AA", heat_rel_uncertainty(0.0, 0.1 + 0.0017 * 20.0, 6.0), 0.032, 5e-4);
        assert_eq!(heat_rel_uncertainty(0.01, 0.19, 0.0).map_err(NoNumber::word), Err("undefined"));
        assert!(heat_btuh_rule(-1.0, 18.0).is_err() && heat_btuh_rule(1e308, 1e308).is_err());
    }

    #[test]
    fn only_liquid_water_has_an_answer() {
        let cases = [
            (-0.1, 3.0e5),
            (101.0, 101_325.0),
            (351.0, 90.0e6),
            (250.0, 3.0e6),
            (20.0, 0.0),
            (20.0, 101.0e6),
            (f64::NAN, 3.0e5),
            (20.0, f64::NAN),
        ];
        for (t, p) in cases {
            assert_eq!(water_density(t, p).map_err(NoNumber::word), Err("domain_error"), "{t} {p}");
        }
        assert_eq!(
            water_heat_kw(-1.0, 18.0, 28.0, 3.0e5, Meter::Supply).map_err(NoNumber::input),
            Err(Some("flow_m3h"))
        );
        assert_eq!(
            water_heat_kw(1.0, 18.0, 360.0, 3.0e5, Meter::Supply).map_err(NoNumber::input),
            Err(Some("t_return_c"))
        );
    }
}
