//! Roll-ups: average, minimum, maximum and end of each minute and each fifteen minutes.
//!
//! The words are those of OPC UA Part 13 (Aggregates): *Average* is the plain mean of the readings of the interval,
//! *Minimum* and *Maximum* the extremes, *End* the last. A reading counts if it was not judged bad (that part's
//! TreatUncertainAsBad is false); an interval without one is left out. Intervals begin at whole minutes of the axis.
//!
//! ```text
//! block day << 20 | point:  n [interval of the day] [readings] [average × 10] [minimum] [maximum] [end]
//! ```
//!
//! The average has one digit more than the point. Never panics.

use super::block::{Table, name};
use super::file::Kind;
use super::pack::{Damage, put, put_column, seal, unseal};

/// A day of the axis.
pub(super) const DAY_MS: i64 = 86_400_000;

/// What an interval's readings come to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rolled {
    /// Begin of the interval, axis milliseconds.
    pub at: i64,
    /// Usable readings, at least 1.
    pub count: i64,
    /// Mean, in tenths of the point's integer, rounded half to even.
    pub average_x10: i64,
    /// Lowest.
    pub minimum: i64,
    /// Highest.
    pub maximum: i64,
    /// Last.
    pub end: i64,
}

/// Length of a kind's interval, ms; `None` for kinds that hold readings.
#[must_use]
pub const fn interval_ms(kind: Kind) -> Option<i64> {
    match kind {
        Kind::Minute => Some(60_000),
        Kind::Quarter => Some(900_000),
        Kind::Raw | Kind::Kept => None,
    }
}

/// Collects readings of one point, in order, into intervals.
#[derive(Debug)]
pub(super) struct Roller {
    interval_ms: i64,
    open: Option<(Rolled, i128)>,
    pub(super) done: Vec<Rolled>,
}

impl Roller {
    pub(super) const fn new(interval_ms: i64) -> Self {
        Self { interval_ms, open: None, done: Vec::new() }
    }

    /// Takes a usable reading.
    pub(super) fn take(&mut self, at: i64, value: i64) {
        let begin = at.div_euclid(self.interval_ms) * self.interval_ms;
        match &mut self.open {
            // A reading a little older than the one before stays with it.
            Some((open, sum)) if begin <= open.at => {
                open.count += 1;
                *sum += i128::from(value);
                open.minimum = open.minimum.min(value);
                open.maximum = open.maximum.max(value);
                open.end = value;
            }
            _ => {
                self.close();
                let first = Rolled { at: begin, count: 1, average_x10: 0, minimum: value, maximum: value, end: value };
                self.open = Some((first, i128::from(value)));
            }
        }
    }

    pub(super) fn close(&mut self) {
        if let Some((mut open, sum)) = self.open.take() {
            open.average_x10 = i64::try_from(half_even(sum * 10, i128::from(open.count))).unwrap_or(i64::MAX);
            self.done.push(open);
        }
    }
}

/// Division rounded half to even.
const fn half_even(number: i128, by: i128) -> i128 {
    let (floor, rest) = (number.div_euclid(by), number.rem_euclid(by));
    match (2 * rest).checked_sub(by) {
        Some(over) if over > 0 || (over == 0 && floor % 2 != 0) => floor + 1,
        _ => floor,
    }
}

/// The block of a point's day. `rolled` must lie in that day, or a little before.
pub(super) fn to_bytes(kind: Kind, key: i64, day: i64, rolled: &[Rolled]) -> Vec<u8> {
    let interval = interval_ms(kind).unwrap_or(DAY_MS);
    let column = |of: fn(&Rolled) -> i64| rolled.iter().map(of).collect::<Vec<i64>>();
    let mut out = Vec::new();
    put(&mut out, rolled.len() as u64);
    put_column(&mut out, &rolled.iter().map(|rolled| (rolled.at - day * DAY_MS) / interval).collect::<Vec<_>>());
    put_column(&mut out, &column(|rolled| rolled.count));
    put_column(&mut out, &column(|rolled| rolled.average_x10));
    // Distances are smaller numbers than the extremes themselves.
    put_column(&mut out, &column(|rolled| rolled.minimum));
    put_column(&mut out, &column(|rolled| rolled.maximum.wrapping_sub(rolled.minimum)));
    put_column(&mut out, &column(|rolled| rolled.end.wrapping_sub(rolled.minimum)));
    seal(name(table(kind), key), out)
}

/// What a block holds.
pub(super) fn from_bytes(kind: Kind, key: i64, day: i64, sealed: &[u8]) -> Result<Vec<Rolled>, Damage> {
    let interval = interval_ms(kind).unwrap_or(DAY_MS);
    let mut bytes = unseal(name(table(kind), key), sealed)?;
    let count = usize::try_from(bytes.number()?).map_err(|_| Damage::Short)?;
    let mut columns = Vec::with_capacity(6);
    for _ in 0..6 {
        columns.push(bytes.column(count)?);
    }
    Ok((0..count)
        .map(|n| {
            let minimum = columns[3][n];
            Rolled {
                at: day.saturating_mul(DAY_MS).saturating_add(columns[0][n].saturating_mul(interval)),
                count: columns[1][n],
                average_x10: columns[2][n],
                minimum,
                maximum: minimum.wrapping_add(columns[4][n]),
                end: minimum.wrapping_add(columns[5][n]),
            }
        })
        .collect())
}

const fn table(kind: Kind) -> Table {
    match kind {
        Kind::Quarter => Table::Quarter,
        Kind::Raw | Kind::Minute | Kind::Kept => Table::Minute,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn an_interval_is_what_its_readings_are() {
        let mut roller = Roller::new(60_000);
        for (at, value) in [(60_000, 5), (61_000, -3), (60_500, 4), (119_999, 3), (120_000, 8), (300_000, 1)] {
            roller.take(at, value);
        }
        roller.close();
        let first = Rolled { at: 60_000, count: 4, average_x10: 22, minimum: -3, maximum: 5, end: 3 };
        assert_eq!(roller.done[0], first, "the mean of 5 −3 4 3 is 2.25, half to even 2.2");
        assert_eq!(roller.done.iter().map(|rolled| rolled.at).collect::<Vec<_>>(), [60_000, 120_000, 300_000]);
    }

    #[test]
    fn rounding_is_half_to_even_on_both_sides_of_zero() {
        for (number, by, rounded) in
            [(5, 2, 2), (7, 2, 4), (-5, 2, -2), (-7, 2, -4), (1, 3, 0), (2, 3, 1), (-1, 3, 0), (-2, 3, -1)]
        {
            assert_eq!(half_even(number, by), rounded, "{number}/{by}");
        }
    }

    proptest! {
        #[test]
        fn blocks_come_back(values in proptest::collection::vec((1_i64..90, any::<i32>()), 0..200)) {
            let mut roller = Roller::new(60_000);
            let mut at = 20_000 * DAY_MS;
            for (pause, value) in values {
                at += pause * 1000;
                roller.take(at, i64::from(value));
            }
            roller.close();
            let sealed = to_bytes(Kind::Minute, 77, 20_000, &roller.done);
            prop_assert_eq!(from_bytes(Kind::Minute, 77, 20_000, &sealed), Ok(roller.done));
            prop_assert!(from_bytes(Kind::Quarter, 77, 20_000, &sealed).is_err());
        }
    }
}
