//! What label and place an alarm has for whoever must walk there: from the point, its device, or the meter it is computed
//! from.

use std::path::Path;

use super::*;
use crate::plan::Plan;

type Place<'p> = (Option<&'p str>, Option<&'p str>);

/// Tag and place of a point.
fn of<'p>(plan: &'p Plan, path: &str) -> Place<'p> {
    let point = plan.points.iter().find(|point| point.path == path).unwrap_or_else(|| panic!("no point {path}"));
    (point.tag.as_deref(), point.location.as_deref())
}

#[test]
fn a_devices_label_stands_for_its_points_and_its_own_alarms() {
    let copy = Copy::new()
        .with("module.toml", "prefix = \"ups/a1\"", "prefix = \"ups/a1\"\ntag = \"UPS-A1\"\nwhere = \"power room\"")
        .with(
            "maps/ups.toml",
            "path = \"battery/charge\"",
            "path = \"battery/charge\"\nwhere = \"cabinet 2\"\ntag = \"B-1\"",
        );
    let plan = copy.load().expect("sound").plan;
    assert_eq!(of(&plan, "ups/a1/battery/charge"), (Some("B-1"), Some("power room, cabinet 2")));
    assert_eq!(of(&plan, "ups/a1/output/source"), (Some("UPS-A1"), Some("power room")));
    let of_link: Place<'_> = of(&plan, "agent/link/ups-a1/state");
    assert_eq!(of_link, (Some("UPS-A1"), Some("power room")), "the only device of its link is the link's place");
    assert_eq!(of(&plan, "agent/link/plant/state"), (None, None), "a line with several devices is in no one place");
}

#[test]
fn every_configured_alarm_of_the_demo_says_where() {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/saltmarsh/module.toml");
    let plan = load(&demo, std::iter::empty(), &Overrides::default()).expect("sound").plan;
    let nowhere: Vec<&str> = (plan.alarms.iter().filter(|alarm| !alarm.own))
        .filter(|alarm| plan.points[alarm.point as usize].location.is_none())
        .map(|alarm| alarm.id.as_str())
        .collect();
    assert_eq!(nowhere, Vec::<&str>::new());
    assert_eq!(of(&plan, "busway/a1/failover-load"), (Some("PM-A1"), Some("busway A1, feeding end")));
    assert_eq!(of(&plan, "busway/a1/tapoff/1/failover-load"), (Some("TM-A1"), Some("busway A1")));
    assert_eq!(of(&plan, "agent/working/fans-fewer-than-needed").1, Some("fan wall"));
}
