//! What was last seen of every point under checkout: raw registers, value, quality, latency, refresh.
//!
//! Filled from the links' threads, read by the person's dialogue, which may wait for news. Decodes by the engine's own
//! rules and judges the valid range; alarms, ages and rates are not its business. The refresh is measured as the lower
//! quartile of the distances between changes of the raw value, so it is never finer than the scan period and an upper
//! bound where a value seldom changes. Distances are monotonic. Never panics.

use std::collections::VecDeque;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use lapwing_engine::signal::decode::decode;
use lapwing_engine::spec::{PointSpec, Raw};
use lapwing_protocol::Status;

use crate::field::FieldMessage;
use crate::plan::{Ask, Plan};

/// Distances between changes that are remembered.
const REMEMBERED: usize = 31;

/// What was seen of one point.
#[derive(Clone, Debug, PartialEq)]
pub struct Seen {
    /// The last raw value.
    pub raw: Raw,
    /// Its value at the point's exponent; also where it is outside the valid range and thus bad.
    pub value: Option<i64>,
    /// How far it may be believed.
    pub status: Status,
    /// When it was taken.
    pub at: Instant,
    /// From request to answer, of that exchange.
    pub latency: Duration,
    /// Answers so far.
    pub reads: u64,
    last_change: Option<Instant>,
    between: VecDeque<Duration>,
}

impl Seen {
    /// How often the device refreshes the value, as far as its changes show.
    #[must_use]
    pub fn refresh(&self) -> Option<Duration> {
        let mut sorted: Vec<Duration> = self.between.iter().copied().collect();
        sorted.sort_unstable();
        sorted.get(sorted.len() / 4).copied()
    }
}

/// A reading as the engine would take it, for whoever passes it on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Judged {
    /// Index of the point in the plan.
    pub point: usize,
    /// Its value, unless bad.
    pub value: Option<i64>,
    /// How far it may be believed.
    pub status: Status,
    /// When it was taken.
    pub at: Instant,
}

/// Everything seen.
#[derive(Debug)]
pub struct Board {
    plan: Plan,
    inner: Mutex<Inner>,
    news: Condvar,
}

#[derive(Debug)]
struct Inner {
    points: Vec<Option<Seen>>,
    /// By device and by link of the plan: why it is down, while it is.
    devices: Vec<Option<String>>,
    links: Vec<Option<String>>,
    /// By device: why it is not the one it should be. By link: which other master was heard.
    strangers: Vec<Option<String>>,
    masters: Vec<Option<String>>,
}

impl Board {
    /// An empty board for a plan, the one its links are polled by.
    #[must_use]
    pub fn new(plan: Plan) -> Self {
        let inner = Inner {
            points: vec![None; plan.points.len()],
            devices: vec![None; plan.devices.len()],
            links: vec![None; plan.links.len()],
            strangers: vec![None; plan.devices.len()],
            masters: vec![None; plan.links.len()],
        };
        Self { plan, inner: Mutex::new(inner), news: Condvar::new() }
    }

    /// Takes what the field says; `latency` is that of its exchange. Gives the readings it brought.
    pub fn take(&self, message: &FieldMessage, latency: impl Fn(usize) -> Duration) -> Vec<Judged> {
        let mut judged = Vec::new();
        let mut inner = self.lock();
        match message {
            FieldMessage::Batch(batch) => {
                let Some(asked) = self.plan.transactions.get(batch.transaction as usize) else { return judged };
                let latency = latency(asked.device as usize);
                // Another device may have other ranges: as the engine, one does not believe it to the full.
                let stranger = inner.strangers.get(asked.device as usize).is_some_and(Option::is_some);
                let best = if stranger { Status::UNCERTAIN_SENSOR_NOT_ACCURATE } else { Status::GOOD };
                let points = (asked.points.first as usize..).take(asked.points.count as usize);
                for (point, raw) in points.zip(&batch.raws) {
                    let Some(spec) = self.plan.engine.points.get(point) else { continue };
                    let (value, status) = believe(spec, raw, &self.plan.engine.absent);
                    let status = status.worst(best);
                    if let Some(place) = inner.points.get_mut(point) {
                        note(place, raw, value, status, batch.at, latency);
                    }
                    let value = value.filter(|_| !status.is_bad());
                    judged.push(Judged { point, value, status, at: batch.at });
                }
            }
            FieldMessage::LinkState { link, up, why, .. } => {
                if let Some(place) = inner.links.get_mut(*link as usize) {
                    *place = (!up).then(|| why.to_string());
                }
            }
            FieldMessage::DeviceState { device, up, why, .. } => {
                if let Some(place) = inner.devices.get_mut(*device as usize) {
                    *place = (!up).then(|| why.to_string());
                }
            }
            FieldMessage::Identity { device, fits, why, .. } => {
                if let Some(place) = inner.strangers.get_mut(*device as usize) {
                    *place = (!fits).then(|| format!("the device is not the one it should be: {why}"));
                }
            }
            FieldMessage::Masters { link, another, why, .. } => {
                if let Some(place) = inner.masters.get_mut(*link as usize) {
                    *place = another.then(|| format!("another master speaks on the line: {why}"));
                }
            }
            // Events are the running agent's to tell.
            FieldMessage::Counts { .. }
            | FieldMessage::Shown { .. }
            | FieldMessage::Late { .. }
            | FieldMessage::Restarted { .. }
            | FieldMessage::Lacks { .. }
            | FieldMessage::Notice { .. } => {}
        }
        drop(inner);
        self.news.notify_all();
        judged
    }

    /// What was last seen of a point.
    #[must_use]
    pub fn seen(&self, point: usize) -> Option<Seen> {
        self.lock().points.get(point).cloned().flatten()
    }

    /// Waits until something seen of a point pleases, or the time is over; gives what was last seen.
    pub fn wait(&self, point: usize, at_most: Duration, pleases: impl Fn(&Seen) -> bool) -> Option<Seen> {
        let until = Instant::now() + at_most;
        let mut inner = self.lock();
        loop {
            let seen = inner.points.get(point).and_then(Option::as_ref);
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() || seen.is_some_and(&pleases) {
                return seen.cloned();
            }
            inner = self.news.wait_timeout(inner, left).map_or_else(|p| p.into_inner().0, |(inner, _)| inner);
        }
    }

    /// Why a point cannot be read now, in the words of its link or device.
    #[must_use]
    pub fn why_down(&self, point: usize) -> Option<String> {
        let (device, link) = self.device_and_link(point)?;
        let inner = self.lock();
        inner.links.get(link).cloned().flatten().or_else(|| inner.devices.get(device).cloned().flatten())
    }

    /// What else casts doubt on a point: another device in its place, another master on its line.
    #[must_use]
    pub fn doubts(&self, point: usize) -> Vec<String> {
        let Some((device, link)) = self.device_and_link(point) else { return Vec::new() };
        let inner = self.lock();
        [inner.strangers.get(device), inner.masters.get(link)].into_iter().flatten().flatten().cloned().collect()
    }

    fn device_and_link(&self, point: usize) -> Option<(usize, usize)> {
        let device = self.plan.transactions.get(self.transaction_of(point)?)?.device as usize;
        Some((device, self.plan.devices.get(device)?.link as usize))
    }

    /// What a point's value would be made of if the map's register were so many further, from the same answer.
    #[must_use]
    pub fn neighbour(&self, point: usize, step: i32) -> Option<Raw> {
        let asked = self.plan.transactions.get(self.transaction_of(point)?)?;
        let Ask::Modbus { slices, count, .. } = &asked.ask else { return None };
        let first = asked.points.first as usize;
        let own = slices.get(point.checked_sub(first)?)?;
        let inner = self.lock();
        let mut image: Vec<Option<u16>> = vec![None; usize::from(*count)];
        for (at, slice) in slices.iter().enumerate() {
            let Some(Seen { raw: Raw::Words { words, len, .. }, .. }) =
                inner.points.get(first + at).and_then(Option::as_ref)
            else {
                continue;
            };
            for (offset, word) in (usize::from(slice.offset)..).zip(words.iter().take(usize::from(*len))) {
                if let Some(place) = image.get_mut(offset) {
                    *place = Some(*word);
                }
            }
        }
        let from = usize::try_from(i32::from(own.offset) + step).ok()?;
        let found: Option<Vec<u16>> = image.get(from..from + usize::from(own.words))?.iter().copied().collect();
        let mut words = [0; 8];
        let found = found.filter(|found| !found.is_empty())?;
        words.get_mut(..found.len())?.copy_from_slice(&found);
        Some(Raw::Words { words, len: own.words, scale_factor: 0 })
    }

    fn transaction_of(&self, point: usize) -> Option<usize> {
        self.plan.transactions.iter().position(|asked| {
            let first = asked.points.first as usize;
            (first..first + asked.points.count as usize).contains(&point)
        })
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The value, as the engine decodes it, and what it is worth by itself.
fn believe(spec: &PointSpec, raw: &Raw, absent: &[u64]) -> (Option<i64>, Status) {
    let first = spec.decode.absent.first as usize;
    let absent = absent.get(first..first + spec.decode.absent.count as usize).unwrap_or(&[]);
    match decode(raw, &spec.decode, spec.exponent, absent) {
        Ok(value) if spec.valid.is_some_and(|(low, high)| value < low || value > high) => {
            (Some(value), Status::BAD_SENSOR_FAILURE)
        }
        Ok(value) => (Some(value), Status::GOOD),
        Err(status) => (None, status),
    }
}

fn note(place: &mut Option<Seen>, raw: &Raw, value: Option<i64>, status: Status, at: Instant, latency: Duration) {
    // A failed exchange says nothing of the registers: it keeps the measurement of the refresh, and starts it anew.
    let answered = !matches!(raw, Raw::Fault(_));
    let Some(seen) = place else {
        let reads = u64::from(answered);
        *place =
            Some(Seen { raw: *raw, value, status, at, latency, reads, last_change: None, between: VecDeque::new() });
        return;
    };
    if !answered {
        seen.last_change = None;
    } else if seen.raw != *raw
        && !matches!(seen.raw, Raw::Fault(_))
        && let Some(last) = seen.last_change.replace(at)
    {
        if seen.between.len() >= REMEMBERED {
            seen.between.pop_front();
        }
        seen.between.push_back(at.saturating_duration_since(last));
    }
    if answered {
        seen.reads += 1;
        seen.latency = latency;
    }
    (seen.raw, seen.value, seen.status, seen.at) = (*raw, value, status, at);
}

/// Raw registers as people compare them with a manual: hexadecimal words, or the number SNMP gave.
#[must_use]
pub fn spoken_raw(raw: &Raw) -> String {
    match raw {
        Raw::Words { words, len, scale_factor } => {
            let words: Vec<String> = words.iter().take(usize::from(*len)).map(|word| format!("{word:04X}")).collect();
            let factor = if *scale_factor == 0 { String::new() } else { format!(" (scale factor {scale_factor})") };
            format!("{}{factor}", words.join(" "))
        }
        Raw::Bit(bit) => u8::from(*bit).to_string(),
        Raw::Whole(number) => number.to_string(),
        Raw::Real(number) => number.to_string(),
        Raw::Fault(_) => String::new(),
    }
}

#[cfg(test)]
#[path = "board/tests.rs"]
mod tests;
