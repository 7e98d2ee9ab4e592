//! Derived points of the power distribution and its UPS units with their truth, by path.
//!
//! What the tiers carry now; what would be if a side were lost stands in `planned`. Currents A, powers kW, times s. Never panics.

use lapwing_engine::physics::three_phase;
use lapwing_simulator::model::Truth;
use lapwing_simulator::model::layout::BUSWAY_NAMES;
use lapwing_simulator::model::truth::OutputSource;
use lapwing_simulator::model::ups::runtime_s;

use super::lost::{BUSWAY_A, TAP_A, load_pct};
use super::truths::{Band, it_kw, span};

/// Truth of the electrical points, by path; `None` of other points.
pub(crate) fn electrical(path: &str, past: &[Truth]) -> Option<(Band, f64)> {
    let parts: Vec<&str> = path.split('/').collect();
    let recent = &past[past.len().saturating_sub(6)..];
    let slowly = &past[past.len().saturating_sub(16)..];
    let band = |band: Band| {
        // Meters 0.5 %, steps of 0.1 A, and up to 3 % more for what moves (voltage and power factor).
        let by = 0.04 * band.1.abs() + 0.6;
        Some((band, by))
    };
    match parts.as_slice() {
        ["it", "power"] => Some((span(recent, it_kw), 3.0)),
        ["busway", busway, "current-unbalance"] => {
            let b = BUSWAY_NAMES.iter().position(|name| name == busway)?;
            let of = |t: &Truth| three_phase::current_unbalance_pct(&t.busways[b].amps, 250.0).unwrap_or(0.0);
            // Steps of 0.1 A and meters of 0.05 %, of some 50 A and more; 0 below a tenth of the rating.
            Some((span(slowly, of), 1.0))
        }
        ["busway", busway, "neutral", "computed-current"] => {
            let b = BUSWAY_NAMES.iter().position(|name| name == busway)?;
            let of = |t: &Truth| three_phase::neutral_current(&t.busways[b].amps).unwrap_or(0.0);
            // Each of the three within 0.04 A of some 50 A.
            Some((span(slowly, of), 0.5))
        }
        // Two meters of one current: they differ by their noise, steps and the moment they are read at.
        // While a battery feeds what is below, nothing may be shown as good: a band in which no number lies.
        ["main", "meter-difference"] if !recent.is_empty() && recent.iter().all(on_battery) => {
            Some(((f64::INFINITY, f64::NEG_INFINITY), 0.0))
        }
        [.., "meter-difference" | "failover-difference"] => Some(((0.0, 0.0), 3.0)),
        ["busway", busway, "load"] => {
            let b = BUSWAY_NAMES.iter().position(|name| name == busway)?;
            band(span(recent, |t| load_pct(t.busways[b].amps, BUSWAY_A)))
        }
        ["busway", busway, "tapoff", n, "load"] => {
            let b = BUSWAY_NAMES.iter().position(|name| name == busway)?;
            let (rack, side) = (b % 3 * 6 + n.parse::<usize>().ok()? - 1, b / 3);
            band(span(slowly, |t| load_pct(t.taps[rack][side].amps, TAP_A)))
        }
        ["rack", rack, "pdu", side, "load"] => {
            let (rack, side) = (rack.parse::<usize>().ok()? - 1, usize::from(*side == "b"));
            band(span(slowly, |t| load_pct(t.taps[rack][side].amps, TAP_A)))
        }
        ["ups", name, "seconds-left"] => {
            let b = BUSWAY_NAMES.iter().position(|known| known == name)?;
            // A weak battery shows when a twentieth of its charge is gone, and the card has told it.
            let hides = past.last().is_some_and(|truth| {
                let ups = &truth.ups[b];
                ups.charge > 0.88 && ups.remaining_s < 0.9 * ups.charge * runtime_s(ups.output_kw)
            });
            if hides {
                return None;
            }
            let recent = &past[past.len().saturating_sub(UPS_LAG_S + 1)..];
            let (low, high) = span(recent, |t| t.ups[b].remaining_s);
            // Errs to the short side: the first twentieth of charge is known to half a percent either way; 2 s late.
            Some(((0.8 * low - 6.0, high + 3.0), 0.0))
        }
        _ => None,
    }
}

/// Whether a UPS feeds from its battery.
fn on_battery(truth: &Truth) -> bool {
    truth.ups.iter().any(|ups| ups.source == OutputSource::Battery)
}

/// Power and charge of a UPS's card are read every five seconds here; on battery the agent itself reads them every two.
const UPS_LAG_S: usize = 8;
