//! Time on paper: what each link must carry, whether it can, what would help; and how late an alarm may be at its worst.
//!
//! Pure arithmetic over a plan: no clock, no wire. Shares are parts of one (1 is a line that is never idle). It reckons
//! with lines and devices that work; what a fault costs is `health`'s. Worst cases are upper bounds, not expectations:
//! a change just missed by probe, device and scan, behind everything that can be due before it. Never panics.

use std::collections::BTreeMap;
use std::time::Duration;

use lapwing_protocol::ConditionKind;

use super::planner::{Cost, Line};
use crate::compute::{Function, HELD_ROUNDS};
use crate::plan::{Comparison, Link, Plan, Transaction, stretch};

/// Above this share a mend is not worth naming: repeated requests and late answers need room too (common practice, no
/// source).
pub const COMFORTABLE: f64 = 0.8;
/// Decoding, judging, giving a number: far above what is measured.
const JUDGING: Duration = Duration::from_millis(5);
/// Making an event durable before it leaves: a stalled flush of a worn disk, as was measured.
const SYNC: Duration = Duration::from_millis(150);
/// Broker and network of the module.
const SEND: Duration = Duration::from_millis(50);
/// Speeds a line can be set to.
const BAUDS: [u32; 8] = [9600, 19_200, 38_400, 57_600, 115_200, 230_400, 460_800, 921_600];
/// Scan periods a person would choose, s.
const PERIODS_S: [u64; 8] = [1, 2, 5, 10, 30, 60, 300, 600];

/// What one link carries.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LinkBudget {
    /// By scan period.
    pub periods: BTreeMap<Duration, Share>,
    /// Share of its time in use.
    pub utilisation: f64,
    /// The same while every `scan_period_when` of its devices holds.
    pub utilisation_fastest: f64,
    /// The longest time from a scan's due moment to its answer.
    pub wait: Duration,
}

/// What one scan period asks of a link.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Share {
    /// Transactions.
    pub transactions: u32,
    /// Points they bring.
    pub points: u32,
    /// Line time they take, once each.
    pub busy: Duration,
}

/// The worst time from a physical change to its publication, in parts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Lateness {
    /// The probe's own lag (63 %).
    pub probe: Duration,
    /// The device has just refreshed its registers.
    pub refresh: Duration,
    /// They have just been read.
    pub scan: Duration,
    /// Other scans of the link go first.
    pub line: Duration,
    /// Inputs that are read one after the other may stand on two sides of a step: so many rounds are waited out.
    pub held: Duration,
    /// A rate needs its window.
    pub window: Duration,
    /// The alarm's on-delay.
    pub delay: Duration,
    /// Judging.
    pub judging: Duration,
    /// The event on disk.
    pub sync: Duration,
    /// The event at the broker.
    pub send: Duration,
}

impl LinkBudget {
    /// What a link of the plan carries.
    #[must_use]
    pub fn of(plan: &Plan, link: &Link) -> Self {
        let load = load(plan, link, Line::of(&link.transport));
        let mut budget = Self::default();
        for Scan { transaction, cost, fastest } in &load {
            let share = budget.periods.entry(transaction.period).or_default();
            share.transactions += 1;
            share.points += transaction.points.count;
            share.busy += *cost;
            budget.utilisation += ratio(*cost, transaction.period);
            budget.utilisation_fastest += ratio(*cost, *fastest);
        }
        budget.wait = wait(&load, budget.utilisation);
        budget
    }

    /// Whether the link can carry what is asked, at any time.
    #[must_use]
    pub fn is_feasible(&self) -> bool {
        self.utilisation_fastest <= 1.0
    }

    /// What is wrong and what would help, if the link cannot carry what is asked.
    #[must_use]
    pub fn mend(&self, plan: &Plan, link: &Link) -> Option<(String, String)> {
        if self.is_feasible() {
            return None;
        }
        let heaviest = self.periods.iter().max_by(|a, b| ratio(a.1.busy, *a.0).total_cmp(&ratio(b.1.busy, *b.0)))?;
        let what = if self.utilisation <= 1.0 {
            format!(
                "link `{}` needs {:.2} s of line time a second while `scan_period_when` holds",
                link.name, self.utilisation_fastest
            )
        } else if heaviest.1.busy > *heaviest.0 {
            format!("link `{}` needs {} for its {} points", link.name, spoken(heaviest.1.busy), spoken(*heaviest.0))
        } else {
            format!("link `{}` needs {:.2} s of line time a second", link.name, self.utilisation)
        };
        let mut mends = Vec::new();
        if let Line::Serial { baud, bits } = Line::of(&link.transport) {
            let faster = BAUDS.iter().find(|&&faster| {
                let load = load(plan, link, Line::Serial { baud: faster, bits });
                faster > baud && load.iter().map(|scan| ratio(scan.cost, scan.fastest)).sum::<f64>() <= COMFORTABLE
            });
            mends.extend(faster.map(|baud| format!("raise the baud rate to {baud}")));
        }
        mends.extend(slower(plan, link, self.utilisation, *heaviest.0));
        if link.devices.count > 1 {
            let parts = (self.utilisation_fastest / COMFORTABLE).ceil();
            mends.push(if parts <= 2.0 { "split the link".into() } else { format!("split the link into {parts:.0}") });
        }
        let last = mends.pop().unwrap_or_else(|| "lengthen its scan periods".into());
        let mend = if mends.is_empty() { last } else { format!("{}, or {last}", mends.join(", ")) };
        Some((what, mend))
    }
}

/// The share of points of a period that must be read more seldom, in words.
fn slower(plan: &Plan, link: &Link, utilisation: f64, period: Duration) -> Option<String> {
    let longer = PERIODS_S.iter().map(|s| Duration::from_secs(*s)).find(|longer| *longer >= period * 5)?;
    let load = load(plan, link, Line::of(&link.transport));
    let mut scans: Vec<&Scan<'_>> = load.iter().filter(|scan| scan.transaction.period == period).collect();
    // Those that free the most time a point first.
    let gain = |scan: &Scan<'_>| ratio(scan.cost, period) - ratio(scan.cost, longer);
    scans.sort_by(|a, b| {
        (gain(b) / f64::from(b.transaction.points.count.max(1)))
            .total_cmp(&(gain(a) / f64::from(a.transaction.points.count.max(1))))
    });
    let (mut left, mut points) = (utilisation, 0);
    for scan in scans {
        if left <= COMFORTABLE {
            break;
        }
        left -= gain(scan);
        points += scan.transaction.points.count;
    }
    (points > 0 && left <= 1.0).then(|| format!("move {} to {}", counted(points as usize, "point"), spoken(longer)))
}

struct Scan<'a> {
    transaction: &'a Transaction,
    cost: Duration,
    /// Its period while the device's `scan_period_when` holds.
    fastest: Duration,
}

fn load<'a>(plan: &'a Plan, link: &Link, line: Line) -> Vec<Scan<'a>> {
    let mut load = Vec::new();
    for device in stretch(&plan.devices, link.devices) {
        let cost = line.cost(device.turnaround, device.pause);
        for transaction in stretch(&plan.transactions, device.transactions) {
            let faster = device.faster.map_or(Duration::MAX, |faster| faster.period);
            let fastest = transaction.period.min(faster);
            load.push(Scan { transaction, cost: cost.ask(&transaction.ask), fastest });
        }
    }
    load
}

/// The longest stretch in which the line is never idle, if all falls due at once: nobody waits longer, whatever the
/// order. An overloaded line has none: there each scan is skipped as often as time is lacking.
fn wait(load: &[Scan<'_>], utilisation: f64) -> Duration {
    let all: Duration = load.iter().map(|scan| scan.cost).sum();
    if utilisation >= 1.0 {
        let longest = load.iter().map(|scan| scan.transaction.period).max().unwrap_or_default();
        return all + longest.mul_f64(utilisation.min(1e3));
    }
    let mut busy = all;
    for _ in 0..1000 {
        let next: Duration = load
            .iter()
            .map(|scan| {
                let times = busy.as_nanos().div_ceil(scan.transaction.period.as_nanos().max(1)).max(1);
                scan.cost * u32::try_from(times).unwrap_or(u32::MAX)
            })
            .sum();
        if next <= busy {
            break;
        }
        busy = next;
    }
    busy
}

impl Lateness {
    /// All of it.
    #[must_use]
    pub fn total(&self) -> Duration {
        self.parts().iter().map(|(_, part)| *part).sum()
    }

    /// Its parts by name, in the order in which they pass.
    #[must_use]
    pub const fn parts(&self) -> [(&'static str, Duration); 10] {
        [
            ("probe", self.probe),
            ("refresh", self.refresh),
            ("scan", self.scan),
            ("line", self.line),
            ("held", self.held),
            ("window", self.window),
            ("delay", self.delay),
            ("judging", self.judging),
            ("disk", self.sync),
            ("send", self.send),
        ]
    }

    /// Its parts in words, without those that are nothing.
    #[must_use]
    pub fn spoken(&self) -> String {
        let parts: Vec<String> = self
            .parts()
            .iter()
            .filter(|(_, part)| !part.is_zero())
            .map(|(name, part)| format!("{name} {}", spoken(*part)))
            .collect();
        parts.join(", ")
    }

    /// What would shorten it most.
    #[must_use]
    pub fn mend(&self) -> &'static str {
        match self.parts().iter().max_by_key(|(_, part)| *part).map(|(name, _)| *name) {
            Some("probe") => "measure it with a faster probe, or watch what changes before it",
            Some("refresh") => "the device itself is slow: shorten its own averaging, or watch what changes before it",
            Some("scan") => "shorten its scan_period",
            Some("line") => "relieve the link",
            Some("held") => {
                "shorten the scan_period of what it is computed from: rounds are waited out while that moves"
            }
            Some("window") => "shorten `over`, or the window of what it is computed by",
            Some("delay") => "shorten on_delay",
            _ => "give respond_within the time a person really has",
        }
    }
}

/// How late each alarm of the plan may be, in the order of its alarms; `None` where no field point is behind it.
#[must_use]
pub fn lateness(plan: &Plan) -> Vec<Option<Lateness>> {
    let waits: Vec<Duration> = plan.links.iter().map(|link| LinkBudget::of(plan, link).wait).collect();
    let mut of_point: Vec<Option<Lateness>> = vec![None; plan.points.len()];
    for transaction in &plan.transactions {
        let link = plan.devices.get(transaction.device as usize).map_or(0, |device| device.link as usize);
        let line = waits.get(link).copied().unwrap_or_default();
        for at in transaction.points.first..transaction.points.first.saturating_add(transaction.points.count) {
            if let (Some(point), Some(late)) = (plan.points.get(at as usize), of_point.get_mut(at as usize)) {
                *late = Some(Lateness {
                    probe: point.response.unwrap_or_default(),
                    refresh: point.refresh.unwrap_or_default(),
                    scan: transaction.period,
                    line,
                    ..Lateness::default()
                });
            }
        }
    }
    // Derived points need only earlier ones: their latest input decides, and how long they rest or wait for a round.
    for derived in &plan.derived {
        let inputs = || derived.from.iter().filter_map(|input| of_point.get(input.point as usize).copied().flatten());
        let period = |input: &crate::plan::Input| plan.points.get(input.point as usize).map(|point| point.scan_period);
        let shortest = derived.from.iter().filter_map(period).min().unwrap_or_default();
        let one_device = derived.from.array_windows().all(|[one, two]| {
            let of = |input: &crate::plan::Input| plan.points.get(input.point as usize).and_then(|point| point.device);
            of(one).is_some() && of(one) == of(two)
        });
        let wait = if one_device { derived.every } else { derived.every.max(shortest) };
        let function = Function::named(&derived.compute);
        let is_held = function.is_some_and(|function| function.smallest_step().is_some());
        let held = if is_held { derived.every.max(shortest) * u32::from(HELD_ROUNDS) } else { Duration::ZERO };
        let window = function.map_or(Duration::ZERO, |function| function.window(&derived.with));
        let latest = inputs().max_by_key(Lateness::total).map(|late| Lateness {
            scan: late.scan + wait,
            held: late.held + held,
            window: late.window + window,
            ..late
        });
        if let Some(late) = of_point.get_mut(derived.point as usize) {
            *late = latest;
        }
    }
    // Differences and counts are renewed with what they are made of: the latest of it decides.
    for compared in &plan.compared {
        let others: &[u32] = match &compared.with {
            Comparison::Value(_) => &[],
            Comparison::Point { point, .. } => std::slice::from_ref(point),
            // A peer that is late changes little; a member that is late decides.
            Comparison::Median(_) => &[],
            Comparison::Count { members, .. } => members,
        };
        let made_of = compared.subject.iter().chain(others);
        let latest = made_of.filter_map(|at| of_point.get(*at as usize).copied().flatten()).max_by_key(Lateness::total);
        if let Some(late) = of_point.get_mut(compared.point as usize) {
            *late = latest;
        }
    }
    let alarm = |(alarm, spec): (&crate::plan::Alarm, &lapwing_engine::spec::AlarmSpec)| {
        let point = alarm.point as usize;
        let mut late = of_point.get(point).copied().flatten()?;
        let window = plan.engine.points.get(point).and_then(|point| plan.engine.windows.get(point.window? as usize));
        match alarm.condition {
            ConditionKind::Rise | ConditionKind::Fall | ConditionKind::TimeToLimit => {
                late.window += window.map_or(Duration::ZERO, |w| Duration::from_millis(u64::from(w.over_ms)));
            }
            // What fails is the probe or the device, and that shows at the next scan.
            ConditionKind::BadMeasurement | ConditionKind::NotArmed => {
                (late.probe, late.refresh) = (Duration::ZERO, Duration::ZERO)
            }
            ConditionKind::High
            | ConditionKind::Low
            | ConditionKind::State
            | ConditionKind::Deviation
            | ConditionKind::Discrepancy
            | ConditionKind::FewerThan
            | ConditionKind::Frozen => {}
        }
        late.delay = Duration::from_millis(u64::from(spec.on_delay_ms));
        (late.judging, late.sync, late.send) = (JUDGING, SYNC, SEND);
        Some(late)
    };
    plan.alarms.iter().zip(&plan.engine.alarms).map(alarm).collect()
}

/// What exchanges with each transaction of a link cost, in the plan's order.
#[must_use]
pub fn costs(plan: &Plan, link: &Link) -> Vec<Duration> {
    let of = |device| move |transaction: &Transaction| Cost::of(&link.transport, device).ask(&transaction.ask);
    stretch(&plan.devices, link.devices)
        .iter()
        .flat_map(|device| stretch(&plan.transactions, device.transactions).iter().map(of(device)))
        .collect()
}

fn ratio(part: Duration, whole: Duration) -> f64 {
    part.as_secs_f64() / whole.as_secs_f64().max(1e-6)
}

/// `1 device`, `2 devices`.
#[must_use]
pub fn counted(count: usize, what: &str) -> String {
    let s = if count == 1 { "" } else { "s" };
    format!("{count} {what}{s}")
}

/// A duration as a person says it.
#[must_use]
pub fn spoken(duration: Duration) -> String {
    let s = duration.as_secs_f64();
    if s >= 100.0 {
        return format!("{s:.0} s");
    }
    let text = format!("{s:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if s > 0.0 && text == "0" { format!("{:.1} ms", s * 1000.0) } else { format!("{text} s") }
}

#[cfg(test)]
#[path = "budget/tests.rs"]
mod tests;
