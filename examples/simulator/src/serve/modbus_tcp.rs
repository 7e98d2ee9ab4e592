//! Modbus TCP: one address behind which several units answer, as a plant controller or a gateway gives it.
//!
//! Decides how a device's manner looks on TCP. Frames are the library's; what a unit answers is `answer`'s. Requests
//! of one connection are answered one after the other, so a slow unit holds up its neighbours, as gateways do.
//! A unit nobody has, and one that two devices claim, get exception 0B from the gateway; writes get 01 and are
//! counted. Never panics. MODBUS Application Protocol V1.1b3 §7, Messaging on TCP/IP Implementation Guide V1.0b.

use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use tokio::net::TcpListener;
use tokio::sync::watch;
use tokio::time::sleep;
use tokio_modbus::prelude::{ConformityLevel, DeviceIdObject, ReadCode, ReadDeviceIdentificationResponse};
use tokio_modbus::server::Service;
use tokio_modbus::server::tcp::Server;
use tokio_modbus::{ExceptionCode, Request, Response, SlaveRequest};

use super::answer::{Answer, Exception, Query, Table, answer};
use super::spoil::{Spoil, Wire};
use super::{Traffic, Unit};
use crate::bank::Manner;

struct Gateway {
    units: Vec<Unit>,
    traffic: Arc<Traffic>,
    /// Counts bad answers, so that each kind of them has its turn.
    turn: AtomicU32,
}

/// The gateway as one connection sees it.
struct Connection {
    gateway: Arc<Gateway>,
    spoil: Spoil,
}

/// Serves until the task is dropped. `up` false closes every connection and resets new ones.
pub(crate) async fn serve(listener: TcpListener, units: Vec<Unit>, traffic: Arc<Traffic>, up: watch::Receiver<bool>) {
    let gateway = Arc::new(Gateway { units, traffic, turn: AtomicU32::new(0) });
    let server = Server::new(listener);
    let on_connected = |stream: tokio::net::TcpStream, _| {
        let (gateway, up) = (Arc::clone(&gateway), up.clone());
        async move {
            if !*up.borrow() {
                stream.set_zero_linger()?;
                return Ok(None);
            }
            stream.set_nodelay(true)?;
            let spoil = Spoil::default();
            let wire = Wire::new(stream, spoil.clone(), up);
            Ok(Some((Connection { gateway, spoil }, wire)))
        }
    };
    loop {
        let traffic = Arc::clone(&gateway.traffic);
        let on_error = move |error: std::io::Error| {
            if error.kind() == std::io::ErrorKind::InvalidData {
                traffic.undecodable();
            }
            tracing::debug!(%error, "connection ended");
        };
        if let Err(error) = server.serve(&on_connected, on_error).await {
            tracing::warn!(%error, "cannot accept");
            sleep(Duration::from_millis(100)).await;
        }
    }
}

impl Service for Connection {
    type Request = SlaveRequest<'static>;
    type Response = Option<Response>;
    type Exception = ExceptionCode;
    type Future = Pin<Box<dyn Future<Output = Result<Option<Response>, ExceptionCode>> + Send>>;

    fn call(&self, request: SlaveRequest<'static>) -> Self::Future {
        let query = query(&request.request);
        let traffic = &self.gateway.traffic;
        traffic.request();
        if query == Query::Write {
            traffic.write_attempt();
        }
        let Some(unit) = self.gateway.units.iter().find(|unit| unit.unit == request.slave) else {
            traffic.unknown_unit();
            return Box::pin(async { Err(ExceptionCode::GatewayTargetDevice) });
        };
        let (said, manner) = {
            let bank = unit.bank.lock();
            (answer(&bank, &unit.name, query), bank.manner.clone())
        };
        let said = said.map_err(code).map(|said| Some(response(&request.request, said)));
        let mut late = Duration::ZERO;
        let said = match manner {
            Manner::Well => said,
            Manner::Silent => Ok(None),
            Manner::Slow { delay_ms } => {
                late = Duration::from_millis(u64::from(delay_ms));
                said
            }
            Manner::Garbage => {
                self.spoil.next(self.gateway.turn.fetch_add(1, Ordering::Relaxed));
                said
            }
            Manner::Doubled => Err(ExceptionCode::GatewayTargetDevice),
        };
        Box::pin(async move {
            if !late.is_zero() {
                sleep(late).await;
            }
            said
        })
    }
}

fn query(request: &Request<'_>) -> Query {
    let read = |table, start, count| Query::Read { table, start, count };
    match *request {
        Request::ReadCoils(start, count) => read(Table::Coils, start, count),
        Request::ReadDiscreteInputs(start, count) => read(Table::Discrete, start, count),
        Request::ReadHoldingRegisters(start, count) => read(Table::Holding, start, count),
        Request::ReadInputRegisters(start, count) => read(Table::Input, start, count),
        Request::ReadDeviceIdentification(code, object) => Query::Identify { code: code.value(), object },
        Request::WriteSingleCoil(..)
        | Request::WriteMultipleCoils(..)
        | Request::WriteSingleRegister(..)
        | Request::WriteMultipleRegisters(..)
        | Request::MaskWriteRegister(..)
        | Request::ReadWriteMultipleRegisters(..)
        | Request::Custom(0x15, _) => Query::Write,
        Request::ReportServerId | Request::Custom(..) => Query::Unsupported,
    }
}

fn response(request: &Request<'_>, said: Answer) -> Response {
    match (request, said) {
        (Request::ReadCoils(..), Answer::Bits(bits)) => Response::ReadCoils(bits),
        (_, Answer::Bits(bits)) => Response::ReadDiscreteInputs(bits),
        (Request::ReadHoldingRegisters(..), Answer::Registers(registers)) => Response::ReadHoldingRegisters(registers),
        (_, Answer::Registers(registers)) => Response::ReadInputRegisters(registers),
        (_, Answer::Identification { code, objects }) => {
            Response::ReadDeviceIdentification(ReadDeviceIdentificationResponse {
                read_code: ReadCode::try_from_value(code).expect("invariant: the code came in as a read code"),
                conformity_level: ConformityLevel::BasicIdentification,
                more_follows: false,
                next_object_id: 0,
                device_id_objects: objects
                    .into_iter()
                    .map(|(id, text)| DeviceIdObject { id, value: text.into() })
                    .collect(),
            })
        }
    }
}

fn code(exception: Exception) -> ExceptionCode {
    ExceptionCode::new(exception as u8)
}
