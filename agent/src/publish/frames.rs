//! Frames on their way: live ones and those sent again from history, and what becomes of each.
//!
//! Live frames drop the oldest when more than a few wait; late ones are refused then and go only when no live one waits, a
//! few unconfirmed at a time. Every frame meets its fate, which is told: confirmed, or lost (dropped, or unconfirmed at the
//! end of a connection). One larger than the broker takes counts as confirmed: it would be refused again. Pure: no clock,
//! no sockets. Never panics.

use std::collections::{BTreeSet, VecDeque};

use lapwing_protocol::FRAME_MAX;

use super::HandInError;
use super::packet::fits;
use super::said::{Fates, FrameId};

/// Live frames that wait; history has the rest.
const LIVE_HELD: usize = 16;
/// Late frames that wait, and of the window at most.
const LATE_HELD: usize = 8;
const LATE_OUT: usize = 8;

type Waiting = (String, Vec<u8>, FrameId);

/// Frames that wait, and those that are out.
#[derive(Debug)]
pub(super) struct Frames {
    live: VecDeque<Waiting>,
    late: VecDeque<Waiting>,
    /// Handed to the present connection and not confirmed.
    out: BTreeSet<FrameId>,
    pub(super) fates: Fates,
    /// Largest frame the broker takes, as far as known.
    limit: usize,
    pub(super) dropped: u64,
}

impl Default for Frames {
    fn default() -> Self {
        Self {
            live: VecDeque::new(),
            late: VecDeque::new(),
            out: BTreeSet::new(),
            fates: Fates::default(),
            limit: FRAME_MAX,
            dropped: 0,
        }
    }
}

impl Frames {
    /// A live frame.
    pub(super) fn push(&mut self, topic: String, payload: Vec<u8>, id: FrameId) -> Result<(), HandInError> {
        self.fits(&topic, &payload, id)?;
        if self.live.len() >= LIVE_HELD
            && let Some((_, _, oldest)) = self.live.pop_front()
        {
            self.dropped += 1;
            (self.fates.0)(oldest, false);
        }
        self.live.push_back((topic, payload, id));
        Ok(())
    }

    /// Whether a late frame would be taken.
    pub(super) fn late_room(&self) -> bool {
        self.late.len() < LATE_HELD
    }

    /// A frame from history; whether there was room.
    pub(super) fn push_late(&mut self, topic: String, payload: Vec<u8>, id: FrameId) -> Result<bool, HandInError> {
        self.fits(&topic, &payload, id)?;
        let room = self.late_room();
        if room {
            self.late.push_back((topic, payload, id));
        }
        Ok(room)
    }

    /// The next frame to go.
    pub(super) fn next(&mut self) -> Option<Waiting> {
        let late_may = self.out.iter().filter(|id| id.late).count() < LATE_OUT;
        let next = self.live.pop_front().or_else(|| if late_may { self.late.pop_front() } else { None })?;
        self.out.insert(next.2);
        Some(next)
    }

    /// The broker has confirmed a frame.
    pub(super) fn confirmed(&mut self, id: FrameId) {
        if self.out.remove(&id) {
            (self.fates.0)(id, true);
        }
    }

    /// The connection is gone. Late frames that wait are lost too: they are made again, in order with those that went.
    pub(super) fn lost(&mut self) {
        let late = self.late.drain(..).map(|(_, _, id)| id);
        for id in std::mem::take(&mut self.out).into_iter().chain(late) {
            (self.fates.0)(id, false);
        }
    }

    /// The broker does not take frames so large.
    pub(super) fn refused(&mut self, bytes: usize, id: FrameId) {
        self.limit = bytes.saturating_sub(1);
        (self.fates.0)(id, true);
        let fates = &self.fates;
        for waiting in [&mut self.live, &mut self.late] {
            waiting.retain(|(_, payload, id)| {
                let fits = payload.len() < bytes;
                if !fits {
                    (fates.0)(*id, true);
                }
                fits
            });
        }
    }

    fn fits(&self, topic: &str, payload: &[u8], id: FrameId) -> Result<(), HandInError> {
        fits(topic, payload, self.limit).inspect_err(|_| (self.fates.0)(id, true))
    }
}
