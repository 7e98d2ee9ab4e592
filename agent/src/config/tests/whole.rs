//! The small configuration as a Plan: how its tables fit, settings, digests; one file each for points, links, alarms.

mod alarms;
mod links;
mod points;

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
