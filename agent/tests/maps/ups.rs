//! The UPS-MIB of RFC 1628, object by object: number on the wire and value of the point, from the MIB's own units.

use std::collections::BTreeMap;

use async_snmp::Value;

use super::{Round, agent, oid, plan, poll, runtime};

const UPS: &str = "1.3.6.1.2.1.33.1";

/// Path, object below the root, integer on the wire, value of the point.
const INTEGERS: &[(&str, &str, i32, f64)] = &[
    ("battery/status", "2.1.0", 3, 3.0),
    ("battery/time-on-battery", "2.2.0", 61, 61.0),
    ("battery/time-remaining", "2.3.0", 4, 4.0),
    ("battery/charge", "2.4.0", 87, 87.0),
    ("battery/voltage", "2.5.0", 5421, 542.1),
    ("battery/current", "2.6.0", -1234, -123.4),
    ("battery/temperature", "2.7.0", 26, 26.0),
    ("input/lines", "3.2.0", 3, 3.0),
    ("input/l1/frequency", "3.3.1.2.1", 499, 49.9),
    ("input/l1/voltage", "3.3.1.3.1", 231, 231.0),
    ("input/l1/current", "3.3.1.4.1", 1501, 150.1),
    ("input/l1/power", "3.3.1.5.1", 34_001, 34_001.0),
    ("input/l2/frequency", "3.3.1.2.2", 500, 50.0),
    ("input/l2/voltage", "3.3.1.3.2", 232, 232.0),
    ("input/l2/current", "3.3.1.4.2", 1502, 150.2),
    ("input/l2/power", "3.3.1.5.2", 34_002, 34_002.0),
    ("input/l3/frequency", "3.3.1.2.3", 501, 50.1),
    ("input/l3/voltage", "3.3.1.3.3", 233, 233.0),
    ("input/l3/current", "3.3.1.4.3", 1503, 150.3),
    ("input/l3/power", "3.3.1.5.3", 34_003, 34_003.0),
    ("output/source", "4.1.0", 5, 5.0),
    ("output/frequency", "4.2.0", 498, 49.8),
    ("output/lines", "4.3.0", 3, 3.0),
    ("output/l1/voltage", "4.4.1.2.1", 221, 221.0),
    ("output/l1/current", "4.4.1.3.1", 1401, 140.1),
    ("output/l1/power", "4.4.1.4.1", 33_001, 33_001.0),
    ("output/l1/load", "4.4.1.5.1", 61, 61.0),
    ("output/l2/voltage", "4.4.1.2.2", 222, 222.0),
    ("output/l2/current", "4.4.1.3.2", 1402, 140.2),
    ("output/l2/power", "4.4.1.4.2", 33_002, 33_002.0),
    ("output/l2/load", "4.4.1.5.2", 62, 62.0),
    ("output/l3/voltage", "4.4.1.2.3", 223, 223.0),
    ("output/l3/current", "4.4.1.3.3", 1403, 140.3),
    ("output/l3/power", "4.4.1.4.3", 33_003, 33_003.0),
    ("output/l3/load", "4.4.1.5.3", 63, 63.0),
    ("bypass/frequency", "5.1.0", 502, 50.2),
    ("bypass/lines", "5.2.0", 3, 3.0),
    ("bypass/l1/voltage", "5.3.1.2.1", 211, 211.0),
    ("bypass/l1/current", "5.3.1.3.1", 11, 1.1),
    ("bypass/l1/power", "5.3.1.4.1", 201, 201.0),
    ("bypass/l2/voltage", "5.3.1.2.2", 212, 212.0),
    ("bypass/l2/current", "5.3.1.3.2", 12, 1.2),
    ("bypass/l2/power", "5.3.1.4.2", 202, 202.0),
    ("bypass/l3/voltage", "5.3.1.2.3", 213, 213.0),
    ("bypass/l3/current", "5.3.1.3.3", 13, 1.3),
    ("bypass/l3/power", "5.3.1.4.3", 203, 203.0),
    ("test/spin-lock", "7.2.0", 77, 77.0),
    ("test/result", "7.3.0", 2, 2.0),
    ("control/shutdown-type", "8.1.0", 1, 1.0),
    ("control/shutdown-after", "8.2.0", -1, -1.0),
    ("control/startup-after", "8.3.0", 30, 30.0),
    ("control/reboot-for", "8.4.0", -1, -1.0),
    ("control/auto-restart", "8.5.0", 2, 2.0),
    ("settings/input-voltage", "9.1.0", 230, 230.0),
    ("settings/input-frequency", "9.2.0", 500, 50.0),
    ("settings/output-voltage", "9.3.0", 231, 231.0),
    ("settings/output-frequency", "9.4.0", 501, 50.1),
    ("settings/output-apparent-power", "9.5.0", 175_000, 175_000.0),
    ("settings/output-power", "9.6.0", 170_000, 170_000.0),
    ("settings/low-battery-time", "9.7.0", 2, 2.0),
    ("settings/audible", "9.8.0", 3, 3.0),
    ("settings/low-voltage-transfer", "9.9.0", 207, 207.0),
    ("settings/high-voltage-transfer", "9.10.0", 253, 253.0),
];

/// upsWellKnownAlarms 1 to 24, in the standard's order.
const ALARMS: [&str; 24] = [
    "battery-bad",
    "on-battery",
    "low-battery",
    "depleted-battery",
    "temperature-bad",
    "input-bad",
    "output-bad",
    "output-overload",
    "on-bypass",
    "bypass-bad",
    "output-off-as-requested",
    "ups-off-as-requested",
    "charger-failed",
    "output-off",
    "system-off",
    "fan-failure",
    "fuse-failure",
    "general-fault",
    "diagnostic-test-failed",
    "communications-lost",
    "awaiting-power",
    "shutdown-pending",
    "shutdown-imminent",
    "test-in-progress",
];

/// upsWellKnownTests 1 to 5.
const TESTS: [&str; 5] = ["none-yet", "abort", "general-systems", "quick-battery", "deep-battery-calibration"];

/// A card with these rows in its alarm table.
fn card(rows: &[(u32, String)]) -> (Round, Vec<(String, f64)>) {
    let mut variables: BTreeMap<Vec<u32>, Value> = BTreeMap::new();
    let mut expected: Vec<(String, f64)> = Vec::new();
    for (path, object, number, value) in INTEGERS {
        variables.insert(oid(&format!("{UPS}.{object}")), Value::Integer(*number));
        expected.push(((*path).into(), *value));
    }
    let rows_now = u32::try_from(rows.len()).expect("few");
    for (path, object, raw, value) in [
        ("input/line-bads", "3.1.0", Value::Counter32(4_000_000_001), 4_000_000_001.0),
        ("alarms/present", "6.1.0", Value::Gauge32(rows_now), f64::from(rows_now)),
        ("test/start", "7.5.0", Value::TimeTicks(123_456), 1234.56),
        ("test/elapsed", "7.6.0", Value::Integer(2050), 20.5),
    ] {
        variables.insert(oid(&format!("{UPS}.{object}")), raw);
        expected.push((path.into(), value));
    }
    variables
        .insert(oid(&format!("{UPS}.7.1.0")), Value::ObjectIdentifier(oid(&format!("{UPS}.7.7.4")).as_slice().into()));
    for (id, descr) in rows {
        variables.insert(oid(&format!("{UPS}.6.2.1.2.{id}")), Value::ObjectIdentifier(oid(descr).as_slice().into()));
        variables.insert(oid(&format!("{UPS}.6.2.1.3.{id}")), Value::TimeTicks(*id));
    }
    let runtime = runtime();
    let link = agent(&runtime, variables);
    (poll(&runtime, plan("ups-rfc1628.toml", &link)), expected)
}

#[test]
fn every_object_and_every_alarm_row() {
    // Ids sparse and out of order, the largest an id may be among them; two of a maker's own.
    let mut rows: Vec<(u32, String)> = (1..=24).map(|n| (2_147_483_647 - n * 7919, format!("{UPS}.6.3.{n}"))).collect();
    rows.push((1, "1.3.6.1.4.1.99999.4.1".into()));
    rows.push((2_147_483_647, "1.3.6.1.4.1.99999.4.2".into()));
    let (round, mut expected) = card(&rows);
    expected.extend(ALARMS.map(|alarm| (format!("alarms/{alarm}"), 1.0)));
    expected.push(("alarms/unknown".into(), 2.0));
    expected.extend(TESTS.map(|test| (format!("test/kind/{test}"), f64::from(u8::from(test == "quick-battery")))));
    expected.push(("test/kind/unknown".into(), 0.0));
    round.is(&expected.iter().map(|(path, value)| (path.as_str(), *value)).collect::<Vec<_>>());
    assert_eq!(round.notices.len(), 1);
    for own in ["1.3.6.1.4.1.99999.4.1", "1.3.6.1.4.1.99999.4.2"] {
        assert!(round.notices[0].contains(own), "{:?}", round.notices);
    }
}

#[test]
fn each_alarm_alone_sets_its_own_point_only() {
    for (n, alarm) in (1..).zip(ALARMS) {
        if n % 5 != 0 {
            continue; // a fifth of them: each costs a card of its own
        }
        let (round, _) = card(&[(n, format!("{UPS}.6.3.{n}"))]);
        let standing: Vec<&String> = round
            .readings
            .iter()
            .filter(|(path, value)| {
                path.starts_with("alarms/") && *path != "alarms/present" && value.is_ok_and(|value| value.mantissa == 1)
            })
            .map(|(path, _)| path)
            .collect();
        assert_eq!(standing, [&format!("alarms/{alarm}")]);
        assert!(round.notices.is_empty());
    }
}

#[test]
fn an_empty_table_is_no_alarm() {
    let (round, _) = card(&[]);
    let alarms = round.readings.iter().filter(|(path, _)| path.starts_with("alarms/"));
    assert_eq!(alarms.clone().count(), 26);
    assert!(alarms.clone().all(|(_, value)| value.is_ok_and(|value| value.mantissa == 0)), "{:?}", round.readings);
}
