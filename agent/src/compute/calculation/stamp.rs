//! Time stamps of RFC 3339 as seconds since the Unix epoch.
//!
//! Only the RFC's own form (§5.6): date, `T` or a blank, time with seconds, a fraction of any length, `Z` or an offset
//! with hours and minutes. A leap second, :60, counts as the second after it, as POSIX seconds do. Never panics.

use jiff::Timestamp;
use serde::Deserialize;

use super::super::NoNumber;
use super::{Calculation, Found, domain, typed};

pub(super) const CALCULATIONS: &[Calculation] =
    &[Calculation { name: "rfc3339_epoch", takes: "s (a time stamp)", unit: "s", run: |inputs| typed(inputs, epoch) }];

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Stamp {
    s: String,
}

fn epoch(Stamp { s }: Stamp) -> Result<Found, NoNumber> {
    let leap = form(s.as_bytes()).ok_or_else(|| domain("not a time stamp as in RFC 3339: 1985-04-12T23:20:50.52Z"))?;
    let text = if leap { s.replacen(":60", ":59", 1) } else { s };
    let stamp: Timestamp = text.parse().map_err(|error: jiff::Error| domain(error.to_string()))?;
    #[allow(clippy::cast_precision_loss)] // whole seconds of years 0–9999 are exact
    let seconds = (stamp.as_second() + i64::from(leap)) as f64;
    Ok((seconds + f64::from(stamp.subsec_nanosecond()) / 1e9).into())
}

/// Whether the seconds are 60; `None` if the text has another form.
fn form(text: &[u8]) -> Option<bool> {
    let fits = |text: &[u8], form: &[u8]| {
        text.len() == form.len()
            && text.iter().zip(form).all(|(byte, wanted)| match wanted {
                b'0' => byte.is_ascii_digit(),
                b'T' => matches!(byte, b'T' | b't' | b' '),
                _ => byte == wanted,
            })
    };
    let (moment, rest) = text.split_at_checked(19)?;
    if !fits(moment, b"0000-00-00T00:00:00") {
        return None;
    }
    let digits = rest.strip_prefix(b".").map_or(0, |rest| rest.iter().take_while(|byte| byte.is_ascii_digit()).count());
    let zone = match (rest.first(), digits) {
        (Some(b'.'), 0) => return None,
        (Some(b'.'), digits) => rest.get(1 + digits..)?,
        _ => rest,
    };
    // §5.6: hours to 23, minutes to 59, in an offset too.
    let offset = fits(zone, b"+00:00") || fits(zone, b"-00:00");
    let zone_fits = matches!(zone, b"Z" | b"z") || offset && zone[1..3] < b"24"[..] && zone[4..] < b"60"[..];
    zone_fits.then_some(moment.ends_with(b":60"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seconds(s: &str) -> Option<f64> {
        epoch(Stamp { s: s.into() }).ok()?.value.as_f64()
    }

    #[test]
    fn examples_of_the_rfc() {
        // §5.8; the second of each pair is the same moment.
        for (one, other) in [
            ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"),
            ("1990-12-31T23:59:60Z", "1990-12-31T15:59:60-08:00"),
            ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.87Z"),
        ] {
            assert!(seconds(one).is_some(), "{one}");
            assert_eq!(seconds(one), seconds(other), "{one}");
        }
        assert_eq!(seconds("1985-04-12T23:20:50.52Z"), Some(482_196_050.52));
        assert_eq!(seconds("1990-12-31T23:59:60Z"), seconds("1991-01-01T00:00:00Z"));
        assert_eq!(seconds("1970-01-01t00:00:00-00:00"), Some(0.0), "offset not known");
    }

    #[test]
    fn what_is_no_time_stamp() {
        for text in [
            "",
            "1985-04-12",
            "1985-04-12T23:20:50",
            "1985-04-12T23:20Z",
            "1985-04-12T23:20:50.Z",
            "1985-13-12T23:20:50Z",
            "1985-04-31T23:20:50Z",
            "1985-04-12T24:20:50Z",
            "1985-04-12T23:20:61Z",
            "1985-04-12T23:20:50+0800",
            "1985-04-12T23:20:50+08",
            "1985-04-12T23:20:50Z[UTC]",
            "1985-04-12T23:20:50é",
            "+001985-04-12T23:20:50Z",
            "1985-04-12T23:20:50+24:00",
            "1985-04-12T23:20:50+08:60",
        ] {
            assert_eq!(seconds(text), None, "{text}");
        }
    }
}
