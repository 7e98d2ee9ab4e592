//! The module file with the settings of a list: changed where they stand, added as exceptions where a pattern made them.
//!
//! Everything else of the file stays as it is, comments too. An exception is a whole `[[alarm]]` on a plain path with the
//! id that the pattern would make. What is written is not judged here: loading the new text does that. Never panics.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use toml::de::DeTable;

use super::{Change, Row, columns, item};
use crate::config::keys::{Key, Kind};

/// The text of the module file with these changes; those of a pattern's alarms come at its end.
#[must_use]
pub fn edited(text: &str, rows: &[Row], changes: &[Change]) -> String {
    let (document, _) = DeTable::parse_recoverable(text);
    let by_id: BTreeMap<&str, &Row> = rows.iter().map(|row| (row.listed.id.as_str(), row)).collect();
    // Pieces to replace, by where they begin; from the end of the file, so that what is before does not move.
    let mut pieces: Vec<(std::ops::Range<usize>, String)> = Vec::new();
    let mut exceptions: BTreeSet<&str> = BTreeSet::new();
    for change in changes {
        let Some(row) = by_id.get(change.id.as_str()) else { continue };
        if row.listed.by_pattern {
            exceptions.insert(&change.id);
            continue;
        }
        let Some(key) = columns().into_iter().find(|key| key.name == change.key) else { continue };
        let Some(table) = item(document.get_ref(), row.listed.item) else { continue };
        match table.get_key_value(change.key) {
            Some((_, value)) if !change.after.is_empty() => pieces.push((value.span(), toml(key, &change.after))),
            Some((name, value)) => pieces.push((line(text, name.span().start, value.span().end), String::new())),
            None => {
                let after_id = table.get("id").map_or(text.len(), |id| id.span().end);
                let end = text[after_id..].find('\n').map_or(text.len(), |at| after_id + at);
                pieces.push((end..end, format!("\n{} = {}", change.key, toml(key, &change.after))));
            }
        }
    }
    pieces.sort_by_key(|(piece, _)| std::cmp::Reverse(piece.start));
    let mut text = text.to_owned();
    for (piece, new) in pieces {
        text.replace_range(piece, &new);
    }
    for row in rows.iter().filter(|row| exceptions.contains(row.listed.id.as_str())) {
        let mine: Vec<&Change> = changes.iter().filter(|change| change.id == row.listed.id).collect();
        text.push_str("\n[[alarm]]\n");
        for (key, setting) in columns().into_iter().zip(&row.settings) {
            let setting = mine.iter().find(|change| change.key == key.name).map_or(setting, |change| &change.after);
            if !setting.is_empty() {
                // Writing to a String cannot fail.
                let _ = writeln!(text, "{} = {}", key.name, toml(key, setting));
            }
        }
    }
    text
}

/// The whole lines a key and its value stand on, with the end of the last.
fn line(text: &str, start: usize, end: usize) -> std::ops::Range<usize> {
    let from = text[..start].rfind('\n').map_or(0, |at| at + 1);
    let to = text[end..].find('\n').map_or(text.len(), |at| end + at + 1);
    from..to
}

/// Whether a text stands for one value and nothing more.
fn is_value(text: &str) -> bool {
    toml::from_str::<toml::Table>(&format!("x = {text}")).is_ok_and(|table| table.len() == 1 && table.contains_key("x"))
}

/// A cell as TOML. What is no value of it becomes a text: what belongs there is then told at its key.
fn toml(key: &Key, cell: &str) -> String {
    // Spreadsheets write TRUE.
    let lower = cell.to_ascii_lowercase();
    let cell =
        if matches!(key.kind, Kind::Flag) && ["true", "false"].contains(&lower.as_str()) { &lower } else { cell };
    let quoted = match key.kind {
        Kind::Text | Kind::Duration | Kind::Word(_) => true,
        Kind::OneOrMany => !cell.starts_with('['),
        Kind::Flag | Kind::Whole | Kind::Number | Kind::Texts | Kind::Numbers | Kind::Names | Kind::Lists => false,
    };
    if !quoted && is_value(cell) {
        return cell.to_owned();
    }
    let mut text = String::from("\"");
    for c in cell.chars() {
        match c {
            '"' => text.push_str("\\\""),
            '\\' => text.push_str("\\\\"),
            '\n' => text.push_str("\\n"),
            c if c.is_control() => {
                let _ = write!(text, "\\u{:04X}", u32::from(c));
            }
            c => text.push(c),
        }
    }
    text.push('"');
    text
}
