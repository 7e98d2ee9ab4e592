//! The history's axis and what the wall clock showed along it.
//!
//! The axis is milliseconds that never go back, over restarts too: it begins at the wall time of the first start, runs
//! with the monotonic clock, and at a later start goes on after its end, forward to the wall where that can be believed.
//! The wall may stand elsewhere: a table says how far, from which moment on, and whether the clock was synchronised. A
//! clock that was wrong and is set right corrects its own start: until then the readings are placed by the first
//! synchronised offset that follows in the same start. Its file is `table`. Times in milliseconds. Never panics.

mod table;

pub(super) use table::{FILE_NAME, Table, load};

/// An unsynchronised wall is believed to have gone on by at most this much while the agent was off: 30 days.
const OFF_MAX_MS: i64 = 30 * 86_400_000;

/// From one moment on, where the wall stood.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Noted {
    /// Axis moment.
    pub at: i64,
    /// Wall minus axis.
    pub offset: i64,
    /// Whether the wall was synchronised.
    pub synced: bool,
    /// Number of the agent's start.
    pub start: u64,
}

/// Where a new start stands on the axis.
#[must_use]
pub(super) fn begin(newest: Option<i64>, wall_ms: i64, synced: bool) -> i64 {
    let Some(newest) = newest else { return wall_ms.max(0) };
    let next = newest.saturating_add(1);
    let believed = synced || wall_ms.saturating_sub(newest) < OFF_MAX_MS;
    if believed { wall_ms.max(next) } else { next }
}

/// Maps axis to wall.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Wall {
    /// By moment; each holds until the next. Corrected.
    noted: Vec<Noted>,
}

impl Wall {
    /// From what was noted, in any order.
    #[must_use]
    pub fn new(mut noted: Vec<Noted>) -> Self {
        noted.sort_by_key(|noted| noted.at);
        let mut right: Option<Noted> = None;
        for noted in noted.iter_mut().rev() {
            match right {
                Some(later) if later.start == noted.start && !noted.synced => noted.offset = later.offset,
                _ => {}
            }
            if noted.synced {
                right = Some(*noted);
            }
        }
        Self { noted }
    }

    /// Wall time of a moment; the moment itself where nothing is noted.
    #[must_use]
    pub fn t(&self, at: i64) -> i64 {
        let place = self.noted.partition_point(|noted| noted.at <= at);
        let noted = self.noted.get(place.saturating_sub(1));
        at.saturating_add(noted.map_or(0, |noted| noted.offset))
    }

    /// Axis ranges, both ends included, whose wall time lies between `from` and `to`, both included.
    #[must_use]
    pub fn ranges(&self, from: i64, to: i64) -> Vec<(i64, i64)> {
        if self.noted.is_empty() {
            return vec![(from, to)];
        }
        let mut ranges: Vec<(i64, i64)> = Vec::new();
        for (place, noted) in self.noted.iter().enumerate() {
            let begin = if place == 0 { i64::MIN } else { noted.at };
            let end = self.noted.get(place + 1).map_or(i64::MAX, |next| next.at - 1);
            let first = begin.max(from.saturating_sub(noted.offset));
            let last = end.min(to.saturating_sub(noted.offset));
            if first > last {
                continue;
            }
            match ranges.last_mut() {
                Some(before) if before.1.saturating_add(1) >= first => before.1 = last.max(before.1),
                _ => ranges.push((first, last)),
            }
        }
        ranges
    }

    /// When the wall last jumped by more than `by_ms` within a start, as axis moment.
    #[must_use]
    pub fn last_jump(&self, by_ms: i64) -> Option<i64> {
        self.noted
            .windows(2)
            .filter(|pair| pair[0].start == pair[1].start)
            .filter(|pair| pair[1].offset.abs_diff(pair[0].offset) > by_ms.unsigned_abs())
            .map(|pair| pair[1].at)
            .next_back()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noted(at: i64, offset: i64, synced: bool, start: u64) -> Noted {
        Noted { at, offset, synced, start }
    }

    #[test]
    fn the_axis_never_goes_back_and_follows_a_wall_that_can_be_believed() {
        let day = 86_400_000;
        assert_eq!(begin(None, 1_790_000_000_000, true), 1_790_000_000_000);
        assert_eq!(begin(None, -5, false), 0, "a clock before 1970");
        assert_eq!(begin(Some(100 * day), 101 * day, true), 101 * day);
        assert_eq!(begin(Some(100 * day), 99 * day, true), 100 * day + 1, "the wall was set back");
        assert_eq!(begin(Some(100 * day), 0, false), 100 * day + 1, "no clock at start");
        assert_eq!(begin(Some(100 * day), 47_000 * day, false), 100 * day + 1, "a jump to 2099");
        assert_eq!(begin(Some(100 * day), 102 * day, false), 102 * day, "two days off on the board's own clock");
    }

    #[test]
    fn a_clock_set_right_corrects_its_own_start_and_no_other() {
        let wall = Wall::new(vec![
            noted(0, -7, true, 1),
            noted(1000, -999_000, false, 2),
            noted(5000, 250, true, 2),
            noted(9000, -50, false, 3),
        ]);
        assert_eq!(wall.t(500), 493);
        assert_eq!(wall.t(1200), 1450, "corrected by what the clock showed later");
        assert_eq!(wall.t(6000), 6250);
        assert_eq!(wall.t(9500), 9450, "never set right: as it was");
    }

    #[test]
    fn the_second_a_leap_second_repeats_is_found_whole() {
        let leap = 1_483_228_800_000; // 2017-01-01T00:00:00Z
        let wall = Wall::new(vec![noted(0, 0, true, 1), noted(leap, -1000, true, 1)]);
        // A reading each 100 ms of the axis, three seconds of it: none is left out, none comes twice.
        let inside = |(from, to): (i64, i64)| -> Vec<i64> {
            let ranges = wall.ranges(from, to);
            let of = |at: &i64| ranges.iter().any(|(first, last)| (*first..=*last).contains(at));
            (leap - 1000..leap + 2000).step_by(100).filter(of).collect()
        };
        assert_eq!(inside((leap - 1000, leap - 1)).len(), 20, "23:59:59, twice");
        assert_eq!(inside((leap, leap + 999)).len(), 10);
        assert_eq!(inside((leap - 1000, leap + 999)).len(), 30);
        assert_eq!(wall.last_jump(3_600_000), None, "no reason to pause removal by age");
    }

    #[test]
    fn ranges_are_the_inverse_also_where_the_wall_ran_twice() {
        // Set back by an hour at 10 000.
        let wall = Wall::new(vec![noted(0, 0, true, 1), noted(10_000, -5000, true, 1)]);
        let ranges = wall.ranges(6000, 9000);
        assert_eq!(ranges, [(6000, 9000), (11_000, 14_000)]);
        for at in -100..20_000 {
            let inside = ranges.iter().any(|(first, last)| (*first..=*last).contains(&at));
            assert_eq!(inside, (6000..=9000).contains(&wall.t(at)), "at {at}");
        }
        assert_eq!(wall.last_jump(3000), Some(10_000));
        assert_eq!(wall.last_jump(5000), None);
        assert_eq!(Wall::default().ranges(1, 2), [(1, 2)]);
    }
}
