//! Entity sensors of RFC 3433 under sparse instance numbers, with every scale and digit that matters.

use std::collections::BTreeMap;

use async_snmp::Value;
use lapwing_protocol::Status;

use super::{agent, oid, plan, poll, runtime};

const NAME: &str = "1.3.6.1.2.1.47.1.1.1.1.7";
const SENSOR: &str = "1.3.6.1.2.1.99.1.1.1";

/// Name, type, scale, precision, value, state; path, value of the point.
type Row = (&'static str, [i32; 5], &'static str, f64);

/// EntitySensorDataType: volts AC 3, DC 4, A 5, W 6, Hz 7, Celsius 8, %RH 9, rpm 10, m3/min 11, truth 12.
/// EntitySensorDataScale: milli 8, units 9, kilo 10.
const ROWS: &[Row] = &[
    ("Inlet Temperature", [8, 9, 1, 235, 1], "inlet/temperature", 23.5),
    ("Inlet Humidity", [9, 9, 0, 44, 1], "inlet/humidity", 44.0),
    ("Fan 1", [10, 9, 0, 11_480, 1], "fan/1/speed", 11_480.0),
    ("Supply 1 Voltage", [4, 8, 0, 12_031, 1], "supply/1/voltage", 12.03),
    ("Supply 1 Current", [5, 8, 1, 83_337, 1], "supply/1/current", 8.334),
    ("Supply 1 Power", [6, 10, 3, 1234, 1], "supply/1/power", 1234.0),
    ("Supply 1 Frequency", [7, 9, 2, 4998, 1], "supply/1/frequency", 49.98),
    ("Airflow", [11, 9, 1, 157, 1], "airflow", 15.7),
    ("Door", [12, 9, 0, 1, 1], "door/open", 1.0),
];

fn variables(rows: &[Row]) -> BTreeMap<Vec<u32>, Value> {
    let mut variables = BTreeMap::new();
    for (n, (name, [is, scale, precision, value, state], ..)) in (0..).zip(rows) {
        let instance = 1000 - 97 * n;
        variables.insert(oid(&format!("{NAME}.{instance}")), Value::OctetString(name.as_bytes().to_vec().into()));
        for (column, number) in [(1, is), (2, scale), (3, precision), (4, value), (5, state)] {
            variables.insert(oid(&format!("{SENSOR}.{column}.{instance}")), Value::Integer(*number));
        }
    }
    variables
}

#[test]
fn every_sensor_by_its_name() {
    let runtime = runtime();
    let link = agent(&runtime, variables(ROWS));
    let round = poll(&runtime, plan("entity-sensors-rfc3433.toml", &link));
    round.is(&ROWS.iter().map(|(_, _, path, value)| (*path, *value)).collect::<Vec<_>>());
    assert!(round.notices.is_empty(), "{:?}", round.notices);
}

#[test]
fn what_is_broken_missing_or_of_another_kind_gives_no_number() {
    let mut rows: Vec<Row> = ROWS.to_vec();
    rows[0].1[4] = 3; // nonoperational
    rows[1].1[0] = 8; // a temperature where humidity is expected
    rows[2].1[4] = 2; // unavailable
    rows[3].0 = "Supply 9 Voltage";
    let runtime = runtime();
    let link = agent(&runtime, variables(&rows));
    let round = poll(&runtime, plan("entity-sensors-rfc3433.toml", &link));
    let status = |path: &str| round.readings[path].expect_err(path);
    assert_eq!(status("inlet/temperature"), Status::BAD_SENSOR_FAILURE);
    assert_eq!(status("inlet/humidity"), Status::BAD_CONFIGURATION_ERROR);
    assert_eq!(status("fan/1/speed"), Status::BAD_NOT_CONNECTED);
    assert_eq!(status("supply/1/voltage"), Status::BAD_NOT_FOUND);
    assert!(round.readings["supply/1/current"].is_ok());
    assert!(round.notices.len() == 1 && round.notices[0].contains("Supply 1 Voltage"), "{:?}", round.notices);
}
