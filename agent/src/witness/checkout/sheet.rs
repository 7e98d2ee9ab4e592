//! The sign-off sheet: CSV for programs, HTML for the printer and the signatures.
//!
//! Both say the same, one line a chosen point in walking order, also of points nobody has looked at yet. Texts from
//! devices and people are escaped: HTML by entities; a CSV text that a spreadsheet would take for a formula gets an
//! apostrophe before it. Writes whole files beside and renames them. Never panics. RFC 4180 (CSV).

use std::fmt::Write as _;
use std::path::Path;

use super::record::{Finding, Verdict};

/// What the sheet is about.
#[derive(Clone, Debug, Default)]
pub struct Sheet {
    /// Site.
    pub site: String,
    /// Module.
    pub module: String,
    /// When it was written, RFC 3339.
    pub written: String,
    /// First digits of the configuration's digest.
    pub configuration: String,
    /// Lines in walking order.
    pub lines: Vec<Line>,
    /// Devices: name, link, what it says of itself.
    pub devices: Vec<(String, String, String)>,
}

/// One point.
#[derive(Clone, Debug, Default)]
pub struct Line {
    /// Path.
    pub path: String,
    /// Label as on plate and drawing.
    pub tag: String,
    /// Where it is.
    pub location: String,
    /// Device.
    pub device: String,
    /// Link.
    pub link: String,
    /// Where and how it is read.
    pub reads: String,
    /// What was found, if somebody has looked.
    pub finding: Option<Finding>,
}

impl Sheet {
    /// How many points agree, differ, and are not decided.
    #[must_use]
    pub fn counts(&self) -> (usize, usize, usize) {
        let of = |verdict| {
            self.lines.iter().filter(|line| line.finding.as_ref().is_some_and(|f| f.verdict == verdict)).count()
        };
        let (agree, differ) = (of(Verdict::Agrees), of(Verdict::Differs));
        (agree, differ, self.lines.len() - agree - differ)
    }

    /// Writes `sign-off.csv` and `sign-off.html`.
    ///
    /// # Errors
    /// When a file cannot be written.
    pub fn write(&self, dir: &Path) -> std::io::Result<()> {
        for (name, bytes) in [("sign-off.csv", self.csv()?), ("sign-off.html", self.html().into_bytes())] {
            let beside = dir.join(format!(".{name}.new"));
            std::fs::write(&beside, bytes)?;
            std::fs::rename(&beside, dir.join(name))?;
        }
        Ok(())
    }

    /// The sheet as CSV.
    ///
    /// # Errors
    /// None that a list in memory brings; the writer's signature has one.
    pub fn csv(&self) -> std::io::Result<Vec<u8>> {
        let mut writer = csv::Writer::from_writer(Vec::new());
        let head = [
            "point",
            "tag",
            "where",
            "device",
            "link",
            "reads",
            "raw",
            "value",
            "expected",
            "difference",
            "tolerance",
            "quality",
            "latency_ms",
            "refresh_s",
            "verdict",
            "initials",
            "time",
            "note",
            "suggestions",
        ];
        writer.write_record(head)?;
        for line in &self.lines {
            let about = [&line.path, &line.tag, &line.location, &line.device, &line.link, &line.reads];
            let mut row: Vec<String> = about.into_iter().map(|text| plain(text)).collect();
            match &line.finding {
                None => {
                    row.resize(14, String::new());
                    row.push(Verdict::NotDecided.words().into());
                    row.resize(head.len(), String::new());
                }
                Some(found) => row.extend([
                    found.raw.clone(),
                    value(&found.value),
                    value(&found.expected),
                    number(found.difference),
                    number(found.tolerance),
                    found.quality.clone(),
                    number(found.latency_ms),
                    number(found.refresh_s),
                    found.verdict.words().into(),
                    found.initials.clone(),
                    found.t.clone(),
                    plain(&found.note),
                    plain(&found.suggestions.join("; ")),
                ]),
            }
            writer.write_record(row)?;
        }
        writer.into_inner().map_err(|error| std::io::Error::other(error.to_string()))
    }

    /// The sheet as one page without anything from elsewhere.
    #[must_use]
    pub fn html(&self) -> String {
        let (agree, differ, open) = self.counts();
        let (site, module) = (escaped(&self.site), escaped(&self.module));
        let mut page = format!(
            "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n<title>Point-to-point checkout, {site} {module}</title>\n<style>{STYLE}</style></head><body>\n<h1>Point-to-point checkout</h1>\n<p>{site}, module {module}. Written {} from configuration {}. Mode: test.</p>\n<p><b>{} point{}: {agree} agree, {differ} differ, {open} not decided.</b></p>\n",
            escaped(&self.written),
            escaped(&self.configuration),
            self.lines.len(),
            if self.lines.len() == 1 { "" } else { "s" },
        );
        page.push_str("<h2>Devices</h2>\n<table><thead><tr><th>Device<th>Link<th>Says of itself</tr></thead><tbody>\n");
        for (device, link, said) in &self.devices {
            let _ = writeln!(page, "<tr><td>{}<td>{}<td>{}</tr>", escaped(device), escaped(link), escaped(said));
        }
        page.push_str("</tbody></table>\n<h2>Points</h2>\n<table><thead><tr><th>Point<th>Read at<th>Raw<th>Value<th>Expected<th>May be off<th>Quality<th>Latency<th>Refresh<th>Verdict<th>Who, when</tr></thead><tbody>\n");
        for line in &self.lines {
            page.push_str(&row(line));
        }
        page.push_str("</tbody></table>\n<div class=\"sign\"><p>Read by<br><br>_______________________<br>name, date, signature</p><p>At the sensors<br><br>_______________________<br>name, date, signature</p><p>Accepted by<br><br>_______________________<br>name, date, signature</p></div>\n</body></html>\n");
        page
    }
}

fn row(line: &Line) -> String {
    let place = [line.tag.as_str(), line.location.as_str()].into_iter().filter(|text| !text.is_empty());
    let mut text = format!(
        "<tr><td><b>{}</b><br>{}<td>{}, {}<br>{}",
        escaped(&line.path),
        escaped(&place.collect::<Vec<_>>().join(", ")),
        escaped(&line.device),
        escaped(&line.link),
        escaped(&line.reads)
    );
    let Some(found) = &line.finding else {
        text.push_str("<td><td><td><td><td><td><td><td>not decided<td></tr>\n");
        return text;
    };
    let with = |number: Option<f64>, unit: &str| number.map_or_else(String::new, |n| format!("{} {unit}", brief(n)));
    let strong = if found.verdict == Verdict::Differs { ("<b>", "</b>") } else { ("", "") };
    let _ = write!(
        text,
        "<td class=\"raw\">{}<td>{}<td>{}<td>{}<td>{}<td>{}<td>{}<td>{}{}{}",
        escaped(&found.raw),
        escaped(&found.value),
        escaped(&found.expected),
        found.tolerance.map_or_else(String::new, |t| format!("± {}", brief(t))),
        escaped(&found.quality),
        with(found.latency_ms, "ms"),
        with(found.refresh_s, "s"),
        strong.0,
        found.verdict.words(),
        strong.1
    );
    for more in found.suggestions.iter().chain([&found.note]).filter(|text| !text.is_empty()) {
        let _ = write!(text, "<br>{}", escaped(more));
    }
    let _ = writeln!(text, "<td>{}<br>{}</tr>", escaped(&found.initials), escaped(&found.t));
    text
}

const STYLE: &str = "body{font:10pt/1.3 sans-serif;margin:1.5em;color:#000;background:#fff}h1{font-size:16pt}h2{font-size:12pt}table{border-collapse:collapse;width:100%}th,td{border-bottom:1px solid #888;padding:.2em .4em;text-align:left;vertical-align:top}.raw{font-family:monospace}.sign{display:flex;gap:4em;margin-top:3em;break-inside:avoid}thead{display:table-header-group}tr{break-inside:avoid}@page{size:A4 landscape;margin:12mm}@media print{body{margin:0;font-size:8pt}}";

/// Rounded for reading: four significant digits at most.
fn brief(number: f64) -> String {
    let text = if number.abs() >= 100.0 { format!("{number:.0}") } else { format!("{number:.2}") };
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

fn number(number: Option<f64>) -> String {
    number.map_or_else(String::new, |n| format!("{}", (n * 1e6).round() / 1e6))
}

/// A text that no spreadsheet takes for a formula.
fn plain(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{text}") } else { text.to_owned() }
}

/// A value may be negative, and is then no formula.
fn value(text: &str) -> String {
    let is_number = text.strip_prefix('-').is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_digit()));
    let is_harmless = is_number && !text.contains(['(', '!', '|', '*', '=']);
    if is_harmless { text.to_owned() } else { plain(text) }
}

fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            c => safe.push(c),
        }
    }
    safe
}

#[cfg(test)]
#[path = "sheet/tests.rs"]
mod tests;
