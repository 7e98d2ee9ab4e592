//! The same late device read by plain use of the Modbus library the agent stands on for TCP: ask, wait for the time-out,
//! ask the next. Shows how many wrong readings the agent's own master spares.

use std::sync::atomic::Ordering::Relaxed;

use tokio_modbus::client::{Reader, rtu};
use tokio_modbus::slave::{Slave, SlaveContext};

use super::{Count, REGISTERS, TIMEOUT, Way, device, reads, value};

/// So many transactions over RTU frames on TCP.
///
/// # Panics
/// When loopback or runtime fail.
#[must_use]
pub fn plain_rtu(transactions: u64) -> Count {
    let line = device::start(Way::RtuOverTcp);
    let device::At::Port(port) = line.at else { unreachable!("invariant: RTU over TCP has a port") };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let mut count = runtime.expect("the host gives a runtime").block_on(async move {
        let stream = tokio::net::TcpStream::connect(("127.0.0.1", port)).await.expect("the device listens");
        let mut context = rtu::attach(stream);
        let mut count = Count::default();
        for (unit, start) in reads().cycle() {
            if count.transactions >= transactions {
                break;
            }
            count.transactions += 1;
            context.set_slave(Slave(unit));
            let asked = context.read_holding_registers(start, REGISTERS);
            if let Ok(Ok(Ok(got))) = tokio::time::timeout(TIMEOUT, asked).await {
                let right = got.iter().copied().eq((start..start + REGISTERS).map(|register| value(unit, register)));
                if right { count.right += 1 } else { count.wrong += 1 }
            }
        }
        count
    });
    count.late = line.late.load(Relaxed);
    count
}
