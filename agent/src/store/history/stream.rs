//! What enters the engine as one stream of bytes, in the order it entered: the open slot's form.
//!
//! A stream is a row of items, each a tag and its fields (numbers as in `pack`):
//!
//! ```text
//! 0 source n id×n          the next scan group: what one transaction (or one of the agent's own points) brings
//! 1 first next             a frame period ended: frames `first` to `next - 1` were made of the readings since the last
//! 2 id                     the point's trend begins anew
//! 3 Δoffset                the wall clock, as far as the agent follows it, now stands elsewhere against the axis
//! 4 start                  the agent has started: number of the start
//! 5 readings               so many readings were dropped here because the disk did not keep up
//! 6 at                     time passed: what was due by then happened here, between the readings
//! 8+g Δat flags [odd] [lag] Δvalue×n    one step of group g: at, and a value a point against the group's last step
//! ```
//!
//! `odd` (flag 1) lists readings that are not plainly good: count, then gap, kind, status entered, status judged; kind 0
//! has no value, its Δ is zero. `lag` (flag 2) lists readings older than their step: count, then gap, ms. Times are axis
//! milliseconds. A reader that begins in the middle needs a stream that was begun anew there. Never panics.

use std::collections::HashMap;

use lapwing_protocol::Status;

use super::pack::{Bytes, Damage, put, put_signed};
use super::{Batch, Entry, Happening, Step};

/// Points of one step: no transaction has more than 2000 bits, derived points hang on it.
const GROUP_MAX: usize = 1 << 20;

/// Points that enter together, in scan order.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Group {
    pub(super) source: u32,
    pub(super) ids: Vec<u32>,
}

#[derive(Debug, Default)]
struct Known {
    group: Group,
    last: Vec<i64>,
}

/// Writes a stream.
#[derive(Debug, Default)]
pub(super) struct Encoder {
    known: Vec<Known>,
    by_source: HashMap<u32, Vec<usize>>,
    last_at: i64,
    offset: i64,
    pub(super) bytes: Vec<u8>,
    /// Readings since it was begun anew.
    pub(super) readings: usize,
}

impl Encoder {
    /// Forgets everything: what follows can be read by itself.
    pub(super) fn begin(&mut self) {
        let mut bytes = std::mem::take(&mut self.bytes);
        bytes.clear();
        *self = Self { bytes, ..Self::default() };
    }

    /// Appends a step and its readings.
    pub(super) fn step(&mut self, step: &Step, readings: &[Entry]) {
        if step.offset != self.offset {
            put(&mut self.bytes, 3);
            put_signed(&mut self.bytes, step.offset.wrapping_sub(self.offset));
            self.offset = step.offset;
        }
        match step.what {
            Happening::Frames { first, next } => {
                put(&mut self.bytes, 1);
                put(&mut self.bytes, first);
                put(&mut self.bytes, next);
            }
            Happening::Rebase { id } => {
                put(&mut self.bytes, 2);
                put(&mut self.bytes, u64::from(id));
            }
            Happening::Start { number } => {
                put(&mut self.bytes, 4);
                put(&mut self.bytes, number);
            }
            Happening::Dropped { readings } => {
                put(&mut self.bytes, 5);
                put(&mut self.bytes, readings);
            }
            Happening::Passed { at } => {
                put(&mut self.bytes, 6);
                put_signed(&mut self.bytes, at);
            }
            Happening::Readings { source } => self.readings(source, step.at, readings),
        }
    }

    fn readings(&mut self, source: u32, at: i64, readings: &[Entry]) {
        let group = self.group(source, readings);
        let out = &mut self.bytes;
        put(out, 8 + group as u64);
        put_signed(out, at.wrapping_sub(self.last_at));
        self.last_at = at;
        let odd = readings.iter().filter(|reading| reading.is_odd()).count();
        let late = readings.iter().filter(|reading| reading.lag_ms != 0).count();
        out.push(u8::from(odd > 0) | u8::from(late > 0) << 1);
        if odd > 0 {
            put(out, odd as u64);
            let mut last = 0;
            for (place, reading) in readings.iter().enumerate().filter(|(_, reading)| reading.is_odd()) {
                put(out, (place - last) as u64);
                out.push(u8::from(reading.value.is_some()));
                put(out, u64::from(reading.status.number()));
                put(out, u64::from(reading.judged.number()));
                last = place;
            }
        }
        if late > 0 {
            put(out, late as u64);
            let mut last = 0;
            for (place, reading) in readings.iter().enumerate().filter(|(_, reading)| reading.lag_ms != 0) {
                put(out, (place - last) as u64);
                put(out, reading.lag_ms);
                last = place;
            }
        }
        for (reading, last) in readings.iter().zip(&mut self.known[group].last) {
            let value = reading.value.unwrap_or(*last);
            put_signed(out, value.wrapping_sub(*last));
            *last = value;
        }
        self.readings += readings.len();
    }

    fn group(&mut self, source: u32, readings: &[Entry]) -> usize {
        let of_source = self.by_source.entry(source).or_default();
        let fits = |known: &Known| known.group.ids.iter().eq(readings.iter().map(|reading| &reading.id));
        if let Some(found) = of_source.iter().rev().find(|at| fits(&self.known[**at])) {
            return *found;
        }
        let number = self.known.len();
        of_source.push(number);
        let ids: Vec<u32> = readings.iter().map(|reading| reading.id).collect();
        put(&mut self.bytes, 0);
        put(&mut self.bytes, u64::from(source));
        put(&mut self.bytes, ids.len() as u64);
        let mut before = -1;
        for id in &ids {
            put_signed(&mut self.bytes, i64::from(*id) - before);
            before = i64::from(*id);
        }
        self.known.push(Known { last: vec![0; ids.len()], group: Group { source, ids } });
        number
    }
}

/// Reads a stream, step by step.
#[derive(Debug, Default)]
pub(super) struct Decoder {
    known: Vec<Known>,
    last_at: i64,
    offset: i64,
    /// Readings of the step that was read last.
    pub(super) readings: Vec<Entry>,
}

impl Decoder {
    /// Before a piece that was begun anew.
    pub(super) fn begin(&mut self) {
        *self = Self { readings: std::mem::take(&mut self.readings), ..Self::default() };
    }

    /// The next step of `bytes`; its readings are in `self.readings`.
    pub(super) fn step(&mut self, bytes: &mut Bytes<'_>) -> Result<Option<Step>, Damage> {
        self.readings.clear();
        while !bytes.is_empty() {
            let what = match bytes.number()? {
                0 => {
                    self.define(bytes)?;
                    continue;
                }
                3 => {
                    self.offset = self.offset.wrapping_add(bytes.signed()?);
                    continue;
                }
                1 => Happening::Frames { first: bytes.number()?, next: bytes.number()? },
                2 => Happening::Rebase { id: bytes.small()? },
                4 => Happening::Start { number: bytes.number()? },
                5 => Happening::Dropped { readings: bytes.number()? },
                6 => Happening::Passed { at: bytes.signed()? },
                7 => return Err(Damage::Invalid("an item of an unknown kind")),
                group => {
                    let group = usize::try_from(group - 8).map_err(|_| Damage::Short)?;
                    let source = self.values(group, bytes)?;
                    Happening::Readings { source }
                }
            };
            return Ok(Some(Step { at: self.last_at, offset: self.offset, what, count: self.readings.len() }));
        }
        Ok(None)
    }

    fn define(&mut self, bytes: &mut Bytes<'_>) -> Result<(), Damage> {
        let source = bytes.small()?;
        let count = bytes.count()?;
        if count > GROUP_MAX {
            return Err(Damage::Invalid("a group of too many points"));
        }
        let mut ids = Vec::with_capacity(count);
        let mut before = -1_i64;
        for _ in 0..count {
            before = before.wrapping_add(bytes.signed()?);
            ids.push(u32::try_from(before).map_err(|_| Damage::Invalid("a point number out of range"))?);
        }
        self.known.push(Known { last: vec![0; count], group: Group { source, ids } });
        Ok(())
    }

    fn values(&mut self, group: usize, bytes: &mut Bytes<'_>) -> Result<u32, Damage> {
        let known = self.known.get_mut(group).ok_or(Damage::Invalid("a group that was not named"))?;
        self.last_at = self.last_at.wrapping_add(bytes.signed()?);
        let flags = bytes.byte()?;
        let readings = &mut self.readings;
        readings.extend(known.group.ids.iter().map(|id| Entry::good(*id, 0)));
        if flags & 1 != 0 {
            let mut place = 0;
            for _ in 0..bytes.count()? {
                let reading = next(readings, &mut place, bytes)?;
                reading.value = (bytes.byte()? != 0).then_some(0);
                reading.status = Status::from_number(bytes.small()?);
                reading.judged = Status::from_number(bytes.small()?);
            }
        }
        if flags & 2 != 0 {
            let mut place = 0;
            for _ in 0..bytes.count()? {
                // The place first: an assignment would read its right side before.
                let reading = next(readings, &mut place, bytes)?;
                reading.lag_ms = bytes.number()?;
            }
        }
        for (reading, last) in readings.iter_mut().zip(&mut known.last) {
            *last = last.wrapping_add(bytes.signed()?);
            reading.value = reading.value.map(|_| *last);
        }
        Ok(known.group.source)
    }
}

fn next<'a>(readings: &'a mut [Entry], place: &mut usize, bytes: &mut Bytes<'_>) -> Result<&'a mut Entry, Damage> {
    let gap = usize::try_from(bytes.number()?).map_err(|_| Damage::Short)?;
    *place = place.saturating_add(gap);
    readings.get_mut(*place).ok_or(Damage::Invalid("a place beyond the step"))
}

/// Every step of a batch with its readings.
pub(super) fn steps(batch: &Batch) -> impl Iterator<Item = (&Step, &[Entry])> {
    let mut rest = batch.entries.as_slice();
    batch.steps.iter().map(move |step| {
        let (own, later) = rest.split_at_checked(step.count).unwrap_or((rest, &[]));
        rest = later;
        (step, own)
    })
}

#[cfg(test)]
mod tests {
    use super::super::testing::{any_batch, batch_of};
    use super::*;
    use proptest::prelude::*;

    fn decoded(bytes: &[u8]) -> Result<Batch, Damage> {
        let (mut decoder, mut bytes, mut batch) = (Decoder::default(), Bytes::new(bytes), Batch::default());
        while let Some(step) = decoder.step(&mut bytes)? {
            batch.steps.push(step);
            batch.entries.extend_from_slice(&decoder.readings);
        }
        Ok(batch)
    }

    fn encoded(batch: &Batch) -> Vec<u8> {
        let mut encoder = Encoder::default();
        for (step, readings) in steps(batch) {
            encoder.step(step, readings);
        }
        encoder.bytes
    }

    proptest! {
        #[test]
        fn what_entered_comes_back(batch in any_batch()) {
            let back = decoded(&encoded(&batch)).expect("it decodes");
            prop_assert_eq!(&back.entries, &batch.entries);
            for (back, step) in back.steps.iter().zip(&batch.steps) {
                prop_assert_eq!(back.what, step.what);
                if matches!(step.what, Happening::Readings { .. }) {
                    prop_assert_eq!((back.at, back.offset, back.count), (step.at, step.offset, step.count));
                }
            }
            prop_assert_eq!(back.steps.len(), batch.steps.len());
        }

        #[test]
        fn noise_never_panics(noise in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _any = decoded(&noise);
        }
    }

    #[test]
    fn every_flip_and_truncation_is_survived() {
        let bytes = encoded(&batch_of(20, 3));
        for bit in 0..bytes.len() * 8 {
            let mut bad = bytes.clone();
            bad[bit / 8] ^= 1 << (bit % 8);
            let _any = decoded(&bad);
        }
        for length in 0..bytes.len() {
            let _any = decoded(&bytes[..length]);
        }
    }
}
