//! Doors for `tests/fuzz`: lets bytes of its making into decoders that have no public entry of their own.
//!
//! Decides nothing and changes nothing: each function hands its arguments to the code a link runs. Times are passed in or
//! zero. In no build a user makes (feature `fuzzing`). Never panics by itself.

use std::time::Duration;

use async_snmp::{Oid, Value, VarBind};
use lapwing_engine::spec::Raw;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio_modbus::client::tcp;
use tokio_modbus::slave::Slave;

use super::failure::Failure;
use super::identify::{Identity, NoIdentity, exchange};
use super::request::Read;
use super::rtu::line::Line;
use super::rtu::master::{Master, Values as LineValues};
use super::snmp::client::Agent;
use super::snmp::{sensor, table, value};
use super::{modbus_tcp, request};
use crate::plan::snmp::{Cell, LabelledRow, SensorKind};

/// One Modbus TCP exchange over a stream; bits as 0 and 1.
///
/// # Errors
/// Why the answer is not believed.
pub async fn modbus_tcp<S>(stream: S, unit: u8, read: Read, within: Duration) -> Result<Vec<u16>, Failure>
where
    S: AsyncRead + AsyncWrite + Unpin + Send + std::fmt::Debug + 'static,
{
    let mut context = tcp::attach_slave(stream, Slave(unit));
    let values = modbus_tcp::ask(&mut context, unit, read, within).await?;
    let answer = values.answer();
    Ok(match answer {
        request::Answer::Registers(registers) => registers.to_vec(),
        request::Answer::Bits(bits) => bits.iter().map(|bit| u16::from(*bit)).collect(),
        request::Answer::Variables(_) => Vec::new(), // Modbus has none
    })
}

/// One exchange of the RTU master on a line, with little patience; bits as 0 and 1.
///
/// # Errors
/// Why the answer is not believed.
pub fn rtu(line: Box<dyn Line>, unit: u8, read: Read) -> Result<Vec<u16>, Failure> {
    Master::new(line).ask(unit, read, Duration::from_millis(2), Duration::ZERO).map(|values| match values {
        LineValues::Registers(registers) => registers,
        LineValues::Bits(bits) => bits.iter().map(|bit| u16::from(*bit)).collect(),
    })
}

/// Function 43/14 over Modbus TCP framing.
///
/// # Errors
/// Why there is no identification.
pub async fn identity_over_tcp<S: AsyncRead + AsyncWrite + Unpin>(
    stream: &mut S,
    unit: u8,
    within: Duration,
) -> Result<Identity, NoIdentity> {
    exchange::over_stream(stream, unit, within).await
}

/// Function 43/14 on a line.
///
/// # Errors
/// Why there is no identification.
pub fn identity_on_line(line: &mut dyn Line, unit: u8) -> Result<Identity, NoIdentity> {
    exchange::over_line(line, unit, Duration::ZERO, Duration::ZERO)
}

/// The raw value of an SNMP variable.
#[must_use]
pub fn snmp_raw(variable: &Value) -> Raw {
    value::raw(variable)
}

/// The values of the variables asked.
///
/// # Errors
/// Anything missing, doubled or foreign.
pub fn snmp_in_order(asked: &[Oid], got: Vec<VarBind>) -> Result<Vec<Value>, Failure> {
    value::in_order(asked, got)
}

/// The value of an entity sensor.
#[must_use]
pub fn snmp_sensor(kind: SensorKind, variable: &Value, beside: &[Value]) -> Raw {
    sensor::value(kind, variable, beside)
}

/// An agent that always shows the same.
struct Shows(Vec<(Vec<u32>, Value)>);

impl Agent for Shows {
    async fn get(&mut self, oids: &[Oid]) -> Result<Vec<Value>, Failure> {
        Ok(oids
            .iter()
            .enumerate()
            .map(|(n, _)| self.0.get(n).map_or(Value::NoSuchObject, |(_, v)| v.clone()))
            .collect())
    }

    async fn walk(&mut self, _column: &Oid) -> Result<Vec<(Vec<u32>, Value)>, Failure> {
        Ok(self.0.clone())
    }
}

/// Cells of labelled rows, from an agent that shows these variables whatever is asked.
///
/// # Errors
/// Never for such an agent.
pub async fn snmp_cells(
    shown: Vec<(Vec<u32>, Value)>,
    rows: &[LabelledRow],
    cells: &[Cell],
) -> Result<Vec<Raw>, Failure> {
    table::cells(&mut Shows(shown), &mut table::Labels::default(), rows, cells, &mut |_| {}).await
}

/// A column of object identifiers, from an agent that shows these variables whatever is asked.
///
/// # Errors
/// Never for such an agent.
pub async fn snmp_column(
    shown: Vec<(Vec<u32>, Value)>,
    column: &[u32],
    listed: &[Option<Vec<u32>>],
) -> Result<Vec<Raw>, Failure> {
    table::column(&mut Shows(shown), &mut table::Strange::default(), column, listed, &mut |_| {}).await
}

/// One GET over what is connected.
///
/// # Errors
/// Why nothing came.
#[cfg(feature = "redfish")]
pub async fn redfish_get<S>(stream: S, service: &crate::plan::Redfish, resource: &str) -> Result<Vec<u8>, Failure>
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    super::redfish::get_over(stream, service, resource).await.map(|body| body.to_vec())
}

/// The points of a resource.
///
/// # Errors
/// It is no JSON.
#[cfg(feature = "redfish")]
pub fn redfish_values(body: &[u8], pointers: &[String], states: &[(i64, String)]) -> Result<Vec<Raw>, Failure> {
    super::redfish::values(body, pointers, std::iter::repeat(states))
}
