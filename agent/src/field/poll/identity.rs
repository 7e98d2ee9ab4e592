//! Whether a device is still the one that was set up: when that is asked, and what its answer means.
//!
//! Part of `poll`; times as there. A device is in doubt at connect, after silence, and when its time has come; one that
//! does not fit is looked at again each minute. While it is in doubt its scans wait for one round of checks. Never
//! panics.

use std::time::Instant;

use lapwing_engine::spec::{Millis, Raw};

use super::{Job, Kind, Poll, ms};
use crate::field::FieldMessage;
use crate::field::failure::Failure;
use crate::field::why::{Difference, Why};
use crate::plan::{Check, Feature, Identity, Mark};

/// A device that does not fit is looked at again after this.
const AGAIN_MS: u64 = 60_000;

/// What is known of a device's identity.
#[derive(Debug)]
pub(super) struct Known {
    /// The check to make next; `None` while nothing is in doubt.
    due: Option<usize>,
    /// When doubt comes by itself.
    again_at: Millis,
    /// What each check's features showed first.
    first: Vec<Vec<Option<Mark>>>,
    /// What differs, found in this round.
    differs: Vec<Difference>,
    /// What was last told.
    told: Option<bool>,
}

impl Known {
    pub(super) fn of(identity: &Identity) -> Self {
        Self {
            due: (!identity.checks.is_empty()).then_some(0),
            again_at: Millis::NEVER,
            first: identity.checks.iter().map(remembered).collect(),
            differs: Vec::new(),
            told: None,
        }
    }

    /// What it shows next counts; what the configuration expects stays.
    fn forget(&mut self) {
        for mark in self.first.iter_mut().flatten() {
            *mark = None;
        }
        self.begin();
    }

    fn begin(&mut self) {
        if !self.first.is_empty() {
            self.due = Some(0);
            self.differs.clear();
        }
    }
}

impl Poll {
    /// A device may be another one.
    pub(super) fn doubt(&mut self, device: usize) {
        self.devices[device].identity.begin();
    }

    /// Every device may be another one.
    pub(super) fn doubt_all(&mut self) {
        for device in &mut self.devices {
            device.identity.begin();
        }
    }

    /// Whether a device must show who it is before its readings count.
    pub(super) fn is_doubted(&mut self, device: usize, now: Millis) -> bool {
        let confirmed = self.stats.take_confirmed(self.devices[device].index);
        let known = &mut self.devices[device].identity;
        if confirmed {
            known.forget();
        } else if known.due.is_none() && known.again_at <= now {
            known.begin();
        }
        known.due.is_some()
    }

    /// The job, or in its place the next check of its device's identity; the job then waits.
    pub(super) fn known_first(&mut self, job: Job, now: Millis) -> Job {
        if !self.is_doubted(job.device, now) {
            return job;
        }
        let check = self.devices[job.device].identity.due.unwrap_or(0);
        self.held = Some(job);
        Job { instead: None, kind: Kind::Identity { check }, ..job }
    }

    /// A check brought values.
    pub(super) fn compare(&mut self, job: Job, check: usize, raws: &[Raw], now: Instant) {
        let index = self.devices[job.device].index as usize;
        let identity = &self.plan.devices[index].identity;
        let device = self.devices[job.device].index;
        let known = &mut self.devices[job.device].identity;
        if let (Some(check), Some(first)) = (identity.checks.get(check), known.first.get_mut(check)) {
            for ((feature, raw), first) in check.features.iter().zip(raws).zip(first) {
                let knew = first.is_some();
                known.differs.extend(differs(feature, raw, first));
                if let (false, Some(mark)) = (knew, &*first) {
                    (self.deliver)(FieldMessage::Shown { device, feature: feature.name.clone(), mark: mark.clone() });
                }
            }
        }
        self.next_check(job, check, now);
    }

    /// The device refused a check.
    pub(super) fn cannot_compare(&mut self, job: Job, check: usize, failure: &Failure, now: Instant) {
        let index = self.devices[job.device].index as usize;
        if let Some(check) = self.plan.devices[index].identity.checks.get(check) {
            let features = check.features.iter().map(|feature| feature.name.clone()).collect();
            let differs = &mut self.devices[job.device].identity.differs;
            differs.push(Difference::Unreadable { features, failure: failure.clone() });
        }
        self.next_check(job, check, now);
    }

    fn next_check(&mut self, job: Job, check: usize, now: Instant) {
        let t = self.millis(now);
        let state = &mut self.devices[job.device];
        let identity = &self.plan.devices[state.index as usize].identity;
        if check + 1 < identity.checks.len() {
            state.identity.due = Some(check + 1);
            self.again = Some(Job { kind: Kind::Identity { check: check + 1 }, ..job });
            return;
        }
        let known = &mut state.identity;
        let fits = known.differs.is_empty();
        let period_ms = ms(identity.period);
        known.due = None;
        known.again_at = t.plus(if fits { period_ms } else { period_ms.min(AGAIN_MS) });
        let differs = std::mem::take(&mut known.differs);
        let why = if fits { Why::Fits } else { Why::Differs(differs) };
        if known.told.replace(fits) != Some(fits) {
            (self.deliver)(FieldMessage::Identity { device: state.index, fits, why, at: now });
        }
        self.again = self.held.take();
    }
}

/// What the features of a check showed first in an earlier run.
fn remembered(check: &Check) -> Vec<Option<Mark>> {
    check.features.iter().map(|feature| feature.remembered.clone().filter(|_| feature.expect.is_none())).collect()
}

/// What differs; what a feature without an expected mark shows first is kept.
fn differs(feature: &Feature, raw: &Raw, first: &mut Option<Mark>) -> Option<Difference> {
    let name = || feature.name.clone();
    let (should, told) = match (&feature.expect, &*first) {
        (Some(mark), _) => (mark.clone(), true),
        (None, Some(mark)) => (mark.clone(), false),
        (None, None) => {
            // A device that cannot say is not remembered as one that says nothing.
            *first = shown(raw, matches!(raw, Raw::Words { len: 5.., .. }));
            return first.is_none().then(|| Difference::Nothing { feature: name(), expected: None });
        }
    };
    match shown(raw, matches!(should, Mark::Text(_))) {
        Some(shows) if shows == should => None,
        Some(shows) if told => Some(Difference::NotExpected { feature: name(), shows, expected: should }),
        Some(shows) => Some(Difference::Changed { feature: name(), shows, before: should }),
        None => Some(Difference::Nothing { feature: name(), expected: Some(should) }),
    }
}

fn shown(raw: &Raw, as_text: bool) -> Option<Mark> {
    match raw {
        Raw::Words { words, len, .. } => {
            let words = words.get(..usize::from(*len)).filter(|words| !words.is_empty())?;
            if as_text {
                let bytes: Vec<u8> = words.iter().flat_map(|word| word.to_be_bytes()).collect();
                let text = String::from_utf8_lossy(&bytes);
                return Some(Mark::Text(text.trim_end_matches([' ', '\0']).to_string()));
            }
            // At most eight registers: 128 bits; the sign bit of so wide a number is none a device shows.
            let number = words.iter().fold(0_u128, |number, word| number << 16 | u128::from(*word));
            i128::try_from(number).ok().map(Mark::Number)
        }
        Raw::Whole(number) => Some(Mark::Number(i128::from(*number))),
        Raw::Bit(_) | Raw::Real(_) | Raw::Fault(_) => None,
    }
}
