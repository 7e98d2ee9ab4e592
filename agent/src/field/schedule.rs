//! Decides which transaction of a link is scanned next.
//!
//! Pure: moments are passed in, in milliseconds since the link started; it knows periods, not devices or protocols. Of
//! the scans that are due, the one whose next scan falls due first goes first, of equals the shorter. A scan that could
//! not be taken before its next one fell due is skipped and counted, never queued: an overloaded line shows fewer
//! scans, not older ones; whoever was skipped goes before the others then, the longest unserved first, so that nobody
//! starves. Scans keep to their grid (start + phase + n · period) and do not drift. Never panics.

pub mod spread;

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use lapwing_engine::spec::Millis;

/// When a transaction is scanned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Timing {
    /// How often, ms; 0 counts as 1.
    pub period_ms: u64,
    /// Offset of its grid inside the period, ms.
    pub phase_ms: u64,
    /// How long the exchange takes, µs: only compared.
    pub cost: u32,
}

/// A scan to take now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Scan {
    /// Index of the transaction, as given to [`Schedule::new`].
    pub index: u32,
    /// When it fell due.
    pub due: Millis,
    /// Scans of this transaction that were skipped since the last one taken.
    pub skipped: u32,
}

/// The scans of one link.
#[derive(Clone, Debug)]
pub struct Schedule {
    start: Millis,
    timings: Vec<Timing>,
    skipped: Vec<u32>,
    /// Not yet due: due, index.
    waiting: BinaryHeap<Reverse<(u64, u32)>>,
    /// Due.
    ready: BinaryHeap<Reverse<Ready>>,
}

/// A scan that is due; the order of the fields is the order of service.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Ready {
    /// 0 if scans of it were skipped since the last one taken, otherwise 1.
    rank: u8,
    /// Of a skipped one: when the first of them fell due. Otherwise when the next scan falls due.
    urgency: u64,
    cost: u32,
    index: u32,
    due: u64,
}

/// A slow transaction is scanned once in its first second, so that a start does not leave it unread for a whole period.
const FIRST_SCAN_WITHIN_MS: u64 = 1000;

impl Schedule {
    /// A schedule that starts now.
    #[must_use]
    pub fn new(start: Millis, timings: Vec<Timing>) -> Self {
        let waiting = timings
            .iter()
            .zip(0u32..)
            .map(|(t, index)| Reverse((start.plus(t.phase_ms % FIRST_SCAN_WITHIN_MS).0, index)))
            .collect();
        Self { start, skipped: vec![0; timings.len()], timings, waiting, ready: BinaryHeap::new() }
    }

    /// The scan to take now, if one is due.
    pub fn take(&mut self, now: Millis) -> Option<Scan> {
        while let Some(&Reverse((due, index))) = self.waiting.peek()
            && due <= now.0
        {
            self.waiting.pop();
            self.ready(index, due);
        }
        loop {
            let Reverse(Ready { rank, urgency, index, due, .. }) = self.ready.pop()?;
            let at = index as usize;
            let deadline = self.after(index, Millis(due)).0;
            if deadline > now.0 {
                self.waiting.push(Reverse((deadline, index)));
                return Some(Scan { index, due: Millis(due), skipped: std::mem::take(&mut self.skipped[at]) });
            }
            // This scan and perhaps some after it can no longer be taken; the newest that is due takes their place.
            let period = self.timings[at].period_ms.max(1);
            let late = (now.0 - deadline) / period;
            self.skipped[at] = self.skipped[at].saturating_add(u32::try_from(late + 1).unwrap_or(u32::MAX));
            let unserved_since = if rank == 0 { urgency } else { due };
            self.ready.push(Reverse(Ready {
                rank: 0,
                urgency: unserved_since,
                cost: self.timings[at].cost,
                index,
                due: deadline + late * period,
            }));
        }
    }

    /// From now on a transaction is scanned with another period, on a grid of the same start.
    pub fn set_period(&mut self, index: usize, period_ms: u64, now: Millis) {
        let (Some(timing), Ok(number)) = (self.timings.get_mut(index), u32::try_from(index)) else { return };
        if timing.period_ms == period_ms {
            return;
        }
        timing.period_ms = period_ms;
        timing.phase_ms %= period_ms.max(1);
        let before = self.waiting.len();
        self.waiting.retain(|Reverse((_, other))| *other != number);
        // One that is due already goes on its new grid when it has been taken.
        if self.waiting.len() < before {
            self.waiting.push(Reverse((self.after(number, now).0, number)));
        }
    }

    /// When the next scan falls due; now or earlier if one is waiting. `None` if there is nothing to scan.
    #[must_use]
    pub fn next_due(&self) -> Option<Millis> {
        let waiting = self.waiting.peek().map(|&Reverse((due, _))| due);
        let ready = self.ready.peek().map(|Reverse(ready)| ready.due);
        waiting.into_iter().chain(ready).min().map(Millis)
    }

    /// When a transaction's next scan falls due after this moment.
    #[must_use]
    pub fn after(&self, index: u32, moment: Millis) -> Millis {
        let timing = self.timings[index as usize];
        let period = timing.period_ms.max(1);
        let first = self.start.plus(timing.phase_ms);
        if moment < first {
            return first;
        }
        first.plus((moment.since(first) / period + 1).saturating_mul(period))
    }

    fn ready(&mut self, index: u32, due: u64) {
        let deadline = self.after(index, Millis(due)).0;
        let cost = self.timings[index as usize].cost;
        self.ready.push(Reverse(Ready { rank: 1, urgency: deadline, cost, index, due }));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn timing(period_ms: u64, phase_ms: u64, cost: u32) -> Timing {
        Timing { period_ms, phase_ms, cost }
    }

    fn taken(schedule: &mut Schedule, now: u64) -> Vec<u32> {
        std::iter::from_fn(|| schedule.take(Millis(now))).map(|s| s.index).collect()
    }

    #[test]
    fn scans_keep_to_their_grid() {
        let mut schedule = Schedule::new(Millis(5), vec![timing(100, 30, 1)]);
        let mut dues = Vec::new();
        let mut now = Millis(5);
        while dues.len() < 4 {
            now = schedule.next_due().expect("one transaction").plus(7); // always a little late
            dues.extend(schedule.take(now).map(|s| s.due.0));
        }
        assert_eq!(dues, [35, 135, 235, 335]);
        assert!(now.0 < 400);
    }

    #[test]
    fn the_earliest_deadline_goes_first_and_the_shorter_of_equals() {
        let timings = vec![timing(1000, 0, 9), timing(200, 0, 9), timing(1000, 0, 1), timing(1000, 0, 5)];
        let mut schedule = Schedule::new(Millis(0), timings);
        assert_eq!(taken(&mut schedule, 0), [1, 2, 3, 0]);
        assert_eq!(schedule.next_due(), Some(Millis(200)));
        assert!(taken(&mut schedule, 199).is_empty());
        assert_eq!(taken(&mut schedule, 200), [1]);
    }

    #[test]
    fn late_scans_are_skipped_and_counted() {
        let mut schedule = Schedule::new(Millis(0), vec![timing(100, 0, 1)]);
        assert_eq!(schedule.take(Millis(0)), Some(Scan { index: 0, due: Millis(0), skipped: 0 }));
        // Due at 100, 200, 300; at 350 only the last can still be taken.
        assert_eq!(schedule.take(Millis(350)), Some(Scan { index: 0, due: Millis(300), skipped: 2 }));
        assert_eq!(schedule.take(Millis(350)), None);
        assert_eq!(schedule.take(Millis(400)), Some(Scan { index: 0, due: Millis(400), skipped: 0 }));
    }

    #[test]
    fn an_overloaded_line_starves_nobody() {
        // Ten exchanges of 30 ms each, due every 100: a third fits.
        let mut schedule = Schedule::new(Millis(0), (0..10).map(|n| timing(100, n * n, 1)).collect());
        let (mut now, mut taken, mut skipped) = (0, [0u32; 10], 0);
        while now < 100_000 {
            let Some(scan) = schedule.take(Millis(now)) else {
                now = schedule.next_due().expect("never empty").0;
                continue;
            };
            taken[scan.index as usize] += 1;
            skipped += scan.skipped;
            now += 30;
        }
        let all: u32 = taken.iter().sum();
        assert!(all >= 3300 && (all + skipped).abs_diff(10_000) <= 40, "{all} taken, {skipped} skipped");
        assert!(taken.iter().all(|&n| n >= 300), "{taken:?}");
    }

    #[test]
    fn a_period_can_change_and_change_back() {
        let mut schedule = Schedule::new(Millis(0), vec![timing(10_000, 3300, 1), timing(500, 0, 1)]);
        assert_eq!(taken(&mut schedule, 300), [1, 0], "once soon after the start");
        schedule.set_period(0, 1000, Millis(1200));
        let mut dues = Vec::new();
        for now in [1300, 2300, 3300] {
            dues.extend(std::iter::from_fn(|| schedule.take(Millis(now))).filter(|s| s.index == 0).map(|s| s.due.0));
        }
        assert_eq!(dues, [1300, 2300, 3300], "each second");
        schedule.set_period(0, 10_000, Millis(3400));
        assert_eq!(schedule.after(0, Millis(3400)), Millis(10_300));
        assert_eq!(schedule.take(Millis(9_999)).map(|s| s.index), Some(1));
        assert_eq!(taken(&mut schedule, 9_999), [] as [u32; 0]);
        assert!(taken(&mut schedule, 10_300).contains(&0));
    }

    #[test]
    fn slow_transactions_are_read_soon_after_the_start() {
        let mut schedule = Schedule::new(Millis(0), vec![timing(60_000, 45_250, 1)]);
        let mut dues = Vec::new();
        for _ in 0..3 {
            let due = schedule.next_due().expect("one transaction");
            dues.extend(schedule.take(due).map(|s| s.due.0));
        }
        assert_eq!(dues, [250, 45_250, 105_250]);
    }
}
