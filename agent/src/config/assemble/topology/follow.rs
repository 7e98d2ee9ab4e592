//! Derived points that follow from the topology: loads, failover, meters against each other, first breaker, capacity.
//!
//! Made as if they were written as `[[derived]]`, so that order, units and mistakes are judged in one place. Paths begin
//! with the meter's prefix: `busway/a1/l1/failover-current`, `busway/a1/failover-load`, `busway/a1/load`,
//! `busway/a1/meter-difference`, `busway/a1/failover-difference`, `busway/a1/capacity`. What moves to a breaker when the other side is lost is read at the
//! highest meters of the other side that carry nothing else; a cord that no meter covers leaves the breaker without its
//! failover points, and a finding says so. Never panics.

use std::time::Duration;

use lapwing_protocol::Quantity;

use crate::compute::Function;
use crate::config::items::derived::DerivedItem;
use crate::config::items::tier::TierItem;
use crate::config::mistake::Report;
use crate::config::source::Located;
use crate::config::wrong::OfTiers;
use crate::plan::Constant;
use crate::plan::topology::{Side, TierKind, Topology};

use super::super::Points;
use super::{Built, phase_paths};

/// Tiers below the busways change with single servers: every few seconds is enough to see them fill up.
const SLOW: Duration = Duration::from_secs(5);
/// A difference of meters is taken relative to at least this part of the rating.
const FLOOR: f64 = 0.1;
/// Power factor of a load that is added, unless configured: servers' supplies are better (common practice, no source).
const POWER_FACTOR: f64 = 0.95;
/// Heads of the paths that belong to no single meter.
const MODULE: &str = "module";

/// Every derived point of the topology.
pub(super) fn points(built: &Built<'_>, points: &Points, report: &mut Report) -> Vec<DerivedItem> {
    let mut follow = Follow { built, points, made: Vec::new(), failover: vec![None; built.items.len()] };
    for at in 0..built.items.len() {
        follow.breaker(at, report);
    }
    follow.differences();
    follow.first_breakers();
    follow.capacity();
    follow.made
}

struct Follow<'f, 'p> {
    built: &'f Built<'p>,
    points: &'f Points,
    made: Vec<DerivedItem>,
    /// By tier: what would move to it, as tiers whose meters tell.
    failover: Vec<Option<Vec<usize>>>,
}

/// What an argument takes.
type From = (&'static str, Vec<String>);
type With = (&'static str, Constant);

impl Follow<'_, '_> {
    fn topology(&self) -> &Topology {
        &self.built.topology
    }

    /// Adds a point; its mistakes, if any, are told at the tier's item.
    fn make(&mut self, at: usize, path: String, function: &'static str, from: &[From], with: &[With]) {
        let item: &TierItem = self.built.items[at];
        let place = item.meter.as_ref().map_or(item.place, |meter| meter.place);
        let located = |path: &String| Located { value: path.clone(), place };
        let function = Function::named(function);
        let fine = matches!(self.topology().tiers[at].kind, TierKind::Main | TierKind::Busway);
        self.made.push(DerivedItem {
            path: Located { value: path, place },
            label: item.label.clone(),
            function,
            from: from.iter().map(|(argument, paths)| (*argument, paths.iter().map(located).collect())).collect(),
            with: with.to_vec(),
            exponent: Some(if function.is_some_and(|f| f.quantity == Quantity::State) { 0 } else { -1 }),
            valid: None,
            tag: None,
            location: None,
            every: if fine { Duration::ZERO } else { SLOW },
            states: Vec::new(),
        });
    }

    /// Whether a point is there or will be.
    fn is_known(&self, path: &str) -> bool {
        self.points.find(path).is_some() || self.built.derived.contains(&path)
    }

    /// Names the states of the point made last.
    fn states(&mut self, names: impl Iterator<Item = String>) {
        if let Some(made) = self.made.last_mut() {
            made.states = (0..).zip(names).collect();
        }
    }

    fn breaker(&mut self, at: usize, report: &mut Report) {
        let (tier, item) = (&self.built.topology.tiers[at], self.built.items[at]);
        let Some(prefix) = tier.meter.clone().filter(|_| tier.rating_a > 0.0) else { return };
        let rating = [number("rating_a", tier.rating_a), number("limit_frac", tier.limit)];
        let own = phase_paths(&prefix, tier.phases, "current");
        self.make(at, format!("{prefix}/load"), "load_pct", &[("i_a", own.clone())], &rating);
        self.difference(at, &prefix, report);
        let Some(moving) = self.moving(at, item, report) else { return };
        for (phase, own) in (1..).zip(own) {
            let path = format!("{prefix}/l{phase}/failover-current");
            let meters = moving.iter().filter_map(|other| self.topology().tiers[*other].meter.clone());
            let moves = meters.map(|meter| format!("{meter}/l{phase}/current")).collect();
            self.make(at, path, "failover_current", &[("own_a", vec![own]), ("moving_a", moves)], &[]);
        }
        let carried = phase_paths(&prefix, tier.phases, "failover-current");
        self.make(at, format!("{prefix}/failover-load"), "load_pct", &[("i_a", carried)], &rating);
        self.failover[at] = Some(moving);
    }

    /// The tiers whose meters tell what would move to a breaker; `None` where nothing would or no meter tells it.
    fn moving(&self, at: usize, item: &TierItem, report: &mut Report) -> Option<Vec<usize>> {
        let topology = self.topology();
        let side = topology.side(at)?;
        let racks: Vec<usize> = topology.cords(at).into_iter().map(|(rack, _)| rack).collect();
        let mut cords: Vec<(usize, usize)> = Vec::new();
        for rack in racks {
            let feeders =
                topology.tiers[rack].fed_by.iter().filter(|feeder| topology.side(**feeder) == Some(side.other()));
            for feeder in feeders {
                if !cords.contains(&(rack, *feeder)) {
                    cords.push((rack, *feeder));
                }
            }
        }
        if cords.is_empty() {
            return None;
        }
        // From the top: a metered tier that carries these cords and no other tells them all at once.
        let mut told = Vec::new();
        for (other, tier) in topology.tiers.iter().enumerate() {
            if tier.meter.is_none() || tier.side != Some(side.other()) {
                continue;
            }
            let carries = topology.cords(other);
            if !carries.is_empty() && carries.iter().all(|cord| cords.contains(cord)) {
                cords.retain(|cord| !carries.contains(cord));
                told.push(other);
            }
        }
        let phases = topology.tiers[at].phases;
        let same = told.iter().all(|other| topology.tiers[*other].phases == phases);
        if cords.is_empty() && same {
            return Some(told);
        }
        let why = match cords.first() {
            Some((rack, feeder)) => format!(
                "no meter tells what rack {} draws through {}",
                topology.tiers[*rack].name,
                topology.tiers[*feeder].called()
            ),
            None => "the other side has another number of phases".to_string(),
        };
        let wrong = OfTiers::NoFailover { name: topology.tiers[at].called(), why };
        report.finding(item.place, item.label.clone(), wrong);
        None
    }

    /// The tier's meter against those below it, where all of them are metered.
    fn difference(&mut self, at: usize, prefix: &str, report: &mut Report) {
        let (tier, item) = (&self.built.topology.tiers[at], self.built.items[at]);
        let below: Option<Vec<usize>> = self.metered_below(at);
        let Some(below) = below else {
            let wrong = OfTiers::NoSumBelow { name: tier.called() };
            report.finding(item.place, item.label.clone(), wrong);
            return;
        };
        let meter = |at: &usize| self.topology().tiers[*at].meter.clone();
        if below.is_empty() {
            return;
        }
        let path = format!("{prefix}/meter-difference");
        if tier.kind == TierKind::Main {
            // A UPS or transformer stands between: powers, not currents.
            let mut powers: Vec<String> =
                below.iter().filter_map(meter).map(|meter| format!("{meter}/power")).collect();
            powers.extend(item.also.iter().map(|path| path.value.clone()));
            let own = format!("{prefix}/power");
            if !self.is_known(&own) || !powers.iter().all(|path| self.is_known(path)) {
                return;
            }
            let floor = FLOOR * tier.rating_a * 3.0 * item.main.voltage_v / 1000.0;
            let with = [number("efficiency", item.main.efficiency), number("floor_kw", floor)];
            let hangs = |busway: &usize| self.topology().above(*busway).any(|above| above == at);
            let told = |at: &usize| self.topology().tiers[*at].source_state.clone();
            let sources: Vec<String> =
                self.topology().of(TierKind::Busway).filter(|at| hangs(at)).filter_map(|at| told(&at)).collect();
            let mut from = vec![("meter_kw", vec![own]), ("below_kw", powers)];
            // UPS units that tell what feeds them say more than a meter that stands at zero.
            let function = if sources.is_empty() { "meter_difference_power_pct" } else { "meter_difference_ups_pct" };
            from.extend((!sources.is_empty()).then_some(("source", sources)));
            self.make(at, path, function, &from, &with);
        } else if below.iter().all(|other| self.topology().tiers[*other].phases == tier.phases) {
            let currents =
                below.iter().filter_map(meter).flat_map(|meter| phase_paths(&meter, tier.phases, "current")).collect();
            let own = phase_paths(prefix, tier.phases, "current");
            let with = [number("floor_a", FLOOR * tier.rating_a)];
            self.make(at, path, "meter_difference_pct", &[("meter_a", own), ("below_a", currents)], &with);
        }
    }

    /// Beside each failover current how far the meters it rests on differ from those below them: what it is worth.
    fn differences(&mut self) {
        let topology = &self.built.topology;
        for at in 0..topology.tiers.len() {
            let (Some(prefix), Some(moving)) = (&topology.tiers[at].meter, &self.failover[at]) else { continue };
            let tiers = std::iter::once(&at).chain(moving);
            let paths: Vec<String> = tiers
                .filter_map(|tier| topology.tiers[*tier].meter.as_ref())
                .map(|meter| format!("{meter}/meter-difference"))
                .filter(|path| self.made.iter().any(|made| made.path.value == *path))
                .collect();
            if !paths.is_empty() {
                let path = format!("{prefix}/failover-difference");
                self.make(at, path, "worst_difference_pct", &[("difference_pct", paths)], &[]);
            }
        }
    }

    /// The nearest metered tiers below; `None` if some of it is covered by no meter.
    fn metered_below(&self, at: usize) -> Option<Vec<usize>> {
        let topology = self.topology();
        let mut found = Vec::new();
        for below in topology.feeds(at) {
            let tier = &topology.tiers[below];
            match tier.kind {
                TierKind::Rack => return Some(Vec::new()), // nothing below it has a meter to be compared with
                _ if tier.meter.is_some() => found.push(below),
                _ if topology.feeds(below).all(|next| topology.tiers[next].kind == TierKind::Rack) => return None,
                _ => found.extend(self.metered_below(below)?),
            }
        }
        Some(found)
    }

    /// If a side were lost: which breaker of the other side would go first, and how far it is away from that.
    fn first_breakers(&mut self) {
        for lost in [Side::A, Side::B] {
            let topology = self.topology();
            let at: Vec<usize> = (0..topology.tiers.len())
                .filter(|at| topology.side(*at) == Some(lost.other()) && self.failover[*at].is_some())
                .collect();
            let Some(first) = at.first().copied() else { continue };
            let loads: Vec<String> = at
                .iter()
                .filter_map(|at| topology.tiers[*at].meter.clone())
                .map(|m| format!("{m}/failover-load"))
                .collect();
            let allowed = at.iter().map(|at| topology.tiers[*at].allowed_a()).collect();
            let names: Vec<String> = at.iter().map(|at| topology.tiers[*at].called()).collect();
            let head = format!("failover/side-{}-lost", lost.letter().to_ascii_lowercase());
            self.make(first, format!("{head}/first-breaker"), "first_breaker", &[("load_pct", loads.clone())], &[]);
            self.states(names.into_iter());
            let with = [("allowed_a", Constant::Numbers(allowed))];
            self.make(first, format!("{head}/margin"), "first_breaker_margin_a", &[("load_pct", loads)], &with);
        }
    }

    /// What still fits: behind each breaker and source, in each rack and pair, and in the module.
    fn capacity(&mut self) {
        let topology = self.topology();
        let Some(main) = topology.of(TierKind::Main).next() else { return };
        let about = &self.built.items[main].main;
        let (voltage, pf) = (about.voltage_v, about.power_factor.unwrap_or(POWER_FACTOR));
        let known = |path: &Located<String>| self.is_known(&path.value);
        let cooling = about.cooling_kw.zip(about.cooling_load.clone().filter(known));
        // By tier: the points that tell what fits behind it, with the name of what limits.
        let mut fits: Vec<Vec<(String, String)>> = vec![Vec::new(); topology.tiers.len()];
        for (at, fits) in fits.iter_mut().enumerate() {
            *fits = self.behind(at, (voltage, pf), about.draws_per_kw);
        }
        let mut common = fits[main].clone();
        if let Some((limit, load)) = cooling {
            let path = "cooling/capacity".to_string();
            self.make(main, path.clone(), "left_kw", &[("loads_kw", vec![load.value])], &[number("limit_kw", limit)]);
            common.push((path, "cooling".into()));
        }
        let topology = &self.built.topology;
        let mut pairs = Vec::new();
        for (a, b) in topology.pairs() {
            let path = format!("busway-pair/{}-{}/capacity", topology.tiers[a].name, topology.tiers[b].name);
            if self.least(a, &path, [fits[a].clone(), fits[b].clone()].concat()) {
                pairs.push(path);
            }
        }
        if !pairs.is_empty() {
            let path = format!("{MODULE}/busways/capacity");
            self.make(main, path.clone(), "capacity_together_kw", &[("kw", pairs)], &[]);
            let mut limits = vec![(path, "busways".to_string())];
            limits.extend(common.clone());
            self.least(main, &format!("{MODULE}/capacity"), limits);
        }
        for rack in topology.of(TierKind::Rack) {
            let mut limits: Vec<(String, String)> = Vec::new();
            for feeder in &topology.tiers[rack].fed_by {
                for at in std::iter::once(*feeder).chain(topology.above(*feeder)).filter(|at| *at != main) {
                    limits.extend(fits[at].iter().filter(|limit| !limits.contains(limit)).cloned().collect::<Vec<_>>());
                }
            }
            limits.extend(common.clone());
            self.least(rack, &format!("rack/{}/capacity", topology.tiers[rack].name), limits);
        }
    }

    /// What fits behind a breaker and behind the source in front of it, after the loss of the other side.
    fn behind(&mut self, at: usize, (voltage, pf): (f64, f64), draws_per_kw: f64) -> Vec<(String, String)> {
        let tier = &self.built.topology.tiers[at];
        let Some(prefix) = tier.meter.clone().filter(|_| tier.rating_a > 0.0) else { return Vec::new() };
        let moving = self.failover[at].clone();
        let quantity = if moving.is_some() { "failover-current" } else { "current" };
        let path = format!("{prefix}/capacity");
        let with = [
            number("rating_a", tier.rating_a),
            number("limit_frac", tier.limit),
            number("v_ln", voltage),
            number("pf", pf),
        ];
        let draws = (tier.kind == TierKind::Main).then_some(number("draws_per_kw", draws_per_kw));
        let with: Vec<With> = with.into_iter().chain(draws.clone()).collect();
        self.make(at, path.clone(), "headroom_kw", &[("i_a", phase_paths(&prefix, tier.phases, quantity))], &with);
        let mut limits = vec![(path, tier.called())];
        if let Some(source_kw) = tier.source_kw {
            let meters =
                moving.into_iter().flatten().filter_map(|other| self.built.topology.tiers[other].meter.clone());
            let powers = std::iter::once(prefix.clone()).chain(meters).map(|meter| format!("{meter}/power"));
            // A main's meter has all of it; a busway's has not what its source feeds beside it.
            let also = self.built.items[at].also.iter().filter(|_| tier.kind == TierKind::Busway);
            let loads: Vec<String> = powers.chain(also.map(|path| path.value.clone())).collect();
            if loads.iter().all(|load| self.is_known(load)) {
                let path = format!("{prefix}/source/capacity");
                let with: Vec<With> = std::iter::once(number("limit_kw", source_kw)).chain(draws).collect();
                self.make(at, path.clone(), "left_kw", &[("loads_kw", loads)], &with);
                limits.push((path, format!("source of {}", tier.called())));
            }
        }
        limits
    }

    /// The least of several, and which of them it is; whether there is any.
    fn least(&mut self, at: usize, path: &str, limits: Vec<(String, String)>) -> bool {
        if limits.is_empty() {
            return false;
        }
        let (paths, names): (Vec<String>, Vec<String>) = limits.into_iter().unzip();
        self.make(at, path.to_string(), "capacity_kw", &[("kw", paths.clone())], &[]);
        self.slow();
        self.make(at, format!("{path}/bound-by"), "capacity_bound_by", &[("kw", paths)], &[]);
        self.states(names.into_iter());
        self.slow();
        true
    }

    fn slow(&mut self) {
        if let Some(made) = self.made.last_mut() {
            made.every = SLOW;
        }
    }
}

fn number(name: &'static str, value: f64) -> With {
    (name, Constant::Number(value))
}
