//! Turns the table points of one SNMP device into transactions: GETs of cells, and walks of columns.
//!
//! Pure. A cell's label, and what an entity sensor says of itself, are asked in the same GET and count as variables, so
//! rows that share a label stand together. A column is walked once for all points on it, at the shortest of their
//! periods: some are then read more often than asked, none less. Never panics.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use super::super::planner::Unplannable;
use crate::plan::Ask;
use crate::plan::snmp::{Cell, LabelledRow, SensorKind};

/// One cell of a table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CellItem {
    /// The caller's name for it.
    pub key: u32,
    /// Column, or whole instance.
    pub oid: Vec<u32>,
    /// The row; `None` with a whole instance.
    pub row: Option<LabelledRow>,
    /// What an entity sensor must measure.
    pub sensor: Option<SensorKind>,
    /// How often.
    pub period: Duration,
    /// Cells with the same number must come from one GET.
    pub group: Option<u32>,
}

/// One OID looked for in a column.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ColumnItem {
    /// The caller's name for it.
    pub key: u32,
    /// The column.
    pub column: Vec<u32>,
    /// The OID; `None` counts all that no other item names.
    pub listed: Option<Vec<u32>>,
    /// How often.
    pub period: Duration,
}

/// A planned transaction: how often, what, and the keys of its points in order.
pub type Planned = (Duration, Ask, Vec<u32>);

/// The order in which cells are packed: period, group, row, object, key.
type Order<'a> = (Duration, Option<u32>, Option<&'a LabelledRow>, &'a [u32], u32);

/// Variables beside the value that tell what an entity sensor's value means.
const BESIDE_SENSOR: usize = 4;

/// Groups cells into GETs of at most `most` variables.
///
/// # Errors
/// Groups that do not fit one GET or mix periods.
pub fn plan_cells(items: &[CellItem], most: usize) -> Result<Vec<Planned>, Vec<Unplannable>> {
    let mut mistakes = Vec::new();
    let mut period_of: BTreeMap<u32, Duration> = BTreeMap::new();
    let mut parts: BTreeMap<Order<'_>, Vec<&CellItem>> = BTreeMap::new();
    for item in items {
        match item.group {
            Some(group) if *period_of.entry(group).or_insert(item.period) != item.period => {
                mistakes.push(Unplannable::MixedGroup { key: item.key });
            }
            Some(group) => parts.entry((item.period, Some(group), None, &[], 0)).or_default().push(item),
            None => {
                let place = (item.period, None, item.row.as_ref(), item.oid.as_slice(), item.key);
                parts.entry(place).or_default().push(item);
            }
        }
    }
    let mut gets: Vec<(Duration, Vec<&CellItem>)> = Vec::new();
    for ((period, ..), part) in parts {
        if variables(&part) > most && part.len() > 1 {
            mistakes.push(Unplannable::TooWide {
                key: part[0].key,
                needed: u32::try_from(variables(&part)).unwrap_or(u32::MAX),
                allowed: u16::try_from(most).unwrap_or(u16::MAX),
            });
            continue;
        }
        if let Some((last, get)) = gets.last_mut()
            && *last == period
        {
            let together: Vec<&CellItem> = get.iter().chain(&part).copied().collect();
            if variables(&together) <= most {
                *get = together;
                continue;
            }
        }
        gets.push((period, part));
    }
    if mistakes.is_empty() {
        Ok(gets.into_iter().map(|(period, get)| asked(period, &get)).collect())
    } else {
        Err(mistakes)
    }
}

/// Variables a GET of these cells asks for, labels and what stands beside sensors included.
fn variables(cells: &[&CellItem]) -> usize {
    let rows: BTreeSet<&LabelledRow> = cells.iter().filter_map(|cell| cell.row.as_ref()).collect();
    let sensors = cells.iter().filter(|cell| cell.sensor.is_some()).count();
    cells.len() + rows.len() + sensors * BESIDE_SENSOR
}

fn asked(period: Duration, get: &[&CellItem]) -> Planned {
    let rows: BTreeSet<&LabelledRow> = get.iter().filter_map(|cell| cell.row.as_ref()).collect();
    let rows: Vec<LabelledRow> = rows.into_iter().cloned().collect();
    let cells = get
        .iter()
        .map(|item| Cell {
            row: item.row.as_ref().and_then(|row| rows.iter().position(|known| known == row)).map(short),
            oid: item.oid.clone(),
            sensor: item.sensor,
        })
        .collect();
    (period, Ask::SnmpCells { rows, cells }, get.iter().map(|item| item.key).collect())
}

/// One walk a column.
#[must_use]
pub fn plan_columns(items: &[ColumnItem]) -> Vec<Planned> {
    let mut columns: BTreeMap<&[u32], Vec<&ColumnItem>> = BTreeMap::new();
    for item in items {
        columns.entry(&item.column).or_default().push(item);
    }
    let planned = columns.into_iter().filter_map(|(column, items)| {
        let period = items.iter().map(|item| item.period).min()?;
        let listed = items.iter().map(|item| item.listed.clone()).collect();
        let keys = items.iter().map(|item| item.key).collect();
        Some((period, Ask::SnmpColumn { column: column.to_vec(), listed }, keys))
    });
    planned.collect()
}

fn short(at: usize) -> u32 {
    u32::try_from(at).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    const S: Duration = Duration::from_secs(1);

    fn cell(key: u32, row: &str, sensor: bool, period: Duration, group: Option<u32>) -> CellItem {
        let row = LabelledRow { column: vec![1, 3, 9], equals: row.into() };
        CellItem {
            key,
            oid: vec![1, 3, 7, key],
            row: Some(row),
            sensor: sensor.then_some(SensorKind::Any),
            period,
            group,
        }
    }

    #[test]
    fn labels_and_sensors_count_and_every_cell_is_asked_once() {
        let items: Vec<CellItem> = (0..30)
            .map(|key| cell(key, if key % 2 == 0 { "a" } else { "b" }, key % 5 == 0, S * (1 + key % 2), None))
            .collect();
        let planned = plan_cells(&items, 8).expect("plannable");
        let mut keys: Vec<u32> = planned.iter().flat_map(|(_, _, keys)| keys.clone()).collect();
        keys.sort_unstable();
        assert_eq!(keys, (0..30).collect::<Vec<u32>>());
        for (period, ask, keys) in &planned {
            let Ask::SnmpCells { rows, cells } = ask else { panic!("cells") };
            assert!(rows.len() + cells.iter().map(|c| 1 + 4 * usize::from(c.sensor.is_some())).sum::<usize>() <= 8);
            for (cell, key) in cells.iter().zip(keys) {
                let item = &items[*key as usize];
                assert_eq!(item.period, *period);
                assert_eq!(Some(&rows[cell.row.expect("a row") as usize]), item.row.as_ref());
            }
        }
    }

    #[test]
    fn a_group_stays_together_or_is_refused() {
        let items = [cell(0, "a", false, S, Some(1)), cell(1, "b", false, S, Some(1)), cell(2, "c", false, S, None)];
        let planned = plan_cells(&items, 4).expect("plannable");
        assert!(planned.iter().any(|(_, _, keys)| keys.contains(&0) && keys.contains(&1)));
        assert!(matches!(plan_cells(&items, 3).expect_err("too wide")[..], [Unplannable::TooWide { needed: 4, .. }]));
        let mixed = [cell(0, "a", false, S, Some(1)), cell(1, "a", false, S * 2, Some(1))];
        assert_eq!(plan_cells(&mixed, 9).expect_err("mixed"), [Unplannable::MixedGroup { key: 1 }]);
    }

    #[test]
    fn a_column_is_walked_once_at_the_shortest_period() {
        let item = |key, listed, period| ColumnItem { key, column: vec![1, 3], listed, period };
        let planned = plan_columns(&[item(4, Some(vec![1, 2]), S * 5), item(7, None, S)]);
        let ask = |planned: &Planned| format!("{:?}", planned.1);
        assert_eq!(planned.len(), 1);
        assert_eq!((planned[0].0, &planned[0].2[..]), (S, &[4, 7][..]), "{}", ask(&planned[0]));
    }
}
