//! Heat balance: what the water carries away against what is put in, and if they differ, which sensor most likely lies.
//!
//! In steady state the coil's heat is IT power plus what fans, UPS units and distribution lose into the same air plus
//! what comes through the walls. A difference above 5 % and two standard uncertainties is a mismatch. Then each sensor is
//! supposed to be the only wrong one: its error shifts the four residuals below in a known proportion, and the supposition
//! that leaves the least unexplained (weighted by the residuals' uncertainties: the usual χ²) is named, if it explains the
//! residuals at all and clearly better than the next. Heat kW, flow m³/h, temperatures °C. Never panics.

use super::{NoNumber, finite, not_negative, positive};

/// Least share of the input that counts as a mismatch.
const LEAST_SHARE: f64 = 0.05;
/// Residuals within three standard deviations are explained.
const EXPLAINED: f64 = 9.0;
/// By how much the best supposition must beat the next: e^(4/2) is some seven to one.
const CLEARLY: f64 = 4.0;

/// Heat put into the air, kW.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PutIn {
    /// IT equipment.
    pub it_kw: f64,
    /// Fans that blow through the coil.
    pub fans_kw: f64,
    /// Losses of UPS units and distribution that heat this air.
    pub losses_kw: f64,
    /// Through the walls; negative when heat goes out.
    pub envelope_kw: f64,
}

impl PutIn {
    /// The sum, kW.
    ///
    /// # Errors
    /// `DomainError` for negative powers or numbers that are not finite.
    pub fn sum_kw(&self) -> Result<f64, NoNumber> {
        let electrical = not_negative("it_kw", self.it_kw)?
            + not_negative("fans_kw", self.fans_kw)?
            + not_negative("losses_kw", self.losses_kw)?;
        finite("envelope_kw", electrical + finite("envelope_kw", self.envelope_kw)?)
    }
}

/// Water's heat less what is put in, kW.
///
/// # Errors
/// As `PutIn::sum_kw`; `DomainError` for a heat that is not finite.
pub fn heat_balance(water_kw: f64, put_in: &PutIn) -> Result<f64, NoNumber> {
    finite("water_kw", finite("water_kw", water_kw)? - put_in.sum_kw()?)
}

/// Which sensor most likely lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Suspect {
    /// None: the balance closes.
    None = 0,
    /// Supply water temperature.
    SupplyTemperature = 1,
    /// Return water temperature.
    ReturnTemperature = 2,
    /// Water flow.
    WaterFlow = 3,
    /// The meters of the IT equipment.
    ElectricalMeters = 4,
    /// The balance does not close, and no single sensor explains it clearly.
    Unclear = 5,
}

/// Residuals and what they are made of; each uncertainty is a standard one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Evidence {
    /// Water's heat less what is put in, kW, with its uncertainty.
    pub balance: (f64, f64),
    /// Supply temperature less that leaving the chiller plant, K.
    pub supply: (f64, f64),
    /// Flow shown less flow by the pump's curve, m³/h.
    pub flow: (f64, f64),
    /// Air-side heat less what is put in, kW.
    pub air: (f64, f64),
    /// What is put in, kW.
    pub put_in_kw: f64,
    /// Heat capacity flow of the water, kW/K.
    pub c_water: f64,
    /// Heat for a flow, kW h/m³.
    pub kw_per_m3h: f64,
}

/// Names the most likely wrong sensor.
///
/// # Errors
/// `DomainError` for uncertainties or a capacity flow that are not positive, or numbers that are not finite.
pub fn most_likely_wrong(evidence: &Evidence) -> Result<Suspect, NoNumber> {
    let residuals = [evidence.balance, evidence.supply, evidence.flow, evidence.air];
    let (mut r, mut weight) = ([0.0; 4], [0.0; 4]);
    for (at, (value, sigma)) in residuals.into_iter().enumerate() {
        r[at] = finite("residual", value)?;
        let sigma = positive("uncertainty", sigma)?;
        weight[at] = 1.0 / (sigma * sigma);
    }
    let put_in = not_negative("put_in_kw", evidence.put_in_kw)?;
    let (c, k) = (positive("c_water", evidence.c_water)?, finite("kw_per_m3h", evidence.kw_per_m3h)?);
    let off = libm::fabs(r[0]);
    if off <= (LEAST_SHARE * put_in).max(2.0 * evidence.balance.1) {
        return Ok(Suspect::None);
    }
    // How an error of one shifts balance, supply, flow and air.
    let suppositions = [
        (Suspect::SupplyTemperature, [-c, 1.0, 0.0, 0.0]),
        (Suspect::ReturnTemperature, [c, 0.0, 0.0, 0.0]),
        (Suspect::WaterFlow, [k, 0.0, 1.0, 0.0]),
        (Suspect::ElectricalMeters, [-1.0, 0.0, 0.0, -1.0]),
    ];
    let unexplained = suppositions.map(|(suspect, shift)| {
        let both: f64 = (0..4).map(|i| weight[i] * r[i] * shift[i]).sum();
        let own: f64 = (0..4).map(|i| weight[i] * shift[i] * shift[i]).sum();
        let size = if own > 0.0 { both / own } else { 0.0 };
        let left: f64 = (0..4).map(|i| (r[i] - size * shift[i]) * (r[i] - size * shift[i]) * weight[i]).sum();
        (left, suspect)
    });
    let mut best = unexplained[0];
    let mut next = f64::INFINITY;
    for one in &unexplained[1..] {
        if one.0 < best.0 {
            (next, best) = (best.0, *one);
        } else {
            next = next.min(one.0);
        }
    }
    let clear = best.0 <= EXPLAINED && next - best.0 >= CLEARLY;
    Ok(if clear { best.1 } else { Suspect::Unclear })
}

/// Flow of a pump from its pressure rise by its curve Δp = s² Δp_0 − k V² (common practice, no source; the curve is
/// measured at commissioning), m³/h; 0 at or above the shut-off pressure.
///
/// # Errors
/// `DomainError` for a curve or speed that is not positive or a rise that is not finite.
pub fn flow_from_pump(rise_kpa: f64, speed: f64, shut_off_kpa: f64, slope: f64) -> Result<f64, NoNumber> {
    let rise = finite("rise_kpa", rise_kpa)?;
    let (speed, shut_off) = (not_negative("speed_rpm", speed)?, positive("shut_off_kpa", shut_off_kpa)?);
    finite("slope", libm::sqrt((speed * speed * shut_off - rise).max(0.0) / positive("slope", slope)?))
}

#[cfg(test)]
mod tests {
    use super::super::checks::relative;
    use super::*;

    /// 36 m³/h, 10 K: 41.8 kW/K, 11.6 kW for each m³/h.
    const SOUND: Evidence = Evidence {
        balance: (2.0, 6.0),
        supply: (0.05, 0.15),
        flow: (0.2, 0.5),
        air: (5.0, 15.0),
        put_in_kw: 430.0,
        c_water: 41.8,
        kw_per_m3h: 11.6,
    };

    #[test]
    fn each_single_error_is_named() {
        assert_eq!(most_likely_wrong(&SOUND), Ok(Suspect::None));
        let shifted = |balance, supply, flow, air| {
            let e = SOUND;
            most_likely_wrong(&Evidence {
                balance: (e.balance.0 + balance, e.balance.1),
                supply: (e.supply.0 + supply, e.supply.1),
                flow: (e.flow.0 + flow, e.flow.1),
                air: (e.air.0 + air, e.air.1),
                ..e
            })
        };
        assert_eq!(shifted(-41.8, 1.0, 0.0, 0.0), Ok(Suspect::SupplyTemperature));
        assert_eq!(shifted(41.8 * 1.5, 0.0, 0.0, 0.0), Ok(Suspect::ReturnTemperature));
        assert_eq!(shifted(-11.6 * 4.0, 0.0, -4.0, 0.0), Ok(Suspect::WaterFlow));
        assert_eq!(shifted(60.0, 0.0, 0.0, 60.0), Ok(Suspect::ElectricalMeters));
        assert_eq!(shifted(60.0, 3.0, 4.0, -60.0), Ok(Suspect::Unclear), "several at once");
        assert_eq!(shifted(18.0, 0.0, 0.0, 0.0), Ok(Suspect::None), "below 5 %");
    }

    #[test]
    fn balances() {
        let put_in = PutIn { it_kw: 414.0, fans_kw: 19.0, losses_kw: 0.0, envelope_kw: -3.0 };
        assert_eq!(heat_balance(432.0, &put_in), Ok(2.0));
        let odd = PutIn { fans_kw: -1.0, ..put_in };
        assert_eq!(heat_balance(432.0, &odd).map_err(NoNumber::input), Err(Some("fans_kw")));
        assert!(most_likely_wrong(&Evidence { air: (0.0, 0.0), ..SOUND }).is_err());
        assert!(most_likely_wrong(&Evidence { balance: (f64::NAN, 1.0), ..SOUND }).is_err());
        // 180 kPa without flow, 0.03 kPa/(m³/h)²: 36 m³/h against 141.12 kPa.
        relative("pump", flow_from_pump(141.12, 1.0, 180.0, 0.03), 36.0, 1e-12);
        assert_eq!(flow_from_pump(200.0, 1.0, 180.0, 0.03), Ok(0.0));
    }
}
