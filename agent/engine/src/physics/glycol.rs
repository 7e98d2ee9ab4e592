//! Water with glycol: density and heat capacity.
//!
//! Concentration by MASS: tables of the trade are often by volume, and 30 % by volume of ethylene glycol is about 32 %
//! by mass. Our own least-squares polynomials through values computed with CoolProp 8.0.0 (incompressible fluids MPG and
//! MEG) for 0–0.6 by mass, freezing point to 80 °C: density within 5·10⁻⁴, heat capacity within 2.5·10⁻³, freezing
//! point within 0.04 K of it. Temperatures °C, density kg/m³, heat capacity kJ/(kg K). Never panics.

use super::{NoNumber, within};

/// Which glycol.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Glycol {
    /// Monopropylene glycol.
    Propylene,
    /// Monoethylene glycol.
    Ethylene,
}

/// Specific heat capacity, kJ/(kg K).
///
/// # Errors
/// `DomainError` for a mass fraction outside 0…0.6, or a temperature below the freezing point or above 80 °C.
pub fn glycol_cp(kind: Glycol, mass_frac: f64, t_c: f64) -> Result<f64, NoNumber> {
    surface(kind, mass_frac, t_c, |fit| &fit.cp)
}

/// Density, kg/m³.
///
/// # Errors
/// As `glycol_cp`.
pub fn glycol_density(kind: Glycol, mass_frac: f64, t_c: f64) -> Result<f64, NoNumber> {
    surface(kind, mass_frac, t_c, |fit| &fit.density)
}

/// Temperature at which the first ice forms, °C.
///
/// # Errors
/// `DomainError` for a mass fraction outside 0…0.6.
pub fn glycol_freezing(kind: Glycol, mass_frac: f64) -> Result<f64, NoNumber> {
    let x = within("mass_frac", mass_frac, 0.0, 0.6)?;
    Ok(fit(kind).freezing.iter().rev().fold(0.0, |sum, k| sum * x + k))
}

/// Coefficients: mass fraction to the power i times (t/100)ʲ in the order of `POWERS`; freezing point by rising power.
struct Fit {
    density: [f64; 14],
    cp: [f64; 14],
    freezing: [f64; 5],
}

const POWERS: [(u8, u8); 14] =
    [(0, 0), (0, 1), (0, 2), (0, 3), (1, 0), (1, 1), (1, 2), (1, 3), (2, 0), (2, 1), (2, 2), (3, 0), (3, 1), (4, 0)];

fn surface(kind: Glycol, mass_frac: f64, t_c: f64, pick: fn(&Fit) -> &[f64; 14]) -> Result<f64, NoNumber> {
    let freezing = glycol_freezing(kind, mass_frac)?;
    let t = within("t_c", t_c, freezing, 80.0)? / 100.0;
    let power = |base: f64, n: u8| (0..n).fold(1.0, |product, _| product * base);
    Ok(POWERS.iter().zip(pick(fit(kind))).map(|((i, j), k)| k * power(mass_frac, *i) * power(t, *j)).sum())
}

const fn fit(kind: Glycol) -> &'static Fit {
    match kind {
        Glycol::Propylene => &PROPYLENE,
        Glycol::Ethylene => &ETHYLENE,
    }
}

static PROPYLENE: Fit = Fit {
    density: [
        1000.129, 3.597, -62.566, 17.12, 83.248, -75.42, 84.729, -9.53, 103.419, -220.781, -40.937, -67.308, 283.897,
        -130.869,
    ],
    cp: [
        4.203_165, -0.135_18, 0.216_694, -0.068_583, -1.595_203, 2.224_057, -0.961_922, 0.132_312, 2.558_932,
        -3.756_941, 1.013_258, -7.123_802, 2.797_344, 4.786_743,
    ],
    freezing: [0.007, -19.777, -108.753, 212.149, -346.05],
};

static ETHYLENE: Fit = Fit {
    density: [
        998.833, 0.806, -45.683, 3.173, 149.918, -89.165, 56.811, 8.108, 0.823, -61.009, -40.514, 79.008, 123.493,
        -144.5,
    ],
    cp: [
        4.199_155, -0.118_35, 0.149_522, -0.009_214, -1.482_534, 1.430_473, -0.659_317, -0.063_883, -0.963_392,
        0.069_996, 0.382_73, -0.844_387, -0.404_802, 1.455_522,
    ],
    freezing: [0.003, -30.774, -9.835, -195.26, 100.118],
};

#[cfg(test)]
mod tests {
    use super::super::checks::{absolute, relative};
    use super::*;
    use Glycol::{Ethylene, Propylene};

    #[test]
    fn computed_values() {
        // CoolProp 8.0.0; the 20 °C rows with 0.3 are O030, O031 and O032.
        let rows = [
            (Propylene, 0.3, 20.0, 1023.785, 3.857_00),
            (Propylene, 0.2, 5.0, 1019.086, 3.945_92),
            (Propylene, 0.5, -10.0, 1056.021, 3.414_44),
            (Propylene, 0.4, 40.0, 1020.06, 3.770_83),
            (Propylene, 0.1, 60.0, 989.809, 4.130_34),
            (Propylene, 0.55, 75.0, 1000.025, 3.665_62),
            (Ethylene, 0.3, 20.0, 1038.046, 3.718_25),
            (Ethylene, 0.2, 5.0, 1028.095, 3.869_50),
            (Ethylene, 0.5, -10.0, 1078.696, 3.145_66),
            (Ethylene, 0.4, 40.0, 1041.35, 3.597_81),
            (Ethylene, 0.1, 60.0, 995.232, 4.083_05),
            (Ethylene, 0.55, 75.0, 1035.126, 3.480_80),
        ];
        for (kind, x, t, density, cp) in rows {
            relative("density", glycol_density(kind, x, t), density, 5e-4);
            relative("cp", glycol_cp(kind, x, t), cp, 2.5e-3);
        }
    }

    #[test]
    fn freezing_points() {
        for (kind, x, t) in
            [(Propylene, 0.2, -7.2), (Propylene, 0.4, -20.6), (Ethylene, 0.3, -14.6), (Ethylene, 0.4, -23.8)]
        {
            absolute("freezing", glycol_freezing(kind, x), t, 0.1);
        }
    }

    #[test]
    fn without_glycol_it_is_water() {
        for t in [5.0, 20.0, 60.0] {
            for kind in [Propylene, Ethylene] {
                let water = super::super::water::water_density(t, 3.0e5).expect("liquid");
                relative("density", glycol_density(kind, 0.0, t), water, 3e-3);
                let cp = super::super::water::water_cp(t, 3.0e5).expect("liquid");
                relative("cp", glycol_cp(kind, 0.0, t), cp, 5e-3);
            }
        }
    }

    #[test]
    fn frozen_boiling_or_too_strong() {
        for (x, t) in [(0.3, -13.0), (0.3, 81.0), (0.61, 20.0), (-0.01, 20.0), (f64::NAN, 20.0), (0.3, f64::NAN)] {
            assert_eq!(glycol_cp(Propylene, x, t).map_err(NoNumber::word), Err("domain_error"), "{x} {t}");
        }
    }
}
