//! Alarms as configured, and the agent's own about faults and certificates.

use super::*;

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
