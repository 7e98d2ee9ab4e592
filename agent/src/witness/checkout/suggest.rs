//! What mistake of a map would explain a value that cannot be right.
//!
//! One change at a time, the likeliest first (common practice, no source): other word order, other byte order, another
//! layout of the same size, register one off, a power of ten in the scale. A change is suggested only if the value it
//! gives would be right: near what a person expects, or inside the point's valid range. It is a hint for a person; it
//! changes nothing. Pure. Never panics.

use lapwing_engine::signal::decode::decode;
use lapwing_engine::spec::{ByteOrder, Decode, Layout, Raw, WordOrder};
use lapwing_protocol::{Decimal, Quantity, Unit};

/// More hints than this confuse.
const MOST: usize = 3;

/// What the value should be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Wanted {
    /// Near this, in the point's unit.
    Near {
        /// What a person expects.
        expected: f64,
        /// How far off it may be.
        tolerance: f64,
    },
    /// Inside these bounds.
    Within {
        /// Lowest believable.
        low: f64,
        /// Highest believable.
        high: f64,
    },
}

impl Wanted {
    fn holds(self, value: f64) -> bool {
        match self {
            Self::Near { expected, tolerance } => (value - expected).abs() <= tolerance,
            Self::Within { low, high } => (low..=high).contains(&value),
        }
    }
}

/// A change that would make the value right.
#[derive(Clone, Debug, PartialEq)]
pub struct Suggestion {
    /// The change, in words of the map.
    pub change: String,
    /// What the value would be then.
    pub value: Decimal,
}

/// Changes that would make a raw value right; `neighbour(±1)` is what a value one register further holds.
pub fn suggest(
    raw: &Raw,
    how: &Decode,
    exponent: i8,
    wanted: Wanted,
    neighbour: impl Fn(i32) -> Option<Raw>,
) -> Vec<Suggestion> {
    let mut found: Vec<Suggestion> = Vec::new();
    let own_exponent = exponent;
    let mut attempt = |change: String, raw: &Raw, how: &Decode, exponent: i8| {
        let Ok(value) = decode(raw, how, exponent, &[]) else { return };
        let value = trimmed(Decimal::new(value, exponent), own_exponent);
        // Zero fits any scale and any order: it proves nothing.
        if found.len() < MOST && value.mantissa != 0 && wanted.holds(value.to_f64()) {
            found.push(Suggestion { change, value });
        }
    };
    for (change, other) in orders(raw, how) {
        attempt(change.into(), raw, &other, exponent);
    }
    for (change, other) in layouts(how) {
        attempt(change.into(), raw, &other, exponent);
        for (order, both) in orders(raw, &other) {
            attempt(format!("{change} and {order}"), raw, &both, exponent);
        }
    }
    for step in [-1, 1] {
        if let Some(other) = neighbour(step) {
            let change = if step < 0 { "the register before" } else { "the register after" };
            attempt(format!("{change} (does the map count from 1? `base = 1`)"), &other, how, exponent);
        }
    }
    if is_scaled(how.layout) {
        for power in [-1_i8, -2, -3, 1, 2, 3] {
            let scale = if how.scale.mantissa == 0 { Decimal::new(1, 0) } else { how.scale };
            let scale = Decimal::new(scale.mantissa, scale.exponent.saturating_add(power));
            let other = Decode { scale, ..*how };
            attempt(format!("`scale = {scale}`"), raw, &other, exponent.saturating_add(power.min(0)));
        }
    }
    found
}

/// Without the zeros behind the point's own digits.
fn trimmed(value: Decimal, exponent: i8) -> Decimal {
    let mut value = value;
    while value.exponent < exponent && value.mantissa % 10 == 0 && value.mantissa != 0 {
        value = Decimal::new(value.mantissa / 10, value.exponent + 1);
    }
    value
}

fn orders(raw: &Raw, how: &Decode) -> Vec<(&'static str, Decode)> {
    let Raw::Words { len, .. } = raw else { return Vec::new() };
    let words = match how.word_order {
        WordOrder::Big => ("`word_order = \"little\"`", WordOrder::Little),
        WordOrder::Little => ("`word_order = \"big\"`", WordOrder::Big),
    };
    let bytes = match how.byte_order {
        ByteOrder::Big => ("`byte_order = \"little\"`", ByteOrder::Little),
        ByteOrder::Little => ("`byte_order = \"big\"`", ByteOrder::Big),
    };
    let mut all = Vec::new();
    if *len > 1 {
        all.push((words.0, Decode { word_order: words.1, ..*how }));
    }
    all.push((bytes.0, Decode { byte_order: bytes.1, ..*how }));
    if *len > 1 {
        all.push(("both orders turned", Decode { word_order: words.1, byte_order: bytes.1, ..*how }));
    }
    all
}

/// Layouts of the same number of registers.
fn layouts(how: &Decode) -> Vec<(&'static str, Decode)> {
    let others: &[(&'static str, Layout)] = match how.layout {
        Layout::U16 => &[("`as = \"i16\"`", Layout::I16)],
        Layout::I16 => &[("`as = \"u16\"`", Layout::U16)],
        Layout::U32 => &[("`as = \"f32\"`", Layout::F32), ("`as = \"i32\"`", Layout::I32)],
        Layout::I32 => &[("`as = \"f32\"`", Layout::F32), ("`as = \"u32\"`", Layout::U32)],
        Layout::F32 => &[("`as = \"i32\"`", Layout::I32)],
        Layout::U48 => &[("`as = \"i48\"`", Layout::I48)],
        Layout::I48 => &[("`as = \"u48\"`", Layout::U48)],
        Layout::U64 => &[("`as = \"f64\"`", Layout::F64), ("`as = \"i64\"`", Layout::I64)],
        Layout::I64 => &[("`as = \"f64\"`", Layout::F64), ("`as = \"u64\"`", Layout::U64)],
        Layout::F64 => &[("`as = \"i64\"`", Layout::I64)],
        Layout::Bit
        | Layout::Bits
        | Layout::Enum
        | Layout::Bcd
        | Layout::Modulo10000
        | Layout::TextNumber
        | Layout::Counter => &[],
    };
    others.iter().map(|(change, layout)| (*change, Decode { layout: *layout, ..*how })).collect()
}

const fn is_scaled(layout: Layout) -> bool {
    !matches!(layout, Layout::Bit | Layout::Bits | Layout::Enum)
}

/// Bounds that a point of a quantity cannot leave in a module, for maps without `valid`; bounds assumed.
#[must_use]
pub fn usual(quantity: &str, unit: &str) -> Option<Wanted> {
    let (low, high, code) = match Quantity::parse(quantity)? {
        Quantity::Temperature => (-40.0, 150.0, "Cel"),
        Quantity::RelativeHumidity | Quantity::ChargeLevel => (0.0, 100.0, "%"),
        Quantity::PowerFactor => (-1.0, 1.0, "1"),
        Quantity::Frequency => (0.0, 1000.0, "Hz"),
        Quantity::Voltage => (0.0, 1500.0, "V"),
        Quantity::Acidity => (0.0, 14.0, "[pH]"),
        _ => return None,
    };
    let (from, to) = (Unit::parse(code)?, Unit::parse(unit)?);
    Some(Wanted::Within { low: from.convert(low, to).ok()?, high: from.convert(high, to).ok()? })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(list: &[u16]) -> Raw {
        let mut words = [0; 8];
        words[..list.len()].copy_from_slice(list);
        Raw::Words { words, len: u8::try_from(list.len()).expect("few"), scale_factor: 0 }
    }

    fn how(layout: Layout) -> Decode {
        Decode { layout, ..Decode::default() }
    }

    fn said(raw: &Raw, how: &Decode, exponent: i8, wanted: Wanted) -> Vec<(String, String)> {
        let found = suggest(raw, how, exponent, wanted, |_| None);
        found.into_iter().map(|s| (s.change, s.value.to_string())).collect()
    }

    #[test]
    fn a_missing_scale_is_found() {
        let wanted = Wanted::Within { low: -20.0, high: 90.0 };
        let found = said(&words(&[207]), &how(Layout::I16), 0, wanted);
        assert_eq!(found[0], ("`scale = 0.1`".into(), "20.7".into()));
        let near = Wanted::Near { expected: 20.5, tolerance: 1.0 };
        assert_eq!(said(&words(&[2070]), &how(Layout::I16), 0, near), [("`scale = 0.01`".into(), "20.7".into())]);
    }

    #[test]
    fn the_other_word_order_is_found() {
        let bits = 21.5_f32.to_bits();
        let (high, low) = ((bits >> 16) as u16, bits as u16);
        let wanted = Wanted::Within { low: 0.0, high: 60.0 };
        let found = said(&words(&[low, high]), &how(Layout::F32), -1, wanted);
        assert_eq!(found[0], ("`word_order = \"little\"`".into(), "21.5".into()));
        let found = said(&words(&[high, low]), &how(Layout::U32), -1, wanted);
        assert_eq!(found[0], ("`as = \"f32\"`".into(), "21.5".into()));
        let found = said(&words(&[low, high]), &how(Layout::U32), -1, wanted);
        assert!(found.contains(&("`as = \"f32\"` and `word_order = \"little\"`".into(), "21.5".into())), "{found:?}");
    }

    #[test]
    fn a_negative_number_read_without_its_sign_is_found() {
        let how = Decode { scale: Decimal::new(1, -1), ..how(Layout::U16) };
        let found = said(&words(&[0xFFCE]), &how, -1, Wanted::Within { low: -40.0, high: 60.0 });
        assert_eq!(found[0], ("`as = \"i16\"`".into(), "-5.0".into()));
    }

    #[test]
    fn a_neighbour_is_found() {
        let wanted = Wanted::Near { expected: 230.0, tolerance: 5.0 };
        let found = suggest(&words(&[9]), &how(Layout::U16), 0, wanted, |step| (step == 1).then(|| words(&[231])));
        assert!(found[0].change.starts_with("the register after"), "{found:?}");
    }

    #[test]
    fn zero_and_nonsense_suggest_nothing() {
        let wanted = Wanted::Within { low: -20.0, high: 90.0 };
        assert!(said(&words(&[0]), &how(Layout::I16), 0, wanted).is_empty());
        assert!(said(&Raw::Fault(lapwing_protocol::Status::BAD), &how(Layout::I16), 0, wanted).is_empty());
    }

    #[test]
    fn usual_bounds_follow_the_unit() {
        let Some(Wanted::Within { low, high }) = usual("relative_humidity", "1") else { panic!("bounds are known") };
        assert!(low.abs() < 1e-9 && (high - 1.0).abs() < 1e-9);
        let Some(Wanted::Within { high, .. }) = usual("temperature", "[degF]") else { panic!("bounds are known") };
        assert!((high - 302.0).abs() < 1e-6);
        assert_eq!(usual("power", "kW"), None);
    }
}
