//! Points in the order in which they are read, their numbers, and those derived from them.

use super::*;

#[test]
fn points_stand_as_they_are_read() {
    let plan = loaded().plan;
    let paths: Vec<&str> = plan.points.iter().map(|point| point.path.as_str()).collect();
    assert_eq!(
        paths,
        [
            "coil/water/supply/temperature",
            "coil/water/return/temperature",
            "cold-aisle/temperature",
            "cold-aisle/humidity",
            "coil/water/flow",
            "fan/01/state",
            "fan/01/mode",
            "fan/01/speed",
            "fan/02/state",
            "fan/02/mode",
            "fan/02/speed",
            "ups/a1/battery/voltage",
            "ups/a1/output/source",
            "ups/a1/battery/charge",
            "coil/margin",
            "coil/water/heat",
            "agent/link/plant/state",
            "agent/device/coil-plant/map",
            "agent/link/plant/requests",
            "agent/link/plant/answers",
            "agent/link/plant/timeouts",
            "agent/link/plant/garbled",
            "agent/link/fans/state",
            "agent/device/fan-1/state",
            "agent/device/fan-1/map",
            "agent/device/fan-2/state",
            "agent/device/fan-2/map",
            "agent/link/fans/masters",
            "agent/link/fans/requests",
            "agent/link/fans/answers",
            "agent/link/fans/timeouts",
            "agent/link/fans/garbled",
            "agent/link/ups-a1/state",
            "agent/device/ups-a1/map",
            "agent/link/ups-a1/requests",
            "agent/link/ups-a1/answers",
            "agent/link/ups-a1/timeouts",
            "agent/link/ups-a1/garbled",
            "agent/alarms/announced-10min",
            "agent/alarms/announced-hour",
            "agent/alarms/announced-day",
            "agent/alarms/standing",
            "agent/alarms/stale",
            "agent/alarms/chattering",
            "agent/alarms/flood",
            "agent/alarms/announced",
            "agent/alarms/announced-10min-most",
            "agent/alarms/fleeting",
            "agent/alarms/share-critical",
            "agent/alarms/share-high",
            "agent/alarms/share-medium",
            "agent/alarms/share-low",
            "agent/alarms/time-in-flood",
            "agent/scans/skipped",
            "agent/core/waiting",
            "agent/core/dropped",
            "agent/events/unsent",
            "agent/disk/written-kib",
            "agent/disk/free-mib",
            "agent/memory-mib",
            "agent/starts",
            "agent/readings/good",
            "agent/disk/free",
            "agent/processor",
            "agent/link/plant/errors",
            "agent/link/fans/errors",
            "agent/link/ups-a1/errors",
            "agent/scans/lateness",
            "agent/events/oldest-unsent",
            "agent/store/commit",
            "agent/store/state",
            "agent/clock/state",
        ]
        .map(String::from),
        "{paths:#?}"
    );
}

#[test]
fn numbers_stand_in_steps() {
    let plan = loaded().plan;
    let supply = at(&plan, "coil/water/supply/temperature");
    let spec = &plan.engine.points[supply];
    assert_eq!((spec.exponent, spec.valid, spec.max_age_ms), (-1, Some((-200, 900)), 3300));
    assert_eq!(spec.decode.layout, Layout::I16);
    assert_eq!(spec.decode.scale, Decimal::new(1, -1));
    let absent = spec.decode.absent;
    assert_eq!(plan.engine.absent[absent.first as usize..(absent.first + absent.count) as usize], [0x8000, 0xFFFF]);
    assert_eq!(plan.points[supply].valid, Some((Decimal::new(-200, -1), Decimal::new(900, -1))));
    assert_eq!(plan.points[supply].response, Some(Duration::from_secs(8)));
    // Kelvins at a hundredth: the offset has as many places as the scale.
    assert_eq!(plan.points[at(&plan, "cold-aisle/temperature")].exponent, -2);
    let flow = &plan.engine.points[at(&plan, "coil/water/flow")];
    assert_eq!((flow.exponent, flow.rate_max), (-2, Some(500)));
    let mode = &plan.engine.points[at(&plan, "fan/01/mode")];
    assert_eq!((mode.decode.layout, mode.decode.mask, mode.decode.shift), (Layout::Bit, Some(4), 2));
    assert_eq!(plan.points[supply].scan_period, Duration::from_secs(1), "by quantity");
    // By quantity ten seconds, but it costs next to nothing in the answer that brings the temperatures.
    assert_eq!(plan.points[at(&plan, "cold-aisle/humidity")].scan_period, Duration::from_secs(1));
    assert_eq!(plan.points[at(&plan, "fan/01/speed")].scan_period, Duration::from_millis(500));
}

#[test]
fn a_value_and_its_scale_factor_come_from_one_answer() {
    let plan = loaded().plan;
    let humidity = u32::try_from(at(&plan, "cold-aisle/humidity")).expect("small");
    let brings = |t: &&Transaction| (t.points.first..t.points.first + t.points.count).contains(&humidity);
    let transaction = plan.transactions.iter().find(brings).expect("its transaction");
    match &transaction.ask {
        Ask::Modbus { table, start, count, slices } => {
            assert_eq!((*table, *start, *count), (Table::Holding, 0, 7));
            assert_eq!((slices[3].offset, slices[3].words, slices[3].scale_factor), (3, 1, Some(6)));
        }
        Ask::Snmp { .. } | Ask::SnmpCells { .. } | Ask::SnmpColumn { .. } | Ask::Redfish { .. } => {
            panic!("a Modbus device")
        }
    }
}

#[test]
fn derived_points_have_converted_inputs() {
    let plan = loaded().plan;
    let [margin, heat] = plan.derived.as_slice() else { panic!("two derived points") };
    let arguments: Vec<&str> = margin.from.iter().map(|input| input.argument.as_str()).collect();
    assert_eq!(arguments, ["t_surface_c", "t_air_c", "rh"]);
    assert_eq!((margin.from[2].factor, margin.from[2].offset), (0.01, 0.0), "a percentage where a fraction is wanted");
    assert!((heat.from[0].factor - 3.6).abs() < 1e-12, "L/s where m3/h is wanted");
    assert_eq!((heat.from[1].factor, heat.from[1].offset), (1.0, 0.0));
    assert_eq!(
        heat.with,
        [("p_pa".to_string(), Constant::Number(300_000.0)), ("meter".to_string(), Constant::Word("supply".into()))]
    );
    let point = &plan.points[heat.point as usize];
    assert_eq!((point.quantity.as_str(), point.unit.as_str(), point.exponent), ("power", "kW", -1));
    let age = |point: u32| plan.engine.points[point as usize].max_age_ms;
    assert_eq!(age(heat.point), heat.from.iter().map(|input| age(input.point)).max().expect("inputs"));
}

#[test]
fn derived_points_by_pattern() {
    let text = "
[[derived]]
path = \"hottest\"
compute = \"hottest_c\"
from = { t_c = [\"saturation/*\", \"coil/water/*/temperature\"] }
resolution = 0.1

[[derived]]
path = \"saturation/{side}\"
compute = \"dew_point\"
from = { t_c = \"coil/water/{side}/temperature\", rh = \"cold-aisle/humidity\" }
resolution = 0.1
scan_period = \"5s\"
where = \"pipe, {side}\"
";
    let plan = Copy::new().and("module.toml", text).load().expect("no mistake").plan;
    let path = |point: u32| plan.points[point as usize].path.as_str();
    let made: Vec<(&str, Vec<&str>)> = plan
        .derived
        .iter()
        .skip(2)
        .map(|derived| (path(derived.point), derived.from.iter().map(|input| path(input.point)).collect()))
        .collect();
    let (supply, back, humidity) =
        ("coil/water/supply/temperature", "coil/water/return/temperature", "cold-aisle/humidity");
    // What the pattern of another one needs is made first, whatever the order in the file.
    assert_eq!(
        made,
        [
            ("saturation/supply", vec![supply, humidity]),
            ("saturation/return", vec![back, humidity]),
            ("hottest", vec!["saturation/supply", "saturation/return", supply, back]),
        ]
    );
    let point = &plan.points[plan.derived[2].point as usize];
    assert_eq!((point.scan_period, point.location.as_deref()), (Duration::from_secs(5), Some("pipe, supply")));
    assert_eq!(plan.derived[2].every, Duration::from_secs(5));
}
