//! Reads table cells whose row is known by its label, and columns of object identifiers.
//!
//! A row's number may change when an agent restarts or is rewired, so the label is read in the same answer as the value:
//! a value whose label is not the one asked for is never taken; the column of labels is then walked again, once.
//! Alarm tables are walked each time: rows appear and vanish, ids are sparse and wrap (RFC 1628, upsAlarmTable). What no
//! point names is told, never dropped. Knows no transport. Never panics.

use std::collections::{BTreeMap, BTreeSet};
use std::time::{Duration, Instant};

use async_snmp::{Oid, Value};
use lapwing_engine::spec::Raw;
use lapwing_protocol::Status;

use super::super::failure::Failure;
use super::super::why::Why;
use super::client::Agent;
use super::sensor;
use super::value::raw;
use crate::plan::snmp::{Cell, LabelledRow};

/// A column in which a label was looked for in vain is not walked again before this.
const WALK_AGAIN: Duration = Duration::from_secs(10);

/// Where the rows of labels are, as far as known.
#[derive(Debug, Default)]
pub(in crate::field) struct Labels {
    columns: BTreeMap<Vec<u32>, Column>,
    /// Rows told as missing.
    missed: BTreeSet<LabelledRow>,
}

/// A column of labels as last walked.
#[derive(Debug)]
struct Column {
    at: Instant,
    rows: Vec<(Vec<u32>, Value)>,
}

/// How many rows have a label.
enum Found<'a> {
    None,
    One(&'a [u32]),
    Several,
}

impl Labels {
    /// Forgets every row: the agent has restarted.
    pub(super) fn forget(&mut self) {
        self.columns.clear();
    }

    fn found(&self, row: &LabelledRow) -> Found<'_> {
        let Some(column) = self.columns.get(&row.column) else { return Found::None };
        let mut instances = column.rows.iter().filter(|(_, label)| is_label(label, &row.equals));
        match (instances.next(), instances.next()) {
            (Some((instance, _)), None) => Found::One(instance),
            (Some(_), Some(_)) => Found::Several,
            (None, _) => Found::None,
        }
    }

    fn instance(&self, row: &LabelledRow) -> Option<Vec<u32>> {
        match self.found(row) {
            Found::One(instance) => Some(instance.to_vec()),
            Found::None | Found::Several => None,
        }
    }

    async fn find(
        &mut self,
        agent: &mut impl Agent,
        rows: &[LabelledRow],
        say: &mut impl FnMut(Why),
    ) -> Result<(), Failure> {
        let due = |column: &Vec<u32>| self.columns.get(column).is_none_or(|known| known.at.elapsed() >= WALK_AGAIN);
        let unknown = rows.iter().filter(|row| self.instance(row).is_none());
        let columns: BTreeSet<Vec<u32>> = unknown.map(|row| row.column.clone()).filter(due).collect();
        for column in columns {
            let found = agent.walk(&Oid::from_slice(&column)).await?;
            self.columns.insert(column, Column { at: Instant::now(), rows: found });
        }
        let mut lacking: BTreeMap<(bool, &[u32]), Vec<String>> = BTreeMap::new();
        for row in rows {
            let several = match self.found(row) {
                Found::One(_) => {
                    self.missed.remove(row);
                    continue;
                }
                Found::None => false,
                Found::Several => true,
            };
            if self.missed.insert(row.clone()) {
                lacking.entry((several, &row.column)).or_default().push(format!("\"{}\"", row.equals));
            }
        }
        for ((several, column), labels) in lacking {
            say(Why::Labels { several, labels, column: Oid::from_slice(column).to_string() });
        }
        Ok(())
    }
}

/// The cells of one transaction.
pub(in crate::field) async fn cells(
    agent: &mut impl Agent,
    labels: &mut Labels,
    rows: &[LabelledRow],
    cells: &[Cell],
    say: &mut impl FnMut(Why),
) -> Result<Vec<Raw>, Failure> {
    for last in [false, true] {
        labels.find(agent, rows, say).await?;
        let instances: Vec<Option<Vec<u32>>> = rows.iter().map(|row| labels.instance(row)).collect();
        let mut asked = Vec::new();
        for (row, instance) in rows.iter().zip(&instances) {
            asked.extend(instance.as_ref().map(|instance| joined(&row.column, instance)));
        }
        let places: Vec<Option<std::ops::Range<usize>>> =
            cells.iter().map(|cell| ask_cell(cell, &instances, &mut asked)).collect();
        let values = if asked.is_empty() { Vec::new() } else { agent.get(&asked).await? };
        let mut labelled = values.iter();
        let mut sure = Vec::with_capacity(rows.len());
        for (row, instance) in rows.iter().zip(&instances) {
            let found = instance.as_ref().and_then(|_| labelled.next());
            sure.push(found.is_some_and(|label| is_label(label, &row.equals)));
        }
        let moved =
            rows.iter().zip(instances.iter().zip(&sure)).filter(|(_, (known, sure))| known.is_some() && !**sure);
        let moved: BTreeSet<Vec<u32>> = moved.map(|(row, _)| row.column.clone()).collect();
        if !moved.is_empty() {
            labels.columns.retain(|column, _| !moved.contains(column));
            if !last {
                continue;
            }
        }
        let value = |(cell, place): (&Cell, &Option<std::ops::Range<usize>>)| {
            let is_sure = cell.row.is_none_or(|row| sure.get(row as usize).copied().unwrap_or(false));
            match place.clone().filter(|_| is_sure).and_then(|place| values.get(place)) {
                Some([value]) => raw(value),
                Some([value, beside @ ..]) => cell.sensor.map_or(UNREADABLE, |kind| sensor::value(kind, value, beside)),
                Some([]) | None => UNREADABLE,
            }
        };
        return Ok(cells.iter().zip(&places).map(value).collect());
    }
    Ok(vec![UNREADABLE; cells.len()]) // both rounds return or go on
}

/// There is no such row.
const UNREADABLE: Raw = Raw::Fault(Status::BAD_NOT_FOUND);

/// Adds what a cell needs to the variables asked; where that stands, unless its row is unknown.
fn ask_cell(cell: &Cell, instances: &[Option<Vec<u32>>], asked: &mut Vec<Oid>) -> Option<std::ops::Range<usize>> {
    let whole = match cell.row {
        None => cell.oid.clone(),
        Some(row) => [&cell.oid[..], instances.get(row as usize)?.as_ref()?].concat(),
    };
    let first = asked.len();
    asked.push(Oid::from_slice(&whole));
    if cell.sensor.is_some() {
        let column = crate::plan::snmp::SENSOR_VALUE.len() - 1;
        for beside in sensor::BESIDE {
            let mut oid = whole.clone();
            *oid.get_mut(column)? = beside;
            asked.push(Oid::from_slice(&oid));
        }
    }
    Some(first..asked.len())
}

fn joined(column: &[u32], instance: &[u32]) -> Oid {
    Oid::from_slice(&[column, instance].concat())
}

/// Some agents end texts with a zero byte.
fn is_label(value: &Value, label: &str) -> bool {
    match value {
        Value::OctetString(bytes) => {
            let end = bytes.iter().rposition(|byte| *byte != 0).map_or(0, |last| last + 1);
            bytes.get(..end) == Some(label.as_bytes())
        }
        Value::Integer(number) => number.to_string() == label,
        _ => false,
    }
}

/// What a column held the last time that no point names.
#[derive(Debug, Default)]
pub(in crate::field) struct Strange(BTreeSet<String>);

/// Whether a column holds each of the OIDs the points name, and how many rows hold another.
pub(in crate::field) async fn column(
    agent: &mut impl Agent,
    strange: &mut Strange,
    column: &[u32],
    listed: &[Option<Vec<u32>>],
    say: &mut impl FnMut(Why),
) -> Result<Vec<Raw>, Failure> {
    let rows = agent.walk(&Oid::from_slice(column)).await?;
    let is_listed = |arcs: &[u32]| listed.iter().flatten().any(|known| known == arcs);
    let mut others: i64 = 0;
    let mut seen = BTreeSet::new();
    for (_, value) in &rows {
        match value {
            Value::ObjectIdentifier(oid) if is_listed(oid.arcs()) => {}
            Value::ObjectIdentifier(oid) => {
                others += 1;
                seen.insert(oid.to_string());
            }
            other => {
                others += 1;
                seen.insert(format!("{other:?}").chars().take(60).collect());
            }
        }
    }
    let column = Oid::from_slice(column).to_string();
    let new: Vec<String> = seen.difference(&strange.0).cloned().collect();
    let gone: Vec<String> = strange.0.difference(&seen).cloned().collect();
    if !new.is_empty() {
        say(Why::Strange { column: column.clone(), entries: new });
    }
    if !gone.is_empty() {
        say(Why::StrangeGone { column, entries: gone });
    }
    strange.0 = seen;
    let is_present = |oid: &Vec<u32>| {
        rows.iter().any(|(_, value)| matches!(value, Value::ObjectIdentifier(found) if found.arcs() == oid.as_slice()))
    };
    Ok(listed.iter().map(|oid| Raw::Whole(oid.as_ref().map_or(others, |oid| i64::from(is_present(oid))))).collect())
}

#[cfg(test)]
#[path = "table/tests.rs"]
mod tests;
