//! Small words of the dialogue: whether a typed value agrees, a value as one would type it, how often a point refreshes.
//!
//! Pure but for `now`, which stamps a finding with wall time, RFC 3339, UTC. Never panics.

use std::time::{SystemTime, UNIX_EPOCH};

use lapwing_protocol::Decimal;

use crate::core::clock::rfc3339;
use crate::plan::Point;
use crate::witness::checkout::board::Seen;
use crate::witness::checkout::entry::compare;

pub(super) fn agrees(point: &Point, typed: &str, seen: &Seen) -> bool {
    let value = seen.value.filter(|_| !seen.status.is_bad());
    value.is_some_and(|value| compare(point, typed, value).is_ok_and(|comparison| comparison.agrees()))
}

/// A value as one would type it.
pub(super) fn plain(point: &Point, value: i64) -> String {
    let state = point.states.iter().find(|(known, _)| *known == value);
    state.map_or_else(|| Decimal::new(value, point.exponent).to_string(), |(_, name)| name.clone())
}

pub(super) fn refresh_words(point: &Point, measured: Option<f64>) -> String {
    let period = point.scan_period.as_secs_f64();
    let measured_words = match measured {
        None => "no change seen yet".into(),
        Some(measured) if measured <= period * 1.25 => format!("refreshed every {period} s or faster"),
        Some(measured) => format!("refreshed about every {measured:.1} s"),
    };
    let told = point.refresh.map(|d| d.as_secs_f64());
    let slower = match (measured, told) {
        (Some(measured), Some(told)) if measured > told * 3.0 + period * 2.0 => {
            format!(" (the map says `refresh_s = {told}`)")
        }
        _ => String::new(),
    };
    format!("{measured_words}{slower}; read every {period} s")
}

pub(super) fn now() -> String {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    rfc3339(i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
}
