//! Numbers given in a point's unit as whole steps of its exponent.
//!
//! A number finer than the point's resolution is refused rather than rounded: the person who wrote 21.05 would otherwise
//! be answered at 21.0. Never panics.

use lapwing_protocol::Decimal;

use super::mistake::Report;
use super::reader::{Item, trimmed};
use super::source::Located;
use super::wrong::Wrong;

/// A point's steps.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Steps<'a> {
    /// Power of ten of one step; `None` if it could not be decided: then nothing is judged, the cause was told.
    pub(crate) exponent: Option<i8>,
    /// The point's path, for messages.
    pub(crate) point: &'a str,
}

impl Steps<'_> {
    /// The exponent of a resolution: its decimal places.
    pub(crate) fn of_resolution(resolution: &Located<Decimal>, key: &str, report: &mut Report) -> Option<i8> {
        let value = trimmed(resolution.value);
        let mut digit = value.mantissa;
        while digit > 9 && digit % 10 == 0 {
            digit /= 10;
        }
        if !matches!(digit, 1 | 2 | 5) {
            report.wrong(resolution.place, key, Wrong::BadResolution { value: resolution.value.to_string() });
            return None;
        }
        Some(value.exponent.min(0))
    }

    /// A number as whole steps.
    pub(crate) fn whole(&self, number: &Located<Decimal>, key: &str, report: &mut Report) -> Option<i64> {
        let exponent = self.exponent?;
        let resolution = || Decimal::new(1, exponent).to_string();
        let wrong = match number.value.rescale(exponent) {
            // Equal after rescaling back means that no digit was lost.
            Ok(steps) if trimmed(steps) == trimmed(number.value) => return Some(steps.mantissa),
            Ok(_) => Wrong::FinerThanResolution {
                value: number.value.to_string(),
                resolution: resolution(),
                point: self.point.to_string(),
            },
            Err(_) => Wrong::TooLargeAtResolution { value: number.value.to_string(), resolution: resolution() },
        };
        report.wrong(number.place, key, wrong);
        None
    }

    /// A distance as whole steps: not negative.
    pub(crate) fn distance(
        &self,
        number: &Located<Decimal>,
        name: &'static str,
        key: &str,
        report: &mut Report,
    ) -> Option<i64> {
        if number.value.mantissa < 0 {
            report.wrong(number.place, key, Wrong::Negative { key: name, value: number.value.to_string() });
            return None;
        }
        self.whole(number, key, report)
    }

    /// `valid = [low, high]`.
    pub(crate) fn range(&self, item: &mut Item<'_>, report: &mut Report) -> Option<(i64, i64)> {
        let list = item.take::<Vec<Located<Decimal>>>("valid", report)?;
        let key = item.key("valid");
        let [low, high] = list.value.as_slice() else {
            let mend = "write the lowest and the highest: valid = [low, high]".to_string();
            let found = format!("a list of {}", list.value.len());
            report.wrong(list.place, key, Wrong::OtherType { expected: "a list of two numbers", found, mend });
            return None;
        };
        let (first, second) = (self.whole(low, &key, report), self.whole(high, &key, report));
        let (first, second) = (first?, second?);
        if first >= second {
            report.wrong(
                list.place,
                key,
                Wrong::EmptyRange { low: low.value.to_string(), high: high.value.to_string() },
            );
            return None;
        }
        Some((first, second))
    }
}
