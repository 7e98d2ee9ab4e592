//! Choosing points of the demo's own kind of plan, and the plan that reads only those.

use std::path::Path;

use super::*;
use crate::config::{Overrides, load};

fn plan() -> Plan {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/saltmarsh/module.toml");
    load(&file, std::iter::empty(), &Overrides::default()).expect("the demo's configuration").plan
}

fn chosen(plan: &Plan, link: Option<&str>, device: Option<&str>, point: Option<&str>) -> Vec<Target> {
    let choice = Choice { link: link.map(Into::into), device: device.map(Into::into), point: point.map(Into::into) };
    select(plan, &choice).expect("points")
}

#[test]
fn everything_that_is_read_is_chosen_by_default() {
    let plan = plan();
    let read: u32 = plan.transactions.iter().map(|asked| asked.points.count).sum();
    assert_eq!(chosen(&plan, None, None, None).len(), read as usize);
}

#[test]
fn choices_narrow_and_say_how_a_point_is_read() {
    let plan = plan();
    let targets = chosen(&plan, Some("plant"), None, Some("coil/water/*/temperature"));
    assert_eq!(targets.len(), 2);
    assert_eq!(targets[0].reads, "holding 0, i16, × 0.01");
    let targets = chosen(&plan, None, None, Some("coil/**"));
    assert!(targets.len() > 2);
}

#[test]
fn what_does_not_exist_is_named_with_what_does() {
    let plan = plan();
    let wrong = |link: Option<&str>, device: Option<&str>, point: Option<&str>| {
        let choice =
            Choice { link: link.map(Into::into), device: device.map(Into::into), point: point.map(Into::into) };
        select(&plan, &choice).expect_err("nothing").to_string()
    };
    assert!(wrong(Some("x"), None, None).contains("plant"));
    assert!(wrong(None, Some("x"), None).contains("coil-plant"));
    assert!(wrong(None, None, Some("coil/[")).contains("no pattern"));
    assert!(wrong(None, None, Some("nothing/here")).contains("no field point"));
}

#[test]
fn the_small_plan_reads_the_targets_and_nothing_else() {
    let plan = plan();
    let targets = chosen(&plan, None, None, Some("coil/water/**"));
    let small = reduced(&plan, &targets);
    assert_eq!(small.links.len(), 1);
    assert!(small.devices.len() < plan.devices.len());
    assert!(small.transactions.len() < plan.transactions.len());
    for (link, index) in small.links.iter().zip(0u32..) {
        assert!(stretch(&small.devices, link.devices).iter().all(|device| device.link == index));
    }
    for (device, index) in small.devices.iter().zip(0u32..) {
        let asked = stretch(&small.transactions, device.transactions);
        assert!(!asked.is_empty() && asked.iter().all(|asked| asked.device == index));
    }
    let covered = |point: usize| {
        small.transactions.iter().any(|asked| {
            let first = asked.points.first as usize;
            (first..first + asked.points.count as usize).contains(&point)
        })
    };
    assert!(targets.iter().all(|target| covered(target.point)));
    assert_eq!(small.points.len(), plan.points.len(), "points keep their numbers");
}
