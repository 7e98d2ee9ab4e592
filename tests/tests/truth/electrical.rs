//! Derived points of the power distribution and its UPS units with their truth, by path.
//!
//! Sums of what the model's tiers carry. Currents A, powers kW, times s. Never panics.

use lapwing_engine::physics::three_phase;
use lapwing_simulator::model::Truth;
use lapwing_simulator::model::layout::BUSWAY_NAMES;
use lapwing_simulator::model::ups::runtime_s;

use super::truths::{Band, it_kw, span};

/// Truth of the electrical points, by path; `None` of other points.
pub fn electrical(path: &str, past: &[Truth]) -> Option<(Band, f64)> {
    let parts: Vec<&str> = path.split('/').collect();
    let phase = |text: &str| ["l1", "l2", "l3"].iter().position(|l| *l == text);
    let recent = &past[past.len().saturating_sub(6)..];
    let slowly = &past[past.len().saturating_sub(16)..];
    let band = |band: Band| {
        // Meters 0.5 %, steps of 0.1 A, and up to 3 % more for what moves (voltage and power factor).
        let by = 0.04 * band.1.abs() + 0.6;
        Some((band, by))
    };
    // What a breaker would carry alone: both sides' currents, at one moment.
    let both = |of: &dyn Fn(&Truth) -> [f64; 2]| span(recent, |t| of(t).iter().sum());
    match parts.as_slice() {
        ["it", "power"] => Some((span(recent, it_kw), 3.0)),
        ["busway", busway, line, "failover-current"] => {
            let (b, p) = (BUSWAY_NAMES.iter().position(|name| name == busway)?, phase(line)?);
            band(both(&|t| [t.busways[b % 3].amps[p], t.busways[b % 3 + 3].amps[p]]))
        }
        ["busway", busway, "tapoff", n, line, "failover-current"] => {
            let b = BUSWAY_NAMES.iter().position(|name| name == busway)?;
            let (rack, p) = (b % 3 * 6 + n.parse::<usize>().ok()? - 1, phase(line)?);
            band(both(&|t| t.taps[rack].map(|tap| tap.amps[p])))
        }
        ["rack", rack, "pdu", _, line, "failover-current"] => {
            let (rack, p) = (rack.parse::<usize>().ok()? - 1, phase(line)?);
            band(both(&|t| t.taps[rack].map(|tap| tap.amps[p])))
        }
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
        ["main", "meter-difference"] if slowly.iter().any(|t| t.main_kw < 1.0) => None, // batteries feed what is below
        [.., "meter-difference"] => Some(((0.0, 0.0), 3.0)),
        ["busway", busway, kind @ ("load" | "failover-load")] => {
            let b = BUSWAY_NAMES.iter().position(|name| name == busway)?;
            let of = |t: &Truth| most_pct(&t.busways[b].amps, &t.busways[(b + 3) % 6].amps, kind, 250.0);
            band(span(recent, of))
        }
        ["busway", busway, "tapoff", n, kind @ ("load" | "failover-load")] => {
            let b = BUSWAY_NAMES.iter().position(|name| name == busway)?;
            let (rack, side) = (b % 3 * 6 + n.parse::<usize>().ok()? - 1, b / 3);
            let of = |t: &Truth| most_pct(&t.taps[rack][side].amps, &t.taps[rack][1 - side].amps, kind, 63.0 * 0.8);
            band(span(slowly, of))
        }
        ["rack", rack, "pdu", side, kind @ ("load" | "failover-load")] => {
            let (rack, side) = (rack.parse::<usize>().ok()? - 1, usize::from(*side == "b"));
            let of = |t: &Truth| most_pct(&t.taps[rack][side].amps, &t.taps[rack][1 - side].amps, kind, 63.0 * 0.8);
            band(span(slowly, of))
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

/// The heaviest phase in % of what a breaker may carry; after the loss of the other side with what moves here.
fn most_pct(own: &[f64; 3], other: &[f64; 3], kind: &str, allowed_a: f64) -> f64 {
    let moves = if kind == "load" { 0.0 } else { 1.0 };
    own.iter().zip(other).map(|(own, other)| (own + moves * other) / allowed_a * 100.0).fold(0.0, f64::max)
}

/// Power and charge of a UPS's card are read every five seconds here; on battery the agent itself reads them every two.
const UPS_LAG_S: usize = 8;
