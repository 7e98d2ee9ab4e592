//! The lists of the files, item by item: each as its own small struct, every mistake of its own noted.
//!
//! An item with a mistake still comes back with what could be read, so that what refers to it is not told as missing.
//! Nothing here looks at another item; `assemble` does.

pub(crate) mod accept;
pub(crate) mod access;
pub(crate) mod alarm;
mod choice;
mod current_loop;
pub(crate) mod derived;
pub(crate) mod device;
pub(crate) mod group;
mod hours;
pub(crate) mod identity;
pub(crate) mod link;
pub(crate) mod point;
pub(crate) mod recipient;
mod redfish;
mod shape;
pub(crate) mod tier;
mod tls;
pub(crate) mod translation;
pub(crate) mod used;

use toml::de::{DeTable, DeValue};

use super::mistake::Report;
use super::reader::{Item, found};
use super::source::{Origin, Place};
use super::wrong::Wrong;

/// The tables of a list `[[section]]`, each as an item. A single-bracket table is a mistake and counts as one item.
pub(crate) fn list<'t>(
    document: &'t DeTable<'t>,
    section: &'static str,
    name_key: &str,
    origin: Origin,
    report: &mut Report,
) -> Vec<Item<'t>> {
    let Some((key, value)) = document.get_key_value(section) else { return Vec::new() };
    let mut wrong = |place: Place, value: &DeValue<'_>| {
        let mend = format!("write [[{section}]] in double brackets before each");
        report.wrong(place, section, Wrong::OtherType { expected: "a list of tables", found: found(value), mend });
    };
    match value.get_ref() {
        DeValue::Array(list) => list
            .iter()
            .enumerate()
            .filter_map(|(number, element)| {
                let place = Place::new(origin, &element.span());
                match element.get_ref().as_table() {
                    Some(table) => Some(Item::new(table, place, section, name_key, number)),
                    None => {
                        wrong(place, element.get_ref());
                        None
                    }
                }
            })
            .collect(),
        other => {
            wrong(Place::new(origin, &key.span()), other);
            Vec::new()
        }
    }
}

/// Notes every top-level table that is none of the known ones.
pub(crate) fn only(document: &DeTable<'_>, known: &[&'static str], origin: Origin, report: &mut Report) {
    for key in document.keys() {
        let name: &str = key.get_ref();
        if !known.contains(&name) {
            let near = super::reader::nearest(name, known.iter().copied());
            let wrong = Wrong::UnknownTable { key: name.to_string(), near, known: known.to_vec() };
            report.wrong(Place::new(origin, &key.span()), name, wrong);
        }
    }
}
