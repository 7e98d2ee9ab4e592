//! What a list that came back has otherwise than the configuration.
//!
//! A list changes settings: not which alarms there are, nor what they look at. A spreadsheet writes `20` for 20.0 and
//! `TRUE` for true: that is no change. Never panics.

use std::collections::BTreeMap;

use super::{Row, columns};
use crate::config::keys::Kind;
use crate::config::reader::nearest;

/// One setting that differs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Change {
    /// Line of the list.
    pub line: u64,
    /// The alarm.
    pub id: String,
    /// The key.
    pub key: &'static str,
    /// As configured; empty: not set.
    pub before: String,
    /// As the list has it; empty: no longer set.
    pub after: String,
}

/// Why a list is not taken: each with its line.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// A column is none of the keys.
    #[error("line 1: no key of an alarm is called `{column}`{}", near.as_ref().map(|near| format!("; did you mean `{near}`?")).unwrap_or_default())]
    UnknownColumn {
        /// As written.
        column: String,
        /// The nearest key.
        near: Option<String>,
    },
    /// A column stands there twice.
    #[error("line 1: the column `{column}` stands there twice: keep one")]
    ColumnTwice {
        /// As written.
        column: String,
    },
    /// There is no column of ids.
    #[error("line 1: the column `id` is missing: without it no row says which alarm it means")]
    NoIds,
    /// The configuration has no such alarm.
    #[error("line {line}: no alarm is called `{id}`{}", near.as_ref().map(|near| format!("; did you mean `{near}`?")).unwrap_or_else(|| "; a new alarm is written into the module file".to_owned()))]
    UnknownAlarm {
        /// Line of the list.
        line: u64,
        /// As written.
        id: String,
        /// The nearest id.
        near: Option<String>,
    },
    /// An alarm stands there twice.
    #[error("line {line}: `{id}` stands in line {first} already: keep one")]
    Twice {
        /// Line of the list.
        line: u64,
        /// The alarm.
        id: String,
        /// The first line.
        first: u64,
    },
    /// A row has more or fewer cells than the first line.
    #[error("line {line}: {cells} cells where the first line names {columns}: does a text lack its quotes?")]
    Cells {
        /// Line of the list.
        line: u64,
        /// How many.
        cells: usize,
        /// How many belong there.
        columns: usize,
    },
    /// A list does not move alarms to other points.
    #[error("line {line}: `{id}` looks at `{before}`, not at `{after}`: write another point into the module file")]
    OtherPoint {
        /// Line of the list.
        line: u64,
        /// The alarm.
        id: String,
        /// As configured.
        before: String,
        /// As the list has it.
        after: String,
    },
}

/// Compares a list with the configured rows. `header` names its columns, `list` has a line number and cells a row. The
/// answer also names the alarms the list does not have.
///
/// # Errors
/// Everything for which the list is not taken, in the order of its lines.
pub fn compare(
    rows: &[Row],
    header: &[String],
    list: &[(u64, Vec<String>)],
) -> Result<(Vec<Change>, Vec<String>), Vec<Refused>> {
    let known = columns();
    let mut refused = Vec::new();
    let mut positions = Vec::new();
    for column in header {
        let name = column.trim().trim_start_matches('\u{feff}');
        match known.iter().position(|key| key.name == name) {
            Some(at) if positions.contains(&at) => refused.push(Refused::ColumnTwice { column: name.to_owned() }),
            Some(at) => positions.push(at),
            None => {
                let near = nearest(name, known.iter().map(|key| key.name));
                refused.push(Refused::UnknownColumn { column: name.to_owned(), near });
            }
        }
    }
    let id_at = known.iter().position(|key| key.name == "id").and_then(|id| positions.iter().position(|at| *at == id));
    let Some(id_at) = id_at else {
        refused.push(Refused::NoIds);
        return Err(refused);
    };
    if !refused.is_empty() {
        return Err(refused);
    }
    let by_id: BTreeMap<&str, &Row> = rows.iter().map(|row| (row.listed.id.as_str(), row)).collect();
    let mut seen: BTreeMap<&str, u64> = BTreeMap::new();
    let mut changes = Vec::new();
    for (line, cells) in list {
        let line = *line;
        if cells.len() != positions.len() {
            refused.push(Refused::Cells { line, cells: cells.len(), columns: positions.len() });
            continue;
        }
        let id = cells[id_at].trim();
        let Some(row) = by_id.get(id) else {
            let near = nearest(id, by_id.keys().copied());
            refused.push(Refused::UnknownAlarm { line, id: id.to_owned(), near });
            continue;
        };
        if let Some(first) = seen.insert(id, line) {
            refused.push(Refused::Twice { line, id: id.to_owned(), first });
            continue;
        }
        for (cell, at) in cells.iter().zip(&positions) {
            let (key, before, after) = (known[*at], &row.settings[*at], cell.trim());
            if same(key.kind, before, after) {
                continue;
            }
            if key.name == "point" {
                let (before, after) = (before.clone(), after.to_owned());
                refused.push(Refused::OtherPoint { line, id: id.to_owned(), before, after });
                continue;
            }
            let after = if key.kind == Kind::Flag { after.to_lowercase() } else { after.to_owned() };
            changes.push(Change { line, id: id.to_owned(), key: key.name, before: before.clone(), after });
        }
    }
    if !refused.is_empty() {
        return Err(refused);
    }
    let missing = rows.iter().map(|row| row.listed.id.clone()).filter(|id| !seen.contains_key(id.as_str())).collect();
    Ok((changes, missing))
}

/// Whether two cells mean the same.
fn same(kind: Kind, before: &str, after: &str) -> bool {
    match kind {
        Kind::Number | Kind::Whole => {
            // Numbers that differ only in how they are written are the same bits once read.
            let number = |cell: &str| cell.parse::<f64>().ok().map(f64::to_bits);
            before == after || number(before).is_some_and(|one| Some(one) == number(after))
        }
        Kind::Flag => before.eq_ignore_ascii_case(after),
        Kind::Text
        | Kind::Duration
        | Kind::Word(_)
        | Kind::Texts
        | Kind::Numbers
        | Kind::OneOrMany
        | Kind::Names
        | Kind::Lists => before == after,
    }
}
