//! Readings as Apache Parquet: columns `t`, `point`, `value`, `unit`, `status`.
//!
//! `t` is a UTC timestamp in milliseconds, `value` a double that is absent where the reading was judged bad, `status` the OPC
//! UA number. A row group is a point's readings of a day at most. Never panics.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use lapwing_protocol::Decimal;
use parquet::basic::Compression;
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::parser::parse_message_type;

use super::ExportError;
use super::readings::Sink;
use crate::store::history::Series;

const SCHEMA: &str = "
message readings {
  required int64 t (TIMESTAMP(MILLIS,true));
  required binary point (STRING);
  optional double value;
  required binary unit (STRING);
  required int64 status;
}";

/// A file that is being written.
pub(super) struct Parquet {
    writer: SerializedFileWriter<File>,
    path: PathBuf,
}

impl Parquet {
    pub(super) fn new(path: &Path) -> Result<Self, ExportError> {
        let failed = |why: String| ExportError::write(path, why);
        let file = File::create(path).map_err(|why| failed(why.to_string()))?;
        let schema = Arc::new(parse_message_type(SCHEMA).map_err(|why| failed(why.to_string()))?);
        let properties = Arc::new(WriterProperties::builder().set_compression(Compression::SNAPPY).build());
        let writer = SerializedFileWriter::new(file, schema, properties).map_err(|why| failed(why.to_string()))?;
        Ok(Self { writer, path: path.to_path_buf() })
    }

    fn group(&mut self, series: &Series) -> Result<(), ParquetError> {
        let samples = &series.samples;
        let repeated = |text: &str| vec![ByteArray::from(text); samples.len()];
        let mut group = self.writer.next_row_group()?;
        for place in 0.. {
            let Some(mut column) = group.next_column()? else { break };
            match (place, column.untyped()) {
                (0, ColumnWriter::Int64ColumnWriter(writer)) => {
                    writer.write_batch(&samples.iter().map(|sample| sample.t).collect::<Vec<_>>(), None, None)?;
                }
                (1, ColumnWriter::ByteArrayColumnWriter(writer)) => {
                    writer.write_batch(&repeated(&series.path), None, None)?;
                }
                (2, ColumnWriter::DoubleColumnWriter(writer)) => {
                    let values: Vec<f64> = samples
                        .iter()
                        .filter_map(|sample| sample.value)
                        .map(|value| Decimal::new(value, series.exponent).to_f64())
                        .collect();
                    let there: Vec<i16> = samples.iter().map(|sample| i16::from(sample.value.is_some())).collect();
                    writer.write_batch(&values, Some(&there), None)?;
                }
                (3, ColumnWriter::ByteArrayColumnWriter(writer)) => {
                    writer.write_batch(&repeated(&series.unit), None, None)?;
                }
                (_, ColumnWriter::Int64ColumnWriter(writer)) => {
                    let status: Vec<i64> = samples.iter().map(|sample| i64::from(sample.status.number())).collect();
                    writer.write_batch(&status, None, None)?;
                }
                _ => return Err(ParquetError::General("a column is of another type than the schema says".into())),
            }
            column.close()?;
        }
        group.close()?;
        Ok(())
    }
}

impl Sink for Parquet {
    fn add(&mut self, series: &Series) -> Result<(), ExportError> {
        if series.samples.is_empty() {
            return Ok(());
        }
        self.group(series).map_err(|why| ExportError::write(&self.path, why))
    }

    fn finish(self: Box<Self>) -> Result<(), ExportError> {
        self.writer.close().map(|_| ()).map_err(|why| ExportError::write(&self.path, why))
    }
}
