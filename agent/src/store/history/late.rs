//! Makes published frames again from history, equal to those that were lost.
//!
//! A frame is the readings between two frame marks of a start, in the order they entered, with the stamps the agent gave
//! them then; the frame builder makes the same frames of the same readings. It does not know which frames are wanted: the
//! caller asks for a start from a frame on, and gets them in order. Times are wall milliseconds. Never panics.

use std::ops::ControlFlow;

use lapwing_protocol::{Frame, FrameBuilder};

use super::error::HistoryError;
use super::reader::Reader;
use super::steps::{Place, SlotPlace};
use super::{Happening, SLOT_MS, Start};

impl Reader {
    /// Hands the frames of a start from number `from` on to `take`, in order, until it breaks. Returns the number after the
    /// last frame the history has of that start, as far as it was read.
    ///
    /// # Errors
    /// When a file is in use for too long, or a newer agent wrote it.
    pub fn frames(
        &self,
        start: &Start,
        until_at: Option<i64>,
        from: u64,
        mut take: impl FnMut(Frame) -> ControlFlow<()>,
    ) -> Result<Option<u64>, HistoryError> {
        let last_slot = until_at.map_or(i64::MAX, |at| at.div_euclid(SLOT_MS));
        let first_slot = start.at.div_euclid(SLOT_MS);
        let mut slots: Vec<SlotPlace> = self.slots()?;
        slots.retain(|place| (first_slot..=last_slot).contains(&place.slot));
        // Readings of a frame may begin in the slot before the one with its mark.
        let first = self.slot_of_frame(&slots, start.number, from)?.saturating_sub(1);
        let (mut current, mut last) = (None, None);
        let mut open: Vec<(u32, i64, Option<i64>, lapwing_protocol::Status)> = Vec::new();
        for place in slots.iter().skip(first) {
            // In its first slot a start begins with its mark; after that it is in force until another's.
            if current.is_none() && place.slot > first_slot {
                current = Some(start.number);
            }
            let mut go_on = ControlFlow::Continue(());
            let needed = self.readings_needed(*place, start.number, current, from)?;
            self.steps_from(*place, needed, |step, entries| {
                match step.what {
                    Happening::Start { number } => {
                        current = Some(number);
                        open.clear();
                    }
                    Happening::Readings { .. } => {
                        let t = |lag: u64| step.t().saturating_sub_unsigned(lag);
                        open.extend(entries.iter().map(|e| (e.id, t(e.lag_ms), e.published(), e.judged)));
                    }
                    Happening::Frames { first, next } => {
                        let readings = std::mem::take(&mut open);
                        if current == Some(start.number) {
                            last = Some(next);
                            if next > from && first < next {
                                let mut builder = FrameBuilder::new(&start.log, start.boot, &start.catalogue, first);
                                for (id, t, value, status) in readings {
                                    builder.push(id, t, value, status);
                                }
                                for frame in builder.finish().into_iter().filter(|frame| frame.seq() >= from) {
                                    go_on = take(frame.with_late(true));
                                    if go_on.is_break() {
                                        return go_on;
                                    }
                                }
                            }
                        }
                    }
                    Happening::Rebase { .. } | Happening::Passed { .. } | Happening::Dropped { .. } => {}
                }
                ControlFlow::Continue(())
            })?;
            if go_on.is_break() {
                break;
            }
        }
        Ok(last)
    }

    /// The first step of a closed slot whose readings can belong to the frames of a start from `frame` on: what lies before
    /// the mark of the frame before it need not be read. `current` is in force when the slot begins.
    fn readings_needed(
        &self,
        place: SlotPlace,
        start: u64,
        mut current: Option<u64>,
        frame: u64,
    ) -> Result<i64, HistoryError> {
        let Place::File(kind, number) = place.place else { return Ok(0) };
        let Some(open) = self.open(kind, number)? else { return Ok(0) };
        let Some(head) = self.head(kind, number, &open, place.slot)? else { return Ok(0) };
        let mut needed = 0;
        for (order, what) in &head.happenings {
            match what {
                Happening::Start { number } => current = Some(*number),
                Happening::Frames { next, .. } if current == Some(start) && *next > frame => break,
                Happening::Frames { .. } => {}
                Happening::Readings { .. }
                | Happening::Rebase { .. }
                | Happening::Passed { .. }
                | Happening::Dropped { .. } => continue,
            }
            needed = order.cast_signed();
        }
        Ok(needed)
    }

    /// Place in `slots` of the one whose marks reach a frame; the first if none does.
    fn slot_of_frame(&self, slots: &[SlotPlace], start: u64, frame: u64) -> Result<usize, HistoryError> {
        // From the newest back: what is missing is usually recent.
        for (n, place) in slots.iter().enumerate().rev() {
            let Place::File(kind, number) = place.place else { continue };
            let Some(open) = self.open(kind, number)? else { continue };
            let Some(head) = self.head(kind, number, &open, place.slot)? else { continue };
            let mut of_other = false;
            let mut first = None;
            for (_, what) in &head.happenings {
                match what {
                    Happening::Start { number } => of_other = *number != start,
                    Happening::Frames { first: number, .. } if !of_other => {
                        first.get_or_insert(*number);
                    }
                    _ => {}
                }
            }
            if first.is_some_and(|first| first <= frame) {
                return Ok(n);
            }
        }
        Ok(0)
    }
}
