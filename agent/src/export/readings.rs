//! Writes readings of a range: one row a reading, a few points and a day at a time so that memory stays small.
//!
//! CSV (RFC 4180) has `time` (RFC 3339, UTC), `t` (ms since the Unix epoch), `point`, `value`, `unit`, `status` (OPC UA
//! number) and `quality` in words; a reading judged bad has no value. Values are written with the digits the point has.
//! Parquet has the same columns but `time` and `quality`. Never panics.

use std::fs::File;
use std::io::BufWriter;
use std::path::Path;

use lapwing_protocol::Decimal;

use super::{Column, ExportError, Format, Range};
use crate::core::clock::rfc3339;
use crate::store::history::{Reader, Series, Wanted};

/// Read at one time.
const PIECE_MS: i64 = 86_400_000;
/// Points read together: each reading of files serves all of them, and a day of so many fits memory.
const TOGETHER: usize = 16;

/// Takes series in pieces and writes them.
pub(super) trait Sink {
    /// Adds what was found of a point.
    fn add(&mut self, series: &Series) -> Result<(), ExportError>;
    /// Everything has come.
    fn finish(self: Box<Self>) -> Result<(), ExportError>;
}

/// Writes a range to a file; how many readings there were. `tell` hears how far it is.
///
/// # Errors
/// When the history cannot be read or the file not written.
pub fn write(
    reader: &Reader,
    points: &[Column],
    range: Range,
    format: Format,
    out: &Path,
    mut tell: impl FnMut(usize, usize),
) -> Result<u64, ExportError> {
    let mut sink: Box<dyn Sink> = match format {
        Format::Csv => Box::new(Csv::new(out)?),
        #[cfg(feature = "export")]
        Format::Parquet => Box::new(super::columns::Parquet::new(out)?),
    };
    let pieces = usize::try_from((range.to - range.from + PIECE_MS - 1) / PIECE_MS).unwrap_or(1).max(1);
    let total = pieces * points.len().div_ceil(TOGETHER);
    let (mut count, mut done) = (0, 0);
    for together in points.chunks(TOGETHER) {
        let paths: Vec<&str> = together.iter().map(|point| point.path.as_str()).collect();
        let mut from = range.from;
        while from < range.to {
            let to = range.to.min(from.saturating_add(PIECE_MS));
            for series in reader.readings(&paths, from, to, Wanted::Readings)? {
                count += series.samples.len() as u64;
                sink.add(&series)?;
            }
            from = to;
            done += 1;
            tell(done, total);
        }
    }
    sink.finish()?;
    Ok(count)
}

struct Csv {
    writer: csv::Writer<BufWriter<File>>,
    path: std::path::PathBuf,
}

impl Csv {
    fn new(path: &Path) -> Result<Self, ExportError> {
        let file = File::create(path).map_err(|why| ExportError::write(path, why))?;
        let mut writer = csv::Writer::from_writer(BufWriter::new(file));
        writer
            .write_record(["time", "t", "point", "value", "unit", "status", "quality"])
            .map_err(|why| ExportError::write(path, why))?;
        Ok(Self { writer, path: path.to_path_buf() })
    }
}

impl Sink for Csv {
    fn add(&mut self, series: &Series) -> Result<(), ExportError> {
        for sample in &series.samples {
            let value = sample.value.map_or_else(String::new, |value| Decimal::new(value, series.exponent).to_string());
            let (t, status) = (sample.t.to_string(), sample.status.number().to_string());
            let record = [&rfc3339(sample.t), &t, &series.path, &value, &series.unit, &status, sample.status.words()];
            self.writer.write_record(record).map_err(|why| ExportError::write(&self.path, why))?;
        }
        Ok(())
    }

    fn finish(mut self: Box<Self>) -> Result<(), ExportError> {
        self.writer.flush().map_err(|why| ExportError::write(&self.path, why))
    }
}
