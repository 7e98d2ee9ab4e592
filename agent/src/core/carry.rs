//! Finds what one plan and the next have in common, and carries the engine's states over from one to the other.
//!
//! A point is the same when its path, its number's meaning, its decoding and what it is made of are: what was read of it,
//! and its trend, hold. An alarm is the same when its condition, its point and what it counts on are: its state holds with
//! running delays. Names, texts, places and limits of other things do not matter. What is not the same begins anew. Pure;
//! moments stay what they are. Never panics.

use std::collections::HashMap;

use lapwing_engine::spec::{AlarmSpec, PointSpec, Span, UseSpec};
use lapwing_engine::{AlarmState, PointState, Window};
use lapwing_protocol::Changes;

use crate::field::moves::{Move, same_device};
use crate::plan::{Comparison, Derived, Plan, stretch};

#[cfg(test)]
mod tests;

/// The engine's states under one plan.
#[derive(Debug)]
pub struct States {
    /// By point.
    pub points: Vec<PointState>,
    /// By alarm.
    pub alarms: Vec<AlarmState>,
    /// By trend window.
    pub windows: Vec<Window>,
}

/// What two plans have in common.
#[derive(Clone, Debug, Default)]
pub struct Common {
    /// By point of the next plan: the same point under the plan before.
    pub points: Vec<Option<u32>>,
    /// By alarm of the next plan: the same alarm under the plan before, unchanged.
    pub alarms: Vec<Option<u32>>,
    /// By derived point of the next plan: the same under the plan before.
    pub derived: Vec<Option<u32>>,
    /// By rule of suppression of the plan before: the rule of that name.
    pub rules: Vec<Option<u16>>,
    /// By device of the next plan: the same device, asked the same, under the plan before.
    pub devices: Vec<Option<u32>>,
}

impl States {
    /// Nothing was read yet.
    #[must_use]
    pub fn new(plan: &Plan) -> Self {
        Self {
            points: vec![PointState::default(); plan.engine.points.len()],
            alarms: vec![AlarmState::default(); plan.engine.alarms.len()],
            windows: vec![Window::default(); plan.engine.windows.len()],
        }
    }

    /// The states under the next plan.
    #[must_use]
    pub fn carried(self, common: &Common, before: &Plan, next: &Plan) -> Self {
        let mut states = Self::new(next);
        for (new, old) in common.points.iter().enumerate().filter_map(|(new, old)| Some((new, at((*old)?)))) {
            if let (Some(to), Some(from)) = (states.points.get_mut(new), self.points.get(old)) {
                *to = *from;
            }
            let window = |plan: &Plan, point: usize| plan.engine.points.get(point).and_then(|spec| spec.window);
            let Some((new, old)) = window(next, new).zip(window(before, old)) else { continue };
            let same = before.engine.windows.get(at(old)) == next.engine.windows.get(at(new));
            if let (true, Some(to), Some(from)) = (same, states.windows.get_mut(at(new)), self.windows.get(at(old))) {
                to.clone_from(from);
            }
        }
        let rule = |rule: u16| common.rules.get(usize::from(rule)).copied().flatten();
        for (to, old) in states.alarms.iter_mut().zip(&common.alarms) {
            if let Some(from) = old.and_then(|old| self.alarms.get(at(old))) {
                *to = from.renumbered(rule);
            }
        }
        states
    }
}

impl Common {
    /// Compares two plans.
    #[must_use]
    pub fn between(before: &Plan, next: &Plan) -> Self {
        let by_path: HashMap<&str, u32> =
            (0..).zip(&before.points).map(|(n, point)| (point.path.as_str(), n)).collect();
        let by_id: HashMap<&str, u32> = (0..).zip(&before.alarms).map(|(n, alarm)| (alarm.id.as_str(), n)).collect();
        let by_device: HashMap<&str, u32> =
            (0..).zip(&before.devices).map(|(n, device)| (device.name.as_str(), n)).collect();
        let devices: Vec<Option<u32>> = next
            .devices
            .iter()
            .map(|device| {
                let old = *by_device.get(device.name.as_str())?;
                same_device((before, before.devices.get(at(old))?), (next, device)).then_some(old)
            })
            .collect();
        let mut common = Self { devices, points: vec![None; next.points.len()], ..Self::default() };
        // Field points and the agent's own first; derived ones and differences need those they are made of.
        let made = |plan: &Plan| {
            let mut made = vec![false; plan.points.len()];
            let all = plan.derived.iter().map(|derived| derived.point);
            for point in all.chain(plan.compared.iter().map(|compared| compared.point)) {
                if let Some(made) = made.get_mut(at(point)) {
                    *made = true;
                }
            }
            made
        };
        let (made_before, made_next) = (made(before), made(next));
        let is = |made: &[bool], point: u32| made.get(at(point)).copied().unwrap_or(false);
        for (new, point) in (0u32..).zip(&next.points) {
            let Some(&old) = by_path.get(point.path.as_str()) else { continue };
            if is(&made_next, new) || is(&made_before, old) || !same_spec((before, old), (next, new)) {
                continue;
            }
            let of = |plan: &Plan, point: u32| plan.points.get(at(point)).and_then(|point| point.device);
            let same = match (of(before, old), of(next, new)) {
                (None, None) => true,
                (Some(old), Some(new)) => common.devices.get(at(new)).copied().flatten() == Some(old),
                (Some(_), None) | (None, Some(_)) => false,
            };
            if same {
                common.points[at(new)] = Some(old);
            }
        }
        let made_by = |points: &mut dyn Iterator<Item = u32>| -> HashMap<u32, u32> { points.zip(0u32..).collect() };
        let derived_by = made_by(&mut before.derived.iter().map(|derived| derived.point));
        let compared_by = made_by(&mut before.compared.iter().map(|compared| compared.point));
        // What the point of that name was made by, under the plan before.
        let was = |by: &HashMap<u32, u32>, point: u32| {
            let path = next.points.get(at(point)).map(|point| point.path.as_str())?;
            by.get(by_path.get(path)?).copied()
        };
        for derived in &next.derived {
            let found =
                was(&derived_by, derived.point).and_then(|index| common.derived_before(before, next, index, derived));
            if let Some((_, old)) = found
                && let Some(place) = common.points.get_mut(at(derived.point))
            {
                *place = Some(old);
            }
            common.derived.push(found.map(|(index, _)| index));
        }
        for compared in &next.compared {
            let old = was(&compared_by, compared.point).and_then(|index| before.compared.get(at(index)));
            let Some(old) = old else { continue };
            let point = |new: u32| common.points.get(at(new)).copied().flatten();
            let same = old.subject == compared.subject.and_then(point)
                && compared.subject.is_some() == old.subject.is_some()
                && same_comparison(&old.with, &compared.with, point)
                && same_spec((before, old.point), (next, compared.point));
            if same && let Some(place) = common.points.get_mut(at(compared.point)) {
                *place = Some(old.point);
            }
        }
        common.rules = before
            .suppress
            .iter()
            .map(|rule| next.suppress.iter().position(|new| new.name == rule.name))
            .map(|place| place.and_then(|place| u16::try_from(place).ok()))
            .collect();
        common.alarms = (0u32..)
            .zip(&next.alarms)
            .map(|(new, alarm)| {
                let old = *by_id.get(alarm.id.as_str())?;
                let same_digest = before.alarms.get(at(old))?.digest == alarm.digest;
                (same_digest && common.same_alarm((before, old), (next, new))).then_some(old)
            })
            .collect();
        common
    }

    /// How many points the next plan adds, removes and changes.
    #[must_use]
    pub fn points_changed(&self, before: &Plan, next: &Plan) -> Changes {
        let told = |point: &crate::plan::Point| format!("{:?}", crate::plan::Point { device: None, ..point.clone() });
        let changed = |old: usize, new: usize| {
            self.points.get(new).is_none_or(Option::is_none)
                || before.points.get(old).map(told) != next.points.get(new).map(told)
        };
        changes(before.points.iter().map(|p| p.path.as_str()), next.points.iter().map(|p| p.path.as_str()), changed)
    }

    /// How many configured alarms the next plan adds, removes and changes, in what they do or say.
    #[must_use]
    pub fn alarms_changed(&self, before: &Plan, next: &Plan) -> Changes {
        let told = |alarm: &crate::plan::Alarm| format!("{:?}", crate::plan::Alarm { point: 0, ..alarm.clone() });
        let configured = |plan: &Plan| -> Vec<usize> {
            plan.alarms.iter().enumerate().filter(|(_, alarm)| !alarm.own).map(|(n, _)| n).collect()
        };
        let (old, new) = (configured(before), configured(next));
        let changed = |a: usize, b: usize| {
            self.alarms.get(new[b]).is_none_or(Option::is_none)
                || told(&before.alarms[old[a]]) != told(&next.alarms[new[b]])
        };
        let ids = |plan: &'_ Plan, of: &[usize]| of.iter().map(|n| plan.alarms[*n].id.clone()).collect::<Vec<_>>();
        let (before, next) = (ids(before, &old), ids(next, &new));
        changes(before.iter().map(String::as_str), next.iter().map(String::as_str), changed)
    }

    fn derived_before(&self, before: &Plan, next: &Plan, index: u32, derived: &Derived) -> Option<(u32, u32)> {
        let old = before.derived.get(at(index))?;
        let inputs = old.from.len() == derived.from.len()
            && old.from.iter().zip(&derived.from).all(|(a, b)| {
                self.points.get(at(b.point)).copied().flatten() == Some(a.point)
                    && crate::plan::Input { point: 0, ..a.clone() } == crate::plan::Input { point: 0, ..b.clone() }
            });
        let same = inputs
            && old.compute == derived.compute
            && old.with == derived.with
            && old.every == derived.every
            && same_spec((before, old.point), (next, derived.point));
        same.then_some((index, old.point))
    }

    fn same_alarm(&self, (before, old): (&Plan, u32), (next, new): (&Plan, u32)) -> bool {
        let spec = |plan: &Plan, alarm: u32| plan.engine.alarms.get(at(alarm)).copied();
        let Some((old, new)) = spec(before, old).zip(spec(next, new)) else { return false };
        let bare = |spec: AlarmSpec| AlarmSpec { point: 0, only_while: None, ..spec };
        let point = |new: u32| self.points.get(at(new)).copied().flatten();
        let tested = |plan: &Plan, spec: AlarmSpec| {
            let number = spec.only_while?;
            plan.engine.uses.get(at(number)).map(|UseSpec { point, test, .. }| (*point, *test))
        };
        let uses = match (tested(before, old), tested(next, new)) {
            (None, None) => true,
            (Some((a, before)), Some((b, next))) => before == next && point(b) == Some(a),
            (Some(_), None) | (None, Some(_)) => false,
        };
        bare(old) == bare(new) && uses && point(new.point) == Some(old.point)
    }
}

/// What is added, removed and changed between two lists of names.
fn changes<'a>(
    before: impl Iterator<Item = &'a str>,
    next: impl Iterator<Item = &'a str>,
    changed: impl Fn(usize, usize) -> bool,
) -> Changes {
    let mut left: HashMap<&str, usize> = before.enumerate().map(|(n, name)| (name, n)).collect();
    let mut changes = Changes::default();
    for (new, name) in next.enumerate() {
        match left.remove(name) {
            None => changes.added = changes.added.saturating_add(1),
            Some(old) => changes.changed = changes.changed.saturating_add(u32::from(changed(old, new))),
        }
    }
    changes.removed = u32::try_from(left.len()).unwrap_or(u32::MAX);
    changes
}

/// How many links the next plan adds, removes and changes; `stay` are those that go on.
#[must_use]
pub fn links_changed(before: &Plan, next: &Plan, stay: &[Move]) -> Changes {
    let goes_on = |old: usize, new: usize| stay.iter().any(|move_| at(move_.from) == old && at(move_.to) == new);
    changes(
        before.links.iter().map(|link| link.name.as_str()),
        next.links.iter().map(|link| link.name.as_str()),
        |old, new| !goes_on(old, new),
    )
}

/// Whether two points mean the same number and are decoded and doubted the same.
fn same_spec((before, old): (&Plan, u32), (next, new): (&Plan, u32)) -> bool {
    let about = |plan: &Plan, point: u32| {
        let (about, spec) = (plan.points.get(at(point))?.clone(), *plan.engine.points.get(at(point))?);
        let absent = stretch(&plan.engine.absent, spec.decode.absent).to_vec();
        let mut spec = PointSpec { alarms: Span::default(), uses: Span::default(), window: None, ..spec };
        spec.decode.absent = Span::default();
        Some((about.quantity, about.unit, about.states, spec, absent))
    };
    about(before, old).is_some_and(|old| about(next, new) == Some(old))
}

fn same_comparison(old: &Comparison, new: &Comparison, point: impl Fn(u32) -> Option<u32>) -> bool {
    let all = |a: &[u32], b: &[u32]| a.len() == b.len() && a.iter().zip(b).all(|(a, b)| point(*b) == Some(*a));
    match (old, new) {
        (Comparison::Value(a), Comparison::Value(b)) => a == b,
        (Comparison::Point { point: a, times: before }, Comparison::Point { point: b, times: next }) => {
            point(*b) == Some(*a) && before.to_bits() == next.to_bits()
        }
        (Comparison::Median(a), Comparison::Median(b)) => all(a, b),
        (
            Comparison::Count { members: a, test: before, needed: old },
            Comparison::Count { members: b, test: next, needed: new },
        ) => all(a, b) && before == next && old == new,
        (
            Comparison::Value(_) | Comparison::Point { .. } | Comparison::Median(_) | Comparison::Count { .. },
            Comparison::Value(_) | Comparison::Point { .. } | Comparison::Median(_) | Comparison::Count { .. },
        ) => false,
    }
}

fn at(index: u32) -> usize {
    usize::try_from(index).unwrap_or(usize::MAX)
}
