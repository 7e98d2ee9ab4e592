//! `current_loop = [low, high]`: the raw value, scaled, is a loop current in mA; what 4 mA and 20 mA stand for.
//!
//! Decides, after NAMUR NE 43 (2003), what of the current is a measurement: 3.8 to 20.5 mA; what is the sensor's failure: up
//! to 3.6 and from 21.0 mA; between them a reading is uncertain. All in whole steps of the point, computed exactly; the
//! resolution must be fine enough to keep the bands apart. How long a failure must last is its alarm's delay (4 s is common
//! practice, no source). Never panics.

use lapwing_protocol::Decimal;

use crate::config::mistake::Report;
use crate::config::reader::{Item, trimmed};
use crate::config::source::Located;
use crate::config::steps::Steps;
use crate::config::wrong::Wrong;

/// How a loop current becomes the point's value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct CurrentLoop {
    /// Factor and summand of the raw value.
    pub(crate) scale: Decimal,
    pub(crate) offset: Decimal,
    /// What is no failure, steps.
    pub(crate) valid: (i64, i64),
    /// What is a measurement, steps.
    pub(crate) sure: (i64, i64),
}

/// A decimal number that may be wider than one of the engine's.
#[derive(Clone, Copy)]
struct Wide(i128, i32);

/// Reads the key, if it is there; `scale` and `offset` make mA of the raw value.
pub(crate) fn read(
    item: &mut Item<'_>,
    (scale, offset): (Decimal, Decimal),
    steps: Steps<'_>,
    report: &mut Report,
) -> Option<CurrentLoop> {
    let list = item.take::<Vec<Located<Decimal>>>("current_loop", report)?;
    let key = item.key("current_loop");
    let [low, high] = list.value.as_slice() else {
        let mend = "write what 4 mA and 20 mA stand for: current_loop = [low, high]".to_string();
        let found = format!("a list of {}", list.value.len());
        report.wrong(list.place, key, Wrong::OtherType { expected: "a list of two numbers", found, mend });
        return None;
    };
    if trimmed(low.value) == trimmed(high.value) {
        let value = format!("[{}, {}]", low.value, high.value);
        let why = "4 mA and 20 mA cannot stand for the same".to_string();
        let wrong = Wrong::BadNumber { value, why };
        report.wrong(list.place, key, wrong);
        return None;
    }
    let exponent = steps.exponent?;
    let Some((made, step_is_fine)) = made(low.value, high.value, scale, offset, exponent) else {
        let value = format!("[{}, {}]", low.value, high.value);
        let why = "together with `scale` and `offset` it has more digits than a value holds".to_string();
        report.wrong(list.place, key, Wrong::BadNumber { value, why });
        return None;
    };
    if !step_is_fine {
        let value = Decimal::new(1, exponent).to_string();
        let why = "as the resolution of a loop current it hides what is failure and what is measurement: at most a \
                   hundredth of the span"
            .to_string();
        report.wrong(item.place_of("resolution"), item.key("resolution"), Wrong::BadNumber { value, why });
        return None;
    }
    Some(made)
}

/// The conversion, and whether the bands stand apart in whole steps; `None` where numbers do not fit.
fn made(low: Decimal, high: Decimal, scale: Decimal, offset: Decimal, exponent: i8) -> Option<(CurrentLoop, bool)> {
    let span = Wide::of(high).plus(Wide::of(low).times(Wide(-1, 0))?)?;
    // A sixteenth of it belongs to a mA: 1/16 is 0.0625.
    let by_ma = span.times(Wide(625, -4))?;
    let at = |ma: Wide| by_ma.times(ma.plus(Wide(-4, 0))?)?.plus(Wide::of(low));
    let ends = |first: Wide, last: Wide| -> Option<(Wide, Wide)> {
        let (first, last) = (at(first)?, at(last)?);
        Some(if span.0 > 0 { (first, last) } else { (last, first) })
    };
    let exponent = i32::from(exponent);
    let failed = ends(Wide(36, -1), Wide(210, -1))?;
    let measured = ends(Wide(38, -1), Wide(205, -1))?;
    let valid = (failed.0.floor(exponent)?.checked_add(1)?, failed.1.ceil(exponent)?.checked_sub(1)?);
    let sure = (measured.0.ceil(exponent)?, measured.1.floor(exponent)?);
    let step_is_fine = Wide(1, exponent).times(Wide(100, 0))?.floor(exponent)? <= span.absolute().floor(exponent)?;
    let scale = Wide::of(scale).times(by_ma)?.decimal()?;
    let offset = at(Wide::of(offset))?.decimal()?;
    Some((CurrentLoop { scale, offset, valid, sure }, step_is_fine))
}

impl Wide {
    fn of(number: Decimal) -> Self {
        Self(i128::from(number.mantissa), i32::from(number.exponent))
    }

    fn times(self, other: Self) -> Option<Self> {
        Some(Self(self.0.checked_mul(other.0)?, self.1.checked_add(other.1)?))
    }

    fn plus(self, other: Self) -> Option<Self> {
        let finer = self.1.min(other.1);
        let sum = self.at(finer)?.checked_add(other.at(finer)?)?;
        Some(Self(sum, finer))
    }

    fn absolute(self) -> Self {
        Self(self.0.saturating_abs(), self.1)
    }

    /// The mantissa at a finer power of ten.
    fn at(self, exponent: i32) -> Option<i128> {
        self.0.checked_mul(10_i128.checked_pow(u32::try_from(self.1.checked_sub(exponent)?).ok()?)?)
    }

    fn floor(self, exponent: i32) -> Option<i64> {
        if self.1 >= exponent {
            return i64::try_from(self.at(exponent)?).ok();
        }
        let steps = 10_i128.checked_pow(u32::try_from(exponent.checked_sub(self.1)?).ok()?)?;
        i64::try_from(self.0.div_euclid(steps)).ok()
    }

    fn ceil(self, exponent: i32) -> Option<i64> {
        Self(self.0.checked_neg()?, self.1).floor(exponent)?.checked_neg()
    }

    /// As a number of the engine's, without needless zeros.
    fn decimal(mut self) -> Option<Decimal> {
        while self.0 != 0 && self.0 % 10 == 0 {
            self = Self(self.0 / 10, self.1.checked_add(1)?);
        }
        Some(Decimal::new(i64::try_from(self.0).ok()?, i8::try_from(self.1).ok()?))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn loop_of(low: i64, high: i64) -> CurrentLoop {
        // Raw values in µA, the point in tenths.
        made(Decimal::new(low, 0), Decimal::new(high, 0), Decimal::new(1, -3), Decimal::new(0, 0), -1).expect("fits").0
    }

    #[test]
    fn a_rising_span_with_the_bands_of_ne_43() {
        let made = loop_of(0, 160);
        assert_eq!((made.scale, made.offset), (Decimal::new(1, -2), Decimal::new(-4, 1)));
        // 3.6 mA is −4.0, 3.8 mA −2.0, 20.5 mA 165.0, 21.0 mA 170.0.
        assert_eq!((made.valid, made.sure), ((-39, 1699), (-20, 1650)));
    }

    #[test]
    fn a_falling_span() {
        let made = loop_of(50, -110);
        assert_eq!((made.scale, made.offset), (Decimal::new(-1, -2), Decimal::new(90, 0)));
        assert_eq!((made.valid, made.sure), ((-1199, 539), (-1150, 520)));
    }

    #[test]
    fn what_does_not_fit_is_none() {
        let wide = Decimal::new(i64::MAX, 0);
        assert!(made(Decimal::new(0, 0), wide, wide, Decimal::new(0, 0), -18).is_none());
        let coarse = made(Decimal::new(0, 0), Decimal::new(50, 0), Decimal::new(1, -3), Decimal::new(0, 0), 0);
        assert!(coarse.is_some_and(|(_, fine)| !fine));
    }
}
