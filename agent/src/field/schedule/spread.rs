//! When the scans of one link begin inside their periods, so that the line is asked for one thing at a time.
//!
//! The time of a link is a ring as long as its periods take to come round (at most a minute), cut into slices. Fast scans
//! are laid first, of equals the longer; each where it and its repetitions meet the least of what lies there already,
//! the earliest of such places. Each is laid with as much room around it as the line has idle time to give, so that a
//! slow answer does not push the next one. Pure; never panics.

use std::cmp::Reverse;
use std::time::Duration;

const SLICE_MS: u64 = 5;
const RING_MS: u64 = 60_000;
/// Room around a scan at most, as a multiple of its own time.
const ROOM: f64 = 20.0;

/// The first begin of each scan, given its period and the line time it takes; each is less than the period.
#[must_use]
pub fn spread(scans: &[(Duration, Duration)]) -> Vec<Duration> {
    let used: f64 = scans.iter().map(|(period, cost)| cost.as_secs_f64() / period.as_secs_f64().max(1e-3)).sum();
    let room = (0.9 / used.max(1e-6)).clamp(1.0, ROOM);
    match lay(scans, room) {
        // Slices are coarse: where all with their room does not fit, it may without.
        (_, meets) if meets > 0 && room > 1.0 => lay(scans, 1.0).0,
        (phases, _) => phases,
    }
}

/// Lays the scans, each with so many times its time; phases, and how much lies on top of something else.
fn lay(scans: &[(Duration, Duration)], room: f64) -> (Vec<Duration>, u64) {
    let period_ms = |at: usize| u64::try_from(scans[at].0.as_millis()).unwrap_or(u64::MAX).max(1);
    let mut order: Vec<usize> = (0..scans.len()).collect();
    order.sort_by_key(|&at| (scans[at].0, Reverse(scans[at].1), at));
    let ring_ms = (0..scans.len()).fold(SLICE_MS, |ring, at| least_common(ring, period_ms(at)).min(RING_MS));
    let slices = usize::try_from(ring_ms / SLICE_MS).unwrap_or(1).max(1);
    let (mut load, mut phases, mut on_top) = (vec![0_u64; slices], vec![Duration::ZERO; scans.len()], 0);
    for at in order {
        let period = period_ms(at);
        let step = usize::try_from(period / SLICE_MS).unwrap_or(usize::MAX).clamp(1, slices);
        let times = slices / step;
        let ms = scans[at].1.mul_f64(room).as_micros().div_ceil(1000);
        let length = usize::try_from(ms.div_ceil(u128::from(SLICE_MS))).unwrap_or(usize::MAX).clamp(1, step);
        let sums = sums(&load);
        let meets = |first: usize| -> u64 {
            (0..times).map(|n| within(&sums, slices, (first + n * step) % slices, length)).sum()
        };
        let (met, first) = (0..step).map(|first| (meets(first), first)).min().unwrap_or_default();
        on_top += met;
        for n in 0..times {
            for slice in 0..length {
                load[(first + n * step + slice) % slices] += 1;
            }
        }
        phases[at] = Duration::from_millis((first as u64 * SLICE_MS) % period);
    }
    (phases, on_top)
}

fn sums(load: &[u64]) -> Vec<u64> {
    let mut sum = 0;
    let running = load.iter().map(|slice| {
        sum += slice;
        sum
    });
    std::iter::once(0).chain(running).collect()
}

/// The load of `length` slices of the ring from `from` on.
fn within(sums: &[u64], slices: usize, from: usize, length: usize) -> u64 {
    let end = from + length;
    if end <= slices { sums[end] - sums[from] } else { sums[slices] - sums[from] + sums[end - slices] }
}

const fn least_common(a: u64, b: u64) -> u64 {
    let (mut x, mut y) = (a, b);
    while y > 0 {
        (x, y) = (y, x % y);
    }
    (a / x).saturating_mul(b)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ms(list: &[(u64, u64)]) -> Vec<(Duration, Duration)> {
        list.iter().map(|(period, cost)| (Duration::from_millis(*period), Duration::from_millis(*cost))).collect()
    }

    /// The most scans that are on the line at one millisecond of the first minute, each in its own time only.
    fn crowd(scans: &[(Duration, Duration)], phases: &[Duration]) -> u32 {
        let mut on = vec![0; 60_000];
        for ((period, cost), phase) in scans.iter().zip(phases) {
            let mut at = *phase;
            while at + *cost <= Duration::from_secs(60) {
                let from = at.as_millis() as usize;
                on[from..from + cost.as_millis() as usize].iter_mut().for_each(|slice| *slice += 1);
                at += *period;
            }
        }
        on.into_iter().max().unwrap_or(0)
    }

    #[test]
    fn what_fits_one_by_one_is_laid_one_by_one() {
        let fans: Vec<(u64, u64)> = std::iter::repeat_n((500, 30), 14).chain([(10_000, 30); 2]).collect();
        let scans = ms(&fans);
        let phases = spread(&scans);
        assert!(scans.iter().zip(&phases).all(|((period, _), phase)| phase < period));
        assert_eq!(crowd(&scans, &phases), 1, "{phases:?}");
        assert_eq!(crowd(&scans, &[Duration::ZERO; 16]), 16);
    }

    #[test]
    fn odd_periods_and_overload_are_laid_all_the_same() {
        for list in [&[(7, 1), (11, 2), (13, 3), (90_000, 500)][..], &[(10, 9), (10, 9)], &[(1, 5)], &[]] {
            let scans = ms(list);
            let phases = spread(&scans);
            assert_eq!(phases.len(), scans.len());
            assert!(scans.iter().zip(&phases).all(|((period, _), phase)| phase < period), "{phases:?}");
        }
    }

    #[test]
    fn an_idle_line_leaves_room_between_its_scans() {
        let phases = spread(&ms(&[(1000, 10), (1000, 10), (1000, 10), (1000, 10)]));
        let mut sorted = phases.clone();
        sorted.sort_unstable();
        assert!(sorted.windows(2).all(|two| two[1] - two[0] >= Duration::from_millis(150)), "{phases:?}");
    }
}
