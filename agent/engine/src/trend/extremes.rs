//! Largest and smallest value within a moving window, in bounded memory.
//!
//! The window is kept as slots of a sixtieth of its length, each with its extremes: what is older than the window leaves
//! with its slot, so that the answer covers the window and at most a sixtieth more, which errs to the safe side. Readings
//! need no fixed distance. A gap longer than the window starts it anew. Milliseconds on a clock that does not go back; values
//! in any unit. Never panics.

/// Slots a window is kept in: the newest one is not full yet, so one more than its parts.
const SLOTS: usize = PARTS as usize + 1;
/// Parts of a window.
const PARTS: u64 = 60;

/// State of one window; its length is passed in and must stay the same.
#[derive(Clone, Debug)]
pub struct Extremes {
    /// Lowest and highest of each slot; nothing was read in those where the lowest is above the highest.
    slots: [(f64, f64); SLOTS],
    /// Slot number of the newest reading, counted from time zero.
    newest: u64,
    first_ms: Option<u64>,
    last_ms: u64,
}

const EMPTY: (f64, f64) = (f64::INFINITY, f64::NEG_INFINITY);

impl Default for Extremes {
    fn default() -> Self {
        Self { slots: [EMPTY; SLOTS], newest: 0, first_ms: None, last_ms: 0 }
    }
}

impl Extremes {
    /// Takes a reading; one that is not finite or older than the last is left out.
    pub fn push(&mut self, window_ms: u64, at_ms: u64, value: f64) {
        if !value.is_finite() || (self.first_ms.is_some() && at_ms < self.last_ms) {
            return;
        }
        let length = window_ms.div_ceil(PARTS).max(1);
        let slot = at_ms / length;
        if self.first_ms.is_none() || at_ms - self.last_ms > window_ms {
            *self = Self { first_ms: Some(at_ms), newest: slot, ..Self::default() };
        }
        self.last_ms = at_ms;
        // Slots between the last reading and this one hold nothing.
        let passed = (slot - self.newest).min(SLOTS as u64);
        for back in 0..passed {
            self.slots[index(slot - back)] = EMPTY;
        }
        self.newest = slot;
        let (low, high) = &mut self.slots[index(slot)];
        (*low, *high) = (low.min(value), high.max(value));
    }

    /// Lowest and highest value in the window; `None` before the first reading.
    #[must_use]
    pub fn range(&self) -> Option<(f64, f64)> {
        let (low, high) = self.slots.iter().fold(EMPTY, |(a, b), (low, high)| (a.min(*low), b.max(*high)));
        (low <= high).then_some((low, high))
    }

    /// Highest less lowest; 0 before the first reading.
    #[must_use]
    pub fn change(&self) -> f64 {
        self.range().map_or(0.0, |(low, high)| high - low)
    }

    /// Time since readings came without a gap, ms, at most the window.
    #[must_use]
    pub fn covered_ms(&self, window_ms: u64) -> u64 {
        self.first_ms.map_or(0, |first| (self.last_ms - first).min(window_ms))
    }
}

#[allow(clippy::cast_possible_truncation)] // a remainder of 61
const fn index(slot: u64) -> usize {
    (slot % SLOTS as u64) as usize
}

#[cfg(test)]
mod tests {
    extern crate alloc;

    use alloc::vec::Vec;

    use super::*;

    const QUARTER_HOUR: u64 = 900_000;

    #[test]
    fn it_forgets_after_the_window_and_not_before() {
        let mut window = Extremes::default();
        assert_eq!((window.range(), window.change()), (None, 0.0));
        window.push(QUARTER_HOUR, 0, 20.0);
        for second in 1..=900 {
            window.push(QUARTER_HOUR, second * 1000, 24.0);
        }
        assert_eq!(window.covered_ms(QUARTER_HOUR), QUARTER_HOUR);
        let mut second = 899;
        while window.change() > 0.0 {
            second += 1;
            window.push(QUARTER_HOUR, second * 1000, 24.0);
            assert!(second <= 916, "a sixtieth more than the window");
        }
        assert!(second >= 900, "{second}");
    }

    #[test]
    fn gaps_and_odd_readings() {
        let mut window = Extremes::default();
        window.push(60_000, 5_000, 1.0);
        window.push(60_000, 30_000, f64::NAN);
        window.push(60_000, 4_000, 99.0);
        assert_eq!(window.range(), Some((1.0, 1.0)), "not finite, and earlier than the last");
        window.push(60_000, 40_000, 3.0);
        assert_eq!((window.range(), window.covered_ms(60_000)), (Some((1.0, 3.0)), 35_000));
        window.push(60_000, 100_001, 7.0);
        assert_eq!((window.range(), window.covered_ms(60_000)), (Some((7.0, 7.0)), 0), "a gap starts anew");
        window.push(0, u64::MAX, 1.0);
        assert_eq!(window.range(), Some((1.0, 1.0)));
    }

    proptest::proptest! {
        #[test]
        fn it_covers_what_every_pair_in_the_window_does(values in proptest::collection::vec((1_u64..3_000, -50.0_f64..50.0), 1..200)) {
            let mut window = Extremes::default();
            let mut all: Vec<(u64, f64)> = Vec::new();
            let mut at = 0;
            for (step, value) in values {
                at += step;
                all.push((at, value));
                window.push(60_000, at, value);
                let within = |ms: u64| {
                    let near = all.iter().filter(|(t, _)| at - t <= ms).map(|(_, v)| *v);
                    near.clone().fold(f64::MIN, f64::max) - near.fold(f64::MAX, f64::min)
                };
                // Slots of 1 s: nothing of the last 60 s is forgotten, nothing older than 61 s is kept.
                proptest::prop_assert!(window.change() >= within(60_000));
                proptest::prop_assert!(window.change() <= within(61_000));
            }
        }
    }
}
