//! The alarms one by one, with every setting, as the configuration's own keys: the list that people agree on.
//!
//! Patterns are laid out: each alarm a row, captures filled in, in the order of the file. A setting stands as the file
//! has it: texts without quotes, everything else as TOML; where a file of texts in the module's language is in force, texts are
//! those. `change` compares a list that came back with what is configured and `edit` makes the module file, and the file of
//! texts, that have its settings. Knows nothing of CSV. Never panics.

mod change;
mod edit;

pub use change::{Change, Refused, compare};
pub use edit::{edited, retold};

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::items::translation::TRANSLATED;
use super::keys::{self, Key};
use super::pattern::{Captures, fill};

/// Where one alarm comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listed {
    /// Its id.
    pub id: String,
    /// Number of its item among the `[[alarm]]` of the module file, from 0.
    pub item: usize,
    /// A pattern made it.
    pub by_pattern: bool,
    /// Its point.
    pub point: String,
    /// What the pattern captured.
    pub captures: Captures,
    /// Its texts in the module's language, in the order of `TRANSLATED`, captures filled in; `None`: there is no file of
    /// texts for it.
    pub texts: Option<[Option<String>; TRANSLATED.len()]>,
}

/// One alarm's settings, in the order of `columns`; empty where a key is not written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// Where it comes from.
    pub listed: Listed,
    /// Its settings, texts in the module's language.
    pub settings: Vec<String>,
    /// The same with texts as the module file has them.
    pub written: Vec<String>,
}

/// The keys of an alarm, in the order of the documentation.
#[must_use]
pub fn columns() -> Vec<&'static Key> {
    keys::of("alarm").collect()
}

/// The rows of a module file's text; `listed` comes from loading it.
#[must_use]
pub fn rows(text: &str, listed: &[Listed]) -> Vec<Row> {
    let (document, _) = DeTable::parse_recoverable(text);
    let mut in_order: Vec<&Listed> = listed.iter().collect();
    in_order.sort_by_key(|listed| listed.item);
    in_order
        .into_iter()
        .filter_map(|listed| {
            let item = item(document.get_ref(), listed.item)?;
            let written = settings(text, item, &Listed { texts: None, ..listed.clone() });
            Some(Row { settings: settings(text, item, listed), written, listed: listed.clone() })
        })
        .collect()
}

/// An `[[alarm]]` by its number.
fn item<'d, 't>(document: &'d DeTable<'t>, number: usize) -> Option<&'d DeTable<'t>> {
    document.get("alarm")?.get_ref().as_array()?.get(number)?.get_ref().as_table()
}

fn settings(text: &str, item: &DeTable<'_>, listed: &Listed) -> Vec<String> {
    let translated = |key: &str| {
        let at = TRANSLATED.iter().position(|known| *known == key)?;
        listed.texts.as_ref()?.get(at)?.clone()
    };
    let setting = |key: &Key| match (key.name, item.get(key.name)) {
        ("id", _) => listed.id.clone(),
        (key, Some(_)) if translated(key).is_some() => translated(key).unwrap_or_default(),
        ("point", Some(_)) => listed.point.clone(),
        (_, Some(value)) => fill(&written(text, value), &listed.captures),
        (_, None) => String::new(),
    };
    columns().into_iter().map(setting).collect()
}

/// A value as a list has it.
fn written(text: &str, value: &Spanned<DeValue<'_>>) -> String {
    match value.get_ref().as_str() {
        Some(plain) => plain.to_owned(),
        None => text.get(value.span()).unwrap_or_default().split_whitespace().collect::<Vec<_>>().join(" "),
    }
}
