//! `lapwing export`: readings of a range of time as CSV or Parquet, or everything about one incident in a folder.
//!
//! Reads the files of the data directory and never asks the agent, so it works while one runs and after the disk was moved
//! elsewhere; of a running agent the last minute may not be on disk yet. Decides what is asked for; `crate::export` writes.
//! Progress goes to standard error when that is a terminal. Never panics.

use std::io::IsTerminal as _;
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use super::End;
use crate::export::{Column, ExportError, Format, Range, incident, readings};
use crate::store::history::Reader;

/// File formats as the command line names them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Kind {
    Csv,
    #[cfg(feature = "export")]
    Parquet,
}

/// Arguments of `export`.
#[derive(Clone, Debug, Args)]
pub(super) struct ExportArgs {
    /// Data directory, as `dir` under `[store]` names it
    #[arg(long, value_name = "DIR")]
    data: PathBuf,
    /// First moment, RFC 3339: 2026-11-25T14:00:00Z
    #[arg(long, value_name = "TIME", required_unless_present = "incident", conflicts_with = "incident")]
    from: Option<jiff::Timestamp>,
    /// First moment that is not wanted any more, RFC 3339
    #[arg(long, value_name = "TIME", required_unless_present = "incident", conflicts_with = "incident")]
    to: Option<jiff::Timestamp>,
    /// Points, by path or pattern: * within a segment, ** for any number of them; all if not given
    #[arg(long = "point", value_name = "PATTERN")]
    points: Vec<String>,
    /// Everything about the incident with this number: readings, events, alarm settings, plots
    #[arg(long, value_name = "N")]
    incident: Option<u64>,
    /// Format of the readings
    #[arg(long, value_enum, default_value = "csv")]
    format: Kind,
    /// File to write; of an incident the folder
    #[arg(long, value_name = "PATH")]
    out: PathBuf,
}

/// Exports.
pub(super) fn export(args: &ExportArgs) -> End {
    match exported(args) {
        Ok(said) => {
            println!("{said}");
            End::Done
        }
        Err(error) => {
            eprintln!("Nothing was exported: {error}");
            End::NotTried
        }
    }
}

fn exported(args: &ExportArgs) -> Result<String, ExportError> {
    let reader = Reader::new(&args.data);
    let chosen = chosen(&reader, &args.points)?;
    let format = match args.format {
        Kind::Csv => Format::Csv,
        #[cfg(feature = "export")]
        Kind::Parquet => Format::Parquet,
    };
    let tell = progress();
    let said = match (args.incident, args.from, args.to) {
        (Some(number), ..) => incident::write(&args.data, &reader, number, &chosen, format, &args.out, tell)?,
        (None, Some(from), Some(to)) if from < to => {
            let range = Range { from: from.as_millisecond(), to: to.as_millisecond() };
            let count = readings::write(&reader, &chosen, range, format, &args.out, tell)?;
            format!("{count} readings of {} points are in {}.", chosen.len(), args.out.display())
        }
        (None, ..) => return Err(ExportError::Empty),
    };
    finish_progress();
    for loss in reader.take_losses() {
        eprintln!("Left out because it is damaged: {loss}");
    }
    Ok(said)
}

/// Points of the history that a pattern names, in order of their paths.
fn chosen(reader: &Reader, patterns: &[String]) -> Result<Vec<Column>, ExportError> {
    let mut builder = globset::GlobSetBuilder::new();
    for pattern in patterns {
        let glob = globset::GlobBuilder::new(pattern).literal_separator(true).build();
        builder.add(glob.map_err(|why| ExportError::Pattern { pattern: pattern.clone(), why: why.to_string() })?);
    }
    let set =
        builder.build().map_err(|why| ExportError::Pattern { pattern: patterns.join(" "), why: why.to_string() })?;
    let all = reader.points()?;
    if all.is_empty() {
        return Err(ExportError::NoHistory { dir: reader.directory().to_path_buf() });
    }
    let mut paths: Vec<Column> = all
        .into_iter()
        .filter(|point| patterns.is_empty() || set.is_match(Path::new(&point.path)))
        .map(|point| Column { path: point.path })
        .collect();
    paths.dedup();
    if paths.is_empty() { Err(ExportError::NoPoint { patterns: patterns.join(" ") }) } else { Ok(paths) }
}

/// Shows how far it is, where somebody can see it.
fn progress() -> impl FnMut(usize, usize) {
    let shown = std::io::stderr().is_terminal();
    move |done, of| {
        if shown && of > 0 {
            eprint!("\r{:3} % ", done * 100 / of);
        }
    }
}

fn finish_progress() {
    if std::io::stderr().is_terminal() {
        eprint!("\r      \r");
    }
}
