//! The small configuration and changed copies of it: which links go on, and where they stand then.

use std::time::Instant;

use super::*;
use crate::config::tests::Copy;
use crate::field::{Batch, Lacking};

fn plan(copy: &Copy) -> Plan {
    copy.load().unwrap_or_else(|mistakes| panic!("{mistakes}")).plan
}

fn link(plan: &Plan, name: &str) -> u32 {
    let found = (0..).zip(&plan.links).find(|(_, link)| link.name == name);
    found.unwrap_or_else(|| panic!("no link {name}")).0
}

/// The small configuration with another link and a device on it before all others.
fn with_annex() -> Copy {
    let link = "[[link]]\nname = \"annex\"\nmodbus_tcp = \"127.0.0.1:15021\"\n\n[[link]]\nname = \"plant\"";
    let device =
        "\n[[device]]\nname = \"annex\"\nlink = \"annex\"\nunit = 1\nmap = \"maps/coil.toml\"\nprefix = \"annex\"\n";
    Copy::new().with("module.toml", "[[link]]\nname = \"plant\"", link).and("module.toml", device)
}

#[test]
fn links_that_stand_elsewhere_go_on_with_their_new_numbers() {
    let (old, new) = (plan(&Copy::new()), plan(&with_annex()));
    for name in ["plant", "fans", "ups-a1"] {
        let place = Move::between(&old, link(&old, name), &new).unwrap_or_else(|| panic!("{name} goes on"));
        assert_eq!(place.to, link(&new, name));
        for index in place.devices.from..place.devices.from + place.devices.count {
            let now = place.devices.moved(index);
            assert_eq!(new.devices[at(now)].name, old.devices[at(index)].name);
        }
        for index in place.transactions.from..place.transactions.from + place.transactions.count {
            let now = place.transactions.moved(index);
            let point = |plan: &Plan, at: usize| plan.points[plan.transactions[at].points.first as usize].path.clone();
            assert_eq!(point(&new, at(now)), point(&old, at(index)));
            let batch = FieldMessage::Batch(Batch { transaction: index, at: Instant::now(), raws: Vec::new() });
            let FieldMessage::Batch(batch) = place.renumbered(batch) else { panic!("still a batch") };
            assert_eq!(batch.transaction, now);
            let first = old.transactions[at(index)].points.first;
            let lacking = vec![Lacking { point: first, place: None }];
            let lacks = FieldMessage::Lacks { device: place.devices.from, lacking, why: None, at: Instant::now() };
            let FieldMessage::Lacks { device, lacking, .. } = place.renumbered(lacks) else { panic!("still lacks") };
            assert_eq!((device, lacking[0].point), (place.devices.to, new.transactions[at(now)].points.first));
        }
        let down = FieldMessage::LinkState {
            link: link(&old, name),
            up: false,
            why: crate::field::why::Why::NotConnected,
            at: Instant::now(),
        };
        assert!(matches!(place.renumbered(down), FieldMessage::LinkState { link, .. } if link == place.to));
    }
    assert_eq!(Move::between(&new, link(&new, "annex"), &old), None);
}

#[test]
fn what_changes_what_a_link_does_begins_it_anew_and_nothing_else_does() {
    let old = plan(&Copy::new());
    let anew = [
        ("timeout_ms = 300", "timeout_ms = 400", "plant"),
        ("127.0.0.1:15020", "127.0.0.1:15022", "plant"),
        ("unit = 1\n", "unit = 2\n", "plant"),
        ("baud = 19200", "baud = 9600", "fans"),
        ("timeout_ms = 100", "timeout_ms = 120", "fans"),
        ("community = \"saltmarsh\"", "community = \"marsh\"", "ups-a1"),
    ];
    for (from, to, name) in anew {
        let new = plan(&Copy::new().with("module.toml", from, to));
        for link in 0..3 {
            let goes_on = Move::between(&old, link, &new).is_some();
            assert_eq!(goes_on, old.links[at(link)].name != name, "{to}: {}", old.links[at(link)].name);
        }
    }
    let maps = [
        ("maps/coil.toml", "register = \"holding:1\"", "register = \"holding:9\"", "plant"),
        ("maps/fan.toml", "scan_period = \"500ms\"", "scan_period = \"700ms\"", "fans"),
    ];
    for (file, from, to, name) in maps {
        let new = plan(&Copy::new().with(file, from, to));
        for link in 0..3 {
            let goes_on = Move::between(&old, link, &new).is_some();
            assert_eq!(goes_on, old.links[at(link)].name != name, "{to}: {}", old.links[at(link)].name);
        }
    }
    let same = [
        Copy::new().with("module.toml", "high = 21.0", "high = 22.0"),
        Copy::new().with("maps/coil.toml", "TT-101", "TT-102"),
        Copy::new().with("maps/coil.toml", "valid = [-20.0, 90.0]", "valid = [-10.0, 80.0]"),
    ];
    for copy in same {
        let new = plan(&copy);
        assert!((0..3).all(|link| Move::between(&old, link, &new).is_some()));
    }
}
