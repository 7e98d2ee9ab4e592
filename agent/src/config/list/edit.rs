//! The module file with the settings of a list: changed where they stand, added as exceptions where a pattern made them.
//!
//! Everything else of the file stays as it is, comments too. An exception is a whole `[[alarm]]` on a plain path with the
//! id that the pattern would make. Where a file of texts in the module's language is in force, changed texts go there, and the
//! original stays. What is written is not judged here: loading the new texts does that. Never panics.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use toml::de::DeTable;

use super::{Change, Row, columns, item};
use crate::config::items::translation::TRANSLATED;
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
        if is_retold(row, change) {
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
        for (key, setting) in columns().into_iter().zip(&row.written) {
            let change = mine.iter().find(|change| change.key == key.name && !is_retold(row, change));
            let setting = change.map_or(setting, |change| &change.after);
            if !setting.is_empty() {
                // Writing to a String cannot fail.
                let _ = writeln!(text, "{} = {}", key.name, toml(key, setting));
            }
        }
    }
    text
}

/// The file of texts with these changes: texts replaced where they stand, those it does not have yet at its end.
#[must_use]
pub fn retold(text: &str, rows: &[Row], changes: &[Change]) -> String {
    let (document, _) = DeTable::parse_recoverable(text);
    let mut pieces: Vec<(std::ops::Range<usize>, String)> = Vec::new();
    let mut added: BTreeMap<&str, String> = BTreeMap::new();
    for change in changes.iter().filter(|change| TRANSLATED.contains(&change.key)) {
        let Some(row) = rows.iter().find(|row| row.listed.id == change.id) else { continue };
        let texts = document.get_ref().get("alarm").and_then(|alarms| alarms.get_ref().as_table());
        let table = texts.and_then(|texts| texts.get(change.id.as_str())?.get_ref().as_table());
        let entry = table.and_then(|table| table.get_key_value(change.key));
        let said = quoted(&change.after);
        match (entry, table) {
            (Some((_, value)), _) if is_retold(row, change) => pieces.push((value.span(), said)),
            // What the original loses cannot be translated any more.
            (Some((name, value)), _) if change.after.is_empty() => {
                pieces.push((line(text, name.span().start, value.span().end), String::new()));
            }
            (None, Some(table)) if is_retold(row, change) => {
                let last = table.values().map(|value| value.span().end).max().unwrap_or(text.len());
                let end = text[last..].find('\n').map_or(text.len(), |at| last + at);
                pieces.push((end..end, format!("\n{} = {said}", change.key)));
            }
            (None, None) if is_retold(row, change) => {
                let table = added.entry(&change.id).or_default();
                // Writing to a String cannot fail.
                let _ = writeln!(table, "{} = {said}", change.key);
            }
            _ => {}
        }
    }
    pieces.sort_by_key(|(piece, _)| std::cmp::Reverse(piece.start));
    let mut text = text.to_owned();
    for (piece, new) in pieces {
        text.replace_range(piece, &new);
    }
    for (id, table) in added {
        let _ = write!(text, "\n[alarm.{}]\n{table}", quoted(id));
    }
    text
}

/// Whether a changed text belongs into the file of texts: there is an original that it translates.
fn is_retold(row: &Row, change: &Change) -> bool {
    let original = columns().iter().position(|key| key.name == change.key).and_then(|at| row.written.get(at));
    row.listed.texts.is_some()
        && TRANSLATED.contains(&change.key)
        && !change.after.is_empty()
        && original.is_some_and(|original| !original.is_empty())
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
    let is_text = match key.kind {
        Kind::Text | Kind::Duration | Kind::Word(_) => true,
        Kind::OneOrMany => !cell.starts_with('['),
        Kind::Flag | Kind::Whole | Kind::Number | Kind::Texts | Kind::Numbers | Kind::Names | Kind::Lists => false,
    };
    if !is_text && is_value(cell) {
        return cell.to_owned();
    }
    quoted(cell)
}

/// A text in quotes.
fn quoted(cell: &str) -> String {
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
