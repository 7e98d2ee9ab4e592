//! Finds the links of one plan that go on under the next, and gives what they say its numbers there.
//!
//! A link goes on when nothing it does would change: transport, time-outs, devices, what is asked of each and when. Then
//! it is not torn down; its task keeps the plan it was started under, and its devices and transactions stand elsewhere in
//! the next one, by a constant distance each. Not compared: names of points' tags and places, decoding (the engine's),
//! limits, and the phase of a scan, which only spreads the load. Knows no wire and no time. Never panics.

use lapwing_engine::spec::Span;

use super::FieldMessage;
use crate::plan::{Device, Link, Plan, Transaction, stretch};

/// A stretch of a plan's table under the next plan.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shift {
    /// First index in the plan it was started under.
    pub from: u32,
    /// First index now.
    pub to: u32,
    /// How many there are.
    pub count: u32,
}

/// A link that goes on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Move {
    /// Index of the link in the plan it was started under.
    pub from: u32,
    /// Index of the link now.
    pub to: u32,
    /// Its devices.
    pub devices: Shift,
    /// Their transactions.
    pub transactions: Shift,
    /// The points of those.
    pub points: Shift,
}

impl Shift {
    fn of(from: Span, to: Span) -> Self {
        Self { from: from.first, to: to.first, count: from.count }
    }

    /// Where an index stands now; one outside the stretch stays as it is, and means nothing.
    #[must_use]
    pub const fn moved(self, index: u32) -> u32 {
        if index < self.from || index - self.from >= self.count {
            return index;
        }
        self.to.saturating_add(index - self.from)
    }
}

impl Move {
    /// A link of one plan as it stands in another, if nothing it does would change.
    #[must_use]
    pub fn between(old: &Plan, link: u32, new: &Plan) -> Option<Self> {
        let before = old.links.get(at(link))?;
        let (to, after) = (0u32..).zip(&new.links).find(|(_, link)| link.name == before.name)?;
        let devices = (stretch(&old.devices, before.devices), stretch(&new.devices, after.devices));
        let same = same_link(before, after)
            && devices.0.len() == devices.1.len()
            && devices.0.iter().zip(devices.1).all(|(a, b)| same_device((old, a), (new, b)));
        same.then(|| Self {
            from: link,
            to,
            devices: Shift::of(before.devices, after.devices),
            transactions: Shift::of(transactions(devices.0), transactions(devices.1)),
            points: Shift::of(points(old, transactions(devices.0)), points(new, transactions(devices.1))),
        })
    }

    /// What the link says, in the numbers of the plan in force.
    #[must_use]
    pub fn renumbered(self, message: FieldMessage) -> FieldMessage {
        let (device, transaction) = (|index| self.devices.moved(index), |index| self.transactions.moved(index));
        match message {
            FieldMessage::Batch(mut batch) => {
                batch.transaction = transaction(batch.transaction);
                FieldMessage::Batch(batch)
            }
            FieldMessage::LinkState { link: _, up, why, at } => FieldMessage::LinkState { link: self.to, up, why, at },
            FieldMessage::DeviceState { device: index, up, why, at } => {
                FieldMessage::DeviceState { device: device(index), up, why, at }
            }
            FieldMessage::Identity { device: index, fits, why, at } => {
                FieldMessage::Identity { device: device(index), fits, why, at }
            }
            FieldMessage::Shown { device: index, feature, mark } => {
                FieldMessage::Shown { device: device(index), feature, mark }
            }
            FieldMessage::Masters { link: _, another, why, at } => {
                FieldMessage::Masters { link: self.to, another, why, at }
            }
            FieldMessage::Counts { link: _, counts } => FieldMessage::Counts { link: self.to, counts },
            FieldMessage::Lacks { device: index, mut lacking, why, at } => {
                for lacking in &mut lacking {
                    lacking.point = self.points.moved(lacking.point);
                }
                FieldMessage::Lacks { device: device(index), lacking, why, at }
            }
            FieldMessage::Restarted { device: index, up_s, at } => {
                FieldMessage::Restarted { device: device(index), up_s, at }
            }
            FieldMessage::Notice { device: index, what, at } => {
                FieldMessage::Notice { device: index.map(device), what, at }
            }
            FieldMessage::Late { transaction: index, skipped } => {
                FieldMessage::Late { transaction: transaction(index), skipped }
            }
        }
    }
}

/// Whether a device is asked the same under both plans, on whatever link: then what was read of it holds.
#[must_use]
pub fn same_device((old, a): (&Plan, &Device), (new, b): (&Plan, &Device)) -> bool {
    let asked = (stretch(&old.transactions, a.transactions), stretch(&new.transactions, b.transactions));
    settings(old, a) == settings(new, b)
        && asked.0.len() == asked.1.len()
        && asked.0.iter().zip(asked.1).all(|(a, b)| same_transaction((old, a), (new, b)))
}

fn same_link(a: &Link, b: &Link) -> bool {
    a.transport == b.transport
        && a.timeout == b.timeout
        && a.retries == b.retries
        && a.listen == b.listen
        && a.listen_first == b.listen_first
        && a.masters_point.is_some() == b.masters_point.is_some()
        && a.count_points.is_some() == b.count_points.is_some()
}

/// What is set about a device, in a form to compare; none of it is secret.
fn settings(plan: &Plan, device: &Device) -> String {
    let identity = device.identity.checks.iter().map(|check| {
        let features: Vec<_> = check.features.iter().map(|feature| (&feature.name, &feature.expect)).collect();
        format!("{:?} {features:?}", check.ask)
    });
    let faster = device.faster.map(|faster| {
        let first = stretch(&plan.transactions, device.transactions).first().map_or(0, |first| first.points.first);
        let spec = plan.engine.points.get(at(faster.point));
        let decode = spec.map(|spec| (spec.decode, spec.exponent)).map(|(mut decode, exponent)| {
            let absent = stretch(&plan.engine.absent, decode.absent).to_vec();
            decode.absent = Span::default();
            (decode, exponent, absent)
        });
        (faster.point.wrapping_sub(first), faster.states, faster.period, decode)
    });
    format!(
        "{:?} {faster:?} {:?}",
        (
            &device.name,
            device.unit,
            device.timeout,
            device.pause,
            device.late_max,
            device.turnaround,
            &device.identity.confirmed,
            device.identity.period
        ),
        identity.collect::<Vec<_>>()
    )
}

fn same_transaction((old, a): (&Plan, &Transaction), (new, b): (&Plan, &Transaction)) -> bool {
    let points = (stretch(&old.points, a.points), stretch(&new.points, b.points));
    a.period == b.period
        && points.0.len() == points.1.len()
        && points.0.iter().zip(points.1).all(|(a, b)| a.path == b.path && a.states == b.states)
        && format!("{:?}", a.ask) == format!("{:?}", b.ask)
}

/// The stretch of all transactions of neighbouring devices.
fn transactions(devices: &[Device]) -> Span {
    let first = devices.iter().find(|device| device.transactions.count > 0).map_or(0, |d| d.transactions.first);
    Span { first, count: devices.iter().map(|device| device.transactions.count).sum() }
}

/// The stretch of all points of neighbouring transactions: they stand in scan order.
fn points(plan: &Plan, span: Span) -> Span {
    let all = stretch(&plan.transactions, span);
    let first = all.iter().find(|transaction| transaction.points.count > 0).map_or(0, |t| t.points.first);
    Span { first, count: all.iter().map(|transaction| transaction.points.count).sum() }
}

fn at(index: u32) -> usize {
    usize::try_from(index).unwrap_or(usize::MAX)
}

#[cfg(test)]
mod tests;
