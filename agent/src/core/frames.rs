//! Collects readings into frames and decides which single points are worth publishing.
//!
//! Every reading of a transaction goes into the open frame in scan order; once a period the frame is closed and
//! published. A chosen point is also published by itself: on change at most once a second, unchanged once a minute.
//! Knows nothing of brokers. Times: wall milliseconds for what is said, monotonic ones for when. Never panics.

use globset::GlobSet;
use lapwing_engine::spec::Millis;
use lapwing_protocol::{Decimal, Encoding, Frame, FrameBuilder, Mode, PointValue, Status, Word};

use crate::plan::Plan;

/// A point is published at most this often.
const POINT_MIN_MS: u64 = 1000;
/// And at least this often.
const POINT_MAX_MS: u64 = 60_000;

/// The open frame.
#[derive(Debug)]
pub struct Frames {
    log: String,
    boot: u64,
    catalogue: String,
    next_seq: u64,
    open: FrameBuilder,
    any: bool,
}

impl Frames {
    /// Frames of this start, numbered from 1.
    #[must_use]
    pub fn new(log: &str, boot: u64, catalogue: &str) -> Self {
        Self {
            log: log.to_owned(),
            boot,
            catalogue: catalogue.to_owned(),
            next_seq: 1,
            open: FrameBuilder::new(log, boot, catalogue, 1),
            any: false,
        }
    }

    /// Goes on in another log. Numbers go on too: of what is sent again later each has its own.
    pub fn move_to(&mut self, log: &str) {
        self.log = log.to_owned();
        self.open = FrameBuilder::new(&self.log, self.boot, &self.catalogue, self.next_seq);
        self.any = false;
    }

    /// Goes on under another catalogue; the open frame must have been closed.
    pub fn under(&mut self, catalogue: &str) {
        catalogue.clone_into(&mut self.catalogue);
        self.open = FrameBuilder::new(&self.log, self.boot, &self.catalogue, self.next_seq);
        self.any = false;
    }

    /// Hash of the catalogue in force.
    #[must_use]
    pub fn catalogue(&self) -> &str {
        &self.catalogue
    }

    /// Number of the next frame.
    #[must_use]
    pub const fn next_seq(&self) -> u64 {
        self.next_seq
    }

    /// Adds a reading.
    pub fn push(&mut self, id: u32, t: i64, value: Option<i64>, status: Status) {
        self.open.push(id, t, value, status);
        self.any = true;
    }

    /// Closes the open frame: usually one, more when it would not fit a packet, none when nothing was read.
    pub fn close(&mut self) -> Vec<Frame> {
        if !self.any {
            return Vec::new();
        }
        self.any = false;
        let open =
            std::mem::replace(&mut self.open, FrameBuilder::new(&self.log, self.boot, &self.catalogue, self.next_seq));
        let frames = open.finish();
        self.next_seq = frames.last().map_or(self.next_seq, |last| last.seq() + 1);
        self.open = FrameBuilder::new(&self.log, self.boot, &self.catalogue, self.next_seq);
        frames
    }
}

/// The encoding of the plan, in the protocol's words.
#[must_use]
pub const fn encoding(plan: &Plan) -> Encoding {
    match plan.mqtt.frames {
        crate::plan::Encoding::Json => Encoding::Json,
        crate::plan::Encoding::Cbor => Encoding::Cbor,
    }
}

/// Which points are published by themselves, and when each last was.
#[derive(Debug)]
pub struct Singles {
    /// By point index; `None` for points not chosen.
    last: Vec<Option<Last>>,
}

#[derive(Clone, Copy, Debug, Default)]
struct Last {
    said: Option<(Option<i64>, Status)>,
    at: Millis,
    /// It has changed since, within its second: said when the second is over.
    waits: bool,
}

impl Singles {
    /// Chooses points by the plan's patterns.
    #[must_use]
    pub fn new(plan: &Plan, chosen: &GlobSet) -> Self {
        Self { last: plan.points.iter().map(|point| chosen.is_match(&point.path).then(Last::default)).collect() }
    }

    /// Whether this reading should be published now; notes it if so.
    pub fn due(&mut self, point: usize, value: Option<i64>, status: Status, now: Millis) -> bool {
        let Some(Some(last)) = self.last.get_mut(point) else { return false };
        let due = match last.said {
            None => true,
            Some(said) if said == (value, status) => now.since(last.at) >= POINT_MAX_MS,
            Some(_) => now.since(last.at) >= POINT_MIN_MS,
        };
        if due {
            *last = Last { said: Some((value, status)), at: now, waits: false };
        } else {
            last.waits = last.said != Some((value, status));
        }
        due
    }

    /// Points whose change waits and whose second is over: their next reading may be a minute away.
    pub fn waiting(&self, now: Millis) -> Vec<usize> {
        let over = |last: &Last| last.waits && now.since(last.at) >= POINT_MIN_MS;
        let points = self.last.iter().enumerate();
        points.filter(|(_, last)| last.as_ref().is_some_and(over)).map(|(point, _)| point).collect()
    }

    /// Says everything again at the next reading: after a change of broker or mode.
    pub fn again(&mut self) {
        for last in self.last.iter_mut().flatten() {
            last.said = None;
        }
    }
}

/// The payload of `point/<path>`.
#[must_use]
pub fn point_value(
    plan: &Plan,
    point: usize,
    t: i64,
    value: Option<i64>,
    status: Status,
    mode: Mode,
) -> Option<PointValue> {
    let about = plan.points.get(point)?;
    Some(PointValue {
        t,
        value: value.map(|v| Decimal::new(v, about.exponent)),
        unit: about.unit.clone(),
        quality: status,
        mode: Word::from(mode),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::Point;

    fn singles() -> Singles {
        let plan = Plan { points: vec![Point { path: "coil/flow".into(), ..Point::default() }], ..Plan::default() };
        let glob = globset::Glob::new("coil/**").expect("a pattern");
        Singles::new(&plan, &globset::GlobSetBuilder::new().add(glob).build().expect("a set"))
    }

    #[test]
    fn a_change_waits_for_its_second_and_silence_ends_after_a_minute() {
        let mut singles = singles();
        assert!(singles.due(0, Some(1), Status::GOOD, Millis(0)));
        assert!(!singles.due(0, Some(2), Status::GOOD, Millis(999)));
        assert!(singles.waiting(Millis(999)).is_empty());
        assert_eq!(singles.waiting(Millis(1000)), [0]);
        assert!(singles.due(0, Some(2), Status::GOOD, Millis(1000)));
        assert!(singles.waiting(Millis(9000)).is_empty());
        assert!(!singles.due(0, Some(2), Status::GOOD, Millis(60_999)));
        assert!(singles.due(0, Some(2), Status::GOOD, Millis(61_000)));
        assert!(singles.due(0, None, Status::BAD_SENSOR_FAILURE, Millis(62_000)));
        assert!(!singles.due(7, Some(1), Status::GOOD, Millis(0)));
    }

    #[test]
    fn frames_are_numbered_without_gaps_and_empty_ones_are_not_sent() {
        let mut frames = Frames::new("a", 1, "c");
        assert!(frames.close().is_empty());
        for expected in 1..4 {
            frames.push(1, 1000, Some(5), Status::GOOD);
            let closed = frames.close();
            assert_eq!(closed.iter().map(Frame::seq).collect::<Vec<_>>(), [expected]);
        }
    }
}
