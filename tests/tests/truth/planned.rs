//! Derived points of what would be if a side were lost and of what still fits, with what the played loss allows them to show.
//!
//! Points are told by their paths, limits by the names of a state. Currents A, powers kW. Never panics.

use lapwing::plan::Point;
use lapwing_simulator::model::layout::{BUSWAY_NAMES, PAIRS, Side};

use super::lost::{
    BUSWAY_A, Limit, Lost, MAIN_A, Phases, Place, TAP_A, breakers, fits, least, load_pct, of_module, of_pair, of_rack,
};
use super::truths::Band;

/// What the truth allows a point to show.
pub(crate) enum Claim {
    /// A number within the band, and so much beyond it.
    Number(Band, f64),
    /// One of these states.
    OneOf(Vec<f64>),
}

/// Meters are read every second, points of single breakers made every five; cards and scans come late.
const FAST_S: usize = 6;
const SLOW_S: usize = 16;
/// Two breakers or limits so near to each other may change places: percent of what may be carried, kW.
const NEAR_PCT: f64 = 2.0;
const NEAR_KW: f64 = 2.0;

/// Meters 0.5 %, steps of 0.1 A, and up to 3 % more for what moves: voltage and power factor.
fn current(band: Band) -> Option<Claim> {
    Some(Claim::Number(band, 0.04 * band.1.abs() + 0.6))
}

/// What fits behind a breaker: its current as above, and the phases and power factor of what is added, 5 %.
fn room(band: Band, allowed_a: f64) -> Option<Claim> {
    let carried_a = allowed_a - band.0.max(0.0) * 1.4;
    Some(Claim::Number(band, 0.05 * band.1.abs() + (0.04 * carried_a.max(0.0) + 0.6) * 0.69))
}

/// What the played loss allows a point to show; `None` of other points.
pub(crate) fn claim(point: &Point, past: &[Lost]) -> Option<Claim> {
    let parts: Vec<&str> = point.path.split('/').collect();
    let late = |seconds: usize| past.iter().skip(past.len().saturating_sub(seconds));
    let span = |seconds: usize, of: &dyn Fn(&Lost) -> f64| {
        late(seconds).map(of).fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high): Band, v| (low.min(v), high.max(v)))
    };
    match parts.as_slice() {
        ["main", "load"] => current(span(FAST_S, &|l| load_pct(l.now.main_amps, MAIN_A))),
        ["main", "capacity"] => room(span(FAST_S, &|l| fits(Limit::Main, Place::Balanced, l)), MAIN_A),
        ["main", "source", "capacity"] => {
            let band = span(FAST_S, &|l| fits(Limit::Generator, Place::Balanced, l));
            // A meter of 0.5 %, and what a kW more draws to 1 %.
            Some(Claim::Number(band, 0.01 * band.1.abs() + 4.0))
        }
        ["cooling", "capacity"] => {
            let band = span(FAST_S, &|l| fits(Limit::Coil, Place::Balanced, l));
            Some(Claim::Number(band, 3.5)) // six meters of 0.5 %, fans to 1 kW
        }
        ["busway", b, "source", "capacity"] => {
            let b = busway(b)?;
            let band = span(FAST_S, &|l| fits(Limit::Ups(b), Place::Balanced, l));
            Some(Claim::Number(band, 2.0)) // two meters of 0.5 % of some 75 kW, the cooling panel's
        }
        ["busway-pair", pair, "capacity"] => {
            let pair = pair_of(pair)?;
            room(span(SLOW_S, &|l| least(&of_pair(pair), Place::Balanced, l)), BUSWAY_A)
        }
        ["busway-pair", pair, "capacity", "bound-by"] => {
            Some(binds(point, &of_pair(pair_of(pair)?), Place::Balanced, late(SLOW_S)))
        }
        ["module", "busways", "capacity"] => {
            let Claim::Number(band, _) = room(span(SLOW_S, &|l| fits(Limit::Busways, Place::Balanced, l)), BUSWAY_A)?
            else {
                return None;
            };
            Some(Claim::Number(band, 0.05 * band.1.abs() + 3.0 * 4.5)) // three pairs
        }
        ["module", "capacity"] => {
            let band = span(SLOW_S, &|l| least(&of_module(true), Place::Balanced, l));
            Some(Claim::Number(band, 0.05 * band.1.abs() + 4.0))
        }
        ["module", "capacity", "bound-by"] => Some(binds(point, &of_module(true), Place::Balanced, late(SLOW_S))),
        ["rack", rack, "capacity"] => {
            let rack = number(rack)?;
            let band = span(SLOW_S, &|l| least(&of_rack(rack), Place::Rack(rack), l));
            Some(Claim::Number(band, 0.05 * band.1.abs() + 4.0))
        }
        ["rack", rack, "capacity", "bound-by"] => {
            let rack = number(rack)?;
            Some(binds(point, &of_rack(rack), Place::Rack(rack), late(SLOW_S)))
        }
        ["failover", lost, "margin"] => {
            // The margin of any breaker that may be the first.
            let side = survivor(lost)?;
            let near = late(FAST_S).flat_map(|l| nearest(side, l)).map(|(_, _, margin)| margin);
            let band = near.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
            Some(Claim::Number(band, 0.04 * BUSWAY_A.min((BUSWAY_A - band.0).abs()) + 0.6))
        }
        ["failover", lost, "first-breaker"] => {
            let side = survivor(lost)?;
            let near: Vec<Limit> = late(SLOW_S).flat_map(|l| nearest(side, l)).map(|(limit, _, _)| limit).collect();
            Some(Claim::OneOf(numbers(point, |limit| near.contains(&limit))))
        }
        _ => breaker(&parts, &span),
    }
}

/// Smallest and largest of a quantity within so many seconds.
type Span<'s> = dyn Fn(usize, &dyn Fn(&Lost) -> f64) -> Band + 's;

/// Currents, loads and room of one breaker.
fn breaker(parts: &[&str], span: &Span<'_>) -> Option<Claim> {
    let (limit, rest) = match parts {
        ["busway", b, "tapoff", t, rest @ ..] => {
            let b = busway(b)?;
            (Limit::Tap(b % PAIRS * 6 + number(t)?, side_of_index(b / PAIRS)), rest)
        }
        ["busway", b, rest @ ..] => (Limit::Busway(busway(b)?), rest),
        ["rack", rack, "pdu", side, rest @ ..] => (Limit::Tap(number(rack)?, side_named(side)?), rest),
        _ => return None,
    };
    let (allowed_a, seconds) = if let Limit::Busway(_) = limit { (BUSWAY_A, FAST_S) } else { (TAP_A, SLOW_S) };
    let carried = |lost: &Lost| -> Phases {
        match limit {
            Limit::Tap(rack, side) => lost.tap(rack, side),
            Limit::Busway(b) => lost.busway(b),
            Limit::Ups(_) | Limit::Main | Limit::Generator | Limit::Coil | Limit::Busways => [0.0; 3],
        }
    };
    match rest {
        [line, "failover-current"] => {
            let phase = ["l1", "l2", "l3"].iter().position(|l| l == line)?;
            current(span(seconds, &|l| carried(l)[phase]))
        }
        ["failover-load"] => current(span(seconds, &|l| load_pct(carried(l), allowed_a))),
        ["capacity"] => room(span(seconds, &|l| fits(limit, Place::Balanced, l)), allowed_a),
        _ => None,
    }
}

/// Breakers of a side that are, or nearly are, the first to go.
fn nearest(side: Side, lost: &Lost) -> Vec<(Limit, f64, f64)> {
    let all = breakers(side, lost);
    let most = all.iter().map(|(_, pct, _)| *pct).fold(0.0, f64::max);
    all.into_iter().filter(|(_, pct, _)| *pct >= most - NEAR_PCT).collect()
}

/// The states whose limit binds, or nearly does.
fn binds<'l>(point: &Point, limits: &[Limit], place: Place, past: impl Iterator<Item = &'l Lost>) -> Claim {
    let mut bound: Vec<Limit> = Vec::new();
    for lost in past {
        let least = least(limits, place, lost);
        let near = NEAR_KW + 0.05 * least.abs();
        bound.extend(limits.iter().filter(|limit| fits(**limit, place, lost) <= least + near));
    }
    Claim::OneOf(numbers(point, |limit| bound.contains(&limit)))
}

/// The numbers of the states that name a limit.
fn numbers(point: &Point, is_meant: impl Fn(Limit) -> bool) -> Vec<f64> {
    let named = point.states.iter().filter(|(_, name)| named(name).is_some_and(&is_meant));
    named.map(|(number, _)| *number as f64).collect()
}

/// The limit of a name such as `source of busway a1`.
fn named(name: &str) -> Option<Limit> {
    if let Some(tier) = name.strip_prefix("source of ") {
        return match named(tier)? {
            Limit::Busway(b) => Some(Limit::Ups(b)),
            Limit::Main => Some(Limit::Generator),
            Limit::Tap(..) | Limit::Ups(_) | Limit::Generator | Limit::Coil | Limit::Busways => None,
        };
    }
    let words: Vec<&str> = name.split([' ', '/']).collect();
    match words.as_slice() {
        ["main", "main"] => Some(Limit::Main),
        ["cooling"] => Some(Limit::Coil),
        ["busways"] => Some(Limit::Busways),
        ["busway", b] => Some(Limit::Busway(busway(b)?)),
        ["tap-off", b, t] => {
            let b = busway(b)?;
            Some(Limit::Tap(b % PAIRS * 6 + number(t)?, side_of_index(b / PAIRS)))
        }
        ["PDU", rack, side] => Some(Limit::Tap(number(rack)?, side_named(side)?)),
        _ => None,
    }
}

/// The side that is left in `side-a-lost`.
fn survivor(lost: &str) -> Option<Side> {
    match lost {
        "side-a-lost" => Some(Side::B),
        "side-b-lost" => Some(Side::A),
        _ => None,
    }
}

fn busway(name: &str) -> Option<usize> {
    BUSWAY_NAMES.iter().position(|known| *known == name)
}

/// `a1-b1` → 0.
fn pair_of(name: &str) -> Option<usize> {
    busway(name.split('-').next()?)
}

/// `07` → 6.
fn number(text: &str) -> Option<usize> {
    text.parse::<usize>().ok()?.checked_sub(1)
}

fn side_named(letter: &str) -> Option<Side> {
    Side::BOTH.into_iter().find(|side| side.letter() == letter)
}

fn side_of_index(index: usize) -> Side {
    if index == 0 { Side::A } else { Side::B }
}
