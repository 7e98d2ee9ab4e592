//! Energies of a moving period of whole days, summed from powers as they are read, with the time that was not read.
//!
//! ISO/IEC 30134-2 wants the energies of the same twelve months. Days of 24 h are counted from the first reading, not by a
//! calendar; the sums are those of so many whole days and of the day that is not over yet, so that they never span less
//! than the period once it has passed, and at most a day more. A day that leaves takes its energy and its gaps with it;
//! what stays is added up anew each day, so that nothing drifts. A year takes 366 days. Powers kW go straight between two
//! readings, energies kWh, times ms on a clock that does not go back. Never panics.

use super::efficiency::ppue;
use super::{NoNumber, not_negative};

/// A day, ms.
pub const DAY_MS: u32 = 86_400_000;
/// Longest period, days: a leap year.
pub const LONGEST_DAYS: u16 = 366;

/// Numbers a day is kept as.
const NUMBERS: usize = 4;
/// The days of the longest period and the one that is not over.
const KEPT: usize = LONGEST_DAYS as usize + 1;

/// Energies of some time.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sums {
    /// IT energy, kWh.
    pub it_kwh: f64,
    /// Energy of the rest, kWh.
    pub other_kwh: f64,
    /// Time in the sums, ms.
    pub covered_ms: u64,
    /// Time that is not, because nothing was read for longer than allowed, ms.
    pub missed_ms: u64,
}

impl Sums {
    /// Partial PUE: (IT + the rest)/IT.
    ///
    /// # Errors
    /// `Undefined` without IT energy.
    pub fn ppue(&self) -> Result<f64, NoNumber> {
        ppue(self.it_kwh, self.other_kwh)
    }

    /// Share of the time that is not in the sums, 0…1.
    #[must_use]
    #[allow(clippy::cast_precision_loss)] // a share needs no exactness
    pub fn gap_share(&self) -> f64 {
        let whole = self.span_ms();
        if whole == 0 { 0.0 } else { self.missed_ms as f64 / whole as f64 }
    }

    /// Time they span, read or not, ms.
    #[must_use]
    pub const fn span_ms(&self) -> u64 {
        self.covered_ms.saturating_add(self.missed_ms)
    }

    fn add(&mut self, other: &Self) {
        self.it_kwh += other.it_kwh;
        self.other_kwh += other.other_kwh;
        self.covered_ms = self.covered_ms.saturating_add(other.covered_ms);
        self.missed_ms = self.missed_ms.saturating_add(other.missed_ms);
    }
}

/// The moving period.
#[derive(Clone, Debug)]
pub struct EnergyPeriod {
    /// A ring; `open` is the day that is not over, the `closed` before it are whole.
    days: [Sums; KEPT],
    open: usize,
    closed: usize,
    /// Of the last `whole.0` closed days; added up anew when a day closes or another period is asked for.
    whole: (u16, Sums),
    last: Option<(u64, f64, f64)>,
}

impl Default for EnergyPeriod {
    fn default() -> Self {
        Self { days: [Sums::default(); KEPT], open: 0, closed: 0, whole: (0, Sums::default()), last: None }
    }
}

impl EnergyPeriod {
    /// Takes the powers at a time. A gap longer than `longest_gap_ms` is not bridged. A time that is not later is left out.
    ///
    /// # Errors
    /// `DomainError` for negative powers; the sums are as before.
    pub fn push(&mut self, at_ms: u64, it_kw: f64, other_kw: f64, longest_gap_ms: u64) -> Result<(), NoNumber> {
        let (it, other) = (not_negative("it_kw", it_kw)?, not_negative("other_kw", other_kw)?);
        if let Some((before_ms, it_before, other_before)) = self.last {
            if at_ms <= before_ms {
                return Ok(());
            }
            let step_ms = at_ms - before_ms;
            if step_ms <= longest_gap_ms {
                self.read(step_ms, (it_before, it), (other_before, other));
            } else {
                self.missed(step_ms);
            }
        }
        self.last = Some((at_ms, it, other));
        Ok(())
    }

    /// Time passed of which nothing is known.
    pub fn missed(&mut self, step_ms: u64) {
        // What is longer than everything that is kept leaves the same behind.
        let most = KEPT as u64 * u64::from(DAY_MS);
        let mut left = if step_ms > most { most + step_ms % u64::from(DAY_MS) } else { step_ms };
        while left > 0 {
            let part = left.min(self.room_ms());
            self.days[self.open].missed_ms += part;
            left -= part;
            self.close_if_over();
        }
    }

    /// Sums of the last so many whole days (1 to [`LONGEST_DAYS`]) and of the day that is not over.
    pub fn sums(&mut self, days: u16) -> Sums {
        if self.whole.0 != days {
            self.add_up(days);
        }
        let mut sums = self.whole.1;
        sums.add(&self.days[self.open]);
        sums
    }

    /// What must be kept over a restart: by day, the oldest first, IT and other energy, time read and not read.
    pub fn numbers(&self) -> impl Iterator<Item = f64> {
        #[allow(clippy::cast_precision_loss)] // a day in ms
        (0..=self.closed).rev().flat_map(|back| {
            let day = &self.days[self.back(back)];
            [day.it_kwh, day.other_kwh, day.covered_ms as f64, day.missed_ms as f64]
        })
    }

    /// From what was kept; `None` if it is not that.
    #[must_use]
    pub fn from_numbers(numbers: &[f64]) -> Option<Self> {
        let (days, rest) = numbers.as_chunks::<NUMBERS>();
        if !rest.is_empty() || days.is_empty() || days.len() > KEPT {
            return None;
        }
        let mut all = Self::default();
        for (at, [it_kwh, other_kwh, covered, missed]) in days.iter().copied().enumerate() {
            let energy = |kwh: f64| (0.0..=1e12).contains(&kwh);
            let time = |ms: f64| (0.0..=f64::from(DAY_MS)).contains(&ms);
            if !(energy(it_kwh) && energy(other_kwh) && time(covered) && time(missed)) {
                return None;
            }
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // checked: a day
            let day = Sums { it_kwh, other_kwh, covered_ms: covered as u64, missed_ms: missed as u64 };
            // Only the last day is not over.
            let is_last = at + 1 == days.len();
            if day.span_ms() > u64::from(DAY_MS) || (day.span_ms() == u64::from(DAY_MS)) == is_last {
                return None;
            }
            all.days[at] = day;
        }
        (all.open, all.closed) = (days.len() - 1, days.len() - 1);
        Some(all)
    }

    #[allow(clippy::cast_precision_loss)] // a step is no longer than a gap
    fn read(&mut self, step_ms: u64, it: (f64, f64), other: (f64, f64)) {
        let mut done = 0;
        while done < step_ms {
            let part = (step_ms - done).min(self.room_ms());
            let middle = (done as f64 + 0.5 * part as f64) / step_ms as f64;
            let hours = part as f64 / 3_600_000.0;
            let day = &mut self.days[self.open];
            day.it_kwh += (it.0 + (it.1 - it.0) * middle) * hours;
            day.other_kwh += (other.0 + (other.1 - other.0) * middle) * hours;
            day.covered_ms += part;
            done += part;
            self.close_if_over();
        }
    }

    /// What lacks of the open day; never nothing.
    const fn room_ms(&self) -> u64 {
        (DAY_MS as u64).saturating_sub(self.days[self.open].span_ms())
    }

    fn close_if_over(&mut self) {
        if self.room_ms() > 0 {
            return;
        }
        self.open = (self.open + 1) % KEPT;
        self.closed = (self.closed + 1).min(KEPT - 1);
        self.days[self.open] = Sums::default();
        self.add_up(self.whole.0);
    }

    fn add_up(&mut self, days: u16) {
        let mut sums = Sums::default();
        for back in (1..=self.closed.min(usize::from(days))).rev() {
            sums.add(&self.days[self.back(back)]);
        }
        self.whole = (days, sums);
    }

    /// Place of the day so many before the open one.
    const fn back(&self, days: usize) -> usize {
        (self.open + KEPT - days) % KEPT
    }
}

#[cfg(test)]
mod tests {
    extern crate alloc;

    use alloc::vec::Vec;

    use super::super::checks::relative;
    use super::*;

    const HOUR_MS: u64 = 3_600_000;

    #[test]
    fn powers_are_summed_and_gaps_stated() {
        let mut period = EnergyPeriod::default();
        assert_eq!(period.sums(365).ppue().map_err(NoNumber::word), Err("undefined"));
        // An hour at 400 and 22 kW, a gap of an hour, half an hour rising from 400 to 420 kW.
        for (at, it, other) in [(0, 400.0, 22.0), (HOUR_MS, 400.0, 22.0)] {
            period.push(at, it, other, HOUR_MS).expect("sound");
        }
        period.push(2 * HOUR_MS + 1, 400.0, 22.0, HOUR_MS).expect("sound");
        period.push(2 * HOUR_MS + 1_800_001, 420.0, 22.0, HOUR_MS).expect("sound");
        let sums = period.sums(365);
        relative("IT", Ok(sums.it_kwh), 605.0, 1e-12);
        relative("partial PUE", sums.ppue(), (605.0 + 33.0) / 605.0, 1e-12);
        assert_eq!((sums.covered_ms, sums.missed_ms), (5_400_000, 3_600_001));
        relative("gap", Ok(sums.gap_share()), 3_600_001.0 / 9_000_001.0, 1e-12);
        assert!(period.push(9_000_002, -1.0, 0.0, 1000).is_err());
        period.push(9_000_001, 1.0, 1.0, 1000).expect("not later: left out");
        assert_eq!(period.sums(365), sums);
    }

    #[test]
    fn a_day_that_leaves_takes_its_energy_with_it() {
        // Ten days: on day n the IT takes 100 + n kW, the rest 10 kW.
        let mut period = EnergyPeriod::default();
        for hour in 0..=240_u32 {
            let day = f64::from((hour.max(1) - 1) / 24);
            // A step at midnight takes the hour after it: readings at it and just after.
            if hour % 24 == 1 && hour > 1 {
                period.push(u64::from(hour - 1) * HOUR_MS + 1, 100.0 + day, 10.0, HOUR_MS).expect("sound");
            }
            period.push(u64::from(hour) * HOUR_MS, 100.0 + day, 10.0, HOUR_MS).expect("sound");
        }
        let last = |days: u16| (0..days).map(|back| 24.0 * (100.0 + 9.0 - f64::from(back))).sum::<f64>();
        for days in [1, 3, 9, 10, 365] {
            let sums = period.sums(days);
            relative("IT", Ok(sums.it_kwh), last(days.min(10)), 1e-6);
            assert_eq!(sums.span_ms(), u64::from(days.min(10)) * u64::from(DAY_MS));
        }
        // The page's worked example: sums over sums, which the mean of the days' ratios is not.
        relative("partial PUE", period.sums(3).ppue(), (7776.0 + 720.0) / 7776.0, 1e-9);
        let mean = (0..10).map(|n| (110.0 + f64::from(n)) / (100.0 + f64::from(n))).sum::<f64>() / 10.0;
        relative("mean of ratios", Ok(mean), 1.0958, 1e-4);
    }

    /// Beside a plain sum over all that was read, with the days cut by hand: two and a half years, irregular, with gaps.
    #[test]
    fn it_is_the_plain_sum_of_its_days() {
        let mut period = EnergyPeriod::default();
        // By day: IT, other, covered, missed.
        let mut plain: Vec<(f64, f64, u64, u64)> = Vec::new();
        let (mut at, mut before, mut state) = (0_u64, None::<(u64, f64, f64)>, 88_172_645_463_325_252_u64);
        let mut random = |most: u64| {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            state % most
        };
        let day = u64::from(DAY_MS);
        while at < 900 * day {
            #[allow(clippy::cast_precision_loss)] // small
            let (it, other) = (300.0 + random(1000) as f64 / 10.0, 20.0 + random(100) as f64 / 10.0);
            period.push(at, it, other, 2 * HOUR_MS).expect("sound");
            if let Some((from, it_before, other_before)) = before {
                // Minute by minute of the straight line, each to its day; the rest of a minute too.
                let mut t = from;
                while t < at {
                    let until = (t + 60_000 - t % 60_000).min(at);
                    #[allow(clippy::cast_precision_loss)] // hours in ms
                    let (share, hours) = (
                        (f64::midpoint(t as f64, until as f64) - from as f64) / (at - from) as f64,
                        (until - t) as f64 / 3_600_000.0,
                    );
                    let index = usize::try_from(t / day).expect("small");
                    plain.resize(plain.len().max(index + 1), (0.0, 0.0, 0, 0));
                    let (a, b, covered, missed) = &mut plain[index];
                    if at - from <= 2 * HOUR_MS {
                        *a += (it_before + (it - it_before) * share) * hours;
                        *b += (other_before + (other - other_before) * share) * hours;
                        *covered += until - t;
                    } else {
                        *missed += until - t;
                    }
                    t = until;
                }
            }
            before = Some((at, it, other));
            // Now and then a few hours or days are not read, once for most of a week.
            let gap = match random(400) {
                0 => random(5 * day),
                1..4 => random(8 * HOUR_MS),
                _ => random(HOUR_MS),
            };
            at += 1 + gap;
        }
        let (until, ..) = before.expect("read");
        for days in [1_u16, 7, 30, 365, 366] {
            let sums = period.sums(days);
            let open = usize::try_from(until / day).expect("small");
            plain.resize(plain.len().max(open + 1), (0.0, 0.0, 0, 0));
            let kept = &plain[open.saturating_sub(usize::from(days))..=open];
            relative("IT", Ok(sums.it_kwh), kept.iter().map(|d| d.0).sum(), 1e-11);
            relative("other", Ok(sums.other_kwh), kept.iter().map(|d| d.1).sum(), 1e-11);
            assert_eq!(sums.covered_ms, kept.iter().map(|d| d.2).sum::<u64>(), "{days} days");
            assert_eq!(sums.missed_ms, kept.iter().map(|d| d.3).sum::<u64>(), "{days} days");
            assert_eq!(sums.span_ms(), u64::from(days) * day + until % day);
        }
    }

    #[test]
    fn it_goes_on_from_what_was_kept() {
        let mut period = EnergyPeriod::default();
        for hour in 0..60_u32 {
            period.push(u64::from(hour) * HOUR_MS, 100.0 + f64::from(hour), 10.0, HOUR_MS).expect("sound");
        }
        let numbers: Vec<f64> = period.numbers().collect();
        assert_eq!(numbers.len(), 3 * NUMBERS);
        let mut again = EnergyPeriod::from_numbers(&numbers).expect("its own");
        for days in [1, 2, 365] {
            assert_eq!(again.sums(days), period.sums(days));
        }
        // Away for three and a half days: of the two last whole days nothing was read, of the open one an hour.
        again.missed(84 * HOUR_MS);
        again.push(7, 100.0, 10.0, HOUR_MS).expect("sound");
        again.push(7 + HOUR_MS, 100.0, 10.0, HOUR_MS).expect("sound");
        let sums = again.sums(2);
        assert_eq!((sums.covered_ms, sums.missed_ms), (HOUR_MS, sums.span_ms() - HOUR_MS));
        relative("IT", Ok(sums.it_kwh), 100.0, 1e-12);
        // Away for longer than anything that is kept, and for ever.
        for away in [800 * u64::from(DAY_MS), u64::MAX] {
            let mut long = again.clone();
            long.missed(away);
            let sums = long.sums(365);
            assert_eq!((sums.it_kwh, sums.covered_ms), (0.0, 0));
            assert!(sums.missed_ms >= 365 * u64::from(DAY_MS) && sums.gap_share() == 1.0);
        }
    }

    #[test]
    fn what_is_not_its_own_is_refused() {
        let whole = [1.0, 1.0, 86_400_000.0, 0.0];
        let open = [1.0, 1.0, 1000.0, 0.0];
        let of = |days: &[[f64; 4]]| EnergyPeriod::from_numbers(&days.concat()).is_some();
        assert!(of(&[open]) && of(&[whole, open]) && of(&[[0.0, 0.0, 0.0, 86_400_000.0], open]));
        assert!(!of(&[]) && !of(&[whole]) && !of(&[open, open]) && !of(&[whole, whole]));
        assert!(!of(&[[1.0, 1.0, 86_400_000.0, 1.0]]), "more than a day");
        for bad in [-1.0, f64::NAN, f64::INFINITY, 1e300] {
            for place in 0..4 {
                let mut day = open;
                day[place] = bad;
                assert!(!of(&[day]) && !of(&[day, open]), "{bad} at {place}");
            }
        }
        for cut in 1..8 {
            let numbers = [whole, open].concat();
            let got = EnergyPeriod::from_numbers(&numbers[..8 - cut]);
            assert!(got.is_none(), "cut by {cut}");
        }
        let year: Vec<[f64; 4]> = core::iter::repeat_n(whole, KEPT - 1).chain([open]).collect();
        assert!(of(&year));
        assert!(!of(&[&[whole], year.as_slice()].concat()), "longer than anything that is kept");
    }
}
