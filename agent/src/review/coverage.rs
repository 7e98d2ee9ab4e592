//! What the power distribution says needs an alarm and has none: load, supply, failover, meters against each other.
//!
//! An alarm of the breaker in front speaks for one behind it that may carry as much and is all it feeds. Points are found
//! by the meters of the topology, never by names beyond them. Points with a role that asks for an alarm each are looked at
//! here too. Never panics.

use lapwing_protocol::Quantity;

use super::ground::Ground;
use super::{Finding, Kind, Severity, about};
use crate::plan::topology::TierKind;

pub(super) fn review(ground: &Ground<'_>, found: &mut Vec<Finding>) {
    for at in 0..ground.plan.topology.tiers.len() {
        tier(ground, at, found);
    }
    for (at, point) in ground.plan.points.iter().enumerate() {
        let Some(role) = point.role.map(crate::plan::Role::about).filter(|role| role.each) else { continue };
        let any =
            ground.plan.points.iter().enumerate().any(|(at, other)| other.role == point.role && ground.is_watched(at));
        if any && !ground.is_watched(at) {
            let what = format!("`{}` tells of {} and has no alarm: {}", point.path, role.what, role.without);
            found.push(about(
                "point_unwatched",
                Severity::Serious,
                Kind::Point,
                &point.path,
                what,
                "add an [[alarm]] on it",
            ));
        }
    }
}

/// Whether the points below a meter that pass the test are there, and whether an alarm watches one of them.
fn below(ground: &Ground<'_>, meter: &str, fits: impl Fn(&str, &str) -> bool) -> (bool, bool) {
    let mut known = (false, false);
    for (at, point) in ground.plan.points.iter().enumerate() {
        let Some(rest) = point.path.strip_prefix(meter).and_then(|rest| rest.strip_prefix('/')) else { continue };
        if fits(rest, &point.quantity) {
            known.0 = true;
            known.1 |= ground.alarms.iter().any(|subject| usize::try_from(subject.alarm.point) == Ok(at));
        }
    }
    known
}

/// The names of points right below a meter or one of its phases.
fn own(rest: &str) -> Option<&str> {
    let mut segments = rest.split('/');
    match (segments.next()?, segments.next(), segments.next()) {
        (name, None, _) => Some(name),
        ("l1" | "l2" | "l3" | "neutral", Some(name), None) => Some(name),
        _ => None,
    }
}

fn tier(ground: &Ground<'_>, at: usize, found: &mut Vec<Finding>) {
    let topology = &ground.plan.topology;
    let Some(tier) = topology.tiers.get(at) else { return };
    let Some(meter) = tier.meter.as_deref().filter(|_| tier.rating_a > 0.0) else { return };
    let loads = |name: &str| matches!(name, "current" | "power" | "load" | "failover-current" | "failover-load");
    let load = |meter: &str| below(ground, meter, |rest, _| own(rest).is_some_and(loads));
    let failover = |meter: &str| {
        below(ground, meter, |rest, _| {
            own(rest).is_some_and(|name| matches!(name, "failover-current" | "failover-load"))
        })
    };
    let name = tier.called();
    if load(meter) == (true, false) && !spoken_for(ground, at, &load) {
        let what = format!(
            "{name} may carry {:.0} A for hours and no alarm watches what it carries: its breaker trips unannounced",
            tier.allowed_a()
        );
        let mend = format!("add an [[alarm]] on `{meter}/load`, or let the tier in front speak for it");
        found.push(about("breaker_unwatched", Severity::Serious, Kind::Tier, &name, what, mend));
    }
    if failover(meter) == (true, false) && !spoken_for(ground, at, &failover) {
        let what =
            format!("no alarm tells when the loss of the other side would overload {name}: redundancy is lost unseen");
        let mend = format!("add an [[alarm]] on `{meter}/failover-load`");
        found.push(about("failover_unwatched", Severity::Moderate, Kind::Tier, &name, what, mend));
    }
    if !matches!(tier.kind, TierKind::Main | TierKind::Busway) {
        return;
    }
    let voltage = below(ground, meter, |rest, quantity| own(rest).is_some() && quantity == Quantity::Voltage.name());
    if voltage == (true, false) {
        let what = format!("no alarm watches the voltage of {name}: a dead tier is told by what hangs on it");
        found.push(about(
            "supply_unwatched",
            Severity::Moderate,
            Kind::Tier,
            &name,
            what,
            format!("add an [[alarm]] on `{meter}/l1/voltage`"),
        ));
    }
    let meters = below(ground, meter, |rest, _| rest == "meter-difference");
    if meters == (true, false) {
        let what = format!(
            "no alarm tells when the meter of {name} differs from those below it: loads and reserve may be wrong for months"
        );
        found.push(about(
            "meters_unwatched",
            Severity::Minor,
            Kind::Tier,
            &name,
            what,
            format!("add an [[alarm]] on `{meter}/meter-difference`"),
        ));
    }
}

/// Whether a tier in front that may carry no more and feeds nothing else is watched.
fn spoken_for(ground: &Ground<'_>, at: usize, watched: &impl Fn(&str) -> (bool, bool)) -> bool {
    let topology = &ground.plan.topology;
    let mut below = at;
    loop {
        let Some(tier) = topology.tiers.get(below) else { return false };
        let [above] = tier.fed_by.as_slice() else { return false };
        let Some(feeder) = topology.tiers.get(*above) else { return false };
        if feeder.allowed_a() > tier.allowed_a() || topology.feeds(*above).count() != 1 {
            return false;
        }
        if feeder.meter.as_deref().is_some_and(|meter| watched(meter).1) {
            return true;
        }
        below = *above;
    }
}
