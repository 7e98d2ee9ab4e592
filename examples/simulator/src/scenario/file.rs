//! One's own scenario from a small TOML file; every mistake with file, line and column.
//!
//! ```toml
//! summary = "Both pumps fail one after the other"   # optional
//! [[fault]]
//! at_s = 10.0                                       # seconds after the start
//! until_s = 40.0                                    # optional: the fault ends by itself
//! name = "pump-trip"
//! target = "pump-1"                                 # optional: each fault has a usual target
//! ```
//! Knows no physics. Seconds. Never panics.

use super::{Fault, FaultError, Scenario, TimedFault};
use serde::Deserialize;
use std::ops::Range;
use thiserror::Error;
use toml::Spanned;

/// Why a scenario could not be had.
#[derive(Debug, Error)]
pub enum ScenarioError {
    /// Neither a name nor a path.
    #[error("no scenario is called \"{name}\"; the names are: {known}; or give the path of a .toml file")]
    UnknownName {
        /// As given.
        name: String,
        /// All names.
        known: String,
    },
    /// The file cannot be read.
    #[error("{path}: cannot be read ({cause}); check the path and its permissions")]
    Unreadable {
        /// As given.
        path: String,
        /// What the system said.
        cause: std::io::Error,
    },
    /// Mistakes in the file, each with line and column.
    #[error("{}", .mistakes.join("\n"))]
    Mistakes {
        /// One text a mistake, `path:line:column: …`.
        mistakes: Vec<String>,
    },
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Table {
    summary: Option<String>,
    #[serde(default)]
    fault: Vec<Spanned<toml::Table>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    at_s: f64,
    until_s: Option<f64>,
    name: String,
    target: Option<String>,
}

pub(super) fn read(path: &str) -> Result<Scenario, ScenarioError> {
    let text =
        std::fs::read_to_string(path).map_err(|cause| ScenarioError::Unreadable { path: path.to_owned(), cause })?;
    parse(path, &text)
}

pub(super) fn parse(path: &str, text: &str) -> Result<Scenario, ScenarioError> {
    let table: Table = toml::from_str(text).map_err(|error| ScenarioError::Mistakes {
        mistakes: vec![locate(path, text, error.span(), error.message())],
    })?;
    let mut faults = Vec::with_capacity(table.fault.len());
    let mut mistakes = Vec::new();
    for item in table.fault {
        let span = item.span();
        match timed_fault(item.into_inner()) {
            Ok(fault) => faults.push(fault),
            Err(what) => mistakes.push(locate(path, text, Some(span), &what)),
        }
    }
    if !mistakes.is_empty() {
        return Err(ScenarioError::Mistakes { mistakes });
    }
    faults.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    Ok(Scenario { name: path.to_owned(), summary: table.summary.unwrap_or_default(), faults })
}

fn timed_fault(item: toml::Table) -> Result<TimedFault, String> {
    let row: Row = item.try_into().map_err(|error: toml::de::Error| error.message().to_owned())?;
    if !(row.at_s.is_finite() && row.at_s >= 0.0) {
        return Err(format!("at_s = {} is no time after the start; give seconds, 0 or more", row.at_s));
    }
    if let Some(until_s) = row.until_s
        && !(until_s.is_finite() && until_s > row.at_s)
    {
        return Err(format!(
            "until_s = {until_s} is not after at_s = {}; leave it out for a fault that stays",
            row.at_s
        ));
    }
    let fault = Fault::from_name(&row.name, row.target.as_deref()).map_err(|e: FaultError| e.to_string())?;
    Ok(TimedFault { at_s: row.at_s, until_s: row.until_s, fault })
}

/// `path:line:column: what`, lines and columns from 1.
fn locate(path: &str, text: &str, span: Option<Range<usize>>, what: &str) -> String {
    let Some(start) = span.map(|s| s.start) else { return format!("{path}: {what}") };
    let before = text.get(..start).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
    format!("{path}:{line}:{column}: {what}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_good_file_gives_its_faults_in_time_order() {
        let text = "summary = \"two\"\n[[fault]]\nat_s = 20.0\nname = \"smoke\"\n[[fault]]\nat_s = 5\nuntil_s = 9.5\nname = \"pump-trip\"\ntarget = \"pump-2\"\n";
        let scenario = parse("own.toml", text).expect("well formed");
        assert_eq!(scenario.summary, "two");
        assert_eq!(scenario.faults[0].fault, Fault::PumpTrip(1));
        assert_eq!(scenario.faults[0].until_s, Some(9.5));
        assert_eq!(scenario.faults[1].fault, Fault::Smoke);
    }

    #[test]
    fn every_mistake_is_reported_with_its_line() {
        let text = "[[fault]]\nat_s = -1.0\nname = \"smoke\"\n[[fault]]\nat_s = 1.0\nname = \"smok\"\n[[fault]]\nat_s = \"x\"\nname = \"smoke\"\n[[fault]]\nat_s = 1.0\nname = \"leak\"\nuntil_s = 0.5\n[[fault]]\nat_s = 1.0\nname = \"leak\"\nplace = \"here\"\n";
        let Err(ScenarioError::Mistakes { mistakes }) = parse("own.toml", text) else { panic!("five mistakes") };
        assert_eq!(mistakes.len(), 5, "{mistakes:#?}");
        for (mistake, line) in mistakes.iter().zip([1, 4, 7, 10, 14]) {
            assert!(mistake.starts_with(&format!("own.toml:{line}:1: ")), "{mistake}");
        }
    }

    #[test]
    fn broken_toml_has_line_and_column() {
        let error = parse("own.toml", "[[fault]]\nat_s = = 3\n").expect_err("no TOML");
        assert!(error.to_string().starts_with("own.toml:2:8: "), "{error}");
        assert!(matches!(read("./no-such-file.toml"), Err(ScenarioError::Unreadable { .. })));
    }

    #[test]
    fn the_example_beside_the_demo_is_a_good_one() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../saltmarsh/both-pumps.toml");
        let scenario = Scenario::load(path).expect("the example loads");
        assert_eq!(scenario.faults.len(), 2);
        assert!(!scenario.summary.is_empty());
    }

    #[test]
    fn no_cut_file_panics() {
        let text = "summary = \"é\"\n[[fault]]\nat_s = 20.0\nname = \"smoke\"\n";
        for end in 0..text.len() {
            if let Some(part) = text.get(..end) {
                let _ = parse("own.toml", part);
            }
        }
    }
}
