//! Redfish links and points: right ones become plans, wrong ones are told; a build without the feature says so.

use std::path::PathBuf;

use crate::config::Mistake;
#[cfg(feature = "redfish")]
use crate::plan::{Ask, Redfish, Tls, Transport};

use super::{Copy, MODULE};

const LINK: &str = "
[[link]]
name = \"server\"
redfish = \"192.0.2.30:443\"
ca = \"ca.pem\"
user = \"m1\"
password_file = \"/etc/lapwing/redfish-password\"

[[device]]
name = \"server\"
link = \"server\"
map = \"maps/server.toml\"
";

const MAP: &str = "
[[point]]
path = \"server/inlet/temperature\"
quantity = \"temperature\"
unit = \"Cel\"
redfish = \"/redfish/v1/Chassis/1/Thermal#/Temperatures/0/ReadingCelsius\"
resolution = 0.1

[[point]]
path = \"server/fan/speed\"
quantity = \"speed\"
unit = \"/min\"
redfish = \"/redfish/v1/Chassis/1/Thermal#/Fans/0/Reading\"
resolution = 1.0

[[point]]
path = \"server/power/state\"
quantity = \"state\"
names = { 0 = \"Off\", 1 = \"On\" }
redfish = \"/redfish/v1/Systems/1#/PowerState\"
";

fn with(link: (&str, &str), map: (&str, &str)) -> Copy {
    let copy = Copy::new().and(MODULE, &LINK.replace(link.0, link.1));
    let at: PathBuf = copy.0.join("maps/server.toml");
    std::fs::write(at, MAP.replace(map.0, map.1)).expect("written");
    copy
}

/// Mistakes beside the one of a build without Redfish.
fn mistakes(link: (&str, &str), map: (&str, &str)) -> Vec<Mistake> {
    match with(link, map).load() {
        Ok(_) => Vec::new(),
        Err(found) => found.list.into_iter().filter(|mistake| mistake.code != "not_built_in").collect(),
    }
}

#[cfg(not(feature = "redfish"))]
#[test]
fn a_build_without_it_says_so() {
    let found = with(("", ""), ("", "")).load().expect_err("not built in").list;
    assert_eq!(found.len(), 1, "{found:#?}");
    assert_eq!(found[0].code, "not_built_in");
    assert!(found[0].mend.contains("--features redfish"), "{}", found[0].mend);
}

#[cfg(feature = "redfish")]
#[test]
fn points_of_one_resource_share_a_request() {
    let plan = with(("", ""), ("", "")).load().expect("no mistakes").plan;
    let link = plan.links.last().expect("ours");
    let tls = Tls { ca: "ca.pem".into(), server_name: None, client: None };
    let service = Redfish {
        host: "192.0.2.30".into(),
        port: 443,
        tls,
        user: "m1".into(),
        password_file: "/etc/lapwing/redfish-password".into(),
    };
    assert_eq!(link.transport, Transport::Redfish(service));
    let device = plan.devices.iter().find(|device| device.name == "server").expect("ours");
    let asks = crate::plan::stretch(&plan.transactions, device.transactions);
    assert_eq!(asks.len(), 2, "one GET for the chassis, one for the system");
    for asked in asks {
        let Ask::Redfish { resource, pointers } = &asked.ask else { panic!("{:?}", asked.ask) };
        let paths: Vec<&str> =
            crate::plan::stretch(&plan.points, asked.points).iter().map(|point| point.path.as_str()).collect();
        if resource == "/redfish/v1/Systems/1" {
            assert_eq!((paths, pointers.as_slice()), (vec!["server/power/state"], &["/PowerState".to_string()][..]));
        } else {
            assert_eq!(paths, ["server/inlet/temperature", "server/fan/speed"]);
            assert_eq!(pointers.as_slice(), ["/Temperatures/0/ReadingCelsius", "/Fans/0/Reading"]);
        }
    }
}

#[test]
fn each_mistake_is_told() {
    let none = ("", "");
    let one = |link, map, code: &str, what: &str| {
        let found = mistakes(link, map);
        assert_eq!(found.len(), 1, "{found:#?}");
        assert_eq!(found[0].code, code, "{:#?}", found[0]);
        assert!(found[0].what.contains(what), "{}", found[0].what);
    };
    one(("ca = \"ca.pem\"\n", ""), none, "missing_key", "`ca`");
    one(("user = \"m1\"\n", ""), none, "missing_key", "`user`");
    one(("user = \"m1\"", "user = \"m:1\""), none, "bad_name", "m:1");
    one(("password_file = \"/etc/lapwing/redfish-password\"\n", ""), none, "missing_key", "`password_file`");
    one(("name = \"server\"\nlink", "name = \"server\"\nunit = 1\nlink"), none, "key_has_no_meaning", "`unit`");
    one(none, ("resolution = 0.1\n", ""), "missing_resolution", "resolution");
    one(none, ("#/Temperatures", "/Temperatures"), "bad_resource", "pointer");
    one(
        none,
        ("resolution = 0.1", "resolution = 0.1\noid = \"1.3.6.1.2.1.33.1.2.1.0\""),
        "two_sources",
        "more than one",
    );
    one(none, ("resolution = 0.1", "resolution = 0.1\nwords = 2"), "key_has_no_meaning", "`words`");
    one(("map = \"maps/server.toml\"", "map = \"maps/ups.toml\"\nprefix = \"x\""), none, "wrong_source", "OIDs");
}
