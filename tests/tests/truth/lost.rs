//! What each tier would carry if a side were lost, and what still fits, by playing it in a copy of the model.
//!
//! A side is lost with its UPS units; what hangs on the other side alone stays dark, and the other side is whole: breakers
//! closed, taps in, batteries full. Nothing here is the agent's arithmetic: what a kW more takes is played too. Currents A,
//! powers kW. Never panics.

use std::sync::OnceLock;

use lapwing_simulator::model::layout::{BUSWAYS, PAIRS, RACKS, Side, busway_of, racks_of, side_of};
use lapwing_simulator::model::{Model, Truth};

use super::truths::{fans_kw, it_kw};

/// Three phases.
pub(crate) type Phases = [f64; 3];

/// What a breaker may carry for hours, A: busways whole, tap-offs and PDUs 0.8 of 63 A, the main 0.8 of 1250 A.
pub(crate) const BUSWAY_A: f64 = 250.0;
pub(crate) const TAP_A: f64 = 63.0 * 0.8;
pub(crate) const MAIN_A: f64 = 1250.0 * 0.8;
/// What a UPS, the generator and the coil give for hours, kW.
const UPS_KW: f64 = 170.0;
const GENERATOR_KW: f64 = 800.0;
const COIL_KW: f64 = 460.0;
/// A step so short that nothing warms, charges or turns.
const AT_ONCE_S: f64 = 1e-3;

/// What is lost.
fn play(model: &Model, lost: Side, change: impl Fn(&mut Model)) -> Truth {
    let mut model = model.clone();
    let (upset, truth) = (&mut model.upset, &mut model.truth);
    // Without mains a UPS on bypass is dead, and the others carry from their batteries.
    (upset.utility_lost, upset.generator_blocked) = (true, true);
    (truth.generator_running, truth.on_generator) = (false, false);
    for b in 0..BUSWAYS {
        let is_lost = side_of(b) == lost;
        upset.ups_on_bypass[b] = is_lost;
        if !is_lost {
            (upset.breaker_open[b], upset.breaker_tripped[b]) = (false, false);
            upset.phase_lost[b] = [false; 3];
            truth.ups[b].charge = 1.0;
        }
    }
    for taps in &mut upset.tap_tripped {
        taps[other(lost).index()] = false;
    }
    change(&mut model);
    model.step(AT_ONCE_S);
    model.truth
}

const fn other(side: Side) -> Side {
    match side {
        Side::A => Side::B,
        Side::B => Side::A,
    }
}

/// The module as it is, and as it would be after the loss of each side.
pub(crate) struct Lost {
    pub now: Truth,
    /// By the side that is lost.
    without: [Truth; 2],
}

impl Lost {
    pub(crate) fn of(model: &Model) -> Self {
        Self { now: model.truth.clone(), without: Side::BOTH.map(|side| play(model, side, |_| {})) }
    }

    /// What a busway would carry if the other side were lost.
    pub(crate) fn busway(&self, b: usize) -> Phases {
        self.without[other(side_of(b)).index()].busways[b].amps
    }

    /// What a tap-off, and the PDU behind it, would carry then.
    pub(crate) fn tap(&self, rack: usize, side: Side) -> Phases {
        self.without[other(side).index()].taps[rack][side.index()].amps
    }

    /// What a UPS would give then.
    fn ups_kw(&self, b: usize) -> f64 {
        self.without[other(side_of(b)).index()].ups[b].output_kw
    }
}

/// Where a load is added.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Place {
    /// Behind one breaker or in the module, balanced over the phases.
    Balanced,
    /// In a rack.
    Rack(usize),
}

/// Something that limits what fits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Limit {
    Tap(usize, Side),
    Busway(usize),
    Ups(usize),
    Main,
    Generator,
    Coil,
    /// All pairs of busways together.
    Busways,
}

/// A kW more in a rack, by rack: A on each phase of the side that is left.
fn added() -> &'static [Phases; RACKS] {
    static ADDED: OnceLock<[Phases; RACKS]> = OnceLock::new();
    ADDED.get_or_init(|| {
        let model = Model::new(1);
        let mut all = [[0.0; 3]; RACKS];
        let before = play(&model, Side::A, |_| {});
        for (rack, added) in all.iter_mut().enumerate() {
            let after = play(&model, Side::A, |model| model.upset.added_kw[rack] = 1.0);
            for (p, added) in added.iter_mut().enumerate() {
                *added = after.taps[rack][1].amps[p] - before.taps[rack][1].amps[p];
            }
        }
        all
    })
}

/// A kW more in the racks, for good: A on each phase of the main, and kW there, with the losses and all that cools it.
fn drawn() -> (Phases, f64) {
    static DRAWN: OnceLock<(Phases, f64)> = OnceLock::new();
    *DRAWN.get_or_init(|| {
        let (less, more) = (Model::at_load(1, 1.0).truth, Model::at_load(1, 1.03).truth);
        let kw = it_kw(&more) - it_kw(&less);
        let amps = [0, 1, 2].map(|p| (more.main_amps[p] - less.main_amps[p]) / kw);
        println!("a kW more draws {:.3} kW at the main", (more.main_kw - less.main_kw) / kw);
        (amps, (more.main_kw - less.main_kw) / kw)
    })
}

/// What the fans put in when the load is so large that they turn as fast as they can, kW.
fn fans_at_full_kw() -> f64 {
    static FANS: OnceLock<f64> = OnceLock::new();
    *FANS.get_or_init(|| fans_kw(&Model::at_load(1, 1.1).truth))
}

/// kW that bring the first phase to what it may carry.
fn until(allowed_a: f64, carried: Phases, place: Place) -> f64 {
    let a_kw = match place {
        Place::Rack(rack) => added()[rack],
        Place::Balanced => [0, 1, 2].map(|p| added().iter().map(|a| a[p]).sum::<f64>() / RACKS as f64),
    };
    (0..3).map(|p| (allowed_a - carried[p]) / a_kw[p]).fold(f64::INFINITY, f64::min)
}

/// What still fits by one limit, kW.
pub(crate) fn fits(limit: Limit, place: Place, lost: &Lost) -> f64 {
    match limit {
        Limit::Tap(rack, side) => until(TAP_A, lost.tap(rack, side), place),
        Limit::Busway(b) => until(BUSWAY_A, lost.busway(b), place),
        Limit::Ups(b) => UPS_KW - lost.ups_kw(b),
        Limit::Main => {
            let (a_kw, _) = drawn();
            (0..3).map(|p| (MAIN_A - lost.now.main_amps[p]) / a_kw[p]).fold(f64::INFINITY, f64::min)
        }
        Limit::Generator => (GENERATOR_KW - lost.now.main_kw) / drawn().1,
        Limit::Coil => COIL_KW - fans_at_full_kw() - it_kw(&lost.now),
        Limit::Busways => (0..PAIRS).map(|pair| least(&of_pair(pair), Place::Balanced, lost).max(0.0)).sum(),
    }
}

/// The least of several.
pub(crate) fn least(limits: &[Limit], place: Place, lost: &Lost) -> f64 {
    limits.iter().map(|limit| fits(*limit, place, lost)).fold(f64::INFINITY, f64::min)
}

/// What limits a pair of busways.
pub(crate) fn of_pair(pair: usize) -> Vec<Limit> {
    [pair, pair + PAIRS].into_iter().flat_map(|b| [Limit::Busway(b), Limit::Ups(b)]).collect()
}

/// What limits a rack.
pub(crate) fn of_rack(rack: usize) -> Vec<Limit> {
    let mut limits = of_pair(busway_of(rack, Side::A));
    limits.extend(Side::BOTH.map(|side| Limit::Tap(rack, side)));
    limits.extend(of_module(false));
    limits
}

/// What limits the module.
pub(crate) fn of_module(with_busways: bool) -> Vec<Limit> {
    let mut limits = vec![Limit::Main, Limit::Generator, Limit::Coil];
    limits.extend(with_busways.then_some(Limit::Busways));
    limits
}

/// The heaviest phase in % of what a breaker may carry.
pub(crate) fn load_pct(carried: Phases, allowed_a: f64) -> f64 {
    carried.into_iter().fold(0.0, f64::max) / allowed_a * 100.0
}

/// Every breaker of a side with its load in % after the loss of the other one, and how far it is from what it may carry, A.
pub(crate) fn breakers(side: Side, lost: &Lost) -> Vec<(Limit, f64, f64)> {
    let of = |limit, carried, allowed_a| {
        let pct = load_pct(carried, allowed_a);
        (limit, pct, allowed_a * (1.0 - pct / 100.0))
    };
    let busways = (0..BUSWAYS).filter(|b| side_of(*b) == side);
    let mut all: Vec<_> = busways.clone().map(|b| of(Limit::Busway(b), lost.busway(b), BUSWAY_A)).collect();
    for rack in busways.flat_map(racks_of) {
        all.push(of(Limit::Tap(rack, side), lost.tap(rack, side), TAP_A));
    }
    all
}
