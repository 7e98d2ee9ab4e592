//! Which UCUM unit a person meant who wrote another spelling of it. Knows the protocol's table only. Never panics.

use lapwing_protocol::{Quantity, Unit};

/// The unit of a pure number.
pub(crate) fn one() -> &'static Unit {
    Unit::parse("1").unwrap_or(&Unit::all()[0])
}

/// The code meant by an unknown spelling: what people see (`°C`), other letters (`kpa`), common names, or a near code;
/// a unit of the quantity goes first.
pub(crate) fn meant(written: &str, quantity: Quantity) -> Option<String> {
    const NAMES: &[(&str, &str)] = &[
        ("c", "Cel"),
        ("celsius", "Cel"),
        ("degc", "Cel"),
        ("deg c", "Cel"),
        ("f", "[degF]"),
        ("degf", "[degF]"),
        ("fahrenheit", "[degF]"),
        ("rpm", "{rpm}"),
        ("1/min", "/min"),
        ("psi", "[psi]"),
        ("inh2o", "[in_i'H2O]"),
        ("gpm", "[gal_us]/min"),
        ("cfm", "[cft_i]/min"),
        ("kva", "kV.A"),
        ("va", "V.A"),
        ("var", "V.A{reactive}"),
        ("kvar", "kV.A{reactive}"),
        ("ppm", "[ppm]"),
        ("percent", "%"),
        ("pct", "%"),
        ("%rh", "%"),
        ("volt", "V"),
        ("volts", "V"),
        ("amp", "A"),
        ("amps", "A"),
        ("sec", "s"),
        ("seconds", "s"),
        ("minutes", "min"),
        ("hours", "h"),
        ("kwh", "kW.h"),
        ("wh", "W.h"),
        ("mwh", "MW.h"),
        ("ah", "A.h"),
        ("m³/h", "m3/h"),
        ("cmh", "m3/h"),
        ("lps", "L/s"),
        ("", "1"),
        ("-", "1"),
        ("none", "1"),
    ];
    let lower = written.to_lowercase();
    let fits = |unit: &&Unit| quantity.accepts(unit);
    let by_text = |unit: &&Unit| !unit.text().is_empty() && unit.text().to_lowercase() == lower;
    let by_letters = |unit: &&Unit| unit.code().to_lowercase() == lower;
    let all = || Unit::all().iter();
    all()
        .find(|unit| by_text(unit) && fits(unit))
        .or_else(|| all().find(|unit| by_letters(unit) && fits(unit)))
        .or_else(|| NAMES.iter().find(|(name, _)| *name == lower).and_then(|(_, code)| Unit::parse(code)))
        .or_else(|| all().find(by_text))
        .or_else(|| all().find(by_letters))
        .map(|unit| unit.code().to_string())
        .or_else(|| super::reader::nearest(written, all().filter(fits).map(Unit::code)))
        .or_else(|| super::reader::nearest(written, all().map(Unit::code)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn common_spellings() {
        for (written, quantity, code) in [
            ("°C", Quantity::Temperature, "Cel"),
            ("degC", Quantity::Temperature, "Cel"),
            ("C", Quantity::Temperature, "Cel"),
            ("cel", Quantity::Temperature, "Cel"),
            ("kva", Quantity::ApparentPower, "kV.A"),
            ("kW", Quantity::Power, "kW"),
            ("KW", Quantity::Power, "kW"),
            ("kwh", Quantity::Energy, "kW.h"),
            ("kWh", Quantity::Energy, "kW.h"),
            ("rpm", Quantity::Speed, "{rev}/min"),
            ("m³/h", Quantity::VolumeFlow, "m3/h"),
            ("%RH", Quantity::RelativeHumidity, "%"),
            ("mbars", Quantity::Pressure, "mbar"),
        ] {
            assert_eq!(meant(written, quantity).as_deref(), Some(code), "{written}");
        }
        assert_eq!(meant("zorkmid", Quantity::Current), None);
    }
}
