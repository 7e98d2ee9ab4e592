//! What chooses in a column of an SNMP table: `row`, a label in another column, or `present`, an OID among the rows.
//!
//! Neither makes sense for a register. Whether the column has such a row is known only to the agent. Never panics.

use crate::config::address::oid;
use crate::config::mistake::Report;
use crate::config::reader::{Item, Read, entries};
use crate::config::source::Place;
use crate::config::wrong::Wrong;
use crate::plan::snmp::LabelledRow;

use super::point::Choice;

/// Reads `row` and `present` of a point.
pub(super) fn read(item: &mut Item<'_>, is_snmp: bool, report: &mut Report) -> Choice {
    for key in ["row", "present"].into_iter().filter(|key| item.has(key)) {
        let (of, mend) = match (is_snmp, key) {
            (false, _) => ("a point with a register", "remove it; it belongs to an oid"),
            (true, "present") if item.has("row") => ("a point with a row", "keep one of row and present"),
            (true, _) => continue,
        };
        report.wrong(
            item.place_of(key),
            item.key(key),
            Wrong::KeyHasNoMeaning { key, of: of.into(), mend: mend.into() },
        );
    }
    let row = row(item, report);
    let present = item.take::<String>("present", report);
    match (row, present) {
        (Some(row), _) => Choice::Row(row),
        (None, Some(text)) if text.value == "others" => Choice::Others,
        (None, Some(text)) => match oid(&text.value) {
            Ok(oid) => Choice::Present(oid),
            Err(wrong) => {
                report.wrong(text.place, item.key("present"), wrong);
                Choice::Instance
            }
        },
        (None, None) => Choice::Instance,
    }
}

fn row(item: &mut Item<'_>, report: &mut Report) -> Option<LabelledRow> {
    let origin = item.place.origin;
    let value = item.raw("row")?;
    let (place, key) = (Place::new(origin, &value.span()), item.key("row"));
    let listed = match entries(value, origin) {
        Ok(listed) => listed,
        Err(wrong) => {
            report.wrong(place, key, wrong);
            return None;
        }
    };
    let (mut column, mut equals) = (None, None);
    for (name, value) in listed {
        let at = Place::new(origin, &value.span());
        let text = match (name.value.as_str(), String::read(value, origin)) {
            ("column" | "equals", Ok(text)) => text,
            ("column" | "equals", Err(wrong)) => {
                report.wrong(at, key.clone(), wrong);
                continue;
            }
            (_, _) => {
                let known = vec!["column", "equals"];
                report.wrong(name.place, key.clone(), Wrong::UnknownKey { key: name.value, near: None, known });
                continue;
            }
        };
        if name.value == "equals" {
            equals = Some(text);
            continue;
        }
        match oid(&text) {
            Ok(oid) => column = Some(oid),
            Err(wrong) => {
                report.wrong(at, key.clone(), wrong);
                return None;
            }
        }
    }
    for (missing, key_name, example) in
        [(column.is_none(), "column", "\"1.3.6.1.2.1.47.1.1.1.1.7\""), (equals.is_none(), "equals", "\"Outlet 3\"")]
    {
        if missing {
            report.wrong(place, format!("{key}.{key_name}"), Wrong::MissingKey { key: key_name, example });
        }
    }
    Some(LabelledRow { column: column?, equals: equals? })
}
