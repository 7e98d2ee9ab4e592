//! Reads typed values out of a spanned TOML table, strictly, and notes every mistake instead of stopping at the first.
//!
//! `Item` is one table: `take` a key of a type, `need` one that must be there, `close` it so that every key left over is
//! told as unknown. Nothing is converted on the way: `"yes"` is no boolean, 9.7 no integer, `"100"` no number.
//! Durations are texts with a unit. Knows no meaning beyond the type. Never panics.

use std::time::Duration;

use lapwing_protocol::Decimal;
use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue};

use super::keys;
use super::mistake::Report;
use super::source::{Located, Origin, Place};
use super::wrong::Wrong;

/// A type that stands in TOML in exactly one way.
pub(crate) trait Read: Sized {
    /// The value, or what is wrong with it.
    fn read(value: &Spanned<DeValue<'_>>, origin: Origin) -> Result<Self, Wrong>;
}

/// One table being read.
#[derive(Debug)]
pub(crate) struct Item<'t> {
    table: &'t DeTable<'t>,
    origin: Origin,
    section: &'static str,
    /// Where the table begins: mistakes about what is not there point to it.
    pub(crate) place: Place,
    /// Its name in key paths, such as `link[plant]`.
    pub(crate) label: String,
    taken: Vec<&'static str>,
}

impl<'t> Item<'t> {
    /// A table of a section; `name_key` is the key whose text names it in messages, else its number does.
    pub(crate) fn new(
        table: &'t DeTable<'t>,
        place: Place,
        section: &'static str,
        name_key: &str,
        number: usize,
    ) -> Self {
        let name = table.get(name_key).and_then(|value| value.get_ref().as_str());
        let label = name.map_or_else(|| format!("{section}[{number}]"), |name| format!("{section}[{name}]"));
        Self { table, origin: place.origin, section, place, label, taken: Vec::new() }
    }

    /// Key path of a key of this table.
    pub(crate) fn key(&self, key: &str) -> String {
        format!("{}.{key}", self.label)
    }

    /// A value that may be missing. A value of the wrong type is noted and counts as missing.
    pub(crate) fn take<T: Read>(&mut self, key: &'static str, report: &mut Report) -> Option<Located<T>> {
        debug_assert!(
            keys::of(self.section).any(|known| known.name == key),
            "{}.{key} is not in the table of keys",
            self.section
        );
        self.taken.push(key);
        let value = self.table.get(key)?;
        let place = Place::new(self.origin, &value.span());
        match T::read(value, self.origin) {
            Ok(value) => Some(Located { value, place }),
            Err(wrong) => {
                report.wrong(place, self.key(key), wrong);
                None
            }
        }
    }

    /// A value that must be there.
    pub(crate) fn need<T: Read>(&mut self, key: &'static str, report: &mut Report) -> Option<Located<T>> {
        if !self.has(key) {
            let example = keys::of(self.section).find(|known| known.name == key).map_or("…", |known| known.example);
            report.wrong(self.place, self.key(key), Wrong::MissingKey { key, example });
        }
        self.take(key, report)
    }

    /// Whether a key is written at all, right or wrong.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    /// Where a key is written; the table's beginning if it is not.
    pub(crate) fn place_of(&self, key: &str) -> Place {
        self.table.get_key_value(key).map_or(self.place, |(key, _)| Place::new(self.origin, &key.span()))
    }

    /// A key's text as it is written; empty if it is none.
    pub(crate) fn text(&self, key: &str) -> &str {
        self.table.get(key).and_then(|value| value.get_ref().as_str()).unwrap_or_default()
    }

    /// The raw value of a key, without counting it as asked for.
    pub(crate) fn peek(&self, key: &str) -> Option<&'t DeValue<'t>> {
        self.table.get(key).map(|value| value.get_ref())
    }

    /// The raw value of a key.
    pub(crate) fn raw(&mut self, key: &'static str) -> Option<&'t Spanned<DeValue<'t>>> {
        self.taken.push(key);
        self.table.get(key)
    }

    /// Notes every key that nobody asked for.
    pub(crate) fn close(self, report: &mut Report) {
        let known: Vec<&'static str> = keys::of(self.section).map(|key| key.name).collect();
        for key in self.table.keys() {
            let name: &str = key.get_ref();
            if !self.taken.contains(&name) {
                let near = nearest(name, known.iter().copied());
                let wrong = Wrong::UnknownKey { key: name.to_string(), near, known: known.clone() };
                report.wrong(Place::new(self.origin, &key.span()), self.key(name), wrong);
            }
        }
    }
}

/// The nearest of several names, if one is near enough to be meant.
pub(crate) fn nearest<'a>(name: &str, known: impl Iterator<Item = &'a str>) -> Option<String> {
    let lower = name.to_lowercase();
    // The first measure likes common beginnings, which long paths always have; the second counts what must be changed.
    known
        .map(|candidate| (candidate, candidate.to_lowercase()))
        .map(|(name, low)| {
            (strsim::jaro_winkler(&lower, &low), strsim::normalized_damerau_levenshtein(&lower, &low), name)
        })
        .filter(|(likeness, kept, name)| (*likeness >= 0.8 && *kept >= 0.5) || is_slip(&lower, name))
        .map(|(likeness, kept, name)| (likeness + kept, name))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, candidate)| candidate.to_string())
}

/// One letter wrong, missing, too many, or two of them changed about.
fn is_slip(written: &str, known: &str) -> bool {
    known.len() >= 3 && strsim::damerau_levenshtein(written, &known.to_lowercase()) <= 1
}

/// A value as a message names it.
pub(crate) fn found(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) if text.chars().count() <= 40 => format!("the text \"{text}\""),
        DeValue::String(_) => "a text".into(),
        DeValue::Integer(number) => format!("the integer {number}"),
        DeValue::Float(number) => format!("the number {number}"),
        DeValue::Boolean(flag) => format!("the boolean {flag}"),
        DeValue::Datetime(_) => "a date".into(),
        DeValue::Array(_) => "a list".into(),
        DeValue::Table(_) => "a table".into(),
    }
}

fn wrong_type(expected: &'static str, value: &DeValue<'_>) -> Wrong {
    let mend = match (expected, value) {
        ("a boolean", DeValue::String(text)) if ["yes", "on", "true", "1"].contains(&text.to_lowercase().as_str()) => {
            "write true, without quotes".to_string()
        }
        ("a boolean", _) => "write true or false, without quotes".into(),
        ("an integer", DeValue::Float(number)) => {
            format!("write a whole number, such as {:.0}", number.as_str().parse::<f64>().unwrap_or(0.0))
        }
        ("an integer" | "a number", DeValue::String(text)) if Decimal::parse(text).is_ok() => {
            format!("write {text} without quotes")
        }
        ("a text", DeValue::Integer(_) | DeValue::Float(_) | DeValue::Boolean(_)) => "put it in quotes".into(),
        ("a duration", DeValue::Integer(number)) => format!("write it with its unit, such as \"{number}s\""),
        ("a duration", DeValue::Float(number)) => {
            format!("write whole units, such as \"{:.0}ms\"", number.as_str().parse::<f64>().unwrap_or(0.0) * 1000.0)
        }
        ("a list", _) => "put it in square brackets".into(),
        (expected, _) => format!("write {expected}"),
    };
    Wrong::OtherType { expected, found: found(value), mend }
}

/// A whole number of any size TOML can write.
pub(crate) fn whole(value: &DeValue<'_>) -> Result<i128, Wrong> {
    let DeValue::Integer(number) = value else { return Err(wrong_type("an integer", value)) };
    i128::from_str_radix(number.as_str(), number.radix())
        .map_err(|_| Wrong::BadNumber { value: number.to_string(), why: "too large".into() })
}

impl Read for String {
    fn read(value: &Spanned<DeValue<'_>>, _: Origin) -> Result<Self, Wrong> {
        value.get_ref().as_str().map(str::to_string).ok_or_else(|| wrong_type("a text", value.get_ref()))
    }
}

impl Read for bool {
    fn read(value: &Spanned<DeValue<'_>>, _: Origin) -> Result<Self, Wrong> {
        value.get_ref().as_bool().ok_or_else(|| wrong_type("a boolean", value.get_ref()))
    }
}

macro_rules! read_whole {
    ($($type:ty),*) => {$(
        impl Read for $type {
            fn read(value: &Spanned<DeValue<'_>>, _: Origin) -> Result<Self, Wrong> {
                let number = whole(value.get_ref())?;
                Self::try_from(number).map_err(|_| Wrong::OutOfRange {
                    value: number.to_string(), low: <$type>::MIN.to_string(), high: <$type>::MAX.to_string(),
                })
            }
        }
    )*};
}
read_whole!(u8, u16, u32, u64, i64, i128);

impl Read for Decimal {
    fn read(value: &Spanned<DeValue<'_>>, _: Origin) -> Result<Self, Wrong> {
        let text = match value.get_ref() {
            DeValue::Integer(_) => whole(value.get_ref())?.to_string(),
            DeValue::Float(number) => number.as_str().to_string(),
            other => return Err(wrong_type("a number", other)),
        };
        Self::parse(&text).map_err(|why| Wrong::BadNumber { value: text, why: why.to_string() })
    }
}

/// The same number with the fewest places, none of them before the point: 0.50 → 5·10⁻¹, 3e2 → 300.
pub(crate) fn trimmed(mut value: Decimal) -> Decimal {
    if value.exponent > 0 {
        return value.rescale(0).unwrap_or(value);
    }
    while value.exponent < 0 && value.mantissa % 10 == 0 {
        value = Decimal::new(value.mantissa / 10, value.exponent + 1);
    }
    value
}

impl Read for Duration {
    fn read(value: &Spanned<DeValue<'_>>, _: Origin) -> Result<Self, Wrong> {
        let text = value.get_ref().as_str().ok_or_else(|| wrong_type("a duration", value.get_ref()))?;
        duration(text).ok_or_else(|| Wrong::BadDuration { value: text.to_string() })
    }
}

/// Reads `300ms`, `5s`, `3m`, `1h`, `2d`; at most 48 days, which every counter of milliseconds holds.
pub(crate) fn duration(text: &str) -> Option<Duration> {
    let digits = text.find(|c: char| !c.is_ascii_digit())?;
    let number: u64 = text[..digits].parse().ok()?;
    let unit_ms: u64 = match &text[digits..] {
        "ms" => 1,
        "s" => 1000,
        "m" => 60_000,
        "h" => 3_600_000,
        "d" => 86_400_000,
        _ => return None,
    };
    number.checked_mul(unit_ms).filter(|ms| *ms <= 48 * 86_400_000).map(Duration::from_millis)
}

/// A duration as a person writes it.
pub(crate) fn written(duration: Duration) -> String {
    let ms = duration.as_millis();
    for (unit_ms, unit) in [(86_400_000, "d"), (3_600_000, "h"), (60_000, "m"), (1000, "s")] {
        if ms > 0 && ms.is_multiple_of(unit_ms) {
            return format!("{}{unit}", ms / unit_ms);
        }
    }
    format!("{ms}ms")
}

impl<T: Read> Read for Vec<Located<T>> {
    fn read(value: &Spanned<DeValue<'_>>, origin: Origin) -> Result<Self, Wrong> {
        let list: &DeArray<'_> = value.get_ref().as_array().ok_or_else(|| wrong_type("a list", value.get_ref()))?;
        list.iter()
            .map(|element| Ok(Located { value: T::read(element, origin)?, place: Place::new(origin, &element.span()) }))
            .collect()
    }
}

/// One text or a list of them.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct OneOrMany(pub(crate) Vec<Located<String>>);

impl Read for OneOrMany {
    fn read(value: &Spanned<DeValue<'_>>, origin: Origin) -> Result<Self, Wrong> {
        match value.get_ref() {
            DeValue::String(text) => {
                Ok(Self(vec![Located { value: text.to_string(), place: Place::new(origin, &value.span()) }]))
            }
            DeValue::Array(_) => Vec::read(value, origin).map(Self),
            other => Err(wrong_type("a text or a list of texts", other)),
        }
    }
}

/// One entry of a table: its key and its value.
pub(crate) type Entry<'t> = (Located<String>, &'t Spanned<DeValue<'t>>);

/// The entries of an inline table, in the order they are written.
pub(crate) fn entries<'t>(value: &'t Spanned<DeValue<'t>>, origin: Origin) -> Result<Vec<Entry<'t>>, Wrong> {
    let table = value.get_ref().as_table().ok_or_else(|| wrong_type("a table", value.get_ref()))?;
    let mut list: Vec<_> = table
        .iter()
        .map(|(key, value)| {
            (Located { value: key.get_ref().to_string(), place: Place::new(origin, &key.span()) }, value)
        })
        .collect();
    list.sort_by_key(|(key, _)| key.place);
    Ok(list)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn durations() {
        for (text, ms) in
            [("300ms", 300), ("5s", 5000), ("3m", 180_000), ("1h", 3_600_000), ("2d", 172_800_000), ("0s", 0)]
        {
            assert_eq!(duration(text), Some(Duration::from_millis(ms)), "{text}");
        }
        for text in ["", "5", "s", "5 s", "-5s", "1.5s", "5S", "99999999999999999999s", "49d", "5sec", "½s", "°"] {
            assert_eq!(duration(text), None, "{text}");
        }
    }

    #[test]
    fn durations_are_written_as_they_are_read() {
        for text in ["300ms", "5s", "90s", "3m", "1h", "2d"] {
            assert_eq!(written(duration(text).expect("valid")), text);
        }
    }

    #[test]
    fn trimmed_numbers_keep_their_value() {
        assert_eq!(trimmed(Decimal::new(50, -2)), Decimal::new(5, -1));
        assert_eq!(trimmed(Decimal::new(3, 2)), Decimal::new(300, 0));
        assert_eq!(trimmed(Decimal::new(0, -5)), Decimal::new(0, 0));
        assert_eq!(trimmed(Decimal::new(-1230, -3)), Decimal::new(-123, -2));
    }

    #[test]
    fn near_names_only() {
        assert_eq!(nearest("timout_ms", ["timeout_ms", "unit"].into_iter()), Some("timeout_ms".into()));
        assert_eq!(nearest("zebra", ["timeout_ms", "unit"].into_iter()), None);
    }
}
