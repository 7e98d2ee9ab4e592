//! The roles of the module's drawing and the points that fill them.
//!
//! What `[overview]` says holds and must exist; a role it does not name is filled from the paths maps use by convention,
//! where there are any. `{name}` in a path names the part a point belongs to, such as the pump or the rack. Defaults stand
//! in the table of keys, in one place with their documentation. Never panics.

use crate::config::keys::{self, Key, Kind};
use crate::config::mistake::Report;
use crate::config::pattern::Pattern;
use crate::config::settings::Written;
use crate::config::wrong::Wrong;
use crate::plan::overview::{Drawn, Overview};

use super::{Parts, Points, index};

/// Fills every role.
pub(crate) fn overview(parts: &Parts, points: &Points, report: &mut Report) -> Overview {
    let mut overview = Overview::default();
    for key in keys::of("overview") {
        let drawn = match parts.settings.overview.get(key.name) {
            Some(written) => explicit(key, written, parts.incomplete, points, report),
            None => {
                let patterns = key.default.split(", ").filter_map(|text| Pattern::parse(text).ok());
                patterns.map(|pattern| found(&pattern, points)).find(|drawn| !drawn.is_empty()).unwrap_or_default()
            }
        };
        overview.fill(key.name, drawn);
    }
    overview
}

/// What a person has written: each path or pattern must find something. An empty text or list leaves the role out.
fn explicit(key: &Key, written: &Written, incomplete: bool, points: &Points, report: &mut Report) -> Vec<Drawn> {
    let mut drawn = Vec::new();
    for text in written.paths.iter().filter(|text| !text.is_empty()) {
        let at = format!("overview.{}", key.name);
        let pattern = match Pattern::parse(text) {
            Ok(pattern) => pattern,
            Err(wrong) => {
                report.wrong(written.place, at, wrong);
                continue;
            }
        };
        if matches!(key.kind, Kind::Text) && !pattern.is_plain() {
            let why = "this role is one point's".to_owned();
            report.wrong(written.place, at, Wrong::BadPattern { pattern: text.clone(), why });
            continue;
        }
        let fit = found(&pattern, points);
        if fit.is_empty() {
            let near = points.nearest(text);
            let wrong = if pattern.is_plain() {
                Wrong::UnknownPoint { path: text.clone(), near, incomplete }
            } else {
                Wrong::NothingMatches { pattern: text.clone(), near, incomplete }
            };
            report.wrong(written.place, at, wrong);
        }
        drawn.extend(fit);
    }
    drawn
}

/// The points a pattern stands for, by part and then in the plan's order.
fn found(pattern: &Pattern, points: &Points) -> Vec<Drawn> {
    if let Some(path) = pattern.plain() {
        let point = points.find(&path).map(|at| Drawn { part: String::new(), point: index(at) });
        return point.into_iter().collect();
    }
    let mut drawn: Vec<Drawn> = (0..)
        .zip(&points.drafts)
        .filter_map(|(at, draft)| {
            let captures = pattern.matches(&draft.point.path)?;
            let part = captures.into_iter().map(|(_, segment)| segment).collect::<Vec<_>>().join("/");
            Some(Drawn { part, point: index(at) })
        })
        .collect();
    drawn.sort_by(|a, b| a.part.cmp(&b.part).then(a.point.cmp(&b.point)));
    drawn
}
