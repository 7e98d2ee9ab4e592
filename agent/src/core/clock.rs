//! The two clocks: a monotonic one that everything is judged by, and the wall that only stamps.
//!
//! Monotonic milliseconds count from the start of the process, which stands at [`START`] so that moments of earlier runs
//! have a place before it. The wall time of a moment is the monotonic moment plus
//! an offset that is looked at once a second: a change of the offset by about a second or more is a step, told as an event,
//! and stamps follow the wall at once while delays, shelves and rates do not notice. So a leap second, where the host's wall
//! shows 23:59:59 twice, is told, and one that is smeared over hours is drift. Whether the wall is synchronised is
//! asked of the kernel (clock_adjtime(2), read-only). Wall times are milliseconds since the Unix epoch, UTC. Never panics.

use std::time::{Instant, SystemTime, UNIX_EPOCH};

use lapwing_engine::spec::Millis;

/// A change of the wall clock worth an event.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WallStep {
    /// How far the wall clock moved against the monotonic one, ms; negative is backwards.
    pub by_ms: i64,
}

/// Where the start of the process stands on the monotonic axis: 34 years of room for what was saved before it.
pub const START: Millis = Millis(1 << 40);

/// A step is told from this size on: a leap second is one whatever the two looks at the clocks add to it.
const STEP_MS: i64 = 900;

/// The process's clocks.
#[derive(Debug)]
pub struct Clock {
    /// The instant that is `START`.
    start: Instant,
    /// Wall time of the axis' zero, as last looked at, ms since the epoch.
    offset_ms: i64,
    /// Whether the kernel says the wall is synchronised.
    synced: bool,
}

impl Clock {
    /// Starts both axes now.
    #[must_use]
    pub fn start() -> Self {
        let start = Instant::now();
        Self { start, offset_ms: offset(wall_ms(), START), synced: kernel_synced() }
    }

    /// Clocks that show `wall_ms` at `at`, for tests.
    #[cfg(test)]
    pub(crate) fn fixed(wall_ms: i64, at: Millis, synced: bool) -> Self {
        Self { start: Instant::now(), offset_ms: offset(wall_ms, at), synced }
    }

    /// The present moment.
    #[must_use]
    pub fn now(&self) -> Millis {
        self.at(Instant::now())
    }

    /// A moment taken elsewhere in the process.
    #[must_use]
    pub fn at(&self, instant: Instant) -> Millis {
        START.plus(u64::try_from(instant.saturating_duration_since(self.start).as_millis()).unwrap_or(u64::MAX))
    }

    /// The instant of a moment, to wait until it.
    #[must_use]
    pub fn instant(&self, at: Millis) -> Instant {
        self.start + std::time::Duration::from_millis(at.since(START))
    }

    /// Wall time of a moment, ms since the epoch.
    #[must_use]
    pub fn wall(&self, at: Millis) -> i64 {
        self.offset_ms.saturating_add(i64::try_from(at.0).unwrap_or(i64::MAX))
    }

    /// The moment of a wall time; the start of the axis for what lies before it.
    #[must_use]
    pub fn moment(&self, wall_ms: i64) -> Millis {
        Millis(u64::try_from(wall_ms.saturating_sub(self.offset_ms)).unwrap_or(0))
    }

    /// Whether the wall is synchronised.
    #[must_use]
    pub const fn synced(&self) -> bool {
        self.synced
    }

    /// Looks at the wall again, once a second: small drift is followed silently, a step is returned.
    pub fn look(&mut self) -> Option<WallStep> {
        self.synced = kernel_synced();
        self.follow(wall_ms(), self.now())
    }

    fn follow(&mut self, wall_ms: i64, now: Millis) -> Option<WallStep> {
        let offset_ms = offset(wall_ms, now);
        let by_ms = offset_ms.saturating_sub(self.offset_ms);
        self.offset_ms = offset_ms;
        (by_ms.abs() >= STEP_MS).then_some(WallStep { by_ms })
    }
}

/// RFC 3339 with milliseconds, UTC. Times no calendar holds are written as the epoch.
#[must_use]
pub fn rfc3339(wall_ms: i64) -> String {
    let stamp = jiff::Timestamp::from_millisecond(wall_ms).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    format!("{stamp:.3}")
}

fn offset(wall_ms: i64, at: Millis) -> i64 {
    wall_ms.saturating_sub(i64::try_from(at.0).unwrap_or(i64::MAX))
}

fn wall_ms() -> i64 {
    let signed = |d: std::time::Duration| i64::try_from(d.as_millis()).unwrap_or(i64::MAX);
    match SystemTime::now().duration_since(UNIX_EPOCH) {
        Ok(after) => signed(after),
        Err(before) => -signed(before.duration()),
    }
}

/// Asks the kernel, changing nothing: `modes` 0 only reads.
#[allow(unsafe_code)] // no safe crate offers the read-only call; one zeroed struct, one call, no pointer kept
fn kernel_synced() -> bool {
    // SAFETY: `timex` is plain data for which all zeroes is valid; the kernel writes only inside it.
    let (answer, status) = unsafe {
        let mut timex: libc::timex = std::mem::zeroed();
        (libc::adjtimex(&raw mut timex), timex.status)
    };
    answer >= 0 && answer != libc::TIME_ERROR && status & libc::STA_UNSYNC == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clock() -> Clock {
        Clock { start: Instant::now(), offset_ms: 1_000_000, synced: true }
    }

    #[test]
    fn a_step_is_told_once_and_stamps_follow() {
        let mut clock = clock();
        assert_eq!(clock.follow(1_000_500, Millis(500)), None);
        assert_eq!(clock.follow(4_601_000, Millis(1000)), Some(WallStep { by_ms: 3_600_000 }));
        assert_eq!(clock.follow(4_602_000, Millis(2000)), None);
        assert_eq!(clock.wall(Millis(2000)), 4_602_000);
    }

    #[test]
    fn drift_is_followed_silently() {
        let mut clock = clock();
        for second in 1..=1000_u64 {
            let wall = 1_000_000 + i64::try_from(second * 1001).expect("small");
            assert_eq!(clock.follow(wall, Millis(second * 1000)), None);
        }
        assert_eq!(clock.wall(Millis(1_000_000)), 2_001_000);
    }

    /// 2016-12-31T23:59:59Z, one second before the leap second of that day (IERS Bulletin C 52).
    const BEFORE_LEAP_MS: i64 = 1_483_228_799_000;

    #[test]
    fn a_leap_second_is_told_once_however_the_looks_fall() {
        // POSIX time has no 23:59:60: the kernel shows 23:59:59 twice. A look may be a millisecond early or late.
        for (early, late) in [(0, 0), (1, 0), (0, 1), (-1, 1), (1, -1)] {
            let at = |second: u64| Millis(1_000_000 + second * 1000);
            let mut clock = Clock::fixed(BEFORE_LEAP_MS, at(0), true);
            let steps: Vec<_> = (1..10_u64)
                .filter_map(|second| {
                    let shown = second.cast_signed() - i64::from(second >= 2);
                    let jitter = if second.is_multiple_of(2) { early } else { late };
                    clock.follow(BEFORE_LEAP_MS + shown * 1000 + jitter, at(second))
                })
                .collect();
            assert_eq!(steps.len(), 1, "{steps:?}");
            assert!((-1002..=-998).contains(&steps[0].by_ms), "{steps:?}");
            // Moments, which everything is judged by, go on: ten are ten seconds apart.
            assert_eq!(at(9).since(at(0)), 9000);
            assert!((clock.wall(at(9)) - (BEFORE_LEAP_MS + 8000)).abs() <= 1);
        }
    }

    #[test]
    fn a_smeared_leap_second_is_drift() {
        // Linear over 24 hours, noon to noon, as public time services do it (common practice).
        let mut clock = Clock::fixed(BEFORE_LEAP_MS, Millis(0), true);
        for second in 1..=86_400_u64 {
            let (ms, smeared) =
                (i64::try_from(second * 1000).expect("small"), i64::try_from(second / 86).expect("small"));
            assert_eq!(clock.follow(BEFORE_LEAP_MS + ms - smeared.min(1000), Millis(second * 1000)), None);
        }
        assert_eq!(clock.wall(Millis(86_400_000)), BEFORE_LEAP_MS + 86_400_000 - 1000);
    }

    #[test]
    fn stamps_are_rfc_3339() {
        assert_eq!(rfc3339(482_196_050_520), "1985-04-12T23:20:50.520Z"); // RFC 3339 §5.8
        assert_eq!(rfc3339(i64::MAX), "1970-01-01T00:00:00.000Z");
    }
}
