//! Tells from sysUpTime that an SNMP agent has restarted (RFC 3418: `sysUpTime`, hundredths of a second, wraps at 2^32).
//!
//! An agent has restarted if its up-time went back, or if it says that it began after it was last heard: a restart is
//! then seen even when it was silent for longer than it is up. The wrap after 497 days is none. Pure: moments are passed
//! in. Never panics.

use std::time::{Duration, Instant};

/// An agent's clock and ours may differ by so much, and by one part in a hundred.
const SLACK: Duration = Duration::from_secs(5);
/// So near the wrap a lower value is the wrap.
const NEAR_WRAP_CS: u64 = 60_000;

/// What is known of one agent's up-time.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct UpTime(Option<(u32, Instant)>);

impl UpTime {
    /// When it was last heard.
    pub(super) fn heard(&self) -> Option<Instant> {
        self.0.map(|(_, at)| at)
    }

    /// Takes an up-time read at `at`; true if the agent has restarted since the one before.
    pub(super) fn take(&mut self, ticks: u32, at: Instant) -> bool {
        let before = self.0.replace((ticks, at));
        let Some((last, then)) = before else { return false };
        let passed = at.saturating_duration_since(then);
        let expected = u64::from(last).saturating_add(u64::try_from(passed.as_millis() / 10).unwrap_or(u64::MAX));
        if expected + NEAR_WRAP_CS > u64::from(u32::MAX) {
            return false;
        }
        let began_since = passed > Duration::from_millis(u64::from(ticks) * 10) + SLACK + passed / 100;
        ticks < last || began_since
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(first: u32, seconds: u64, then: u32) -> bool {
        let begin = Instant::now();
        let mut time = UpTime::default();
        assert!(!time.take(first, begin));
        time.take(then, begin + Duration::from_secs(seconds))
    }

    #[test]
    fn going_back_and_beginning_later_are_restarts() {
        assert!(after(100_000, 1, 50));
        assert!(after(100, 3600, 60_000), "silent for an hour, up for ten minutes");
        assert!(after(100_000, 3600, 3000));
    }

    #[test]
    fn running_on_and_wrapping_are_none() {
        assert!(!after(100_000, 10, 101_000));
        assert!(!after(100_000, 10, 100_000), "a card that refreshes its up-time slowly");
        assert!(!after(100_000, 10, 101_200), "its clock runs fast");
        assert!(!after(u32::MAX - 100, 10, 899));
        assert!(!after(0, 0, 0));
        assert!(!after(3_000, 86_400, 3_000 + 8_560_000), "a clock one part in a hundred slow");
    }
}
