//! Wrong readings in 10 000 transactions with a device that answers late, against plain library use of the same line.
//!
//! `LAPWING_LATE_TRANSACTIONS` sets another number. The device and both masters are `lapwing_tests::late`.

use std::time::Duration;

use lapwing_tests::late::{Count, Way, agent, plain_rtu};

use crate::report;

const LONGEST: Duration = Duration::from_secs(1800);

/// Measures and reports.
pub(crate) fn run() {
    let transactions =
        std::env::var("LAPWING_LATE_TRANSACTIONS").ok().and_then(|text| text.parse().ok()).unwrap_or(10_000);
    let plain = plain_rtu(transactions);
    for (way, name) in
        [(Way::Serial, "late_wrong_serial"), (Way::RtuOverTcp, "late_wrong_rtu_tcp"), (Way::Tcp, "late_wrong_tcp")]
    {
        let ours = agent(way, transactions, LONGEST);
        eprintln!("{name}: {ours:?}; plain library use: {plain:?}");
        report(name, share(ours), "wrong readings per 10000", "tokio-modbus RTU client", Some(share(plain)));
    }
}

#[allow(clippy::cast_precision_loss)] // a few thousand
fn share(count: Count) -> f64 {
    10_000.0 * count.wrong as f64 / count.transactions.max(1) as f64
}
