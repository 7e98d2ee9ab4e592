//! The SNMP points of one device, sorted into what is asked one by one, by labelled row, and by walking a column.
//!
//! An entity sensor's value (RFC 3433) is asked with the columns beside it, which must say that it measures what its
//! point does. Never panics.

use std::time::Duration;

use lapwing_protocol::Quantity;

use crate::config::items::point::Choice;
use crate::field::planner::{MOST_VARIABLES, Unplannable, Variable, plan_gets};
use crate::field::snmp::plan::{CellItem, ColumnItem, plan_cells, plan_columns};
use crate::plan::snmp::{SENSOR_VALUE, SensorKind};

use super::scan::Asks;

/// The SNMP points of one device.
#[derive(Debug, Default)]
pub(super) struct Variables {
    single: Vec<Variable>,
    cells: Vec<CellItem>,
    columns: Vec<ColumnItem>,
}

impl Variables {
    /// Adds a point.
    pub(super) fn add(
        &mut self,
        key: u32,
        oid: &[u32],
        choice: &Choice,
        period: Duration,
        quantity: Quantity,
        group: Option<u32>,
    ) {
        let oid = oid.to_vec();
        let sensor = oid.starts_with(&SENSOR_VALUE).then(|| kind(quantity));
        match choice {
            Choice::Instance if sensor.is_none() => self.single.push(Variable { key, oid, period, group }),
            Choice::Instance => self.cells.push(CellItem { key, oid, row: None, sensor, period, group }),
            Choice::Row(row) => self.cells.push(CellItem { key, oid, row: Some(row.clone()), sensor, period, group }),
            Choice::Present(listed) => {
                self.columns.push(ColumnItem { key, column: oid, listed: Some(listed.clone()), period });
            }
            Choice::Others => self.columns.push(ColumnItem { key, column: oid, listed: None, period }),
        }
    }

    /// The questions that bring them all.
    pub(super) fn plan(mut self) -> Result<Asks, Vec<Unplannable>> {
        // A group with a cell in it is asked as cells altogether.
        let grouped: Vec<u32> = self.cells.iter().filter_map(|cell| cell.group).collect();
        let (cells, single) = self.single.into_iter().partition(|v| v.group.is_some_and(|g| grouped.contains(&g)));
        self.single = single;
        self.cells.extend(cells.into_iter().map(|Variable { key, oid, period, group }| CellItem {
            key,
            oid,
            row: None,
            sensor: None,
            period,
            group,
        }));
        let gets = plan_gets(&self.single, MOST_VARIABLES)?;
        let mut asks: Asks =
            gets.iter().map(|get| (get.period, get.ask(), get.entries.iter().map(|(key, _)| *key).collect())).collect();
        asks.extend(plan_cells(&self.cells, MOST_VARIABLES)?);
        asks.extend(plan_columns(&self.columns));
        Ok(asks)
    }
}

/// The type of sensor whose value a quantity is.
const fn kind(quantity: Quantity) -> SensorKind {
    match quantity {
        Quantity::Voltage => SensorKind::Volts,
        Quantity::Current => SensorKind::Amperes,
        Quantity::Power => SensorKind::Watts,
        Quantity::Frequency => SensorKind::Hertz,
        Quantity::Temperature => SensorKind::Celsius,
        Quantity::RelativeHumidity => SensorKind::PercentRh,
        Quantity::Speed => SensorKind::Rpm,
        Quantity::VolumeFlow => SensorKind::CubicMetresPerMinute,
        Quantity::State => SensorKind::TruthValue,
        _ => SensorKind::Any,
    }
}
