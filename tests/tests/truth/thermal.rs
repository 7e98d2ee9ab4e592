//! Derived points of air, water and efficiency with their truth, how late they are, and the uncertainty they claim.
//!
//! A table; no code of its own but what a claim needs. Times s, the rest in the points' units. Never panics by itself.

use lapwing_engine::physics::air_class::Envelope;
use lapwing_engine::physics::three_phase;
use lapwing_simulator::model::air::AIR_KJ_PER_M3K;
use lapwing_simulator::model::coil;

use super::SECONDS;
use super::truths::{Band, changed, dew, dews, envelope, fans, fans_kw, it_kw, span, span_of, water_heat, working};
use lapwing_simulator::model::Truth;

/// One point with its truth.
pub(crate) struct Row {
    pub path: &'static str,
    /// How long ago what it shows may have been, s.
    pub lag_s: usize,
    /// Its uncertainty, absolute, for a value.
    pub within: fn(f64) -> f64,
    /// Why so much.
    pub because: &'static str,
    pub truth: fn(&[Truth]) -> Band,
}

/// The coil's and filter's pressure drops give the flow; noise of both.
fn by_drop(flow: f64) -> f64 {
    // Below 4.05 m³/s the 2 Pa alone would make the flow.
    if flow < 4.05 { 4.05 } else { 0.02 * flow + 30.0 * 0.5 * 2.0 / 110.0 * 30.0 / flow }
}

/// A filter's pressure drop against its nominal one, by the square of the flow.
fn loading(drop: Band, flow: Band, (nominal_drop, nominal_flow): (f64, f64)) -> Band {
    let at = |drop: f64, flow: f64| drop / nominal_drop * (nominal_flow / flow.max(1e-3)).powi(2);
    (at(drop.0, flow.1), at(drop.1, flow.0))
}

pub(crate) const ROWS: &[Row] = &[
    Row {
        path: "cold-aisle/middle/dew-point",
        lag_s: 60,
        within: |_| 0.7,
        because: "2 % of humidity and 0.2 K; probes of 15 s and 10 s, cards of 2 s, humidity read every 10 s",
        truth: |past| dew(past, 0.0),
    },
    Row {
        path: "cold-aisle/left/dew-point",
        lag_s: 60,
        within: |_| 0.7,
        because: "as in the middle; it hangs where it is 0.2 K warmer",
        truth: dews,
    },
    Row {
        path: "cold-aisle/right/dew-point",
        lag_s: 60,
        within: |_| 0.7,
        because: "as in the middle; it hangs where it is 0.2 K warmer",
        truth: dews,
    },
    Row {
        path: "cold-aisle/dew-point",
        lag_s: 60,
        within: |_| 0.7,
        because: "the sensor in the middle",
        truth: |past| dew(past, 0.0),
    },
    Row {
        path: "cold-aisle/change-15min",
        lag_s: SECONDS as usize,
        within: |_| 0.4,
        because: "noise and steps of 0.1 K at both ends",
        truth: changed,
    },
    Row {
        path: "cold-aisle/change-60min",
        lag_s: SECONDS as usize,
        within: |_| 0.4,
        because: "noise and steps of 0.1 K at both ends",
        truth: changed,
    },
    Row {
        path: "main/voltage-unbalance",
        lag_s: 12,
        within: |_| 0.1,
        because: "voltages 0.05 %, every five seconds",
        truth: |past| span(past, |t| three_phase::unbalance_iec_u2_ln(&t.main_volts).unwrap_or(0.0)),
    },
    Row {
        path: "coil/condensation-margin",
        lag_s: 60,
        within: |_| 0.75,
        because: "dew point 0.7 K, surface 0.1 K",
        truth: |past| {
            let surface = span(past, |t| t.supply_water_c.min(t.chiller_leaving_c));
            (surface.0 - dew(past, 0.2).1, surface.1 - dew(past, 0.0).0)
        },
    },
    Row {
        path: "coil/water/heat",
        lag_s: 40,
        within: |kw| 0.01 * kw.abs() + 4.0,
        because: "flow 1 %, pair of sensors 0.05 K each at 42 kW/K; wells of 8 s",
        truth: water_heat,
    },
    Row {
        path: "coil/water/flow-by-pump",
        lag_s: 4,
        within: |v| if v < 10.0 { 4.0 } else { 0.8 },
        because: "0.6 kPa of 40 kPa below shut-off; the square root is steep near no flow",
        truth: |past| {
            let speed = span(past, |t| t.pumps.iter().fold(0.0, |most, pump| pump.speed.max(most)));
            let rise = span(past, |t| t.pump_rise_kpa);
            let flow = |speed: f64, rise: f64| ((speed * speed * 180.0 - rise).max(0.0) / 0.03).sqrt();
            (flow(speed.0, rise.1), flow(speed.1, rise.0))
        },
    },
    Row {
        path: "fan-wall/air-flow",
        lag_s: 4,
        within: by_drop,
        because: "2 Pa of 110 Pa is 1 %, the reference 2 %; the square root is steep near no flow",
        truth: |past| span(past, |t| t.air_flow_m3s),
    },
    Row {
        path: "fan-wall/fans-working",
        lag_s: 6,
        within: |_| 0.0,
        because: "a count; speeds are rounded to 1 rpm, so that a fan at the edge may count or not",
        truth: |past| (fans(past, |t| working(t, 0.81)).0, fans(past, |t| working(t, 0.79)).1),
    },
    Row {
        path: "fan-wall/fans-backwards",
        lag_s: 6,
        within: |_| 0.0,
        because: "a count",
        truth: |past| {
            let count = |share: f64| move |t: &Truth| t.fans.iter().filter(|fan| fan.speed <= share).count();
            (fans(past, count(-0.011)).0, fans(past, count(-0.009)).1)
        },
    },
    Row {
        path: "fan-wall/reserve",
        lag_s: 6,
        within: |_| 0.0,
        because: "a count",
        truth: |past| (fans(past, |t| working(t, 0.81)).0 - 12.0, fans(past, |t| working(t, 0.79)).1 - 12.0),
    },
    Row {
        path: "filter/loading",
        lag_s: 4,
        within: |v| 0.05 * v + 0.05,
        because: "air flow 2 % counts twice, pressure 0.2 Pa",
        truth: |past| {
            // The two pressures come at different paces.
            loading(span(past, |t| t.filter_pa), span(past, |t| t.air_flow_m3s), (90.0, 30.0))
        },
    },
    Row {
        path: "coil/water/strainer/loading",
        lag_s: 4,
        within: |v| 0.06 * v + 0.05,
        because: "flow 1 % and its probe's lag count twice, pressure 0.1 kPa",
        truth: |past| loading(span(past, |t| t.strainer_kpa), span(past, |t| t.water_flow_m3h), (18.6, 40.0)),
    },
    Row {
        path: "coil/approach",
        lag_s: 40,
        within: |_| 0.2,
        because: "0.05 K each, left and right differ by 0.4 K, rounding 0.1 K",
        truth: |past| {
            let (air, water) = (span(past, |t| t.coil_leaving_air_c), span(past, |t| t.supply_water_c));
            (air.0 - water.1, air.1 - water.0)
        },
    },
    Row {
        path: "coil/effectiveness",
        lag_s: 40,
        within: |_| 0.03,
        because: "the left sensor is 0.2 K low of some 18 K",
        truth: |past| {
            let (hot, leaving) = (span(past, |t| t.hot_aisle_c), span(past, |t| t.coil_leaving_air_c));
            let water = span(past, |t| t.supply_water_c);
            let at = |hot: f64, leaving: f64, water: f64| (hot - leaving) / (hot - water).max(0.1);
            let corners: Vec<f64> = [hot.0, hot.1]
                .into_iter()
                .flat_map(|h| [leaving.0, leaving.1].map(move |l| (h, l)))
                .flat_map(|(h, l)| [water.0, water.1].map(move |w| at(h, l, w)))
                .collect();
            span_of(&corners)
        },
    },
    Row {
        path: "coil/air/heat",
        lag_s: 40,
        within: |kw| 0.06 * kw.abs() + if kw < 250.0 { 20.0 } else { 5.0 },
        because: "air flow 2 %, 10 % at a fifth of full flow; one of two leaving sensors 1.7 %, density at the inlet 3 %",
        truth: |past| {
            let flow = span(past, |t| t.air_flow_m3s);
            let (hot, leaving) = (span(past, |t| t.hot_aisle_c), span(past, |t| t.coil_leaving_air_c));
            let (least, most) = (hot.0 - leaving.1, hot.1 - leaving.0);
            span_of(&[flow.0 * least, flow.0 * most, flow.1 * least, flow.1 * most].map(|v| v * AIR_KJ_PER_M3K))
        },
    },
    Row {
        path: "coil/conductance",
        lag_s: 40,
        within: |ua| 0.08 * ua,
        because: "in steady state only: heat 2 %, end differences of some 6 K each known to 0.25 K",
        truth: |past| span(past, |t| coil::conductance(t.air_flow_m3s.max(0.05), t.water_flow_m3h.max(0.02))),
    },
    Row {
        path: "coil/cleanliness",
        lag_s: 40,
        within: |_| 0.1,
        because: "conductance 8 %, air flow 2 %; the simulated coil stays clean",
        truth: |_| (1.0, 1.0),
    },
    Row {
        path: "module/heat-balance",
        lag_s: 40,
        within: |_| 11.0,
        because: "water 8 kW, meters 1 %, fans 0.5 kW",
        truth: |past| {
            let (water, put_in) = (water_heat(past), span(past, |t| it_kw(t) + fans_kw(t)));
            (water.0 - put_in.1, water.1 - put_in.0)
        },
    },
    Row {
        path: "envelope/allowable-margin",
        lag_s: 60,
        within: |_| 0.8,
        because: "dew point 0.7 K, inlet 0.1 K",
        truth: |past| envelope(past, Envelope::Allowable),
    },
    Row {
        path: "envelope/recommended-margin",
        lag_s: 60,
        within: |_| 0.8,
        because: "dew point 0.7 K, inlet 0.1 K",
        truth: |past| envelope(past, Envelope::Recommended),
    },
    Row {
        path: "envelope/facility-water-margin",
        lag_s: 40,
        within: |_| 0.15,
        because: "well of 8 s, rounding 0.1 K",
        truth: |past| span(past, |t| (27.0 - t.supply_water_c).min(t.supply_water_c - 2.0)),
    },
    Row {
        path: "efficiency/power-ratio",
        lag_s: 5,
        within: |v| 0.01 * v,
        because: "meters 0.5 % each",
        truth: |past| {
            let (all, it) = (span(past, |t| t.main_kw), span(past, it_kw));
            (all.0 / it.1.max(1.0), all.1 / it.0.max(1.0))
        },
    },
    Row {
        path: "efficiency/cooling-load-factor",
        lag_s: 5,
        within: |v| 0.02 * v + 0.002,
        because: "meters 0.5 % each",
        truth: |past| {
            let (cooling, it) = (span(past, |t| t.cooling_kw + t.chiller_power_kw), span(past, it_kw));
            (cooling.0 / it.1.max(1.0), cooling.1 / it.0.max(1.0))
        },
    },
];
