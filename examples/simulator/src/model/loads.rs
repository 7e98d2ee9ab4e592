//! Racks, tap-offs and busways: who carries which load on which phase, and what happens when a side is lost.
//!
//! Every rack is dual-corded on every phase; the two sides share it unequally. When one of them is dead, the other
//! carries all (constant power). IEC 60364 convention: 230 V line to neutral. Power kW, current A. Never panics.

use super::air::Air;
use super::layout::{BUSWAYS, PAIRS, RACK_KW, RACKS, SHARE_A, Side, busway_of};
use super::noise::Noise;
use super::truth::{Busway, OutputSource, Tap, Truth};
use super::upset::Upset;

/// Displacement and distortion together, of the servers' power supplies. Invented.
pub const POWER_FACTOR: f64 = 0.97;
/// Controls, lighting and the agent's own box, kW.
const CONTROLS_KW: f64 = 1.0;
/// Load changes: standard deviation as a share, and time constant, s.
const WANDER: f64 = 0.008;
const WANDER_TAU_S: f64 = 120.0;

/// What a busway gives to its tap-offs, by phase.
struct Feed {
    live: [bool; 3],
    /// 0 without voltage.
    amps_a_kw: [f64; 3],
}

impl Feed {
    fn of(volts: [f64; 3]) -> Self {
        let mut feed = Self { live: [false; 3], amps_a_kw: [0.0; 3] };
        for (p, volts) in volts.into_iter().enumerate() {
            if volts > 100.0 {
                (feed.live[p], feed.amps_a_kw[p]) = (true, 1000.0 / (volts * POWER_FACTOR));
            }
        }
        feed
    }
}

/// Adds what a tap-off carries on one phase; it, kW.
#[inline]
fn carry(p: usize, kw: f64, feed: &Feed, dt_h: f64, tap: &mut Tap, busway: &mut Busway) -> f64 {
    let amps = kw * feed.amps_a_kw[p];
    tap.amps[p] = amps;
    tap.kw += kw;
    tap.kwh += kw * dt_h;
    busway.amps[p] += amps;
    busway.kw[p] += kw;
    kw
}

/// What the servers want.
#[derive(Clone, Debug)]
pub struct Loads {
    noise: Noise,
    wander: [f64; RACKS],
    until_wander_s: f64,
}

impl Loads {
    /// At their average.
    pub fn new(seed: u64) -> Self {
        Self { noise: Noise::new(seed, 1), wander: [0.0; RACKS], until_wander_s: 0.0 }
    }

    /// Goes on with another seed's noise.
    pub fn reseed(&mut self, seed: u64) {
        self.noise = Noise::new(seed, 1);
    }

    /// Loads, tap-offs, busways and UPS outputs for a step.
    pub fn step(&mut self, dt_s: f64, upset: &Upset, truth: &mut Truth) {
        self.wander(dt_s);
        let dt_h = dt_s / 3600.0;
        for b in 0..BUSWAYS {
            truth.breaker_tripped[b] = upset.breaker_tripped[b];
            truth.breaker_closed[b] = !(upset.breaker_tripped[b] || upset.breaker_open[b]);
            let source = truth.ups[b].source;
            let closed = truth.breaker_closed[b] && source != OutputSource::None;
            for p in 0..3 {
                let live = closed && !upset.phase_lost[b][p];
                truth.busways[b].volts[p] = if live { truth.ups[b].output_volts[p] } else { 0.0 };
                truth.busways[b].amps[p] = 0.0;
                truth.busways[b].kw[p] = 0.0;
            }
        }
        let feeds = core::array::from_fn(|b| Feed::of(truth.busways[b].volts));
        for (r, rated_kw) in RACK_KW.into_iter().enumerate() {
            let inlet = truth.inlet_c[r].iter().sum::<f64>() / 3.0;
            let load = rated_kw * upset.load_share * (1.0 + self.wander[r]) + upset.added_kw[r];
            let wanted = load * Air::work_share(inlet);
            Self::feed(r, wanted, dt_h, upset, &feeds, truth);
        }
        for busway in &mut truth.busways {
            busway.kwh += busway.kw.iter().sum::<f64>() * dt_h;
        }
        Self::cooling_panel(dt_s, truth);
    }

    fn feed(r: usize, wanted_kw: f64, dt_h: f64, upset: &Upset, feeds: &[Feed; BUSWAYS], truth: &mut Truth) {
        let (a, b) = (busway_of(r, Side::A), busway_of(r, Side::B) - PAIRS);
        let (of_a, of_b) = (&feeds[a], &feeds[PAIRS + b]);
        let (busways_a, busways_b) = truth.busways.split_at_mut(PAIRS);
        let (busway_a, busway_b) = (&mut busways_a[a], &mut busways_b[b]);
        let [tap_a, tap_b] = &mut truth.taps[r];
        let [tripped_a, tripped_b] = upset.tap_tripped[r];
        (tap_a.tripped, tap_a.live, tap_a.kw) = (tripped_a, !tripped_a && of_a.live.contains(&true), 0.0);
        (tap_b.tripped, tap_b.live, tap_b.kw) = (tripped_b, !tripped_b && of_b.live.contains(&true), 0.0);
        let mut got = 0.0;
        for p in 0..3 {
            // Phases differ a little from rack to rack.
            let wanted = wanted_kw / 3.0 * [1.02, 0.99, 0.99][(p + r) % 3];
            let (share_a, share_b) = match (!tripped_a && of_a.live[p], !tripped_b && of_b.live[p]) {
                (true, true) => (SHARE_A[r], 1.0 - SHARE_A[r]),
                (true, false) => (1.0, 0.0),
                (false, true) => (0.0, 1.0),
                (false, false) => (0.0, 0.0),
            };
            got += carry(p, wanted * share_a, of_a, dt_h, tap_a, busway_a);
            got += carry(p, wanted * share_b, of_b, dt_h, tap_b, busway_b);
        }
        truth.rack_kw[r] = got;
    }

    /// Fans, pumps and controls hang on UPS A1, or on B1 when A1 is dead.
    fn cooling_panel(dt_s: f64, truth: &mut Truth) {
        let live = |b: usize| truth.ups[b].source != OutputSource::None;
        let feeder = [0, 3].into_iter().find(|b| live(*b));
        truth.cooling_panel_live = feeder.is_some();
        let fans: f64 = truth.fans.iter().map(|f| f.power_w).sum::<f64>() / 1000.0;
        let pumps: f64 = truth.pumps.iter().map(|p| p.power_kw).sum();
        truth.cooling_kw = if feeder.is_some() { fans + pumps + CONTROLS_KW } else { 0.0 };
        truth.cooling_kwh += truth.cooling_kw * dt_s / 3600.0;
        for b in 0..BUSWAYS {
            let extra = if feeder == Some(b) { truth.cooling_kw } else { 0.0 };
            let busway: Busway = truth.busways[b];
            let ups = &mut truth.ups[b];
            let dead = ups.source == OutputSource::None;
            ups.output_kw = if dead { 0.0 } else { busway.kw.iter().sum::<f64>() + extra };
            for p in 0..3 {
                let extra_a = extra / 3.0 * 1000.0 / (230.0 * 0.9);
                ups.output_amps[p] = if dead { 0.0 } else { busway.amps[p] + extra_a };
            }
        }
    }

    fn wander(&mut self, dt_s: f64) {
        self.until_wander_s -= dt_s;
        if self.until_wander_s > 0.0 {
            return;
        }
        self.until_wander_s += 1.0;
        let keep = libm::exp(-1.0 / WANDER_TAU_S);
        let kick = WANDER * libm::sqrt(1.0 - keep * keep);
        for w in &mut self.wander {
            *w = keep * *w + kick * self.noise.gauss();
        }
    }
}
