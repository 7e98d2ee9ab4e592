//! Which of several changed settings makes the difference: each is tried alone.
//!
//! Only for alarms that behave otherwise and have several settings changed, and only for settings that can be set by
//! themselves: limit, deadband, delays, latching. Each key is one more replay with all other settings of these alarms as
//! they were. Never panics.

use lapwing_engine::spec::{AlarmSpec, Condition};

use super::ReplayError;
use super::changes;
use super::lives::{self, Compared};
use super::player::{self, Film};
use super::then::Thens;
use crate::plan::Plan;

type Set = fn(&mut AlarmSpec, &AlarmSpec);

/// Settings that can be tried alone.
const KEYS: [(&str, Set); 5] = [
    ("limit", |spec, now| spec.condition = with_deadband(now.condition, deadband(spec.condition))),
    ("deadband", |spec, now| spec.condition = with_deadband(spec.condition, deadband(now.condition))),
    ("on_delay", |spec, now| spec.on_delay_ms = now.on_delay_ms),
    ("off_delay", |spec, now| spec.off_delay_ms = now.off_delay_ms),
    ("latching", |spec, now| spec.latching = now.latching),
];

/// Tries changed settings alone, where there are several.
pub(super) fn attribute(
    alarms: &mut [Compared],
    plan: &Plan,
    film: &Film<'_>,
    thens: &mut Thens,
    range: (i64, i64),
    tell: &mut dyn FnMut(usize, usize),
) -> Result<(), ReplayError> {
    // By alarm of now that differs: the settings of then, if only one set of them differs from those of now.
    let mut several: Vec<(usize, AlarmSpec)> = Vec::new();
    for compared in alarms.iter().filter(|compared| compared.differs()) {
        let of = |plan: &Plan| {
            let index = plan.alarms.iter().position(|alarm| alarm.id == compared.id)?;
            Some((index, *plan.engine.alarms.get(index)?))
        };
        let known = thens.in_force();
        let other = |then: &&Plan| !changes::same_alarm(then, plan, &compared.id);
        let mut others = known.iter().filter_map(|then| then.plan.as_ref().ok()).filter(other);
        let Some(then) =
            others.next().filter(|first| others.all(|next| changes::same_alarm(first, next, &compared.id)))
        else {
            continue;
        };
        let (Some((index, now)), Some((_, before))) = (of(plan), of(then)) else { continue };
        // Its point may have another number; that is no setting of it.
        let before = AlarmSpec { point: now.point, only_while: now.only_while, ..before };
        let same_kind = std::mem::discriminant(&before.condition) == std::mem::discriminant(&now.condition);
        let changed = KEYS.iter().filter(|(_, set)| alone(before, now, *set) != before).count();
        if same_kind && changed > 1 {
            several.push((index, before));
        }
    }
    for (key, set) in KEYS {
        let tried: Vec<usize> = several
            .iter()
            .filter(|(index, before)| alone(*before, plan.engine.alarms[*index], set) != *before)
            .map(|(index, _)| *index)
            .collect();
        if tried.is_empty() {
            continue;
        }
        let mut varied = plan.clone();
        for (index, before) in &several {
            varied.engine.alarms[*index] = alone(*before, plan.engine.alarms[*index], set);
        }
        let played = player::play(&varied, film, thens, tell)?;
        let sums = lives::sums(&played.within(film.range), range);
        for index in tried {
            let id = &plan.alarms[index].id;
            if let Some(compared) = alarms.iter_mut().find(|compared| compared.id == *id) {
                compared.alone.push((key, sums.get(id).copied().unwrap_or_default()));
            }
        }
    }
    Ok(())
}

fn alone(before: AlarmSpec, now: AlarmSpec, set: Set) -> AlarmSpec {
    let mut spec = before;
    set(&mut spec, &now);
    spec
}

fn deadband(condition: Condition) -> i64 {
    match condition {
        Condition::High { deadband, .. }
        | Condition::Low { deadband, .. }
        | Condition::Rise { deadband, .. }
        | Condition::Fall { deadband, .. }
        | Condition::Beyond { deadband, .. } => deadband,
        Condition::State { .. }
        | Condition::BadMeasurement
        | Condition::TimeToLimit { .. }
        | Condition::Frozen
        | Condition::NotIn { .. } => 0,
    }
}

fn with_deadband(condition: Condition, deadband: i64) -> Condition {
    match condition {
        Condition::High { limit, .. } => Condition::High { limit, deadband },
        Condition::Low { limit, .. } => Condition::Low { limit, deadband },
        Condition::Rise { per_min, .. } => Condition::Rise { per_min, deadband },
        Condition::Fall { per_min, .. } => Condition::Fall { per_min, deadband },
        Condition::Beyond { limit, .. } => Condition::Beyond { limit, deadband },
        other @ (Condition::State { .. }
        | Condition::BadMeasurement
        | Condition::TimeToLimit { .. }
        | Condition::Frozen
        | Condition::NotIn { .. }) => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limit_and_deadband_are_set_apart() {
        let spec = |limit, deadband, on_delay_ms| AlarmSpec {
            point: 0,
            condition: Condition::High { limit, deadband },
            on_delay_ms,
            off_delay_ms: 0,
            latching: false,
            priority: lapwing_protocol::Priority::High,
            max_shelf_ms: 0,
            only_while: None,
        };
        let (before, now) = (spec(210, 5, 1000), spec(220, 3, 9000));
        let tried: Vec<AlarmSpec> = KEYS.iter().map(|(_, set)| alone(before, now, *set)).collect();
        assert_eq!(tried, [spec(220, 5, 1000), spec(210, 3, 1000), spec(210, 5, 9000), before, before]);
    }
}
