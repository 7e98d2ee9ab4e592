//! Makes frames from readings in scan order: merges neighbours into runs, splits before a packet would be too large.
//!
//! The size counted is that of the JSON text, which is never smaller than the same frame in CBOR but for a constant: a
//! JSON integer with its comma needs at least as many bytes as CBOR needs for it, `null` more. The same readings with the
//! same header give the same frames, so a frame sent again equals the lost one. Times are milliseconds since the Unix
//! epoch, UTC. Never panics.

use alloc::vec::Vec;

use super::{Frame, Run};
use crate::encoding::FRAME_MAX;
use crate::status::Status;

/// Bytes of a frame around its lists and header texts: keys, braces, the widest `boot`, `seq` and `t`, `late`, and what
/// CBOR may need more than JSON for lengths.
const FIXED: usize = 224;

/// Makes frames of one catalogue.
#[derive(Clone, Debug)]
pub struct FrameBuilder {
    empty: Frame,
    limit: usize,
    fixed: usize,
    size: usize,
    frame: Frame,
    full: Vec<Frame>,
}

impl FrameBuilder {
    /// A builder whose first frame has number `seq`; log id and hash are short texts of the agent's own.
    #[must_use]
    pub fn new(log: &str, boot: u64, catalogue: &str, seq: u64) -> Self {
        let frame = Frame {
            log: log.into(),
            boot,
            seq,
            t: 0,
            catalogue: catalogue.into(),
            runs: Vec::new(),
            values: Vec::new(),
            bad: Vec::new(),
            late: false,
        };
        // At worst every byte of a text is escaped.
        let fixed = FIXED + 6 * (log.len() + catalogue.len());
        Self { empty: frame.clone(), limit: FRAME_MAX, fixed, size: fixed, frame, full: Vec::new() }
    }

    /// Add a reading. One without a value is bad even if its status does not say so; one with a bad status has no value.
    pub fn push(&mut self, id: u32, t: i64, value: Option<i64>, status: Status) {
        let (value, status) = match value {
            Some(value) if !status.is_bad() => (Some(value), status),
            Some(_) => (None, status),
            None if status.is_bad() => (None, status),
            None => (None, Status::BAD),
        };
        let cost = self.cost(id, t, value, status);
        let full = self.size + cost > self.limit;
        let far = dt_ms(self.frame.t, t).is_none();
        if !self.frame.is_empty() && (full || far) {
            self.split();
        }
        if self.frame.is_empty() {
            self.frame.t = t;
        }
        self.size += self.cost(id, t, value, status);
        // A frame holds fewer than 64 Ki readings, so its places fit.
        if status != Status::GOOD {
            self.frame.bad.push((u32::try_from(self.frame.values.len()).unwrap_or(u32::MAX), status));
        }
        // A new frame's first reading is at its own moment; `split` saw to the others.
        let dt_ms = dt_ms(self.frame.t, t).unwrap_or(0);
        match self.frame.runs.last_mut() {
            Some(run) if continues(run, id, dt_ms) => run.count += 1,
            _ => self.frame.runs.push(Run { first_id: id, count: 1, dt_ms }),
        }
        self.frame.values.push(value);
    }

    /// The frames so far, none of them empty; the builder goes on with the next number.
    #[must_use]
    pub fn take(&mut self) -> Vec<Frame> {
        if !self.frame.is_empty() {
            self.split();
        }
        core::mem::take(&mut self.full)
    }

    /// The frames, none of them empty; the next builder starts at `seq` plus their number.
    #[must_use]
    pub fn finish(mut self) -> Vec<Frame> {
        self.take()
    }

    fn split(&mut self) {
        self.empty.seq = self.frame.seq.saturating_add(1);
        let done = core::mem::replace(&mut self.frame, self.empty.clone());
        self.full.push(done);
        self.size = self.fixed;
    }

    /// Bytes the reading adds to the JSON text.
    fn cost(&self, id: u32, t: i64, value: Option<i64>, status: Status) -> usize {
        let start = if self.frame.is_empty() { t } else { self.frame.t };
        let dt = dt_ms(start, t).unwrap_or(0);
        let run = match self.frame.runs.last() {
            // The run's count may grow by a digit.
            Some(run) if continues(run, id, dt) => digits(u64::from(run.count) + 1) - digits(u64::from(run.count)),
            _ => digits(u64::from(id)) + 1 + signed(i64::from(dt)) + 5,
        };
        let value = value.map_or(4, signed) + 1;
        let bad = if status == Status::GOOD {
            0
        } else {
            digits(self.frame.values.len() as u64) + digits(u64::from(status.number())) + 4
        };
        run + value + bad
    }
}

/// Milliseconds from the frame's moment to another, if a run can say it.
fn dt_ms(from: i64, to: i64) -> Option<i32> {
    to.checked_sub(from).and_then(|dt| i32::try_from(dt).ok())
}

fn continues(run: &Run, id: u32, dt_ms: i32) -> bool {
    run.dt_ms == dt_ms && run.first_id.checked_add(run.count) == Some(id)
}

fn digits(number: u64) -> usize {
    number.checked_ilog10().map_or(1, |log| log as usize + 1)
}

fn signed(number: i64) -> usize {
    digits(number.unsigned_abs()) + usize::from(number < 0)
}

#[cfg(test)]
impl FrameBuilder {
    /// A smaller packet, so that tests split with few readings.
    pub(super) fn with_limit(mut self, limit: usize) -> Self {
        self.limit = limit;
        self
    }
}
