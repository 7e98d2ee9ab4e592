//! Readings of history: minimum, average, maximum and end of each bucket, or every reading as CSV.
//!
//! The open slot is handed to the disk first, so that the newest readings are there too. Values are in the points' units.
//! Runs on the blocking pool; changes nothing. Never panics.

use std::fmt::Write as _;
use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use lapwing_protocol::Decimal;
use schemars::JsonSchema;
use serde::Serialize;

use super::trouble::Trouble;
use super::{Shared, serve};
use crate::core::clock::rfc3339;
use crate::store::history::{HistoryError, Reader, Series, Wanted};

/// Points in one answer.
const POINTS_MOST: usize = 12;
/// Buckets in one answer.
const BUCKETS_MOST: u32 = 4000;
/// Readings in one CSV: a day of twelve points a second.
const ROWS_MOST: usize = 1_100_000;

/// What is asked; made by hand, because `point` may stand more than once.
#[derive(Clone, Debug, Default, PartialEq, Eq, JsonSchema)]
pub(super) struct ReadingsQuery {
    /// Path of a point; may stand up to twelve times.
    #[schemars(length(min = 1, max = 12))]
    point: Vec<String>,
    /// From this moment, ms since the Unix epoch.
    #[schemars(range(min = 0, max = 8_000_000_000_000_i64))]
    from: i64,
    /// To this moment, not included.
    #[schemars(range(min = 0, max = 8_000_000_000_000_i64))]
    to: i64,
    /// So many stretches of equal length, 1 to 4000.
    #[schemars(range(min = 1, max = 4000))]
    buckets: Option<u32>,
    /// `json` or `csv`; CSV has every reading.
    #[schemars(regex(pattern = "^(json|csv)$"))]
    format: Option<String>,
}

/// `GET /api/readings`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub(super) struct Readings {
    /// From.
    from: i64,
    /// To.
    to: i64,
    /// By point; those without any history are left out.
    points: Vec<PointReadings>,
}

/// One point's buckets that hold readings; all lists are of one length.
#[derive(Clone, Debug, Serialize, JsonSchema)]
struct PointReadings {
    /// Path.
    path: String,
    /// UCUM code of its unit then.
    unit: String,
    /// Begin of each bucket.
    t: Vec<i64>,
    /// Lowest; null where every reading was bad.
    min: Vec<Option<f64>>,
    /// Highest.
    max: Vec<Option<f64>>,
    /// Mean.
    average: Vec<Option<f64>>,
    /// Last.
    end: Vec<Option<f64>>,
}

/// `GET /api/readings`.
pub(super) async fn readings(State(shared): State<Arc<Shared>>, uri: axum::http::Uri) -> Result<Response, Trouble> {
    let query = parse(uri.query().unwrap_or_default()).map_err(Trouble::Malformed)?;
    let known = |path: &String| shared.plan.points.iter().any(|point| point.path == *path);
    if let Some(strange) = query.point.iter().find(|path| !known(path)) {
        return Err(Trouble::Missing(format!(
            "There is no point '{}'; /api/points lists all.",
            strange.escape_default()
        )));
    }
    let Some(history) = shared.history.clone() else {
        return Err(Trouble::Unavailable(
            "History is not kept: see `history` under [store] and the agent's log.".into(),
        ));
    };
    let dir = shared.plan.store.dir.clone();
    let csv = query.format.as_deref() == Some("csv");
    serve::blocking(move || {
        history.flush();
        let reader = Reader::new(&dir);
        let paths: Vec<&str> = query.point.iter().map(String::as_str).collect();
        let wanted = if csv { Wanted::Readings } else { Wanted::Buckets(query.buckets.unwrap_or(500)) };
        let series = reader.readings(&paths, query.from, query.to, wanted).map_err(unavailable)?;
        if csv { as_csv(&series) } else { Ok(Json(as_buckets(&query, &series)).into_response()) }
    })
    .await?
}

fn unavailable(error: HistoryError) -> Trouble {
    Trouble::Unavailable(format!("History cannot be read: {error}."))
}

/// The query's parts, percent-decoded.
fn parse(text: &str) -> Result<ReadingsQuery, String> {
    let pairs: Vec<(String, String)> =
        serde_urlencoded::from_str(text).map_err(|error| format!("The query cannot be read: {error}."))?;
    let mut query = ReadingsQuery { from: i64::MIN, to: i64::MIN, ..ReadingsQuery::default() };
    let stamp = |name: &str, text: &str| {
        let known = text.parse::<i64>().ok().filter(|t| (0..=8_000_000_000_000).contains(t));
        known.ok_or_else(|| format!("{name} is '{}'; it is milliseconds since 1970.", text.escape_default()))
    };
    for (name, value) in pairs {
        match name.as_str() {
            "point" => query.point.push(value),
            "from" => query.from = stamp("from", &value)?,
            "to" => query.to = stamp("to", &value)?,
            "buckets" => {
                let buckets = value.parse::<u32>().ok().filter(|n| (1..=BUCKETS_MOST).contains(n));
                query.buckets = Some(buckets.ok_or_else(|| format!("buckets must be 1 to {BUCKETS_MOST}."))?);
            }
            "format" if value == "csv" || value == "json" => query.format = Some(value),
            "format" => return Err("format is json or csv.".into()),
            other => {
                return Err(format!(
                    "There is no parameter '{}': point, from, to, buckets, format.",
                    other.escape_default()
                ));
            }
        }
    }
    if query.point.is_empty() || query.point.len() > POINTS_MOST {
        return Err(format!("Name 1 to {POINTS_MOST} points, each as point=PATH."));
    }
    if query.from == i64::MIN || query.to == i64::MIN || query.to <= query.from {
        return Err("Give from and a later to, in milliseconds since 1970.".into());
    }
    Ok(query)
}

fn as_buckets(query: &ReadingsQuery, series: &[Series]) -> Readings {
    let points = series.iter().map(|one| {
        let real = |integer: i64| Decimal::new(integer, one.exponent).to_f64();
        let unit = Decimal::new(1, one.exponent).to_f64();
        let mut point = PointReadings {
            path: one.path.clone(),
            unit: one.unit.clone(),
            t: Vec::new(),
            min: Vec::new(),
            max: Vec::new(),
            average: Vec::new(),
            end: Vec::new(),
        };
        for bucket in one.buckets.iter().filter(|bucket| bucket.count > 0 || bucket.bad > 0) {
            let usable = bucket.count > 0;
            point.t.push(bucket.t);
            point.min.push(usable.then(|| real(bucket.minimum)));
            point.max.push(usable.then(|| real(bucket.maximum)));
            point.average.push(usable.then_some(bucket.average * unit));
            point.end.push(usable.then(|| real(bucket.end)));
        }
        point
    });
    Readings { from: query.from, to: query.to, points: points.collect() }
}

fn as_csv(series: &[Series]) -> Result<Response, Trouble> {
    let rows: usize = series.iter().map(|one| one.samples.len()).sum();
    if rows > ROWS_MOST {
        return Err(Trouble::Malformed(format!(
            "That is {rows} readings; ask for a shorter time, or use `lapwing export` for more than {ROWS_MOST}."
        )));
    }
    let mut text = String::from("time,point,unit,value,status\n");
    for one in series {
        for sample in &one.samples {
            let value = sample.value.map_or_else(String::new, |value| Decimal::new(value, one.exponent).to_string());
            // Paths, units and numbers hold nothing that CSV would quote; writing to a string cannot fail.
            let _infallible =
                writeln!(text, "{},{},{},{value},{}", rfc3339(sample.t), one.path, one.unit, sample.status.number());
        }
    }
    let name = "attachment; filename=\"readings.csv\"";
    Ok(([(header::CONTENT_TYPE, "text/csv; charset=utf-8"), (header::CONTENT_DISPOSITION, name)], text).into_response())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_query_is_read_or_refused_with_its_mend() {
        let good = parse("point=coil%2Fwater%2Fflow&point=b&from=1&to=9&buckets=10&format=csv").expect("good");
        assert_eq!(good.point, ["coil/water/flow", "b"]);
        assert_eq!((good.from, good.to, good.buckets), (1, 9, Some(10)));
        for bad in [
            "",
            "point=a",
            "point=a&from=9&to=9",
            "point=a&from=x&to=9",
            "point=a&from=1&to=9&buckets=0",
            "point=a&from=1&to=9&buckets=4001",
            "point=a&from=1&to=9&format=xml",
            "point=a&from=1&to=9&colour=red",
            "from=1&to=9",
            "point=a&from=-1&to=9",
        ] {
            assert!(parse(bad).is_err(), "{bad}");
        }
    }
}
