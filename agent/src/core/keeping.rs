//! Keeps history: hands over what enters the engine, step by step, and what the recorder must know.
//!
//! Turns the core's monotonic moments into the history's axis: both run alike, a constant lies between them. Readings are
//! gathered and handed over with each frame, at once when an alarm is raised. Nothing here waits. Never panics.

use lapwing_engine::spec::Millis;
use lapwing_protocol::Status;

use super::clock::{Clock, START, rfc3339};
use super::judge::Judge;
use crate::store::history::{Account, Batch, Entry, Found, Happening, Loss, Recorder};
use crate::words::{Words, filled};

/// Readings gathered before they are handed over, whatever the frame period.
const GATHERED: usize = 50_000;
/// Losses told one by one; more are counted.
const LOSSES_TOLD: usize = 5;

/// What the loop knows of the history.
#[derive(Debug)]
pub struct Keeping {
    recorder: Recorder,
    found: Found,
    /// Axis minus monotonic milliseconds.
    base: i64,
    gathered: Batch,
    last_at: i64,
    raised: bool,
    told_dropped: u64,
    failing: bool,
    losses: Vec<Loss>,
}

impl Keeping {
    /// On the axis the recorder has begun.
    #[must_use]
    pub fn new(recorder: Recorder, found: Found, clock: &Clock) -> Self {
        let since = clock.instant(START).saturating_duration_since(found.begun).as_millis();
        let at = found.at.saturating_add(i64::try_from(since).unwrap_or(0));
        let base = at.saturating_sub(START.0.cast_signed());
        let losses = found.losses.clone();
        Self {
            recorder,
            found,
            base,
            gathered: Batch::default(),
            last_at: at,
            raised: false,
            told_dropped: 0,
            failing: false,
            losses,
        }
    }

    /// Number of this start, or of the plan in force since, in the history.
    #[must_use]
    pub const fn start(&self) -> u64 {
        self.found.number
    }

    const fn axis(&self, at: Millis) -> i64 {
        at.0.cast_signed().saturating_add(self.base)
    }

    /// Wall minus axis, as frames are stamped now.
    fn offset(&self, clock: &Clock) -> i64 {
        clock.wall(START).saturating_sub(self.axis(START))
    }

    /// Where history ends although the agent went on, RFC 3339: a power cut took the rest; `None` if the start before ended
    /// in order.
    #[must_use]
    pub fn missing(&self) -> Option<String> {
        self.found.last_t.filter(|_| !self.found.clean).map(rfc3339)
    }

    /// Takes what the last call of the judge has read.
    pub fn step(&mut self, clock: &Clock, judge: &Judge<'_>, ids: &[u32], source: u32) {
        let reading = |point| judge.reading(point);
        let Some(at) = judge.read().iter().map(|taken| reading(taken.point).at).max() else { return };
        let offset = self.offset(clock);
        let axis = self.axis(at);
        let entries = judge.read().iter().filter_map(|taken| {
            let id = usize::try_from(taken.point).ok().and_then(|point| ids.get(point))?;
            let judged = reading(taken.point);
            let (value, status) = match taken.entered {
                Ok((value, status)) => (Some(value), status),
                Err(status) => (None, if status.is_bad() { status } else { Status::BAD }),
            };
            Some(Entry { id: *id, value, status, judged: judged.status, lag_ms: at.since(judged.at) })
        });
        self.gathered.readings(axis, offset, source, entries);
        self.last_at = axis;
        if self.gathered.entries.len() > GATHERED {
            self.submit();
        }
    }

    /// A frame period has ended.
    pub fn frames(&mut self, clock: &Clock, first: u64, next: u64) {
        if first < next {
            self.gathered.happened(self.last_at, self.offset(clock), Happening::Frames { first, next });
            for frame in first..next {
                self.recorder.frame_handed(frame);
            }
        }
        self.submit();
    }

    /// What was due by a moment has happened, or a person did something then.
    pub fn passed(&mut self, clock: &Clock, now: Millis) {
        let at = self.axis(now);
        self.gathered.happened(self.last_at, self.offset(clock), Happening::Passed { at });
    }

    /// A point's trend begins anew.
    pub fn rebased(&mut self, clock: &Clock, id: u32) {
        self.gathered.happened(self.last_at, self.offset(clock), Happening::Rebase { id });
    }

    /// Frames go on under another log; what was gathered for the open frame goes into none.
    pub fn log_moved(&mut self, clock: &Clock, log: &str, next: u64) {
        self.gathered.happened(self.last_at, self.offset(clock), Happening::Frames { first: next, next });
        self.recorder.log_moved(log);
    }

    /// Another plan is in force; the frames before it were closed, the next one has number `next`.
    pub fn follow(&mut self, clock: &Clock, account: Account, next: u64) {
        let number = self.recorder.follow(account, self.last_at, next);
        self.found.number = number;
        self.gathered.happened(self.last_at, self.offset(clock), Happening::Start { number });
        self.submit();
    }

    /// An alarm was raised: what led to it is made durable with the next step.
    pub fn raised(&mut self) {
        self.raised = true;
    }

    /// Whether an alarm was raised since the last handing over.
    #[must_use]
    pub const fn has_raised(&self) -> bool {
        self.raised
    }

    /// Hands over what was gathered.
    pub fn submit(&mut self) {
        if !self.gathered.is_empty() {
            self.recorder.submit(std::mem::take(&mut self.gathered));
        }
        if std::mem::take(&mut self.raised) {
            self.recorder.sync();
        }
    }

    /// Looks once a second: tells the recorder what stands, and returns what people should know: text, change, reason.
    pub fn look(
        &mut self,
        clock: &Clock,
        all_words: &Words,
        any: bool,
        grave: bool,
    ) -> Vec<(String, &'static str, String)> {
        let words = &all_words.store;
        let now = self.axis(clock.now());
        self.recorder.standing(any, grave.then_some(now));
        self.recorder.wall_synced(clock.synced());
        let mut state = self.recorder.state();
        let mut told = Vec::new();
        self.losses.append(&mut state.losses);
        let more = self.losses.len().saturating_sub(LOSSES_TOLD);
        for loss in self.losses.drain(..).take(LOSSES_TOLD) {
            told.push((
                filled(&words.history_damaged, &[("what", &loss.to_string())]),
                "history damaged",
                loss.to_string(),
            ));
        }
        if more > 0 {
            told.push((
                filled(&words.history_more_damaged, &[("count", &more.to_string())]),
                "history damaged",
                format!("{more} more"),
            ));
        }
        if state.failing.is_some() != self.failing {
            self.failing = state.failing.is_some();
            told.push(match state.failing {
                Some((_, why)) => {
                    let text = filled(&words.history_failing, &[("why", &why.said(all_words))]);
                    (text, "history failing", why.to_string())
                }
                None => (words.history_works.clone(), "history working again", String::new()),
            });
        }
        // One event for each tenfold: a disk that is too slow for hours is told a handful of times.
        if state.dropped > 0 && state.dropped >= self.told_dropped.saturating_mul(10).max(1) {
            self.told_dropped = state.dropped;
            let text = filled(&words.history_lost, &[("count", &state.dropped.to_string())]);
            told.push((text, "history thinned", format!("{} readings dropped", state.dropped)));
        }
        told
    }
}
