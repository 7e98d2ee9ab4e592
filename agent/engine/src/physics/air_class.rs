//! Thermal envelopes: how far inlet air and facility water lie inside their class, by edition and altitude.
//!
//! ASHRAE TC 9.9, Thermal Guidelines for Data Processing Environments (from memory): air classes A1 to A4, since the
//! fifth edition of 2021 H1 too; liquid classes W17 to W45. Limits of humidity are stated there as dew point AND relative
//! humidity; here all become dew points at the air's temperature, so that one margin in kelvins says which limit is
//! nearest. Above 900 m the allowable upper temperature falls with height, up to 3050 m. Temperatures °C, margins K,
//! heights m. Never panics.

use super::air::{dew_point, is_dew_above, temperature};
use super::{NoNumber, outside, within};

/// Class of the equipment's environment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs)] // the standard's names
pub enum AirClass {
    A1,
    A2,
    A3,
    A4,
    H1,
}

/// Edition of the guidelines.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Edition {
    /// Fourth, 2015: recommended up to 60 % relative humidity.
    Fourth,
    /// Fifth, 2021: up to 70 % where copper and silver coupons show little corrosion, else 50 %; class H1.
    Fifth,
}

/// Which envelope of a class.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Envelope {
    /// For life and efficiency.
    Recommended,
    /// What the equipment must bear.
    Allowable,
}

/// What is asked about.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// Class.
    pub class: AirClass,
    /// Edition.
    pub edition: Edition,
    /// Recommended or allowable.
    pub envelope: Envelope,
    /// Coupons show little corrosion (fifth edition).
    pub is_clean: bool,
    /// Height above sea level, m.
    pub alt_m: f64,
}

/// Limits of an envelope.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Dry bulb, °C.
    pub t_c: (f64, f64),
    /// Dew point, °C.
    pub dew_c: (f64, f64),
    /// Relative humidity, fraction.
    pub rh: (f64, f64),
}

/// Which limit is nearest.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs)] // the names say it
pub enum Nearest {
    TooCold,
    TooWarm,
    TooDry,
    TooHumid,
}

/// How far inside.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Inside {
    /// Distance to the nearest limit, K; negative outside.
    pub margin_k: f64,
    /// Which that is.
    pub nearest: Nearest,
}

/// Limits of a place.
///
/// # Errors
/// `DomainError` above 3050 m or below −500 m, or for H1 before the fifth edition.
pub fn limits(place: &Place) -> Result<Limits, NoNumber> {
    let alt_m = within("alt_m", place.alt_m, -500.0, 3050.0)?;
    if place.class == AirClass::H1 && place.edition == Edition::Fourth {
        return Err(outside("class", "A1 to A4: H1 came with the edition of 2021"));
    }
    if place.envelope == Envelope::Recommended {
        let rh = match (place.edition, place.is_clean) {
            (Edition::Fourth, _) => 0.60,
            (Edition::Fifth, true) => 0.70,
            (Edition::Fifth, false) => 0.50,
        };
        let t_c = if place.class == AirClass::H1 { (18.0, 22.0) } else { (18.0, 27.0) };
        return Ok(Limits { t_c, dew_c: (-9.0, 15.0), rh: (0.0, rh) });
    }
    // Lowest, highest °C; highest dew point °C; highest humidity; metres for a kelvin less.
    let (low, high, dew, rh, metres) = match place.class {
        AirClass::A1 => (15.0, 32.0, 17.0, 0.80, 300.0),
        AirClass::A2 => (10.0, 35.0, 21.0, 0.80, 300.0),
        AirClass::A3 => (5.0, 40.0, 24.0, 0.85, 175.0),
        AirClass::A4 => (5.0, 45.0, 24.0, 0.90, 125.0),
        AirClass::H1 => (5.0, 25.0, 17.0, 0.80, 500.0),
    };
    Ok(Limits { t_c: (low, high - (alt_m - 900.0).max(0.0) / metres), dew_c: (-12.0, dew), rh: (0.08, rh) })
}

/// How far inlet air of this temperature and dew point lies inside an envelope.
///
/// # Errors
/// As `limits`; `DomainError` for temperatures outside −100…200 °C.
pub fn inside(place: &Place, t_c: f64, t_dew_c: f64) -> Result<Inside, NoNumber> {
    let limits = limits(place)?;
    let (t, dew) = (temperature("t_c", t_c)?, temperature("t_dew_c", t_dew_c)?);
    // The stricter of both ways to state a limit. A humidity of 0 limits nothing.
    let stricter_rh = limits.rh.0 > 0.0 && is_dew_above(t, limits.rh.0, limits.dew_c.0);
    let driest = if stricter_rh { dew_point(t, limits.rh.0)? } else { limits.dew_c.0 };
    let stricter_dew = is_dew_above(t, limits.rh.1, limits.dew_c.1);
    let wettest = if stricter_dew { limits.dew_c.1 } else { dew_point(t, limits.rh.1)? };
    let all = [
        (t - limits.t_c.0, Nearest::TooCold),
        (limits.t_c.1 - t, Nearest::TooWarm),
        (dew - driest, Nearest::TooDry),
        (wettest - dew, Nearest::TooHumid),
    ];
    let (margin_k, nearest) = all.into_iter().fold(all[0], |least, one| if one.0 < least.0 { one } else { least });
    Ok(Inside { margin_k, nearest })
}

/// How far facility water lies inside its class, K; negative outside. `highest_c` names the class: 17, 27, 32, 40 or 45.
///
/// # Errors
/// `DomainError` for another class or a temperature outside −100…200 °C.
pub fn water_inside(highest_c: f64, t_supply_c: f64) -> Result<f64, NoNumber> {
    if ![17.0, 27.0, 32.0, 40.0, 45.0].contains(&highest_c) {
        return Err(outside("highest_c", "17, 27, 32, 40 or 45, as in W17 to W45"));
    }
    let t = temperature("t_supply_c", t_supply_c)?;
    Ok((t - 2.0).min(highest_c - t))
}

#[cfg(test)]
mod tests {
    use super::super::checks::absolute;
    use super::*;

    const A1: Place = Place {
        class: AirClass::A1,
        edition: Edition::Fifth,
        envelope: Envelope::Allowable,
        is_clean: true,
        alt_m: 9.0,
    };

    #[test]
    fn both_ways_to_state_a_limit_are_compared_as_dew_points() {
        for t_c in [2.0, 12.0, 18.0, 21.0, 22.5, 24.0, 27.0, 33.0, 41.0, 60.0] {
            for class in [AirClass::A1, AirClass::A3, AirClass::H1] {
                let limits = limits(&Place { class, ..A1 }).expect("a class");
                let at_rh = |rh| dew_point(t_c, rh).expect("in range");
                let (driest, wettest) =
                    (at_rh(limits.rh.0).max(limits.dew_c.0), at_rh(limits.rh.1).min(limits.dew_c.1));
                for dew_c in [-20.0, driest, wettest, 30.0] {
                    let margins = [t_c - limits.t_c.0, limits.t_c.1 - t_c, dew_c - driest, wettest - dew_c];
                    let plain = margins.into_iter().fold(f64::INFINITY, f64::min);
                    absolute(
                        "inside",
                        inside(&Place { class, ..A1 }, t_c, dew_c).map(|inside| inside.margin_k),
                        plain,
                        1e-9,
                    );
                }
            }
        }
    }

    #[test]
    fn limits_as_in_the_guidelines() {
        assert_eq!(limits(&A1).map(|l| (l.t_c, l.dew_c.1, l.rh)), Ok(((15.0, 32.0), 17.0, (0.08, 0.80))));
        let at = |class, alt_m| limits(&Place { class, alt_m, ..A1 }).map(|l| l.t_c.1);
        absolute("1 K for 300 m above 900 m", at(AirClass::A1, 1500.0), 30.0, 1e-12);
        absolute("A3 175 m", at(AirClass::A3, 1250.0), 38.0, 1e-12);
        absolute("A4 125 m", at(AirClass::A4, 1150.0), 43.0, 1e-12);
        absolute("H1 500 m", at(AirClass::H1, 1900.0), 23.0, 1e-12);
        assert_eq!(at(AirClass::A1, 3051.0).map_err(NoNumber::input), Err(Some("alt_m")));
        let recommended = Place { envelope: Envelope::Recommended, ..A1 };
        assert_eq!(limits(&recommended).map(|l| (l.t_c, l.rh.1)), Ok(((18.0, 27.0), 0.70)));
        assert_eq!(limits(&Place { is_clean: false, ..recommended }).map(|l| l.rh.1), Ok(0.50));
        assert_eq!(limits(&Place { edition: Edition::Fourth, ..recommended }).map(|l| l.rh.1), Ok(0.60));
        let too_early = Place { class: AirClass::H1, edition: Edition::Fourth, ..A1 };
        assert_eq!(limits(&too_early).map_err(NoNumber::input), Err(Some("class")));
    }

    #[test]
    fn the_nearest_limit_is_named() {
        let nearest = |t, dew| inside(&A1, t, dew).expect("sound");
        assert_eq!(nearest(30.0, 9.5), Inside { margin_k: 2.0, nearest: Nearest::TooWarm });
        assert_eq!(nearest(35.0, 9.5).margin_k, -3.0);
        assert_eq!(nearest(16.0, 5.0), Inside { margin_k: 1.0, nearest: Nearest::TooCold });
        assert_eq!(nearest(24.0, 16.5), Inside { margin_k: 0.5, nearest: Nearest::TooHumid });
        assert_eq!(nearest(24.0, -12.5).nearest, Nearest::TooDry);
        // At 18 °C 80 % comes before 17 °C of dew point: 14.5 °C.
        assert!(nearest(18.0, 14.4).margin_k < 0.2 && nearest(18.0, 14.4).nearest == Nearest::TooHumid);
        assert!(inside(&A1, f64::NAN, 9.0).is_err());
    }

    #[test]
    fn water_classes() {
        assert_eq!(water_inside(17.0, 16.0), Ok(1.0));
        assert_eq!(water_inside(27.0, 30.0), Ok(-3.0));
        assert_eq!(water_inside(45.0, 1.0), Ok(-1.0));
        assert_eq!(water_inside(20.0, 16.0).map_err(NoNumber::input), Err(Some("highest_c")));
    }
}
