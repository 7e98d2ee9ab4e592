//! Links and devices, what a device is known by, and a line that is only listened to.

use super::*;

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
