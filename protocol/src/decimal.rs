//! A value as an exact decimal: i64 × 10^exponent.
//!
//! Engine, wire and history see the same integer; a point's exponent is fixed by its resolution. Rounding is half to
//! even. Written to JSON as the plain number (21.4). Overflow is an error by name, never a wrapped number. Knows no unit.
//! Never panics.

use core::fmt;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// An exact decimal number.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Decimal {
    /// The integer part of the representation.
    pub mantissa: i64,
    /// Power of ten it is multiplied by, -18..=18.
    pub exponent: i8,
}

/// Why a number cannot be held.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DecimalError {
    /// NaN or infinite.
    NotFinite,
    /// Larger than an i64 at this exponent holds.
    TooLarge,
    /// Text that is no decimal number.
    NotANumber,
}

impl fmt::Display for DecimalError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NotFinite => "not a finite number",
            Self::TooLarge => "too large for its resolution",
            Self::NotANumber => "not a decimal number",
        })
    }
}

impl core::error::Error for DecimalError {}

impl Decimal {
    /// From integer and power of ten.
    #[must_use]
    pub const fn new(mantissa: i64, exponent: i8) -> Self {
        Self { mantissa, exponent }
    }

    /// The nearest multiple of 10^exponent, half to even.
    ///
    /// # Errors
    /// `NotFinite` for NaN and infinities, `TooLarge` when the integer does not fit.
    pub fn quantise(value: f64, exponent: i8) -> Result<Self, DecimalError> {
        if !value.is_finite() {
            return Err(DecimalError::NotFinite);
        }
        // Dividing by 10^n is exact where multiplying by 10^-n is not (0.1 has no binary form).
        let scaled =
            if exponent < 0 { value * power(exponent.unsigned_abs()) } else { value / power(exponent.unsigned_abs()) };
        let rounded = libm::rint(scaled);
        // 2^63 as f64; the largest f64 below it still fits.
        if !(-9_223_372_036_854_775_808.0..9_223_372_036_854_775_808.0).contains(&rounded) {
            return Err(DecimalError::TooLarge);
        }
        #[allow(clippy::cast_possible_truncation)]
        Ok(Self { mantissa: rounded as i64, exponent })
    }

    /// The same number at another exponent, half to even where digits are lost.
    ///
    /// # Errors
    /// `TooLarge` when the integer does not fit.
    pub fn rescale(self, exponent: i8) -> Result<Self, DecimalError> {
        rescale_wide(i128::from(self.mantissa), self.exponent, exponent).map(|mantissa| Self { mantissa, exponent })
    }

    /// The nearest f64.
    #[must_use]
    pub fn to_f64(self) -> f64 {
        // Up to there integer and power are exact, and one operation rounds once.
        if self.mantissa.unsigned_abs() > 1 << 53 {
            let mut text = Text::default();
            if fmt::Write::write_fmt(&mut text, format_args!("{}e{}", self.mantissa, self.exponent)).is_ok()
                && let Some(value) = text.get().and_then(|text| text.parse().ok())
            {
                return value;
            }
        }
        #[allow(clippy::cast_precision_loss)]
        let m = self.mantissa as f64;
        if self.exponent < 0 {
            m / power(self.exponent.unsigned_abs())
        } else {
            m * power(self.exponent.unsigned_abs())
        }
    }

    /// Reads `-12.50`, `3`, `1.2e-3` exactly; the exponent is what the text carries.
    ///
    /// # Errors
    /// `NotANumber`, or `TooLarge` when the digits do not fit.
    pub fn parse(text: &str) -> Result<Self, DecimalError> {
        let (number, power) = match text.find(['e', 'E']) {
            Some(at) => (&text[..at], text[at + 1..].parse::<i32>().map_err(|_| DecimalError::NotANumber)?),
            None => (text, 0),
        };
        let (negative, digits) = match number.as_bytes().first() {
            Some(b'-') => (true, &number[1..]),
            Some(b'+') => (false, &number[1..]),
            _ => (false, number),
        };
        let (mut mantissa, mut exponent, mut any, mut point) = (0_i64, power, false, false);
        for byte in digits.bytes() {
            match byte {
                b'0'..=b'9' => {
                    any = true;
                    mantissa = mantissa
                        .checked_mul(10)
                        .and_then(|m| m.checked_add(i64::from(byte - b'0')))
                        .ok_or(DecimalError::TooLarge)?;
                    exponent = exponent.saturating_sub(i32::from(point));
                }
                b'.' if !point => point = true,
                _ => return Err(DecimalError::NotANumber),
            }
        }
        if !any {
            return Err(DecimalError::NotANumber);
        }
        let exponent = i8::try_from(exponent).ok().filter(|e| (-18..=18).contains(e)).ok_or(DecimalError::TooLarge)?;
        Ok(Self { mantissa: if negative { -mantissa } else { mantissa }, exponent })
    }
}

/// An integer of any width moved from one power of ten to another, half to even.
///
/// # Errors
/// `TooLarge` when the result does not fit an i64.
pub fn rescale_wide(mantissa: i128, from: i8, to: i8) -> Result<i64, DecimalError> {
    let shift = i32::from(from) - i32::from(to);
    let wide = if shift >= 0 {
        let factor = 10_i128.checked_pow(shift.unsigned_abs()).ok_or(DecimalError::TooLarge);
        match (mantissa, factor) {
            (0, _) => 0,
            (m, factor) => m.checked_mul(factor?).ok_or(DecimalError::TooLarge)?,
        }
    } else {
        match 10_i128.checked_pow(shift.unsigned_abs()) {
            None => 0,
            Some(divisor) => {
                let (quotient, rest) = (mantissa.div_euclid(divisor), mantissa.rem_euclid(divisor));
                match rest.cmp(&(divisor - rest)) {
                    core::cmp::Ordering::Less => quotient,
                    core::cmp::Ordering::Greater => quotient + 1,
                    core::cmp::Ordering::Equal => quotient + (quotient & 1),
                }
            }
        }
    };
    i64::try_from(wide).map_err(|_| DecimalError::TooLarge)
}

/// 10^n; exact in f64 up to n = 22.
fn power(n: u8) -> f64 {
    const EXACT: [f64; 23] = [
        1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19,
        1e20, 1e21, 1e22,
    ];
    EXACT.get(usize::from(n)).copied().unwrap_or_else(|| libm::pow(10.0, f64::from(n)))
}

impl fmt::Display for Decimal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.mantissa < 0 { "-" } else { "" };
        let m = self.mantissa.unsigned_abs();
        if self.exponent >= 0 {
            if m == 0 {
                return f.write_str("0");
            }
            write!(f, "{sign}{m}")?;
            for _ in 0..self.exponent {
                f.write_str("0")?;
            }
            return Ok(());
        }
        let places = usize::from(self.exponent.unsigned_abs());
        match 10_u64.checked_pow(u32::from(self.exponent.unsigned_abs())) {
            Some(divisor) => write!(f, "{sign}{}.{:0places$}", m / divisor, m % divisor),
            None => write!(f, "{sign}0.{m:0places$}"),
        }
    }
}

impl Serialize for Decimal {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        if self.exponent >= 0
            && let Ok(whole) = self.rescale(0)
        {
            return serializer.serialize_i64(whole.mantissa);
        }
        serializer.serialize_f64(self.to_f64())
    }
}

impl<'de> Deserialize<'de> for Decimal {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Number;
        impl serde::de::Visitor<'_> for Number {
            type Value = Decimal;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a decimal number")
            }
            fn visit_i64<E: serde::de::Error>(self, v: i64) -> Result<Decimal, E> {
                Ok(Decimal::new(v, 0))
            }
            fn visit_u64<E: serde::de::Error>(self, v: u64) -> Result<Decimal, E> {
                i64::try_from(v).map(|m| Decimal::new(m, 0)).map_err(|_| E::custom(DecimalError::TooLarge))
            }
            fn visit_f64<E: serde::de::Error>(self, v: f64) -> Result<Decimal, E> {
                shortest(v).map_err(E::custom)
            }
        }
        deserializer.deserialize_any(Number)
    }
}

/// The decimal with the fewest places that is this f64 again: undoes `to_f64` wherever a decimal can. A number smaller than
/// our places hold becomes the nearest one that they do.
fn shortest(value: f64) -> Result<Decimal, DecimalError> {
    let whole = Decimal::quantise(value, 0)?;
    let mut text = Text::default();
    // The shortest digits that are this number and no other.
    let written = fmt::Write::write_fmt(&mut text, format_args!("{value:e}")).is_ok();
    match text.get().filter(|_| written).map(Decimal::parse) {
        Some(Ok(decimal)) if decimal.exponent <= 0 => Ok(decimal),
        Some(Ok(decimal)) => Ok(decimal.rescale(0).unwrap_or(whole)),
        Some(Err(_)) | None => {
            let mut nearest = Decimal::quantise(value, -18).unwrap_or(whole);
            while nearest.exponent < 0 && nearest.mantissa % 10 == 0 {
                nearest = Decimal::new(nearest.mantissa / 10, nearest.exponent + 1);
            }
            Ok(nearest)
        }
    }
}

/// Room for one number as text.
#[derive(Default)]
struct Text {
    bytes: [u8; 32],
    len: usize,
}

impl Text {
    fn get(&self) -> Option<&str> {
        core::str::from_utf8(self.bytes.get(..self.len)?).ok()
    }
}

impl fmt::Write for Text {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        let end = self.len + text.len();
        self.bytes.get_mut(self.len..end).ok_or(fmt::Error)?.copy_from_slice(text.as_bytes());
        self.len = end;
        Ok(())
    }
}

#[cfg(feature = "schema")]
impl schemars::JsonSchema for Decimal {
    fn schema_name() -> alloc::borrow::Cow<'static, str> {
        "Decimal".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "number", "description": "An exact decimal, at most 18 places." })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::string::ToString;

    #[test]
    fn rounds_half_to_even() {
        for (value, expected) in [(0.5, 0), (1.5, 2), (2.5, 2), (-0.5, 0), (-1.5, -2), (21.449, 21)] {
            assert_eq!(Decimal::quantise(value, 0).expect("finite").mantissa, expected, "{value}");
        }
        assert_eq!(Decimal::new(25, -1).rescale(0), Ok(Decimal::new(2, 0)));
        assert_eq!(Decimal::new(-25, -1).rescale(0), Ok(Decimal::new(-2, 0)));
        assert_eq!(Decimal::new(-35, -1).rescale(0), Ok(Decimal::new(-4, 0)));
    }

    #[test]
    fn prints_as_people_write() {
        assert_eq!(Decimal::new(214, -1).to_string(), "21.4");
        assert_eq!(Decimal::new(-5, -2).to_string(), "-0.05");
        assert_eq!(Decimal::new(3, 2).to_string(), "300");
        assert_eq!(Decimal::new(i64::MIN, -18).to_string(), "-9.223372036854775808");
    }

    #[test]
    fn refuses_what_does_not_fit() {
        assert_eq!(Decimal::quantise(f64::NAN, 0), Err(DecimalError::NotFinite));
        assert_eq!(Decimal::quantise(1e19, 0), Err(DecimalError::TooLarge));
        assert_eq!(Decimal::new(i64::MAX, 1).rescale(0), Err(DecimalError::TooLarge));
        assert_eq!(Decimal::parse("1.2.3"), Err(DecimalError::NotANumber));
        assert_eq!(Decimal::parse("é"), Err(DecimalError::NotANumber));
        assert_eq!(Decimal::parse(""), Err(DecimalError::NotANumber));
        assert_eq!(Decimal::parse("1.5e-2147483648"), Err(DecimalError::TooLarge));
        assert_eq!(rescale_wide(99_999_999_999_999_999_999_999_999_999_999_999_999, 0, 38), Ok(1));
    }

    #[test]
    fn json_is_the_plain_number() {
        let text = serde_json::to_string(&Decimal::new(214, -1)).expect("serialises");
        assert_eq!(text, "21.4");
        assert_eq!(serde_json::from_str::<Decimal>("21.4").expect("reads"), Decimal::new(214, -1));
        assert_eq!(serde_json::to_string(&Decimal::new(3, 2)).expect("serialises"), "300");
    }

    #[test]
    fn every_number_that_fits_is_read() {
        for text in ["1234567.8901234567", "0.30000000000000004", "1e-300", "9.2e18", "-123456789012345.67", "5e-324"] {
            let value: f64 = text.parse().expect("a number");
            let read = serde_json::from_str::<Decimal>(text).expect("fits");
            assert!((read.to_f64() - value).abs() <= value.abs() * 1e-15 + 1e-18, "{text} read as {read}");
        }
        assert!(serde_json::from_str::<Decimal>("9.3e18").is_err());
        assert!(serde_json::from_str::<Decimal>("18446744073709551615").is_err());
        assert!(serde_json::from_str::<Decimal>("\"21.4\"").is_err());
    }

    proptest::proptest! {
        #[test]
        fn any_float_is_answered(value: f64) {
            if let Ok(read) = shortest(value) {
                proptest::prop_assert!((read.to_f64() - value).abs() <= value.abs() * 1e-15 + 1e-18);
            } else {
                proptest::prop_assert!(value.is_nan() || value.abs() >= 9.2e18);
            }
        }

        #[test]
        fn text_round_trip(mantissa: i64, exponent in -17_i8..=0) {
            let value = Decimal::new(mantissa, exponent);
            if mantissa != i64::MIN {
                proptest::prop_assert_eq!(Decimal::parse(&value.to_string()), Ok(value));
            }
        }

        #[test]
        fn f64_round_trip_to_15_digits(mantissa in -999_999_999_999_999_i64..=999_999_999_999_999, exponent in -12_i8..=0) {
            let value = Decimal::new(mantissa, exponent);
            proptest::prop_assert_eq!(Decimal::quantise(value.to_f64(), exponent), Ok(value));
        }

        #[test]
        fn any_text_is_answered(text in ".{0,24}") {
            let _ = Decimal::parse(&text);
        }
    }

    /// Whatever number comes in, what is read of it is written and read again as the same.
    #[test]
    fn what_was_read_is_read_again() {
        let again = |value: f64| {
            let read = shortest(value).expect("fits");
            assert_eq!(shortest(read.to_f64()), Ok(read), "{value:e}");
            read
        };
        for value in [0.0, -0.0, 1e-300, 4e-19, 1.04e-17, 5.1e-18, -9.99e-18, 0.1, 21.4, 1e15, 9.2e18] {
            again(value);
        }
        assert_eq!(again(1e-300), Decimal::new(0, 0));
        assert_eq!(again(1.04e-17), Decimal::new(1, -17));
        assert_eq!(again(1e18), Decimal::new(1_000_000_000_000_000_000, 0));
        assert_eq!(again(21.400_000_000_000_002), Decimal::new(21_400_000_000_000_002, -15));
        assert_eq!(Decimal::new(21_400_000_000_000_002, -15).to_f64(), 21.400_000_000_000_002);
        let mut bits = 0x3FB9_9999_9999_999A_u64;
        for _ in 0..20_000 {
            bits ^= bits << 13;
            bits ^= bits >> 7;
            bits ^= bits << 17;
            let value = f64::from_bits(bits);
            if let Ok(read) = shortest(value) {
                again(read.to_f64());
                #[allow(clippy::float_cmp)]
                let is_exact = read.to_f64() == value;
                assert!(is_exact || value.abs() < 0.1, "{value:e} became {read:?}");
            }
        }
    }
}
