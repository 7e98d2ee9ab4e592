//! What the hidden truth allows a point to show: quantities of the course of the truth, as bands from smallest to largest.
//!
//! Computed from the simulator's values alone. Temperatures °C, powers kW, flows m³/h of water and m³/s of air. A sensor shows
//! what was at some moment of its lag, so each input lies anywhere in its own band. Panics on truths no formula covers.

use lapwing_engine::physics::air::dew_point;
use lapwing_engine::physics::air_class::{self, AirClass, Edition, Envelope, Place};
use lapwing_simulator::model::Truth;
use lapwing_simulator::model::water::KW_PER_K_A_M3H;

/// What the truth allows a point to show.
pub(crate) type Band = (f64, f64);

/// Smallest and largest of a quantity in the course of the truth.
pub(crate) fn span(past: &[Truth], of: impl Fn(&Truth) -> f64) -> Band {
    past.iter().map(of).fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)))
}

pub(crate) fn it_kw(truth: &Truth) -> f64 {
    truth.busways.iter().flat_map(|busway| busway.kw).sum()
}

pub(crate) fn fans_kw(truth: &Truth) -> f64 {
    truth.fans.iter().map(|fan| fan.power_w).sum::<f64>() / 1000.0
}

/// Heat with flow and temperatures each anywhere in the past: the flow meter is fast, the wells are slow.
pub(crate) fn water_heat(past: &[Truth]) -> Band {
    let flow = span(past, |t| t.water_flow_m3h);
    let difference = span(past, |t| t.return_water_c).0 - span(past, |t| t.supply_water_c).1;
    let most = span(past, |t| t.return_water_c).1 - span(past, |t| t.supply_water_c).0;
    let corners = [flow.0 * difference, flow.0 * most, flow.1 * difference, flow.1 * most];
    span_of(&corners.map(|v| v * KW_PER_K_A_M3H))
}

pub(crate) fn span_of(values: &[f64]) -> Band {
    values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(*v), high.max(*v)))
}

/// Dew point with temperature and humidity each anywhere in the past. The humidity of the sensor's own place: its
/// temperature is off by `off_k`, the humidity probe is not.
pub(crate) fn dew(past: &[Truth], off_k: f64) -> Band {
    let t = span(past, |t| t.cold_aisle_c + off_k);
    let rh = span(past, |t| t.cold_aisle_rh / 100.0);
    let at = |t, rh: f64| dew_point(t, rh.min(1.0)).expect("in range");
    (at(t.0, rh.0), at(t.1, rh.1))
}

pub(crate) fn dews(past: &[Truth]) -> Band {
    (dew(past, 0.2).0, dew(past, 0.2).1)
}

pub(crate) fn envelope(past: &[Truth], envelope: Envelope) -> Band {
    let place = Place { class: AirClass::A1, edition: Edition::Fifth, envelope, is_clean: true, alt_m: 9.0 };
    let hottest = span(past, Truth::hottest_inlet_c);
    let coldest = span(past, |t| t.inlet_c.iter().flatten().fold(f64::MAX, |a, b| a.min(*b)));
    let (lowest, _) = dew(past, 0.0);
    let (_, highest) = dew(past, 0.2);
    let mut all = Vec::new();
    for hot in [hottest.0, hottest.1] {
        for dew in [lowest, highest] {
            let cold = |t: f64| air_class::inside(&place, t, dew).expect("in range").margin_k;
            all.push(cold(hot).min(cold(coldest.0)));
            all.push(cold(hot).min(cold(coldest.1)));
        }
    }
    span_of(&all)
}

pub(crate) fn fans(past: &[Truth], count: impl Fn(&Truth) -> usize) -> Band {
    span(past, |t| count(t) as f64)
}

pub(crate) fn working(truth: &Truth, share: f64) -> usize {
    truth.fans.iter().filter(|fan| fan.speed >= (share * truth.fan_command).max(0.02)).count()
}

/// Change of the cold aisle since the start; the probe's 15 s do not show all of what is short.
pub(crate) fn changed(past: &[Truth]) -> Band {
    let change = |past: &[Truth]| {
        let (low, high) = span(past, |t| t.cold_aisle_c);
        (high - low).max(0.0)
    };
    (0.5 * change(&past[..past.len().saturating_sub(60)]), change(past))
}
