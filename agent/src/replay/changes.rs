//! How two sets of settings differ, by the keys of the configuration.
//!
//! Alarms are compared after patterns were expanded, by id; only what decides whether and when they are raised or told
//! counts, not their texts. Never panics.

use std::time::Duration;

use lapwing_engine::spec::{AlarmSpec, Condition, Test};
use lapwing_protocol::{Decimal, Vocabulary as _};

use super::then::InForce;
use crate::plan::{Comparison, Derived, Plan};

/// A setting that differs.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Change {
    /// Its key.
    pub key: &'static str,
    /// As it was; empty: there was none.
    pub then: String,
    /// As it is now; empty: there is none.
    pub now: String,
    /// Where settings changed within the range: wall moment since when it was so; `None`: from its beginning.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub since: Option<i64>,
    /// Until when; `None`: to its end.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub until: Option<i64>,
}

/// All that differs.
#[derive(Clone, Debug, Default)]
pub struct Changes {
    /// Why settings of then are not known, if some are not.
    pub unknown: Option<String>,
    /// How many different settings of then were in force.
    pub thens: usize,
    alarms: Vec<(String, Vec<Change>)>,
    /// Alarms that are new.
    pub added: Vec<String>,
    /// Alarms that are no longer there.
    pub removed: Vec<String>,
    /// What differs around the alarms, in words.
    pub around: Vec<String>,
}

impl Changes {
    pub(super) fn of(thens: &[InForce<'_>], now: &Plan) -> Self {
        let mut changes = Self { thens: thens.len(), ..Self::default() };
        for in_force in thens {
            match in_force.plan {
                Ok(then) => changes.with(then, now, in_force),
                Err(why) => changes.unknown = Some(why.clone()),
            }
        }
        if thens.is_empty() {
            changes.unknown = Some("the history names no start of the agent".into());
        }
        changes
    }

    fn with(&mut self, then: &Plan, now: &Plan, when: &InForce<'_>) {
        for (index, alarm) in now.alarms.iter().enumerate() {
            match then.alarms.iter().position(|other| other.id == alarm.id) {
                Some(other) => {
                    let found = differing(then, other, now, index);
                    for change in found {
                        self.note(&alarm.id, Change { since: when.since, until: when.until, ..change });
                    }
                }
                None => push(&mut self.added, alarm.id.clone()),
            }
        }
        for alarm in &then.alarms {
            if !now.alarms.iter().any(|other| other.id == alarm.id) {
                push(&mut self.removed, alarm.id.clone());
            }
        }
        for around in around(then, now) {
            push(&mut self.around, around);
        }
    }

    fn note(&mut self, id: &str, change: Change) {
        match self.alarms.iter_mut().find(|(known, _)| known == id) {
            Some((_, changes)) => match changes.iter_mut().find(|known| known.same(&change)) {
                // Two sets of settings had it the same.
                Some(known) => {
                    known.since = known.since.zip(change.since).map(|(a, b)| a.min(b));
                    known.until = known.until.zip(change.until).map(|(a, b)| a.max(b));
                }
                None => changes.push(change),
            },
            None => self.alarms.push((id.to_owned(), vec![change])),
        }
    }

    /// Settings of an alarm that differ.
    #[must_use]
    pub fn of_alarm(&self, id: &str) -> &[Change] {
        self.alarms.iter().find(|(known, _)| known == id).map_or(&[], |(_, changes)| changes)
    }

    pub(super) fn all_of(&self, id: &str) -> Vec<Change> {
        let mut changes = self.of_alarm(id).to_vec();
        let whole = |then: &str, now: &str| Change::of("alarm", then.into(), now.into());
        if self.added.iter().any(|known| known == id) {
            changes.push(whole("", "new"));
        }
        if self.removed.iter().any(|known| known == id) {
            changes.push(whole("there", ""));
        }
        changes
    }

    /// How many alarms are set otherwise.
    #[must_use]
    pub fn alarms(&self) -> usize {
        self.alarms.len()
    }

    /// Whether nothing differs.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.alarms.is_empty()
            && self.added.is_empty()
            && self.removed.is_empty()
            && self.around.is_empty()
            && self.unknown.is_none()
    }
}

impl Change {
    fn of(key: &'static str, then: String, now: String) -> Self {
        Self { key, then, now, since: None, until: None }
    }

    fn same(&self, other: &Self) -> bool {
        (self.key, &self.then, &self.now) == (other.key, &other.then, &other.now)
    }
}

fn push(all: &mut Vec<String>, one: String) {
    if !all.contains(&one) {
        all.push(one);
    }
}

/// Settings of one alarm that differ.
fn differing(then: &Plan, a: usize, now: &Plan, b: usize) -> Vec<Change> {
    let settings = |plan: &Plan, index: usize| -> Vec<(&'static str, String)> {
        let Some((alarm, spec)) = plan.alarms.get(index).zip(plan.engine.alarms.get(index)) else { return Vec::new() };
        let (limit, deadband, within) = condition(plan, spec);
        let unit = plan.points.get(at(alarm.point)).map_or("", |point| point.unit.as_str());
        let number = |number: Option<Decimal>, unit: &str| number.map_or_else(String::new, |n| said(n, unit));
        let limit_unit = alarm.limit_unit.as_deref().unwrap_or(unit);
        let limit = alarm.limit.map_or(limit, |limit| said(limit, limit_unit));
        let rate = limit_unit != unit;
        vec![
            ("point", path(plan, alarm.point)),
            ("condition", alarm.condition.as_word().to_owned()),
            (limit_key(alarm.condition.as_word()), limit),
            ("deadband", number(deadband, if rate { limit_unit } else { unit })),
            ("within", within.map_or_else(String::new, ms)),
            ("over", window(plan, spec)),
            ("on_delay", ms(spec.on_delay_ms)),
            ("off_delay", ms(spec.off_delay_ms)),
            ("latching", spec.latching.to_string()),
            ("only_while", only_while(plan, spec)),
            ("priority", alarm.priority.as_word().to_owned()),
            (
                "urgent_below",
                alarm.urgent.map_or_else(String::new, |(below, p)| format!("{} {}", dur(below), p.as_word())),
            ),
            ("left_to", number(alarm.left_to.map(|left| Decimal::new(left, exponent(plan, alarm.point))), unit)),
            ("compared with", comparison(plan, alarm.point)),
        ]
    };
    let (then, now) = (settings(then, a), settings(now, b));
    then.into_iter()
        .zip(now)
        .filter(|((_, then), (_, now))| then != now)
        .map(|((_, then), (key, now))| Change::of(key, then, now))
        .collect()
}

/// The limit's key as people write it.
fn limit_key(condition: &str) -> &'static str {
    match condition {
        "high" => "high",
        "low" => "low",
        "rise" => "rise_per_min",
        "fall" => "fall_per_min",
        "state" => "state",
        "deviation" => "deviation",
        "discrepancy" => "discrepancy",
        "fewer_than" => "fewer_than",
        "not_armed" => "armed",
        _ => "limit",
    }
}

/// Limit, deadband and time of a condition, the first as text.
fn condition(plan: &Plan, spec: &AlarmSpec) -> (String, Option<Decimal>, Option<u32>) {
    let decimal = |steps: i64| Decimal::new(steps, exponent(plan, spec.point));
    match spec.condition {
        Condition::High { limit, deadband }
        | Condition::Low { limit, deadband }
        | Condition::Beyond { limit, deadband } => (decimal(limit).to_string(), Some(decimal(deadband)), None),
        Condition::Rise { per_min, deadband } | Condition::Fall { per_min, deadband } => {
            (decimal(per_min).to_string(), Some(decimal(deadband)), None)
        }
        Condition::State { states } | Condition::NotIn { states } => (names(plan, spec.point, states), None, None),
        Condition::TimeToLimit { limit, rising, within_ms } => {
            (format!("{} {}", if rising { "rises to" } else { "falls to" }, decimal(limit)), None, Some(within_ms))
        }
        Condition::BadMeasurement | Condition::Frozen => (String::new(), None, None),
    }
}

fn names(plan: &Plan, point: u32, states: u64) -> String {
    let known = plan.points.get(at(point)).map_or(&[][..], |point| &point.states);
    let name = |state: i64| {
        known.iter().find(|(value, _)| *value == state).map_or_else(|| state.to_string(), |(_, n)| n.clone())
    };
    let set = (0..64_i64).filter(|state| states >> state & 1 == 1);
    set.map(name).collect::<Vec<_>>().join(" or ")
}

fn window(plan: &Plan, spec: &AlarmSpec) -> String {
    let window =
        plan.engine.points.get(at(spec.point)).and_then(|point| point.window).filter(|_| spec.condition.is_rate());
    window.and_then(|window| plan.engine.windows.get(at(window))).map_or_else(String::new, |window| ms(window.over_ms))
}

fn only_while(plan: &Plan, spec: &AlarmSpec) -> String {
    let tested = spec.only_while.and_then(|number| plan.engine.uses.get(at(number)));
    tested.map_or_else(String::new, |tested| {
        format!("{} {}", path(plan, tested.point), test(plan, tested.point, tested.test))
    })
}

fn test(plan: &Plan, point: u32, test: Test) -> String {
    let decimal = |steps: i64| Decimal::new(steps, exponent(plan, point));
    match test {
        Test::States(states) => format!("is {}", names(plan, point, states)),
        Test::Above(limit) => format!("is above {}", decimal(limit)),
        Test::Below(limit) => format!("is below {}", decimal(limit)),
    }
}

/// What the point of a deviation, discrepancy or count is made of.
fn comparison(plan: &Plan, point: u32) -> String {
    let Some(made) = plan.compared.iter().find(|made| made.point == point) else { return String::new() };
    let paths = |points: &[u32]| points.iter().map(|point| path(plan, *point)).collect::<Vec<_>>().join(" ");
    let with = match &made.with {
        Comparison::Value(value) => Decimal::new(*value, exponent(plan, made.subject.unwrap_or(point))).to_string(),
        Comparison::Point { point, times } => format!("{} × {times}", path(plan, *point)),
        Comparison::Median(members) => format!("the median of {}", paths(members)),
        Comparison::Count { members, test: passes, needed } => {
            let first = members.first().copied().unwrap_or(point);
            format!("{needed} of {} that {}", paths(members), test(plan, first, *passes))
        }
    };
    made.subject.map_or_else(|| with.clone(), |subject| format!("{} with {with}", path(plan, subject)))
}

/// Whether an alarm is set the same in two plans.
pub(super) fn same_alarm(one: &Plan, other: &Plan, id: &str) -> bool {
    let of = |plan: &Plan| plan.alarms.iter().position(|alarm| alarm.id == id);
    match (of(one), of(other)) {
        (Some(a), Some(b)) => differing(one, a, other, b).is_empty(),
        (None, None) => true,
        (Some(_), None) | (None, Some(_)) => false,
    }
}

/// Whether a derived point is made as it was then.
pub(super) fn same_derived(then: &Plan, now: &Plan, derived: &Derived) -> bool {
    let Some(point) = now.points.get(at(derived.point)) else { return false };
    let Some(other) = then.derived.iter().find(|other| path(then, other.point) == point.path) else { return false };
    let inputs = |plan: &Plan, derived: &Derived| -> Vec<(String, String, f64, f64)> {
        let input =
            |input: &crate::plan::Input| (input.argument.clone(), path(plan, input.point), input.factor, input.offset);
        derived.from.iter().map(input).collect()
    };
    other.compute == derived.compute
        && other.with == derived.with
        && other.every == derived.every
        && exponent(then, other.point) == point.exponent
        && inputs(then, other) == inputs(now, derived)
}

/// What differs around the alarms.
fn around(then: &Plan, now: &Plan) -> Vec<String> {
    let mut said = Vec::new();
    for (index, point) in now.points.iter().enumerate() {
        let Some(other) = then.points.iter().position(|other| other.path == point.path) else { continue };
        let (Some(a), Some(b)) = (then.engine.points.get(other), now.engine.points.get(index)) else { continue };
        let range = |valid: &Option<(Decimal, Decimal)>| {
            valid.as_ref().map_or_else(|| "none".to_owned(), |(low, high)| format!("{low} to {high}"))
        };
        let before = &then.points[other];
        if range(&before.valid) != range(&point.valid) {
            said.push(format!("{}: valid {} → {}", point.path, range(&before.valid), range(&point.valid)));
        }
        if a.rate_max != b.rate_max && before.exponent == point.exponent {
            said.push(format!("{}: rate_max is another", point.path));
        }
        if a.max_age_ms != b.max_age_ms {
            said.push(format!("{}: out of date after {} → {}", point.path, ms(a.max_age_ms), ms(b.max_age_ms)));
        }
        if (a.decode.scale, a.decode.offset, a.decode.layout) != (b.decode.scale, b.decode.offset, b.decode.layout) {
            said.push(format!("{}: its scale is another; readings are those of then all the same", point.path));
        }
    }
    for derived in &now.derived {
        let known = then.points.iter().any(|point| point.path == path(now, derived.point));
        if known && !same_derived(then, now, derived) {
            said.push(format!("{}: computed otherwise, and computed anew here", path(now, derived.point)));
        }
    }
    let rules = |plan: &Plan| {
        let of = |rule: &crate::plan::Suppress| {
            let ids: Vec<&str> =
                rule.alarms.iter().filter_map(|alarm| plan.alarms.get(at(*alarm))).map(|a| a.id.as_str()).collect();
            let when = rule.when.map(|(point, passes)| format!("{} {}", path(plan, point), test(plan, point, passes)));
            (rule.name.clone(), ids.join(" "), rule.at_most, when)
        };
        plan.suppress.iter().map(of).collect::<Vec<_>>()
    };
    if rules(then) != rules(now) {
        said.push("the rules of suppression".into());
    }
    let groups = |plan: &Plan| format!("{:?} {:?} {:?}", plan.groups.names, plan.groups.specs, plan.groups.members);
    let ids = |plan: &Plan| plan.alarms.iter().map(|alarm| alarm.id.clone()).collect::<Vec<_>>();
    if ids(then) == ids(now) && groups(then) != groups(now) {
        said.push("which alarms follow from which (groups)".into());
    }
    if then.module.announce_in != now.module.announce_in {
        said.push("module: announce_in".into());
    }
    if then.module.acknowledge != now.module.acknowledge {
        said.push("module: acknowledge".into());
    }
    said
}

fn said(number: Decimal, unit: &str) -> String {
    let unit = if unit == "1" { "" } else { unit };
    format!("{number} {unit}").trim_end().to_owned()
}

fn path(plan: &Plan, point: u32) -> String {
    plan.points.get(at(point)).map_or_else(String::new, |point| point.path.clone())
}

fn exponent(plan: &Plan, point: u32) -> i8 {
    plan.points.get(at(point)).map_or(0, |point| point.exponent)
}

fn ms(ms: u32) -> String {
    dur(Duration::from_millis(u64::from(ms)))
}

fn dur(duration: Duration) -> String {
    if duration.is_zero() { "0s".into() } else { format!("{duration:?}") }
}

fn at(index: u32) -> usize {
    usize::try_from(index).unwrap_or(usize::MAX)
}

#[cfg(test)]
mod tests;
