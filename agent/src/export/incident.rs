//! Everything about one incident in a folder: readings, events, alarms with their settings, configuration, plots.
//!
//! An incident is the occurrences that belong together; its number stands in each of their events. The folder covers half an
//! hour before its first event to two hours after its last. Without a pattern the readings are those of every point.
//!
//! ```text
//! readings.csv|parquet   events.jsonl (as published)   alarms.json   configuration/…   plots/*.svg
//! ```
//!
//! Times are wall milliseconds. Never panics.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use serde_json::Value;

use super::{Column, ExportError, Format, Range, readings};
use crate::store::history::Reader;
use crate::store::snapshot::Snapshot;

/// How much before and after belongs to it, ms.
const AROUND: (i64, i64) = (30 * 60_000, 120 * 60_000);
/// What of an alarm's event says how it is set.
const SETTINGS: [&str; 16] = [
    "alarm",
    "condition",
    "priority",
    "impact",
    "point",
    "tag",
    "where",
    "limit",
    "unit",
    "consequence",
    "response",
    "first_check",
    "safety",
    "respond_within_s",
    "follows",
    "first_out",
];

/// Writes the folder; what was done, as a sentence.
///
/// # Errors
/// When there is no such incident, or something cannot be read or written.
pub fn write(
    data_dir: &Path,
    reader: &Reader,
    number: u64,
    points: &[Column],
    format: Format,
    out: &Path,
    tell: impl FnMut(usize, usize),
) -> Result<String, ExportError> {
    let store = Snapshot::of(data_dir)?;
    let mut of: Vec<Value> = Vec::new();
    let (mut first, mut last) = (i64::MAX, i64::MIN);
    for event in store.events(i64::MIN, i64::MAX)? {
        let Ok(value) = serde_json::from_slice::<Value>(&event.payload) else { continue };
        if value.get("incident").and_then(Value::as_u64) == Some(number) {
            (first, last) = (first.min(event.t_ms), last.max(event.t_ms));
            of.push(value);
        }
    }
    if of.is_empty() {
        return Err(ExportError::NoIncident { number });
    }
    let range = Range { from: first - AROUND.0, to: last + AROUND.1 };
    std::fs::create_dir_all(out).map_err(|why| ExportError::write(out, why))?;
    let put = |name: &str, bytes: &[u8]| {
        let path = out.join(name);
        if let Some(dir) = path.parent() {
            std::fs::create_dir_all(dir).map_err(|why| ExportError::write(dir, why))?;
        }
        std::fs::write(&path, bytes).map_err(|why| ExportError::write(&path, why))
    };

    let mut lines = Vec::new();
    for event in store.events(range.from, range.to)? {
        lines.extend_from_slice(&event.payload);
        lines.push(b'\n');
    }
    put("events.jsonl", &lines)?;

    let mut alarms: BTreeMap<String, Value> = BTreeMap::new();
    let mut paths = BTreeSet::new();
    for event in &of {
        let settings: serde_json::Map<String, Value> = SETTINGS
            .iter()
            .filter_map(|key| Some(((*key).to_owned(), event.get(*key).filter(|value| !value.is_null())?.clone())))
            .collect();
        if let Some(id) = event.get("alarm").and_then(Value::as_str) {
            alarms.insert(id.to_owned(), Value::Object(settings));
        }
        paths.extend(event.get("point").and_then(Value::as_str).map(str::to_owned));
    }
    let text = serde_json::to_vec_pretty(&alarms).map_err(|why| ExportError::write(out, why))?;
    put("alarms.json", &text)?;
    configuration(reader, first, &put)?;

    let name = match format {
        Format::Csv => "readings.csv",
        #[cfg(feature = "export")]
        Format::Parquet => "readings.parquet",
    };
    let count = readings::write(reader, points, range, format, &out.join(name), tell)?;
    #[cfg(feature = "export")]
    for path in &paths {
        let limits = of.iter().filter(|event| event.get("point").and_then(Value::as_str) == Some(path));
        let limits: BTreeSet<String> = limits.filter_map(|event| event.get("limit").map(Value::to_string)).collect();
        if let Some(svg) = super::plot::svg(reader, path, range, first, &limits)? {
            put(&format!("plots/{}.svg", path.replace('/', "-")), svg.as_bytes())?;
        }
    }
    Ok(format!(
        "Incident {number}: {count} readings, {} alarms and what happened around them are in {}.",
        alarms.len(),
        out.display()
    ))
}

/// The configuration that was in force, as its files were.
fn configuration(
    reader: &Reader,
    t: i64,
    put: &impl Fn(&str, &[u8]) -> Result<(), ExportError>,
) -> Result<(), ExportError> {
    let wall = reader.wall()?;
    let starts = reader.starts()?;
    let Some(start) = starts.iter().rev().find(|start| wall.t(start.at) <= t).or(starts.first()) else { return Ok(()) };
    let text = reader.text("config", &start.config)?;
    let files = text.and_then(|text| serde_json::from_slice::<Vec<(String, String)>>(&text).ok());
    for (name, text) in files.into_iter().flatten() {
        // Variables have no folder and no ending; a name must not lead out of the folder.
        let inside = !name.starts_with('/') && !name.split('/').any(|part| part == "..");
        let name = if inside { name } else { name.replace(['/', '.'], "_") };
        put(&format!("configuration/{name}"), text.as_bytes())?;
    }
    Ok(())
}
