//! What a function remembers for one derived point from one computation to the next: energy so far, a countdown, a window.
//!
//! Each function has a type of its own for it, empty at the start. It is kept by the core beside the point. What took long
//! to learn ([`Keep`]: energies, a battery's health) is kept over a restart too, as plain numbers; the rest begins anew, and
//! a function must say for itself what it answers before it has seen enough. Knows no clock and no disk: functions take the
//! time from their inputs, the core saves. Never panics, whatever was saved.

use std::any::Any;
use std::fmt;

use lapwing_engine::physics::countdown::Countdown;
use lapwing_engine::physics::energy_period::EnergyPeriod;

/// The memory of one function for one point. Most remember nothing: what they would need stands apart.
#[derive(Default)]
pub struct Memory {
    kept: Option<Box<Kept>>,
    asked: bool,
}

/// What is remembered.
#[derive(Default)]
struct Kept {
    now: Option<Box<dyn Any + Send>>,
    /// How what is remembered now becomes numbers.
    numbers: Option<fn(&(dyn Any + Send)) -> Vec<f64>>,
    /// What an earlier start has left, until the function asks for it.
    before: Option<Recalled>,
}

/// What an earlier start has left.
#[derive(Clone, Debug, PartialEq)]
pub struct Recalled {
    /// The numbers.
    pub numbers: Vec<f64>,
    /// Time since they were saved, ms; `None` if it is not known.
    pub away_ms: Option<u64>,
}

/// A memory that is kept over a restart.
pub trait Keep: Default + Any + Send {
    /// What must be kept, as numbers; none if there is nothing yet.
    fn numbers(&self) -> Vec<f64>;
    /// From the numbers of an earlier start; `None` if they are not its own.
    fn recalled(before: &Recalled) -> Option<Self>;
}

impl Memory {
    /// Notes that the answer depends on more than the inputs: on what was before, or on the time.
    pub const fn ask(&mut self) {
        self.asked = true;
    }

    /// Whether an answer so far depended on more than its inputs; if not, equal inputs have equal answers.
    #[must_use]
    pub const fn is_asked(&self) -> bool {
        self.asked
    }

    /// It as the function's own type, made if there is none.
    pub fn of<T: Default + Any + Send>(&mut self) -> &mut T {
        self.ask();
        self.kept.get_or_insert_default().or_else(T::default)
    }

    /// The same of a type that is kept over a restart: what an earlier start has left comes back.
    pub fn kept<T: Keep>(&mut self) -> &mut T {
        self.ask();
        let kept = self.kept.get_or_insert_default();
        kept.numbers = Some(|now| now.downcast_ref::<T>().map(T::numbers).unwrap_or_default());
        let before = kept.before.take();
        kept.or_else(|| before.as_ref().and_then(T::recalled).unwrap_or_default())
    }

    /// Takes what an earlier start has left.
    pub fn recall(&mut self, before: Recalled) {
        self.kept.get_or_insert_default().before = Some(before);
    }

    /// What must be kept over a restart; `None` if nothing was computed yet or nothing is to be kept.
    #[must_use]
    pub fn numbers(&self) -> Option<Vec<f64>> {
        let kept = self.kept.as_ref()?;
        let (now, numbers) = (kept.now.as_deref()?, kept.numbers?);
        Some(numbers(now)).filter(|numbers| !numbers.is_empty())
    }
}

impl Kept {
    fn or_else<T: Any + Send>(&mut self, make: impl FnOnce() -> T) -> &mut T {
        if !self.now.as_ref().is_some_and(|kept| kept.is::<T>()) {
            self.now = None;
        }
        self.now
            .get_or_insert_with(|| Box::new(make()))
            .downcast_mut()
            .expect("invariant: what is of another type was thrown away above")
    }
}

impl fmt::Debug for Memory {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let remembers = self.kept.as_ref().is_some_and(|kept| kept.now.is_some());
        f.write_str(if remembers { "Memory(kept)" } else { "Memory(empty)" })
    }
}

/// Energies go on where they were; the time away is time that was not read.
impl Keep for EnergyPeriod {
    fn numbers(&self) -> Vec<f64> {
        Self::numbers(self).collect()
    }

    fn recalled(before: &Recalled) -> Option<Self> {
        let mut period = Self::from_numbers(&before.numbers)?;
        period.missed(before.away_ms.unwrap_or(0));
        Some(period)
    }
}

/// The health that a discharge has shown; a discharge that goes on begins anew.
impl Keep for Countdown {
    fn numbers(&self) -> Vec<f64> {
        self.shown_health().into_iter().collect()
    }

    fn recalled(before: &Recalled) -> Option<Self> {
        let [health] = before.numbers[..] else { return None };
        Self::with_health(health).ok()
    }
}

#[cfg(test)]
mod tests {
    use lapwing_engine::physics::energy_period::Sums;

    use super::*;

    #[test]
    fn it_keeps_one_type_and_begins_empty() {
        let mut memory = Memory::default();
        assert_eq!(format!("{memory:?}"), "Memory(empty)");
        *memory.of::<u32>() += 2;
        *memory.of::<u32>() += 3;
        assert_eq!(*memory.of::<u32>(), 5);
        assert_eq!(*memory.of::<u64>(), 0, "another type begins anew");
        assert_eq!(*memory.of::<u32>(), 0);
        assert_eq!(memory.numbers(), None, "nothing of it outlives the agent");
    }

    fn recalled(numbers: &[f64], away_ms: Option<u64>) -> Recalled {
        Recalled { numbers: numbers.to_vec(), away_ms }
    }

    #[test]
    fn energies_go_on_and_the_time_away_was_not_read() {
        let mut memory = Memory::default();
        let period = memory.kept::<EnergyPeriod>();
        period.push(0, 360.0, 36.0, 30_000).expect("sound");
        period.push(10_000, 360.0, 36.0, 30_000).expect("sound");
        let numbers = memory.numbers().expect("kept");
        assert_eq!(numbers, [1.0, 0.1, 10_000.0, 0.0]);
        let mut after = Memory::default();
        assert_eq!(after.numbers(), None, "not computed yet: what was saved stays as it is");
        after.recall(recalled(&numbers, Some(30_000)));
        let period = after.kept::<EnergyPeriod>();
        period.push(5, 360.0, 36.0, 30_000).expect("sound");
        period.push(10_005, 360.0, 36.0, 30_000).expect("sound");
        let sums = period.sums(365);
        assert_eq!((sums.it_kwh, sums.covered_ms, sums.missed_ms), (2.0, 20_000, 30_000));
        assert_eq!(after.numbers().map(|numbers| numbers.len()), Some(4));
    }

    #[test]
    fn a_health_that_was_learnt_is_known_again() {
        let mut memory = Memory::default();
        assert_eq!(memory.kept::<Countdown>().shown_health(), None);
        assert_eq!(memory.numbers(), None);
        memory = Memory::default();
        memory.recall(recalled(&[0.35], None));
        assert_eq!(memory.kept::<Countdown>().shown_health(), Some(0.35));
        assert_eq!(memory.numbers(), Some(vec![0.35]));
    }

    #[test]
    fn what_cannot_be_its_own_is_left() {
        for numbers in [&[][..], &[1.0], &[1.0, 1.0, -1.0, 0.0], &[f64::NAN, 0.0, 0.0, 0.0], &[1.0, 1.0, 1e300, 0.0]] {
            let mut memory = Memory::default();
            memory.recall(recalled(numbers, Some(u64::MAX)));
            assert_eq!(memory.kept::<EnergyPeriod>().sums(365), Sums::default(), "{numbers:?}");
        }
        for numbers in [&[][..], &[1.1], &[-0.1], &[f64::NAN], &[0.5, 0.5]] {
            let mut memory = Memory::default();
            memory.recall(recalled(numbers, None));
            assert_eq!(memory.kept::<Countdown>().shown_health(), None, "{numbers:?}");
        }
        let mut far = Memory::default();
        far.recall(recalled(&[1.0, 1.0, 1.0, 1.0], Some(u64::MAX)));
        assert_eq!(far.kept::<EnergyPeriod>().sums(365).gap_share(), 1.0, "away for ever");
    }
}
