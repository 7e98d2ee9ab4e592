//! The small configuration as a Plan: order, numbers, alarms, digests.

use std::time::Duration;

use lapwing_engine::spec::{Condition, Layout, Span};
use lapwing_protocol::{Decimal, Impact, Priority};

use super::{Copy, Loaded, Overrides, load, small};
use crate::plan::snmp::Access;
use crate::plan::{Ask, Constant, Encoding, Mark, Parity, Plan, Table, Transaction, Transport};

fn loaded() -> Loaded {
    load(&small().join("module.toml"), std::iter::empty(), &Overrides::default())
        .unwrap_or_else(|mistakes| panic!("{mistakes}"))
}

fn at(plan: &Plan, path: &str) -> usize {
    plan.points.iter().position(|point| point.path == path).unwrap_or_else(|| panic!("no {path}"))
}

#[test]
fn every_span_fits_its_table() {
    let plan = loaded().plan;
    assert_eq!(plan.points.len(), plan.engine.points.len());
    assert_eq!(plan.alarms.len(), plan.engine.alarms.len());
    let mut next = 0;
    for (number, transaction) in (0..).zip(&plan.transactions) {
        assert_eq!(transaction.points.first, next, "points stand in scan order");
        next += transaction.points.count;
        let asked = match &transaction.ask {
            Ask::Modbus { slices, .. } => slices.len(),
            Ask::Snmp { oids } => oids.len(),
            Ask::SnmpCells { cells, .. } => cells.len(),
            Ask::SnmpColumn { listed, .. } => listed.len(),
            Ask::Redfish { pointers, .. } => pointers.len(),
        };
        assert_eq!(asked, transaction.points.count as usize);
        let device = &plan.devices[transaction.device as usize];
        assert!(number >= device.transactions.first && number < device.transactions.first + device.transactions.count);
        assert!(transaction.phase < transaction.period);
        for point in transaction.points.first..transaction.points.first + transaction.points.count {
            assert_eq!(plan.points[point as usize].device, Some(transaction.device));
        }
    }
    for (number, (point, spec)) in (0..).zip(plan.points.iter().zip(&plan.engine.points)) {
        assert_eq!(point.exponent, spec.exponent);
        for alarm in spec.alarms.first..spec.alarms.first + spec.alarms.count {
            assert_eq!(plan.engine.alarms[alarm as usize].point, number);
            assert_eq!(plan.alarms[alarm as usize].point, number);
        }
    }
    let with_alarms: u32 = plan.engine.points.iter().map(|spec| spec.alarms.count).sum();
    assert_eq!(with_alarms as usize, plan.alarms.len(), "no alarm is outside its point's stretch");
}

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
fn settings_are_as_written_or_default() {
    let plan = loaded().plan;
    assert_eq!(
        (plan.module.site.as_str(), plan.module.name.as_str(), plan.module.altitude_m),
        ("saltmarsh", "m1", 9.0)
    );
    assert_eq!(plan.mqtt.broker, ("127.0.0.1".into(), 1883));
    assert_eq!(
        (plan.mqtt.base.as_str(), plan.mqtt.client_id.as_str(), plan.mqtt.frames),
        ("lapwing", "saltmarsh-m1", Encoding::Cbor)
    );
    assert_eq!(plan.mqtt.frame_period, Duration::from_secs(1));
    assert_eq!(plan.mqtt.points, ["coil/**"]);
    assert_eq!((plan.store.dir.to_str(), plan.store.max_mib, plan.store.event_days), (Some("data"), 512, 400));
    assert_eq!(plan.http.listen.map(|listen| listen.port()), Some(8467));
    assert_eq!(plan.log.level, "info");
}

#[test]
fn links_and_devices() {
    let plan = loaded().plan;
    assert_eq!(plan.links[0].transport, Transport::ModbusTcp { host: "127.0.0.1".into(), port: 15_020 });
    assert_eq!(
        plan.links[1].transport,
        Transport::Serial { path: "/dev/ttyUSB0".into(), baud: 19_200, parity: Parity::Even, stop_bits: 1 }
    );
    assert_eq!(
        plan.links[2].transport,
        Transport::Snmp {
            host: "127.0.0.1".into(),
            port: 16_101,
            access: Access::Community { version_1: false, community: "saltmarsh".into() }
        }
    );
    assert_eq!(plan.links[1].devices, Span { first: 1, count: 2 });
    let [plant, fan_1, fan_2, ups] = plan.devices.as_slice() else { panic!("four devices") };
    assert_eq!((plant.timeout, plant.late_max), (Duration::from_millis(300), Duration::from_millis(900)));
    assert_eq!((fan_1.unit, fan_1.timeout, fan_2.timeout), (11, Duration::from_millis(100), Duration::from_secs(1)));
    assert_eq!(ups.unit, 0);
    // A link with one device has one state, a link with several has one for each as well.
    assert_eq!(plant.state_point, plan.links[0].state_point);
    assert_eq!(fan_1.state_point as usize, at(&plan, "agent/device/fan-1/state"));
    assert_ne!(fan_1.state_point, plan.links[1].state_point);
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

#[test]
fn alarms_come_out_whole() {
    let plan = loaded().plan;
    let alarm = |id: &str| {
        let at = plan.alarms.iter().position(|alarm| alarm.id == id).unwrap_or_else(|| panic!("no {id}"));
        (&plan.alarms[at], &plan.engine.alarms[at])
    };
    let (warm, spec) = alarm("supply-water-warm");
    assert_eq!(spec.condition, Condition::High { limit: 210, deadband: 5 });
    assert_eq!((spec.on_delay_ms, spec.off_delay_ms, spec.latching, spec.max_shelf_ms), (5000, 0, false, 28_800_000));
    assert_eq!((warm.limit, warm.limit_unit.as_deref()), (Some(Decimal::new(210, -1)), None));
    assert_eq!((warm.priority, warm.impact, warm.own), (Priority::High, Impact::Degraded, false));
    assert_eq!(warm.text, "Supply water {value} is above {limit} at TT-101");
    assert_eq!(warm.respond_within, Some(Duration::from_secs(180)));
    let (rising, spec) = alarm("supply-water-rising");
    assert_eq!(spec.condition, Condition::Rise { per_min: 30, deadband: 0 });
    assert_eq!((rising.limit, rising.limit_unit.as_deref()), (Some(Decimal::new(30, -1)), Some("K/min")));
    let window = plan.engine.points[rising.point as usize].window.expect("a window");
    assert_eq!(plan.engine.windows[window as usize].over_ms, 20_000);
    let (fan, spec) = alarm("fan-01-failed");
    assert_eq!(spec.condition, Condition::State { states: 0b1 });
    assert_eq!((fan.text.as_str(), fan.response.as_str()), ("Fan 01 is {state}", "Check fan 01 at fan wall."));
    // The plain one replaces what the pattern would make.
    assert_eq!(alarm("fan-02-failed").0.text, "Fan 02 is {state}; it is the spare");
    assert_eq!(plan.alarms.iter().filter(|alarm| alarm.id == "fan-02-failed").count(), 1);
}

#[test]
fn faults_have_one_alarm_each() {
    let plan = loaded().plan;
    let own: Vec<&str> = plan.alarms.iter().filter(|alarm| alarm.own).map(|alarm| alarm.id.as_str()).collect();
    for id in [
        "fault/link/plant",
        "fault/link/fans",
        "fault/link/ups-a1",
        "fault/device/fan-1",
        "fault/device/fan-2",
        "fault/device/ups-a1/map",
        "fault/point/coil/water/flow",
    ] {
        assert!(own.contains(&id), "{id} in {own:?}");
    }
    // One device on the link: the link's alarm says it. A configured alarm for bad measurement: no second one.
    for id in
        ["fault/device/coil-plant", "fault/device/ups-a1", "fault/point/cold-aisle/humidity", "fault/point/coil/margin"]
    {
        assert!(!own.contains(&id), "{id}");
    }
    let of_the_agent = own.iter().filter(|id| id.starts_with("fault/agent/")).count();
    assert_eq!(of_the_agent, 4, "store, clock, disk, events that wait");
    let of_maps = plan.devices.len();
    assert_eq!(own.len(), 3 + 2 + of_maps + 14 - 1 + 1 + 4, "and one for a second master on the serial line");
    let point = plan
        .alarms
        .iter()
        .position(|alarm| alarm.id == "fault/point/coil/water/supply/temperature")
        .expect("it is there");
    assert_eq!(plan.engine.alarms[point].condition, Condition::BadMeasurement);
    assert_eq!(plan.engine.alarms[point].on_delay_ms, 2000);
    assert!(plan.alarms[point].text.contains("TT-101") && plan.alarms[point].text.contains("coil bay, left"));
}

#[test]
fn digests_follow_what_they_stand_for() {
    let digest = |copy: &Copy, id: &str| {
        let plan = copy.load().unwrap_or_else(|mistakes| panic!("{mistakes}")).plan;
        (plan.digest, plan.alarms.iter().find(|alarm| alarm.id == id).map(|alarm| alarm.digest).expect("it is there"))
    };
    let before = digest(&Copy::new(), "supply-water-warm");
    assert_eq!(digest(&Copy::new(), "supply-water-warm"), before, "the directory's name does not count");
    let text = digest(&Copy::new().with("module.toml", "is above {limit}", "exceeds {limit}"), "supply-water-warm");
    assert_ne!(text.0, before.0);
    assert_eq!(text.1, before.1, "words are no condition");
    let limit = digest(&Copy::new().with("module.toml", "high = 21.0", "high = 21.5"), "supply-water-warm");
    assert_ne!(limit.1, before.1);
    let map = digest(&Copy::new().with("maps/coil.toml", "TT-101", "TT-102"), "supply-water-warm");
    assert_ne!(map.0, before.0);
}

#[test]
fn files_and_findings() {
    let loaded = loaded();
    let names: Vec<_> =
        loaded.files.iter().map(|file| file.strip_prefix(small()).expect("below").to_str().expect("text")).collect();
    assert_eq!(names, ["module.toml", "maps/coil.toml", "maps/fan.toml", "maps/ups.toml"]);
    let codes: Vec<_> = loaded.findings.iter().map(|finding| finding.code).collect();
    assert_eq!(codes, ["weak_access"], "its card speaks version 2c; nothing else of it is worth a finding");
}

/// The format's own example, as the contract shows it.
#[test]
fn the_example_of_the_contract() {
    let module = r#"
[module]
site = "saltmarsh"
name = "m1"
altitude_m = 9

[mqtt]
broker = "127.0.0.1:1883"
frames = "json"

[store]
dir = "/var/lib/lapwing"

[http]
listen = "127.0.0.1:8467"

[[link]]
name = "plant"
modbus_tcp = "127.0.0.1:15020"
timeout_ms = 300

[[device]]
name = "coil-plant"
link = "plant"
unit = 1
map = "maps/coil.toml"

[[derived]]
path = "coil/water/heat"
compute = "water_heat_kw"
from = { flow_m3h = "coil/water/flow", t_supply_c = "coil/water/supply/temperature", t_return_c = "coil/water/return/temperature" }
with = { p_pa = 300000.0, meter = "supply" }
resolution = 0.1

[[alarm]]
id = "supply-water-warm"
point = "coil/water/supply/temperature"
high = 21.0
deadband = 0.5
on_delay = "5s"
priority = "high"
text = "Supply water {value} is above {limit}"
consequence = "The coil cannot hold the cold aisle; inlets pass 27 °C within minutes."
response = "Check the chiller plant; if it is lost, shed load by the site's plan."
respond_within = "3m"

[[alarm]]
id = "inlet-hot-{r}"
point = "rack/{r}/inlet/*/temperature"
high = 32.0
priority = "high"
text = "Rack {r} takes in {value}"
"#;
    let inlet = |rack: u32, register: u32| {
        format!(
            "\n[[point]]\npath = \"rack/{rack:02}/inlet/top/temperature\"\nquantity = \"temperature\"\nunit = \"Cel\"\nregister = \"holding:{register}\"\nas = \"i16\"\nscale = 0.1\n"
        )
    };
    let copy = Copy::new().and("maps/coil.toml", &(inlet(7, 40) + &inlet(8, 41)));
    std::fs::write(copy.0.join("module.toml"), module).expect("written");
    let plan = copy.load().unwrap_or_else(|mistakes| panic!("{mistakes}")).plan;
    let ids: Vec<&str> = plan.alarms.iter().filter(|alarm| !alarm.own).map(|alarm| alarm.id.as_str()).collect();
    assert_eq!(ids, ["supply-water-warm", "inlet-hot-07", "inlet-hot-08"]);
}

#[test]
fn what_a_device_is_known_by_is_read_together_where_it_is_adjacent() {
    let text = "expect = { \"holding:204\" = 250, \"holding:200\" = 7, \"input:9-10\" = \"AB \" }\n\
                identity = [\"holding:201-202\"]\nidentity_period = \"1h\"";
    let copy = super::Copy::new().with("module.toml", "timeout_ms = 100", text);
    let plan = copy.load().expect("valid").plan;
    let fan = &plan.devices[1];
    assert_eq!(fan.identity.period, Duration::from_secs(3600));
    let mut checks = Vec::new();
    for check in &fan.identity.checks {
        let Ask::Modbus { table, start, count, slices } = &check.ask else { panic!("a Modbus device") };
        let offsets: Vec<(u16, u8)> = slices.iter().map(|slice| (slice.offset, slice.words)).collect();
        let names: Vec<&str> = check.features.iter().map(|feature| feature.name.as_str()).collect();
        checks.push((*table, *start, *count, offsets, names));
    }
    assert_eq!(
        checks,
        [
            (Table::Holding, 200, 3, vec![(0, 1), (1, 2)], vec!["holding:200", "holding:201-202"]),
            (Table::Holding, 204, 1, vec![(0, 1)], vec!["holding:204"]),
            (Table::Input, 9, 2, vec![(0, 2)], vec!["input:9-10"]),
        ]
    );
    assert_eq!(fan.identity.checks[2].features[0].expect, Some(Mark::Text("AB".into())));
    assert_eq!(fan.identity.point.map(|point| point as usize), Some(at(&plan, "agent/device/fan-1/identity")));
    assert!(plan.alarms.iter().any(|alarm| alarm.own && alarm.id == "fault/device/fan-1/identity"));
    assert_eq!(plan.devices[2].identity.point, None, "nothing is known of the other fan");
    assert_eq!(plan.links[1].masters_point.map(|point| point as usize), Some(at(&plan, "agent/link/fans/masters")));
    assert_eq!((plan.links[1].listen, plan.links[1].listen_first), (false, Duration::from_secs(10)));
    assert_eq!(plan.links[0].masters_point, None, "no second master on Modbus TCP");
}

#[test]
fn a_listening_link_has_each_point_by_itself_and_asks_no_identity() {
    let listening = |text: &str| super::Copy::new().with("module.toml", "baud = 19200", text);
    let plan = listening("baud = 19200\nlisten = true").load().expect("valid").plan;
    assert!(plan.links[1].listen);
    assert_eq!(plan.links[1].masters_point, None, "another master is what it is for");
    let fan = plan.devices[1].transactions;
    assert_eq!(fan.count, 3);
    assert!(crate::plan::stretch(&plan.transactions, fan).iter().all(|asked| asked.points.count == 1));
    let copy = listening("baud = 19200\nlisten = true").with(
        "module.toml",
        "timeout_ms = 100",
        "expect = { \"holding:200\" = 1 }",
    );
    let list = copy.load().expect_err("nothing is asked there").list;
    assert_eq!((list.len(), list[0].code), (1, "key_has_no_meaning"), "{list:?}");
}

#[test]
fn each_file_of_certificates_is_a_point_with_its_alarms_however_many_use_it() {
    let copy = Copy::new()
        .with(
            "module.toml",
            "broker = \"127.0.0.1:1883\"",
            "broker = \"127.0.0.1:8883\"\nca = \"ca.pem\"\nclient_certificate = \"me.pem\"\nclient_key = \"me.key\"",
        )
        .with(
            "module.toml",
            "modbus_tcp = \"127.0.0.1:15020\"",
            "modbus_tls = \"127.0.0.1:802\"\nca = \"ca.pem\"\nclient_certificate = \"field.pem\"\nclient_key = \"field.key\"",
        )
        .with(
            "module.toml",
            "listen = \"127.0.0.1:8467\"",
            "listen = \"127.0.0.1:8467\"\ncertificate = \"page.pem\"\nkey = \"page.key\"",
        );
    let plan = copy.load().expect("right").plan;
    let health = plan.health.as_ref().expect("points of health");
    let names: Vec<&str> = health.certificates.iter().map(|one| one.name.as_str()).collect();
    assert_eq!(names, ["mqtt/authority", "mqtt/client", "page", "link/plant/client"]);
    assert_eq!(health.certificates[0].used, ["mqtt/authority", "link/plant/authority"]);
    for certificate in &health.certificates {
        let point = &plan.points[certificate.point as usize];
        assert_eq!((point.path.clone(), point.unit.as_str()), (format!("agent/certificate/{}", certificate.name), "d"));
        assert!(health.points().contains(&certificate.point));
        let about: Vec<_> = plan.alarms.iter().filter(|alarm| alarm.point == certificate.point).collect();
        let id = format!("fault/certificate/{}", certificate.name);
        assert_eq!(
            about.iter().map(|alarm| (alarm.id.clone(), alarm.priority)).collect::<Vec<_>>(),
            [
                (id.clone(), Priority::Low),
                (format!("{id}/ends"), Priority::Medium),
                (format!("{id}/unreadable"), Priority::Medium)
            ]
        );
        assert!(about.iter().all(|alarm| alarm.text.contains(&certificate.path.display().to_string())));
    }
    let shared = plan.alarms.iter().find(|alarm| alarm.id == "fault/certificate/mqtt/authority").expect("there");
    assert!(shared.consequence.contains("mqtt/authority, link/plant/authority"), "{}", shared.consequence);
    assert_eq!(loaded().plan.health.expect("points of health").certificates, []);
}
