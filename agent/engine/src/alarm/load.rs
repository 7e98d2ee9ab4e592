//! How much the alarm system asks of people: announcements by time, floods, alarms that chatter or are fleeting.
//!
//! A flood begins with more than ten announcements within ten minutes and ends when fewer than five remain in the last
//! ten (ISA-18.2 clause 16 and EEMUA 191, from memory; a sliding window is taken, where the standard's example counts in
//! fixed bins). An alarm chatters that is raised three times within a minute; it is fleeting when it is gone within
//! five seconds, before anybody could act (convention of the trade, no source for the seconds). Times are the caller's
//! monotonic milliseconds; everything has a fixed size. Never panics; counters saturate.

use crate::spec::Millis;

/// More announcements than this within the window begin a flood.
pub const FLOOD_ABOVE: usize = 10;
/// Fewer than this within the window end it.
pub const FLOOD_ENDS_BELOW: usize = 5;
/// Window of a flood, ms.
pub const FLOOD_WINDOW_MS: u64 = 600_000;
/// This many raises within [`CHATTER_MS`] are chattering.
pub const CHATTER: usize = 3;
/// See [`CHATTER`].
pub const CHATTER_MS: u64 = 60_000;
/// Gone within this time, an alarm was fleeting, ms.
pub const FLEETING_MS: u64 = 5_000;
/// Longer active than this, an alarm is stale, ms.
pub const STALE_MS: u64 = 86_400_000;

const MINUTES: usize = 1440;

/// A flood has begun or ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FloodChange {
    /// It has begun.
    Begun,
    /// It is over; it lasted so long.
    Ended {
        /// ms.
        lasted_ms: u64,
    },
}

/// Announcements of one agent.
#[derive(Clone, Debug)]
pub struct Load {
    /// The last ones, a ring; `next` is the oldest.
    last: [Millis; FLOOD_ABOVE + 1],
    next: usize,
    /// By minute of the last day, and the minute that `bins[minute % MINUTES]` counts.
    bins: [u16; MINUTES],
    minute: u64,
    flood_since: Option<Millis>,
    flood_ms: u64,
    total: u64,
    most_in_window: u32,
}

impl Default for Load {
    fn default() -> Self {
        Self {
            last: [Millis::NEVER; FLOOD_ABOVE + 1],
            next: 0,
            bins: [0; MINUTES],
            minute: 0,
            flood_since: None,
            flood_ms: 0,
            total: 0,
            most_in_window: 0,
        }
    }
}

impl Load {
    /// People were told of an alarm.
    pub fn announced(&mut self, at: Millis) -> Option<FloodChange> {
        self.turn(at);
        self.last[self.next] = at;
        self.next = (self.next + 1) % self.last.len();
        let bin = &mut self.bins[usize::try_from(self.minute % MINUTES as u64).unwrap_or(0)];
        *bin = bin.saturating_add(1);
        self.total = self.total.saturating_add(1);
        self.most_in_window = self.most_in_window.max(self.within_minutes(10));
        self.look(at)
    }

    /// Looks whether a flood has begun or ended; call it now and then.
    pub fn look(&mut self, now: Millis) -> Option<FloodChange> {
        self.turn(now);
        // More times than the ring holds are more than begin a flood.
        let recent = self.last.iter().filter(|at| **at != Millis::NEVER && now.since(**at) < FLOOD_WINDOW_MS).count();
        match self.flood_since {
            None if recent > FLOOD_ABOVE => {
                self.flood_since = Some(now);
                Some(FloodChange::Begun)
            }
            Some(since) if recent < FLOOD_ENDS_BELOW => {
                let lasted_ms = now.since(since);
                self.flood_since = None;
                self.flood_ms = self.flood_ms.saturating_add(lasted_ms);
                Some(FloodChange::Ended { lasted_ms })
            }
            None | Some(_) => None,
        }
    }

    /// Announcements of the last minutes, at most a day; whole minutes and the present one.
    #[must_use]
    pub fn within_minutes(&self, minutes: u64) -> u32 {
        let first = self.minute.saturating_sub(minutes.clamp(1, MINUTES as u64) - 1);
        (first..=self.minute)
            .map(|minute| u32::from(self.bins[usize::try_from(minute % MINUTES as u64).unwrap_or(0)]))
            .fold(0, u32::saturating_add)
    }

    /// Whether a flood is on.
    #[must_use]
    pub const fn is_flood(&self) -> bool {
        self.flood_since.is_some()
    }

    /// Time spent in floods, ms, the present one included.
    #[must_use]
    pub fn flood_ms(&self, now: Millis) -> u64 {
        self.flood_ms.saturating_add(self.flood_since.map_or(0, |since| now.since(since)))
    }

    /// All announcements.
    #[must_use]
    pub const fn total(&self) -> u64 {
        self.total
    }

    /// Most announcements in any ten minutes.
    #[must_use]
    pub const fn most_in_ten_minutes(&self) -> u32 {
        self.most_in_window
    }

    /// Goes on to the minute of a moment and empties those between.
    fn turn(&mut self, now: Millis) {
        let minute = now.0 / 60_000;
        if minute <= self.minute {
            return;
        }
        let passed = (minute - self.minute).min(MINUTES as u64);
        for gone in (minute - passed + 1)..=minute {
            self.bins[usize::try_from(gone % MINUTES as u64).unwrap_or(0)] = 0;
        }
        self.minute = minute;
    }
}

/// How one alarm behaves.
#[derive(Clone, Copy, Debug)]
pub struct Conduct {
    raises: [Millis; CHATTER],
    /// It chattered at its last raise.
    chattering: bool,
    fleeting: u32,
    chattered: u32,
}

impl Default for Conduct {
    fn default() -> Self {
        Self { raises: [Millis::NEVER; CHATTER], chattering: false, fleeting: 0, chattered: 0 }
    }
}

impl Conduct {
    /// It was raised; `true` when it chatters and did not a raise ago.
    pub fn raised(&mut self, at: Millis) -> bool {
        self.raises.rotate_left(1);
        self.raises[CHATTER - 1] = at;
        let begins = self.chatters(at) && !self.chattering;
        self.chattering = self.chatters(at);
        self.chattered = self.chattered.saturating_add(u32::from(begins));
        begins
    }

    /// It has cleared; `true` when it was fleeting.
    pub fn cleared(&mut self, raised_at: Millis, at: Millis) -> bool {
        let fleeting = at.since(raised_at) < FLEETING_MS;
        self.fleeting = self.fleeting.saturating_add(u32::from(fleeting));
        fleeting
    }

    /// Whether it chatters: as many raises as that within the time that ends now.
    #[must_use]
    pub fn chatters(&self, now: Millis) -> bool {
        self.raises.iter().all(|at| *at != Millis::NEVER && now.since(*at) <= CHATTER_MS)
    }

    /// How often it was fleeting.
    #[must_use]
    pub const fn fleeting(&self) -> u32 {
        self.fleeting
    }

    /// How often it began to chatter.
    #[must_use]
    pub const fn chattered(&self) -> u32 {
        self.chattered
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MINUTE: u64 = 60_000;

    #[test]
    fn a_flood_begins_with_the_eleventh_and_ends_below_five() {
        let mut load = Load::default();
        for n in 0..10_u64 {
            assert_eq!(load.announced(Millis(MINUTE + n * 1000)), None, "{n}");
        }
        assert_eq!(load.announced(Millis(MINUTE + 10_000)), Some(FloodChange::Begun));
        assert!(load.is_flood());
        assert_eq!(load.announced(Millis(MINUTE + 11_000)), None, "it is on");
        // The last eleven are those of second 1 to 11; at ten minutes after second 7 the last four remain.
        assert_eq!(load.look(Millis(MINUTE + 606_999)), None);
        let ended = FloodChange::Ended { lasted_ms: 597_000 };
        assert_eq!(load.look(Millis(MINUTE + 607_000)), Some(ended));
        assert_eq!((load.flood_ms(Millis(u64::MAX - 1)), load.total(), load.most_in_ten_minutes()), (597_000, 12, 12));
    }

    #[test]
    fn ten_in_ten_minutes_are_no_flood() {
        let mut load = Load::default();
        for n in 0..100_u64 {
            assert_eq!(load.announced(Millis(n * MINUTE)), None, "{n}");
        }
        assert_eq!([load.within_minutes(10), load.within_minutes(60), load.within_minutes(1440)], [10, 60, 100]);
        assert_eq!(load.look(Millis(200 * MINUTE)), None);
        assert_eq!([load.within_minutes(10), load.within_minutes(1440)], [0, 100]);
        assert_eq!(load.look(Millis(5000 * MINUTE)), None);
        assert_eq!(load.within_minutes(1440), 0);
    }

    #[test]
    fn time_that_stands_or_goes_back_changes_no_count() {
        let mut load = Load::default();
        load.announced(Millis(10 * MINUTE));
        load.announced(Millis(3 * MINUTE));
        assert_eq!(load.within_minutes(1), 2);
    }

    #[test]
    fn three_raises_in_a_minute_are_chattering_once() {
        let mut conduct = Conduct::default();
        let raised: [bool; 5] = [0, 20_000, 60_000, 70_000, 400_000].map(|at| conduct.raised(Millis(at)));
        assert_eq!(raised, [false, false, true, false, false]);
        assert!(!conduct.chatters(Millis(400_001)));
        assert!(conduct.cleared(Millis(0), Millis(4_999)) && !conduct.cleared(Millis(0), Millis(5_000)));
        assert_eq!((conduct.fleeting(), conduct.chattered()), (1, 1));
    }
}
