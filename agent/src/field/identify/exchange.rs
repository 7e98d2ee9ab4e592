//! Asks the devices of a link what they are, over whatever carries the link, before its polling begins.
//!
//! Modbus devices are asked by function 43/14, SNMP agents for `sysDescr`. One device after another; one that does not
//! answer costs its own time-out and nobody else's. On a line the silences are kept; a late answer is recognised by
//! unit and function and thrown away. Never panics. Modbus over Serial Line V1.02 §2.5.1.1; MODBUS Messaging on TCP/IP
//! V1.0b §3.1.3 (header); RFC 3418 (`sysDescr`).

use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::io::{AsyncRead, AsyncReadExt as _, AsyncWrite, AsyncWriteExt as _};
use tokio::time::timeout;

use super::{Identity, NoIdentity, add, decode, request};
use crate::field::failure::End;
use crate::field::modbus_tcp::{Endpoint, connect};
use crate::field::rtu::frame::crc;
use crate::field::rtu::line::{Gateway, Line, Serial};
use crate::field::why::Unreached;
use crate::field::{CONNECT_AT_LEAST, snmp};
use crate::plan::{Device, Plan, Transport, stretch};

/// Longest PDU, and the longest frame around it.
const MOST_PDU: usize = 253;
const MOST_FRAME: usize = 256;

/// Asks every device of a link; device index and outcome, in the plan's order.
pub async fn link(plan: Arc<Plan>, link: u32) -> Vec<(u32, Result<Identity, NoIdentity>)> {
    let Some(about) = usize::try_from(link).ok().and_then(|at| plan.links.get(at)) else { return Vec::new() };
    let devices: Vec<(u32, Device)> =
        (about.devices.first..).zip(stretch(&plan.devices, about.devices).iter().cloned()).collect();
    let within = about.timeout.max(CONNECT_AT_LEAST);
    match about.transport.clone() {
        Transport::ModbusTcp { host, port } => {
            let endpoint = Endpoint { host, port, tls: None };
            over_streams(devices, || connect(&endpoint, within)).await
        }
        Transport::ModbusTls { host, port, tls } => {
            let endpoint = Endpoint { host, port, tls: Some(tls) };
            over_streams(devices, || connect(&endpoint, within)).await
        }
        Transport::Serial { .. } if about.listen => devices
            .into_iter()
            .map(|(index, _)| (index, Err(NoIdentity::NotAsked("on this line the agent only listens".into()))))
            .collect(),
        Transport::Serial { path, baud, parity, stop_bits } => {
            on_line(devices, about.listen_first, move || {
                Serial::open(&path, baud, parity, stop_bits).map(|line| Box::new(line) as Box<dyn Line>)
            })
            .await
        }
        Transport::ModbusRtuTcp { host, port, baud } => {
            on_line(devices, Duration::ZERO, move || {
                Gateway::open(&host, port, baud, within).map(|line| Box::new(line) as Box<dyn Line>)
            })
            .await
        }
        // A service names itself in its own words; what points need is in their resources.
        Transport::Redfish { .. } => devices
            .into_iter()
            .map(|(index, _)| (index, Err(NoIdentity::NotAsked("Redfish services are not asked".into()))))
            .collect(),
        Transport::Snmp { host, port, access } => {
            let mut said = Vec::with_capacity(devices.len());
            for (index, device) in devices {
                let address = snmp::Address {
                    host: host.clone(),
                    port,
                    access: access.clone(),
                    timeout: device.timeout,
                    device: index,
                };
                let outcome = snmp::describe::describe(&address).await;
                said.push((index, outcome.map(|text| Identity { objects: vec![(0, text)] })));
            }
            said
        }
    }
}

async fn over_streams<S, F>(
    devices: Vec<(u32, Device)>,
    open: impl Fn() -> F,
) -> Vec<(u32, Result<Identity, NoIdentity>)>
where
    S: AsyncRead + AsyncWrite + Unpin,
    F: Future<Output = Result<S, Unreached>>,
{
    let mut stream: Option<S> = None;
    let mut said = Vec::with_capacity(devices.len());
    for (index, device) in devices {
        let outcome = match stream.take() {
            Some(open) => Ok(open),
            None => open().await,
        };
        let outcome = match outcome {
            Err(unreached) => Err(NoIdentity::NotAsked(unreached.to_string())),
            Ok(mut open) => {
                tokio::time::sleep(device.pause).await;
                let outcome = over_stream(&mut open, device.unit, device.timeout).await;
                // After anything but a right answer the connection may still hold a late one.
                if matches!(outcome, Ok(_) | Err(NoIdentity::Refused(_))) {
                    stream = Some(open);
                }
                outcome
            }
        };
        said.push((index, outcome));
    }
    said
}

/// All pages over Modbus TCP framing; the time-out is for each page.
pub(in crate::field) async fn over_stream<S: AsyncRead + AsyncWrite + Unpin>(
    stream: &mut S,
    unit: u8,
    within: Duration,
) -> Result<Identity, NoIdentity> {
    let (mut identity, mut pages, mut object) = (Identity::default(), 0, Some(0));
    let mut number = 0x4C57_u16;
    while let Some(from) = object {
        number = number.wrapping_add(1);
        let page = timeout(within, page(stream, number, unit, from)).await;
        let page = page.map_err(|_| NoIdentity::Silence { timeout_ms: millis(within) })??;
        object = add(&mut identity, page, &mut pages);
    }
    Ok(identity)
}

async fn page<S: AsyncRead + AsyncWrite + Unpin>(
    stream: &mut S,
    number: u16,
    unit: u8,
    object: u8,
) -> Result<super::Page, NoIdentity> {
    let closed = |error: std::io::Error| {
        NoIdentity::NotAsked(match error.kind() {
            std::io::ErrorKind::UnexpectedEof => End::Wordless.to_string(),
            _ => format!("the connection ended: {error}"),
        })
    };
    let [high, low] = number.to_be_bytes();
    let mut frame = vec![high, low, 0, 0, 0, 5, unit];
    frame.extend(request(object));
    stream.write_all(&frame).await.map_err(closed)?;
    stream.flush().await.map_err(closed)?;
    let mut head = [0; 7];
    stream.read_exact(&mut head).await.map_err(closed)?;
    let [got_high, got_low, 0, 0, len_high, len_low, got_unit] = head else { return Err(NoIdentity::Damaged) };
    // The length counts the unit too.
    let len = usize::from(u16::from_be_bytes([len_high, len_low])).saturating_sub(1);
    if [got_high, got_low] != [high, low] || got_unit != unit || !(2..=MOST_PDU).contains(&len) {
        return Err(NoIdentity::Damaged);
    }
    let mut pdu = vec![0; len];
    stream.read_exact(&mut pdu).await.map_err(closed)?;
    decode(&pdu)
}

async fn on_line(
    devices: Vec<(u32, Device)>,
    listen_first: Duration,
    open: impl FnOnce() -> Result<Box<dyn Line>, Unreached> + Send + 'static,
) -> Vec<(u32, Result<Identity, NoIdentity>)> {
    let numbers: Vec<u32> = devices.iter().map(|(index, _)| *index).collect();
    let open = move || open().map_err(|unreached| unreached.to_string()).and_then(|line| quiet(line, listen_first));
    let asked = tokio::task::spawn_blocking(move || match open() {
        Err(why) => devices.into_iter().map(|(index, _)| (index, Err(NoIdentity::NotAsked(why.clone())))).collect(),
        Ok(mut line) => devices
            .into_iter()
            .map(|(index, device)| (index, over_line(&mut *line, device.unit, device.timeout, device.pause)))
            .collect(),
    });
    // The job ends in a panic only by a mistake of ours, which has then been reported.
    asked.await.unwrap_or_else(|error| {
        numbers.into_iter().map(|index| (index, Err(NoIdentity::NotAsked(error.to_string())))).collect()
    })
}

/// A line on which nobody speaks for so long.
fn quiet(mut line: Box<dyn Line>, listen_first: Duration) -> Result<Box<dyn Line>, String> {
    let until = Instant::now() + listen_first;
    while Instant::now() < until {
        match line.read(&mut [0; MOST_FRAME], until) {
            Ok(0) => {}
            Ok(_) => return Err("somebody else speaks on this line; the agent does not".into()),
            Err(error) => return Err(format!("the line ended: {error}")),
        }
    }
    Ok(line)
}

/// All pages over RTU framing.
pub(in crate::field) fn over_line(
    line: &mut dyn Line,
    unit: u8,
    within: Duration,
    pause: Duration,
) -> Result<Identity, NoIdentity> {
    let (mut identity, mut pages, mut object) = (Identity::default(), 0, Some(0));
    while let Some(from) = object {
        let page = line_page(line, unit, from, within, pause)
            .unwrap_or_else(|error| Err(NoIdentity::NotAsked(format!("the line ended: {error}"))))?;
        object = add(&mut identity, page, &mut pages);
    }
    Ok(identity)
}

fn line_page(
    line: &mut dyn Line,
    unit: u8,
    object: u8,
    within: Duration,
    pause: Duration,
) -> std::io::Result<Result<super::Page, NoIdentity>> {
    let pace = line.pace();
    let mut waste = [0; MOST_FRAME];
    let quiet = pace.silence.max(pause);
    // At most a second: what never falls silent belongs to somebody else, and the answer is then not found.
    let patience = Instant::now() + Duration::from_secs(1);
    while line.read(&mut waste, Instant::now() + quiet)? > 0 && Instant::now() < patience {}
    let mut frame = vec![unit];
    frame.extend(request(object));
    frame.extend(crc(&frame).to_le_bytes());
    line.write(&frame)?;
    let sent = Instant::now() + pace.characters(frame.len());
    let mut got = Vec::with_capacity(MOST_FRAME);
    let mut until = sent + within;
    loop {
        let count = line.read(&mut waste, until)?;
        if count == 0 {
            if Instant::now() < until {
                continue;
            }
            let silent = got.is_empty();
            return Ok(Err(if silent {
                NoIdentity::Silence { timeout_ms: millis(within) }
            } else {
                NoIdentity::Damaged
            }));
        }
        got.extend_from_slice(waste.get(..count).unwrap_or_default());
        if got.len() > MOST_FRAME {
            return Ok(Err(NoIdentity::Damaged));
        }
        if let Some((body, sum)) = got.split_last_chunk::<2>()
            && crc(body).to_le_bytes() == *sum
            && let Some((address, pdu)) = body.split_first()
            && *address == unit
        {
            let page = decode(pdu);
            if page != Err(NoIdentity::Damaged) {
                return Ok(page);
            }
        }
        until = Instant::now() + pace.characters(MOST_FRAME.saturating_sub(got.len()).min(16)) + pace.lump;
    }
}

fn millis(duration: Duration) -> u64 {
    u64::try_from(duration.as_millis()).unwrap_or(u64::MAX)
}

#[cfg(test)]
#[path = "exchange/tests.rs"]
mod tests;
