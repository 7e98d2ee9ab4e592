//! `expect`, `identity`, `identity_period` and `confirmed` of a `[[device]]`: by what it is known.
//!
//! A feature is a register (`holding:204`), a few registers together (`holding:201-202`) or an OID, as written; whether
//! the device's link can read it is judged in `assemble`. Never panics.

use std::time::Duration;

use toml::de::DeValue;

use crate::config::mistake::Report;
use crate::config::reader::{Item, entries, found, whole};
use crate::config::source::{Located, Place};
use crate::config::wrong::Wrong;
use crate::plan::Mark;

/// The four keys as written.
#[derive(Clone, Debug)]
pub(crate) struct IdentityItem {
    /// Key, feature and what it must show; `None`: what it showed first.
    pub(crate) features: Vec<(&'static str, Located<String>, Option<Mark>)>,
    pub(crate) period: Duration,
    /// Empty if nobody has confirmed anything.
    pub(crate) confirmed: String,
}

/// Shortest time between two looks.
const SHORTEST: Duration = Duration::from_secs(1);

/// Reads the keys.
pub(crate) fn read(item: &mut Item<'_>, report: &mut Report) -> IdentityItem {
    let mut features = expected(item, report);
    let kept = item.take::<Vec<Located<String>>>("identity", report).map_or_else(Vec::new, |list| list.value);
    features.extend(kept.into_iter().map(|feature| ("identity", feature, None)));
    for at in 1..features.len() {
        let (before, rest) = features.split_at(at);
        if let [(key, feature, _), ..] = rest
            && before.iter().any(|(_, other, _)| other.value == feature.value)
        {
            let wrong =
                Wrong::Duplicate { what: "feature", name: feature.value.clone(), first: "of the same device".into() };
            report.wrong(feature.place, item.key(key), wrong);
        }
    }
    let period = item.take::<Duration>("identity_period", report);
    if let Some(short) = period.as_ref().filter(|period| period.value < SHORTEST) {
        let value = crate::config::reader::written(short.value);
        let wrong = Wrong::OutOfRange { value, low: "1s".into(), high: "48d".into() };
        report.wrong(short.place, item.key("identity_period"), wrong);
    }
    let period = period.map_or(Duration::from_secs(86_400), |period| period.value.max(SHORTEST));
    let confirmed = item.take::<String>("confirmed", report);
    if let Some(confirmed) = &confirmed
        && !features.iter().any(|(key, _, _)| *key == "identity")
    {
        let (of, mend) =
            ("a device that names no identity".to_string(), "name in `identity` what is confirmed".to_string());
        let wrong = Wrong::KeyHasNoMeaning { key: "confirmed", of, mend };
        report.wrong(confirmed.place, item.key("confirmed"), wrong);
    }
    IdentityItem { features, period, confirmed: confirmed.map_or_else(String::new, |confirmed| confirmed.value) }
}

fn expected(item: &mut Item<'_>, report: &mut Report) -> Vec<(&'static str, Located<String>, Option<Mark>)> {
    let origin = item.place.origin;
    let Some(value) = item.raw("expect") else { return Vec::new() };
    let listed = match entries(value, origin) {
        Ok(listed) => listed,
        Err(wrong) => {
            report.wrong(Place::new(origin, &value.span()), item.key("expect"), wrong);
            return Vec::new();
        }
    };
    let mut features = Vec::new();
    for (feature, value) in listed {
        let mark = match value.get_ref() {
            number @ DeValue::Integer(_) => whole(number).map(Mark::Number),
            DeValue::String(text) => Ok(Mark::Text(text.trim_end_matches([' ', '\0']).to_string())),
            other => Err(Wrong::OtherType {
                expected: "a whole number or a text",
                found: found(other),
                mend: "write what the device shows there".into(),
            }),
        };
        match mark {
            Ok(mark) => features.push(("expect", feature, Some(mark))),
            Err(wrong) => report.wrong(Place::new(origin, &value.span()), item.key("expect"), wrong),
        }
    }
    features
}
