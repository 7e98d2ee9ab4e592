//! Links and devices for people: state, counters, how full the line is, and the poll plan.
//!
//! Up or down is what the core has put on the board as the agent's own points; counters are the field's. Never panics.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use lapwing_protocol::Status;
use serde_json::{Value, json};

use super::Shared;
use super::answer::{DeviceRow, FieldFigures, IdentityRow, LinkRow, Links, TransactionRow};
use crate::cause::Cause;
use crate::field::budget::LinkBudget;
use crate::field::stats::Figures;
use crate::plan::{Ask, Device, Redfish, Transport, stretch};
use crate::words::Words;

/// `GET /api/links`.
pub(super) async fn links(State(shared): State<Arc<Shared>>) -> Json<Links> {
    let words = Words::of(shared.plan.module.language);
    let links = (0u32..).zip(&shared.plan.links).map(|(index, link)| {
        let first = link.devices.first;
        let devices = (first..).zip(stretch(&shared.plan.devices, link.devices)).map(|(number, device)| DeviceRow {
            name: device.name.clone(),
            unit: device.unit,
            up: is_up(&shared, device.state_point),
            identity: identity(&shared, device),
            figures: figures(shared.stats.device(number)),
            lacking: lacking(&shared, number),
            transactions: stretch(&shared.plan.transactions, device.transactions)
                .iter()
                .map(|transaction| TransactionRow {
                    what: what(words, &transaction.ask),
                    period_ms: u64::try_from(transaction.period.as_millis()).unwrap_or(u64::MAX),
                    points: transaction.points.count,
                })
                .collect(),
        });
        let load = LinkBudget::of(&shared.plan, link);
        let per_s = stretch(&shared.plan.devices, link.devices)
            .iter()
            .flat_map(|device| stretch(&shared.plan.transactions, device.transactions))
            .map(|transaction| 1.0 / transaction.period.as_secs_f64().max(1e-3))
            .sum::<f64>();
        LinkRow {
            name: link.name.clone(),
            transport: transport(words, &link.transport),
            up: is_up(&shared, link.state_point),
            utilisation: Some(load.utilisation),
            transactions_per_s: per_s,
            figures: figures(shared.stats.link(index)),
            devices: devices.collect(),
        }
    });
    Json(Links { links: links.collect() })
}

/// Which links and devices work, for the live stream.
pub(super) fn states(shared: &Shared) -> Value {
    let links = shared.plan.links.iter().map(|link| {
        let devices = stretch(&shared.plan.devices, link.devices);
        let devices: Vec<Value> = devices
            .iter()
            .map(|device| json!({ "name": device.name, "up": is_up(shared, device.state_point) }))
            .collect();
        json!({ "name": link.name, "up": is_up(shared, link.state_point), "devices": devices })
    });
    Value::Array(links.collect())
}

/// The point that tells whether a device is the expected one, and whether a person can confirm what it shows.
fn identity(shared: &Shared, device: &Device) -> Option<IdentityRow> {
    let at = usize::try_from(device.identity.point?).ok()?;
    let point = shared.plan.points.get(at)?.path.clone();
    let features = device.identity.checks.iter().flat_map(|check| &check.features);
    let can_confirm = features.into_iter().any(|feature| feature.expect.is_none());
    Some(IdentityRow { point, can_confirm })
}

/// The agent's own state points are 0 while all is well.
fn is_up(shared: &Shared, point: u32) -> bool {
    let shown = usize::try_from(point).ok().and_then(|point| shared.board.get(point));
    shown.is_some_and(|shown| shown.value == Some(0))
}

/// Paths of the points that a device does not give, by their last readings.
fn lacking(shared: &Shared, device: u32) -> Vec<String> {
    let of_device = shared.plan.points.iter().enumerate().filter(|(_, point)| point.device == Some(device));
    let missing =
        of_device.filter(|(at, _)| shared.board.get(*at).is_some_and(|shown| shown.status == Status::BAD_NOT_FOUND));
    missing.map(|(_, point)| point.path.clone()).collect()
}

#[allow(clippy::cast_precision_loss)] // a latency in µs stays far below 2^52
fn figures(f: Figures) -> FieldFigures {
    FieldFigures {
        requests: f.requests,
        answers: f.answers,
        timeouts: f.timeouts,
        garbled: f.garbled,
        exceptions: f.exceptions,
        scans_due: f.scans_due,
        scans_good: f.scans_good,
        scans_skipped: f.scans_skipped,
        latency_ms: f.latency_us as f64 / 1000.0,
    }
}

fn transport(words: &Words, transport: &Transport) -> String {
    match transport {
        Transport::ModbusTcp { host, port } => format!("Modbus TCP {host}:{port}"),
        Transport::ModbusTls { host, port, .. } => format!("Modbus TCP over TLS {host}:{port}"),
        Transport::ModbusRtuTcp { host, port, .. } => format!("Modbus RTU over TCP {host}:{port}"),
        Transport::Serial { path, baud, .. } => {
            Cause::known("page_serial", &[("path", &path.display()), ("baud", baud)]).said(words)
        }
        Transport::Snmp { host, port, .. } => format!("SNMP {host}:{port}"),
        Transport::Redfish(Redfish { host, port, .. }) => format!("Redfish {host}:{port}"),
    }
}

fn what(words: &Words, ask: &Ask) -> String {
    match ask {
        Ask::Modbus { table, start, count, .. } => {
            let table = match table {
                crate::plan::Table::Coil => "coil",
                crate::plan::Table::Discrete => "discrete",
                crate::plan::Table::Holding => "holding",
                crate::plan::Table::Input => "input",
            };
            match u32::from(*start) + u32::from(*count).saturating_sub(1) {
                last if last == u32::from(*start) => format!("{table} {start}"),
                last => format!("{table} {start}–{last}"),
            }
        }
        Ask::Snmp { oids } => Cause::known("page_variables", &[("count", &oids.len())]).said(words),
        Ask::SnmpCells { cells, .. } => Cause::known("page_cells", &[("count", &cells.len())]).said(words),
        Ask::SnmpColumn { .. } => Cause::known("page_column", &[]).said(words),
        Ask::Redfish { resource, .. } => resource.clone(),
    }
}
