//! The SunSpec meter models 203 and 213 behind the common model, register by register.
//!
//! Offsets here are counted along the public model definitions' list of points, not copied from the maps.

use std::future::{Ready, ready};
use std::net::SocketAddr;
use std::sync::Arc;

use tokio::net::TcpListener;
use tokio::runtime::Runtime;
use tokio_modbus::server::Service;
use tokio_modbus::server::tcp::{Server, accept_tcp_connection};
use tokio_modbus::{ExceptionCode, Request, Response};

use super::{plan, poll, runtime};

/// Registers from 40000 on.
#[derive(Clone)]
struct Registers(Arc<Vec<u16>>);

impl Service for Registers {
    type Request = Request<'static>;
    type Response = Response;
    type Exception = ExceptionCode;
    type Future = Ready<Result<Response, ExceptionCode>>;

    fn call(&self, request: Self::Request) -> Self::Future {
        ready(match request {
            Request::ReadHoldingRegisters(start, count) => {
                let part =
                    usize::from(start).checked_sub(40_000).and_then(|at| self.0.get(at..at + usize::from(count)));
                part.map(|part| Response::ReadHoldingRegisters(part.to_vec())).ok_or(ExceptionCode::IllegalDataAddress)
            }
            _ => Err(ExceptionCode::IllegalFunction),
        })
    }
}

/// Serves a meter model behind the common model; the line of its link.
fn serve(runtime: &Runtime, model: &[u16]) -> String {
    let mut registers = vec![0x5375, 0x6E53, 1, 66]; // "SunS", common model
    registers.resize(70, 0);
    registers.extend(model);
    registers.extend([0xFFFF, 0]); // end model
    let service = Registers(Arc::new(registers));
    let listener = runtime.block_on(TcpListener::bind("127.0.0.1:0")).expect("a port");
    let port = listener.local_addr().expect("bound").port();
    runtime.spawn(async move {
        let connected = |stream, _: SocketAddr| {
            let service = service.clone();
            async move { accept_tcp_connection(stream, ([127, 0, 0, 1], 0).into(), move |_| Ok(Some(service.clone()))) }
        };
        Server::new(listener).serve(&connected, |error| panic!("the server failed: {error}")).await
    });
    format!("modbus_tcp = \"127.0.0.1:{port}\"")
}

/// Points in the order in which both models list them, with a value each.
fn values() -> Vec<(&'static str, f64)> {
    let names = [
        "current",
        "l1/current",
        "l2/current",
        "l3/current",
        "voltage/average",
        "l1/voltage",
        "l2/voltage",
        "l3/voltage",
        "voltage/line-average",
        "l1-l2/voltage",
        "l2-l3/voltage",
        "l3-l1/voltage",
        "frequency",
        "power",
        "l1/power",
        "l2/power",
        "l3/power",
        "apparent-power",
        "l1/apparent-power",
        "l2/apparent-power",
        "l3/apparent-power",
        "reactive-power",
        "l1/reactive-power",
        "l2/reactive-power",
        "l3/reactive-power",
        "power-factor",
        "l1/power-factor",
        "l2/power-factor",
        "l3/power-factor",
        "energy/exported",
        "l1/energy/exported",
        "l2/energy/exported",
        "l3/energy/exported",
        "energy/imported",
        "l1/energy/imported",
        "l2/energy/imported",
        "l3/energy/imported",
    ];
    (0..).zip(names).map(|(n, name)| (name, f64::from(1000 + 10 * n))).collect()
}

#[test]
fn model_203_with_integers_and_scale_factors() {
    let mut model: Vec<u16> = vec![203, 105];
    let values = values();
    let mut expected = vec![("model", 203.0)];
    let mut next = values.iter();
    // Integers a block, then its scale factor; all of the definition's blocks up to real energy.
    for (points, scale_factor, digits) in
        [(4, -2, 2), (8, -1, 1), (1, -2, 2), (4, 1, -1), (4, 0, 0), (4, 1, -1), (4, -1, 1)]
    {
        for _ in 0..points {
            let (name, value) = next.next().expect("listed");
            let value: f64 = if name.ends_with("power") { -value } else { *value };
            model.push((value as i16).cast_unsigned());
            expected.push((name, value / 10_f64.powi(digits)));
        }
        model.push(i16::cast_unsigned(scale_factor));
    }
    for (n, (name, value)) in (0u32..).zip(next) {
        let counted = n * 65_536 + *value as u32;
        model.extend([(counted >> 16) as u16, counted as u16]);
        expected.push((name, f64::from(counted) * 100.0));
    }
    assert_eq!(model.len(), 54, "real energy ends there");
    model.push(2);
    model.resize(107, 0);
    let runtime = runtime();
    let link = serve(&runtime, &model);
    poll(&runtime, plan("sunspec-meter-203.toml", &link)).is(&expected);
}

#[test]
fn model_213_with_floating_numbers() {
    let mut model: Vec<u16> = vec![213, 124];
    let mut expected = vec![("model", 213.0)];
    for (n, (name, value)) in (0..).zip(values()) {
        // Halves are exact in a float32 and in the resolutions of currents, voltages and powers' tenths.
        let value = match name {
            name if name.ends_with("power-factor") => -0.5 + f64::from(n % 4) / 8.0,
            name if name.ends_with("current") || name.ends_with("voltage") || name == "frequency" => value + 0.5,
            _ => -value,
        };
        let bits = (value as f32).to_bits();
        model.extend([(bits >> 16) as u16, bits as u16]);
        expected.push((name, value));
    }
    assert_eq!(model.len(), 76, "real energy ends there");
    model.resize(126, 0);
    let runtime = runtime();
    let link = serve(&runtime, &model);
    poll(&runtime, plan("sunspec-meter-213.toml", &link)).is(&expected);
}

#[test]
fn what_a_meter_does_not_have_is_no_number() {
    let mut model: Vec<u16> = vec![203, 105];
    model.resize(107, 0x8000);
    let runtime = runtime();
    let link = serve(&runtime, &model);
    let round = poll(&runtime, plan("sunspec-meter-203.toml", &link));
    let numbers = round.readings.iter().filter(|(path, value)| *path != "model" && value.is_ok());
    assert_eq!(numbers.count(), 0, "{:?}", round.readings);
}
