//! Layers the plain tables: defaults ← file ← environment ← the caller's overrides.
//!
//! Each layer is read strictly by the table of keys before the `config` crate merges them: that crate alone would turn
//! `"yes"` into true and 9.7 into 10, and would let a variable reach into a list. A variable is `LAPWING__TABLE__KEY`;
//! a text is taken as it stands, anything else as TOML would write it. Remembers where each value came from, so that a
//! mistake in its meaning is located too. Never panics.

use std::collections::BTreeMap;

use config::{Config, ConfigError, Map, Source, Value, ValueKind};
use lapwing_protocol::Decimal;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::keys::{self, Key, Kind};
use super::mistake::Report;
use super::reader::{Item, OneOrMany, Read, nearest};
use super::source::{Located, Origin, Place};
use super::wrong::Wrong;

/// What every variable of ours begins with.
pub(crate) const PREFIX: &str = "LAPWING__";

/// One layer of exact values, by `table.key`.
#[derive(Clone, Debug, Default)]
pub(crate) struct Layer {
    values: BTreeMap<String, Located<ValueKind>>,
    /// Keys that are written but wrong: told already, not missing.
    wrong: BTreeMap<String, Place>,
}

/// The merged plain tables.
#[derive(Debug)]
pub(crate) struct Plain {
    merged: Config,
    places: BTreeMap<String, Place>,
}

impl Layer {
    /// Keeps a text.
    pub(crate) fn text(&mut self, key: &str, text: String) {
        self.values
            .insert(key.to_string(), Located { value: ValueKind::String(text), place: Place::whole(Origin::Override) });
    }

    /// Reads the plain tables of the module file. The answer also tells where each table begins.
    pub(crate) fn from_file(
        document: &DeTable<'_>,
        origin: Origin,
        report: &mut Report,
    ) -> (Self, BTreeMap<&'static str, Place>) {
        let mut layer = Self::default();
        let mut tables = BTreeMap::new();
        for section in keys::PLAIN {
            let Some((key, value)) = document.get_key_value(*section) else { continue };
            let place = Place::new(origin, &key.span());
            tables.insert(*section, place);
            let Some(table) = value.get_ref().as_table() else {
                let mend = format!("write [{section}] once, in single brackets");
                let found = super::reader::found(value.get_ref());
                report.wrong(place, *section, Wrong::OtherType { expected: "a table", found, mend });
                continue;
            };
            let mut item = Item::new(table, place, section, "", 0);
            item.label = (*section).to_string();
            for key in keys::of(section) {
                let place = item.has(key.name).then(|| item.place_of(key.name));
                match (take(&mut item, key, report), place) {
                    (Some(value), _) => drop(layer.values.insert(item.key(key.name), value)),
                    (None, Some(place)) => drop(layer.wrong.insert(item.key(key.name), place)),
                    (None, None) => {}
                }
            }
            item.close(report);
        }
        (layer, tables)
    }

    /// Reads every variable that begins with our prefix.
    pub(crate) fn from_environment(variables: &BTreeMap<String, String>, report: &mut Report) -> Self {
        let place = Place::whole(Origin::Environment);
        let mut layer = Self::default();
        for (variable, text) in variables {
            match from_variable(variable, text) {
                Ok((path, value)) => {
                    layer.values.insert(path, Located { value, place });
                }
                Err(wrong) => report.wrong(place, variable.clone(), wrong),
            }
        }
        layer
    }
}

impl Source for Layer {
    fn clone_into_box(&self) -> Box<dyn Source + Send + Sync> {
        Box::new(self.clone())
    }

    fn collect(&self) -> Result<Map<String, Value>, ConfigError> {
        let mut tables: BTreeMap<&str, Map<String, Value>> = BTreeMap::new();
        for (path, located) in &self.values {
            if let Some((table, key)) = path.split_once('.') {
                tables.entry(table).or_default().insert(key.to_string(), Value::new(None, located.value.clone()));
            }
        }
        Ok(tables
            .into_iter()
            .map(|(table, keys)| (table.to_string(), Value::new(None, ValueKind::Table(keys))))
            .collect())
    }
}

impl Plain {
    /// Merges layers, the later over the earlier.
    pub(crate) fn merge(layers: &[Layer]) -> Self {
        let mut builder = Config::builder();
        let mut places = BTreeMap::new();
        for layer in layers {
            builder = builder.add_source(layer.clone());
            places.extend(layer.wrong.clone());
            places.extend(layer.values.iter().map(|(path, value)| (path.clone(), value.place)));
        }
        // Our layers hold nothing that cannot be merged; an empty configuration then asks for what is required.
        Self { merged: builder.build().unwrap_or_default(), places }
    }

    /// Whether a key was given at all.
    pub(crate) fn has(&self, path: &str) -> bool {
        self.places.contains_key(path)
    }

    /// Where a key was given, if it was.
    pub(crate) fn written(&self, path: &str) -> Option<Place> {
        self.places.get(path).copied()
    }

    /// Where a key was given.
    pub(crate) fn place(&self, path: &str, otherwise: Place) -> Place {
        self.places.get(path).copied().unwrap_or(otherwise)
    }

    /// A text.
    pub(crate) fn text(&self, path: &str) -> Option<String> {
        self.merged.get_string(path).ok()
    }

    /// A flag.
    pub(crate) fn flag(&self, path: &str) -> Option<bool> {
        self.merged.get_bool(path).ok()
    }

    /// A whole number.
    pub(crate) fn whole(&self, path: &str) -> Option<i64> {
        self.merged.get_int(path).ok()
    }

    /// A number.
    pub(crate) fn number(&self, path: &str) -> Option<f64> {
        self.merged.get_float(path).ok()
    }

    /// A list of texts.
    pub(crate) fn texts(&self, path: &str) -> Option<Vec<String>> {
        self.merged
            .get_array(path)
            .ok()
            .map(|list| list.into_iter().filter_map(|value| value.into_string().ok()).collect())
    }
}

/// Takes a key by its kind from a table of the file.
fn take(item: &mut Item<'_>, key: &'static Key, report: &mut Report) -> Option<Located<ValueKind>> {
    let place = item.place_of(key.name);
    Some(match key.kind {
        Kind::Text => item.take::<String>(key.name, report)?.map(ValueKind::String),
        Kind::Word(_) | Kind::Duration | Kind::Flag | Kind::Whole | Kind::Number => {
            let value = item.raw(key.name)?;
            let place = Place::new(place.origin, &value.span());
            match scalar(value, key.kind) {
                Ok(value) => Located { value, place },
                Err(wrong) => {
                    report.wrong(place, item.key(key.name), wrong);
                    return None;
                }
            }
        }
        Kind::Texts => item.take::<Vec<Located<String>>>(key.name, report)?.map(texts),
        Kind::OneOrMany => item.take::<OneOrMany>(key.name, report)?.map(|list| texts(list.0)),
        // No plain table has lists of numbers or tables of names.
        Kind::Numbers | Kind::Names | Kind::Lists => return None,
    })
}

fn texts(list: Vec<Located<String>>) -> ValueKind {
    ValueKind::Array(list.into_iter().map(|text| Value::new(None, ValueKind::String(text.value))).collect())
}

/// An exact scalar of a kind.
fn scalar(value: &Spanned<DeValue<'_>>, kind: Kind) -> Result<ValueKind, Wrong> {
    let origin = Origin::Environment; // scalars have no places of their own inside
    Ok(match kind {
        Kind::Flag => ValueKind::Boolean(bool::read(value, origin)?),
        Kind::Whole => ValueKind::I64(i64::read(value, origin)?),
        Kind::Number => ValueKind::Float(Decimal::read(value, origin)?.to_f64()),
        Kind::Duration => {
            let duration = std::time::Duration::read(value, origin)?;
            ValueKind::I64(i64::try_from(duration.as_millis()).unwrap_or(i64::MAX))
        }
        Kind::Word(words) => {
            let word = String::read(value, origin)?;
            if !words.contains(&word.as_str()) {
                let near = nearest(&word, words.iter().copied());
                return Err(Wrong::NotOneOf { value: word, near, known: words.to_vec() });
            }
            ValueKind::String(word)
        }
        Kind::Text | Kind::Texts | Kind::OneOrMany | Kind::Numbers | Kind::Names | Kind::Lists => {
            ValueKind::String(String::read(value, origin)?)
        }
    })
}

fn from_variable(variable: &str, text: &str) -> Result<(String, ValueKind), Wrong> {
    let unknown = || Wrong::UnknownVariable { variable: variable.to_string(), near: near_variable(variable) };
    let rest = variable.strip_prefix(PREFIX).ok_or_else(unknown)?;
    let mut segments = rest.split("__");
    let (table, name) = (segments.next().unwrap_or_default(), segments.next().unwrap_or_default());
    if keys::LISTS.iter().any(|list| list.eq_ignore_ascii_case(table)) {
        return Err(Wrong::VariableIntoList { variable: variable.to_string() });
    }
    let key = keys::KEYS
        .iter()
        .find(|key| {
            keys::PLAIN.contains(&key.section) && key.section.to_uppercase() == table && key.name.to_uppercase() == name
        })
        .ok_or_else(unknown)?;
    if matches!(key.kind, Kind::Texts | Kind::OneOrMany | Kind::Numbers | Kind::Names | Kind::Lists) {
        return Err(Wrong::VariableIntoList { variable: variable.to_string() });
    }
    if segments.next().is_some() {
        return Err(unknown());
    }
    let as_text = || Spanned::new(0..text.len(), DeValue::String(text.into()));
    let value = match key.kind {
        Kind::Flag | Kind::Whole | Kind::Number => DeValue::parse(text.trim()).unwrap_or_else(|_| as_text()),
        _ => as_text(),
    };
    let value = scalar(&value, key.kind)
        .map_err(|why| Wrong::BadVariable { variable: variable.to_string(), why: Box::new(bare(why)) })?;
    Ok((format!("{}.{}", key.section, key.name), value))
}

/// A mend without the quotes that only a file has.
fn bare(wrong: Wrong) -> Wrong {
    match wrong {
        Wrong::OtherType { expected, found, .. } => {
            let mend = match expected {
                "a boolean" => "set it to true or false".to_string(),
                expected => format!("set it to {expected}"),
            };
            Wrong::OtherType { expected, found, mend }
        }
        other => other,
    }
}

fn near_variable(variable: &str) -> Option<String> {
    let known: Vec<String> = keys::KEYS
        .iter()
        .filter(|key| keys::PLAIN.contains(&key.section))
        .map(|key| format!("{PREFIX}{}__{}", key.section, key.name).to_uppercase())
        .collect();
    // The common prefix alone makes all of them alike: compare what follows it.
    let tail = variable.strip_prefix(PREFIX).unwrap_or(variable);
    nearest(tail, known.iter().map(|name| &name[PREFIX.len()..])).map(|near| format!("{PREFIX}{near}"))
}
