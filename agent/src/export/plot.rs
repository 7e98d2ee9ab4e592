//! Draws a point's readings about an incident as SVG: the range of each bucket, its average, limits, the incident's begin.
//!
//! Plain lines in colours of the Okabe-Ito palette, which colour-blind people can tell apart. Times on the axis are minutes
//! from the incident's first event. Never panics.

use std::collections::BTreeSet;

use lapwing_protocol::{Decimal, Unit};
use plotters::prelude::*;

use super::{ExportError, Range};
use crate::store::history::{Bucket, Reader, Wanted};

/// Buckets across the plot, about one a pixel.
const BUCKETS: u32 = 900;
const BLUE: RGBColor = RGBColor(0, 114, 178);
const SKY: RGBColor = RGBColor(86, 180, 233);
const VERMILION: RGBColor = RGBColor(213, 94, 0);

/// The plot, or `None` if there is nothing to draw.
pub(super) fn svg(
    reader: &Reader,
    path: &str,
    range: Range,
    incident: i64,
    limits: &BTreeSet<String>,
) -> Result<Option<String>, ExportError> {
    let series = reader.readings(&[path], range.from, range.to, Wanted::Buckets(BUCKETS))?;
    let Some(series) = series.into_iter().find(|series| series.buckets.iter().any(|bucket| bucket.count > 0)) else {
        return Ok(None);
    };
    let real = |value: i64| Decimal::new(value, series.exponent).to_f64();
    let scale = Decimal::new(1, series.exponent).to_f64();
    #[allow(clippy::cast_precision_loss)]
    let minutes = |t: i64| (t - incident) as f64 / 60_000.0;
    let there: Vec<&Bucket> = series.buckets.iter().filter(|bucket| bucket.count > 0).collect();
    let limits: Vec<f64> = limits.iter().filter_map(|limit| limit.parse().ok()).collect();
    let values = || there.iter().flat_map(|b| [real(b.minimum), real(b.maximum)]).chain(limits.iter().copied());
    let low = values().fold(f64::INFINITY, f64::min);
    let high = values().fold(f64::NEG_INFINITY, f64::max);
    let room = ((high - low) * 0.05).max(scale);
    let unit = Unit::parse(&series.unit).map_or_else(|| series.unit.clone(), |unit| unit.text().to_owned());
    let mut text = String::new();
    let drawn = (|| -> Result<(), Box<dyn std::error::Error>> {
        let root = SVGBackend::with_string(&mut text, (1000, 420)).into_drawing_area();
        root.fill(&WHITE)?;
        let mut chart = ChartBuilder::on(&root)
            .caption(path, ("sans-serif", 18))
            .margin(12)
            .x_label_area_size(36)
            .y_label_area_size(64)
            .build_cartesian_2d(minutes(range.from)..minutes(range.to), low - room..high + room)?;
        chart
            .configure_mesh()
            .x_desc("minutes from the first event of the incident")
            .y_desc(unit)
            .light_line_style(WHITE)
            .draw()?;
        chart.draw_series(there.iter().map(|b| {
            PathElement::new(
                vec![(minutes(b.t), real(b.minimum)), (minutes(b.t), real(b.maximum))],
                SKY.stroke_width(2),
            )
        }))?;
        chart.draw_series(LineSeries::new(
            there.iter().map(|b| (minutes(b.t), b.average * scale)),
            BLUE.stroke_width(1),
        ))?;
        for limit in &limits {
            let ends = [(minutes(range.from), *limit), (minutes(range.to), *limit)];
            chart.draw_series(LineSeries::new(ends, VERMILION.stroke_width(1)))?;
        }
        chart.draw_series(LineSeries::new([(0.0, low - room), (0.0, high + room)], BLACK.stroke_width(1)))?;
        root.present()?;
        Ok(())
    })();
    drawn.map_err(|why| ExportError::Write { path: path.into(), why: why.to_string() })?;
    Ok(Some(text))
}
